"""The ground across a line."""

"""Routing again after a change, only where it matters, to the same figures as the whole."""

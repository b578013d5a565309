"""What flows through each cell."""

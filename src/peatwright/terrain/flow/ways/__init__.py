"""The one neighbour that each cell drains to."""

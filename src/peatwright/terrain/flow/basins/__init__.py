"""Basins of pits and the levels at which they spill."""

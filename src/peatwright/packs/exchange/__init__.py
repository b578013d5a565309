"""Writes the layout for machines, handsets and other programs."""

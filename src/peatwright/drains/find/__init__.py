"""Drains that the terrain shows: line points per tile, joined into one clean network.

Pure computing: a tile is an array, its result arrays, and nothing here reads or writes files.
"""

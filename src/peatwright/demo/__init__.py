"""An invented bog, made by code from a seed and written as ordinary given files with its truth.

Every name and figure in it is ours; none describes a real place.
"""

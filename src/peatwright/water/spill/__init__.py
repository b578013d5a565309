"""Spill paths: works are cut into the terrain and the water is routed again, before and after.

Screening: one way down for each cell on an airborne terrain model. A competent person decides.
"""

"""The words everything else is built from: rasters, layers and their columns, rules, errors.

Imports nothing else of peatwright; holds no file access and no computing of the trade.
"""

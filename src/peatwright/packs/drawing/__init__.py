"""Draws maps and long sections as SVG in millimetres of paper, and sets them on pages.

Holds the look of all drawings; computes nothing of the trade.
"""

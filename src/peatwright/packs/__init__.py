"""Turns results into the files that people use: maps, sections, schedules, handset files.

Reads tables and rasters, writes into the folder it is given and nowhere else.
"""

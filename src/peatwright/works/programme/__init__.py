"""The programme of work: who works where, in which order, on which day, and how they get there.

Takes items, drains, rates and ground over which machines can go; gives tables with dates and ways.
"""

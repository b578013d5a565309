"""Whether the ground can carry the work and where it must not go.

Peat depth and condition, slope stability, going for machines, limits, seasons, and the findings
that a person has to answer.
"""

"""Water held in peat: the balance of each cell and how it changes with its water level.
Conductivity falls with depth, so both the peat's carrying power and the balance bend strongly.
"""

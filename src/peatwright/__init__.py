"""Plan, prove and record the closing of drains on peat, from a terrain model to the final account.

`peatwright.stages` runs the whole chain on a site folder; the packages below it are pure computing.
"""

__version__ = "0.1.0"

"""Compile every kernel once on tiny arrays."""

from __future__ import annotations

import numpy as np

from peatwright.model.raster import Grid, Raster
from peatwright.water.elliptic.solve import conductances, solve
from peatwright.water.surface import run_surface
from peatwright.water.surface_parts import block_rain
from peatwright.water.table import Bog, steady_table


def warm() -> None:
    """Run each kernel on a few cells, so that the first real run does not wait for the compiler."""
    slope = np.repeat(np.arange(12, 0, -1)[:, None] * 0.1, 12, axis=1).astype(np.float32)
    ground = Raster(slope, Grid(0.0, 12.0, 1.0, 1.0, 12, 12, ""))
    for threads in (1, 2):
        run_surface(ground, 0.1, block_rain(0.001, 20.0), end_s=20.0, threads=threads)
    drains = np.zeros((12, 12), np.bool_)
    drains[:, 5] = True
    bog = Bog(ground, drains, 1.0)
    steady_table(bog, np.where(drains, slope - 0.3, np.nan))
    ones = np.ones((12, 12))
    a, b = conductances(ones[:, 1:], ones[1:], 0.0 * ones, drains, ones, ones > 0.0)
    solve(a, b)

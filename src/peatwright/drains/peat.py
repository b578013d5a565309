"""Peat depth at stations from the peat depth surface."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from peatwright.model.raster import Raster
from peatwright.terrain.sampling import sample, sample_nearest

F64 = NDArray[np.float64]


def peat_at(
    places: F64, depth: Raster, error: Raster, probes: F64, reach_m: float
) -> tuple[F64, F64]:
    """Return peat depth and its standard error at places, m; NaN further than `reach_m` from all.

    Args:
        places: (n, 2) where depth is wanted.
        depth: the peat depth surface, m.
        error: its standard error, m.
        probes: (m, 2) places of probes that the surface rests on.
        reach_m: greatest distance to the nearest probe.

    """
    if not len(probes):
        return np.full(len(places), np.nan), np.full(len(places), np.nan)
    near, _ = cKDTree(probes).query(places)
    out = []
    for raster in (depth, error):
        x, y = places[:, 0], places[:, 1]
        between = sample(raster, x, y)
        # Beside a hole in the terrain one of the four cells has no depth, but the own one has.
        held = np.where(np.isnan(between), sample_nearest(raster, x, y), between)
        out.append(np.where(near > reach_m, np.nan, held))
    return out[0], out[1]

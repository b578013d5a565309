"""Correct depths read from the terrain by those measured by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from peatwright.model.cited import Cited

F64 = NDArray[np.float64]

HUBER = Cited(
    1.345, "", "standard deviations beyond which a hand depth counts for less", 1, 3,
    source="Huber's proposal tuned for 95 % efficiency under the normal law", read="memory",
)  # fmt: skip
FEWEST = Cited(3, "depths", "with fewer hand depths nothing is corrected", 2, 20)
LEAST_SPREAD_M = Cited(0.01, "m", "no set of hand depths agrees better than this", 0, 0.1)
UNKNOWN_M = Cited(
    0.15, "m", "error of an airborne bed level where no depth was measured by hand: water and "
    "heather hide the bed", 0, 1,
)  # fmt: skip


@dataclass(frozen=True)
class HandCorrection:
    """What is added to airborne depths, m, its standard error, and what it rests on.

    `spread_m` is the standard deviation of single differences; NaN errors mean not known.
    """

    add_m: float
    error_m: float
    spread_m: float
    matched: int
    unmatched: int

    @property
    def bed_error_m(self) -> float:
        """Standard error of one corrected bed level from this source."""
        if self.matched < int(FEWEST.value):
            return float(UNKNOWN_M.value)
        return math.hypot(self.error_m, self.spread_m)


def hand_correction(
    places: F64, depths_m: F64, stations: F64, airborne_depth_m: F64, reach_m: float
) -> HandCorrection:
    """Return how much deeper drains are by hand than by air.

    Each hand depth meets the nearest measured station within reach. The correction is Huber's
    robust mean of the differences, by iterated weights; its standard error is the robust spread
    over the root of the summed weights.

    Args:
        places: (m, 2), where depths were measured by hand.
        depths_m: (m,), those depths.
        stations: (n, 2), stations.
        airborne_depth_m: (n,), depth at each by the terrain; NaN where not measured.
        reach_m: a hand depth further from every measured station is left out.

    """
    known = np.isfinite(airborne_depth_m)
    if not len(depths_m) or not known.any():
        return HandCorrection(0.0, math.nan, math.nan, 0, len(depths_m))
    gap, at = (np.atleast_1d(a) for a in cKDTree(stations[known]).query(places))
    near = (gap <= reach_m) & np.isfinite(depths_m)
    differ = depths_m[near] - airborne_depth_m[known][at[near]]
    lost = int((~near).sum())
    if len(differ) < int(FEWEST.value):
        return HandCorrection(0.0, math.nan, math.nan, len(differ), lost)
    mid = float(np.median(differ))
    spread = max(1.4826 * float(np.median(np.abs(differ - mid))), float(LEAST_SPREAD_M.value))
    weight = np.ones(len(differ))
    for _ in range(50):
        off = np.abs(differ - mid) / spread
        weight = np.minimum(1.0, float(HUBER.value) / np.maximum(off, 1e-12))
        new = float(np.average(differ, weights=weight))
        if abs(new - mid) < 1e-9:
            break
        mid = new
    return HandCorrection(mid, spread / math.sqrt(float(weight.sum())), spread, len(differ), lost)

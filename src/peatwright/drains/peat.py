"""Peat depth at stations from probes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree, distance

from peatwright.model.cited import Cited

F64 = NDArray[np.float64]

NEIGHBOURS = 8
FEWEST = 10
POWER = Cited(
    2.0, "", "power of distance by which nearer probes count more", 1, 4,
    source="Shepard 1968, Proc. 23rd ACM National Conference: 517-524", read="memory",
)  # fmt: skip
PROBE_ERROR_M = Cited(0.05, "m", "error of one peat probe", 0, 0.5)
SHARE = Cited(
    1.5, "ratio", "variance of a depth among probes over half the mean squared difference of pairs "
    "as far apart: 2 for one probe alone, near 1 among many", 1, 2,
)  # fmt: skip
BLIND_M = Cited(0.5, "m", "error of peat depth when there are too few probes to judge", 0.1, 3)


def peat_depths(probes: F64, depth_m: F64, places: F64, reach_m: float) -> tuple[F64, F64]:
    """Return peat depth and its standard error at places, m; NaN further than `reach_m` from all.

    Inverse distance among the nearest eight probes. The error follows from how much pairs of probes
    that far apart differ: at distance d from the nearest probe its square is that of one probe and
    `SHARE` times the mean of half the squared differences at d.

    Args:
        probes: (m, 2) places of probes.
        depth_m: (m,) their depths.
        places: (n, 2) where depth is wanted.
        reach_m: greatest distance to the nearest probe.

    """
    if not len(probes):
        return np.full(len(places), np.nan), np.full(len(places), np.nan)
    depth, near = _weighted(probes, depth_m, places)
    error = np.full(len(places), float(BLIND_M.value))
    if len(probes) >= FEWEST:
        lag, half_square = _differences(probes, depth_m, reach_m)
        if len(lag):
            spread = np.interp(
                near, np.concatenate([[0.0], lag]), np.concatenate([[0.0], half_square])
            )
            error = np.sqrt(float(PROBE_ERROR_M.value) ** 2 + float(SHARE.value) * spread)
    far = near > reach_m
    return np.where(far, np.nan, depth), np.where(far, np.nan, error)


def _differences(probes: F64, depth_m: F64, reach_m: float) -> tuple[F64, F64]:
    """Return distances, m, and the mean of half the squared differences of pairs that far apart."""
    gap = distance.pdist(probes)
    differ = distance.pdist(depth_m[:, None])
    # Classes of equal count hold steady where probes stand in clusters and lines.
    near = np.flatnonzero(gap <= 1.5 * reach_m)
    order = near[np.argsort(gap[near], kind="stable")]
    classes = np.array_split(order, max(1, min(12, len(order) // FEWEST)))
    lag = np.array([gap[c].mean() for c in classes if len(c)])
    half = np.array([0.5 * (differ[c] ** 2).mean() for c in classes if len(c)])
    return lag, np.maximum.accumulate(half)


def _weighted(probes: F64, depth_m: F64, places: F64) -> tuple[F64, F64]:
    """Return depth by inverse distance and the distance to the nearest probe, m."""
    found = cKDTree(probes).query(places, k=min(NEIGHBOURS, len(probes)))
    gap, at = (np.asarray(a).reshape(len(places), -1) for a in found)
    weight = 1.0 / np.maximum(gap, 0.1) ** float(POWER.value)
    depth = (weight * depth_m[at]).sum(axis=1) / weight.sum(axis=1)
    return depth, gap[:, 0]

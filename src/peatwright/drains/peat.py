"""Peat depth at stations from probes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from peatwright.model.cited import Cited

F64 = NDArray[np.float64]

NEIGHBOURS = 8
POWER = Cited(
    2.0, "", "power of distance by which nearer probes count more", 1, 4,
    source="Shepard 1968, Proc. 23rd ACM National Conference: 517-524", read="memory",
)  # fmt: skip
PROBE_ERROR_M = Cited(0.05, "m", "error of one peat probe", 0, 0.5)
BLIND_M = Cited(0.5, "m", "error of peat depth when there are too few probes to judge", 0.1, 3)


def peat_depths(probes: F64, depth_m: F64, places: F64, reach_m: float) -> tuple[F64, F64]:
    """Return peat depth and its standard error at places, m; NaN further than `reach_m` from all.

    Inverse distance among the nearest eight probes. The error grows with distance to the nearest
    probe as it does when each probe is worked out from the others.

    Args:
        probes: (m, 2) places of probes.
        depth_m: (m,) their depths.
        places: (n, 2) where depth is wanted.
        reach_m: greatest distance to the nearest probe.

    """
    if not len(probes):
        return np.full(len(places), np.nan), np.full(len(places), np.nan)
    depth, near = _weighted(probes, depth_m, places, leave_out=False)
    error = np.full(len(places), float(BLIND_M.value))
    if len(probes) >= 4:
        guess, gap = _weighted(probes, depth_m, probes, leave_out=True)
        # One square law of distance through the misses: simple, and never zero.
        rate = float(np.median(np.abs(guess - depth_m)) * 1.4826)
        typical = max(float(np.median(gap)), 1e-6)
        error = np.hypot(
            float(PROBE_ERROR_M.value), rate * np.minimum(np.sqrt(near / typical), 2.0)
        )
    far = near > reach_m
    return np.where(far, np.nan, depth), np.where(far, np.nan, error)


def _weighted(probes: F64, depth_m: F64, places: F64, *, leave_out: bool) -> tuple[F64, F64]:
    skip = int(leave_out)
    count = min(NEIGHBOURS + skip, len(probes))
    found = cKDTree(probes).query(places, k=count)
    gap, at = (np.asarray(a).reshape(len(places), -1)[:, skip:] for a in found)
    weight = 1.0 / np.maximum(gap, 0.1) ** float(POWER.value)
    depth = (weight * depth_m[at]).sum(axis=1) / weight.sum(axis=1)
    return depth, gap[:, 0]

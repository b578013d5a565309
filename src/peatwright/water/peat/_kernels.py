"""Compiled balance of the water table. Depths are below ground, positive down.

Conductivity at depth d is K(d) = top exp(-decay d) + deep. Carrying power (transmissivity) at table
depth w over peat of depth D is T(w) = integral of K from w to D.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

F64 = NDArray[np.float64]
B1 = NDArray[np.bool_]

THIN_M = 1.0e-3  # saturated peat is never taken thinner, so that a dry cell can fill again


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def conductivity(w: float, top: float, deep: float, decay: float) -> float:
    """Return K at a depth; above the ground as at the ground."""
    return top * math.exp(-decay * max(w, 0.0)) + deep


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def carrying(w: float, depth: float, top: float, deep: float, decay: float) -> float:
    """Return T at a table depth; above the ground it grows with K of the ground."""
    above = min(w, 0.0)
    w = min(max(w, 0.0), depth - THIN_M) if depth > THIN_M else 0.0
    if decay > 0.0:
        part = top / decay * (math.exp(-decay * w) - math.exp(-decay * depth))
    else:
        part = top * (depth - w)
    return part + deep * (depth - w) - above * (top + deep)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def lean(x: float) -> float:
    """coth(x/2) - 2/x: how far a face leans on its upslope cell (Scharfetter & Gummel 1969)."""
    a = abs(x)
    if a < 1.0e-3:
        return x / 6.0
    if a > 40.0:
        out = 1.0 - 2.0 / a
    else:
        e = math.exp(-a)
        out = (1.0 + e) / (1.0 - e) - 2.0 / a
    return out if x > 0.0 else -out


@njit(cache=True, nogil=True, error_model="numpy")
def balance(
    ground: F64,
    peat: F64,
    level: F64,
    active: B1,
    fixed: B1,
    dx: float,
    dy: float,
    top: float,
    deep: float,
    decay: float,
    recharge: float,
    spill: F64,
    spill_rate: F64,
    edge: F64,
    yield_ratio: float,
    dt: float,
    old: F64,
    with_jacobian: bool,
    left: F64,
    diag: F64,
    west: F64,
    east: F64,
    north: F64,
    south: F64,
    t: F64,
    k: F64,
    sums: F64,
) -> int:
    """Write what each cell takes in less what it gives out (m³/s), and how that changes.

    All arrays are bordered by one idle cell. Flow over a face is
    q = (Tg (w_b - w_a) + Ta (ground_a - ground_b)) / distance × width: the part driven by the
    table's depth takes the mean of T between the two depths (Simpson), the part driven by the
    ground's slope leans on the upslope cell as much as an exponential profile needs. The flow
    grows with the level of the giver and falls with that of the taker, whatever the slope.

    `edge` is slope times width over an open edge; `spill` the level above which water runs off at
    `spill_rate` (1/s). `dt` 0 means steady. `sums` gets recharge, flow into fixed cells, run-off,
    flow over edges, storage taken up (m³/s).
    """
    rows, cols = ground.shape
    area = dx * dy
    for r in range(rows):
        for c in range(cols):
            left[r, c] = 0.0
            diag[r, c] = 0.0
            west[r, c] = 0.0
            east[r, c] = 0.0
            north[r, c] = 0.0
            south[r, c] = 0.0
            if active[r, c]:
                w = ground[r, c] - level[r, c]
                t[r, c] = carrying(w, peat[r, c], top, deep, decay)
                # Where T is held up by the least thickness it no longer changes with the level.
                dry = w > peat[r, c] - THIN_M
                k[r, c] = 0.0 if dry else conductivity(w, top, deep, decay)
    for i in range(5):
        sums[i] = 0.0
    for r in range(1, rows - 1):
        for c in range(1, cols - 1):
            if not active[r, c]:
                diag[r, c] = 1.0
                continue
            for way in range(2):
                r2 = r + way
                c2 = c + 1 - way
                if not active[r2, c2] or (fixed[r, c] and fixed[r2, c2]):
                    continue
                ratio = dy / dx if way == 0 else dx / dy
                wa = ground[r, c] - level[r, c]
                wb = ground[r2, c2] - level[r2, c2]
                dz = ground[r, c] - ground[r2, c2]
                wm = 0.5 * (wa + wb)
                dm = 0.5 * (peat[r, c] + peat[r2, c2])
                tm = carrying(wm, dm, top, deep, decay)
                ta, tb = t[r, c], t[r2, c2]
                tg = (ta + 4.0 * tm + tb) / 6.0
                up = 0.5 * lean((top + deep) / carrying(0.0, dm, top, deep, decay) * dz)
                q = ratio * (tg * (wb - wa) + ((0.5 + up) * ta + (0.5 - up) * tb) * dz)
                left[r, c] -= q
                left[r2, c2] += q
                if with_jacobian:
                    km = 0.0 if wm > dm - THIN_M else conductivity(wm, top, deep, decay)
                    # Change of q with each level; a level up is a depth down.
                    qa = tg + (wb - wa) * (k[r, c] + 2.0 * km) / 6.0 + (0.5 + up) * k[r, c] * dz
                    qb = -tg + (wb - wa) * (k[r2, c2] + 2.0 * km) / 6.0
                    qb += (0.5 - up) * k[r2, c2] * dz
                    # Kept at the right sign where the profile is not quite exponential.
                    qa = ratio * max(qa, 0.0)
                    qb = ratio * max(-qb, 0.0)
                    diag[r, c] += qa
                    diag[r2, c2] += qb
                    if way == 0:
                        east[r, c] += qb
                        west[r2, c2] += qa
                    else:
                        south[r, c] += qb
                        north[r2, c2] += qa
    for r in range(1, rows - 1):
        for c in range(1, cols - 1):
            if not active[r, c]:
                continue
            if fixed[r, c]:
                sums[1] += left[r, c]
                continue
            out = edge[r, c] * t[r, c]
            over = level[r, c] - spill[r, c]
            runs = spill_rate[r, c] * area * over if over > 0.0 else 0.0
            left[r, c] += recharge * area - out - runs
            sums[0] += recharge * area
            sums[2] += runs
            sums[3] += out
            if dt > 0.0:
                # Above the ground a rise stores its whole depth.
                new_w = level[r, c] - ground[r, c]
                old_w = old[r, c] - ground[r, c]
                new_v = yield_ratio * min(new_w, 0.0) + max(new_w, 0.0)
                old_v = yield_ratio * min(old_w, 0.0) + max(old_w, 0.0)
                taken = area * (new_v - old_v) / dt
                left[r, c] -= taken
                sums[4] += taken
                diag[r, c] += area / dt * (yield_ratio if new_w <= 0.0 else 1.0)
            diag[r, c] += edge[r, c] * k[r, c]
            if over > 0.0:
                diag[r, c] += spill_rate[r, c] * area
    if with_jacobian:
        for r in range(1, rows - 1):
            for c in range(1, cols - 1):
                if fixed[r, c] or not active[r, c]:
                    diag[r, c] = 1.0
                    west[r, c] = 0.0
                    east[r, c] = 0.0
                    north[r, c] = 0.0
                    south[r, c] = 0.0
                    left[r, c] = 0.0
                else:
                    # Neighbours that are held or idle do not change.
                    if fixed[r, c - 1]:
                        west[r, c] = 0.0
                    if fixed[r, c + 1]:
                        east[r, c] = 0.0
                    if fixed[r - 1, c]:
                        north[r, c] = 0.0
                    if fixed[r + 1, c]:
                        south[r, c] = 0.0
                    if diag[r, c] <= 0.0:
                        diag[r, c] = 1.0
    return 0

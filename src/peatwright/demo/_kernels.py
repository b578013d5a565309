"""Cutting lines into ground: each cell meets the nearest point of a line and its cross-section."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

F64 = NDArray[np.float64]


@njit(cache=True, nogil=True)
def carve_line(
    x_m: F64,
    y_m: F64,
    bed_m: F64,
    shoulder_m: F64,
    top_m: F64,
    bottom_m: F64,
    sag_width_m: F64,
    sag_depth_m: F64,
    spoil_side: F64,
    spoil_height_m: F64,
    spoil_width_m: F64,
    spoil_gap_m: float,
    x_left_m: float,
    y_top_m: float,
    cell_m: float,
    stamp_id: int,
    stamp: NDArray[np.int32],
    near_m: NDArray[np.float32],
    near_at: NDArray[np.float32],
    out_sag_m: NDArray[np.float32],
    out_spoil_m: NDArray[np.float32],
    out_cut_m: NDArray[np.float32],
) -> int:
    """Add one line's cross-section to three rasters.

    Stations are about 1 m apart. `shoulder_m`, `sag_width_m` and `sag_depth_m` are (n, 2): left and
    right of the way the water runs. `out_sag_m` (largest lowering), `out_spoil_m` (largest bank)
    and `out_cut_m` (lowest channel surface) gather the result over all lines. `stamp`, `near_m` and
    `near_at` are scratch of the raster's shape. A NaN bed leaves the channel uncut. Returns 0, or 1
    when the line has fewer than two stations.
    """
    n = x_m.shape[0]
    if n < 2:
        return 1
    rows, cols = stamp.shape
    # First pass: signed distance and place of the nearest point of this line, per cell.
    for i in range(n - 1):
        reach = 0.0
        for k in range(i, i + 2):
            half = 0.5 * top_m[k]
            r = half + max(sag_width_m[k, 0], sag_width_m[k, 1])
            if spoil_side[k] != 0.0:
                r = max(r, half + spoil_gap_m + spoil_width_m[k])
            reach = max(reach, r)
        reach += cell_m
        ax, ay = x_m[i], y_m[i]
        bx, by = x_m[i + 1], y_m[i + 1]
        ux, uy = bx - ax, by - ay
        length2 = ux * ux + uy * uy
        if length2 <= 0.0:
            continue
        c0 = max(0, int((min(ax, bx) - reach - x_left_m) / cell_m))
        c1 = min(cols - 1, int((max(ax, bx) + reach - x_left_m) / cell_m))
        r0 = max(0, int((y_top_m - max(ay, by) - reach) / cell_m))
        r1 = min(rows - 1, int((y_top_m - min(ay, by) + reach) / cell_m))
        for r in range(r0, r1 + 1):
            py = y_top_m - (r + 0.5) * cell_m - ay
            for c in range(c0, c1 + 1):
                px = x_left_m + (c + 0.5) * cell_m - ax
                t = (px * ux + py * uy) / length2
                t = min(1.0, max(0.0, t))
                ex, ey = px - t * ux, py - t * uy
                d = np.sqrt(ex * ex + ey * ey)
                if d > reach:
                    continue
                if stamp[r, c] != stamp_id or d < abs(near_m[r, c]):
                    stamp[r, c] = stamp_id
                    # Left of the flow is positive.
                    near_m[r, c] = d if ux * py - uy * px >= 0.0 else -d
                    near_at[r, c] = i + t
    # Second pass: the same windows, each stamped cell once (its stamp is then turned negative).
    for i in range(n - 1):
        reach = 0.0
        for k in range(i, i + 2):
            half = 0.5 * top_m[k]
            r = half + max(sag_width_m[k, 0], sag_width_m[k, 1])
            if spoil_side[k] != 0.0:
                r = max(r, half + spoil_gap_m + spoil_width_m[k])
            reach = max(reach, r)
        reach += cell_m
        c0 = max(0, int((min(x_m[i], x_m[i + 1]) - reach - x_left_m) / cell_m))
        c1 = min(cols - 1, int((max(x_m[i], x_m[i + 1]) + reach - x_left_m) / cell_m))
        r0 = max(0, int((y_top_m - max(y_m[i], y_m[i + 1]) - reach) / cell_m))
        r1 = min(rows - 1, int((y_top_m - min(y_m[i], y_m[i + 1]) + reach) / cell_m))
        for r in range(r0, r1 + 1):
            for c in range(c0, c1 + 1):
                if stamp[r, c] != stamp_id:
                    continue
                stamp[r, c] = -stamp_id
                a = min(int(near_at[r, c]), n - 2)
                w = near_at[r, c] - a
                d = abs(near_m[r, c])
                side = 0 if near_m[r, c] >= 0.0 else 1
                top = (1.0 - w) * top_m[a] + w * top_m[a + 1]
                half = 0.5 * top
                sw = (1.0 - w) * sag_width_m[a, side] + w * sag_width_m[a + 1, side]
                sd = (1.0 - w) * sag_depth_m[a, side] + w * sag_depth_m[a + 1, side]
                sag = 0.0
                if d <= half:
                    sag = sd
                elif sw > 0.0 and d < half + sw:
                    u = (d - half) / sw
                    sag = sd * (1.0 - u * u) ** 2
                out_sag_m[r, c] = max(out_sag_m[r, c], sag)
                wanted = 1.0 if side == 0 else -1.0
                near = a if w < 0.5 else a + 1
                if spoil_side[near] == wanted:
                    sh = (1.0 - w) * spoil_height_m[a] + w * spoil_height_m[a + 1]
                    wide = spoil_width_m[near]
                    u = (d - half - spoil_gap_m) / wide
                    if 0.0 < u < 1.0:
                        bank = sh * np.sin(np.pi * u) ** 2
                        out_spoil_m[r, c] = max(out_spoil_m[r, c], bank)
                if d < half:
                    bed = (1.0 - w) * bed_m[a] + w * bed_m[a + 1]
                    rim = (1.0 - w) * shoulder_m[a, side] + w * shoulder_m[a + 1, side]
                    flat = 0.5 * ((1.0 - w) * bottom_m[a] + w * bottom_m[a + 1])
                    f = 0.0
                    if d > flat:
                        f = (d - flat) / max(half - flat, 1e-6)
                        # Toe and shoulder are rounded, as old drain sides are.
                        f = 0.5 * f + 0.5 * f * f * (3.0 - 2.0 * f)
                    cut = bed + f * (rim - bed)
                    out_cut_m[r, c] = min(out_cut_m[r, c], cut)
    return 0

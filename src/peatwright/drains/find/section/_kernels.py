"""Compiled loop over line cells: the ground across each, measured.

Rows run south, columns east. Small helpers are repeated here because a compiled loop's cache does
not see changes in another file.
"""

import math
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

Arr = NDArray[Any]


@njit(cache=True, nogil=True, inline="always")
def at_blocks(b: Arr, n: int, i: int, j: int) -> float:
    """Bilinear value of a block array at cell (i, j)."""
    y = (i + 0.5) / n - 0.5
    x = (j + 0.5) / n - 0.5
    y = min(max(y, 0.0), b.shape[0] - 1.0)
    x = min(max(x, 0.0), b.shape[1] - 1.0)
    p = min(int(y), b.shape[0] - 2) if b.shape[0] > 1 else 0
    q = min(int(x), b.shape[1] - 2) if b.shape[1] > 1 else 0
    p1 = min(p + 1, b.shape[0] - 1)
    q1 = min(q + 1, b.shape[1] - 1)
    fy = y - p
    fx = x - q
    return float(
        (b[p, q] * (1 - fx) + b[p, q1] * fx) * (1 - fy)
        + (b[p1, q] * (1 - fx) + b[p1, q1] * fx) * fy
    )


@njit(cache=True, nogil=True, inline="always")
def level_at(z: Arr, y: float, x: float) -> float:
    """Bilinear level at fractional cell (y, x), edge values beyond the edge."""
    rows, cols = z.shape
    y = min(max(y, 0.0), rows - 1.001)
    x = min(max(x, 0.0), cols - 1.001)
    p = int(y)
    q = int(x)
    fy = y - p
    fx = x - q
    return float(
        (z[p, q] * (1 - fx) + z[p, q + 1] * fx) * (1 - fy)
        + (z[p + 1, q] * (1 - fx) + z[p + 1, q + 1] * fx) * fy
    )


@njit(cache=True, nogil=True)
def profiles(
    z: Arr,
    hole: Arr,
    mark: Arr,
    strength: Arr,
    theta: Arr,
    lam: Arr,
    hxx: Arr,
    hxy: Arr,
    hyy: Arr,
    noise: Arr,
    n_noise: int,
    bg: Arr,
    rough: Arr,
    n_bg: int,
    dx: float,
    dy: float,
    i0: int,
    i1: int,
    j0: int,
    j1: int,
    reach_m: float,
    step_m: float,
    near_m: float,
    half_m: float,
    cell: Arr,
    out: Arr,
) -> int:
    """Measure the ground across the line at every marked cell of the window.

    `cell` gets (row, column), `out` the columns named in `local.POINT`. Returns the number of
    points, or -1 when `out` is too short.
    """
    half = int(reach_m / step_m + 0.5)
    near = int(near_m / step_m + 0.5)
    prof = np.empty(2 * half + 1, np.float64)
    rows, cols = z.shape
    step = min(dx, dy)
    m = max(int(half_m / step + 0.5), 2)
    k = 0
    for i in range(i0, i1):
        for j in range(j0, j1):
            if mark[i, j] == 0:
                continue
            if k >= cell.shape[0]:
                return -1
            ang = theta[i, j]
            ux = math.cos(ang)
            uy = math.sin(ang)
            nx = -uy
            ny = ux
            # sub-cell place from the response across
            off = 0.0
            h = step
            r0 = lam[i, j]
            rp = level_at(lam, i + h * ny / dy, j + h * nx / dx)
            rm = level_at(lam, i - h * ny / dy, j - h * nx / dx)
            den = rp - 2 * r0 + rm
            if den < 0 and mark[i, j] == 1:
                off = min(max(0.5 * (rm - rp) / den, -1.0), 1.0) * h
            ci = i + off * ny / dy
            cj = j + off * nx / dx
            for t in range(-half, half + 1):
                total = 0.0
                for s in range(-2, 3):
                    yy = ci + (t * step_m * ny + s * 0.75 * uy) / dy
                    xx = cj + (t * step_m * nx + s * 0.75 * ux) / dx
                    total += level_at(z, yy, xx)
                prof[t + half] = total / 5.0
            bt = 0
            bed = prof[half]
            lim = max(int(0.75 / step_m + 0.5), 1)
            for t in range(-lim, lim + 1):
                if prof[half + t] < bed:
                    bed = prof[half + t]
                    bt = t
            top_l = bed
            top_r = bed
            lip_l = bed
            lip_r = bed
            far_l = bed
            far_r = bed
            for t in range(1, half + 1):
                v = prof[max(half + bt - t, 0)]
                far_l = max(far_l, v)
                if t <= near:
                    top_l = max(top_l, v)
                if t * step_m <= 1.5:
                    lip_l = max(lip_l, v)
                v = prof[min(half + bt + t, 2 * half)]
                far_r = max(far_r, v)
                if t <= near:
                    top_r = max(top_r, v)
                if t * step_m <= 1.5:
                    lip_r = max(lip_r, v)
            depth = min(top_l, top_r) - bed
            far_depth = min(far_l, far_r) - bed
            width = 0.0
            for side in range(-1, 2, 2):
                prev = bed
                w = near * step_m
                for t in range(1, near + 1):
                    q = min(max(half + bt + side * t, 0), 2 * half)
                    if prof[q] >= bed + 0.5 * depth:
                        rise = prof[q] - prev
                        f = (bed + 0.5 * depth - prev) / rise if rise > 0 else 1.0
                        w = (t - 1 + f) * step_m
                        break
                    prev = prof[q]
                width += w
            far_width = 0.0
            for side in range(-1, 2, 2):
                w = half * step_m
                for t in range(1, half + 1):
                    q = min(max(half + bt + side * t, 0), 2 * half)
                    if prof[q] >= bed + 0.75 * far_depth:
                        w = t * step_m
                        break
                far_width += w
            # ground line through both sides, outside the near banks
            n_out = 0
            sx = 0.0
            sy = 0.0
            sxx = 0.0
            sxy = 0.0
            for t in range(-half, half + 1):
                if abs(t) * step_m >= 2.0 and abs(t) * step_m <= 6.0:
                    x = t * step_m
                    n_out += 1
                    sx += x
                    sy += prof[t + half]
                    sxx += x * x
                    sxy += x * prof[t + half]
            d = n_out * sxx - sx * sx
            slope = (n_out * sxy - sx * sy) / d if d > 0 else 0.0
            level = (sy - slope * sx) / n_out if n_out > 0 else bed
            res = 0.0
            for t in range(-half, half + 1):
                a = abs(t) * step_m
                if a >= 2.0 and a <= 6.0:
                    e = prof[t + half] - level - slope * t * step_m
                    res += e * e
            # each side by itself: a road's strip is level and even
            flat = np.inf
            uneven = 0.0
            mean_l = 0.0
            mean_r = 0.0
            for side in range(-1, 2, 2):
                c = 0
                ax = 0.0
                ay = 0.0
                axx = 0.0
                axy = 0.0
                ayy = 0.0
                for t in range(half + 1):
                    x = t * step_m
                    if x >= 2.0 and x <= 5.5:
                        v = prof[half + side * t] - bed
                        c += 1
                        ax += x
                        ay += v
                        axx += x * x
                        axy += x * v
                        ayy += v * v
                d = c * axx - ax * ax
                b = (c * axy - ax * ay) / d if d > 0 else 0.0
                rms = math.sqrt(max(ayy - ay * ay / c - b * b * d / c, 0.0) / c) if c > 0 else 0.0
                tilt = abs(b) * 1.0 + rms
                flat = min(flat, tilt)
                uneven = max(uneven, rms)
                if side < 0:
                    mean_l = ay / max(c, 1)
                else:
                    mean_r = ay / max(c, 1)
            good = 0
            cc = uy * uy
            ss = ux * ux
            cs = -uy * ux * 2.0
            nz = noise[i // n_noise, j // n_noise]
            for s in range(-m, m + 1):
                p = int(i + s * uy * step / dy + 0.5)
                q = int(j + s * ux * step / dx + 0.5)
                if (
                    0 <= p < rows
                    and 0 <= q < cols
                    and hole[p, q] == 0
                    and hxx[p, q] * cc + hxy[p, q] * cs + hyy[p, q] * ss > 0.7 * nz
                ):
                    good += 1
            e = n_bg
            gx = (at_blocks(bg, n_bg, i, j + e) - at_blocks(bg, n_bg, i, j - e)) / (2 * e * dx)
            gy = (at_blocks(bg, n_bg, i + e, j) - at_blocks(bg, n_bg, i - e, j)) / (2 * e * dy)
            cell[k, 0] = i
            cell[k, 1] = j
            out[k, 0] = off * ny / dy
            out[k, 1] = off * nx / dx
            out[k, 2] = ang
            out[k, 3] = strength[i, j]
            out[k, 4] = nz
            out[k, 5] = r0
            out[k, 6] = bed
            out[k, 7] = depth
            out[k, 8] = width
            out[k, 9] = top_l - top_r
            out[k, 10] = level + slope * bt * step_m - bed
            out[k, 11] = math.sqrt(res / max(n_out, 1))
            out[k, 12] = gx * ux + gy * uy
            out[k, 13] = gx * nx + gy * ny
            out[k, 14] = bed - at_blocks(bg, n_bg, i, j)
            out[k, 15] = at_blocks(rough, n_bg, i, j)
            out[k, 16] = far_depth
            out[k, 17] = far_width
            out[k, 18] = 1.0 if mark[i, j] == 2 else 0.0
            out[k, 19] = good / (2 * m + 1)
            out[k, 20] = slope
            out[k, 21] = flat
            out[k, 22] = uneven
            out[k, 23] = abs(mean_l - mean_r)
            out[k, 24] = min(lip_l, lip_r) - bed
            out[k, 25] = abs(lip_l - lip_r)
            k += 1
    return k

"""Compiled loops over every cell: ground behind the lines, line filters, and which cells are lines.

All loops run on one thread and release the interpreter, so tiles can share cores. Rows run south,
columns east; directions are (row, column) steps in cells unless named in metres.
"""

import math
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

Arr = NDArray[Any]
CHUNK = 1024


@njit(cache=True, nogil=True)
def block_means(z: Arr, n: int, out: Arr, count: Arr) -> int:
    """Mean of finite cells in aligned n × n blocks into `out`, their number into `count`."""
    rows, cols = z.shape
    for bi in range(out.shape[0]):
        i1 = min((bi + 1) * n, rows)
        for bj in range(out.shape[1]):
            j1 = min((bj + 1) * n, cols)
            total = 0.0
            k = 0
            for i in range(bi * n, i1):
                for j in range(bj * n, j1):
                    v = z[i, j]
                    if not np.isnan(v):
                        total += v
                        k += 1
            count[bi, bj] = k
            out[bi, bj] = total / k if k else np.nan
    return 0


@njit(cache=True, nogil=True)
def smooth_blocks(b: Arr, w: Arr, out: Arr) -> int:
    """Normalised Gaussian mean of a small array, skipping NaN; `w` is one half of the taps."""
    rows, cols = b.shape
    r = w.size - 1
    for i in range(rows):
        for j in range(cols):
            total = 0.0
            weight = 0.0
            for k in range(-r, r + 1):
                p = i + k
                if p < 0 or p >= rows:
                    continue
                for m in range(-r, r + 1):
                    q = j + m
                    if q < 0 or q >= cols:
                        continue
                    v = b[p, q]
                    if not np.isnan(v):
                        ww = w[abs(k)] * w[abs(m)]
                        total += ww * v
                        weight += ww
            out[i, j] = total / weight if weight > 0.0 else np.nan
    return 0


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


@njit(cache=True, nogil=True)
def fill_holes(z: Arr, bg: Arr, n: int, out: Arr, hole: Arr) -> int:
    """Copy levels, with the smooth ground put into holes; `hole` marks cells without data."""
    rows, cols = z.shape
    for i in range(rows):
        for j in range(cols):
            v = z[i, j]
            if not np.isnan(v):
                out[i, j] = v
                hole[i, j] = 0
            else:
                g = at_blocks(bg, n, i, j)
                out[i, j] = 0.0 if np.isnan(g) else g
                hole[i, j] = 1
    return 0


@njit(cache=True, nogil=True)
def hessian(
    z: Arr, wy: Arr, wx: Arr, norm: float, first: bool, hxx: Arr, hxy: Arr, hyy: Arr, lam: Arr
) -> int:
    """Second derivatives by separable taps, kept where their line response beats what is held.

    `wy` and `wx` hold smoothing, first and second derivative taps of one half; `norm` turns the
    larger eigenvalue into the depth of a Gaussian trench. `first` overwrites.
    """
    rows, cols = z.shape
    ry = wy.shape[1] - 1
    rx = wx.shape[1] - 1
    width = CHUNK + 2 * rx
    a0 = np.empty(width, np.float32)
    a1 = np.empty(width, np.float32)
    a2 = np.empty(width, np.float32)
    bxx = np.empty(CHUNK, np.float32)
    bxy = np.empty(CHUNK, np.float32)
    byy = np.empty(CHUNK, np.float32)
    half = np.float32(0.5)
    nn = np.float32(norm)
    for c0 in range(0, cols, CHUNK):
        c1 = min(c0 + CHUNK, cols)
        lo = max(c0 - rx, 0)
        hi = min(c1 + rx, cols)
        off = lo - (c0 - rx)
        m = hi - lo
        w = c1 - c0
        for i in range(rows):
            zc = z[i, lo:hi]
            s0 = a0[off : off + m]
            s1 = a1[off : off + m]
            s2 = a2[off : off + m]
            k0 = wy[0, 0]
            k2 = wy[2, 0]
            for j in range(m):
                v = zc[j]
                s0[j] = k0 * v
                s1[j] = np.float32(0.0)
                s2[j] = k2 * v
            for k in range(1, ry + 1):
                zm = z[max(i - k, 0), lo:hi]
                zp = z[min(i + k, rows - 1), lo:hi]
                k0 = wy[0, k]
                k1 = wy[1, k]
                k2 = wy[2, k]
                for j in range(m):
                    s = zm[j] + zp[j]
                    s0[j] += k0 * s
                    s2[j] += k2 * s
                    s1[j] += k1 * (zp[j] - zm[j])
            for j in range(off):
                a0[j] = a0[off]
                a1[j] = a1[off]
                a2[j] = a2[off]
            for j in range(off + m, w + 2 * rx):
                a0[j] = a0[off + m - 1]
                a1[j] = a1[off + m - 1]
                a2[j] = a2[off + m - 1]
            k0 = wx[0, 0]
            k2 = wx[2, 0]
            for j in range(w):
                bxx[j] = k2 * a0[j + rx]
                bxy[j] = np.float32(0.0)
                byy[j] = k0 * a2[j + rx]
            for k in range(1, rx + 1):
                k0 = wx[0, k]
                k1 = wx[1, k]
                k2 = wx[2, k]
                p0 = a0[rx + k : rx + k + w]
                q0 = a0[rx - k : rx - k + w]
                p1 = a1[rx + k : rx + k + w]
                q1 = a1[rx - k : rx - k + w]
                p2 = a2[rx + k : rx + k + w]
                q2 = a2[rx - k : rx - k + w]
                for j in range(w):
                    bxx[j] += k2 * (p0[j] + q0[j])
                    bxy[j] += k1 * (p1[j] - q1[j])
                    byy[j] += k0 * (p2[j] + q2[j])
            oxx = hxx[i, c0:c1]
            oxy = hxy[i, c0:c1]
            oyy = hyy[i, c0:c1]
            ol = lam[i, c0:c1]
            if first:
                for j in range(w):
                    d = (bxx[j] - byy[j]) * half
                    v = ((bxx[j] + byy[j]) * half + np.sqrt(d * d + bxy[j] * bxy[j])) * nn
                    oxx[j] = bxx[j] * nn
                    oxy[j] = bxy[j] * nn
                    oyy[j] = byy[j] * nn
                    ol[j] = v
            else:
                for j in range(w):
                    d = (bxx[j] - byy[j]) * half
                    v = ((bxx[j] + byy[j]) * half + np.sqrt(d * d + bxy[j] * bxy[j])) * nn
                    more = v > ol[j]
                    oxx[j] = bxx[j] * nn if more else oxx[j]
                    oxy[j] = bxy[j] * nn if more else oxy[j]
                    oyy[j] = byy[j] * nn if more else oyy[j]
                    ol[j] = v if more else ol[j]
    return 0


@njit(cache=True, nogil=True)
def block_noise(hxx: Arr, hxy: Arr, hyy: Arr, hole: Arr, n: int, out: Arr) -> int:
    """Noise of every n × n block as trench depth, from every other cell.

    The median of the smaller curvature: lines bend the ground across only, so ground full of
    drains or furrows is not taken for noise. In noise alone the median absolute Laplacian is 2.66
    times as much, the factor by which the result is scaled.
    """
    rows, cols = hxx.shape
    held = np.empty(((n + 1) // 2) * ((n + 1) // 2), np.float32)
    for bi in range(out.shape[0]):
        for bj in range(out.shape[1]):
            k = 0
            for i in range(bi * n, min((bi + 1) * n, rows), 2):
                for j in range(bj * n, min((bj + 1) * n, cols), 2):
                    if hole[i, j] == 0:
                        half = (hxx[i, j] + hyy[i, j]) * np.float32(0.5)
                        d = (hxx[i, j] - hyy[i, j]) * np.float32(0.5)
                        held[k] = abs(abs(half) - np.sqrt(d * d + hxy[i, j] * hxy[i, j]))
                        k += 1
            out[bi, bj] = 2.66 * np.median(held[:k]) if k * 16 >= held.size else np.nan
    return 0


@njit(cache=True, nogil=True, inline="always")
def across(hxx: float, hxy: float, hyy: float) -> tuple[float, float]:
    """Unit (row, column) vector across the line: of the larger eigenvalue."""
    d = (hxx - hyy) * 0.5
    ang = 0.5 * math.atan2(hxy, d)
    return math.sin(ang), math.cos(ang)


@njit(cache=True, nogil=True)
def crests(
    lam: Arr,
    hxx: Arr,
    hxy: Arr,
    hyy: Arr,
    hole: Arr,
    noise: Arr,
    n: int,
    k_noise: float,
    floor: float,
    ratio: float,
    mark: Arr,
) -> int:
    """Mark cells whose response is highest across the line; returns how many.

    `ratio` is dx / dy, which turns a step across in metres into cells.
    """
    rows, cols = lam.shape
    found = 0
    for i in range(1, rows - 1):
        bi = i // n
        for j in range(1, cols - 1):
            mark[i, j] = 0
            v = lam[i, j]
            t = k_noise * noise[bi, j // n]
            if not (v > t and v > floor) or hole[i, j] != 0:
                continue
            # a line cell is higher than both neighbours on at least one axis
            if not (
                (v >= lam[i, j - 1] and v > lam[i, j + 1])
                or (v >= lam[i - 1, j] and v > lam[i + 1, j])
                or (v >= lam[i - 1, j - 1] and v > lam[i + 1, j + 1])
                or (v >= lam[i - 1, j + 1] and v > lam[i + 1, j - 1])
            ):
                continue
            nr, nc = across(hxx[i, j], hxy[i, j], hyy[i, j])
            nr *= ratio
            big = max(abs(nr), abs(nc))
            nr /= big
            nc /= big
            if abs(nc) >= abs(nr):
                s = 1 if nr * nc >= 0 else -1
                f = np.float32(abs(nr))
                vp = lam[i, j + 1] * (1 - f) + lam[i + s, j + 1] * f
                vm = lam[i, j - 1] * (1 - f) + lam[i - s, j - 1] * f
            else:
                s = 1 if nr * nc >= 0 else -1
                f = np.float32(abs(nc))
                vp = lam[i + 1, j] * (1 - f) + lam[i + 1, j + s] * f
                vm = lam[i - 1, j] * (1 - f) + lam[i - 1, j - s] * f
            if v >= vm and v > vp:
                mark[i, j] = 1
                found += 1
    return found


@njit(cache=True, nogil=True, inline="always")
def one_direction(
    hxx: Arr,
    hxy: Arr,
    hyy: Arr,
    hole: Arr,
    i: int,
    j: int,
    ang: float,
    step: float,
    dx: float,
    dy: float,
    m: int,
    by: int,
    soft_m: float,
    inside: bool,
) -> float:
    """Mean softened response along one direction, each `by` cells.

    Where a line ends, its better half counts.
    """
    rows, cols = hxx.shape
    ux = math.cos(ang)
    uy = math.sin(ang)
    cc = np.float32(uy * uy)  # across = (-uy, ux): x = -uy, y = ux
    ss = np.float32(ux * ux)
    cs = np.float32(-uy * ux * 2.0)
    sr = uy * step / dy
    sc = ux * step / dx
    soft = np.float32(soft_m)
    zero = np.float32(0.0)
    fore = zero
    back = zero
    for k in range(1, m + 1, by):
        p = int(i + k * sr + 0.5)
        q = int(j + k * sc + 0.5)
        if (inside or (0 <= p < rows and 0 <= q < cols)) and hole[p, q] == 0:
            r = hxx[p, q] * cc + hxy[p, q] * cs + hyy[p, q] * ss
            fore += r * soft / (soft + r) if r > zero else max(r, -soft)
        p = int(i - k * sr + 0.5)
        q = int(j - k * sc + 0.5)
        if (inside or (0 <= p < rows and 0 <= q < cols)) and hole[p, q] == 0:
            r = hxx[p, q] * cc + hxy[p, q] * cs + hyy[p, q] * ss
            back += r * soft / (soft + r) if r > zero else max(r, -soft)
    count = (m + by - 1) // by
    return float(max((fore + back) / (2 * count), 0.8 * max(fore, back) / count))


@njit(cache=True, nogil=True)
def line_strength(
    mark: Arr,
    hxx: Arr,
    hxy: Arr,
    hyy: Arr,
    hole: Arr,
    noise: Arr,
    n: int,
    dx: float,
    dy: float,
    half_m: float,
    soft_m: float,
    keep: float,
    floor_m: float,
    strength: Arr,
    theta: Arr,
) -> int:
    """Response of an oriented line of ± `half_m` at marked cells, best of five directions.

    The response across the line is softened above `soft_m` so that a pit does not pass for a
    line. `strength` gets the mean in metres (0 elsewhere), `theta` the direction along the line
    (radians from east towards south). Cells under `keep` times the noise lose their mark; those
    that are far under it along their own direction are not tried in others.
    """
    rows, cols = mark.shape
    step = min(dx, dy)
    m = max(int(half_m / step + 0.5), 2)
    pad = m + 2
    kept = 0
    for i in range(rows):
        for j in range(cols):
            if mark[i, j] == 0:
                continue
            need = max(keep * noise[i // n, j // n], floor_m)
            inside = i >= pad and i < rows - pad and j >= pad and j < cols - pad
            nr, nc = across(hxx[i, j], hxy[i, j], hyy[i, j])
            base = math.atan2(nc, -nr)  # along = across turned by 90°
            best_a = base
            by = 2 if m >= 6 else 1
            best = one_direction(
                hxx, hxy, hyy, hole, i, j, base, step, dx, dy, m, by, soft_m, inside
            )
            if best < 0.75 * need:
                mark[i, j] = 0
                continue
            for a in range(-2, 3):
                if a != 0:
                    ang = base + a * 0.16
                    v = one_direction(
                        hxx, hxy, hyy, hole, i, j, ang, step, dx, dy, m, by, soft_m, inside
                    )
                    if v > best:
                        best = v
                        best_a = ang
            if by > 1 and best > 0.85 * need:
                best = one_direction(
                    hxx, hxy, hyy, hole, i, j, best_a, step, dx, dy, m, 1, soft_m, inside
                )
            if best > need:
                strength[i, j] = best
                theta[i, j] = best_a
                kept += 1
            else:
                mark[i, j] = 0
    return kept


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
def keep_troughs(
    z: Arr,
    mark: Arr,
    strength: Arr,
    theta: Arr,
    noise: Arr,
    n: int,
    dx: float,
    dy: float,
    depth: Arr,
    least_m: float,
    worth: float,
) -> int:
    """Unmark cells that are no trough: quick depth, averaged over 2 m along the line.

    A cell stays where its averaged depth is over `least_m` and strength over noise, times the
    root of depth + 0.01 m, is over `worth`: a shallow trough must be the clearer line.
    """
    rows, cols = mark.shape
    step = min(dx, dy)
    for i in range(rows):
        for j in range(cols):
            if mark[i, j] == 0:
                continue
            ux = math.cos(theta[i, j])
            uy = math.sin(theta[i, j])
            bed = np.inf
            lo = -np.inf
            hi = -np.inf
            for t in range(9):
                d = (
                    (t - 1) * 0.5
                    if t < 3
                    else (1.5 + 0.75 * (t - 3) if t < 6 else -1.5 - 0.75 * (t - 6))
                )
                v = 0.0
                for s in range(-1, 2):
                    v += level_at(
                        z, i + (d * ux + s * 0.75 * uy) / dy, j + (-d * uy + s * 0.75 * ux) / dx
                    )
                v /= 3.0
                if t < 3:
                    bed = min(bed, v)
                elif t < 6:
                    hi = max(hi, v)
                else:
                    lo = max(lo, v)
            depth[i, j] = min(lo, hi) - bed
    r = max(int(2.0 / step + 0.5), 1)
    kept = 0
    for i in range(rows):
        for j in range(cols):
            if mark[i, j] == 0:
                continue
            total = 0.0
            k = 0
            for p in range(max(i - r, 0), min(i + r + 1, rows)):
                for q in range(max(j - r, 0), min(j + r + 1, cols)):
                    if mark[p, q] != 0:
                        c = abs(math.sin(theta[p, q] - theta[i, j]))
                        if c < 0.48:
                            total += depth[p, q]
                            k += 1
            d = total / k
            ratio = strength[i, j] / noise[i // n, j // n]
            if d > least_m and ratio * math.sqrt(d + 0.01) > worth:
                kept += 1
            else:
                strength[i, j] = -strength[i, j]
    for i in range(rows):
        for j in range(cols):
            if mark[i, j] != 0 and strength[i, j] < 0.0:
                mark[i, j] = 0
                strength[i, j] = 0.0
    return kept

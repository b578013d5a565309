"""Compiled loops of the search on one tile: line filters, thinning, profiles and links.

All loops run on one thread and release the interpreter, so tiles can share cores. Rows run south,
columns east; directions are (row, column) steps in cells unless named in metres.
"""

import math

import numpy as np
from numba import njit

CHUNK = 1024


@njit(cache=True, nogil=True)
def block_means(z, n, out, count):
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
                    if v == v:
                        total += v
                        k += 1
            count[bi, bj] = k
            out[bi, bj] = total / k if k else np.nan
    return 0


@njit(cache=True, nogil=True)
def smooth_blocks(b, w, out):
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
                    if v == v:
                        ww = w[abs(k)] * w[abs(m)]
                        total += ww * v
                        weight += ww
            out[i, j] = total / weight if weight > 0.0 else np.nan
    return 0


@njit(cache=True, nogil=True, inline="always")
def at_blocks(b, n, i, j):
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
    return (b[p, q] * (1 - fx) + b[p, q1] * fx) * (1 - fy) + (
        b[p1, q] * (1 - fx) + b[p1, q1] * fx
    ) * fy


@njit(cache=True, nogil=True, inline="always")
def level_at(z, y, x):
    """Bilinear level at fractional cell (y, x), edge values beyond the edge."""
    rows, cols = z.shape
    y = min(max(y, 0.0), rows - 1.001)
    x = min(max(x, 0.0), cols - 1.001)
    p = int(y)
    q = int(x)
    fy = y - p
    fx = x - q
    return (z[p, q] * (1 - fx) + z[p, q + 1] * fx) * (1 - fy) + (
        z[p + 1, q] * (1 - fx) + z[p + 1, q + 1] * fx
    ) * fy


@njit(cache=True, nogil=True)
def fill_holes(z, bg, n, out, hole):
    """Copy levels, with the smooth ground put into holes; `hole` marks cells without data."""
    rows, cols = z.shape
    for i in range(rows):
        for j in range(cols):
            v = z[i, j]
            if v == v:
                out[i, j] = v
                hole[i, j] = 0
            else:
                g = at_blocks(bg, n, i, j)
                out[i, j] = g if g == g else 0.0
                hole[i, j] = 1
    return 0


@njit(cache=True, nogil=True)
def hessian(z, wy, wx, norm, first, hxx, hxy, hyy, lam):
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
def block_noise(hxx, hyy, hole, n, out):
    """Median absolute Laplacian (as trench depth) of every n × n block, every other cell."""
    rows, cols = hxx.shape
    held = np.empty(((n + 1) // 2) * ((n + 1) // 2), np.float32)
    for bi in range(out.shape[0]):
        for bj in range(out.shape[1]):
            k = 0
            for i in range(bi * n, min((bi + 1) * n, rows), 2):
                for j in range(bj * n, min((bj + 1) * n, cols), 2):
                    if hole[i, j] == 0:
                        held[k] = abs(hxx[i, j] + hyy[i, j])
                        k += 1
            out[bi, bj] = np.median(held[:k]) if k * 16 >= held.size else np.nan
    return 0


@njit(cache=True, nogil=True, inline="always")
def across(hxx, hxy, hyy):
    """Unit (row, column) vector across the line: of the larger eigenvalue."""
    d = (hxx - hyy) * 0.5
    ang = 0.5 * math.atan2(hxy, d)
    return math.sin(ang), math.cos(ang)


@njit(cache=True, nogil=True)
def crests(lam, hxx, hxy, hyy, hole, noise, n, k_noise, floor, ratio, mark):
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
def one_direction(hxx, hxy, hyy, hole, i, j, ang, step, dx, dy, m, by, soft_m, inside):
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
        if inside or (0 <= p < rows and 0 <= q < cols):
            if hole[p, q] == 0:
                r = hxx[p, q] * cc + hxy[p, q] * cs + hyy[p, q] * ss
                fore += r * soft / (soft + r) if r > zero else max(r, -soft)
        p = int(i - k * sr + 0.5)
        q = int(j - k * sc + 0.5)
        if inside or (0 <= p < rows and 0 <= q < cols):
            if hole[p, q] == 0:
                r = hxx[p, q] * cc + hxy[p, q] * cs + hyy[p, q] * ss
                back += r * soft / (soft + r) if r > zero else max(r, -soft)
    count = (m + by - 1) // by
    return max((fore + back) / (2 * count), 0.8 * max(fore, back) / count)


@njit(cache=True, nogil=True)
def line_strength(
    mark, hxx, hxy, hyy, hole, noise, n, dx, dy, half_m, soft_m, keep, floor_m, strength, theta
):
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


@njit(cache=True, nogil=True)
def keep_troughs(z, mark, strength, theta, noise, n, dx, dy, depth, least_m, worth):
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


@njit(cache=True, nogil=True)
def thin(mark, i0, i1, j0, j1, rounds):
    """Zhang and Suen thinning in the window, a fixed number of rounds (so that it stays local)."""
    dead_i = np.empty(1024, np.int32)
    dead_j = np.empty(1024, np.int32)
    for rnd in range(2 * rounds):
        k = 0
        for i in range(i0 + 1, i1 - 1):
            for j in range(j0 + 1, j1 - 1):
                if mark[i, j] == 0:
                    continue
                p2 = mark[i - 1, j] != 0
                p3 = mark[i - 1, j + 1] != 0
                p4 = mark[i, j + 1] != 0
                p5 = mark[i + 1, j + 1] != 0
                p6 = mark[i + 1, j] != 0
                p7 = mark[i + 1, j - 1] != 0
                p8 = mark[i, j - 1] != 0
                p9 = mark[i - 1, j - 1] != 0
                b = p2 + p3 + p4 + p5 + p6 + p7 + p8 + p9
                if b < 2 or b > 6:
                    continue
                a = (
                    (p3 and not p2)
                    + (p4 and not p3)
                    + (p5 and not p4)
                    + (p6 and not p5)
                    + (p7 and not p6)
                    + (p8 and not p7)
                    + (p9 and not p8)
                    + (p2 and not p9)
                )
                if a != 1:
                    continue
                if rnd % 2 == 0:
                    if (p2 and p4 and p6) or (p4 and p6 and p8):
                        continue
                elif (p2 and p4 and p8) or (p2 and p6 and p8):
                    continue
                if k == dead_i.size:
                    grown = np.empty(2 * k, np.int32)
                    grown[:k] = dead_i
                    dead_i = grown
                    grown2 = np.empty(2 * k, np.int32)
                    grown2[:k] = dead_j
                    dead_j = grown2
                dead_i[k] = i
                dead_j[k] = j
                k += 1
        if k == 0:
            break
        for m in range(k):
            mark[dead_i[m], dead_j[m]] = 0
    return 0


@njit(cache=True, nogil=True, inline="always")
def neighbours(mark, i, j):
    """Number of marked cells among the eight around (i, j)."""
    k = 0
    for p in range(i - 1, i + 2):
        for q in range(j - 1, j + 2):
            if mark[p, q] != 0 and not (p == i and q == j):
                k += 1
    return k


@njit(cache=True, nogil=True, inline="always")
def put_segment(link, i0, j0, i1, j1):
    """Mark the cells of a straight step."""
    n = max(abs(i1 - i0), abs(j1 - j0))
    for k in range(n + 1):
        f = k / n if n > 0 else 0.0
        link[int(i0 + f * (i1 - i0) + 0.5), int(j0 + f * (j1 - j0) + 0.5)] = 1


@njit(cache=True, nogil=True)
def link_ends(
    mark,
    strength,
    theta,
    lam,
    noise,
    n,
    dx,
    dy,
    i0,
    i1,
    j0,
    j1,
    gap_m,
    back_m,
    k_end,
    cost_free_m,
    cost_max,
    link,
):
    """Carry line ends over gaps by least cost to the next line ahead.

    From each end whose line is at least `back_m` long and `k_end` times the noise, a lattice
    runs `gap_m` ahead in a fan; the cheapest chain of its nodes to a marked cell is put into
    `link` if its cost per metre beyond `cost_free_m` stays under `cost_max`. Each end sees only
    `mark`, so the order of ends does not matter.
    """
    step = min(dx, dy)
    ahead = max(int(gap_m / step + 0.5), 2)
    back = max(int(back_m / step + 0.5), 3)
    side = ahead
    wide = 2 * side + 1
    cum = np.empty((ahead + 1, wide), np.float64)
    come = np.empty((ahead + 1, wide), np.int32)
    pi = np.empty(back + 1, np.int64)
    pj = np.empty(back + 1, np.int64)
    made = 0
    rows, cols = mark.shape
    for i in range(i0, i1):
        for j in range(j0, j1):
            if mark[i, j] == 0 or neighbours(mark, i, j) > 2:
                continue
            # an end: its neighbours touch one another, or there is one only
            k = 0
            fi = -1
            fj = -1
            apart = False
            for p in range(i - 1, i + 2):
                for q in range(j - 1, j + 2):
                    if mark[p, q] != 0 and not (p == i and q == j):
                        if k == 1 and (abs(p - fi) > 1 or abs(q - fj) > 1):
                            apart = True
                        k += 1
                        if k == 1 or (p == i or q == j):
                            fi = p
                            fj = q
            if k == 0 or apart:
                continue
            pi[0] = i
            pj[0] = j
            length = 1
            total = strength[i, j]
            while length <= back:
                ci = pi[length - 1]
                cj = pj[length - 1]
                bi = -1
                bj = -1
                far = -1
                for p in range(ci - 1, ci + 2):
                    for q in range(cj - 1, cj + 2):
                        if p < 0 or q < 0 or p >= rows or q >= cols or mark[p, q] == 0:
                            continue
                        seen = False
                        for m in range(max(length - 3, 0), length):
                            if pi[m] == p and pj[m] == q:
                                seen = True
                        if seen:
                            continue
                        d = (p - i) * (p - i) + (q - j) * (q - j)
                        if d > far:
                            far = d
                            bi = p
                            bj = q
                if bi < 0:
                    break
                pi[length] = bi
                pj[length] = bj
                total += strength[bi, bj]
                length += 1
            if length <= back:
                continue
            nz = noise[i // n, j // n]
            if not total / length > k_end * nz:
                continue
            uy = (i - pi[back]) * dy
            ux = (j - pj[back]) * dx
            size = math.sqrt(ux * ux + uy * uy)
            if size < 0.6 * back * step:
                continue
            ux /= size
            uy /= size
            # the filter's own direction at the end steadies the one from cells
            tx = math.cos(theta[i, j])
            ty = math.sin(theta[i, j])
            if tx * ux + ty * uy < 0:
                tx = -tx
                ty = -ty
            ux += tx
            uy += ty
            size = math.sqrt(ux * ux + uy * uy)
            ux /= size
            uy /= size
            for m in range(wide):
                cum[0, m] = 1e30
            cum[0, side] = 0.0
            best = 1e30
            bs = -1
            bm = -1
            for s in range(1, ahead + 1):
                lim = min(int(0.6 * s) + 1, side)
                for m in range(wide):
                    cum[s, m] = 1e30
                for o in range(-lim, lim + 1):
                    m = o + side
                    c = 1e30
                    w = 0
                    for t in range(-1, 2):
                        if 0 <= m + t < wide:
                            d = cum[s - 1, m + t] + (0.4 if t != 0 else 0.0)
                            if d < c:
                                c = d
                                w = t
                    if c >= 1e29:
                        continue
                    yy = s * uy * step + o * ux * step
                    xx = s * ux * step - o * uy * step
                    p = int(i + yy / dy + 0.5)
                    q = int(j + xx / dx + 0.5)
                    if p < 1 or q < 1 or p >= rows - 1 or q >= cols - 1:
                        continue
                    v = lam[p, q]
                    c += 1.0 / (1.0 + max(v, 0.0) / nz)
                    come[s, m] = w
                    if s >= 2 and mark[p, q] != 0:
                        own = False
                        for b in range(min(back, 4)):
                            if pi[b] == p and pj[b] == q:
                                own = True
                        if not own:
                            if c < best:
                                best = c
                                bs = s
                                bm = m
                            continue  # a chain ends where it meets a line
                    cum[s, m] = c
                if best < 1e29 and s > bs + 2:
                    break
            if bs < 0:
                continue
            free = cost_free_m / step
            if bs > free and best / bs > cost_max:
                continue
            s = bs
            m = bm
            li = -1
            lj = -1
            while s >= 0:
                o = m - side
                yy = s * uy * step + o * ux * step
                xx = s * ux * step - o * uy * step
                p = int(i + yy / dy + 0.5)
                q = int(j + xx / dx + 0.5)
                if li >= 0:
                    put_segment(link, li, lj, p, q)
                li = p
                lj = q
                if s > 0:
                    m += come[s, m]
                s -= 1
            made += 1
    return made


@njit(cache=True, nogil=True)
def profiles(
    z,
    hole,
    mark,
    strength,
    theta,
    lam,
    hxx,
    hxy,
    hyy,
    noise,
    n_noise,
    bg,
    rough,
    n_bg,
    dx,
    dy,
    i0,
    i1,
    j0,
    j1,
    reach_m,
    step_m,
    near_m,
    soft_m,
    half_m,
    cell,
    out,
):
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
            far_l = bed
            far_r = bed
            for t in range(1, half + 1):
                v = prof[max(half + bt - t, 0)]
                far_l = max(far_l, v)
                if t <= near:
                    top_l = max(top_l, v)
                v = prof[min(half + bt + t, 2 * half)]
                far_r = max(far_r, v)
                if t <= near:
                    top_r = max(top_r, v)
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
                if 0 <= p < rows and 0 <= q < cols and hole[p, q] == 0:
                    if hxx[p, q] * cc + hxy[p, q] * cs + hyy[p, q] * ss > 0.7 * nz:
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
            k += 1
    return k


@njit(cache=True, nogil=True)
def add_links(mark, link, hxx, hxy, hyy, lam, strength, theta):
    """Mark linked cells with 2 and give them the direction of the response there."""
    made = 0
    for i in range(mark.shape[0]):
        for j in range(mark.shape[1]):
            if link[i, j] != 0 and mark[i, j] == 0:
                mark[i, j] = 2
                nr, nc = across(hxx[i, j], hxy[i, j], hyy[i, j])
                theta[i, j] = math.atan2(nc, -nr)
                strength[i, j] = min(max(lam[i, j], 0.0), 0.05)
                made += 1
    return made

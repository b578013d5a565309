"""Compiled loops over marked cells: thinning, and least-cost links from line ends.

Rows run south, columns east.
"""

import math
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

Arr = NDArray[Any]


@njit(cache=True, nogil=True)
def thin(mark: Arr, i0: int, i1: int, j0: int, j1: int, rounds: int) -> int:
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
def neighbours(mark: Arr, i: int, j: int) -> int:
    """Number of marked cells among the eight around (i, j)."""
    k = 0
    for p in range(i - 1, i + 2):
        for q in range(j - 1, j + 2):
            if mark[p, q] != 0 and not (p == i and q == j):
                k += 1
    return k


@njit(cache=True, nogil=True, inline="always")
def put_segment(link: Arr, i0: int, j0: int, i1: int, j1: int) -> int:
    """Mark the cells of a straight step."""
    n = max(abs(i1 - i0), abs(j1 - j0))
    for k in range(n + 1):
        f = k / n if n > 0 else 0.0
        link[int(i0 + f * (i1 - i0) + 0.5), int(j0 + f * (j1 - j0) + 0.5)] = 1
    return 0


@njit(cache=True, nogil=True)
def link_ends(
    mark: Arr,
    strength: Arr,
    theta: Arr,
    lam: Arr,
    noise: Arr,
    n: int,
    dx: float,
    dy: float,
    i0: int,
    i1: int,
    j0: int,
    j1: int,
    gap_m: float,
    back_m: float,
    k_end: float,
    cost_free_m: float,
    cost_max: float,
    link: Arr,
) -> int:
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


@njit(cache=True, nogil=True, inline="always")
def across(hxx: float, hxy: float, hyy: float) -> tuple[float, float]:
    """Unit (row, column) vector across the line: of the larger eigenvalue."""
    d = (hxx - hyy) * 0.5
    ang = 0.5 * math.atan2(hxy, d)
    return math.sin(ang), math.cos(ang)


@njit(cache=True, nogil=True)
def add_links(
    mark: Arr, link: Arr, hxx: Arr, hxy: Arr, hyy: Arr, lam: Arr, strength: Arr, theta: Arr
) -> int:
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

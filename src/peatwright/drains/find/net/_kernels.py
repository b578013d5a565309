"""Compiled loops over line points sorted by row and column."""

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

Arr = NDArray[Any]


@njit(cache=True, nogil=True)
def adjacency(row: Arr, col: Arr, near: Arr) -> int:
    """Eight-neighbours of each point into `near` (N × 8, -1 for none), sorted points in.

    A diagonal is left out where a cell beside it joins the same two points, so that a staircase
    does not look like a junction. Order: E, W, S, N, SE, NW, SW, NE.
    """
    n = row.size
    for k in range(n):
        for m in range(8):
            near[k, m] = -1
    p = 0
    for k in range(n):
        r = row[k]
        c = col[k]
        if k + 1 < n and row[k + 1] == r and col[k + 1] == c + 1:
            near[k, 0] = k + 1
            near[k + 1, 1] = k
        while p < n and (row[p] < r + 1 or (row[p] == r + 1 and col[p] < c - 1)):
            p += 1
        q = p
        while q < n and row[q] == r + 1 and col[q] <= c + 1:
            if col[q] == c - 1:
                near[k, 6] = q
                near[q, 7] = k
            elif col[q] == c:
                near[k, 2] = q
                near[q, 3] = k
            else:
                near[k, 4] = q
                near[q, 5] = k
            q += 1
    for k in range(n):
        e = near[k, 0] >= 0
        w = near[k, 1] >= 0
        s = near[k, 2] >= 0
        no = near[k, 3] >= 0
        if e or s:
            near[k, 4] = -1
        if w or no:
            near[k, 5] = -1
        if w or s:
            near[k, 6] = -1
        if e or no:
            near[k, 7] = -1
    return 0


@njit(cache=True, nogil=True, inline="always")
def root(parent: Arr, k: int) -> int:
    """Root of a set, halving the path on the way."""
    while parent[k] != k:
        parent[k] = parent[parent[k]]
        k = parent[k]
    return k


@njit(cache=True, nogil=True)
def components(near: Arr, label: Arr) -> int:
    """Label of the connected set of each point: its first point."""
    n = near.shape[0]
    for k in range(n):
        label[k] = k
    for k in range(n):
        for m in range(8):
            q = near[k, m]
            if q > k:
                a = root(label, k)
                b = root(label, q)
                if a < b:
                    label[b] = a
                elif b < a:
                    label[a] = b
    for k in range(n):
        label[k] = root(label, k)
    return 0


@njit(cache=True, nogil=True)
def keep_strong(label: Arr, weight: Arr, high: float, need: int, keep: Arr) -> int:
    """Keep points of sets in which enough points reach `high` (hysteresis)."""
    n = label.size
    count = np.zeros(n, np.int32)
    for k in range(n):
        if weight[k] >= high:
            count[label[k]] += 1
    for k in range(n):
        keep[k] = count[label[k]] >= need
    return 0


@njit(cache=True, nogil=True, inline="always")
def degree_of(near: Arr, k: int) -> int:
    """Number of neighbours of a point."""
    d = 0
    for m in range(8):
        if near[k, m] >= 0:
            d += 1
    return d


@njit(cache=True, nogil=True)
def segments(near: Arr, order: Arr, start: Arr) -> int:
    """Walk the lines between nodes (ends and junctions), then the rings.

    `order` gets point numbers one segment after another (nodes are repeated), `start` the place
    of each segment's first point, with one more entry for the end. Returns their number, or -1
    when `order` or `start` is too short.
    """
    n = near.shape[0]
    deg = np.empty(n, np.int8)
    for k in range(n):
        deg[k] = degree_of(near, k)
    used = np.zeros(n, np.uint8)  # passed points, of degree two
    m = 0
    s = 0
    for turn in range(2):
        for k in range(n):
            if turn == 0 and deg[k] == 2:
                continue
            if turn == 1 and (deg[k] != 2 or used[k]):
                continue
            if deg[k] == 0:
                continue
            for e in range(8):
                q = near[k, e]
                if q < 0:
                    continue
                if deg[q] == 2 and used[q]:
                    continue
                if deg[q] != 2 and q < k:
                    continue  # walked from the other node
                if s + 1 >= start.size:
                    return -1
                start[s] = m
                if m + 2 > order.size:
                    return -1
                order[m] = k
                m += 1
                if turn == 1:
                    used[k] = 1
                prev = k
                at = q
                while True:
                    if m >= order.size:
                        return -1
                    order[m] = at
                    m += 1
                    if deg[at] != 2 or at == k:
                        break
                    used[at] = 1
                    step = -1
                    for f in range(8):
                        x = near[at, f]
                        if x >= 0 and x != prev:
                            step = x
                    if step < 0:
                        break
                    prev = at
                    at = step
                s += 1
                if turn == 1:
                    break
    start[s] = m
    return s


@njit(cache=True, nogil=True)
def clean(
    seg_a: Arr,
    seg_b: Arr,
    length: Arr,
    worth: Arr,
    spur_m: float,
    loop_m: float,
    tiny_m: float,
    node: Arr,
    kill: Arr,
) -> int:
    """Mark segments to drop: spurs, the weaker side of small loops.

    `node` maps points to their junction (short pieces between junctions join them); segments are
    visited shortest first, so that of a fork at a line's end the longer branch stays.
    """
    n = seg_a.size
    degree = np.zeros(node.size, np.int32)
    for s in range(n):
        kill[s] = 0
        degree[seg_a[s]] += 1
        degree[seg_b[s]] += 1
    dropped = 0
    for s in range(n):
        if length[s] <= tiny_m and seg_a[s] != seg_b[s]:
            one, other = degree[seg_a[s]], degree[seg_b[s]]
            if (one == 1 and other >= 3) or (other == 1 and one >= 3):
                kill[s] = 1
                dropped += 1
    degree[:] = 0
    for s in range(n):
        if kill[s] == 1:
            continue
        a = root(node, seg_a[s])
        b = root(node, seg_b[s])
        if length[s] <= tiny_m and a != b:
            if a < b:
                node[b] = a
            else:
                node[a] = b
    for s in range(n):
        a = root(node, seg_a[s])
        b = root(node, seg_b[s])
        if kill[s] == 1 or (a == b and length[s] <= tiny_m):
            continue
        degree[a] += 1
        degree[b] += 1
    order = np.argsort(length, kind="mergesort")
    for x in range(n):
        s = order[x]
        if kill[s] == 1:
            continue
        a = root(node, seg_a[s])
        b = root(node, seg_b[s])
        if length[s] > max(spur_m, loop_m):
            break
        if a == b:
            if length[s] > tiny_m and length[s] < loop_m:
                kill[s] = 1
                degree[a] -= 2
                dropped += 1
            continue
        end = (degree[a] == 1 and degree[b] >= 3) or (degree[b] == 1 and degree[a] >= 3)
        if end and length[s] < spur_m:
            kill[s] = 1
            degree[a] -= 1
            degree[b] -= 1
            dropped += 1
    # two ways between the same nodes, close together: keep the better one
    key = np.empty(n, np.int64)
    for s in range(n):
        a = root(node, seg_a[s])
        b = root(node, seg_b[s])
        key[s] = min(a, b) * np.int64(node.size) + max(a, b)
    by = np.argsort(key, kind="mergesort")
    x = 0
    while x < n:
        y = x
        while y < n and key[by[y]] == key[by[x]]:
            y += 1
        if y - x > 1 and key[by[x]] // node.size != key[by[x]] % node.size:
            best = -1
            for u in range(x, y):
                s = by[u]
                live = kill[s] == 0 and length[s] > tiny_m
                if live and (best < 0 or worth[s] > worth[best]):
                    best = s
            for u in range(x, y):
                s = by[u]
                if best < 0 or s == best or kill[s] != 0 or length[s] <= tiny_m:
                    continue
                if length[s] + length[best] < 2 * loop_m:
                    kill[s] = 1
                    dropped += 1
        x = y
    return dropped


@njit(cache=True, nogil=True)
def add_trees(measures: Arr, of_class: Arr, feature: Arr, cut: Arr, value: Arr, score: Arr) -> int:
    """Add the leaves of depth-three trees to the scores of each row."""
    for i in range(measures.shape[0]):
        for t in range(of_class.size):
            node = 0
            for _ in range(3):
                node = 2 * node + (2 if measures[i, feature[t, node]] > cut[t, node] else 1)
            score[i, of_class[t]] += value[t, node - 7]
    return 0


@njit(cache=True, nogil=True)
def group_means(value: Arr, order: Arr, start: Arr, out: Arr) -> int:
    """Mean of every column of `value` over each group of points."""
    cols = value.shape[1]
    for g in range(start.size - 1):
        for c in range(cols):
            out[g, c] = 0.0
        for k in range(start[g], start[g + 1]):
            p = order[k]
            for c in range(cols):
                out[g, c] += value[p, c]
        n = start[g + 1] - start[g]
        for c in range(cols):
            out[g, c] /= n
    return 0


@njit(cache=True, nogil=True)
def group_share(value: Arr, start: Arr, share: float, out: Arr) -> int:
    """Quantile (nearest rank) of `value` over each run of it."""
    most = 1
    for g in range(start.size - 1):
        most = max(most, start[g + 1] - start[g])
    held = np.empty(most, value.dtype)
    for g in range(start.size - 1):
        n = start[g + 1] - start[g]
        if n <= 0:
            out[g] = np.nan
            continue
        held[:n] = value[start[g] : start[g + 1]]
        part = held[:n]
        part.sort()
        out[g] = part[int((n - 1) * share + 0.5)]
    return 0


@njit(cache=True, nogil=True)
def columns_of(value: Arr, order: Arr, which: Arr, out: Arr) -> int:
    """Copy some columns of points, in order, each into a row of `out`."""
    for k in range(order.size):
        p = order[k]
        for c in range(which.size):
            out[c, k] = value[p, which[c]]
    return 0

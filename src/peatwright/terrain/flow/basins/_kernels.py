"""Compiled loops for depression filling.

Filling needs no queue over the cells. Each cell points to its lowest neighbour, which splits the
ground into basins with one pit each; a graph of basins holds the lowest pass between each pair; the
level of a basin is the lowest highest pass on the way out, read off the minimum spanning tree from
the outside (Cordonnier, Bovy & Braun 2019, Earth Surf. Dynam. 7: 549-562; memory). A cell lies at
the higher of its own level and that of its basin: from its pit the way to it climbs no higher than
the cell, so the two reach the outside over the same pass. Levels are those of a priority flood,
to the last bit.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from peatwright.terrain.flow.codes import D_COL, D_ROW, IN_ORDER, LEAVES, NO_DATA

F32 = NDArray[np.float32]
I32 = NDArray[np.int32]
I64 = NDArray[np.int64]
U8 = NDArray[np.uint8]
Flags = NDArray[np.bool_]


@njit(cache=True, nogil=True)
def _lowest_at_edge(values: F32, r: int, c: int) -> int:
    """Return the code towards the lowest neighbour of a cell at the rim of the grid."""
    rows, cols = values.shape
    best = values[r, c]
    code = 0
    for k in range(8):
        j = IN_ORDER[k]
        rr = r + D_ROW[j]
        cc = c + D_COL[j]
        if 0 <= rr < rows and 0 <= cc < cols:
            v = values[rr, cc]
            # An equal neighbour counts only when it comes earlier in memory: no loops.
            if v < best or (k < 4 and code == 0 and v == best):
                best = v
                code = j
    return code


@njit(cache=True, nogil=True)
def descend_rows(values: F32, first: int, past: int, codes: U8) -> int:
    """Point each cell to its lowest neighbour; return how many have none (pits)."""
    rows, cols = values.shape
    pits = 0
    for r in range(first, past):
        rim_row = r == 0 or r == rows - 1
        for c in range(cols):
            z = values[r, c]
            if math.isnan(z):
                codes[r, c] = NO_DATA
                continue
            code = 0
            if rim_row or c == 0 or c == cols - 1:
                code = _lowest_at_edge(values, r, c)
            else:
                best = z
                v = values[r - 1, c - 1]
                if v <= best:
                    best = v
                    code = 6
                v = values[r - 1, c]
                if v < best or (v == best and code == 0):
                    best = v
                    code = 7
                v = values[r - 1, c + 1]
                if v < best or (v == best and code == 0):
                    best = v
                    code = 8
                v = values[r, c - 1]
                if v < best or (v == best and code == 0):
                    best = v
                    code = 5
                v = values[r, c + 1]
                if v < best:
                    best = v
                    code = 1
                v = values[r + 1, c - 1]
                if v < best:
                    best = v
                    code = 4
                v = values[r + 1, c]
                if v < best:
                    best = v
                    code = 3
                v = values[r + 1, c + 1]
                if v < best:
                    best = v
                    code = 2
            codes[r, c] = code
            if code == 0:
                pits += 1
    return pits


@njit(cache=True, nogil=True)
def label_pits(codes: U8, first: int, past: int, label: int, labels: I32) -> int:
    """Number pits from `label` on; no data is 0, the outside; all else waits at -1."""
    for r in range(first, past):
        for c in range(codes.shape[1]):
            code = codes[r, c]
            if code == LEAVES:
                labels[r, c] = label
                label += 1
            elif code == NO_DATA:
                labels[r, c] = 0
            else:
                labels[r, c] = -1
    return label


@njit(cache=True, nogil=True)
def trace_labels(codes: U8, first: int, past: int, labels: I32) -> int:
    """Give each cell the number of the pit that it descends to inside a strip of rows.

    Cells whose way leaves the strip are marked -2, for `trace_seams`; returns how many.
    """
    cols = codes.shape[1]
    crossing = 0
    for r in range(first, past):
        for c in range(cols):
            if labels[r, c] != -1:
                continue
            rr = r
            cc = c
            label = -2
            while first <= rr < past:
                label = labels[rr, cc]
                if label != -1:
                    break
                label = -2
                code = codes[rr, cc]
                rr += D_ROW[code]
                cc += D_COL[code]
            rr = r
            cc = c
            while first <= rr < past and labels[rr, cc] == -1:
                labels[rr, cc] = label
                crossing += label == -2
                code = codes[rr, cc]
                rr += D_ROW[code]
                cc += D_COL[code]
    return crossing


@njit(cache=True, nogil=True)
def trace_seams(codes: U8, labels: I32) -> int:
    """Give the cells that `trace_labels` left at -2 their pit; returns how many walks that took."""
    rows, cols = codes.shape
    walks = 0
    for r in range(rows):
        for c in range(cols):
            if labels[r, c] >= 0:
                continue
            walks += 1
            rr = r
            cc = c
            while labels[rr, cc] < 0:
                code = codes[rr, cc]
                rr += D_ROW[code]
                cc += D_COL[code]
            label = labels[rr, cc]
            rr = r
            cc = c
            while labels[rr, cc] < 0:
                labels[rr, cc] = label
                code = codes[rr, cc]
                rr += D_ROW[code]
                cc += D_COL[code]
    return walks


@njit(cache=True, nogil=True)
def pass_rows(
    values: F32,
    labels: I32,
    outlets: Flags,
    first: int,
    past: int,
    held: I32,
    held_level: F32,
    ends: I32,
    levels: F32,
    counted: I64,
) -> int:
    """Write passes between neighbouring basins, and to the outside, into `ends` and `levels`.

    The lowest pass of a pair is held in a small table while the scan is near it; a pair that
    another pushes out is written, so a pair may be written more than once. Stops before a row that
    might not fit; returns the first row not done. `counted[0]` is how many passes are in the
    arrays. `outlets` of no cells means none.
    """
    # The table is handled in place: a call with arrays costs more than the rest of the step.
    rows, cols = values.shape
    count = counted[0]
    has_outlets = outlets.size > 0
    mask = held.shape[0] - 1
    for r in range(first, past):
        if levels.size - count < 5 * cols:
            counted[0] = count
            return r
        rim_row = r == 0 or r == rows - 1
        for c in range(cols):
            a = labels[r, c]
            z = values[r, c]
            for k in range(5):
                b = a
                level = z
                if k == 0:
                    if rim_row or c == 0 or c == cols - 1 or (has_outlets and outlets[r, c]):
                        b = 0
                elif k == 1:
                    if c + 1 < cols:
                        b = labels[r, c + 1]
                        level = values[r, c + 1]
                elif r + 1 < rows:
                    cc = c + k - 3
                    if 0 <= cc < cols:
                        b = labels[r + 1, cc]
                        level = values[r + 1, cc]
                if a == b:
                    continue
                # No data is the outside, with no level of its own: the pass is the data cell.
                if b == 0 or (a != 0 and z > level):
                    level = z
                low = min(a, b)
                high = max(a, b)
                slot = (low * 73 + high * 151) & mask
                if held[slot, 0] == low and held[slot, 1] == high:
                    held_level[slot] = min(held_level[slot], level)
                    continue
                if held[slot, 0] >= 0:
                    ends[count, 0] = held[slot, 0]
                    ends[count, 1] = held[slot, 1]
                    levels[count] = held_level[slot]
                    count += 1
                held[slot, 0] = low
                held[slot, 1] = high
                held_level[slot] = level
    counted[0] = count
    return past


@njit(cache=True, nogil=True)
def flush_passes(held: I32, held_level: F32, ends: I32, levels: F32, count: int) -> int:
    """Write what the small table still holds; return the new count."""
    for slot in range(held.shape[0]):
        if held[slot, 0] >= 0:
            ends[count, 0] = held[slot, 0]
            ends[count, 1] = held[slot, 1]
            levels[count] = held_level[slot]
            count += 1
            held[slot, 0] = -1
    return count


@njit(cache=True, nogil=True)
def _root(parent: I32, a: int) -> int:
    while parent[a] != a:
        parent[a] = parent[parent[a]]
        a = parent[a]
    return a


@njit(cache=True, nogil=True)
def spanning_tree(ends: I32, levels: F32, basins: int, tree: I32) -> int:
    """Pick the passes of a minimum spanning tree (Boruvka 1926); return how many.

    `tree` takes indices of passes. Passes inside one part are dropped as parts grow.
    """
    parent = np.arange(basins).astype(np.int32)
    best = np.empty(basins, np.int32)
    active = np.arange(levels.size).astype(np.int32)
    left = levels.size
    picked = 0
    while left > 0:
        best[:] = -1
        kept = 0
        for i in range(left):
            e = active[i]
            a = parent[ends[e, 0]]
            b = parent[ends[e, 1]]
            if a == b:
                continue
            active[kept] = e
            kept += 1
            level = levels[e]
            if best[a] < 0 or level < levels[best[a]]:
                best[a] = e
            if best[b] < 0 or level < levels[best[b]]:
                best[b] = e
        left = kept
        for part in range(basins):
            e = best[part]
            if e >= 0:
                a = _root(parent, ends[e, 0])
                b = _root(parent, ends[e, 1])
                if a != b:
                    parent[a] = b
                    tree[picked] = e
                    picked += 1
        for part in range(basins):
            parent[part] = _root(parent, part)
    return picked


@njit(cache=True, nogil=True)
def basin_levels(ends: I32, levels: F32, tree: I32, picked: int, out: F32) -> int:
    """Carry the highest pass on the way out from the outside (basin 0) through the tree.

    Returns how many basins were reached.
    """
    basins = out.size
    start = np.zeros(basins + 1, np.int32)
    for i in range(picked):
        start[ends[tree[i], 0] + 1] += 1
        start[ends[tree[i], 1] + 1] += 1
    for b in range(basins):
        start[b + 1] += start[b]
    fill = start[:-1].copy()
    links = np.empty(2 * picked, np.int32)
    for i in range(picked):
        for side in range(2):
            b = ends[tree[i], side]
            links[fill[b]] = tree[i]
            fill[b] += 1
    out[:] = np.inf
    out[0] = -np.inf
    queue = np.empty(basins, np.int32)
    queue[0] = 0
    head = 0
    tail = 1
    while head < tail:
        b = queue[head]
        head += 1
        for i in range(start[b], start[b + 1]):
            e = links[i]
            other = ends[e, 0] + ends[e, 1] - b
            if out[other] == np.inf:
                out[other] = max(out[b], levels[e])
                queue[tail] = other
                tail += 1
    return tail


@njit(cache=True, nogil=True)
def raise_rows(values: F32, labels: I32, levels: F32, first: int, past: int, out: F32) -> int:
    """Lift each cell to the level of its basin; no data stays."""
    for r in range(first, past):
        for c in range(values.shape[1]):
            z = values[r, c]
            level = levels[labels[r, c]]
            out[r, c] = level if level > z else z
    return 0

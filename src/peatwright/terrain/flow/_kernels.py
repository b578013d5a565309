"""Compiled loops for depression filling, flow directions and accumulation.

Filling needs no queue over the cells. Each cell points to its lowest neighbour, which splits the
ground into basins with one pit each; a graph of basins holds the lowest pass between each pair; the
level of a basin is the lowest highest pass on the way out, read off the minimum spanning tree from
the outside (Cordonnier, Bovy & Braun 2019, Earth Surf. Dynam. 7: 549-562; memory). A cell lies at
the higher of its own level and that of its basin: from its pit the way to it climbs no higher than
the cell, so the two reach the outside over the same pass. Levels are those of a priority flood,
to the last bit.

Codes of direction: 0 leaves the ground here, 1 to 8 east and on clockwise (east, south-east, south,
south-west, west, north-west, north, north-east), 255 no data.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I32 = NDArray[np.int32]
I64 = NDArray[np.int64]
U8 = NDArray[np.uint8]
Flags = NDArray[np.bool_]

D_ROW = (0, 0, 1, 1, 1, 0, -1, -1, -1)
D_COL = (0, 1, 1, 0, -1, -1, -1, 0, 1)
# North-west to south-east in order of place in memory, so that the first of equals has the lowest.
IN_ORDER = (6, 7, 8, 5, 1, 4, 3, 2)

LEAVES = np.uint8(0)
NO_DATA = np.uint8(255)
UNRESOLVED = np.uint8(254)
IN_FLAT = np.uint8(253)
STUCK = np.uint8(252)
DONE = np.uint8(255)


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
def _keep_pass(
    low: int,
    high: int,
    level: float,
    held: I32,
    held_level: F32,
    ends: I32,
    levels: F32,
    count: int,
) -> int:
    """Hold the lowest pass of a pair in a small table; a pair that is pushed out is written."""
    slot = (low * 73 + high * 151) & (held.shape[0] - 1)
    if held[slot, 0] == low and held[slot, 1] == high:
        held_level[slot] = min(held_level[slot], level)
        return count
    if held[slot, 0] >= 0:
        ends[count, 0] = held[slot, 0]
        ends[count, 1] = held[slot, 1]
        levels[count] = held_level[slot]
        count += 1
    held[slot, 0] = low
    held[slot, 1] = high
    held_level[slot] = level
    return count


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

    Stops before a row that might not fit; returns the first row not done. `counted[0]` is how many
    passes are held in the arrays. `outlets` of no cells means none.
    """
    rows, cols = values.shape
    count = counted[0]
    has_outlets = outlets.size > 0
    for r in range(first, past):
        if levels.size - count < 5 * cols:
            counted[0] = count
            return r
        for c in range(cols):
            a = labels[r, c]
            z = values[r, c]
            if a > 0 and (
                r == 0
                or c == 0
                or r == rows - 1
                or c == cols - 1
                or (has_outlets and outlets[r, c])
            ):
                count = _keep_pass(0, a, z, held, held_level, ends, levels, count)
            if c + 1 < cols:
                b = labels[r, c + 1]
                if b != a:
                    count = _pass_between(
                        a, b, z, values[r, c + 1], held, held_level, ends, levels, count
                    )
            if r + 1 == rows:
                continue
            b = labels[r + 1, c]
            if b != a:
                count = _pass_between(
                    a, b, z, values[r + 1, c], held, held_level, ends, levels, count
                )
            if c > 0:
                b = labels[r + 1, c - 1]
                if b != a:
                    count = _pass_between(
                        a, b, z, values[r + 1, c - 1], held, held_level, ends, levels, count
                    )
            if c + 1 < cols:
                b = labels[r + 1, c + 1]
                if b != a:
                    count = _pass_between(
                        a, b, z, values[r + 1, c + 1], held, held_level, ends, levels, count
                    )
    counted[0] = count
    return past


@njit(cache=True, nogil=True)
def _pass_between(
    a: int,
    b: int,
    za: float,
    zb: float,
    held: I32,
    held_level: F32,
    ends: I32,
    levels: F32,
    count: int,
) -> int:
    # No data is the outside at no level of its own, so the pass to it is the data cell.
    if a == 0:
        level = zb
    elif b == 0 or za > zb:
        level = za
    else:
        level = zb
    return _keep_pass(min(a, b), max(a, b), level, held, held_level, ends, levels, count)


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


@njit(cache=True, nogil=True)
def _at_edge(levels: F32, r: int, c: int) -> bool:
    rows, cols = levels.shape
    for j in range(1, 9):
        rr = r + D_ROW[j]
        cc = c + D_COL[j]
        if rr < 0 or cc < 0 or rr >= rows or cc >= cols or math.isnan(levels[rr, cc]):
            return True
    return False


@njit(cache=True, nogil=True)
def steepest_rows(
    levels: F32,
    outlets: Flags,
    per_dx: np.float32,
    per_dy: np.float32,
    per_diagonal: np.float32,
    first: int,
    past: int,
    codes: U8,
) -> int:
    """Point each cell down its steepest drop; return how many have none and are not at an edge.

    Drop over distance, as in O'Callaghan & Mark 1984; the first of equals, clockwise from east.
    """
    rows, cols = levels.shape
    unresolved = 0
    zero = np.float32(0.0)
    has_outlets = outlets.size > 0
    for r in range(first, past):
        rim_row = r == 0 or r == rows - 1
        for c in range(cols):
            z = levels[r, c]
            if math.isnan(z):
                codes[r, c] = NO_DATA
                continue
            if has_outlets and outlets[r, c]:
                codes[r, c] = LEAVES
                continue
            best = zero
            code = 0
            if rim_row or c == 0 or c == cols - 1:
                for j in range(1, 9):
                    rr = r + D_ROW[j]
                    cc = c + D_COL[j]
                    if 0 <= rr < rows and 0 <= cc < cols:
                        scale = per_diagonal
                        if j in (1, 5):
                            scale = per_dx
                        elif j in (3, 7):
                            scale = per_dy
                        s = (z - levels[rr, cc]) * scale
                        if s > best:
                            best = s
                            code = j
            else:
                s = (z - levels[r, c + 1]) * per_dx
                if s > best:
                    best = s
                    code = 1
                s = (z - levels[r + 1, c + 1]) * per_diagonal
                if s > best:
                    best = s
                    code = 2
                s = (z - levels[r + 1, c]) * per_dy
                if s > best:
                    best = s
                    code = 3
                s = (z - levels[r + 1, c - 1]) * per_diagonal
                if s > best:
                    best = s
                    code = 4
                s = (z - levels[r, c - 1]) * per_dx
                if s > best:
                    best = s
                    code = 5
                s = (z - levels[r - 1, c - 1]) * per_diagonal
                if s > best:
                    best = s
                    code = 6
                s = (z - levels[r - 1, c]) * per_dy
                if s > best:
                    best = s
                    code = 7
                s = (z - levels[r - 1, c + 1]) * per_diagonal
                if s > best:
                    best = s
                    code = 8
            if code == 0 and not _at_edge(levels, r, c):
                codes[r, c] = UNRESOLVED
                unresolved += 1
            else:
                codes[r, c] = code
    return unresolved


@njit(cache=True, nogil=True)
def _push(keys: I64, cells: I64, size: int, key: int, cell: int) -> int:
    i = size
    while i > 0:
        up = (i - 1) >> 1
        if keys[up] <= key:
            break
        keys[i] = keys[up]
        cells[i] = cells[up]
        i = up
    keys[i] = key
    cells[i] = cell
    return size + 1


@njit(cache=True, nogil=True)
def _pop(keys: I64, cells: I64, size: int) -> int:
    """Drop the first entry; return the new size. Read entry 0 before calling."""
    size -= 1
    key = keys[size]
    cell = cells[size]
    i = 0
    while True:
        down = 2 * i + 1
        if down >= size:
            break
        if down + 1 < size and keys[down + 1] < keys[down]:
            down += 1
        if keys[down] >= key:
            break
        keys[i] = keys[down]
        cells[i] = cells[down]
        i = down
    keys[i] = key
    cells[i] = cell
    return size


@njit(cache=True, nogil=True)
def _rank(bits: int, order: int) -> int:
    """Return a whole number that sorts like the float32 of these bits, then by order of arrival."""
    if bits < 0:
        bits ^= 0x7FFFFFFF
    return int((np.int64(bits) << 32) + order)


@njit(cache=True, nogil=True)
def _grown(old: I64) -> I64:
    new = np.empty(2 * old.size, np.int64)
    new[: old.size] = old
    return new


@njit(cache=True, nogil=True)
def resolve_flats(bed_bits: I32, levels: F32, codes: U8) -> int:
    """Give the cells of flats and filled pools a direction; return how many found no way out.

    Each flat is searched upstream from its exits, always on from the lowest bed reached, so flow
    inside a pool keeps to the old drain (least-cost search of Ehlschlaeger 1989, as in Metz,
    Mitasova & Harmon 2011, Hydrol. Earth Syst. Sci. 15: 667-678; memory).
    """
    rows, cols = levels.shape
    members = np.empty(1024, np.int64)
    keys = np.empty(1024, np.int64)
    cells = np.empty(1024, np.int64)
    stuck = 0
    for start in range(rows * cols):
        if codes[start // cols, start % cols] != UNRESOLVED:
            continue
        level = levels[start // cols, start % cols]
        codes[start // cols, start % cols] = IN_FLAT
        members[0] = start
        head = 0
        tail = 1
        size = 0
        arrived = 0
        while head < tail:
            cell = members[head]
            head += 1
            r = cell // cols
            c = cell - r * cols
            if tail + 8 > members.size:
                members = _grown(members)
            exit_code = 0
            exit_bed = 0
            # Cells of a flat are never at the rim: those leave by themselves.
            for j in range(1, 9):
                rr = r + D_ROW[j]
                cc = c + D_COL[j]
                if levels[rr, cc] != level:
                    continue
                code = codes[rr, cc]
                if code == UNRESOLVED:
                    codes[rr, cc] = IN_FLAT
                    members[tail] = rr * cols + cc
                    tail += 1
                elif code <= np.uint8(8):
                    bed = _rank(bed_bits[rr, cc], 0)
                    if exit_code == 0 or bed < exit_bed:
                        exit_code = j
                        exit_bed = bed
            if exit_code > 0:
                # The direction is kept back in the heap's cell until the whole flat is known.
                if size + 1 > keys.size:
                    keys = _grown(keys)
                    cells = _grown(cells)
                size = _push(
                    keys, cells, size, _rank(bed_bits[r, c], arrived), cell * 16 + exit_code
                )
                arrived += 1
        for i in range(size):
            cell = cells[i] >> 4
            codes[cell // cols, cell % cols] = cells[i] & 15
        while size > 0:
            cell = cells[0] >> 4
            size = _pop(keys, cells, size)
            r = cell // cols
            c = cell - r * cols
            if size + 8 > keys.size:
                keys = _grown(keys)
                cells = _grown(cells)
            for j in range(1, 9):
                rr = r + D_ROW[j]
                cc = c + D_COL[j]
                if codes[rr, cc] == IN_FLAT:
                    codes[rr, cc] = j + 4 if j <= 4 else j - 4
                    size = _push(
                        keys,
                        cells,
                        size,
                        _rank(bed_bits[rr, cc], arrived),
                        (rr * cols + cc) * 16,
                    )
                    arrived += 1
        for i in range(tail):
            cell = members[i]
            if codes[cell // cols, cell % cols] == IN_FLAT:
                codes[cell // cols, cell % cols] = STUCK
                stuck += 1
    return stuck


@njit(cache=True, nogil=True)
def lift_along(levels: F32, codes: U8, drop_m: float, queue: I64, out: F32) -> int:
    """Lift cells so that each lies at least `drop_m` above the one it drains to.

    Goes upstream from where water leaves; returns how many cells were reached.
    """
    rows, cols = levels.shape
    tail = 0
    for r in range(rows):
        for c in range(cols):
            out[r, c] = levels[r, c]
            if codes[r, c] == LEAVES:
                queue[tail] = r * cols + c
                tail += 1
    head = 0
    while head < tail:
        r = queue[head] // cols
        c = queue[head] - r * cols
        head += 1
        base = out[r, c]
        # A drop finer than the number format can hold still has to be a drop.
        least = max(np.float32(base + drop_m), np.nextafter(base, np.float32(np.inf)))
        for j in range(1, 9):
            rr = r + D_ROW[j]
            cc = c + D_COL[j]
            if 0 <= rr < rows and 0 <= cc < cols and codes[rr, cc] == (j + 4 if j <= 4 else j - 4):
                out[rr, cc] = max(levels[rr, cc], least)
                queue[tail] = rr * cols + cc
                tail += 1
    return tail


@njit(cache=True, nogil=True)
def givers_rows(codes: U8, first: int, past: int, out: U8) -> int:
    """Count the neighbours that drain to each cell; no data counts as done."""
    rows, cols = codes.shape
    for r in range(first, past):
        rim_row = r == 0 or r == rows - 1
        for c in range(cols):
            if codes[r, c] == NO_DATA:
                out[r, c] = DONE
                continue
            n = 0
            if rim_row or c == 0 or c == cols - 1:
                for j in range(1, 9):
                    rr = r + D_ROW[j]
                    cc = c + D_COL[j]
                    if 0 <= rr < rows and 0 <= cc < cols:
                        n += codes[rr, cc] == (j + 4 if j <= 4 else j - 4)
            else:
                n += codes[r, c + 1] == 5
                n += codes[r + 1, c + 1] == 6
                n += codes[r + 1, c] == 7
                n += codes[r + 1, c - 1] == 8
                n += codes[r, c - 1] == 1
                n += codes[r - 1, c - 1] == 2
                n += codes[r - 1, c] == 3
                n += codes[r - 1, c + 1] == 4
            out[r, c] = n
    return 0


@njit(cache=True, nogil=True)
def gather_rows(codes: U8, givers: U8, first: int, past: int, total: F64, waiting: I64) -> int:
    """Add up `total` down the flow inside a strip of rows, in place.

    Cells that are complete but drain to another strip go to `waiting`; returns how many.
    """
    cols = codes.shape[1]
    held = 0
    for r in range(first, past):
        for c in range(cols):
            if givers[r, c] != 0:
                continue
            rr = r
            cc = c
            while True:
                givers[rr, cc] = DONE
                code = codes[rr, cc]
                if code == LEAVES:
                    break
                down_r = rr + D_ROW[code]
                down_c = cc + D_COL[code]
                if down_r < first or down_r >= past:
                    waiting[held] = rr * cols + cc
                    held += 1
                    break
                total[down_r, down_c] += total[rr, cc]
                givers[down_r, down_c] -= 1
                if givers[down_r, down_c] != 0:
                    break
                rr = down_r
                cc = down_c
    return held


@njit(cache=True, nogil=True)
def gather_waiting(codes: U8, givers: U8, waiting: I64, held: int, total: F64) -> int:
    """Carry what waited at the seams of strips on to the end; returns how many cells were held."""
    cols = codes.shape[1]
    for i in range(held):
        rr = waiting[i] // cols
        cc = waiting[i] - rr * cols
        while True:
            givers[rr, cc] = DONE
            code = codes[rr, cc]
            if code == LEAVES:
                break
            down_r = rr + D_ROW[code]
            down_c = cc + D_COL[code]
            total[down_r, down_c] += total[rr, cc]
            givers[down_r, down_c] -= 1
            if givers[down_r, down_c] != 0:
                break
            rr = down_r
            cc = down_c
    return held


@njit(cache=True, nogil=True)
def many_givers_rows(levels: F32, codes: U8, first: int, past: int, out: U8) -> int:
    """Count the neighbours that give to each cell when flow spreads over all drops."""
    rows, cols = codes.shape
    for r in range(first, past):
        for c in range(cols):
            if codes[r, c] == NO_DATA:
                out[r, c] = DONE
                continue
            z = levels[r, c]
            n = 0
            for j in range(1, 9):
                rr = r + D_ROW[j]
                cc = c + D_COL[j]
                if rr < 0 or cc < 0 or rr >= rows or cc >= cols:
                    continue
                code = codes[rr, cc]
                if code in (LEAVES, NO_DATA):
                    continue
                above = levels[rr, cc]
                if above > z or (above == z and code == (j + 4 if j <= 4 else j - 4)):
                    n += 1
            out[r, c] = n
    return 0


@njit(cache=True, nogil=True)
def spread_shares(
    levels: F32,
    codes: U8,
    r: int,
    c: int,
    per_distance: F64,
    contour: F64,
    power: float,
    shares: F64,
) -> int:
    """Write the share of a cell's flow to each neighbour (index = code); return how many get some.

    Shares go with slope to `power` times contour length. A cell with no drop gives all to the one
    it drains to.
    """
    rows, cols = levels.shape
    shares[:] = 0.0
    code = codes[r, c]
    if code in (LEAVES, NO_DATA):
        return 0
    z = float(levels[r, c])
    total = 0.0
    count = 0
    for j in range(1, 9):
        rr = r + D_ROW[j]
        cc = c + D_COL[j]
        if rr < 0 or cc < 0 or rr >= rows or cc >= cols:
            continue
        fall = z - levels[rr, cc]
        if fall > 0.0:
            slope = fall * per_distance[j]
            shares[j] = (slope if power == 1.0 else slope**power) * contour[j]
            total += shares[j]
            count += 1
    if count == 0:
        shares[code] = 1.0
        return 1
    for j in range(1, 9):
        shares[j] /= total
    return count


@njit(cache=True, nogil=True)
def gather_spread(
    levels: F32,
    codes: U8,
    givers: U8,
    per_distance: F64,
    contour: F64,
    power: float,
    total: F64,
) -> int:
    """Add up `total` down all drops, in place; returns how many cells were done."""
    rows, cols = levels.shape
    shares = np.zeros(9)
    stack = np.empty(1024, np.int64)
    done = 0
    for start in range(rows * cols):
        if givers[start // cols, start % cols] != 0:
            continue
        stack[0] = start
        size = 1
        while size > 0:
            size -= 1
            r = stack[size] // cols
            c = stack[size] - r * cols
            givers[r, c] = DONE
            done += 1
            if size + 8 > stack.size:
                stack = _grown(stack)
            if spread_shares(levels, codes, r, c, per_distance, contour, power, shares) == 0:
                continue
            for j in range(1, 9):
                if shares[j] > 0.0:
                    rr = r + D_ROW[j]
                    cc = c + D_COL[j]
                    total[rr, cc] += shares[j] * total[r, c]
                    givers[rr, cc] -= 1
                    if givers[rr, cc] == 0:
                        stack[size] = rr * cols + cc
                        size += 1
    return done

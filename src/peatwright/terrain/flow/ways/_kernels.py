"""Compiled loops for flow directions."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from peatwright.terrain.flow.codes import D_COL, D_ROW, IN_FLAT, LEAVES, NO_DATA, STUCK, UNRESOLVED

F32 = NDArray[np.float32]
I32 = NDArray[np.int32]
I64 = NDArray[np.int64]
U8 = NDArray[np.uint8]
Flags = NDArray[np.bool_]


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


@njit(cache=True, nogil=True, inline="always")
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


@njit(cache=True, nogil=True, inline="always")
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


@njit(cache=True, nogil=True, inline="always")
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

"""Compiled loops that keep a routing true after a change to a small part of the terrain."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from peatwright.terrain.flow.codes import D_COL, D_ROW, LEAVES, NO_DATA

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
U8 = NDArray[np.uint8]
Flags = NDArray[np.bool_]


@njit(cache=True, nogil=True)
def _grown(old: I64) -> I64:
    new = np.empty(2 * old.size, np.int64)
    new[: old.size] = old
    return new


@njit(cache=True, nogil=True)
def leaves_untouched(cells: I64, codes: U8, touched: U8, out: Flags) -> int:
    """Say of each cell whether its way out crosses no cell whose mark in `touched` is 1.

    `touched` is all 0 or 1 at first; 2 and 3 are written on cells already known to be free or not,
    and wiped again at the end.
    """
    cols = codes.shape[1]
    flat = touched.reshape(-1)
    flat_codes = codes.reshape(-1)
    written = np.empty(1024, np.int64)
    held = 0
    for i in range(cells.size):
        first = held
        cell = cells[i]
        free = True
        while True:
            mark = flat[cell]
            if mark in (1, 3):
                free = False
                break
            if mark == 2:
                break
            if held + 1 > written.size:
                written = _grown(written)
            written[held] = cell
            held += 1
            code = flat_codes[cell]
            if code in (LEAVES, NO_DATA):
                break
            cell += D_ROW[code] * cols + D_COL[code]
        for j in range(first, held):
            flat[written[j]] = 2 if free else 3
        out[i] = free
    for j in range(held):
        flat[written[j]] = 0
    return 0


@njit(cache=True, nogil=True)
def unsettled(ground: F32, levels: F32, ring: I64, out: Flags) -> int:
    """Mark and count cells whose level is not the greater of ground and lowest neighbour."""
    rows, cols = ground.shape
    bad = 0
    for i in range(ring.size):
        r = ring[i] // cols
        c = ring[i] - r * cols
        if math.isnan(ground[r, c]):
            continue
        lowest = np.float32(np.inf)
        at_edge = False
        for j in range(1, 9):
            rr = r + D_ROW[j]
            cc = c + D_COL[j]
            if rr < 0 or cc < 0 or rr >= rows or cc >= cols or math.isnan(levels[rr, cc]):
                at_edge = True
            else:
                lowest = min(lowest, levels[rr, cc])
        want = ground[r, c] if at_edge else max(ground[r, c], lowest)
        out[i] = want != levels[r, c]
        bad += out[i]
    return bad


@njit(cache=True, nogil=True)
def mend_totals(old: U8, new: U8, changed: I64, area: float, total: F64) -> int:
    """Add up again, in place, every cell below a changed direction, in old or new directions.

    All other cells keep the cells above them and so their totals. Returns how many were added up.
    """
    rows, cols = new.shape
    flat_old = old.reshape(-1)
    flat_new = new.reshape(-1)
    flat = total.reshape(-1)
    within = np.zeros(rows * cols, np.uint8)
    cells = np.empty(1024, np.int64)
    held = 0
    for way in range(2):
        codes = flat_old if way == 0 else flat_new
        for i in range(changed.size):
            cell = changed[i]
            while within[cell] & (1 << way) == 0:
                if within[cell] == 0:
                    if held + 1 > cells.size:
                        cells = _grown(cells)
                    cells[held] = cell
                    held += 1
                within[cell] |= np.uint8(1 << way)
                code = codes[cell]
                if code in (LEAVES, NO_DATA):
                    break
                cell += D_ROW[code] * cols + D_COL[code]
    # The set holds every cell below each of its cells: where a direction differs, both are in.
    waits = np.zeros(held, np.uint8)
    ready = np.empty(held, np.int64)
    # `within` now holds 16 plus the number of givers inside the set.
    for i in range(held):
        cell = cells[i]
        r = cell // cols
        c = cell - r * cols
        n = 0
        flat[cell] = area
        for j in range(1, 9):
            rr = r + D_ROW[j]
            cc = c + D_COL[j]
            if rr < 0 or cc < 0 or rr >= rows or cc >= cols:
                continue
            giver = rr * cols + cc
            if flat_new[giver] == (j + 4 if j <= 4 else j - 4):
                if within[giver] != 0:
                    n += 1
                else:
                    flat[cell] += flat[giver]
        waits[i] = n
    for i in range(held):
        within[cells[i]] = 16 + waits[i]
    size = 0
    for i in range(held):
        if waits[i] == 0:
            ready[size] = cells[i]
            size += 1
    done = 0
    while done < size:
        cell = ready[done]
        done += 1
        code = flat_new[cell]
        if code in (LEAVES, NO_DATA):
            continue
        below = cell + D_ROW[code] * cols + D_COL[code]
        flat[below] += flat[cell]
        within[below] -= 1
        if within[below] == 16:
            ready[size] = below
            size += 1
    return done

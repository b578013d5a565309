"""Compiled loops that add up what flows down, along one way or spread over many."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from peatwright.terrain.flow.codes import D_COL, D_ROW, DONE, LEAVES, NO_DATA

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
U8 = NDArray[np.uint8]


@njit(cache=True, nogil=True)
def _grown(old: I64) -> I64:
    new = np.empty(2 * old.size, np.int64)
    new[: old.size] = old
    return new


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


@njit(cache=True, nogil=True, inline="always")
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

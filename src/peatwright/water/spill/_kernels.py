"""Compiled loops of spill paths: cutting strips, tracing ways, labels, spilled water, rerouting."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from peatwright.terrain.flow.codes import D_COL, D_ROW, DONE, LEAVES, NO_DATA

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I32 = NDArray[np.int32]
I64 = NDArray[np.int64]
U8 = NDArray[np.uint8]
Flags = NDArray[np.bool_]

# Columns of a strip: its axis, its width to the left and right at both ends, its level at both.
X0, Y0, X1, Y1, LEFT0, LEFT1, RIGHT0, RIGHT1, LEVEL0, LEVEL1 = range(10)
RAISE, LOWER = 0, 1
# Columns of a traced way.
OVER_BOG, BACK_M, AT_LEVEL = 0, 1, 2
SPILL, LEFT_AT, BACK_AT, END, OVER_OWN, CELLS, ALONG = range(7)
ON_EDGE, ON_DRAIN, ON_BURN, ON_LINE = 0, 1, 2, 3


@njit(cache=True, nogil=True)
def _span(low: float, high: float, first: int, count: int) -> tuple[int, int]:
    a = max(math.floor(low) - first, 0)
    b = min(math.ceil(high) + 1 - first, count)
    return int(a), int(b)


@njit(cache=True, nogil=True)
def _place(s: F64, x: float, y: float, pad: float) -> tuple[bool, float, float]:
    """Say whether a point lies in a strip, how far along it (0 to 1) and how far from its axis."""
    ax = s[X1] - s[X0]
    ay = s[Y1] - s[Y0]
    long_m = math.sqrt(ax * ax + ay * ay)
    if long_m == 0.0:
        return False, 0.0, 0.0
    px = x - s[X0]
    py = y - s[Y0]
    t = (px * ax + py * ay) / long_m
    if t < -pad or t > long_m + pad:
        return False, 0.0, 0.0
    share = min(max(t / long_m, 0.0), 1.0)
    # Positive to the right of the axis.
    d = (px * ay - py * ax) / long_m
    left = s[LEFT0] + share * (s[LEFT1] - s[LEFT0])
    right = s[RIGHT0] + share * (s[RIGHT1] - s[RIGHT0])
    return -left <= d <= right, share, d


@njit(cache=True, nogil=True)
def cut_strips(
    strips: F64,
    modes: U8,
    rise: F64,
    pad: float,
    x_left: float,
    y_top: float,
    dx: float,
    dy: float,
    row0: int,
    col0: int,
    out: F32,
) -> int:
    """Raise or lower the cells of strips in turn, in place; return how many cells changed.

    `rise` is how the level changes by metre across: of a raised strip to the right, so that it
    tilts, of a lowered one to both sides of its axis.

    `out` is the part of a grid that begins at `row0`, `col0`; places are always reckoned from the
    whole grid's corner, so that a part gets the very levels that the whole would.
    """
    rows, cols = out.shape
    changed = 0
    for k in range(strips.shape[0]):
        s = strips[k]
        wide = max(s[LEFT0], s[LEFT1], s[RIGHT0], s[RIGHT1]) + pad
        r0, r1 = _span(
            (y_top - max(s[Y0], s[Y1]) - wide) / dy - 0.5,
            (y_top - min(s[Y0], s[Y1]) + wide) / dy - 0.5, row0, rows,
        )  # fmt: skip
        c0, c1 = _span(
            (min(s[X0], s[X1]) - wide - x_left) / dx - 0.5,
            (max(s[X0], s[X1]) + wide - x_left) / dx - 0.5, col0, cols,
        )  # fmt: skip
        for r in range(r0, r1):
            y = y_top - (r + row0 + 0.5) * dy
            for c in range(c0, c1):
                x = x_left + (c + col0 + 0.5) * dx
                inside, share, d = _place(s, x, y, pad)
                if not inside or math.isnan(out[r, c]):
                    continue
                level = np.float32(
                    s[LEVEL0]
                    + share * (s[LEVEL1] - s[LEVEL0])
                    + rise[k] * (d if modes[k] == RAISE else abs(d))
                )
                if modes[k] == RAISE:
                    if level > out[r, c]:
                        out[r, c] = level
                        changed += 1
                elif level < out[r, c]:
                    out[r, c] = level
                    changed += 1
    return changed


@njit(cache=True, nogil=True)
def mark_strips(
    strips: F64,
    marks: I32,
    pad: float,
    x_left: float,
    y_top: float,
    dx: float,
    dy: float,
    away: F32,
    out: I32,
) -> int:
    """Write each strip's mark on its cells; of several the one whose axis is nearest."""
    rows, cols = out.shape
    for k in range(strips.shape[0]):
        s = strips[k]
        wide = max(s[LEFT0], s[LEFT1], s[RIGHT0], s[RIGHT1]) + pad
        r0, r1 = _span(
            (y_top - max(s[Y0], s[Y1]) - wide) / dy - 0.5,
            (y_top - min(s[Y0], s[Y1]) + wide) / dy - 0.5, 0, rows,
        )  # fmt: skip
        c0, c1 = _span(
            (min(s[X0], s[X1]) - wide - x_left) / dx - 0.5,
            (max(s[X0], s[X1]) + wide - x_left) / dx - 0.5, 0, cols,
        )  # fmt: skip
        for r in range(r0, r1):
            y = y_top - (r + 0.5) * dy
            for c in range(c0, c1):
                inside, _, d = _place(s, x_left + (c + 0.5) * dx, y, pad)
                if inside and abs(d) < away[r, c]:
                    away[r, c] = abs(d)
                    out[r, c] = marks[k]
    return 0


@njit(cache=True, nogil=True)
def trace_spills(
    start: I64,
    dam: I32,
    drain: I32,
    below_m: F64,
    codes: U8,
    filled: F32,
    station_of: I32,
    dam_of: I32,
    channel: U8,
    drain_of_station: I32,
    chainage_m: F64,
    open_station: Flags,
    steps_m: F64,
    met: I32,
    numbers: F64,
    places: I64,
    ways: I64,
) -> int:
    """Follow the water of each dam from its pool to the first channel.

    `numbers` gets way over bog, way until it is back in its own drain (NaN if never) and the level
    of the pool; `places` the columns named above; `met` up to its width other drains. The cells of
    all ways follow each other in `ways`; returns how many cells were written, -1 when there is no
    room.
    """
    cols = codes.shape[1]
    flat_filled = filled.reshape(-1)
    flat_codes = codes.reshape(-1)
    stations = station_of.reshape(-1)
    dams = dam_of.reshape(-1)
    channels = channel.reshape(-1)
    size = 0
    for k in range(start.size):
        cell = start[k]
        level = flat_filled[cell]
        in_pool = True
        spill = cell
        left_at = np.int64(-1)
        back_at = np.int64(-1)
        over = 0
        way = 0.0
        back_m = math.nan
        end = ON_EDGE
        count = 0
        crossed = 0
        while True:
            if size >= ways.size:
                return -1
            ways[size] = cell
            size += 1
            count += 1
            if in_pool and flat_filled[cell] == level:
                spill = cell
                way = 0.0
                # Which side counts where the water leaves the pool, not on its way through it.
                left_at = np.int64(-1)
            else:
                in_pool = False
            at = stations[cell] - 1
            own = at >= 0 and drain_of_station[at] == drain[k]
            if dams[cell] == dam[k]:
                over = 1
            if left_at < 0 and not own:
                left_at = cell
            if own and back_at < 0 and chainage_m[at] > below_m[k]:
                back_at = at
                back_m = way
            if at >= 0 and not own:
                seen = False
                for i in range(crossed):
                    seen |= met[k, i] == drain_of_station[at]
                if not seen and crossed < met.shape[1]:
                    met[k, crossed] = drain_of_station[at]
                    crossed += 1
            if not in_pool:
                if at >= 0 and open_station[at] and (not own or back_at >= 0):
                    end = ON_DRAIN
                    break
                if at < 0 and channels[cell] > 0:
                    end = int(channels[cell])
                    break
            code = flat_codes[cell]
            if code in (LEAVES, NO_DATA):
                break
            way += steps_m[code]
            cell += D_ROW[code] * cols + D_COL[code]
        numbers[k, OVER_BOG] = way
        numbers[k, BACK_M] = back_m
        numbers[k, AT_LEVEL] = level
        places[k, SPILL] = spill
        places[k, LEFT_AT] = left_at
        places[k, BACK_AT] = back_at
        places[k, END] = end
        places[k, OVER_OWN] = over
        places[k, CELLS] = count
    return size


@njit(cache=True, nogil=True)
def label_cells(codes: U8, seeds: I64, labels: I32, stack: I64, out: I32) -> int:
    """Give each cell the label of the first seed below it, 0 where there is none, -1 no data."""
    rows, cols = codes.shape
    flat = out.reshape(-1)
    flat_codes = codes.reshape(-1)
    flat[:] = -2
    for i in range(seeds.size):
        flat[seeds[i]] = labels[i]
    for start in range(rows * cols):
        if flat[start] != -2:
            continue
        if flat_codes[start] == NO_DATA:
            flat[start] = -1
            continue
        size = 0
        cell = start
        while flat[cell] == -2:
            stack[size] = cell
            size += 1
            code = flat_codes[cell]
            if code == LEAVES:
                flat[cell] = 0
                break
            cell += D_ROW[code] * cols + D_COL[code]
        label = flat[cell]
        for i in range(size):
            flat[stack[i]] = label
    return 0


@njit(cache=True, nogil=True)
def arriving(
    codes: U8,
    upslope: F64,
    inside: Flags,
    row0: int,
    col0: int,
    block_rows: int,
    block_cols: int,
    out: F64,
) -> float:
    """Add up what flows into a thing over squares of cells; return the whole.

    `inside` is the thing on a part of the grid that begins at `row0`, `col0`.
    """
    rows, cols = inside.shape
    whole = 0.0
    for r in range(rows):
        for c in range(cols):
            if inside[r, c]:
                continue
            code = codes[r + row0, c + col0]
            if code in (LEAVES, NO_DATA):
                continue
            rr = r + D_ROW[code]
            cc = c + D_COL[code]
            if 0 <= rr < rows and 0 <= cc < cols and inside[rr, cc]:
                amount = upslope[r + row0, c + col0]
                out[r // block_rows, c // block_cols] += amount
                whole += amount
    return whole


@njit(cache=True, nogil=True)
def _grown(old: I64) -> I64:
    new = np.empty(2 * old.size, np.int64)
    new[: old.size] = old
    return new


@njit(cache=True, nogil=True)
def _lower(levels: F32, r: int, c: int, per_distance: F64, shares: F64) -> float:
    """Write the slope to each lower neighbour; return their sum, 0 where none is lower."""
    rows, cols = levels.shape
    z = float(levels[r, c])
    total = 0.0
    for j in range(1, 9):
        shares[j] = 0.0
        rr = r + D_ROW[j]
        cc = c + D_COL[j]
        if rr < 0 or cc < 0 or rr >= rows or cc >= cols:
            continue
        fall = z - levels[rr, cc]
        if fall > 0.0:
            shares[j] = fall * per_distance[j]
            total += shares[j]
    return total


@njit(cache=True, nogil=True)
def spread_spilled(
    levels: F32, codes: U8, spills: I64, per_distance: F64, area: float, total: F32, spilled: F32
) -> int:
    """Spread water over all drops and tell how much of it has passed a spill; returns cells done.

    Shares go with the slope; flats pass on along the directions. What passes a cell of `spills` is
    spilled water from there on.
    """
    rows, cols = codes.shape
    givers = np.zeros((rows, cols), np.uint8)
    marked = np.zeros((rows, cols), np.bool_)
    for i in range(spills.size):
        marked[spills[i] // cols, spills[i] % cols] = True
    for r in range(rows):
        for c in range(cols):
            if codes[r, c] == NO_DATA:
                givers[r, c] = DONE
                total[r, c] = np.float32(np.nan)
                spilled[r, c] = np.float32(np.nan)
                continue
            total[r, c] = area
            spilled[r, c] = 0.0
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
                if levels[rr, cc] > z or (
                    levels[rr, cc] == z and code == (j + 4 if j <= 4 else j - 4)
                ):
                    n += 1
            givers[r, c] = n
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
            if marked[r, c]:
                spilled[r, c] = total[r, c]
            code = codes[r, c]
            if code == LEAVES:
                continue
            whole = _lower(levels, r, c, per_distance, shares)
            if whole == 0.0:
                shares[code] = 1.0
                whole = 1.0
            for j in range(1, 9):
                if shares[j] > 0.0:
                    rr = r + D_ROW[j]
                    cc = c + D_COL[j]
                    share = shares[j] / whole
                    total[rr, cc] += np.float32(share * total[r, c])
                    spilled[rr, cc] += np.float32(share * spilled[r, c])
                    givers[rr, cc] -= 1
                    if givers[rr, cc] == 0:
                        stack[size] = rr * cols + cc
                        size += 1
    return done

"""Compiled loops for pulling lines to their bed and for measuring cross-sections.

Arrays and numbers in, results into `out`, an integer status back. Every loop runs on one thread
without the interpreter lock.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from peatwright.terrain._kernels import bilinear

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I32 = NDArray[np.int32]
I64 = NDArray[np.int64]
I8 = NDArray[np.int8]


@njit(cache=True, nogil=True)
def profiles(
    values: F32,
    row: F64,
    col: F64,
    by_row: F64,
    by_col: F64,
    offsets: F64,
    first: int,
    past: int,
    out: F32,
) -> int:
    """Fill `out[i, k]` with the level at `offsets[k]` metres across point i.

    `row`, `col` are fractional cells of the points; `by_row`, `by_col` cells per metre across.
    """
    for i in range(first, past):
        for k in range(offsets.shape[0]):
            out[i, k] = bilinear(
                values, row[i] + offsets[k] * by_row[i], col[i] + offsets[k] * by_col[i]
            )
    return 0


@njit(cache=True, nogil=True)
def _mean_around(z: F32, low: int, high: int, k: int, half: int) -> float:
    """Mean level of sections low..high-1 at offsets k-half..k+half; NaN when none is known."""
    total = 0.0
    count = 0
    for j in range(low, high):
        for m in range(k - half, k + half + 1):
            v = z[j, m]
            if not math.isnan(v):
                total += v
                count += 1
    return total / count if count else math.nan


@njit(cache=True, nogil=True)
def pull_paths(
    section: F32,
    line_first: I64,
    first: int,
    past: int,
    margin: int,
    narrow: int,
    wide: int,
    step_m: float,
    bend_m: float,
    stay_m: float,
    rise: F32,
    shift_m: F64,
    depth_m: F64,
) -> int:
    """Find the bed's path along lines `first` to `past - 1`.

    `section` (n, 2 margin + m) holds levels across each point; `rise` (n, m) is scratch for the
    level less that of both sides. Out: `shift_m`, to the right, and `depth_m`, how far the path
    lies below its sides (NaN without terrain).
    """
    states = rise.shape[1]
    middle = states // 2
    swerve = 3
    cost = np.empty(states)
    last = np.empty(states)
    for line in range(first, past):
        a = line_first[line]
        b = line_first[line + 1]
        n = b - a
        came = np.zeros((n, states), np.int8)
        smooth = np.empty((n, section.shape[1]), np.float32)
        for i in range(n):
            low = max(a, a + i - 1)
            high = min(b, a + i + 2)
            for k in range(section.shape[1]):
                smooth[i, k] = _mean_around(section, low, high, k, 0)
        for i in range(n):
            for s in range(states):
                k = s + margin
                here = smooth[i, k]
                best = math.inf
                for w in (narrow, wide):
                    side = 0.5 * (
                        _mean_around(smooth, i, i + 1, k - w, 1)
                        + _mean_around(smooth, i, i + 1, k + w, 1)
                    )
                    v = here - side
                    best = min(best, v)
                rise[a + i, s] = best if best < math.inf else math.nan
        for i in range(n):
            for s in range(states):
                v = rise[a + i, s]
                off = (s - middle) / max(middle, 1)
                here = (0.0 if math.isnan(v) else v) + stay_m * off * off
                if i == 0:
                    cost[s] = here
                    continue
                best = math.inf
                pick = 0
                for d in range(-swerve, swerve + 1):
                    p = s + d
                    if 0 <= p < states:
                        t = last[p] + bend_m * (d * step_m) * (d * step_m)
                        # Ties go to the smaller swerve: mirrored ground gives mirrored paths.
                        if t < best - 1e-12 or (t <= best and abs(d) < abs(pick)):
                            best = t
                            pick = d
                cost[s] = here + best
                came[i, s] = pick
            for s in range(states):
                last[s] = cost[s]
        s = 0
        for p in range(states):
            if last[p] < last[s] - 1e-12 or (
                last[p] <= last[s] and abs(p - middle) < abs(s - middle)
            ):
                s = p
        for i in range(n - 1, -1, -1):
            v = rise[a + i, s]
            depth_m[a + i] = -v
            # The middle of the trough at half its depth is steadier than its lowest sample.
            weight = 0.0
            moment = 0.0
            if v < 0.0:
                bar = 0.5 * v
                for side in (-1, 1):
                    p = s if side == 1 else s - 1
                    while 0 <= p < states and abs(p - s) * step_m <= 1.0 and rise[a + i, p] < bar:
                        weight += bar - rise[a + i, p]
                        moment += (bar - rise[a + i, p]) * (p - middle) * step_m
                        p += side
            shift_m[a + i] = moment / weight if weight > 0.0 else (s - middle) * step_m
            s = s + came[i, s]
    return 0


@njit(cache=True, nogil=True)
def stamp_stations(row: F64, col: F64, row_to: F64, col_to: F64, labels: I32) -> int:
    """Write station number + 1 into the cells between each station and the next place on its drain.

    Rows and columns are whole-cell positions of the label grid; earlier numbers are overwritten.
    """
    rows, cols = labels.shape
    for i in range(row.shape[0]):
        for t in (0.0, 0.5):
            r = math.floor(row[i] + t * (row_to[i] - row[i]))
            c = math.floor(col[i] + t * (col_to[i] - col[i]))
            if 0 <= r < rows and 0 <= c < cols:
                labels[r, c] = i + 1
    return 0


@njit(cache=True, nogil=True)
def cut_at_others(
    labels: I32,
    row: F64,
    col: F64,
    by_row: F64,
    by_col: F64,
    offsets: F64,
    drain: I32,
    own_reach: int,
    near_m: float,
    keep_m: float,
    first: int,
    past: int,
    section: F32,
    met: I32,
) -> int:
    """Blank the part of each section that belongs to another drain.

    A section ends `keep_m` short of another drain that it crosses, or of its own drain more than
    `own_reach` stations away. Out: `section` is blanked with NaN, and `met` holds the number of a
    station of the drain met on the left, on the right and within `near_m` of the bed, -1 for none.
    """
    rows, cols = labels.shape
    middle = offsets.shape[0] // 2
    step = offsets[1] - offsets[0]
    keep = round(keep_m / step)
    for i in range(first, past):
        for c in range(3):
            met[i, c] = -1
        for side in range(2):
            d = -1 if side == 0 else 1
            for j in range(int(1.0 / step), middle + 1):
                o = offsets[middle + d * j]
                r = math.floor(row[i] + o * by_row[i])
                c = math.floor(col[i] + o * by_col[i])
                if not (0 <= r < rows and 0 <= c < cols):
                    continue
                other = labels[r, c] - 1
                if other < 0 or (drain[other] == drain[i] and abs(other - i) <= own_reach):
                    continue
                met[i, side] = other
                for m in range(max(1, j - keep), middle + 1):
                    section[i, middle + d * m] = math.nan
                break
        reach = math.ceil(near_m)
        r0 = math.floor(row[i])
        c0 = math.floor(col[i])
        best = near_m * near_m
        for r in range(max(0, r0 - reach), min(rows, r0 + reach + 1)):
            for c in range(max(0, c0 - reach), min(cols, c0 + reach + 1)):
                other = labels[r, c] - 1
                if other < 0 or drain[other] == drain[i]:
                    continue
                dr = row[other] - row[i]
                dc = col[other] - col[i]
                gap = dr * dr + dc * dc
                if gap <= best:
                    best = gap
                    met[i, 2] = other
    return 0


@njit(cache=True, nogil=True)
def _kth(values: F64, n: int, k: int) -> float:
    """Value of rank k among the first n, by Hoare's selection; all lower ranks end before it."""
    low = 0
    high = n - 1
    while low < high:
        pivot = values[(low + high) // 2]
        a = low
        b = high
        while a <= b:
            while values[a] < pivot:
                a += 1
            while values[b] > pivot:
                b -= 1
            if a <= b:
                values[a], values[b] = values[b], values[a]
                a += 1
                b -= 1
        if k <= b:
            high = b
        elif k >= a:
            low = a
        else:
            break
    return float(values[k])


@njit(cache=True, nogil=True)
def median_of(values: F64, n: int) -> float:
    """Median of the first n values, whose order is changed; NaN of none."""
    if n == 0:
        return math.nan
    if n <= 12:
        for a in range(1, n):
            v = values[a]
            b = a - 1
            while b >= 0 and values[b] > v:
                values[b + 1] = values[b]
                b -= 1
            values[b + 1] = v
        if n % 2:
            return float(values[n // 2])
        return 0.5 * float(values[n // 2 - 1] + values[n // 2])
    upper = _kth(values, n, n // 2)
    if n % 2:
        return upper
    lower = float(values[0])
    for a in range(1, n // 2):
        lower = max(lower, float(values[a]))
    return 0.5 * (lower + upper)


@njit(cache=True, nogil=True)
def average_sections(
    section: F32,
    bed_m: F64,
    drain_first: I64,
    drain_past: I64,
    half: int,
    stride: int,
    first: int,
    past: int,
    out: F32,
) -> int:
    """Median of every `stride`th section up to `half` up and down the same drain, NaN left out.

    Each is first moved by the difference of the beds, so that the fall along the drain drops out.
    Each neighbour is first moved by the change of its bed, so a steep bed is not flattened.
    """
    room = np.empty(2 * half + 1)
    shift = np.empty(2 * half + 1)
    n = section.shape[1]
    for i in range(first, past):
        low = max(drain_first[i], i - half)
        low += (i - low) % stride
        high = min(drain_past[i], i + half + 1)
        for j in range(low, high):
            shift[j - low] = bed_m[i] - bed_m[j]
        for k in range(n):
            count = 0
            for j in range(low, high, stride):
                v = section[j, k] + shift[j - low]
                if not math.isnan(v):
                    room[count] = v
                    count += 1
            out[i, k] = median_of(room, count)
    return 0


@njit(cache=True, nogil=True)
def rolling_median(
    values: F64, drain_first: I64, drain_past: I64, half: int, first: int, past: int, out: F64
) -> int:
    """Median over up to `half` stations up and down the same drain, NaN left out."""
    room = np.empty(2 * half + 1)
    for i in range(first, past):
        count = 0
        for j in range(max(drain_first[i], i - half), min(drain_past[i], i + half + 1)):
            if not math.isnan(values[j]):
                room[count] = values[j]
                count += 1
        out[i] = median_of(room, count)
    return 0


@njit(cache=True, nogil=True)
def ground_slopes(
    section: F32, offsets: F64, from_m: float, first: int, past: int, out: F64
) -> int:
    """Fit a line to the ground further than `from_m` from the bed on both sides.

    Iteratively reweighted least squares with Tukey's biweight, started from the medians of both
    sides; both sides weigh the same. Out: (n, 2) slope to the right, m/m, and its misfit; NaN where
    either side has too little ground.
    """
    n = section.shape[1]
    middle = n // 2
    step = offsets[1] - offsets[0]
    start = math.ceil(from_m / step)
    fewest = max(4, int(2.0 / step))
    left = np.empty(n)
    right = np.empty(n)
    off = np.empty(n)
    for i in range(first, past):
        nl = 0
        nr = 0
        ol = 0.0
        o_r = 0.0
        for k in range(n):
            v = section[i, k]
            if math.isnan(v):
                continue
            if k <= middle - start:
                left[nl] = v
                nl += 1
                ol += offsets[k]
            elif k >= middle + start:
                right[nr] = v
                nr += 1
                o_r += offsets[k]
        if nl < fewest or nr < fewest:
            out[i, 0] = math.nan
            out[i, 1] = math.nan
            continue
        ol /= nl
        o_r /= nr
        ml = median_of(left, nl)
        mr = median_of(right, nr)
        b = (mr - ml) / (o_r - ol)
        a = ml - b * ol
        scale = 0.0
        for turn in range(6):
            if turn < 3:
                m = 0
                for k in range(n):
                    v = section[i, k]
                    if not math.isnan(v) and (k <= middle - start or k >= middle + start):
                        off[m] = abs(v - a - b * offsets[k])
                        m += 1
                scale = max(1.4826 * median_of(off, m), 0.01)
            sw = 0.0
            so = 0.0
            sz = 0.0
            soo = 0.0
            soz = 0.0
            for k in range(n):
                v = section[i, k]
                if math.isnan(v) or middle - start < k < middle + start:
                    continue
                u = (v - a - b * offsets[k]) / (4.685 * scale)
                if abs(u) >= 1.0:
                    continue
                w = (1.0 - u * u) * (1.0 - u * u) / (nl if k < middle else nr)
                sw += w
                so += w * offsets[k]
                sz += w * v
                soo += w * offsets[k] * offsets[k]
                soz += w * offsets[k] * v
            det = sw * soo - so * so
            if det <= 1e-9:
                break
            b = (sw * soz - so * sz) / det
            a = (sz - b * so) / sw
        out[i, 0] = b
        out[i, 1] = scale
    return 0


@njit(cache=True, nogil=True)
def beds(section: F32, offsets: F64, reach_m: float, first: int, past: int, out: F64) -> int:
    """Lowest level within `reach_m` of the line on each section; NaN without terrain there."""
    middle = offsets.shape[0] // 2
    search = round(reach_m / (offsets[1] - offsets[0]))
    for i in range(first, past):
        low = math.inf
        for k in range(middle - search, middle + search + 1):
            low = min(low, section[i, k])
        out[i] = low if low < math.inf else math.nan
    return 0


@njit(cache=True, nogil=True)
def greatest_near(
    values: F64, row: F64, col: F64, reach_row: float, reach_col: float, first: int, past: int,
    out: F64,
) -> int:  # fmt: skip
    """Greatest known value of the cells within an ellipse around each point; NaN when none."""
    rows, cols = values.shape
    for i in range(first, past):
        best = math.nan
        for r in range(math.ceil(row[i] - reach_row), int(row[i] + reach_row) + 1):
            for c in range(math.ceil(col[i] - reach_col), int(col[i] + reach_col) + 1):
                if not (0 <= r < rows and 0 <= c < cols):
                    continue
                u = (r - row[i]) / reach_row
                v = (c - col[i]) / reach_col
                here = values[r, c]
                if u * u + v * v <= 1.0 and not (here <= best or math.isnan(here)):
                    best = here
        out[i] = best
    return 0

"""Compiled loops for measuring averaged cross-sections.

Arrays and numbers in, results into `out`, an integer status back. Every loop runs on one thread
without the interpreter lock.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from peatwright.drains._kernels import median_of
from peatwright.drains.across.sag._kernels import fall_outside

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I32 = NDArray[np.int32]
I8 = NDArray[np.int8]

# Why a station could not be measured; `sections.WHY` holds the words.
MEASURED = 0
NO_TERRAIN = 1
NO_ROOM_LEFT = 2
NO_ROOM_RIGHT = 3
NO_BANK = 4
TOO_WIDE = 5
NO_DRAIN = 6
BESIDE_OTHER = 7

# Columns of a measured section.
BED = 0
DEPTH = 1
GROUND = 2
RMS = 3
LEFT = 4
RIGHT = 15
# Within a side, from LEFT or RIGHT on.
OFFSET = 0
LEVEL = 1
TOE = 2
SAG_WIDTH = 3
SAG_DEPTH = 4
EDGE_LEVEL = 5
FALL = 6
SPOIL_HEIGHT = 7
SPOIL_WIDTH = 8
ROOM = 9
SPOIL_FOOT = 10
COLUMNS = 26


@njit(cache=True, nogil=True)
def _side_median(
    z: F32, offsets: F64, slope: float, d: int, start: int, room: F64
) -> tuple[float, int]:
    """Median level of one side's outer ground, taken to the bed along the slope."""
    middle = offsets.shape[0] // 2
    n = 0
    for j in range(start, middle + 1):
        v = z[middle + d * j]
        if not math.isnan(v):
            room[n] = v - slope * offsets[middle + d * j]
            n += 1
    return median_of(room, n), n


@njit(cache=True, nogil=True)
def _crossing(r: F64, low: int, high: int, level: float) -> float:
    """Fractional index at which r first rises to `level`; `high` when it does not."""
    for j in range(low + 1, high + 1):
        if r[j] >= level:
            rise = r[j] - r[j - 1]
            return j - 1 + ((level - r[j - 1]) / rise if rise > 0.0 else 1.0)
    return float(high)


@njit(cache=True, nogil=True)
def _bank(
    r: F64,
    room: int,
    step: float,
    widest_m: float,
    seen_m: float,
    spoil_m: float,
    spoil_wide_m: float,
    side_run: float,
    blur_m2: float,
    out: F64,
) -> int:
    """Find shoulder and spoil on one side.

    `r[0..room]` are levels outwards from the bed with the ground's slope taken out. Out: shoulder
    offset, level (of r), toe offset, spoil height, width, and the index of the spoil's outer foot
    (that of the shoulder without spoil). Returns 0, or 1 when there is no bank.
    """
    lim = min(room, round((widest_m + 1.0) / step))
    # The first ridge after which the ground falls again: a spoil bank or a natural rise.
    top = 0
    ridge = -1
    for j in range(1, lim + 1):
        if r[j] > r[top]:
            top = j
        elif r[top] - r[j] > max(0.5 * spoil_m, 0.3 * (r[top] - r[0])) and (
            r[top] - r[0] > 0.5 * seen_m
        ):
            ridge = top
            break
    c = min(lim, round(3.0 / step))
    if ridge > 0:
        c = min(c, ridge)
    if c < round(0.5 / step):
        return 1
    look = max(2, round(1.0 / step))
    knee = 0
    while True:
        knee = 0
        best = 0.0
        for j in range(1, c + 1):
            above = r[j] - r[0] - (r[c] - r[0]) * j / c
            if above > best + 1e-12:
                best = above
                knee = j
        if knee == 0:
            knee = c
        if c >= lim or ridge > 0:
            break
        last = (r[c] - r[max(c - look, 0)]) / min(look, c)
        if last <= 0.5 * (r[c] - r[0]) / c or last * look <= 0.5 * seen_m:
            break
        c = min(lim, c + look)
    # A sag beyond the bank bends too: the shoulder is the innermost bend worth the name, but no
    # ledge low in the bank. Blurred straight banks bend by a tenth of their height.
    while knee > 1:
        inner = 0
        best = 0.15 * (r[knee] - r[0])
        for j in range(1, knee):
            above = r[j] - r[0] - (r[knee] - r[0]) * j / knee
            if above > best:
                best = above
                inner = j
        if inner == 0 or r[inner] - r[0] < max(seen_m, 0.4 * (r[knee] - r[0])):
            break
        knee = inner
    rise = r[knee] - r[0]
    if rise <= 0.01:
        return 1
    # Spoil: a bank at the shoulder or just beyond it, higher than the ground outside it.
    past = min(room, knee + round(2.5 / step))
    t = knee
    for j in range(max(1, knee - 2), past + 1):
        if r[j] > r[t]:
            t = j
    f = t
    for j in range(t + 1, min(room, t + round(3.0 / step)) + 1):
        if r[j] < r[f]:
            f = j
        elif r[j] > r[f] + 0.03:
            break
    level = float(r[knee])
    out[3] = 0.0
    out[4] = 0.0
    out[5] = knee
    foot = f
    for j in range(t, f + 1):
        if r[j] <= r[f] + 0.15 * (r[t] - r[f]):
            foot = j
            break
    side = _crossing(r, 0, t, r[f])
    # A low bank lifts the shoulder too; whether it is called spoil is decided later.
    stands = r[t] - r[f] >= 0.4 * spoil_m and r[f] > r[0] + 0.3 * (r[t] - r[0])
    if stands and (foot - side) * step <= spoil_wide_m:
        base_at = side
        # A ledge can part the bank from the shoulder: then the shoulder stays where it is.
        level = min(level, r[knee] if base_at >= knee else r[f])
        # The spoil lies on sunk ground: carry the sag on, half as steep, from the foot inwards.
        beyond = min(room, foot + look)
        lean = max(0.0, r[beyond] - r[foot]) / max(beyond - foot, 1)
        level = max(level - 0.5 * lean * (foot - base_at), r[0] + 0.5 * (level - r[0]))
        base_at = _crossing(r, 0, t, level)
        share = (t - base_at) / max(foot - base_at, 1.0)
        height = r[t] - level - share * (r[f] - level)
        # Sampling between cells lowers a narrow bank as it widens it; what it holds stays.
        near = t
        while near > 0 and r[near] > r[t] - 0.5 * height:
            near -= 1
        far = t
        while far < room and r[far] > r[t] - 0.5 * height:
            far += 1
        # Width at half height of a bell is 2.355 standard deviations.
        spread = ((far - near - 0.5) * step / 2.355) ** 2
        out[3] = height / math.sqrt(max(1.0 - blur_m2 / (12.0 * spread), 0.4))
        out[4] = (foot - max(base_at, 0.0)) * step
        out[5] = foot
    if level - r[0] <= 0.01:
        return 1
    for turn in range(2):
        rise = level - r[0]
        o25 = _crossing(r, 0, t, r[0] + 0.25 * rise)
        o75 = _crossing(r, 0, t, r[0] + 0.75 * rise)
        # Sampling between cells widens a bank's face; its middle stays where it is. Variances add:
        # that of an even face is its width squared over twelve.
        middle = 0.5 * (o25 + o75) * step
        face = 2.0 * (o75 - o25) * step
        # No side is taken to be steeper than those of a new drain.
        least = min(face, side_run * rise)
        half = 0.5 * math.sqrt(max(face * face - blur_m2, least * least))
        out[0] = min(middle + half, (knee + 2.0) * step)
        out[1] = level
        out[2] = max(middle - half, 0.0)
        if turn == 1 or out[3] > 0.0:
            break
        # Level of the shoulder: ground just outside it, taken in to where the bank's face ends.
        m = 0.0
        sj = 0.0
        sr = 0.0
        sjj = 0.0
        sjr = 0.0
        for j in range(knee + 1, min(room, knee + look + 1) + 1):
            m += 1.0
            sj += j
            sr += r[j]
            sjj += j * j
            sjr += j * r[j]
        if m < 3:
            break
        b = (m * sjr - sj * sr) / (m * sjj - sj * sj)
        a = (sr - b * sj) / m
        guess = a + b * out[0] / step
        level = min(max(guess, level - 0.25 * rise), level + 0.25 * rise)
    return 0


@njit(cache=True, nogil=True)
def _levels_out(z: F32, offsets: F64, start: int, d: int, slope: float, out: F64) -> int:
    """Levels outwards from the bed with the ground's slope taken out; returns the last index."""
    n = offsets.shape[0]
    j = 0
    while True:
        k = start + d * j
        if not 0 <= k < n or math.isnan(z[k]):
            return j - 1
        out[j] = z[k] - slope * offsets[k]
        j += 1


@njit(cache=True, nogil=True)
def measure_sections(
    section: F32,
    wide: F32,
    offsets: F64,
    blur_m2: F64,
    bed_m: F64,
    slope: F64,
    met: I32,
    from_m: float,
    bed_reach_m: float,
    widest_m: float,
    seen_m: float,
    spoil_m: float,
    spoil_wide_m: float,
    side_run: float,
    first: int,
    past: int,
    out: F64,
    status: I8,
) -> int:
    """Measure bed, banks, depth, widths and spoil of each averaged section.

    `section` (n, m) levels at `offsets` (right is positive), averaged over a short length for the
    banks, `wide` over a longer one for ground and spoil; `blur_m2` twelve times the variance
    that sampling adds across; `bed_m` the bed's level; `slope` the ground's smoothed slope to the
    right (NaN not known). Out: `out` (n, COLUMNS), NaN where not
    known, and `status`, why not.
    """
    n = offsets.shape[0]
    middle = n // 2
    step = offsets[1] - offsets[0]
    start = math.ceil(from_m / step)
    search = round(bed_reach_m / step)
    fewest = max(4, int(2.0 / step))
    r = np.empty(n)
    room = np.empty(n)
    bank = np.empty(6)
    broad = np.empty(6)
    q = np.empty(n)
    for i in range(first, past):
        for c in range(COLUMNS):
            out[i, c] = math.nan
        z = section[i]
        y = wide[i]
        if math.isnan(bed_m[i]) or math.isnan(z[middle]):
            status[i] = NO_TERRAIN
            continue
        out[i, BED] = bed_m[i]
        b = 0.0 if math.isnan(slope[i]) else slope[i]
        kb = middle
        for j in range(1, search + 1):
            for d in (-1, 1):
                k = middle + d * j
                if z[k] - b * offsets[k] < z[kb] - b * offsets[kb] - 1e-6:
                    kb = k
        # The ground's level at the bed: both sides weigh the same; one alone must do if need be.
        left, nl = _side_median(y, offsets, b, -1, start, room)
        right, nr = _side_median(y, offsets, b, 1, start, room)
        ground = math.nan
        if not math.isnan(slope[i]):
            if nl >= fewest and nr >= fewest:
                ground = 0.5 * (left + right)
            elif nl >= fewest:
                ground = left
            elif nr >= fewest:
                ground = right
        out[i, GROUND] = ground
        if not math.isnan(ground):
            total = 0.0
            count = 0
            for k in range(n):
                if (k <= middle - start or k >= middle + start) and not math.isnan(y[k]):
                    e = y[k] - ground - b * offsets[k]
                    total += e * e
                    count += 1
            out[i, RMS] = math.sqrt(total / count) if count else math.nan
        status[i] = MEASURED
        for side in range(2):
            d = -1 if side == 0 else 1
            base = LEFT if side == 0 else RIGHT
            reach = _levels_out(z, offsets, kb, d, b, r)
            far = _levels_out(y, offsets, kb, d, b, q)
            out[i, base + ROOM] = reach * step
            r[0] = min(r[0], bed_m[i] - b * offsets[kb])
            q[0] = r[0]
            if reach * step < 0.75:
                status[i] = NO_ROOM_LEFT if side == 0 else NO_ROOM_RIGHT
                continue
            if _bank(
                r, reach, step, widest_m, seen_m, spoil_m, spoil_wide_m, side_run, blur_m2[i], bank
            ):
                if status[i] == MEASURED:
                    status[i] = NO_BANK
                continue
            lean = d * offsets[kb]
            at = bank[0] + lean
            out[i, base + OFFSET] = max(at, 0.0)
            out[i, base + LEVEL] = bank[1] + b * d * at
            out[i, base + TOE] = bank[2] + lean
            if _bank(
                q, far, step, widest_m, seen_m, spoil_m, spoil_wide_m, side_run, blur_m2[i], broad
            ):
                for c in range(6):
                    broad[c] = bank[c]
            out[i, base + SPOIL_HEIGHT] = broad[3]
            out[i, base + SPOIL_WIDTH] = broad[4]
            out[i, base + SPOIL_FOOT] = broad[5] * step + lean
        if status[i] == MEASURED:
            depth = min(out[i, LEFT + LEVEL], out[i, RIGHT + LEVEL]) - bed_m[i]
            out[i, DEPTH] = depth
            if depth < seen_m:
                status[i] = NO_DRAIN
            elif out[i, LEFT + OFFSET] + out[i, RIGHT + OFFSET] > widest_m:
                status[i] = TOO_WIDE
        if met[i, 2] >= 0:
            status[i] = BESIDE_OTHER
    return 0


@njit(cache=True, nogil=True)
def measure_outside(
    wide: F32,
    offsets: F64,
    slope: F64,
    shoulder_m: F64,
    fitted: F64,
    sag_m: float,
    fall_m: float,
    first: int,
    past: int,
    out: F64,
) -> int:
    """Enter sag width and depth, and the ground's level and fall at the sag's edge.

    `wide` (n, m) averaged levels; `slope` the ground's slope to the right; `shoulder_m` (n, 2) the
    shoulders that the sag was fitted from, `fitted` (n, 2, 2) its width and depth. A sag less deep
    than `sag_m` is none. `out` (n, COLUMNS) is filled where `measure_sections` found a shoulder.
    """
    n = offsets.shape[0]
    middle = n // 2
    step = offsets[1] - offsets[0]
    q = np.empty(n)
    beyond = np.empty(2)
    for i in range(first, past):
        b = 0.0 if math.isnan(slope[i]) else slope[i]
        for side in range(2):
            d = -1 if side == 0 else 1
            base = LEFT if side == 0 else RIGHT
            width = fitted[i, side, 0]
            deep = fitted[i, side, 1]
            if math.isnan(out[i, base + OFFSET]) or math.isnan(deep):
                continue
            if deep < sag_m:
                width = 0.0
                deep = 0.0
            out[i, base + SAG_WIDTH] = width
            out[i, base + SAG_DEPTH] = deep
            far = _levels_out(wide[i], offsets, middle, d, b, q)
            edge = math.ceil((shoulder_m[i, side] + width) / step)
            # The bend of a blurred bank, and spoil, are no ground.
            edge = max(edge, round(out[i, base + SPOIL_FOOT] / step))
            fall_outside(q, far, step, edge, b * d, fall_m, beyond)
            out[i, base + EDGE_LEVEL] = beyond[0] + b * d * edge * step
            out[i, base + FALL] = beyond[1]
    return 0

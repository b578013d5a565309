"""Compiled loops for the sag: levels averaged along a drain, a shape fitted to each side, the edge.

Arrays and numbers in, results into `out`, an integer status back. Every loop runs on one thread
without the interpreter lock.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from peatwright.drains._kernels import median_of

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
B = NDArray[np.bool_]

# Columns of a fitted side.
WIDTH = 0
DEPTH = 1


@njit(cache=True, nogil=True)
def levels_beside(
    section: F32, offsets: F64, slope: F64, near_m: float, far_m: float, first: int, past: int,
    out: F64,
) -> int:  # fmt: skip
    """Level of each section's ground between two distances, its slope taken out.

    The mean of both sides' medians, or the median of one; NaN where neither shows.
    """
    middle = offsets.shape[0] // 2
    step = offsets[1] - offsets[0]
    near = math.ceil(near_m / step)
    far = min(middle, int(far_m / step))
    room = np.empty(middle + 1)
    for i in range(first, past):
        total = 0.0
        sides = 0
        for d in (-1, 1):
            n = 0
            for j in range(near, far + 1):
                v = section[i, middle + d * j]
                if not math.isnan(v):
                    room[n] = v - slope[i] * offsets[middle + d * j]
                    n += 1
            if n >= 4:
                total += median_of(room, n)
                sides += 1
        out[i] = total / sides if sides else math.nan
    return 0


@njit(cache=True, nogil=True)
def average_beside(
    section: F32,
    offsets: F64,
    slope: F64,
    level: F64,
    drain_first: I64,
    drain_past: I64,
    half: int,
    stride: int,
    first: int,
    past: int,
    out: F32,
) -> int:
    """Median, along the same drain, of levels above each section's own fitted ground.

    Of every `stride`th section up to `half` up and down; NaN where fewer than three are known.
    """
    n = section.shape[1]
    room = np.empty(2 * half + 1)
    for i in range(first, past):
        low = max(drain_first[i], i - half)
        # Both ends of the window alike: mirrored drains give mirrored sags.
        low += (i - low) % stride
        high = min(drain_past[i], i + half + 1)
        for k in range(n):
            count = 0
            for j in range(low, high, stride):
                v = section[j, k] - slope[j] * offsets[k] - level[j]
                if not math.isnan(v):
                    room[count] = v
                    count += 1
            out[i, k] = median_of(room, count) if count >= min(3, high - low) else math.nan
    return 0


@njit(cache=True, nogil=True)
def _rise(profile: F32, middle: int, d: int, at: float, span: int) -> float:
    """Rise outwards per sample around a place: mean of `span` samples beyond less that within."""
    centre = int(at)
    outer = 0.0
    count = 0
    for j in range(centre + 1, min(middle, centre + span) + 1):
        v = profile[middle + d * j]
        if not math.isnan(v):
            outer += v
            count += 1
    if 2 * count < span:
        return 0.0
    outer /= count
    inner = 0.0
    within = 0
    for j in range(max(0, centre - span + 1), centre + 1):
        v = profile[middle + d * j]
        if not math.isnan(v):
            inner += v
            within += 1
    if 2 * within < span:
        return 0.0
    return (outer - inner / within) / (0.5 * (count + within))


@njit(cache=True, nogil=True)
def fit_sags(
    profile: F32,
    offsets: F64,
    shoulder_m: F64,
    spoil: B,
    start_m: float,
    shapes: F64,
    banks: F64,
    inverse: F64,
    fewest: int,
    widths_m: F64,
    pointed: B,
    weight: F64,
    noise_m: float,
    soft: float,
    relief_m: float,
    relief_from: float,
    sag_m: float,
    share: float,
    first: int,
    past: int,
    out: F64,
) -> int:
    """Fit ground, sag and spoil to each side of averaged profiles, weighing every shape.

    `profile` (n, m) levels above fitted ground at `offsets`; `shoulder_m` and `spoil` (n, 2), left
    and right. Levels are read at steps of the section from `start_m` beyond the shoulder on:
    `shapes` (w, k) and `banks` (b, k) hold what sags of `widths_m` (w), `pointed` or round, and
    spoil banks look like there, `inverse` (k + 1, w, b + 1, 4, 4) the inverse normal matrices of
    ground, its slope, sag and bank when so many samples are known (bank b: none); `weight` (w) how
    likely each shape is beforehand. Out (n, 2, 2): width out to where ground is sunk by `sag_m` or
    `share` of the deepest, and depth; each is the mean over all shapes, weighed by how well they
    fit. NaN with fewer than `fewest` samples. Where ground still rises outwards around the furthest
    sample, by more than `relief_from` over `relief_m` each way, that is relief and is taken out of
    the whole side.
    """
    middle = offsets.shape[0] // 2
    step = offsets[1] - offsets[0]
    wide, most = shapes.shape
    many = banks.shape[0]
    y = np.empty(most)
    by_shape = np.empty(wide)
    by_bank = np.empty(many)
    misfit = np.empty((wide, many + 1))
    sunk = np.empty((wide, many + 1))
    rhs = np.empty(4)
    got = np.empty(4)
    for i in range(first, past):
        for side in range(2):
            d = -1 if side == 0 else 1
            out[i, side, WIDTH] = math.nan
            out[i, side, DEPTH] = math.nan
            if math.isnan(shoulder_m[i, side]):
                continue
            begin = shoulder_m[i, side] + start_m
            k = 0
            square = 0.0
            plain = 0.0
            tilted = 0.0
            while k < most:
                at = begin / step + k
                j = int(at)
                if j + 1 > middle:
                    break
                f = at - j
                v = (1.0 - f) * profile[i, middle + d * j] + f * profile[i, middle + d * (j + 1)]
                if math.isnan(v):
                    break
                y[k] = v
                square += v * v
                plain += v
                tilted += v * k * step
                k += 1
            if k < fewest:
                continue
            if k == most:
                steep = _rise(profile[i], middle, d, begin / step + k - 1, round(relief_m / step))
                steep /= step
                if steep > relief_from:
                    square = 0.0
                    plain = 0.0
                    tilted = 0.0
                    for m in range(k):
                        y[m] -= steep * m * step
                        square += y[m] * y[m]
                        plain += y[m]
                        tilted += y[m] * m * step
            # Without old spoil there is only the last bank: none.
            bank_from = 0 if spoil[i, side] else many
            for w in range(wide):
                total = 0.0
                for m in range(k):
                    total += shapes[w, m] * y[m]
                by_shape[w] = total
            for b in range(bank_from, many):
                total = 0.0
                for m in range(k):
                    total += banks[b, m] * y[m]
                by_bank[b] = total
            best = math.inf
            for w in range(wide):
                for b in range(many, bank_from - 1, -1):
                    rhs[0] = plain
                    rhs[1] = tilted
                    rhs[2] = by_shape[w]
                    rhs[3] = by_bank[b] if b < many else 0.0
                    left = square
                    for r in range(4):
                        got[r] = 0.0
                        for c in range(4):
                            got[r] += inverse[k, w, b, r, c] * rhs[c]
                        left -= got[r] * rhs[r]
                    if b < many and got[3] < 0.0:
                        # Spoil is no hollow.
                        misfit[w, b] = misfit[w, many]
                        sunk[w, b] = sunk[w, many]
                        continue
                    misfit[w, b] = left
                    sunk[w, b] = max(got[2], 0.0)
                    best = min(best, left)
            spread = max(best / k, noise_m * noise_m) * soft
            total = 0.0
            width = 0.0
            depth = 0.0
            for w in range(wide):
                for b in range(bank_from, many + 1):
                    likely = weight[w] * math.exp(-0.5 * (misfit[w, b] - best) / spread)
                    deep = sunk[w, b]
                    bar = max(sag_m, share * deep)
                    total += likely
                    depth += likely * deep
                    if deep > bar:
                        left = bar / deep
                        u = 1.0 - left if pointed[w] else math.sqrt(1.0 - math.sqrt(left))
                        width += likely * widths_m[w] * u
            out[i, side, WIDTH] = width / total
            out[i, side, DEPTH] = depth / total
    return 0


@njit(cache=True, nogil=True)
def fall_outside(
    r: F64, room: int, step: float, edge: int, slope_out: float, fall_m: float, out: F64
) -> int:
    """Level of ground at a sag's edge and its fall outwards from there, on one side.

    `r[0..room]` are levels outwards from the bed with the ground's slope `slope_out` taken out,
    `edge` the index of the edge. Out: level at the edge (of r) and fall over `fall_m`, NaN where
    too little is seen. Returns 0, or 1 where it is not known.
    """
    out[0] = math.nan
    out[1] = math.nan
    room_out = min(room, edge + round(fall_m / step))
    if room_out - edge < round(0.5 * fall_m / step):
        return 1
    # The ground from the edge outwards, by a straight line that bumps do not turn.
    a = float(r[edge])
    b = 0.0
    scale = 0.0
    for turn in range(5):
        total_w = 0.0
        sj = 0.0
        sr = 0.0
        sjj = 0.0
        sjr = 0.0
        miss = 0.0
        for j in range(edge, room_out + 1):
            e = r[j] - a - b * (j - edge) * step
            w = 1.0
            if turn > 0:
                w = 1.0 if abs(e) <= scale else scale / abs(e)
            x = (j - edge) * step
            total_w += w
            sj += w * x
            sr += w * r[j]
            sjj += w * x * x
            sjr += w * x * r[j]
        det = total_w * sjj - sj * sj
        if det <= 0.0:
            return 1
        b = (total_w * sjr - sj * sr) / det
        a = (sr - b * sj) / total_w
        for j in range(edge, room_out + 1):
            miss += abs(r[j] - a - b * (j - edge) * step)
        scale = max(1.5 * miss / (room_out - edge + 1), 0.01)
    out[0] = a
    out[1] = -(b + slope_out) * fall_m
    return 0

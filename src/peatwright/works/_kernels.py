"""Compiled loops of laying out: merging short runs, placing dams, pools, zip runs, spoil breaks.

Lengths in the placing loop are whole millimetres and money whole hundredths, so that every sum and
comparison is exact. All loops run on one thread and release the interpreter.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

F = NDArray[np.float64]
I = NDArray[np.int64]  # noqa: E741
B = NDArray[np.bool_]


@njit(cache=True, nogil=True)
def merge_runs(off: I, lower: F, upper: F, group: I, fixed: B, least: float, out: I) -> int:
    """Give each run of equal `group` shorter than `least` to its longer neighbour, shortest first.

    off (D+1) int64: stations of each drain; lower, upper (N) float64: cell of each station along
    its drain; group (N) int64; fixed (N) bool: runs that neither give way nor grow; out (N) int64.
    """
    for d in range(off.size - 1):
        a = off[d]
        n = off[d + 1] - a
        if n == 0:
            continue
        first = np.empty(n, np.int64)
        last = np.empty(n, np.int64)
        kind = np.empty(n, np.int64)
        held = np.empty(n, np.bool_)
        m = 0
        for s in range(a, a + n):
            if m > 0 and kind[m - 1] == group[s] and held[m - 1] == fixed[s]:
                last[m - 1] = s
            else:
                first[m] = s
                last[m] = s
                kind[m] = group[s]
                held[m] = fixed[s]
                m += 1
        while m > 1:
            pick = -1
            shortest = least
            for r in range(m):
                if held[r]:
                    continue
                free = (r > 0 and not held[r - 1]) or (r < m - 1 and not held[r + 1])
                length = upper[last[r]] - lower[first[r]]
                if free and length < shortest:
                    shortest = length
                    pick = r
            if pick < 0:
                break
            above = -1.0
            below = -1.0
            if pick > 0 and not held[pick - 1]:
                above = upper[last[pick - 1]] - lower[first[pick - 1]]
            if pick < m - 1 and not held[pick + 1]:
                below = upper[last[pick + 1]] - lower[first[pick + 1]]
            kind[pick] = kind[pick - 1] if above >= below else kind[pick + 1]
            w = 0
            for r in range(1, m):
                if kind[r] == kind[w] and held[r] == held[w]:
                    last[w] = last[r]
                else:
                    w += 1
                    first[w] = first[r]
                    last[w] = last[r]
                    kind[w] = kind[r]
                    held[w] = held[r]
            m = w + 1
        for r in range(m):
            for s in range(first[r], last[r] + 1):
                out[s] = kind[r]
    return 0


@njit(cache=True, nogil=True)
def _find(values: F, low: int, high: int, at: float, right: bool) -> int:
    """First index from `low` to `high` whose value is `at` or more (or, if right, more)."""
    while low < high:
        middle = (low + high) // 2
        if values[middle] < at or (right and values[middle] == at):
            low = middle + 1
        else:
            high = middle
    return low


@njit(cache=True, nogil=True)
def search(off: I, values: F, drain: I, at: F, right: bool, out: I) -> int:
    """First station of each drain whose value is `at` or more (or, if right, more), or its end.

    `values` (N) rise along each drain. Looks inside one drain alone, so that nothing of a drain
    rests on its place among others.
    """
    for m in range(at.size):
        out[m] = _find(values, off[drain[m]], off[drain[m] + 1], at[m], right)
    return 0


@njit(cache=True, nogil=True)
def between(off: I, chainage: F, values: F, drain: I, at: F, out: F) -> int:
    """Values between stations in a straight line, held level beyond the outermost stations."""
    for m in range(at.size):
        a = off[drain[m]]
        b = off[drain[m] + 1]
        i = _find(chainage, a, b, at[m], True)
        if i == a:
            out[m] = values[a]
        elif i == b:
            out[m] = values[b - 1]
        else:
            share = (at[m] - chainage[i - 1]) / (chainage[i] - chainage[i - 1])
            out[m] = values[i - 1] + share * (values[i] - values[i - 1])
    return 0


@njit(cache=True, nogil=True)
def bridge(off: I, chainage: F, values: F, out: F) -> int:
    """Fill NaN in a straight line between known stations of a drain; the outermost hold level."""
    for d in range(off.size - 1):
        a = off[d]
        b = off[d + 1]
        prev = -1
        for s in range(a, b):
            out[s] = values[s]
            if np.isnan(values[s]):
                continue
            for k in range(a if prev < 0 else prev + 1, s):
                if prev < 0:
                    out[k] = values[s]
                else:
                    share = (chainage[k] - chainage[prev]) / (chainage[s] - chainage[prev])
                    out[k] = values[prev] + share * (values[s] - values[prev])
            prev = s
        if prev >= 0:
            for k in range(prev + 1, b):
                out[k] = values[prev]
    return 0


@njit(cache=True, nogil=True)
def steady(off: I, chainage: F, values: F, slope: F, half: int, out: F) -> int:
    """Median of the known values within `half` stations each way of one drain.

    slope (N): fall per metre along the drain that is taken out first (0 for widths), so that a
    level that falls evenly stays as it is.
    """
    held = np.empty(2 * half + 1)
    for d in range(off.size - 1):
        a = off[d]
        b = off[d + 1]
        for s in range(a, b):
            n = 0
            for k in range(max(a, s - half), min(b, s + half + 1)):
                v = values[k] + slope[s] * (chainage[k] - chainage[s])
                if np.isnan(v):
                    continue
                # Kept in order as they come: the window is short.
                i = n
                while i > 0 and held[i - 1] > v:
                    held[i] = held[i - 1]
                    i -= 1
                held[i] = v
                n += 1
            out[s] = np.nan if n == 0 else 0.5 * (held[(n - 1) // 2] + held[n // 2])
    return 0


@njit(cache=True, nogil=True)
def run_sums(
    off: I, lower: F, upper: F, values: F, drain: I, from_m: F, to_m: F, known: F, total: F
) -> int:
    """Length with a known value over each run (Z), and the integral of the value over it."""
    for z in range(drain.size):
        s = _find(upper, off[drain[z]], off[drain[z] + 1], from_m[z], True)
        known[z] = 0.0
        total[z] = 0.0
        while s < off[drain[z] + 1] and lower[s] < to_m[z]:
            if not np.isnan(values[s]):
                part = min(upper[s], to_m[z]) - max(lower[s], from_m[z])
                known[z] += part
                total[z] += part * values[s]
            s += 1
    return 0


@njit(cache=True, nogil=True)
def run_medians(first: I, last: I, values: F, out: F) -> int:
    """Median of the finite `values` (C, N) of each run of stations into `out` (C, R), else NaN."""
    for c in range(values.shape[0]):
        for r in range(first.size):
            part = values[c, first[r] : last[r] + 1]
            known = np.sort(part[~np.isnan(part)])
            k = known.size
            if k == 0:
                out[c, r] = np.nan
            else:
                out[c, r] = 0.5 * (known[(k - 1) // 2] + known[k // 2])
    return 0


@njit(cache=True, nogil=True)
def _less(a: I, b: I) -> bool:
    """Whether cost `a` comes before cost `b`, slot by slot."""
    for s in range(a.size):
        if a[s] != b[s]:
            return bool(a[s] < b[s])
    return False


@njit(cache=True, nogil=True)
def place(
    off: I,
    start: I,
    end: I,
    first_max: I,
    sep: I,
    pos: I,
    pool: I,
    toe: I,
    head: I,
    cost: I,
    junction: I,
    must: B,
    max_mm: int,
    target_mm: int,
    drop_mm: int,
    pool_rule: bool,
    off_cost: int,
    close_cost: int,
    chosen: B,
) -> int:
    """Choose the dams of each stretch: the exact least cost, slot by slot.

    Slots, the first outweighs all later: squared excess of head, squared shortfall of a pool below
    the base of the next dam up, squared excess of drop (drop_mm < 0 switches it off), squared
    excess of spacing, money. A spacing over `max_mm` is open only where no dam can be built
    between. See `placement.py` for the words and `Places` for the arrays; chosen (N) bool.
    Returns 0, or the number of stretches without any way through (which cannot happen).
    """
    failed = 0
    step = np.zeros(5, np.int64)
    for g in range(off.size - 1):
        a = off[g]
        n = off[g + 1] - a
        if n == 0:
            continue
        total = np.zeros((n, 5), np.int64)
        back = np.full(n, -2, np.int64)  # -2: not reached, -1: first dam of the stretch
        reach = -1  # last candidate that leaves room for a dam at i
        opened = True  # whether the stretch can still begin at i
        for i in range(n):
            p = pos[a + i]
            while reach + 1 < i and pos[a + reach + 1] <= p - sep[g]:
                reach += 1
            fixed = cost[a + i]
            # As the first dam of the stretch.
            if opened and (p - start[g] <= max_mm or reach < 0):
                over = max(0, p - start[g] - first_max[g])
                total[i, 3] = over * over
                total[i, 4] = fixed
                if junction[a + i] >= start[g]:
                    total[i, 4] += (close_cost * (p - junction[a + i])) // 1000
                back[i] = -1
            if must[a + i]:
                opened = False
            # As the next dam below j.
            for j in range(i - 1, -1, -1):
                q = pos[a + j]
                s = p - q
                between = reach > j and pos[a + reach] >= q + sep[g]
                if s > max_mm and between:
                    break
                if (s >= sep[g] or (must[a + i] and must[a + j])) and back[j] > -2:
                    held = max(pool[a + i], toe[a + j])
                    over = max(0, pool[a + j] - held - head[a + j])
                    short = max(0, toe[a + j] - pool[a + i]) if pool_rule else 0
                    drop = max(0, pool[a + j] - pool[a + i] - drop_mm) if drop_mm >= 0 else 0
                    far = max(0, s - max_mm)
                    miss = s - target_mm
                    step[0] = total[j, 0] + over * over
                    step[1] = total[j, 1] + short * short
                    step[2] = total[j, 2] + drop * drop
                    step[3] = total[j, 3] + far * far
                    step[4] = total[j, 4] + fixed + (off_cost * miss * miss) // 1_000_000
                    if junction[a + i] > q:
                        step[4] += (close_cost * (p - junction[a + i])) // 1000
                    if back[i] == -2 or _less(step, total[i]):
                        total[i] = step
                        back[i] = j
                if must[a + j]:
                    break
        best = -1
        least = np.zeros(5, np.int64)
        for j in range(n - 1, -1, -1):
            tail = end[g] - pos[a + j]
            if back[j] > -2 and (tail <= max_mm or pos[a + n - 1] < pos[a + j] + sep[g]):
                over = max(0, tail - max_mm)
                step[:] = total[j]
                step[3] += over * over
                # The levels below are judged as if the next dam stood at the last place there is.
                z = a + n - 1
                if pos[z] >= pos[a + j] + sep[g]:
                    held = max(pool[z], toe[a + j])
                    over = max(0, pool[a + j] - held - head[a + j])
                    short = max(0, toe[a + j] - pool[z]) if pool_rule else 0
                    drop = max(0, pool[a + j] - pool[z] - drop_mm) if drop_mm >= 0 else 0
                    step[0] += over * over
                    step[1] += short * short
                    step[2] += drop * drop
                step[4] += (close_cost * max(0, tail)) // 1000
                if best < 0 or _less(step, least):
                    best = j
                    least[:] = step
            if must[a + j]:
                break
        if best < 0:
            failed += 1
        while best >= 0:
            chosen[a + best] = True
            best = back[best]
    return failed


@njit(cache=True, nogil=True)
def pool_reach(off: I, chainage: F, bed: F, drain: I, at: F, level: F, limit: F, out: F) -> int:
    """How far up the drain each pool reaches: to where the bed rises to `level`, or to `limit`.

    off (D+1), chainage (N), bed (N, no NaN where known): stations; drain, at, level, limit (M): the
    dams, in order along each drain; out (M) float64 in metres.
    """
    for m in range(at.size):
        a = off[drain[m]]
        s = a + np.searchsorted(chainage[a : off[drain[m] + 1]], at[m]) - 1
        reach = limit[m]
        while s >= a and chainage[s] > limit[m]:
            if bed[s] >= level[m]:
                reach = chainage[s]
                if s + 1 < off[drain[m] + 1] and bed[s + 1] < level[m]:
                    share = (bed[s] - level[m]) / (bed[s] - bed[s + 1])
                    reach += share * (chainage[s + 1] - chainage[s])
                break
            s -= 1
        out[m] = max(0.0, at[m] - max(reach, limit[m]))
    return 0


@njit(cache=True, nogil=True)
def cut_runs(
    open_drain: I, open_from: F, open_to: F, dam_drain: I, dam_from: F, dam_to: F, least: float,
    out: F, ends: I,
) -> int:  # fmt: skip
    """What is left of open stretches once the dams' ground is taken out.

    Both lists are in order of drain and chainage. Rows of `out` (K, 3) are stretch, from, to; rows
    of `ends` (K, 2) the dams that a run begins below and ends above, -1 for none. The number of
    rows is returned; stretches + dams rows are enough.
    """
    rows = 0
    m = 0
    for g in range(open_drain.size):
        at = open_from[g]
        upper = -1
        while m < dam_drain.size and (
            dam_drain[m] < open_drain[g]
            or (dam_drain[m] == open_drain[g] and dam_to[m] <= open_from[g])
        ):
            m += 1
        k = m
        while True:
            more = k < dam_drain.size and dam_drain[k] == open_drain[g] and dam_from[k] < open_to[g]
            stop = dam_from[k] if more else open_to[g]
            if stop - at >= least and stop > at:
                out[rows, 0] = g
                out[rows, 1] = at
                out[rows, 2] = stop
                ends[rows, 0] = upper
                ends[rows, 1] = k if more else -1
                rows += 1
            if not more:
                break
            if dam_to[k] > at:
                at = dam_to[k]
                upper = k
            k += 1
    return rows


@njit(cache=True, nogil=True)
def break_spoil(
    off: I,
    lower: F,
    upper: F,
    bank: B,
    gap_drain: I,
    gap_at: F,
    run_drain: I,
    run_from: F,
    run_to: F,
    every: float,
    out: F,
) -> int:
    """Where a bank must be broken so that no unbroken length exceeds `every`, into `out` (K, 3).

    bank (N) bool: whether spoil stands beside each station; gap_drain, gap_at: gaps made already,
    in order; run_*: zip runs, in order, inside which breaks are made. Rows of `out` are drain,
    chainage and run; the number of rows is returned, or -1 when `out` is too short.
    """
    rows = 0
    g = 0
    r0 = 0
    for d in range(off.size - 1):
        while g < gap_drain.size and gap_drain[g] < d:
            g += 1
        while r0 < run_drain.size and run_drain[r0] < d:
            r0 += 1
        s = off[d]
        while s < off[d + 1]:
            if not bank[s]:
                s += 1
                continue
            at = lower[s]
            while s + 1 < off[d + 1] and bank[s + 1]:
                s += 1
            stop = upper[s]
            s += 1
            # Walk from break to break along this bank.
            while at < stop:
                while g < gap_drain.size and gap_drain[g] == d and gap_at[g] <= at:
                    g += 1
                ahead = stop
                if g < gap_drain.size and gap_drain[g] == d and gap_at[g] < stop:
                    ahead = gap_at[g]
                pieces = int(np.ceil((ahead - at) / every - 1e-9))
                for k in range(1, pieces):
                    want = at + (ahead - at) * k / pieces
                    best = -1.0
                    into = -1
                    r = r0
                    while r < run_drain.size and run_drain[r] == d:
                        near = min(max(want, run_from[r]), run_to[r])
                        if best < 0.0 or abs(near - want) < abs(best - want):
                            best = near
                            into = r
                        r += 1
                    if best > at and best < ahead:
                        if rows and out[rows - 1, 0] == d and out[rows - 1, 1] >= best:
                            continue
                        if rows == out.shape[0]:
                            return -1
                        out[rows, 0] = d
                        out[rows, 1] = best
                        out[rows, 2] = into
                        rows += 1
                at = ahead
    return rows

"""Compiled loops: cheapest ways over a grid, and the search for a good order of drains."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

OK = 0
BAD_START = 1


@njit(cache=True, nogil=True)
def _up(heap: Ints, at: Ints, dist: Floats, k: int) -> None:
    node = heap[k]
    while k > 0:
        above = (k - 1) >> 1
        other = heap[above]
        if dist[other] <= dist[node]:
            break
        heap[k] = other
        at[other] = k
        k = above
    heap[k] = node
    at[node] = k


@njit(cache=True, nogil=True)
def _down(heap: Ints, at: Ints, dist: Floats, size: int) -> None:
    node = heap[0]
    k = 0
    while True:
        below = 2 * k + 1
        if below >= size:
            break
        if below + 1 < size and dist[heap[below + 1]] < dist[heap[below]]:
            below += 1
        other = heap[below]
        if dist[other] >= dist[node]:
            break
        heap[k] = other
        at[other] = k
        k = below
    heap[k] = node
    at[node] = k


@njit(cache=True, nogil=True)
def cheapest(
    cost: Floats,
    blocked: Bools,
    dx: float,
    dy: float,
    start: int,
    goal: Bools,
    goals: int,
    dist: Floats,
    back: Ints,
    heap: Ints,
    at: Ints,
) -> int:
    """Dijkstra over eight neighbours; a step costs its length times the mean of its two cells.

    A cell is shut when its cost is not finite or it is `blocked`; the start and the goals may be
    entered all the same if their cost is finite. A diagonal step between two shut cells is refused.
    Stops when `goals` goal cells are settled. `dist` and `back` (R*C) are filled; `heap`, `at`
    (R*C) are room to work in. All flat but `cost` and `blocked`.
    """
    rows, cols = cost.shape
    n = rows * cols
    for k in range(n):
        dist[k] = np.inf
        back[k] = -1
        at[k] = -1
    if not np.isfinite(cost[start // cols, start % cols]):
        return BAD_START
    long = np.sqrt(dx * dx + dy * dy)
    dist[start] = 0.0
    heap[0] = start
    at[start] = 0
    size = 1
    left = goals
    while size > 0:
        node = heap[0]
        size -= 1
        at[node] = -2
        if size > 0:
            heap[0] = heap[size]
            at[heap[0]] = 0
            _down(heap, at, dist, size)
        if goal[node]:
            left -= 1
            if left <= 0:
                return OK
        r = node // cols
        c = node % cols
        if blocked[r, c] and node != start:
            continue  # a goal on shut ground is an end, not a way through
        for dr in range(-1, 2):
            rr = r + dr
            if rr < 0 or rr >= rows:
                continue
            for dc in range(-1, 2):
                cc = c + dc
                if (dr == 0 and dc == 0) or cc < 0 or cc >= cols:
                    continue
                to = rr * cols + cc
                if at[to] == -2 or not np.isfinite(cost[rr, cc]):
                    continue
                if blocked[rr, cc] and not goal[to]:
                    continue
                if dr != 0 and dc != 0:
                    shut_a = blocked[r, cc] or not np.isfinite(cost[r, cc])
                    shut_b = blocked[rr, c] or not np.isfinite(cost[rr, c])
                    if shut_a and shut_b:
                        continue
                    step = long
                elif dr != 0:
                    step = dy
                else:
                    step = dx
                new = dist[node] + 0.5 * (cost[r, c] + cost[rr, cc]) * step
                if new < dist[to]:
                    dist[to] = new
                    back[to] = node
                    if at[to] < 0:
                        heap[size] = to
                        at[to] = size
                        size += 1
                    _up(heap, at, dist, at[to])
    return OK


@njit(cache=True, nogil=True)
def trace(back: Ints, goal: int, out: Ints) -> int:
    """Write the cells of the way to `goal`, the last one first, into `out`; return how many."""
    count = 0
    cell = goal
    while cell >= 0:
        out[count] = cell
        count += 1
        cell = back[cell]
    return count


@njit(cache=True, nogil=True)
def order_cost(
    order: Ints,
    mode: Ints,
    table: Floats,
    ptr: Ints,
    idx: Ints,
    crossing: float,
    far: float,
    pos: Ints,
    limit: float,
) -> float:
    """Cost of working drains in `order` (N): tracking, crossings of finished drains, far end first.

    Places: 0 is the access, 1 + 2i the head and 2 + 2i the outfall of drain i; `mode` 1 means
    upstream. `ptr`, `idx` list the drains that each way crosses. `pos` is room for N. Gives up,
    with a value above `limit`, as soon as that is passed.
    """
    n = order.size
    places = table.shape[0]
    for k in range(n):
        pos[order[k]] = k
    total = 0.0
    here = 0
    for k in range(n + 1):
        if k < n:
            there = 1 + 2 * order[k] + mode[order[k]]
            total += far * table[0, there] * (k + 1) / n
        else:
            there = 0
        total += table[here, there]
        way = here * places + there
        last = order[k - 1] if k > 0 else -1
        for j in range(ptr[way], ptr[way + 1]):
            other = idx[j]
            if pos[other] < k and other != last:
                total += crossing
        if total > limit:
            return float(total)
        if k < n:
            here = 2 + 2 * order[k] - mode[order[k]]
    return float(total)


@njit(cache=True, nogil=True)
def _allowed(order: Ints, first: Ints, second: Ints, pos: Ints) -> bool:
    for k in range(order.size):
        pos[order[k]] = k
    for k in range(first.size):  # noqa: SIM110
        if pos[first[k]] > pos[second[k]]:
            return False
    return True


@njit(cache=True, nogil=True)
def _moved(order: Ints, a: int, size: int, to: int, flip: bool, out: Ints) -> None:
    """Order with the segment of `size` at `a` taken out and put in at `to` of what is left."""
    n = order.size
    w = 0
    left = 0
    for k in range(n + 1):
        if left == to and w == left:
            for s in range(size):
                out[w] = order[a + size - 1 - s] if flip else order[a + s]
                w += 1
        if k == n:
            break
        if a <= k < a + size:
            continue
        out[w] = order[k]
        w += 1
        left += 1
        if left == to:
            for s in range(size):
                out[w] = order[a + size - 1 - s] if flip else order[a + s]
                w += 1


@njit(cache=True, nogil=True)
def improve(
    order: Ints,
    mode: Ints,
    table: Floats,
    ptr: Ints,
    idx: Ints,
    crossing: float,
    far: float,
    first: Ints,
    second: Ints,
    near: Ints,
    either: bool,
    spare: Ints,
) -> float:
    """Better `order` and `mode` in place by moves of 1 to 3 drains and turned stretches.

    Only places beside one of a drain's `near` (N, K) neighbours are tried. `spare` (4, N). Returns
    the cost reached; no single move of these kinds makes it less.
    """
    n = order.size
    pos = spare[0]
    trial = spare[1]
    where = spare[2]
    ways = spare[3]
    turns = 2 if either else 1  # a moved drain may be worked the other way as well
    best = order_cost(order, mode, table, ptr, idx, crossing, far, pos, np.inf)
    again = True
    while again:
        again = False
        for size in range(1, 4):
            if size >= n:
                break
            a = 0
            while a + size <= n:
                found = False
                for side in range(2):
                    lead = order[a] if side == 0 else order[a + size - 1]
                    for q in range(-1, near.shape[1]):
                        for k in range(n):
                            where[order[k]] = k
                        if q < 0:
                            to = 0 if side == 0 else n - size
                        else:
                            p = where[near[lead, q]]
                            if a <= p < a + size:
                                continue
                            if p >= a + size:
                                p -= size
                            to = p + 1 if side == 0 else p
                        if to == a:
                            continue
                        for kind in range((2 if size > 1 else 1) * turns):
                            flip = kind // turns == 1
                            _moved(order, a, size, to, flip, trial)
                            if not _allowed(trial, first, second, pos):
                                continue
                            ways[:] = mode
                            if kind % turns == 1:
                                for s in range(size):
                                    ways[order[a + s]] = 1 - mode[order[a + s]]
                            new = order_cost(trial, ways, table, ptr, idx, crossing, far, pos, best)
                            if new < best - 1e-9:
                                best = new
                                order[:] = trial
                                mode[:] = ways
                                found = True
                                break
                        if found:
                            break
                    if found:
                        break
                if found:
                    again = True
                else:
                    a += 1
        a = -1  # before the first drain, where any stretch may be turned
        while a < n:
            found = False
            for q in range(n if a < 0 else near.shape[1]):
                for k in range(n):
                    where[order[k]] = k
                e = q if a < 0 else where[near[order[a], q]]
                if e < a + 2:
                    continue
                trial[:] = order
                for s in range(e - a):
                    trial[a + 1 + s] = order[e - s]
                if not _allowed(trial, first, second, pos):
                    continue
                for turn in range(turns):
                    ways[:] = mode
                    if turn == 1:
                        for s in range(a + 1, e + 1):
                            ways[order[s]] = 1 - mode[order[s]]
                    new = order_cost(trial, ways, table, ptr, idx, crossing, far, pos, best)
                    if new < best - 1e-9:
                        best = new
                        order[:] = trial
                        mode[:] = ways
                        found = True
                        break
                if found:
                    break
            if found:
                again = True
            else:
                a += 1
        if either:
            for k in range(n):
                mode[k] = 1 - mode[k]
                new = order_cost(order, mode, table, ptr, idx, crossing, far, pos, best)
                if new < best - 1e-9:
                    best = new
                    again = True
                else:
                    mode[k] = 1 - mode[k]
    return best


@njit(cache=True, nogil=True)
def _next(state: np.uint64) -> np.uint64:
    state ^= (state << np.uint64(13)) & np.uint64(0xFFFFFFFFFFFFFFFF)
    state ^= state >> np.uint64(7)
    state ^= (state << np.uint64(17)) & np.uint64(0xFFFFFFFFFFFFFFFF)
    return state


@njit(cache=True, nogil=True)
def search(
    order: Ints,
    mode: Ints,
    table: Floats,
    ptr: Ints,
    idx: Ints,
    crossing: float,
    far: float,
    first: Ints,
    second: Ints,
    near: Ints,
    either: bool,
    kicks: int,
    seed: int,
    spare: Ints,
) -> float:
    """Improve `order`, then shake and improve it `kicks` times, keeping the best in place.

    A shake swaps two neighbouring stretches, where the precedence allows it. `spare` (7, N).
    """
    n = order.size
    best = improve(
        order, mode, table, ptr, idx, crossing, far, first, second, near, either, spare[:4]
    )
    if n < 4:
        return best
    state = np.uint64(seed) * np.uint64(2654435769) + np.uint64(88172645463325252)
    now = spare[4]
    ways = spare[5]
    trial = spare[6]
    for _ in range(kicks):
        allowed = False
        for _try in range(20):
            state = _next(state)
            a = np.int64(state % np.uint64(n))
            state = _next(state)
            reach = min(n, 30)
            b = a + 1 + np.int64(state % np.uint64(reach))
            state = _next(state)
            c = b + 1 + np.int64(state % np.uint64(reach))
            if c > n:
                continue
            w = 0
            for k in range(a):
                trial[w] = order[k]
                w += 1
            for k in range(b, c):
                trial[w] = order[k]
                w += 1
            for k in range(a, b):
                trial[w] = order[k]
                w += 1
            for k in range(c, n):
                trial[w] = order[k]
                w += 1
            if _allowed(trial, first, second, now):
                allowed = True
                break
        if not allowed:
            continue
        now[:] = trial
        ways[:] = mode
        new = improve(
            now, ways, table, ptr, idx, crossing, far, first, second, near, either, spare[:4]
        )
        if new < best - 1e-9:
            best = new
            order[:] = now
            mode[:] = ways
    return best

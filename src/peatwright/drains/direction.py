"""Which way the water runs: each piece by its own levels, then made to agree over the network."""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from peatwright.drains.lines import along, chainages
from peatwright.drains.network import Net, Piece
from peatwright.model.cited import Cited
from peatwright.model.raster import Raster
from peatwright.terrain.sampling import sample

F64 = NDArray[np.float64]

TREND_POINTS = 60
MOST_ROUNDS = 50
"""Opening rings and finding ways out can undo each other; what is left is cut when composed."""
RUN_M = Cited(8.0, "m", "levels of a bed this far apart err independently", 1, 50)
LEVEL_ERROR_M = Cited(0.05, "m", "least error of a fall read from the terrain", 0.005, 0.5)
SIDE_DRAIN_M = Cited(0.05, "m", "fall by which a side drain is held to run into its main", 0, 0.5)
TURN_M = Cited(0.4, "m", "rise or dip inside a piece at which the water parts or gathers", 0.1, 5)
TURN_LENGTH_M = Cited(20.0, "m", "shortest stretch on each side of such a place", 5, 100)
HOLLOW_M = Cited(
    0.6, "m", "a junction that far below its cheapest way out has an outfall of its own", 0.1, 5
)
BRIDGE_M = Cited(15.0, "m", "a rise in a bed shorter than half of this is a block or bridge", 2, 50)


@dataclass(frozen=True, eq=False)
class Directed:
    """A piece from its upper to its lower node, with what its direction rests on.

    `fall_m` is the fall of its bed that way (negative when the levels say otherwise), `sure_ratio`
    how far the levels bear the direction out.
    """

    piece: Piece
    fall_m: float
    sure_ratio: float
    source: str


def bed_levels(pieces: list[Piece], dtm: Raster) -> list[F64]:
    """Return bed levels a metre apart along each piece, spikes taken out; NaN without terrain."""
    points = [_metred(p) for p in pieces]
    if not points:
        return []
    xy = np.concatenate(points)
    z = sample(dtm, xy[:, 0], xy[:, 1])
    cuts = np.cumsum([len(p) for p in points])[:-1]
    return [ndimage.median_filter(part, 5, mode="nearest") for part in np.split(z, cuts)]


def _metred(piece: Piece) -> F64:
    long = piece.length_m
    return along(piece.xy, np.linspace(0.0, long, max(3, round(long) + 1)))


def cut_at_turns(net: Net, dtm: Raster) -> Net:
    """Cut pieces where the water parts or gathers, and rings at their highest and lowest place."""
    nodes = list(net.nodes)
    pieces: list[Piece] = []
    waiting = list(net.pieces)
    levels = bed_levels(waiting, dtm)
    while waiting:
        piece, z = waiting.pop(), levels.pop()
        at = _turn(piece, z)
        if at is None:
            pieces.append(piece)
            continue
        spot = along(piece.xy, np.array([at]))
        s = chainages(piece.xy)
        number = len(nodes)
        nodes.append(spot[0])
        halves = [
            Piece(np.concatenate([piece.xy[s < at - 1e-6], spot]), piece.u, number, piece.chain),
            Piece(np.concatenate([spot, piece.xy[s > at + 1e-6]]), number, piece.v, piece.chain),
        ]
        waiting += halves
        levels += bed_levels(halves, dtm)
    return Net(pieces[::-1], np.array(nodes).reshape(-1, 2))


def _turn(piece: Piece, z: F64) -> float | None:
    """Return how far along a piece the water parts or gathers, m."""
    long = piece.length_m
    ring = piece.u == piece.v
    step = long / (len(z) - 1)
    known = np.isfinite(z)
    if not known.any():
        return 0.5 * long if ring else None
    i = np.arange(len(z))
    even = ndimage.gaussian_filter1d(np.interp(i, i[known], z[known]), 4.0 / step, mode="nearest")
    if ring:
        # A ring needs a place where its water parts; the next pass finds where it gathers.
        inner = even[1:-1]
        return float((1 + int(np.argmax(np.abs(inner - even[0])))) * step)
    edge = int(np.ceil(float(TURN_LENGTH_M.value) / step))
    if len(z) <= 2 * edge:
        return None
    inner = even[edge:-edge]
    for pick, sign in ((int(np.argmax(inner)), 1.0), (int(np.argmin(inner)), -1.0)):
        k = pick + edge
        left = float(np.median(even[:edge])) if sign else 0.0
        right = float(np.median(even[-edge:]))
        if min(sign * (even[k] - left), sign * (even[k] - right)) > float(TURN_M.value):
            return float(k * step)
    return None


def trend(z: F64, long_m: float) -> tuple[float, float]:
    """Return the fall from first to last of a row of levels and its standard error, m.

    The slope is the median of all slopes between pairs of points (Theil 1950, Sen 1968), so a
    blocked stretch or a bridge does not turn it.
    """
    known = np.flatnonzero(np.isfinite(z))
    if len(known) < 2:
        return 0.0, math.inf
    pick = known[np.unique(np.linspace(0, len(known) - 1, TREND_POINTS).round().astype(int))]
    s = pick / (len(z) - 1) * long_m
    level = z[pick]
    i, j = np.triu_indices(len(pick), 1)
    slope = float(np.median((level[j] - level[i]) / (s[j] - s[i])))
    miss = level - slope * s
    spread = 1.4826 * float(np.median(np.abs(miss - np.median(miss))))
    free = max(2.0, (s[-1] - s[0]) / float(RUN_M.value))
    share = max((s[-1] - s[0]) / long_m, 1e-3) if long_m else 1.0
    error = max(spread, float(LEVEL_ERROR_M.value)) * math.sqrt(12.0 / free) / share
    return -slope * long_m, error


def direct(net: Net, dtm: Raster) -> list[Directed]:
    """Turn each piece to run downstream.

    Each piece first goes the way its levels fall. Then every junction must have a way out: where
    it has none, the cheapest set of pieces is turned, where the price of turning one is the fall
    that speaks against it. A junction that lies far below all ways out is left as an outfall.
    Rings that would feed themselves are opened at their weakest piece.
    """
    degree = np.zeros(len(net.nodes), np.int64)
    chains_at: dict[int, list[int]] = {}
    for p in net.pieces:
        for node in (p.u, p.v):
            degree[node] += 1
            chains_at.setdefault(node, []).append(p.chain)
    fall, sure, held = [], [], []
    levels = bed_levels(net.pieces, dtm)
    for p, z in zip(net.pieces, levels, strict=True):
        f, error = trend(z, p.length_m)
        fall.append(f)
        sure.append(math.erf(abs(f) / error / math.sqrt(2.0)) if math.isfinite(error) else 0.0)
        lean = 0.0
        for near, far, sign in ((p.v, p.u, 1.0), (p.u, p.v, -1.0)):
            through = chains_at[near]
            if degree[far] == 1 and degree[near] >= 3 and through.count(p.chain) == 1:
                lean += sign * float(SIDE_DRAIN_M.value)
        held.append(f * sure[-1] + lean)
    down = [h >= 0.0 for h in held]
    _agree(net, down, held, degree, levels)
    out = []
    for p, f, s, h, d in zip(net.pieces, fall, sure, held, down, strict=True):
        with_levels = f != 0.0 and (f > 0.0) == d
        if f == 0.0 and h == 0.0 and d:
            source = "as given"
        else:
            source = "levels" if with_levels else "network"
        out.append(
            Directed(p if d else p.turned(), f if d else -f, s if with_levels else 0.0, source)
        )
    return out


def _agree(
    net: Net, down: list[bool], held: list[float], degree: NDArray[np.int64], levels: list[F64]
) -> None:
    """Turn entries of `down` until junctions have ways out and nothing runs in a ring."""
    at: dict[int, list[int]] = {}
    for k, p in enumerate(net.pieces):
        at.setdefault(p.u, []).append(k)
        at.setdefault(p.v, []).append(k)

    def tail(k: int) -> int:
        return net.pieces[k].u if down[k] else net.pieces[k].v

    def head(k: int) -> int:
        return net.pieces[k].v if down[k] else net.pieces[k].u

    left_as: set[int] = set()
    for _ in range(MOST_ROUNDS):
        ring = _ring(at, tail, head, len(net.pieces))
        if ring:
            weakest = min(ring, key=lambda k: (abs(held[k]), k))
            down[weakest] = not down[weakest]
        stuck = [
            n
            for n in sorted(at)
            if degree[n] > 1 and n not in left_as and all(head(k) == n for k in at[n])
        ]
        if not stuck and not ring:
            return
        for n in stuck:
            if any(tail(k) == n for k in at[n]):
                continue
            way = _way_out(n, at, tail, head, held, degree, left_as)
            if not way or _barrier(way, net, levels) > float(HOLLOW_M.value):
                left_as.add(n)
                continue
            for k, u in way:
                if tail(k) != u:
                    down[k] = not down[k]


def _barrier(way: list[tuple[int, int]], net: Net, levels: list[F64]) -> float:
    """Return how far the bed rises along a way out, short blocks left out, m."""
    z = np.concatenate([levels[k] if net.pieces[k].u == u else levels[k][::-1] for k, u in way])
    z = z[np.isfinite(z)]
    if len(z) < 2:
        return 0.0
    over = min(len(z), round(float(BRIDGE_M.value)))
    even = ndimage.median_filter(z, over, mode="nearest")
    return float(even.max() - np.median(z[:5]))


def _way_out(
    n: int,
    at: dict[int, list[int]],
    tail: Callable[[int], int],
    head: Callable[[int], int],
    held: list[float],
    degree: NDArray[np.int64],
    left_as: set[int],
) -> list[tuple[int, int]]:
    """Return the cheapest way from node `n` to an outfall: pieces and the node each starts from."""
    best = {n: 0.0}
    came: dict[int, tuple[int, int]] = {}
    heap = [(0.0, n)]
    done: set[int] = set()
    while heap:
        price, u = heapq.heappop(heap)
        if u in done:
            continue
        done.add(u)
        if u != n and (degree[u] == 1 or u in left_as):
            way = []
            while u != n:
                u, k = came[u]
                way.append((k, u))
            return way[::-1]
        for k in at[u]:
            with_flow = tail(k) == u
            v = head(k) if with_flow else tail(k)
            cost = price + (0.0 if with_flow else abs(held[k]) + 1e-6)
            if v not in done and cost < best.get(v, math.inf):
                best[v] = cost
                came[v] = (u, k)
                heapq.heappush(heap, (cost, v))
    return []


def _ring(
    at: dict[int, list[int]],
    tail: Callable[[int], int],
    head: Callable[[int], int],
    pieces: int,
) -> list[int]:
    """Return the pieces of one ring that feeds itself, or nothing."""
    waits = dict.fromkeys(at, 0)
    for k in range(pieces):
        waits[head(k)] += 1
    free = [n for n, w in waits.items() if w == 0]
    while free:
        n = free.pop()
        for k in at[n]:
            if tail(k) == n and head(k) != n:
                waits[head(k)] -= 1
                if waits[head(k)] == 0:
                    free.append(head(k))
    stuck = {n for n, w in waits.items() if w > 0}
    if not stuck:
        return []
    # Go against the flow inside what is left: sooner or later a node comes back.
    n = min(stuck)
    seen: dict[int, int] = {}
    path: list[int] = []
    while n not in seen:
        seen[n] = len(path)
        k = next(k for k in at[n] if head(k) == n and tail(k) in stuck)
        path.append(k)
        n = tail(k)
    return path[seen[n] :]

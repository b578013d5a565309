"""Join lines into one network: ends snapped, chains pulled to the bed, junctions and pieces."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from peatwright.drains.bed import Pulled
from peatwright.drains.lines import Line, along, chainages, self_crossings
from peatwright.model.cited import Cited

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

STRAIGHT_DEG = Cited(60.0, "°", "lines that meet end to end at less than this are one", 0, 120)
SAME_PLACE_M = Cited(0.75, "m", "junctions closer than this are one junction", 0.1, 3)
CLING_M = Cited(1.2, "m", "a side drain this close to its main drain has reached it", 0.2, 4)
CLING_BACK_M = Cited(10.0, "m", "how far back from its end a side drain can cling", 1, 30)
STUB_M = Cited(2.0, "m", "an end that overshoots a junction by less is cut off", 0, 10)


@dataclass(frozen=True, eq=False)
class Chain:
    """Given lines that are one drain on the ground, end to end.

    `into` tells for both ends the chain that the end meets somewhere along it (-1 none);
    `meets` the number of a meeting of ends (-1 none).
    """

    line: Line
    into: tuple[int, int]
    meets: tuple[int, int]


@dataclass(frozen=True, eq=False)
class Piece:
    """A stretch between two nodes: points (n, 2) from node `u` to node `v`, of one chain."""

    xy: F64
    u: int
    v: int
    chain: int

    @property
    def length_m(self) -> float:
        """Length of the piece."""
        return float(chainages(self.xy)[-1])

    def turned(self) -> Piece:
        """Return the piece the other way round."""
        return Piece(self.xy[::-1], self.v, self.u, self.chain)


@dataclass(frozen=True, eq=False)
class Net:
    """Pieces and the places of their nodes, (m, 2)."""

    pieces: list[Piece]
    nodes: F64


def join(lines: list[Line], join_m: float) -> list[Chain]:
    """Snap line ends to each other and to lines they nearly reach, and chain what runs straight on.

    Args:
        lines: clean lines.
        join_m: ends closer than this to a line or an end are joined to it.

    """
    if not lines:
        return []
    ends = np.array([line.xy[k] for line in lines for k in (0, -1)])
    into, beside_m = _nearest_side(lines, ends, join_m)
    group = _meetings(lines, ends, into, beside_m, join_m)
    return _chained(lines, into, group)


def _nearest_side(lines: list[Line], ends: F64, join_m: float) -> tuple[I64, F64]:
    """Return for each end the line whose side it nearly reaches (-1 none) and how near, m."""
    shapes = np.array([shapely.LineString(line.xy) for line in lines])
    length = shapely.length(shapes)
    tree = shapely.STRtree(shapes)
    end, line = tree.query(shapely.points(ends), predicate="dwithin", distance=max(join_m, 1e-6))
    at = shapely.line_locate_point(shapes[line], shapely.points(ends[end]))
    gap = shapely.distance(shapes[line], shapely.points(ends[end]))
    # At another line's end it is a meeting of ends, which is dealt with by itself.
    from_end = np.minimum(at, length[line] - at)
    tip = np.minimum(np.maximum(0.5, np.minimum(join_m, 0.25 * length[line])), 0.45 * length[line])
    sound = (end // 2 != line) & (from_end > tip)
    into = np.full(len(ends), -1, np.int64)
    near = np.full(len(ends), np.inf)
    for k in np.lexsort((line, gap)):
        if sound[k] and into[end[k]] < 0:
            into[end[k]] = line[k]
            near[end[k]] = gap[k]
    return into, near


def _meetings(lines: list[Line], ends: F64, into: I64, beside_m: F64, join_m: float) -> I64:
    """Number the groups of ends that meet; -1 where an end meets no other."""
    pairs = cKDTree(ends).query_pairs(max(join_m, 1e-6), output_type="ndarray")
    keep = []
    for a, b in pairs:
        gap = float(np.hypot(*(ends[a] - ends[b])))
        if a // 2 == b // 2 and lines[a // 2].length_m < 4.0 * max(join_m, gap):
            continue
        if gap <= min(beside_m[a], beside_m[b]) + 0.25:
            keep.append((a, b))
    group = np.full(len(ends), -1, np.int64)
    if keep:
        i, j = np.array(keep).T
        n = len(ends)
        _, label = connected_components(coo_matrix((np.ones(len(i)), (i, j)), shape=(n, n)))
        met = np.unique(np.concatenate([i, j]))
        group[met] = label[met]
        into[met] = -1
    return group


def _chained(lines: list[Line], into: I64, group: I64) -> list[Chain]:
    next_end: dict[int, int] = {}
    for g in np.unique(group[group >= 0]):
        pair = np.flatnonzero(group == g)
        if len(pair) == 2 and pair[0] // 2 != pair[1] // 2 and _straight_on(lines, pair):
            next_end[int(pair[0])] = int(pair[1])
            next_end[int(pair[1])] = int(pair[0])
    chain_of = np.full(len(lines), -1, np.int64)
    runs: list[list[tuple[int, bool]]] = []
    for start in range(len(lines)):
        if chain_of[start] >= 0:
            continue
        # Walk back to an end of the chain, then forward along it.
        e, walked = 2 * start, {start}
        while e in next_end and next_end[e] // 2 not in walked:
            e = next_end[e] ^ 1
            walked.add(e // 2)
        run = []
        while chain_of[e // 2] < 0:
            chain_of[e // 2] = len(runs)
            run.append((e // 2, e % 2 == 1))
            out = e ^ 1
            if out not in next_end:
                break
            e = next_end[out]
        runs.append(run)
    chains = []
    for run in runs:
        parts = [lines[k].xy[::-1] if back else lines[k].xy for k, back in run]
        xy = np.concatenate(parts)
        keep = np.concatenate([[True], np.hypot(*np.diff(xy, axis=0).T) > 0.01])
        longest = max((lines[k] for k, _ in run), key=lambda a: a.length_m)
        ids = tuple(dict.fromkeys(g for k, _ in run for g in lines[k].given_ids))
        tips = (2 * run[0][0] + run[0][1], 2 * run[-1][0] + (not run[-1][1]))
        mine = (chain_of[into[t]] if into[t] >= 0 else -1 for t in tips)
        first, last = (int(m) for m in mine)
        joined = [int(group[t]) if t not in next_end or len(run) > 1 else -1 for t in tips]
        chains.append(
            Chain(Line(xy[keep], ids, longest.name), (first, last), (joined[0], joined[1]))
        )
    return chains


def _straight_on(lines: list[Line], pair: I64) -> bool:
    def lead(end: int) -> F64:
        xy = lines[end // 2].xy
        xy = xy if end % 2 == 0 else xy[::-1]
        far = along(xy, np.array([min(5.0, chainages(xy)[-1])]))[0]
        d = far - xy[0]
        return np.asarray(d / max(float(np.hypot(*d)), 1e-9))

    turn = -float(lead(int(pair[0])) @ lead(int(pair[1])))
    return bool(turn > np.cos(np.radians(float(STRAIGHT_DEG.value))))


def connect(chains: list[Chain], pulled: list[Pulled]) -> Net:
    """Cut chains, now on their bed, into pieces between heads, junctions and outfalls."""
    lines = [p.xy for p in pulled]
    lines = _reached(chains, lines)
    cuts = _cuts(chains, lines)
    spots, owner = [], []
    for k, (xy, at) in enumerate(zip(lines, cuts, strict=True)):
        s = np.unique(np.concatenate([[0.0, chainages(xy)[-1]], at]))
        near = np.diff(s, append=np.inf) < 0.3
        near[-1] = False
        s = s[~near] if near.any() else s
        s[0] = 0.0
        cuts[k] = s
        spots.append(along(xy, s))
        owner += [k] * len(s)
    if not spots:
        return Net([], np.empty((0, 2)))
    places = np.concatenate(spots)
    label = _clustered(places)
    nodes = np.array([places[label == g].mean(axis=0) for g in range(label.max() + 1)])
    pieces = []
    past = 0
    for k, (xy, s) in enumerate(zip(lines, cuts, strict=True)):
        ids = label[past : past + len(s)]
        past += len(s)
        c = chainages(xy)
        for a, b, u, v in zip(s[:-1], s[1:], ids[:-1], ids[1:], strict=True):
            inner = xy[(c > a + 0.05) & (c < b - 0.05)]
            body = np.concatenate([nodes[u][None], inner, nodes[v][None]])
            if u == v and chainages(body)[-1] < 4.0 * float(SAME_PLACE_M.value):
                continue
            pieces.append(Piece(body, int(u), int(v), k))
    return Net(_without_stubs(pieces, len(nodes)), nodes)


def _reached(chains: list[Chain], lines: list[F64]) -> list[F64]:
    """Bring chain ends onto what they join, now that both have moved to their beds."""
    ends: dict[int, list[F64]] = {}
    for chain, xy in zip(chains, lines, strict=True):
        for tip, meet in ((0, chain.meets[0]), (-1, chain.meets[1])):
            if meet >= 0:
                ends.setdefault(meet, []).append(xy[tip])
    out = []
    for k, chain in enumerate(chains):
        xy = lines[k]
        for tip in (0, 1):
            work = xy[::-1] if tip == 0 else xy
            if chain.into[tip] >= 0 and chain.into[tip] != k:
                work = _onto_side(work, lines[chain.into[tip]])
            elif chain.meets[tip] >= 0:
                spot = np.mean(ends[chain.meets[tip]], axis=0)
                s = chainages(work)
                fade = np.exp(-(s[-1] - s) / 2.0)[:, None]
                work = work + fade * (spot - work[-1])
                work[-1] = spot
            xy = work[::-1] if tip == 0 else work
        out.append(np.ascontiguousarray(xy))
    return out


def _onto_side(xy: F64, main: F64) -> F64:
    """End a line at the side of another, without a last stretch along that one's own bed."""
    target = shapely.LineString(main)
    gap = shapely.distance(target, shapely.points(xy))
    s = chainages(xy)
    close = (gap < float(CLING_M.value)) & (s > s[-1] - float(CLING_BACK_M.value))
    last = int(np.argmax(close)) if close.any() else len(xy)
    kept = xy[: max(last, 1)]
    foot = shapely.get_coordinates(
        shapely.line_interpolate_point(
            target, shapely.line_locate_point(target, shapely.Point(kept[-1]))
        )
    )
    if len(kept) >= 3:
        # Going straight on gives a truer angle than the shortest way, unless it misses.
        lead = kept[-1] - kept[-3]
        lead = lead / max(float(np.hypot(*lead)), 1e-9)
        ray = shapely.LineString([kept[-1], kept[-1] + 4.0 * float(CLING_M.value) * lead])
        hit = shapely.get_coordinates(shapely.intersection(ray, target))
        if len(hit):
            foot = hit[[int(np.argmin(np.hypot(*(hit - kept[-1]).T)))]]
    return np.concatenate([kept, foot])


def _cuts(chains: list[Chain], lines: list[F64]) -> list[F64]:
    """Return the distances along each line at which it meets another or itself."""
    shapes = np.array([shapely.LineString(xy) for xy in lines])
    cuts: list[list[float]] = [[] for _ in lines]
    if len(lines):
        tree = shapely.STRtree(shapes)
        i, j = tree.query(shapes, predicate="intersects")
        i, j = i[i < j], j[i < j]
        for a, b, shared in zip(i, j, shapely.intersection(shapes[i], shapes[j]), strict=True):
            parts = [p for p in getattr(shared, "geoms", [shared]) if not p.is_empty]
            for part in parts:
                for place in shapely.get_coordinates(part)[[0, -1]]:
                    point = shapely.Point(place)
                    cuts[a].append(float(shapely.line_locate_point(shapes[a], point)))
                    cuts[b].append(float(shapely.line_locate_point(shapes[b], point)))
    for k, chain in enumerate(chains):
        for tip, into in ((0, chain.into[0]), (-1, chain.into[1])):
            if into >= 0:
                point = shapely.Point(lines[k][tip])
                cuts[into].append(float(shapely.line_locate_point(shapes[into], point)))
        for a, b, _ in self_crossings(lines[k]):
            cuts[k] += [a, b]
    return [np.array(c, np.float64) for c in cuts]


def _clustered(places: F64) -> I64:
    pairs = cKDTree(places).query_pairs(float(SAME_PLACE_M.value), output_type="ndarray")
    n = len(places)
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    _, label = connected_components(graph, directed=False)
    return label.astype(np.int64)


def _without_stubs(pieces: list[Piece], nodes: int) -> list[Piece]:
    degree = np.zeros(nodes, np.int64)
    of_chain: dict[int, int] = {}
    for p in pieces:
        degree[p.u] += 1
        degree[p.v] += 1
        of_chain[p.chain] = of_chain.get(p.chain, 0) + 1
    kept = []
    for p in pieces:
        loose = (degree[p.u] == 1) != (degree[p.v] == 1)
        if loose and p.length_m < float(STUB_M.value) and of_chain[p.chain] > 1:
            of_chain[p.chain] -= 1
            continue
        kept.append(p)
    return kept

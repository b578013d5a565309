"""Judged pieces to drains: whole lines with kind, confidence, flow and what they rest on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from peatwright.drains.find.judge import CLASSES, Judge, confidence
from peatwright.drains.find.local import COL
from peatwright.drains.find.network import Segments, network, pick, place
from peatwright.drains.find.pieces import Pieces, measure, middle
from peatwright.model.find_rules import FindRules

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
KINDS = ("drain", "roadside ditch", "natural channel", "rut", "gully")
FIRST_LEAST = 0.15  # chance of any line under which the first judge drops a piece
STRAIGHT_ON = np.cos(np.radians(35.0))


@dataclass(frozen=True)
class Lines:
    """Whole lines: points in order (metres east and south of the corner) and their measures.

    `start` has one entry more than lines; `ends` holds the node number at each end.
    """

    x: F64
    y: F64
    bed_m: F64
    start: I64
    ends: I64
    table: dict[str, NDArray[np.generic]]


def along(p: F64, seg: I64) -> F64:
    """Mean chance over a piece and its neighbours on the same segment."""
    same = (seg[1:] == seg[:-1])[:, None]
    total = 2.0 * p
    count = np.full((len(p), 1), 2.0)
    total[1:] += np.where(same, p[:-1], 0)
    count[1:] += same
    total[:-1] += np.where(same, p[1:], 0)
    count[:-1] += same
    got: F64 = total / count
    return got


def sift(
    s: Segments, judge: Judge, dx_m: float, dy_m: float, rules: FindRules, least: float
) -> Segments:
    """Drop pieces that are nothing, unless lines on both sides bridge them; clean again."""
    p = measure(s, dx_m, dy_m)
    any_line = 1.0 - judge.chances(p.feature)[:, 0]
    same = p.seg[1:] == p.seg[:-1]
    before = np.append([0.0], np.where(same, any_line[:-1], 0.0))
    after = np.append(np.where(same, any_line[1:], 0.0), [0.0])
    keep = np.maximum(any_line, 0.7 * np.minimum(before, after)) >= least
    held = np.zeros(s.points.row.size, bool)
    held[p.order[np.repeat(keep, np.diff(p.start))]] = True
    return network(pick(s.points, held), dx_m, dy_m, rules.spur_m, rules.loop_m, rules.shortest_m)


def runs(p: Pieces, chance: F64, show: float) -> tuple[I64, I64, I64, F64, F64]:
    """Group pieces of a segment that are the same thing.

    Returns start of each run in `order`, its end, kind number, chance of that kind, length.
    """
    c = along(chance, p.seg)
    kind = c[:, 1:].argmax(1)
    shown = (1 - c[:, 0]) >= show
    code = np.where(shown, kind, -1)
    new = np.ones(len(code), bool)
    new[1:] = (code[1:] != code[:-1]) | (p.seg[1:] != p.seg[:-1])
    first = np.flatnonzero(new)
    if first.size == 0:
        none = np.zeros(0, np.int64)
        return none, none, none, np.zeros((0, len(CLASSES))), np.zeros(0)
    length = np.add.reduceat(p.length_m, first)
    mean = np.add.reduceat(c * p.length_m[:, None], first) / length[:, None]
    last = np.append(first[1:], len(code))
    use = code[first] >= 0
    return p.start[first][use], p.start[last][use], code[first][use], mean[use], length[use]


def end_nodes(s: Segments, begin: I64, end: I64, fresh: int) -> I64:
    """Node number at both ends of each run; ends inside a segment get new shared numbers."""
    at = {int(b): i for i, b in enumerate(s.start[:-1])}
    stop = {int(b): i for i, b in enumerate(s.start[1:])}
    out = np.empty((begin.size, 2), np.int64)
    for i, (a, b) in enumerate(zip(begin.tolist(), end.tolist(), strict=True)):
        out[i, 0] = s.node[at[a], 0] if a in at else fresh + a
        out[i, 1] = s.node[stop[b], 1] if b in stop else fresh + b
    return out


def join(ends: I64, head: F64, kind: I64, sure: F64) -> list[list[tuple[int, bool]]]:
    """Chains of runs that go straight on over nodes; each is (run, turned round).

    `head` holds the outward direction (x, y) at both ends of each run. Runs are joined where they
    are of one kind and about as sure, straightest pairs first.
    """
    by_node: dict[int, list[tuple[int, int]]] = {}
    for r in range(len(ends)):
        for e in (0, 1):
            by_node.setdefault(int(ends[r, e]), []).append((r, e))
    mate: dict[tuple[int, int], tuple[int, int]] = {}
    for here in by_node.values():
        if len(here) < 2:
            continue
        pairs = []
        for i, a in enumerate(here):
            for b in here[i + 1 :]:
                if a[0] == b[0] or kind[a[0]] != kind[b[0]]:
                    continue
                if (sure[a[0]] >= 0.5) != (sure[b[0]] >= 0.5):
                    continue
                on = -float(head[a[0], a[1]] @ head[b[0], b[1]])
                if on > STRAIGHT_ON or (len(here) == 2 and on > 0.3):
                    pairs.append((-on, a, b))
        for _, a, b in sorted(pairs):
            if a not in mate and b not in mate:
                mate[a] = b
                mate[b] = a
    done: set[int] = set()
    chains = []
    for ring in (False, True):
        for r in range(len(ends)):
            if r in done:
                continue
            free = [e for e in (0, 1) if (r, e) not in mate]
            if not free and not ring:
                continue
            enter = free[0] if free else 0
            chain = []
            at = r
            while at not in done:
                done.add(at)
                chain.append((at, enter == 1))
                out = mate.get((at, 1 - enter))
                if out is None:
                    break
                at, enter = out
            chains.append(chain)
    return chains


def worth_showing(runs_of: I64, sure: F64, length: F64, rules: FindRules) -> bool:
    """Whether a line is sure or long enough to trouble a person with."""
    metres = float(length[runs_of].sum())
    mean = float((sure[runs_of] * length[runs_of]).sum()) / metres
    return metres >= (rules.doubtful_m if mean < 0.5 else 0.5 * rules.shortest_m)


def smooth(x: F64, start: I64, half: int) -> F64:
    """Running mean along each line, with a window that shrinks at the ends."""
    n = x.size
    i = np.arange(n)
    line = np.repeat(np.arange(start.size - 1), np.diff(start))
    room = np.minimum(np.minimum(i - start[line], start[line + 1] - 1 - i), half)
    total = np.append(0.0, np.cumsum(x))
    got: F64 = (total[i + room + 1] - total[i - room]) / (2 * room + 1)
    return got


def whole_lines(s: Segments, judge: Judge, dx_m: float, dy_m: float, rules: FindRules) -> Lines:
    """Judge segments and make whole lines of them, drawn from head to outfall."""
    p = measure(s, dx_m, dy_m)
    chance = judge.chances(p.feature)
    begin, end, kind, mean, length = runs(p, chance, rules.show_ratio)
    par = p.feature[:, 26]
    x, y = place(s.points, dx_m, dy_m)
    px, py = x[s.order], y[s.order]
    ends = end_nodes(s, begin, end, s.points.row.size)
    k = np.minimum(10, end - begin - 1)
    head = np.stack([
        np.stack([px[begin] - px[begin + k], py[begin] - py[begin + k]], 1),
        np.stack([px[end - 1] - px[end - 1 - k], py[end - 1] - py[end - 1 - k]], 1),
    ], 1)  # fmt: skip
    head /= np.maximum(np.linalg.norm(head, axis=2, keepdims=True), 1e-9)
    sure = mean[np.arange(len(kind)), kind + 1] if len(kind) else np.zeros(0)
    chains = [
        c
        for c in join(ends, head, kind, sure)
        if worth_showing(np.array([r for r, _ in c]), sure, length, rules)
    ]
    pieces_of, nodes, cuts = [], [], [0]
    rows = []
    for chain in chains:
        part = []
        for r, turned in chain:
            o = np.arange(begin[r], end[r])
            part.append(o[::-1] if turned else o)
        idx = np.concatenate(part)
        pieces_of.append(idx)
        cuts.append(cuts[-1] + idx.size)
        a, at = chain[0]
        b, bt = chain[-1]
        nodes.append((ends[a, 1 if at else 0], ends[b, 0 if bt else 1]))
        rows.append([r for r, _ in chain])
    if not chains:
        e = np.zeros(0)
        return Lines(e, e, e, np.zeros(1, np.int64), np.zeros((0, 2), np.int64), {})
    idx = np.concatenate(pieces_of)
    start = np.array(cuts)
    point = s.order[idx]
    v = s.points.value[point].astype(np.float64)
    n = len(chains)
    line = np.repeat(np.arange(n), np.diff(start))
    weight = np.array([length[r].sum() for r in rows])
    total = np.array([(mean[r] * length[r][:, None]).sum(0) for r in rows]) / weight[:, None]
    of = np.array([kind[r[0]] for r in rows])
    piece_of = np.searchsorted(p.start, begin, side="right") - 1
    beside = np.array([par[piece_of[r]].max() for r in rows])
    lx = smooth(px[idx], start, 2)
    ly = smooth(py[idx], start, 2)
    bed = smooth(v[:, COL["bed_m"]], start, 4)
    return finish(
        lx, ly, bed, start, np.array(nodes), v, line, total, of, beside, rules, judge.line
    )


def finish(
    x: F64,
    y: F64,
    bed: F64,
    start: I64,
    ends: I64,
    v: F64,
    line: I64,
    total: F64,
    of: I64,
    beside: F64,
    rules: FindRules,
    whole: tuple[float, ...],
) -> Lines:
    """Snap ends to shared nodes, turn lines downstream and gather their measures."""
    first, last = start[:-1], start[1:] - 1
    # ends that meet get one place; a line that runs on through the node keeps its own course
    node, at = np.unique(ends.ravel(), return_inverse=True)
    tip = np.stack([first, last], 1).ravel()
    count = np.bincount(at)
    mx = np.bincount(at, weights=x[tip]) / count
    my = np.bincount(at, weights=y[tip]) / count
    del node
    x, y = x.copy(), y.copy()
    x[tip], y[tip] = mx[at], my[at]
    step = np.hypot(np.diff(x, append=x[-1:]), np.diff(y, append=y[-1:]))
    step[last] = 0.0
    length = np.add.reduceat(step, first)
    chord = np.hypot(x[last] - x[first], y[last] - y[first])
    # fall of the least-squares line through the bed, which one bad level cannot turn round
    d = np.cumsum(step) - step
    d = d - d[first][line]
    n = np.diff(start)
    mean_d, mean_b = np.add.reduceat(d, first) / n, np.add.reduceat(bed, first) / n
    sdd = np.add.reduceat((d - mean_d[line]) ** 2, first)
    sdb = np.add.reduceat((d - mean_d[line]) * (bed - mean_b[line]), first)
    slope = sdb / np.maximum(sdd, 1e-9)
    res = (bed - mean_b[line]) - slope[line] * (d - mean_d[line])
    spread = np.sqrt(np.add.reduceat(res**2, first) / n)
    fall = np.abs(slope) * length
    flip = slope > 0
    turn = np.where(flip[line], (first + last)[line] - np.arange(x.size), np.arange(x.size))
    ends = np.where(flip[:, None], ends[:, ::-1], ends)

    def mid(name: str) -> F64:
        return middle(v[:, COL[name]].copy(), start, 0.5)

    def mean(a: F64) -> F64:
        got: F64 = np.add.reduceat(a, first) / n
        return got

    kind = np.array(KINDS[:4])[of].astype(object)
    far_width, far_depth, width = mid("far_width_m"), mid("far_depth_m"), mid("width_m")
    wide = (far_width >= rules.gully_width_m) & (far_depth >= rules.gully_depth_m)
    kind[wide & (of == 2)] = "gully"
    kind[wide & (of == 0) & (width >= 0.8 * rules.gully_width_m)] = "gully"
    seen = (v[:, COL["link"]] == 0) & (v[:, COL["depth_m"]] > rules.shallow_m)
    is_gully = kind == "gully"
    seen_ratio = mean(seen.astype(np.float64))
    chance = total[np.arange(len(of)), of + 1]
    straight = np.clip(chord / np.maximum(length, 1e-9), 0, 1)
    sure = np.where(of == 0, confidence(whole, chance, length, seen_ratio, straight), chance)
    table: dict[str, NDArray[np.generic]] = {
        "kind": kind,
        "confidence": sure,
        "chance": chance,
        "any_line": 1 - total[:, 0],
        "depth_m": np.maximum(np.where(is_gully, far_depth, mid("depth_m")), 0.0),
        "width_m": np.where(is_gully, far_width, width),
        "continuity_ratio": seen_ratio,
        "straightness_ratio": straight,
        "length_m": length,
        "beside_m": beside,
        "fall_m": fall,
        "flow_sure_ratio": fall / (fall + 2 * spread + 0.02),
        "contrast": mean(v[:, COL["strength"]] / v[:, COL["noise"]]),
        "noise_m": mid("noise"),
    }
    return Lines(x[turn], y[turn], bed[turn], start, ends, table)

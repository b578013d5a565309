"""From directed pieces to drains, each one row from its head to its outfall, with stable ids."""

from __future__ import annotations

import re
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from peatwright.drains.direction import Directed
from peatwright.drains.lines import along, chainages
from peatwright.drains.network import Chain
from peatwright.model.cited import Cited

F64 = NDArray[np.float64]

SAME_DRAIN_M = Cited(2.0, "m", "a drain this close to an earlier one is the same drain", 0.5, 10)
SAME_RATIO = Cited(0.5, "ratio", "share of a drain on an earlier one that keeps its id", 0.3, 1)
TURN_BACK_DEG = Cited(110.0, "°", "a drain does not turn more than this at a junction", 60, 180)


@dataclass(frozen=True, eq=False)
class Drain:
    """One drain: points (n, 2) from head to outfall, its nodes, and where it goes on.

    `into` is the place in the list of the drain that it joins (-1 none), `into_m` the chainage
    there. `levels_ratio` is the share of its length whose direction rests on levels.
    """

    xy: F64
    head: int
    outfall: int
    through: tuple[tuple[int, float], ...]
    chains: tuple[int, ...]
    into: int
    into_m: float
    source: str
    sure_ratio: float

    @property
    def length_m(self) -> float:
        """Length from head to outfall."""
        return float(chainages(self.xy)[-1])


def compose(directed: list[Directed], chains: list[Chain]) -> list[Drain]:
    """String pieces together to drains: a given line stays one drain through its junctions.

    Drains are ordered by their outfalls, north to south, then west to east.
    """
    pieces = [d.piece for d in directed]
    size = [chain.line.length_m for chain in chains]
    enter: dict[int, list[int]] = {}
    leave: dict[int, list[int]] = {}
    for k, p in enumerate(pieces):
        leave.setdefault(p.u, []).append(k)
        enter.setdefault(p.v, []).append(k)
    goes_on: dict[int, int] = {}
    comes_from: dict[int, int] = {}
    main_out: dict[int, int] = {}
    back = float(np.cos(np.radians(float(TURN_BACK_DEG.value))))
    for node, outs in sorted(leave.items()):
        ins = enter.get(node, [])
        marks = []
        for i in ins:
            for o in outs:
                straight = float(_lead(pieces[i].xy[::-1]) @ -_lead(pieces[o].xy))
                same = pieces[i].chain == pieces[o].chain
                only = len(ins) == 1 and len(outs) == 1
                if same or only or straight > back:
                    marks.append((same, round(straight, 6), size[pieces[i].chain], i, o))
        for _, _, _, i, o in sorted(marks, reverse=True):
            if i not in goes_on and o not in comes_from:
                goes_on[i], comes_from[o] = o, i
        main_out[node] = max(outs, key=lambda o: (o in comes_from, size[pieces[o].chain], -o))
    runs = []
    for start in range(len(pieces)):
        if start in comes_from:
            continue
        run = [start]
        while run[-1] in goes_on:
            run.append(goes_on[run[-1]])
        runs.append(run)
    strung = {k for run in runs for k in run}
    for start in range(len(pieces)):
        # What is left runs in rings, where levels gave no way out: each is opened somewhere.
        run = []
        k = start
        while k not in strung:
            strung.add(k)
            run.append(k)
            k = goes_on[k]
        if run:
            runs.append(run)
    order = sorted(
        range(len(runs)), key=lambda r: _place(pieces[runs[r][-1]].xy, pieces[runs[r][0]].xy)
    )
    runs = [runs[r] for r in order]
    run_of = {k: r for r, run in enumerate(runs) for k in run}
    start_m: dict[int, float] = {}
    for run in runs:
        at = 0.0
        for k in run:
            start_m[k] = at
            at += pieces[k].length_m
    return [_drain(n, run, directed, main_out, run_of, start_m) for n, run in enumerate(runs)]


def _drain(
    number: int,
    run: list[int],
    directed: list[Directed],
    main_out: dict[int, int],
    run_of: dict[int, int],
    start_m: dict[int, float],
) -> Drain:
    parts = [directed[k] for k in run]
    pieces = [d.piece for d in parts]
    xy = np.concatenate([pieces[0].xy, *(p.xy[1:] for p in pieces[1:])])
    long = np.array([p.length_m for p in pieces])
    sure = float(np.average([d.sure_ratio for d in parts], weights=np.maximum(long, 1e-6)))
    sources = {d.source for d in parts}
    source = "network" if "network" in sources else "levels" if "levels" in sources else "as given"
    out = main_out.get(pieces[-1].v, -1)
    if out >= 0 and run_of[out] == number:
        out = -1
    return Drain(
        xy,
        pieces[0].u,
        pieces[-1].v,
        tuple((p.u, start_m[k]) for k, p in zip(run[1:], pieces[1:], strict=True)),
        tuple(dict.fromkeys(p.chain for p in pieces)),
        run_of[out] if out >= 0 else -1,
        start_m[out] if out >= 0 else float("nan"),
        source,
        sure,
    )


def _lead(xy: F64) -> F64:
    """Return the unit direction in which a line leaves its first point."""
    far = along(xy, np.array([min(5.0, float(chainages(xy)[-1]))]))[0]
    d = far - xy[0]
    return np.asarray(d / max(float(np.hypot(*d)), 1e-9))


def _place(last: F64, first: F64) -> tuple[float, ...]:
    return (-round(float(last[-1, 1]), 1), round(float(last[-1, 0]), 1), *first[0].tolist())


def ids(drains: list[Drain], previous: gpd.GeoDataFrame | None) -> list[str]:
    """Name drains: an earlier id for a drain in the same place, else the next free number."""
    out = [""] * len(drains)
    used: set[str] = set()
    highest = 0
    if previous is not None and len(previous):
        names = previous["drain_id"].astype(str).tolist()
        highest = max(
            (int(m.group(1)) for n in names if (m := re.fullmatch(r"D(\d+)", n))), default=0
        )
        for _, k, name in sorted(
            _shared(drains, previous, names), key=lambda a: (-a[0], a[1], a[2])
        ):
            if not out[k] and name not in used:
                out[k] = name
                used.add(name)
    for k, name in enumerate(out):
        if not name:
            highest += 1
            out[k] = f"D{highest:03d}"
    return out


def _shared(
    drains: list[Drain], previous: gpd.GeoDataFrame, names: list[str]
) -> list[tuple[float, int, str]]:
    """Return how much drains and earlier drains share, where that is most of one."""
    near_m = float(SAME_DRAIN_M.value)
    lines = np.array([shapely.LineString(d.xy) for d in drains])
    old = np.array(previous.geometry.to_list())
    tree = shapely.STRtree(old)
    out = []
    for k, j in tree.query(lines, predicate="dwithin", distance=near_m).T:
        shared = shapely.length(shapely.intersection(lines[k], shapely.buffer(old[j], near_m)))
        if shared >= float(SAME_RATIO.value) * min(lines[k].length, old[j].length):
            # A drain that is the same end to end comes before one that only lies beside.
            alike = shared / max(lines[k].length, old[j].length)
            out.append((round(float(alike), 4), int(k), names[j]))
    return out

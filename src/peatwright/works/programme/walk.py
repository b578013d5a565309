"""Walk a crew through its order: ways past what is finished, waiting, hours, seasons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from peatwright.model.programme_rules import ProgrammeRules
from peatwright.works.programme.calendar import Calendar
from peatwright.works.programme.crew import Machine
from peatwright.works.programme.travel import Finder, Way, line_cells
from peatwright.works.sections import Bools, Floats, Ints


@dataclass(frozen=True, eq=False)
class Field:
    """The ground of one size of machine with the drains (N) on it, and where machines stand.

    `places` (1 + 2N) are cells of the access, heads and outfalls; `xy_m` the points themselves.
    """

    finder: Finder
    places: Ints
    xy_m: Floats
    lines: tuple[shapely.LineString, ...]
    cells: tuple[Ints, ...]

    @staticmethod
    def of(
        finder: Finder, places: Ints, xy_m: Floats, lines: Sequence[shapely.LineString]
    ) -> Field:
        """Read the drains' lines off the cells."""
        grid = finder.ground.grid
        return Field(finder, places, xy_m, tuple(lines), tuple(line_cells(grid, x) for x in lines))

    def shut(self, finished: Sequence[int], here: int, there: int) -> Bools:
        """Cells of finished drains (R, C), all but those where the machine stands and goes."""
        shape = self.finder.ground.cost.shape
        out = np.zeros(shape[0] * shape[1], dtype=np.bool_)
        for d in finished:
            out[self.cells[d]] = True
        out[[self.places[here], self.places[there]]] = False
        return out.reshape(shape)


@dataclass(frozen=True, eq=False)
class Trip:
    """One way walked: from drain to drain (-1 is the access), what it crosses on the way."""

    machine: int
    visit: int
    from_drain: int
    to_drain: int
    line: shapely.LineString
    way: Way
    length_m: float
    hours: float
    open_crossed: Ints
    finished_crossed: Ints


@dataclass(frozen=True)
class Visit:
    """One drain worked: when on the clock of working hours, and after what wait."""

    machine: int
    visit: int
    drain: int
    mode: int
    arrive_h: float
    begin_h: float
    end_h: float
    wait_h: float


def _crossed(line: shapely.LineString, field: Field, leave_out: set[int]) -> Ints:
    hit = shapely.intersects(line, np.array(field.lines, dtype=object))
    out = np.flatnonzero(hit)
    return out[[d not in leave_out for d in out]] if out.size else out.astype(np.int64)


def go(
    field: Field, here: int, there: int, finished: Sequence[int]
) -> tuple[Way, shapely.LineString, float, Ints, Ints]:
    """Find the way from place to place that crosses no finished drain, or the cheapest if none.

    Returns the way, its line, its length (m), and the open and finished drains that it crosses.
    The drain it leaves is not counted: the machine stands at that drain's end.
    """
    start, goal = int(field.places[here]), int(field.places[there])
    way = field.finder.way(start, goal, field.shut(finished, here, there))
    forced = way is None
    if way is None:
        way = field.finder.way(start, goal)
    assert way is not None  # places without any way were left out before
    ends = np.vstack([field.xy_m[here], way.xy_m, field.xy_m[there]])
    line = shapely.LineString(ends)
    between = shapely.LineString(way.xy_m) if len(way.xy_m) > 1 else shapely.LineString()
    own = {(p - 1) // 2 for p in (here, there) if p > 0}
    hit = _crossed(between, field, own)
    done = np.isin(hit, np.array(list(finished), dtype=np.int64))
    over = hit[done] if forced else hit[:0]
    return way, line, float(line.length), hit[~done], over


def walk(
    crew: Sequence[Machine],
    parts: Sequence[Ints],
    mode: Ints,
    pairs: tuple[Ints, Ints],
    hours: Floats,
    fields: dict[str, Field],
    held: Calendar,
    rules: ProgrammeRules,
    clock_h: float,
) -> tuple[list[Visit], list[Trip]]:
    """Walk every machine through its drains, and back to the access.

    `parts` are each machine's drains in order, `hours` (by drain) at the output of the rates, and
    `clock_h` the working hours that pass before the machines are on the site. A machine waits for
    drains upslope that another works, and for the next open season when it cannot finish a drain
    before the closed one (`finish_before_closed`). The machine whose clock is earliest goes first.
    """
    place_of_access = 0
    above: dict[int, list[int]] = {}
    for a, b in zip(pairs[0].tolist(), pairs[1].tolist(), strict=True):
        above.setdefault(b, []).append(a)
    end_h: dict[int, float] = {}
    at = [clock_h] * len(crew)
    here = [place_of_access] * len(crew)
    drain_here = [-1] * len(crew)
    nth = [0] * len(crew)
    visits: list[Visit] = []
    trips: list[Trip] = []

    def travel(m: int, there: int, to_drain: int) -> None:
        finished = sorted(d for d, e in end_h.items() if e <= at[m] + 1e-9)
        way, line, length, open_, over = go(fields[crew[m].size], here[m], there, finished)
        took = way.cost_m / crew[m].track_m_per_hour
        trips.append(
            Trip(m, nth[m] + 1, drain_here[m], to_drain, line, way, length, took, open_, over)
        )
        at[m] += took

    while any(nth[m] < len(parts[m]) for m in range(len(crew))):
        ready = [
            m
            for m in range(len(crew))
            if nth[m] < len(parts[m])
            and all(a in end_h for a in above.get(int(parts[m][nth[m]]), []))
        ]
        m = min(ready, key=lambda k: (at[k], k))
        d = int(parts[m][nth[m]])
        there = 1 + 2 * d + int(mode[d])
        before_h = max((end_h[a] for a in above.get(d, [])), default=0.0)
        wait = max(0.0, before_h - at[m])
        at[m] += wait
        travel(m, there, d)
        arrive = at[m]
        need = float(hours[d]) / crew[m].output_ratio
        begin = arrive
        if rules.finish_before_closed:
            begin = _not_cut(begin, need, held)
        visits.append(
            Visit(
                m, nth[m] + 1, d, int(mode[d]), arrive, begin, begin + need, wait + begin - arrive
            )
        )
        at[m] = end_h[d] = begin + need
        nth[m] += 1
        here[m], drain_here[m] = 2 + 2 * d - int(mode[d]), d
    for m in range(len(crew)):
        if nth[m]:
            travel(m, place_of_access, -1)
    return visits, trips


def _not_cut(begin_h: float, need_h: float, held: Calendar) -> float:
    """Put off the begin to the next open season if the drain is then not cut by a closed one."""
    stop = held.season_end_h(begin_h)
    if begin_h + need_h <= stop + 1e-9 or stop >= held.total_h - 1e-9:
        return begin_h
    later = held.season_end_h(stop + 1e-6)
    return stop if need_h <= later - stop + 1e-9 else begin_h

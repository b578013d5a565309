"""The programme of a site: order of work, ways, hours and dates, as declared tables."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from peatwright.model import columns
from peatwright.model.cited import Cited
from peatwright.model.errors import Fault
from peatwright.model.layers import DRAINS, ITEMS
from peatwright.model.programme_rules import ProgrammeRules
from peatwright.model.progress import Progress, silent
from peatwright.model.raster import Raster
from peatwright.model.rules import Rules
from peatwright.works.programme import calendar as cal
from peatwright.works.programme import crew as cr
from peatwright.works.programme import order as od
from peatwright.works.programme import tables as tb
from peatwright.works.programme import travel as tr
from peatwright.works.programme import walk as wk
from peatwright.works.programme.hours import item_hours
from peatwright.works.sections import Bools, Floats, Ints

MARGIN = Cited(50.0, "m", "open ground around the drains where no going map is given", 5, 1000)
WHERE = "programme"


@dataclass(frozen=True)
class Summary:
    """What the programme comes to. `plain_` is the order of the drains' names, worked likewise."""

    drains: int
    items: int
    hours: float
    travel_m: float
    travel_cost_m: float
    wet_m: float
    finished_crossed: int
    plain_travel_m: float
    plain_travel_cost_m: float
    plain_finished_crossed: int
    first_date: str
    last_date: str
    work_days: int
    wait_hours: float
    later_drains: int
    later_hours: float


@dataclass(frozen=True, eq=False)
class Planned:
    """PROGRAMME, PROGRAMME_ITEMS, PROGRAMME_DAYS and TRIPS tables, their sum, what to look at."""

    programme: pd.DataFrame
    items: pd.DataFrame
    days: pd.DataFrame
    trips: gpd.GeoDataFrame
    summary: Summary
    faults: tuple[Fault, ...]


def plan(
    items: gpd.GeoDataFrame,
    drains: gpd.GeoDataFrame,
    rules: Rules,
    programme: ProgrammeRules,
    *,
    going: Raster | Mapping[str, Raster] | None = None,
    access: tuple[float, float] | None = None,
    start: dt.date | None = None,
    holidays: Collection[dt.date] = (),
    crew: Sequence[cr.Machine] | None = None,
    progress: Progress = silent,
) -> Planned:
    """Return the programme of a layout (ITEMS and DRAINS tables).

    `going` holds the cost of each metre tracked, 1 on dry ground, NaN or infinity where no machine
    may go; one raster for all machines or one by size (`large`, `small`). `access` is where the
    machines come in, (x, y) in m; without it the drain end nearest the edge is taken, and said.
    `start` (default: of the rules) is the first day on which the work may begin. Each drain is
    worked once, item after item in one direction, so that the machine leaves over ground that is
    not yet worked; upslope drains come first; no way crosses a finished drain unless there is no
    other, which is said. Drains without items take no part and may be crossed.

    What falls into a later open season, what no day is left for, and what cannot be reached is in
    `faults`. Deterministic. Raises `ColumnError` for tables that break their columns, `RuleError`
    for rates, dates or machines that cannot be used.
    """
    items, drains = columns.checked(items, ITEMS), columns.checked(drains, DRAINS)
    machines = tuple(crew) if crew is not None else cr.machines(programme)
    cr.check(machines)
    first_day = start or cal.start(programme)
    held = cal.calendar(first_day, programme, rules.rates.hours_per_day, holidays)
    each_h = item_hours(items, rules)
    progress(0.05, "Counting hours")
    crs = str(items.crs or drains.crs or "")
    faults = [f for f in [cal.no_day(held, first_day, programme)] if f]
    work = tb.work_of(items, drains, each_h)
    faults += work.faults
    if not work.ids:
        return _nothing(crs, faults)
    ends = np.vstack([shapely.get_coordinates(line)[[0, -1]] for line in work.lines])
    grounds = _grounds(going, {m.size for m in machines}, ends, access, programme, crs)
    at, said = _access(access, ends, next(iter(grounds.values())))
    faults += said
    fields, reached, out_of_reach = _fields(grounds, ends, at, work, programme)
    faults += out_of_reach
    comes = np.array([reached[m.size] for m in machines])
    served = np.flatnonzero(comes.any(axis=0))
    if not served.size:
        return _nothing(crs, faults)
    pairs, loops = od.before(work.ids, work.flows_into if programme.upslope_first else {})
    faults += [_loop_fault(loop) for loop in loops]
    inside = np.isin(pairs[0], served) & np.isin(pairs[1], served)
    pairs = (pairs[0][inside], pairs[1][inside])
    progress(0.1, "Finding ways")
    tables = _tables(fields, reached, work)
    most = max(machines, key=lambda m: int(reached[m.size].sum())).size
    progress(0.5, "Ordering drains")
    best = od.best_order(tables[most], pairs, programme, served)
    parts, too_deep = cr.split(best.drain, work.hours, work.need_m, machines, comes)
    faults += [_deep_fault(work, int(d), machines) for d in too_deep]
    parts = _again(parts, [tables[m.size] for m in machines], pairs, programme, best)
    progress(0.7, "Walking the order")
    moved_in = _moving_in(held, programme, rules)
    walked = wk.walk(
        machines, parts, best.mode, pairs, work.hours, fields, held, programme, moved_in
    )
    plain = _plain(parts, best.mode, fields, machines)
    progress(0.9, "Writing the calendar")
    rows = tb.Rows(items, work, each_h, machines, held, walked[0], walked[1])
    visits = tb.programme_table(rows)
    item_rows = tb.item_table(rows)
    days = tb.day_table(rows)
    trips = tb.trip_table(rows, crs)
    faults += tb.season_faults(rows, visits)
    faults += tb.crossing_faults(trips)
    summary = _summary(visits, item_rows, trips, days, plain, held)
    progress(1.0, f"{len(item_rows)} items in order")
    return Planned(visits, item_rows, days, trips, summary, tuple(faults))


def _nothing(crs: str, faults: list[Fault]) -> Planned:
    made = tb.no_rows(crs)
    summary = Summary(0, 0, 0.0, 0.0, 0.0, 0.0, 0, 0.0, 0.0, 0, "", "", 0, 0.0, 0, 0.0)
    faults = [
        *faults,
        Fault(WHERE, "", "nothing to work on", "a layout with items that machines can reach",
            "Look at the layout and the going map.", "look"),
    ]  # fmt: skip
    return Planned(*made, summary, tuple(faults))


def _grounds(
    going: Raster | Mapping[str, Raster] | None,
    sizes: set[str],
    ends: Floats,
    access: tuple[float, float] | None,
    rules: ProgrammeRules,
    crs: str,
) -> dict[str, tr.Ground]:
    cells = max(1, rules.route_work // (len(ends) + 1))
    if going is None:
        points = ends if access is None else np.vstack([ends, access])
        one = tr.flat_ground(points, rules.route_cell_m, cells, float(MARGIN.value), crs)
        return dict.fromkeys(sorted(sizes), one)
    if isinstance(going, Raster):
        one = tr.ground(going, rules.route_cell_m, cells)
        return dict.fromkeys(sorted(sizes), one)
    return {s: tr.ground(going[s], rules.route_cell_m, cells) for s in sorted(sizes)}


def _access(
    access: tuple[float, float] | None, ends: Floats, at: tr.Ground
) -> tuple[Floats, list[Fault]]:
    if access is not None:
        return np.array(access, dtype=np.float64), []
    west, south, east, north = at.grid.bounds
    far = np.min(
        [ends[:, 0] - west, east - ends[:, 0], ends[:, 1] - south, north - ends[:, 1]], axis=0
    )
    point = ends[int(np.argmin(far))]
    return point, [
        Fault(WHERE, "", "no access point", "where the machines come onto the site",
            f"The drain end at {point[0]:.0f}, {point[1]:.0f} was taken: give the access point.",
            "look")
    ]  # fmt: skip


def _fields(
    grounds: dict[str, tr.Ground], ends: Floats, at: Floats, work: tb.Work, rules: ProgrammeRules
) -> tuple[dict[str, wk.Field], dict[str, Bools], list[Fault]]:
    """By size of machine its field and the drains (N) that it reaches; faults on those of none."""
    xy = np.vstack([at[None, :], ends])
    good: dict[str, Bools] = {}
    fields: dict[str, wk.Field] = {}
    made: dict[int, tuple[wk.Field, Bools]] = {}
    for size, ground in grounds.items():
        if id(ground) not in made:
            whole = tr.joined(ground, int(tr.stands(ground, xy[:1], rules.reach_m)[0]))
            finder = tr.Finder(whole, rules.wet_going)
            places = tr.stands(whole, xy, rules.reach_m)
            field = wk.Field.of(finder, places, xy, work.lines)
            made[id(ground)] = (field, _reached(finder, places))
        fields[size], good[size] = made[id(ground)]
    gone = ~np.any(list(good.values()), axis=0)
    faults = [
        Fault(WHERE, f"drain {work.ids[int(d)]}", "no way to it from the access",
            f"open ground within {rules.reach_m:g} m of both its ends",
            "It is left out of the programme: look at the going map, the access and the no-go "
            "areas.", "look")
        for d in np.flatnonzero(gone)
    ]  # fmt: skip
    return fields, good, faults


def _tables(
    fields: dict[str, wk.Field], reached: dict[str, Bools], work: tb.Work
) -> dict[str, tr.Table]:
    """The ways between all places by size of machine; one search serves sizes that share a field.

    A drain that a size cannot get to stands at the access: it is given to another machine.
    """
    made: dict[int, tr.Table] = {}
    for size, field in fields.items():
        if id(field) not in made:
            ends = np.concatenate([[True], np.repeat(reached[size], 2)])
            places = np.where(ends, field.places, field.places[0])
            usable = np.maximum(np.where(places < 0, places.max(), places), 0)
            made[id(field)] = field.finder.table(usable, work.lines)
    return {size: made[id(field)] for size, field in fields.items()}


def _reached(finder: tr.Finder, places: Ints) -> Bools:
    n = (len(places) - 1) // 2
    if places[0] < 0:
        return np.zeros(n, dtype=bool)
    real = np.flatnonzero(places >= 0)
    reach = np.zeros(len(places), dtype=bool)
    reach[real] = finder.reached(int(places[0]), places[real])
    out: Bools = reach[1::2] & reach[2::2]
    return out


def _again(
    parts: list[Ints],
    tables: Sequence[tr.Table],
    pairs: tuple[Ints, Ints],
    rules: ProgrammeRules,
    best: od.Order,
) -> list[Ints]:
    """Order each machine's own drains anew, unless machines would then wait for each other."""
    if len(parts) == 1:
        return parts
    anew = []
    for part, table in zip(parts, tables, strict=True):
        one = od.best_order(table, pairs, rules, part)
        same = not part.size or bool((one.mode[part] == best.mode[part]).all())
        anew.append(one.drain if same else part)
    return anew if cr.can_wait(anew, pairs, len(best.mode)) else parts


def _moving_in(held: cal.Calendar, programme: ProgrammeRules, rules: Rules) -> float:
    """Working hours that pass while the machines are brought in."""
    if not len(held.day):
        return programme.move_in_days * rules.rates.hours_per_day
    whole = min(int(programme.move_in_days), len(held.day) - 1)
    rest = min(programme.move_in_days - whole, 1.0)
    return float(held.begin[whole] + rest * held.hours[whole])


def _plain(
    parts: Sequence[Ints],
    mode: Ints,
    fields: dict[str, wk.Field],
    machines: Sequence[cr.Machine],
) -> tuple[float, float, int]:
    """Tracking when each machine takes its drains in the order of the table, straight there."""
    length = cost = 0.0
    crossed = 0
    for m, part in enumerate(parts):
        field = fields[machines[m].size]
        here, done = 0, list[int]()
        stops = [*(int(d) for d in np.sort(part)), -1] if part.size else []
        for d in stops:
            there = 1 + 2 * d + int(mode[d]) if d >= 0 else 0
            way, _, long, hit, _ = wk.go(field, here, there, ())
            length, cost = length + long, cost + way.cost_m
            crossed += int(np.isin(hit, done).sum())
            if d >= 0:
                done.append(d)
                here = 2 + 2 * d - int(mode[d])
    return length, cost, crossed


def _summary(
    visits: pd.DataFrame,
    items: pd.DataFrame,
    trips: gpd.GeoDataFrame,
    days: pd.DataFrame,
    plain: tuple[float, float, int],
    held: cal.Calendar,
) -> Summary:
    later = visits[visits["season"] != 1]
    begun = [d for d in visits["start_date"] if d]
    ended = [d for d in visits["end_date"] if d]
    return Summary(
        drains=int(visits["drain_id"].nunique()),
        items=len(items),
        hours=float(visits["hours"].sum()),
        travel_m=float(trips["travel_m"].sum()),
        travel_cost_m=float(trips["cost_m"].sum()),
        wet_m=float(trips["wet_m"].sum()),
        finished_crossed=int(trips["finished_crossed"].sum()),
        plain_travel_m=plain[0],
        plain_travel_cost_m=plain[1],
        plain_finished_crossed=plain[2],
        first_date=min(begun, default=""),
        last_date=max(ended, default=""),
        work_days=int(days["date"].nunique()),
        wait_hours=float(visits["wait_hours"].sum()),
        later_drains=int(later["drain_id"].nunique()) if len(held.day) else 0,
        later_hours=float(later["hours"].sum()) if len(held.day) else 0.0,
    )


def _loop_fault(loop: list[str]) -> Fault:
    return Fault(WHERE, f"drains {', '.join(loop)}", "they flow into each other in a loop",
        "drains that run downhill to an end",
        "Their order was left open: look at their flow directions.", "look")  # fmt: skip


def _deep_fault(work: tb.Work, drain: int, machines: Sequence[cr.Machine]) -> Fault:
    reach = max(m.reach_m for m in machines)
    return Fault(WHERE, f"drain {work.ids[drain]}", f"a dig of {work.need_m[drain]:.2f} m",
        f"{reach:g} m, the deepest reach of the machines at hand",
        "Bring a machine that reaches further, or look at the item.", "look")  # fmt: skip

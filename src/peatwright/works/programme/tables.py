"""From visits on the clock of working hours to the declared tables with dates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely import ops

from peatwright.model import columns
from peatwright.model.errors import Fault
from peatwright.model.programme_layers import PROGRAMME, PROGRAMME_DAYS, PROGRAMME_ITEMS, TRIPS
from peatwright.works.programme.calendar import Calendar
from peatwright.works.programme.crew import Machine
from peatwright.works.programme.walk import Trip, Visit
from peatwright.works.sections import Floats, Ints

WAYS = ("downstream", "upstream")
_DTYPES: dict[str, Any] = {"float": "float64", "int": "int64", "bool": "bool", "text": "str"}


@dataclass(frozen=True, eq=False)
class Work:
    """Drains (N) with something to build.

    Ids, lines from the first item to the last, hours, deepest dig, and rows of their items.
    """

    ids: list[str]
    lines: list[shapely.LineString]
    hours: Floats
    need_m: Floats
    flows_into: dict[str, str]
    rows: list[Ints]
    faults: list[Fault]


@dataclass(frozen=True, eq=False)
class Rows:
    """Everything that the tables are written from."""

    items: gpd.GeoDataFrame
    work: Work
    hours: Floats
    crew: Sequence[Machine]
    held: Calendar
    visits: list[Visit]
    trips: list[Trip]


def work_of(items: gpd.GeoDataFrame, drains: gpd.GeoDataFrame, hours: Floats) -> Work:
    """Gather the drains that have items, in the order of the drains' table."""
    owner = items["drain_id"].to_numpy(dtype=object)
    order = items["order_on_drain"].to_numpy(dtype=np.int64)
    dig = np.nan_to_num(items["dig_depth_m"].to_numpy(dtype=np.float64))
    start, end = (items[n].to_numpy(dtype=np.float64) for n in ("from_m", "to_m"))
    held: dict[str, list[int]] = {}
    for k in np.argsort(order, kind="stable"):
        held.setdefault(owner[k], []).append(int(k))
    flows = dict(zip(drains["drain_id"], drains["flows_into"].fillna(""), strict=True))
    ids, lines, rows, faults = [], [], [], []
    for d, line in zip(drains["drain_id"], drains.geometry, strict=True):
        mine = held.pop(d, None)
        if not mine:
            continue
        ids.append(d)
        # a machine comes to the first thing to build and leaves from the last: the rest of the
        # drain may lie on ground that no machine can enter, and nothing is spoilt by crossing it
        part = ops.substring(line, max(float(start[mine].min()), 0.0), float(end[mine].max()))
        lines.append(part if part.geom_type == "LineString" else line)
        rows.append(np.array(mine, dtype=np.int64))
    faults = [
        Fault("layer items", f"drain {d}", f"{len(mine)} items of a drain that is not there",
            "items of known drains", "They are left out: run the layout again.", "look")
        for d, mine in held.items()
    ]  # fmt: skip
    return Work(
        ids, lines,
        np.array([hours[r].sum() for r in rows]), np.array([dig[r].max() for r in rows]),
        flows, rows, faults,
    )  # fmt: skip


def _typed(data: dict[str, Any], layer: columns.Layer) -> pd.DataFrame:
    kinds = {c.name: _DTYPES[c.kind] for c in layer.columns}
    return pd.DataFrame({n: pd.Series(list(v)).astype(kinds[n]) for n, v in data.items()})


def no_rows(crs: str) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, gpd.GeoDataFrame]:
    """Return the four tables with no rows."""
    p, i, d, t = (
        columns.empty(x, crs) for x in (PROGRAMME, PROGRAMME_ITEMS, PROGRAMME_DAYS, TRIPS)
    )
    return p, i, d, t


@dataclass(frozen=True, eq=False)
class _Pieces:
    """All items in working order: row in the table, visit, begin and end on the clock, day rows."""

    row: Ints
    visit: Ints
    begin: Floats
    end: Floats
    first: Ints
    last: Ints


def _pieces(rows: Rows) -> _Pieces:
    row, visit, begin, end = [], [], [], []
    for k, v in enumerate(rows.visits):
        mine = rows.work.rows[v.drain]
        mine = mine[::-1] if v.mode else mine
        ran = np.cumsum(rows.hours[mine]) / rows.crew[v.machine].output_ratio
        row.append(mine)
        visit.append(np.full(mine.size, k))
        end.append(v.begin_h + ran)
        begin.append(v.begin_h + np.concatenate([[0.0], ran[:-1]]))
    a, b = np.concatenate(begin), np.concatenate(end)
    first = rows.held.row_begun(a)
    # an item of no time ends on the day it begins
    last = np.maximum(rows.held.row_ended(b), first)
    return _Pieces(np.concatenate(row), np.concatenate(visit), a, b, first, last)


def item_table(rows: Rows) -> pd.DataFrame:
    """Return the PROGRAMME_ITEMS table."""
    p = _pieces(rows)
    machine = np.array([v.machine for v in rows.visits])[p.visit]
    nth = np.zeros(p.row.size, dtype=np.int64)
    for m in range(len(rows.crew)):
        mine = machine == m
        nth[mine] = np.arange(1, int(mine.sum()) + 1)
    names = np.array([c.name for c in rows.crew], dtype=object)
    held = rows.items
    data = {
        "item_id": held["item_id"].to_numpy(dtype=object)[p.row],
        "drain_id": held["drain_id"].to_numpy(dtype=object)[p.row],
        "machine": names[machine],
        "order_of_work": nth,
        "hours": p.end - p.begin,
        "start_date": rows.held.dates(p.first),
        "end_date": rows.held.dates(p.last),
    }
    table = _typed(data, PROGRAMME_ITEMS)
    table = table.iloc[np.lexsort((nth, machine))].reset_index(drop=True)
    return columns.checked(table, PROGRAMME_ITEMS)


def programme_table(rows: Rows) -> pd.DataFrame:
    """Return the PROGRAMME table: a visit that a closed season cuts gets a row for each part."""
    p = _pieces(rows)
    n_days = len(rows.held.day)
    season = np.concatenate([rows.held.season, [0]])
    at = season[np.minimum(p.first, n_days)]
    at = np.where(p.last >= n_days, 0, at)
    on_drain = rows.items["order_on_drain"].to_numpy(dtype=np.int64)[p.row]
    trips = {(t.machine, t.visit): t for t in rows.trips if t.to_drain >= 0}
    out: list[dict[str, object]] = []
    for k, v in enumerate(rows.visits):
        mine = np.flatnonzero(p.visit == k)
        cuts = np.flatnonzero(np.diff(at[mine])) + 1
        parts = np.split(mine, cuts)
        trip = trips[(v.machine, v.visit)]
        for nth, part in enumerate(parts):
            whole = nth == 0
            put_off = v.begin_h > v.arrive_h + 1e-9
            note = _note(len(parts), nth, int(at[part[0]]), trip, rows.work.ids, put_off)
            out.append({
                "machine": rows.crew[v.machine].name, "visit": v.visit,
                "drain_id": rows.work.ids[v.drain], "direction": WAYS[v.mode],
                "item_from": int(on_drain[part[0]]), "item_to": int(on_drain[part[-1]]),
                "items": int(part.size), "hours": float((p.end - p.begin)[part].sum()),
                "wait_hours": v.wait_h if whole else 0.0,
                "travel_m": trip.length_m if whole else 0.0,
                "travel_hours": trip.hours if whole else 0.0,
                "start_date": rows.held.dates(p.first[part[:1]])[0],
                "end_date": rows.held.dates(p.last[part[-1:]])[0],
                "season": int(at[part[0]]), "note": note, "_m": v.machine,
            })  # fmt: skip
    out.sort(key=lambda r: (r["_m"], r["visit"]))
    table = _typed({n: [r[n] for r in out] for n in PROGRAMME.names}, PROGRAMME)
    return columns.checked(table, PROGRAMME)


def _note(parts: int, nth: int, season: int, trip: Trip, ids: list[str], put_off: bool) -> str:
    said = []
    if put_off and nth == 0:
        said.append("put off to the next open season: it could not be finished before")
    if season == 0:
        said.append("no day is left for it")
    if parts > 1:
        said.append("left half done over a closed season: make it safe and let no water run "
                    "loose" if nth < parts - 1 else "the rest, after a closed season")  # fmt: skip
    if nth == 0 and trip.finished_crossed.size:
        names = ", ".join(ids[int(d)] for d in trip.finished_crossed)
        said.append(f"the way to it crosses finished drain {names}: use mats or leave a gap")
    return "; ".join(said)


def day_table(rows: Rows) -> pd.DataFrame:
    """Return the PROGRAMME_DAYS table."""
    p = _pieces(rows)
    n_days = len(rows.held.day)
    if not n_days:
        return columns.empty(PROGRAMME_DAYS, "")
    first, last = np.minimum(p.first, n_days), np.minimum(p.last, n_days - 1)
    count = np.maximum(last - first + 1, 0)
    piece = np.repeat(np.arange(p.row.size), count)
    start = np.repeat(np.cumsum(count) - count, count)
    day = np.repeat(first, count) + np.arange(piece.size) - start
    opens, hours = rows.held.begin[day], rows.held.hours[day]
    part = np.minimum(p.end[piece], opens + hours) - np.maximum(p.begin[piece], opens)
    on_drain = rows.items["order_on_drain"].to_numpy(dtype=np.int64)[p.row]
    table = pd.DataFrame({
        "visit": p.visit[piece], "day": day, "hours": np.maximum(part, 0.0),
        "item_from": on_drain[piece], "item_to": on_drain[piece],
    })  # fmt: skip
    table = table.groupby(["visit", "day"], sort=True).agg(
        {"hours": "sum", "item_from": "min", "item_to": "max"}
    )
    table = table.reset_index()
    visit = table["visit"].to_numpy()
    machine = np.array([v.machine for v in rows.visits])[visit]
    nth = np.array([v.visit for v in rows.visits])[visit]
    names = np.array([c.name for c in rows.crew], dtype=object)
    ids = np.array([rows.work.ids[v.drain] for v in rows.visits], dtype=object)
    order = np.lexsort((nth, machine, table["day"].to_numpy()))
    out = {
        "machine": names[machine],
        "date": rows.held.dates(table["day"].to_numpy()),
        "drain_id": ids[visit],
        "item_from": table["item_from"],
        "item_to": table["item_to"],
        "hours": table["hours"],
        "open_hours": rows.held.hours[table["day"].to_numpy()],
    }
    typed = _typed(out, PROGRAMME_DAYS).iloc[order].reset_index(drop=True)
    return columns.checked(typed, PROGRAMME_DAYS)


def trip_table(rows: Rows, crs: str) -> gpd.GeoDataFrame:
    """Return the TRIPS table; a way of no length is left out."""
    kept = sorted((t for t in rows.trips if t.length_m > 0), key=lambda t: (t.machine, t.visit))
    if not kept:
        return columns.empty(TRIPS, crs)
    ids = rows.work.ids

    def name(drain: int) -> str:
        return ids[drain] if drain >= 0 else ""

    data = {
        "machine": [rows.crew[t.machine].name for t in kept],
        "visit": [t.visit for t in kept],
        "from_drain": [name(t.from_drain) for t in kept],
        "to_drain": [name(t.to_drain) for t in kept],
        "travel_m": [t.length_m for t in kept],
        "cost_m": [t.way.cost_m for t in kept],
        "wet_m": [t.way.wet_m for t in kept],
        "open_crossed": [t.open_crossed.size for t in kept],
        "finished_crossed": [t.finished_crossed.size for t in kept],
        "crossed": [";".join(ids[int(d)] for d in t.finished_crossed) for t in kept],
    }
    table = gpd.GeoDataFrame(_typed(data, TRIPS), geometry=[t.line for t in kept], crs=crs or None)
    return columns.checked(table, TRIPS)


def season_faults(rows: Rows, visits: pd.DataFrame) -> list[Fault]:
    """Say what falls into a later open season, what is cut by one, and what no day is left for."""
    if not len(rows.held.day):
        return []
    out = []
    for season in sorted(set(visits["season"]) - {0, 1}):
        part = visits[visits["season"] == season]
        day = min(part["start_date"])
        closed = " and ".join(s.words() for s in rows.held.seasons) or "the closed season"
        out.append(
            Fault("programme", f"season {season}, from {day}",
                f"{part['drain_id'].nunique()} drains, {part['hours'].sum():.0f} h after {closed}",
                "all work in the first open season, if it is to be done in one",
                "More machines, an earlier start or a phase of its own would help.", "look")
        )  # fmt: skip
    cut = visits[visits["note"].str.contains("half done")]
    if len(cut):
        out.append(
            Fault("programme", f"drains {', '.join(sorted(set(cut['drain_id'])))}",
                "begun before a closed season and finished after it", "whole drains",
                "Make the open end safe, or start it after the season.", "look")
        )  # fmt: skip
    beyond = visits[visits["season"] == 0]
    if len(beyond):
        out.append(
            Fault("programme", f"drains {', '.join(sorted(set(beyond['drain_id'])))}",
                f"{beyond['hours'].sum():.0f} h for which no day is left",
                f"work up to {rows.held.day[-1]}, the last day looked at",
                "More machines, a longer look ahead or less work.", "look")
        )  # fmt: skip
    return out


def crossing_faults(trips: gpd.GeoDataFrame) -> list[Fault]:
    """Say where there was no way but over a finished drain."""
    over = trips[trips["finished_crossed"] > 0]
    return [
        Fault("programme", f"way of machine {r.machine} from {r.from_drain or 'the access'} to "
            f"{r.to_drain or 'the access'}", f"crosses finished drain {r.crossed}",
            "ways over unworked ground", "Use mats, leave a crossing open, or change the order.",
            "look")
        for r in over.itertuples()
    ]  # fmt: skip

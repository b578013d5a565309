"""Lay out a site: the method of each reach, and every dam, zip run, gap and break, in order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry import LineString

from peatwright.model import columns
from peatwright.model.errors import Fault
from peatwright.model.layers import DRAINS, ITEMS, NODES, REACHES, STATIONS
from peatwright.model.progress import Progress, silent
from peatwright.model.rules import Rules
from peatwright.works import dams, items, placement, zips
from peatwright.works import methods as mt
from peatwright.works.notes import Excess
from peatwright.works.sections import Bools, Floats, Ints, Sections, gather


@dataclass(frozen=True)
class Laid:
    """A layout: REACHES and ITEMS tables, and what a person should look at."""

    reaches: gpd.GeoDataFrame
    items: gpd.GeoDataFrame
    faults: tuple[Fault, ...]


def lay(
    drains: gpd.GeoDataFrame,
    nodes: gpd.GeoDataFrame,
    stations: gpd.GeoDataFrame,
    rules: Rules,
    *,
    locked: dict[str, list[float]] | None = None,
    progress: Progress | None = None,
) -> Laid:
    """Lay out all drains.

    `drains`, `nodes` and `stations` are DRAINS, NODES and STATIONS tables. `locked` gives, by drain
    id, the chainages (m) at which a dam must stand, each moved to its nearest station; a forbidden
    or unmeasured place is refused with a fault. The layout of a drain rests on its own stations,
    its ends, and the drains that join it, and on nothing else of the site. Deterministic.

    Raises `ColumnError` when a table breaks its declared columns.
    """
    tell = progress or silent
    drains = columns.checked(drains, DRAINS)
    nodes = columns.checked(nodes, NODES)
    stations = columns.checked(stations, STATIONS)
    crs = stations.crs or drains.crs
    tell(0.05, "Reading stations")
    s = dams.steadied(gather(drains, stations), dams.SAG, rules)
    faults = _strangers(drains, stations)
    ends = _ends(drains, nodes, rules)
    tell(0.15, "Choosing methods")
    # One odd section must not change the method.
    choice = mt.choose(dams.steadied(s, dams.SECTION, rules), rules)
    reach = mt.reaches(s, choice, rules)
    must, refused = _locked(s, reach, locked or {})
    faults += refused
    tell(0.3, "Sizing dams")
    sized = dams.size(s, reach.method[reach.of_station], rules)
    tell(0.4, "Placing dams")
    held = placement.places(s, reach, choice, sized, ends, rules, must)
    chosen = placement.place(held, placement.Weights.of(rules))
    row = held.row[chosen]
    dam = sized.rows(row)
    stand = zips.standing(
        s.drain[row], s["chainage_m"][row], dam, s.length_m, rules.dam.untouched_below_m
    )
    placed = items.Placed(row, held.stretch()[chosen], dam, stand)
    tell(0.5, "Laying zip runs")
    run = zips.runs(s, reach, stand, ends, rules)
    reach_ids = _reach_ids(s, reach)
    reaches = items.reach_table(s, reach, rules, reach_ids, crs)
    dam_items, gaps, excess = items.dam_part(s, placed, held, run, reach, rules)
    cut = zips.breaks(
        s, run, gaps.drain, gaps.data["chainage_m"],
        np.where(gaps.data["outlet_side"] == "right", dams.RIGHT, dams.LEFT), rules,
    )  # fmt: skip
    tell(0.8, "Writing items")
    parts = [
        dam_items, gaps, items.zip_part(s, run, rules), items.break_part(s, cut, rules),
        items.reprofile_part(s, reach, reaches["why"].tolist()),
    ]  # fmt: skip
    table = items.item_table(s, parts, reach, reach_ids, run, rules, crs)
    reaches, bare = _with_bare(drains, s, reaches, crs)
    faults += bare
    faults += _unmet(s, placed, excess, rules)
    faults += _undammed(s, reach, row)
    out = Laid(columns.checked(reaches, REACHES), columns.checked(table, ITEMS), tuple(faults))
    tell(1.0, f"{len(table)} items laid")
    return out


def lay_drain(
    drains: gpd.GeoDataFrame,
    nodes: gpd.GeoDataFrame,
    stations: gpd.GeoDataFrame,
    drain_id: str,
    rules: Rules,
    *,
    locked: list[float] | None = None,
) -> Laid:
    """Lay out one drain alone, exactly as `lay` does within the site.

    `drains` and `nodes` are the site's tables (the drains that join matter); of `stations` only
    those of the drain are read, so the caller may pass just these. `locked`: see `lay`.
    """
    own = stations[stations["drain_id"].to_numpy() == drain_id]
    one = drains[drains["drain_id"].to_numpy() == drain_id]
    joins = drains[drains["flows_into"].to_numpy() == drain_id]
    near = gpd.GeoDataFrame(pd.concat([one, joins[joins["drain_id"] != drain_id]]), crs=drains.crs)
    laid = lay(near, nodes, own, rules, locked={drain_id: locked or []})
    kept = laid.reaches[laid.reaches["drain_id"].to_numpy() == drain_id].reset_index(drop=True)
    faults = tuple(f for f in laid.faults if f.place.startswith(drain_id))
    return Laid(kept, laid.items, faults)


def _ends(drains: gpd.GeoDataFrame, nodes: gpd.GeoDataFrame, rules: Rules) -> placement.Ends:
    """Set-backs at the ends of each drain, and where others join it."""
    p = rules.spacing
    kinds = dict(zip(nodes["node_id"], nodes["kind"], strict=True))
    at_head = np.array([kinds.get(n) == "junction" for n in drains["head_node"]], dtype=bool)
    at_foot = drains["outfall_kind"].to_numpy() == "junction"
    number = {d: k for k, d in enumerate(drains["drain_id"])}
    into = [number.get(d, -1) for d in drains["flows_into"].fillna("")]
    main: Ints = np.array(into, dtype=np.int64).reshape(-1)
    at: Floats = drains["flows_into_chainage_m"].to_numpy(dtype=np.float64)
    joins = (main >= 0) & np.isfinite(at)
    return placement.Ends(
        np.where(at_head, p.junction_setback_m, 0.0),
        np.where(at_foot, p.junction_setback_m, p.outfall_setback_m),
        main[joins], at[joins],
    )  # fmt: skip


def _reach_ids(s: Sections, reach: mt.Reaches) -> list[str]:
    number = np.arange(reach.drain.size) - np.searchsorted(reach.drain, reach.drain) + 1
    return [f"{d}-R{k:02d}" for d, k in zip(s.drain_ids[reach.drain], number.tolist(), strict=True)]


def _locked(
    s: Sections, reach: mt.Reaches, locked: dict[str, list[float]]
) -> tuple[Bools, list[Fault]]:
    """Stations at which a dam must stand, and what cannot be."""
    must = np.zeros(s.drain.size, dtype=bool)
    faults = []
    number = {d: k for k, d in enumerate(s.drain_ids)}
    for name, chainages in locked.items():
        for c in chainages:
            k = number.get(name, -1)
            found = "no such drain or no station on it"
            if k >= 0 and s.off[k + 1] > s.off[k]:
                cells = s["chainage_m"][s.off[k] : s.off[k + 1]]
                at = int(s.off[k] + np.abs(cells - c).argmin())
                if reach.method[reach.of_station[at]] < mt.ZIP and s.usable[at]:
                    must[at] = True
                    continue
                found = "a place where no dam can stand"
            faults.append(
                Fault("layout", f"{name} at {c:.1f} m", found, "a measured place in a dammed reach",
                      "Move or free the locked dam.", "look")
            )  # fmt: skip
    return must, faults


def _strangers(drains: gpd.GeoDataFrame, stations: gpd.GeoDataFrame) -> list[Fault]:
    """Stations of drains that are not in the drains table."""
    odd = sorted(set(stations["drain_id"].unique()) - set(drains["drain_id"]))
    return [
        Fault("stations", str(d), "a drain that is not among the drains", "ids of the drains",
              "Measure again; these stations were left out.", "look")
        for d in odd
    ]  # fmt: skip


def _with_bare(
    drains: gpd.GeoDataFrame, s: Sections, reaches: gpd.GeoDataFrame, crs: Any
) -> tuple[gpd.GeoDataFrame, list[Fault]]:
    """Add a reach for each drain without stations, so that no drain is lost from sight."""
    bare = np.flatnonzero(s.off[1:] == s.off[:-1])
    if not bare.size:
        return reaches, []
    rows, faults, lines = [], [], []
    for k in bare.tolist():
        name, length = str(s.drain_ids[k]), float(s.length_m[k])
        rows.append({
            "reach_id": f"{name}-R01", "drain_id": name, "from_m": 0.0, "to_m": length,
            "length_m": length, "method": "leave alone",
            "why": "Nothing of this drain could be measured: left alone until it has been walked.",
        })  # fmt: skip
        shape = drains.geometry.iloc[k]
        lines.append(LineString([(0, 0), (0, 0)]) if shape is None else shape)
        faults.append(
            Fault("stations", name, "no station on this drain", "at least one",
                  "Walk the drain, or mend the terrain under it.", "look")
        )  # fmt: skip
    extra = gpd.GeoDataFrame(pd.DataFrame(rows), geometry=lines, crs=crs)
    if not len(reaches):
        return extra, faults
    both = gpd.GeoDataFrame(pd.concat([reaches, extra], ignore_index=True), crs=crs)
    place = pd.Series(np.arange(len(s.drain_ids)), index=s.drain_ids)
    order = np.argsort(place.loc[both["drain_id"]].to_numpy(), kind="stable")
    return both.iloc[order].reset_index(drop=True), faults


def _unmet(s: Sections, placed: items.Placed, excess: Excess, rules: Rules) -> list[Fault]:
    """One fault for each drain and each rule that gave way, with its worst place."""
    p = rules.spacing
    told = (
        ("head_m", "a head over the limit (spacing.head_max_m)"),
        ("pool_m", "a pool below the base of the next dam up (spacing.pool_reaches_base)"),
        ("drop_m", f"a drop over spacing.drop_per_dam_m {p.drop_per_dam_m:g} m"),
        ("spacing_m", f"a distance over spacing.max_m {p.max_m:g} m"),
        ("first_m", "a first dam too far from the head"),
    )
    faults = []
    for name, words in told:
        over: Floats = getattr(excess, name)
        broken = np.flatnonzero(over > 0)
        drain = placed.stand.drain[broken]
        for k in np.unique(drain).tolist():
            own = broken[drain == k]
            worst = own[over[own].argmax()]
            faults.append(
                Fault(
                    "layout", f"{s.drain_ids[k]} at {placed.stand.at_m[worst]:.0f} m",
                    f"{words}, at {own.size} of its dams, by {over[worst]:.2f} m at worst",
                    "all rules met", "Look on the ground; change the rule or the method.", "look",
                )
            )  # fmt: skip
    return faults


def _undammed(s: Sections, reach: mt.Reaches, row: Ints) -> list[Fault]:
    """Reaches meant for dams in which none could stand."""
    count = np.bincount(reach.of_station[row], minlength=reach.first.size)
    none = np.flatnonzero((reach.method < mt.ZIP) & (count == 0))
    return [
        Fault(
            "layout", f"{s.drain_ids[reach.drain[k]]} at {reach.from_m[k]:.0f} m",
            f"{reach.to_m[k] - reach.from_m[k]:.1f} m meant for dams in which none can stand",
            "room for a dam between ends, junctions and no-go ground",
            "Look on the ground; close it by hand or zip it.", "look",
        )
        for k in none.tolist()
        if reach.to_m[k] - reach.from_m[k] > 0
    ]  # fmt: skip

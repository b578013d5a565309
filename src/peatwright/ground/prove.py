"""Checks of a layout where it stands now against limits, stability, bearing, season and peat.

`prove` checks all; `again` only the drains whose items were moved, at the speed of a hand.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from peatwright.ground import bearing, limits, season_notes, stability
from peatwright.ground.depth import UNPROBED
from peatwright.ground.findings import Found, Where, source_words
from peatwright.ground.season import Period
from peatwright.ground.slopes import Slopes
from peatwright.model.cited import Cited, citations
from peatwright.model.ground_rules import DepthRules
from peatwright.model.raster import Raster
from peatwright.model.rules import Rules
from peatwright.terrain.sampling import sample, sample_nearest

NEAR_WORK_M = Cited(
    20.0, "m", "an unstable patch further than this from every item counts one step less", 0, 500
)
SEVERITY_LESS = {"stop": "look", "look": "note", "note": "note"}
NO_PEAT = (
    "peat depth is not known: neither slope stability nor going was screened, and nothing here "
    "says that the ground is safe"
)
PROBE_TO_DO = "Probe the peat before a machine goes there, and run again."


@dataclass(frozen=True, eq=False)
class Here:
    """The ground as items meet it, the same while items move. None is not known.

    `depth` and `error` in m, `state` as of the survey, `bare` one geometry of weaker ground.
    """

    limits: gpd.GeoDataFrame
    periods: Sequence[Period]
    slopes: Slopes | None = None
    depth: Raster | None = None
    error: Raster | None = None
    state: Raster | None = None
    bare: BaseGeometry | None = None


@dataclass(frozen=True)
class Proved:
    """Findings of the site as it is, of unstable patches near items, and of items."""

    site: tuple[Found, ...]
    patches: tuple[Found, ...]
    items: tuple[Found, ...]

    def all(self) -> list[Found]:
        """Return all findings."""
        return [*self.site, *self.patches, *self.items]


def prove(
    items: gpd.GeoDataFrame,
    drains: gpd.GeoDataFrame,
    here: Here,
    rules: Rules,
    *,
    unstable: gpd.GeoDataFrame,
    more_patches: Iterable[Found] = (),
) -> Proved:
    """Check a layout.

    Args:
        items: rows of `ITEMS`, where they stand now.
        drains: rows of `DRAINS`.
        here: the ground.
        rules: the rule sheet.
        unstable: rows of `UNSTABLE`.
        more_patches: findings of patches too small to be named.

    """
    site = [*_no_peat(here), *_drain_notes(drains), *_machine(rules)]
    site += limits.overhead_findings(here.limits, rules.overhead)
    site += season_notes.whole_site_notes(here.periods)
    site += [replace(f, severity=SEVERITY_LESS[f.severity]) for f in more_patches]
    if here.depth is not None and here.slopes is not None:
        site += stability.drains_across_slope(drains, here.slopes, here.depth, rules.stability)
    return Proved(
        tuple(site), tuple(_patches(unstable, items)), tuple(item_findings(items, here, rules))
    )


def again(
    was: Proved,
    items: gpd.GeoDataFrame,
    drain_ids: Iterable[str],
    here: Here,
    rules: Rules,
    *,
    unstable: gpd.GeoDataFrame,
) -> Proved:
    """Check again after items of some drains were moved, added or taken away.

    `items` are all items as they are now; the other arguments as in `prove`.
    """
    anew = set(drain_ids)
    kept = [f for f in was.items if f.where.drain_id not in anew]
    some = items[items["drain_id"].isin(anew)]
    return Proved(
        was.site, tuple(_patches(unstable, items)), (*kept, *item_findings(some, here, rules))
    )


def item_findings(items: gpd.GeoDataFrame, here: Here, rules: Rules) -> list[Found]:
    """Check items where they stand now; looks of one kind at many items of a drain are one."""
    if not len(items):
        return []
    found = _near_limits(items, here.limits)
    found += season_notes.area_notes(items, here.periods)
    if here.depth is not None and here.error is not None and here.slopes is not None:
        known, unknown = _known(items, here)
        found += _unprobed(items[unknown], rules)
        some = items[known]
        found += _once(
            stability.item_findings(some, here.depth, here.error, here.slopes, rules.stability),
            bearing.item_findings(some, here.depth, here.slopes, rules.bearing, here.bare),
        )
    return together(found)


def together(found: Sequence[Found]) -> list[Found]:
    """Return findings with all looks of one kind at items of a drain made one.

    A person answers it once; the worst is named with its numbers and the others by their number.
    One item alone is told in the same way, so that the finding keeps its id as items come and go.
    """
    groups: dict[tuple[str, str, str, str], list[Found]] = {}
    out: list[Found] = []
    for f in found:
        if f.severity == "stop" or not f.where.item_id:
            out.append(f)
        else:
            key = (f.topic, f.same()[1], f.severity, f.where.drain_id)
            groups.setdefault(key, []).append(f)
    for held in groups.values():
        worst = max(held, key=lambda f: (f.badness, f.where.item_id))
        at = worst.where
        where = replace(at, words=f"drain {at.drain_id}, {_items_words(held)}", item_id="")
        others = "all alike" if len({f.what for f in held}) == 1 else f"worst {at.item_id}"
        what = worst.what if len(held) == 1 else f"{len(held)} items, {others}: {worst.what}"
        out.append(replace(worst, where=where, what=what, key=f"{worst.same()[1]} of items"))
    return out


def _once(unsteady: Sequence[Found], going: Sequence[Found]) -> list[Found]:
    """Join two checks so that one slope, steep for both, is told once."""
    steep = {f.where.item_id for f in unsteady if f.key == "steep"}
    off = {f.where.item_id for f in going if f.key == "steep"} & steep
    return [
        *(
            replace(f, what=f"{f.what}, where machines keep off")
            if f.key == "steep" and f.where.item_id in off
            else f
            for f in unsteady
        ),
        *(f for f in going if f.key != "steep" or f.where.item_id not in off),
    ]


def _items_words(held: Sequence[Found]) -> str:
    """Name items by the numbers at the end of their ids, runs joined: `items 002, 004 to 010`."""
    ids = sorted({f.where.item_id for f in held})
    tails = [re.search(r"(\d+)$", i) for i in ids]
    if not all(tails):
        return f"{len(ids)} items"
    said = [t[1] for t in tails if t]
    runs: list[list[str]] = []
    for text in said:
        if runs and int(text) == int(runs[-1][-1]) + 1:
            runs[-1].append(text)
        else:
            runs.append([text])
    return ("item " if len(ids) == 1 else "items ") + ", ".join(
        run[0] if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs
    )  # fmt: skip


def _near_limits(items: gpd.GeoDataFrame, near: gpd.GeoDataFrame) -> list[Found]:
    """Check each item as it is built, and the place where its pool spills."""
    found = limits.item_findings(items, near)
    inside = {(f.where.item_id, f.key) for f in found}
    spills = items[np.isfinite(items["outlet_x_m"]) & np.isfinite(items["outlet_y_m"])]
    if not len(spills):
        return found
    ends = spills.set_geometry(
        gpd.points_from_xy(spills["outlet_x_m"], spills["outlet_y_m"]), crs=items.crs
    )
    return found + [
        replace(f, what=f"its outlet is {f.what}", key=f"outlet, {f.key}")
        for f in limits.item_findings(ends, near)
        if (f.where.item_id, f.key) not in inside
    ]


def _known(
    items: gpd.GeoDataFrame, here: Here
) -> tuple[np.ndarray[Any, np.dtype[np.bool_]], np.ndarray[Any, np.dtype[np.bool_]]]:
    """Which items stand on ground whose peat depth is known, and which do not."""
    assert here.depth is not None
    x, y = items["x_m"].to_numpy(np.float64), items["y_m"].to_numpy(np.float64)
    known = np.isfinite(sample(here.depth, x, y))
    if here.state is not None:
        known &= sample_nearest(here.state, x, y) != UNPROBED
    return known, ~known


def _unprobed(items: pd.DataFrame, rules: Rules) -> list[Found]:
    reach = rules.depth.reach_m
    return [
        Found(
            "look", "peat depth",
            Where(f"item {item} on drain {drain}", str(drain), str(item), float(x), float(y)),
            f"no probe within {reach:g} m, or no terrain here: peat depth is not known, and "
            "stability and going were not screened",
            f"depth.reach_m = {reach:g}", source_words(citations(DepthRules)["reach_m"]),
            PROBE_TO_DO, key="unprobed",
        )
        for item, drain, x, y in zip(
            items["item_id"], items["drain_id"], items["x_m"], items["y_m"], strict=True
        )
    ]  # fmt: skip


def _no_peat(here: Here) -> list[Found]:
    if here.depth is not None:
        return []
    return [
        Found(
            "stop", "peat depth", Where(), NO_PEAT, "peat is probed before machines go on it",
            "judgement", "Probe the peat on a grid and along the drains, and give the probes.",
            key="no probes",
        )
    ]  # fmt: skip


def _drain_notes(drains: gpd.GeoDataFrame) -> list[Found]:
    """Findings of drains whose note asks for a person."""
    held = drains[drains["note"].astype(str) != ""]
    found = []
    for drain, name, note, line in zip(
        held["drain_id"], held["name"], held["note"], held.geometry, strict=True
    ):
        at = line.interpolate(0.5, normalized=True)
        called = f" ({name})" if name else ""
        where = Where(f"drain {drain}{called}", str(drain), x_m=float(at.x), y_m=float(at.y))
        found.append(
            Found(
                "look", "drain", where, str(note), "a drain is understood before it is closed",
                "judgement", "Walk the drain and say what it does.", key="drain note",
            )
        )  # fmt: skip
    return found


def _machine(rules: Rules) -> list[Found]:
    """Say how the machine stands on the peat of the rule sheet."""
    held = bearing.bearing(rules.bearing)
    severity = {"easy": "note", "careful": "note", "mats": "look", "keep off": "stop"}[held.going]
    return [
        Found(
            severity, "bearing", Where(),
            f"the machine presses {held.pressure_kpa:.1f} kPa ({held.mat_pressure_kpa:.1f} on "
            f"mats) on peat that bears {held.capacity_kpa:.1f} kPa, "
            f"{held.ratio:.1f} times as much: {held.going}",
            f"bearing.careful_factor = {rules.bearing.careful_factor:g}",
            "judgement; capacity after Prandtl 1921 and Skempton 1951 (memory)",
            bearing.CAUTION, key="machine",
        )
    ]  # fmt: skip


def _patches(unstable: gpd.GeoDataFrame, items: gpd.GeoDataFrame) -> list[Found]:
    """Findings of unstable patches; one far from all items counts one step less."""
    if not len(unstable):
        return []
    shapes = unstable.geometry.to_numpy()
    near = np.zeros(len(unstable), np.bool_)
    if len(items):
        within = float(NEAR_WORK_M.value)
        tree = shapely.STRtree(items.geometry.to_numpy())
        near[np.unique(tree.query(shapes, predicate="dwithin", distance=within)[0])] = True
    found = []
    for row, close in zip(unstable.itertuples(), near, strict=True):
        severity = str(row.severity) if close else SEVERITY_LESS[str(row.severity)]
        words = "" if close else f"; no item within {float(NEAR_WORK_M.value):g} m"
        found.append(
            Found(
                severity, "stability",
                Where(f"ground around x {row.x_m:.0f}, y {row.y_m:.0f}", x_m=row.x_m, y_m=row.y_m),
                f"{row.what}{words}", str(row.rule), str(row.source),
                stability.TO_DO[str(row.severity)], key="patch factor",
            )
        )  # fmt: skip
    return found


def found_of(held: dict[str, Any]) -> Found:
    """Return the finding behind its parts as plain values."""
    return Found(**{**held, "where": Where(**held["where"])})

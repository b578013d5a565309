"""What closed periods mean for a layout whose days are not planned yet."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import geopandas as gpd
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from peatwright.ground.findings import Found, Where
from peatwright.ground.season import CAUTION, Period, working_windows
from peatwright.model.columns import empty
from peatwright.model.ground_layers import WORKING_WINDOWS
from peatwright.model.ground_rules import SeasonRules

# Kept from a nest as a limit is its polygon; what is left of it is the nest within this.
NEST_LEFT_M = 1.0


def nests(limits: gpd.GeoDataFrame) -> list[BaseGeometry]:
    """Return the nests behind rows of `LIMITS`, within a metre: each holds its distance kept."""
    held = limits[limits["kind"] == "nest"]
    out = []
    for shape, distance in zip(held.geometry, held["distance_m"], strict=True):
        core = shape.buffer(NEST_LEFT_M - distance)
        out.append(shape.representative_point() if core.is_empty else core)
    return out


def whole_site_notes(periods: Sequence[Period]) -> list[Found]:
    """Say each period that closes the whole site."""
    return [
        Found(
            "note", "season", Where(), f"closed for {p.name} from {p.days_words()}", p.name, p.why,
            "Plan the work into a working window. " + CAUTION, key=p.name,
        )
        for p in periods if p.area is None
    ]  # fmt: skip


def area_notes(items: gpd.GeoDataFrame, periods: Sequence[Period]) -> list[Found]:
    """Say each item in an area that is closed on some days."""
    found = []
    shapes = items.geometry.to_numpy()
    for p in periods:
        if p.area is None:
            continue
        hit = items[shapely.intersects(shapes, p.area)]
        how = "closed" if p.severity == "stop" else "case by case"
        for item, drain, x, y in zip(
            hit["item_id"], hit["drain_id"], hit["x_m"], hit["y_m"], strict=True
        ):
            where = Where(
                f"item {item} on drain {drain}", str(drain), str(item), float(x), float(y)
            )
            found.append(
                Found(
                    "look", "season", where, f"{how} for {p.name} from {p.days_words()}", p.name,
                    p.why, "Keep the work out of these days, or have it looked at by the ecologist "
                    "and licensed first. " + CAUTION, key=p.name,
                )
            )  # fmt: skip
    return found


def all_windows(periods: Sequence[Period], first: dt.date, rules: SeasonRules) -> pd.DataFrame:
    """Return the working windows of the year from `first`: of the site, and of each closed area."""
    last = dt.date(first.year + 1, first.month, min(first.day, 28)) - dt.timedelta(days=1)
    tables = [working_windows(periods, first, last, rules)]
    tables += [
        working_windows(
            [q for q in periods if q.area is None or q is p], first, last, rules, shape=p.area,
            place=f"inside {p.name}",
        )
        for p in periods if p.area is not None and p.severity == "stop"
    ]  # fmt: skip
    held = [t for t in tables if len(t)]
    return pd.concat(held, ignore_index=True) if held else empty(WORKING_WINDOWS, "")

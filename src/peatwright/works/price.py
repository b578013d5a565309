"""Quantities, machine hours and first price, by drain and method, drain, method, and site.

Low and high are plain sums of every item's low and high figure: all going well, or all going
badly, at once. The true range of a whole site is narrower. Supervision, contingency and bringing
the machine in and out belong to the site and stand in the site row alone, so that row's cost is
more than the sum of the drains; hours, counts and volumes add up exactly.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from peatwright.model import columns
from peatwright.model.layers import DRAINS, ITEMS, METHODS, QUANTITIES, REACHES
from peatwright.model.rules import Rules
from peatwright.works import methods as mt
from peatwright.works import rating
from peatwright.works.sections import Floats

_SUMMED = tuple(c.name for c in QUANTITIES.columns if c.kind == "float")
_SUFFIX = {"low": "_low", "likely": "", "high": "_high"}


def price(
    items: gpd.GeoDataFrame, reaches: gpd.GeoDataFrame, drains: gpd.GeoDataFrame, rules: Rules
) -> pd.DataFrame:
    """Return the QUANTITIES table of a layout (ITEMS, REACHES and DRAINS tables).

    A spoil gap counts under its dam's method, a break under zip. `drain_m` is length of drain by
    the method of its reach: zip runs between wave dams add to `zip_m` of the zip row and not to its
    `drain_m`, so that `drain_m` sums to the length of the drains. An empty layout gives zeros.
    """
    items = columns.checked(items, ITEMS)
    reaches = columns.checked(reaches, REACHES)
    drains = columns.checked(drains, DRAINS)
    each = pd.concat([_of_items(items, rules), _of_reaches(reaches)], ignore_index=True)
    place = {d: k for k, d in enumerate(drains["drain_id"])}
    rank = {m: k for k, m in enumerate(METHODS)}
    unknown = len(place)
    parts = [
        _summed(each, ["drain_id", "method"], "drain and method"),
        _summed(each, ["drain_id"], "drain"),
        _summed(each, ["method"], "method"),
        _site(each, rules),
    ]
    for part in parts[:3]:
        part["at"] = [place.get(d, unknown) for d in part["drain_id"]]
        part["nth"] = [rank.get(m, -1) for m in part["method"]]
    ordered = [p.sort_values(["at", "nth"], kind="stable") for p in parts[:3]]
    table = pd.concat([*ordered, parts[3]], ignore_index=True)[list(QUANTITIES.names)]
    for c in QUANTITIES.columns:
        table[c.name] = table[c.name].astype("float64" if c.kind == "float" else "str")
    return columns.checked(table, QUANTITIES)


def _of_items(items: gpd.GeoDataFrame, rules: Rules) -> pd.DataFrame:
    """What each item adds to every quantity."""
    n = len(items)
    kind = items["kind"].to_numpy(dtype=object)
    method_names = items["method"].to_numpy(dtype=object)
    method = np.array([mt.METHOD_CODE[m] for m in method_names], dtype=np.int64)

    def number(name: str) -> Floats:
        out: Floats = np.nan_to_num(items[name].to_numpy(dtype=np.float64))
        return out

    dam, run, again = kind == "dam", kind == "zip", kind == "reprofile"
    gap = np.isin(kind, ("spoil gap", "spoil break"))
    held = np.where(dam, method, 0)
    need = rating.stuff(held, number("width_m"), number("height_m"), rules)
    length = number("length_m")
    out: dict[str, object] = {
        "drain_id": items["drain_id"].to_numpy(dtype=object),
        "method": method_names,
        "dams": dam.astype(float),
        "zip_m": np.where(run, length, 0.0),
        "reprofile_m": np.where(again, length, 0.0),
        "left_m": np.zeros(n),
        "drain_m": np.zeros(n),
        "fill_m3": np.where(dam, number("fill_m3"), 0.0),
        "zip_m3": np.where(run, number("zip_m3"), 0.0),
        "spoil_m3": np.where(gap, number("gap_m3"), 0.0),
        "timbers": np.where(dam, need.timbers, 0.0),
        "stone_t": np.where(dam, need.stone_t, 0.0),
        "piling_m2": np.where(dam, need.piling_m2, 0.0),
    }
    buckets = items["buckets"].to_numpy(dtype=np.float64)
    for level in rating.LEVELS:
        hours = np.select(
            [dam, run, again, gap],
            [
                rating.dam_hours(held, buckets, rules, level),
                rating.zip_hours(length, rules.rates, level),
                rating.reprofile_hours(length, rules.rates, level),
                np.full(n, rating.gap_hours(rules.rates, level)),
            ],
            0.0,
        )
        goods = np.where(dam, rating.stuff_money(need, rules.rates, level), 0.0)
        out[f"hours{_SUFFIX[level]}"] = hours
        out[f"cost{_SUFFIX[level]}"] = hours * rating.hour_money(rules.rates, level) + goods
    return pd.DataFrame(out)


def _of_reaches(reaches: gpd.GeoDataFrame) -> pd.DataFrame:
    """Lengths that each reach adds."""
    length = reaches["length_m"].to_numpy(dtype=np.float64)
    method = reaches["method"].to_numpy(dtype=object)
    zero = np.zeros(length.size)
    out = {"drain_id": reaches["drain_id"].to_numpy(dtype=object), "method": method}
    out |= dict.fromkeys(_SUMMED, zero)
    out["left_m"] = np.where(method == "leave alone", length, 0.0)
    out["drain_m"] = length
    return pd.DataFrame(out)


def _summed(each: pd.DataFrame, by: list[str], scope: str) -> pd.DataFrame:
    """Sum over a grouping, with the columns that it leaves out empty."""
    out = each.groupby(by, sort=False)[list(_SUMMED)].sum().reset_index()
    for name in ("drain_id", "method"):
        if name not in by:
            out[name] = ""
    out["scope"] = scope
    return out


def _site(each: pd.DataFrame, rules: Rules) -> pd.DataFrame:
    """The site's row: sums, with supervision, contingency and the machine's way in and out."""
    r = rules.rates
    total = {name: float(each[name].sum()) for name in _SUMMED}
    if total["hours"] > 0:
        share = 1.0 + r.supervision_ratio + r.contingency_ratio
        for suffix in _SUFFIX.values():
            total[f"cost{suffix}"] = total[f"cost{suffix}"] * share + r.move_in_out
    return pd.DataFrame([{"scope": "site", "drain_id": "", "method": "", **total}])

"""The range of quantities that comes from how well the ground is known.

Bed levels, stretches where no drain is seen, and peat below the bed carry errors; here they become
P10 and P90 of counts, lengths and volumes. Errors of rates have no part in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.special import ndtr

from peatwright.model import columns
from peatwright.model.cited import Cited
from peatwright.model.layers import DRAINS, ITEMS, STATIONS
from peatwright.model.programme_layers import QUANTITY_RANGES
from peatwright.model.programme_rules import SpreadRules
from peatwright.model.rules import Rules
from peatwright.works.sections import Bools, Floats, Ints

Z90 = Cited(1.2816, "", "standard normal at 90 %", 1.28, 1.29, source="normal tables")
AREA_POWER = Cited(
    2.0, "power", "a section grows with its depth squared, its sides keeping their slope", 1, 3
)
MOST = Cited(0.5, "ratio", "no error is taken to change a quantity by more than this", 0.1, 0.9)
QUANTITIES = (
    ("dams", "dams",
     "error of the bed's fall, and stretches not seen (low) or not measured (high)"),
    ("hard dams", "dams", "dams of peat whose bed may turn out to lie too near the mineral soil"),
    ("zip_m", "m", "stretches where no drain was seen (low) or nothing could be measured (high)"),
    ("reprofile_m", "m", "stretches where no drain was seen (low) or nothing measured (high)"),
    ("fill_m3", "m³", "error of the bed level, through the dam's height"),
    ("zip_m3", "m³", "error of the bed level, through the depth of the cut"),
    ("spoil_gaps", "gaps", "as dams"),
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Ranges:
    """QUANTITY_RANGES table, and low and high of the site as share of the likely, for `spread`."""

    table: pd.DataFrame
    ratio: dict[str, tuple[float, float]]


def quantity_ranges(
    items: gpd.GeoDataFrame,
    drains: gpd.GeoDataFrame,
    stations: gpd.GeoDataFrame,
    rules: Rules,
    spread: SpreadRules,
) -> Ranges:
    """Return ranges of quantities by drain and site (ITEMS, DRAINS and STATIONS tables).

    Errors on one drain go together wholly; those of different drains by `ground_correlation`: the
    site's variance is that share of the squared sum, and the rest of the sum of squares. Low and
    high are 10 % and 90 % of a normal distribution, lengths being bounded by what is there.
    """
    items = columns.checked(items, ITEMS)
    drains, stations = columns.checked(drains, DRAINS), columns.checked(stations, STATIONS)
    place = {d: k for k, d in enumerate(drains["drain_id"])}
    known = items["drain_id"].isin(list(place)).to_numpy()
    items = items[known]
    own = np.array([place[d] for d in items["drain_id"]], dtype=np.int64)
    n = len(drains)
    kind = items["kind"].to_numpy(dtype=object)
    at = _nearest(items, stations, place, own)
    likely, low, high = (np.zeros((len(QUANTITIES), n)) for _ in range(3))

    def total(value: Floats, which: Bools) -> Floats:
        out: Floats = np.asarray(np.bincount(own[which], value[which], n), dtype=np.float64)
        return out

    one = np.ones(len(items))
    length = np.nan_to_num(items["length_m"].to_numpy(dtype=np.float64))
    dam, gap = kind == "dam", np.isin(kind, ("spoil gap", "spoil break"))
    peat = dam & items["method"].isin(("wave dam", "peat dam")).to_numpy()
    whole = np.maximum(drains["length_m"].to_numpy(dtype=np.float64), 1e-9)
    unseen = np.clip(drains["unseen_m"].to_numpy(dtype=np.float64) / whole, 0, 1)
    blank = np.clip(drains["unmeasured_m"].to_numpy(dtype=np.float64) / whole, 0, 1)
    # what is not seen may not be there; what could not be measured may be as the rest
    less, more = 1.0 - unseen, 1.0 / np.maximum(1.0 - blank, 1.0 - float(MOST.value))
    most = float(MOST.value)
    bed = _column(stations, "bed_error_m", at)
    dams = total(one, dam)
    fall = np.maximum(np.nan_to_num(drains["fall_m"].to_numpy(dtype=np.float64)), 0.0)
    fall_error: Floats = np.sqrt(2.0) * _mean_error(stations, place, n)
    by_head = np.where(fall > 0, fall_error / np.maximum(fall, 1e-9), 0.0)
    z = float(Z90.value)
    spare = np.minimum(z * by_head, most)
    for k, amount in ((0, dams), (6, total(one, gap))):
        likely[k], low[k], high[k] = amount, amount * (less - spare * less), amount * (more + spare)
    hard = total(one, dam & ~peat)
    turn = _may_turn(stations, at, rules) * peat
    likely[1], low[1] = hard, hard
    turned, doubt = total(turn, peat), np.sqrt(total(turn * (1 - turn), peat))
    high[1] = np.minimum(hard + turned + z * doubt, dams)
    for k, name in ((2, "zip"), (3, "reprofile")):
        amount = total(length, kind == name)
        likely[k], low[k], high[k] = amount, amount * less, amount * more
    power = float(AREA_POWER.value)
    for k, name, size, which in (
        (4, "fill_m3", "height_m", dam), (5, "zip_m3", "first_cut_m", kind == "zip"),
    ):  # fmt: skip
        amount = np.nan_to_num(items[name].to_numpy(dtype=np.float64))
        depth = np.nan_to_num(items[size].to_numpy(dtype=np.float64))
        ratio = np.where(depth > 0, np.minimum(z * bed / np.maximum(depth, 1e-9), most), 0.0)
        likely[k] = total(amount, which)
        low[k] = total(amount * (1 - ratio) ** power, which) * less
        high[k] = total(amount * (1 + ratio) ** power, which) * more
    return _written(likely, np.minimum(low, likely), np.maximum(high, likely), drains, spread)


def _column(stations: gpd.GeoDataFrame, name: str, at: Ints) -> Floats:
    held = np.append(stations[name].to_numpy(dtype=np.float64), np.nan)
    out: Floats = np.nan_to_num(held[at])
    return out


def _mean_error(stations: gpd.GeoDataFrame, place: dict[str, int], n: int) -> Floats:
    error = stations["bed_error_m"].to_numpy(dtype=np.float64)
    own = np.array([place.get(d, -1) for d in stations["drain_id"]], dtype=np.int64)
    use = np.isfinite(error) & (own >= 0)
    count = np.bincount(own[use], minlength=n)
    out: Floats = np.bincount(own[use], error[use], minlength=n) / np.maximum(count, 1)
    return out


def _nearest(
    items: gpd.GeoDataFrame, stations: gpd.GeoDataFrame, place: dict[str, int], own: Ints
) -> Ints:
    """Row of the station nearest each item on its drain, or the number of stations if none."""
    held = np.array([place.get(d, -1) for d in stations["drain_id"]], dtype=np.int64)
    chainage = stations["chainage_m"].to_numpy(dtype=np.float64)
    # drains far apart on one axis, so that one search serves all of them
    apart = 2.0 * (chainage.max(initial=0.0) + items["chainage_m"].max() + 1.0) if len(items) else 1
    order = np.lexsort((chainage, held))
    axis = held[order] * apart + chainage[order]
    want = own * apart + items["chainage_m"].to_numpy(dtype=np.float64)
    if not axis.size:
        return np.zeros(own.size, dtype=np.int64)
    right = np.clip(np.searchsorted(axis, want), 0, axis.size - 1)
    left = np.maximum(right - 1, 0)
    near = np.where(np.abs(axis[left] - want) <= np.abs(axis[right] - want), left, right)
    row = order[near]
    out: Ints = np.where(held[row] == own, row, len(stations))
    return out


def _may_turn(stations: gpd.GeoDataFrame, at: Ints, rules: Rules) -> Floats:
    """Chance that there is less peat below the bed than a dam of peat needs, from its error."""
    below = np.append(stations["peat_below_bed_m"].to_numpy(dtype=np.float64), np.nan)[at]
    error = np.append(stations["peat_error_m"].to_numpy(dtype=np.float64), np.nan)[at]
    ok = np.isfinite(below) & np.isfinite(error) & (error > 0)
    out = np.zeros(at.size)
    need = rules.method.peat_below_bed_min_m
    out[ok] = ndtr((need - below[ok]) / error[ok])
    return out


def _written(
    likely: Floats, low: Floats, high: Floats, drains: gpd.GeoDataFrame, spread: SpreadRules
) -> Ranges:
    rho = spread.ground_correlation

    def joined(gap: Floats) -> Floats:
        out: Floats = np.sqrt(rho * gap.sum(axis=1) ** 2 + (1 - rho) * (gap**2).sum(axis=1))
        return out

    middle = likely.sum(axis=1)
    down, up = middle - joined(likely - low), middle + joined(high - likely)
    rows, ratio = [], {}
    for k, (name, unit, why) in enumerate(QUANTITIES):
        rows += [
            ("drain", d, name, unit, low[k, j], likely[k, j], high[k, j], why)
            for j, d in enumerate(drains["drain_id"])
            if high[k, j] > 0
        ]
    for k, (name, unit, why) in enumerate(QUANTITIES):
        if up[k] <= 0:
            continue
        rows.append(("site", "", name, unit, max(down[k], 0.0), middle[k], up[k], why))
        if middle[k] > 0:
            ratio[name] = (float(max(down[k], 0.0) / middle[k]), float(up[k] / middle[k]))
    table = pd.DataFrame(rows, columns=list(QUANTITY_RANGES.names))
    kinds = {c.name: "float64" if c.kind == "float" else "str" for c in QUANTITY_RANGES.columns}
    return Ranges(columns.checked(table.astype(kinds), QUANTITY_RANGES), ratio)

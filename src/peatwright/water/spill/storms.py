"""Storm flow to each dam and what its outlet stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from peatwright.model.columns import checked
from peatwright.model.spill_rules import SpillRules
from peatwright.model.water_layers import SPILL_FLOWS
from peatwright.model.water_rules import WaterRules
from peatwright.water.hydraulics import overflow_check
from peatwright.water.spill.catchments import Catchments
from peatwright.water.spill.works import Dams
from peatwright.water.storm import RETURN_PERIODS_YEARS, storm_flows

F64 = NDArray[np.float64]
Texts = NDArray[np.object_]


@dataclass(frozen=True, eq=False)
class Storms:
    """Flow of the design storm to each dam (NaN where its catchment is not known), and all flows.

    `flow` is the greatest of the methods for the ground before the works, `after` for the ground
    that drains to the spill after.
    """

    table: pd.DataFrame
    flow_m3s: F64
    low_m3s: F64
    high_m3s: F64
    method: Texts
    after_m3s: F64


def greatest_flow(area_m2: F64, rules: SpillRules, water: WaterRules) -> F64:
    """Return the design storm's flow from areas, the greatest of the methods; 0 from nothing."""
    area = np.asarray(area_m2, np.float64)
    out = np.where(np.isfinite(area), 0.0, np.nan)
    some = np.flatnonzero(area > 0.0)
    if len(some):
        table = storm_flows(
            area[some], rules=water.storm, return_periods_years=[rules.design_period_years]
        )
        out[some] = table.groupby("place")["flow_m3s"].max().to_numpy()
    return out


def storms(
    held: Catchments, after_m2: F64, item_id: Texts, rules: SpillRules, water: WaterRules
) -> Storms:
    """Return storm flows to each dam by every method, side by side.

    Args:
        held: catchments before the works with their range.
        after_m2: ground that drains to each spill after.
        item_id: the dams.
        rules: settings; the design return period is added to the usual ones.
        water: settings of the methods.

    """
    periods = sorted({*RETURN_PERIODS_YEARS, rules.design_period_years})
    n = len(item_id)
    some = np.flatnonzero(held.area_m2 > 0.0)
    nan = np.full(n, np.nan)
    flow, low, high = nan.copy(), nan.copy(), nan.copy()
    method = np.full(n, "", object)
    if not len(some):
        empty = pd.DataFrame({
            c.name: pd.Series([], dtype="float64" if c.kind == "float" else "str")
            for c in SPILL_FLOWS.columns
        })  # fmt: skip
        after = greatest_flow(after_m2, rules, water)
        return Storms(checked(empty, SPILL_FLOWS), flow, low, high, method, after)
    table, least, most = (
        storm_flows(np.maximum(a[some], 1e-3), rules=water.storm, return_periods_years=periods)
        for a in (held.area_m2, held.low_m2, held.high_m2)
    )
    out = pd.DataFrame(
        {
            "item_id": item_id[some][table["place"].to_numpy()],
            "method": table["method"],
            "return_period_years": table["return_period_years"],
            "flow_m3s": table["flow_m3s"],
            "low_m3s": table["low_m3s"],
            "high_m3s": table["high_m3s"],
            "area_low_m3s": least["flow_m3s"],
            "area_high_m3s": most["flow_m3s"],
            "in_range": np.where(table["in_range"], "yes", "no"),
        }
    )
    design = (table["return_period_years"] == rules.design_period_years).to_numpy()
    methods = len(table) // (len(some) * len(periods))
    block = out[design]
    shape = (len(some), methods)
    flows = block["flow_m3s"].to_numpy().reshape(shape)
    best = flows.argmax(axis=1)
    flow[some] = flows.max(axis=1)
    low[some] = block[["low_m3s", "area_low_m3s"]].min(axis=1).to_numpy().reshape(shape).min(axis=1)
    high[some] = (
        block[["high_m3s", "area_high_m3s"]].max(axis=1).to_numpy().reshape(shape).max(axis=1)
    )
    method[some] = block["method"].to_numpy(object).reshape(shape)[np.arange(len(some)), best]
    after = greatest_flow(after_m2, rules, water)
    return Storms(checked(out, SPILL_FLOWS), flow, low, high, method, after)


def outlets(
    dams: Dams, flow_m3s: F64, face_slope: F64, ground: Texts, rules: SpillRules, water: WaterRules
) -> pd.DataFrame:
    """Return head, freeboard, speed and shear of each dam at a flow, NaN where it is not known.

    Columns as `overflow_check`. Water over a notch is checked on the bed below it.
    """
    known = np.isfinite(flow_m3s)
    slope = np.fmax(np.nan_to_num(face_slope, nan=0.0), rules.face_slope_min_ratio)
    table = overflow_check(
        np.where(known, flow_m3s, 0.0), dams.outlet_width_m, dams.crest_m - dams.sill_m, slope,
        ground, water.overflow,
    )  # fmt: skip
    numbers = table.select_dtypes("float").columns
    table.loc[~known, numbers] = np.nan
    return table

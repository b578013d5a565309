"""Storm flow to each dam: every method that applies, side by side, each with its range.

Small-catchment methods differ by a factor of six on the same ground (Genereux 2003: 0.42, 0.50,
1.2 and 2.6 m³/s for one 15.8 ha catchment), so no single figure is ever returned.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from peatwright.model.cited import Cited
from peatwright.model.water_rules import StormRules
from peatwright.water import storm_formulas as sf
from peatwright.water._refuse import numbers, refuse
from peatwright.water.storm_formulas import F64, v

RETURN_PERIODS_YEARS = (2.0, 10.0, 30.0, 100.0)
RAIN_DURATION_S = Cited(3600.0, "s", "duration of the rain depths in the rule sheet", 60, 86400)
LENGTH_RATIO = Cited(
    1.41, "ratio", "flow length over the square root of area where it is not measured", 0.5, 5
)
RAIN_FASTEST_S = Cited(
    300.0, "s", "shortest duration for which a rain depth is worked out", 30, 3600
)

COLUMNS = {
    "place": "index of the catchment as given",
    "method": "method",
    "return_period_years": "return period",
    "flow_m3s": "peak flow with the climate uplift",
    "low_m3s": "low end of the method's own range",
    "high_m3s": "high end of the method's own range",
    "area_low_m3s": "flow if the catchment is smaller by the area error",
    "area_high_m3s": "flow if the catchment is larger by the area error",
    "without_uplift_m3s": "peak flow without the climate uplift",
    "concentration_s": "time of concentration used, NaN where the method has none",
    "in_range": "whether the catchment lies within the method's range of validity",
    "note": "what to know about this figure",
}


def rain_depth_m(
    duration_s: ArrayLike, return_period_years: float, rules: StormRules | None = None
) -> F64:
    """Return the design rain depth for durations at one return period, without uplift.

    The rule sheet's one-hour depths are interpolated over the Gumbel variate (straight beyond the
    ends) and scaled by a power of duration. Replace them by local rainfall statistics.
    """
    rules = rules or StormRules()
    depths = np.array([rules.rain_2y_m, rules.rain_10y_m, rules.rain_30y_m, rules.rain_100y_m])
    if (np.diff(depths) < 0).any():
        refuse(
            "storm rules, rain_2y_m to rain_100y_m",
            ", ".join(f"{d:g}" for d in depths),
            "depths that do not fall with the return period",
            "Mend the rain depths.",
        )
    y = float(sf.gumbel_y(return_period_years))
    knots = sf.gumbel_y(RETURN_PERIODS_YEARS)
    i = int(np.clip(np.searchsorted(knots, y) - 1, 0, len(knots) - 2))
    share = (y - knots[i]) / (knots[i + 1] - knots[i])
    one_hour = max(0.0, float(depths[i] + share * (depths[i + 1] - depths[i])))
    duration = np.maximum(np.asarray(duration_s, np.float64), v(RAIN_FASTEST_S))
    return np.asarray(one_hour * (duration / v(RAIN_DURATION_S)) ** rules.rain_exponent)


def concentration_s(
    length_m: F64, slope_ratio: F64, return_period_years: float, rules: StormRules
) -> F64:
    """Return the kinematic time of concentration and the rain that lasts as long, settled together.

    Rain is heavier the shorter it lasts, and a plane fills faster under heavier rain: a few rounds
    settle both, since each round shrinks the error to about a fifth.
    """
    tc = np.full(length_m.shape, v(RAIN_DURATION_S))
    uplift = 1.0 + rules.climate_uplift_ratio
    for _ in range(25):
        excess = rules.runoff_ratio * uplift * rain_depth_m(tc, return_period_years, rules) / tc
        tc = np.maximum(
            sf.kinematic_s(length_m, slope_ratio, rules.roughness, np.maximum(excess, 1e-12)),
            rules.tc_min_s,
        )
    return np.asarray(tc)


def storm_flows(
    area_m2: ArrayLike,
    *,
    rules: StormRules | None = None,
    return_periods_years: Sequence[float] = RETURN_PERIODS_YEARS,
    flow_length_m: ArrayLike | None = None,
    slope_ratio: ArrayLike | None = None,
) -> pd.DataFrame:
    """Return the peak flow to each catchment's outlet by every method that applies.

    Args:
        area_m2: catchment areas, shape (n,) or one number.
        rules: settings; `country` chooses the methods.
        return_periods_years: each above 1 and at most 1000.
        flow_length_m: longest flow path of each catchment; taken from the area where not given.
        slope_ratio: mean fall along it, m/m; from the rules where not given.

    Returns:
        A row per catchment, method and return period with the columns of `COLUMNS`. Rational and
        SCS flows carry the uplift in their rain, the statistical ones in their flow.

    Raises:
        PeatwrightError: an area, length, slope or return period is outside its range.

    """
    rules = rules or StormRules()
    area = np.atleast_1d(numbers("catchment area (m²)", area_m2, 0.0, 1e9, open_low=True))
    periods = numbers("return period (years)", return_periods_years, 1.0, 1000.0, open_low=True)
    guess = v(LENGTH_RATIO) * np.sqrt(area)
    length = guess if flow_length_m is None else np.broadcast_to(
        numbers("flow length (m)", flow_length_m, 0.0, 1e5, open_low=True), area.shape
    )  # fmt: skip
    slope = np.broadcast_to(
        numbers(
            "slope (m/m)", rules.slope_ratio if slope_ratio is None else slope_ratio, 0.0, 10.0,
            open_low=True,
        ),
        area.shape,
    )  # fmt: skip
    blocks = []
    for period in periods:
        blocks.append(_rational(area, length, slope, float(period), rules))
        if rules.country == "elsewhere":
            blocks.append(_scs(area, length, slope, float(period), rules))
            continue
        blocks.append(_ih124(area, float(period), rules))
        if rules.country == "GB":
            blocks.append(_feh(area, float(period), rules, "FEH QMED 2008"))
            blocks.append(_feh(area, float(period), rules, "FEH QMED 1999"))
    table = pd.concat(blocks, ignore_index=True)
    order = table.sort_values(["place", "return_period_years"], kind="stable", ignore_index=True)
    return order[list(COLUMNS)]


def flow_range(table: pd.DataFrame) -> pd.DataFrame:
    """Return, per catchment and return period, the range over all methods and what sets it.

    Args:
        table: from `storm_flows`.

    Returns:
        Columns place, return_period_years, least_m3s and greatest_m3s over the methods' central
        figures, low_m3s and high_m3s over every range and area error, and the methods
        `least_method` and `greatest_method`. A design takes the greatest unless a competent
        person says why not.

    """
    keys = ["place", "return_period_years"]
    groups = table.groupby(keys, sort=True)["flow_m3s"]
    least = table.loc[groups.idxmin()].set_index(keys)
    most = table.loc[groups.idxmax()].set_index(keys)
    lows = table[["low_m3s", "area_low_m3s"]].min(axis=1).groupby([table[k] for k in keys]).min()
    highs = table[["high_m3s", "area_high_m3s"]].max(axis=1).groupby([table[k] for k in keys]).max()
    return pd.DataFrame(
        {
            "least_m3s": least["flow_m3s"],
            "greatest_m3s": most["flow_m3s"],
            "low_m3s": lows,
            "high_m3s": highs,
            "least_method": least["method"],
            "greatest_method": most["method"],
        }
    ).reset_index()


def _block(
    method: str,
    period: float,
    flow: F64,
    low: F64,
    high: F64,
    areas: tuple[F64, F64],
    bare: F64,
    tc: F64 | float,
    in_range: NDArray[np.bool_] | bool,
    note: str,
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "place": np.arange(len(flow)),
            "method": method,
            "return_period_years": period,
            "flow_m3s": flow,
            "low_m3s": low,
            "high_m3s": high,
            "area_low_m3s": areas[0],
            "area_high_m3s": areas[1],
            "without_uplift_m3s": bare,
            "concentration_s": np.broadcast_to(tc, flow.shape),
            "in_range": np.broadcast_to(in_range, flow.shape),
            "note": note,
        }
    )


def _rational(area: F64, length: F64, slope: F64, period: float, rules: StormRules) -> pd.DataFrame:
    tc = concentration_s(length, slope, period, rules)
    bare_rain = rain_depth_m(tc, period, rules) / tc
    rain = bare_rain * (1.0 + rules.climate_uplift_ratio)
    error = rules.area_error_ratio
    flow = sf.rational_m3s(rules.runoff_ratio, rain, area)
    return _block(
        "rational", period, flow,
        sf.rational_m3s(rules.runoff_low_ratio, rain, area),
        sf.rational_m3s(rules.runoff_high_ratio, rain, area),
        (flow * (1 - error), flow * (1 + error)),
        sf.rational_m3s(rules.runoff_ratio, bare_rain, area),
        tc, True,
        "rain as long as the ground takes to answer; range from the runoff share",
    )  # fmt: skip


def _scs(area: F64, length: F64, slope: F64, period: float, rules: StormRules) -> pd.DataFrame:
    tc = concentration_s(length, slope, period, rules)
    bare_rain = rain_depth_m(tc, period, rules)
    rain = bare_rain * (1.0 + rules.climate_uplift_ratio)
    lag = v(sf.SCS_LAG) * tc

    def peak(depth: F64, number: float) -> F64:
        return sf.scs_peak_m3s(area, sf.scs_runoff_m(depth, number), tc, lag)

    flow = peak(rain, rules.curve_number)
    error = rules.area_error_ratio
    return _block(
        "SCS curve number", period, flow,
        peak(rain, rules.curve_number_low), peak(rain, rules.curve_number_high),
        (flow * (1 - error), flow * (1 + error)),
        peak(bare_rain, rules.curve_number), tc, True,
        "rain as long as the time of concentration; range from the curve number",
    )  # fmt: skip


def _growth(period: float, rules: StormRules) -> float:
    if rules.country == "IE":
        return float(sf.growth_factor_ireland(period))
    return float(sf.growth_factor(rules.growth_region, period))


def _ih124(area: F64, period: float, rules: StormRules) -> pd.DataFrame:
    growth = _growth(period, rules)
    uplift = 1.0 + rules.climate_uplift_ratio
    error = rules.area_error_ratio

    def at(a: F64) -> F64:
        return growth * uplift * sf.qbar_ih124_m3s(a, rules.saar_m, rules.soil_index)

    flow = at(area)
    fse = v(sf.QBAR_ERROR)
    return _block(
        "IH124", period, flow, flow / fse, flow * fse,
        (at(area * (1 - error)), at(area * (1 + error))), flow / uplift, np.nan,
        (area >= v(sf.QBAR_SMALL_M2)) & (area <= 25 * sf.M2_PER_KM2),
        "a daily-flow regression for whole catchments; under 50 ha scaled by area; 68 % range. "
        "Its makers' successors find FEH better",
    )  # fmt: skip


def _feh(area: F64, period: float, rules: StormRules, method: str) -> pd.DataFrame:
    # The median flood has return period 2: its growth is taken from the same regional curve.
    growth = _growth(period, rules) / _growth(2.0, rules)
    uplift = 1.0 + rules.climate_uplift_ratio
    error = rules.area_error_ratio

    def at(a: F64) -> F64:
        read_at = np.maximum(a, v(sf.FEH_SMALL_M2))
        if method == "FEH QMED 2008":
            qmed = sf.qmed_2008_m3s(read_at, rules.saar_m, rules.farl, rules.bfihost)
        else:
            qmed = sf.qmed_1999_m3s(
                read_at, rules.saar_m, rules.farl, rules.bfihost, rules.sprhost_ratio
            )
        return growth * uplift * qmed * a / read_at

    flow = at(area)
    fse = float(sf.feh_error_ratio(period))
    return _block(
        method, period, flow, flow / fse, flow * fse,
        (at(area * (1 - error)), at(area * (1 + error))), flow / uplift, np.nan,
        area >= v(sf.FEH_SMALL_M2),
        "regression on gauged catchments; under 50 ha scaled by area; growth from the regional "
        "curve; 68 % range",
    )  # fmt: skip

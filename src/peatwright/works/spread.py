"""The range of the total cost: P10, P50 and P90, and which rates and quantities drive it.

The price is a fixed sum of counts times rates. Each rate is one driver that acts on all items at
once (a slow operator is slow all season), so its range does not average out over items; outputs of
different kinds of work go together through one correlation, prices of goods through another.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy import stats

from peatwright.model import columns
from peatwright.model.cited import Cited
from peatwright.model.layers import ITEMS
from peatwright.model.programme_layers import COST, COST_DRIVERS
from peatwright.model.programme_rules import SpreadRules
from peatwright.model.rules import Rules
from peatwright.works import methods as mt
from peatwright.works import rating
from peatwright.works.programme.hours import usable
from peatwright.works.sections import Floats

P10, P50, P90 = 0.1, 0.5, 0.9
PERT_WEIGHT = Cited(
    4.0, "ratio", "weight of the likely figure in the mean of a PERT distribution", 1, 20,
    source="Malcolm et al. 1959, Operations Research 7:646: mean (low + 4 likely + high) / 6",
    read="memory",
)  # fmt: skip
DAMS = ("wave dam", "peat dam", "timber dam", "stone dam", "piling dam")
M_PER_KM = 1000.0
M2_PER_HA = 10000.0


@dataclass(frozen=True)
class Amounts:
    """What is built, in the counts that rates apply to."""

    dams: Mapping[str, float]
    extra_buckets: float
    zip_m: float
    reprofile_m: float
    gaps: float
    moves: float
    timbers: float
    stone_t: float
    piling_m2: float

    @property
    def all_dams(self) -> float:
        """Dams of all kinds."""
        return float(sum(self.dams.values()))


@dataclass(frozen=True)
class Driver:
    """One rate or quantity with its range. A `quantity` is a factor on what is built."""

    name: str
    unit: str
    low: float
    likely: float
    high: float
    group: str


@dataclass(frozen=True, eq=False)
class Spread:
    """COST and COST_DRIVERS tables, the draws of the total (D), and how they were made."""

    cost: pd.DataFrame
    drivers: pd.DataFrame
    total: Floats
    p10: float
    p50: float
    p90: float
    words: str


def amounts(items: gpd.GeoDataFrame, rules: Rules) -> Amounts:
    """Count an ITEMS table in the terms of the rates table."""
    items = columns.checked(items, ITEMS)
    kind = items["kind"].to_numpy(dtype=object)
    method = np.array([mt.METHOD_CODE[m] for m in items["method"]], dtype=np.int64)

    def number(name: str) -> Floats:
        out: Floats = np.nan_to_num(items[name].to_numpy(dtype=np.float64))
        return out

    dam, length = kind == "dam", number("length_m")
    wide = np.maximum(items["buckets"].to_numpy(dtype=np.float64) - rules.dam.buckets_min, 0.0)
    need = rating.stuff(np.where(dam, method, 0), number("width_m"), number("height_m"), rules)
    peat = dam & (method <= mt.PEAT)
    return Amounts(
        {name: float((dam & (method == mt.METHOD_CODE[name])).sum()) for name in DAMS},
        float(np.nan_to_num(wide)[peat].sum()),
        float(length[kind == "zip"].sum()),
        float(length[kind == "reprofile"].sum()),
        float(np.isin(kind, ("spoil gap", "spoil break")).sum()),
        float(np.isin(kind, ("dam", "zip", "reprofile")).sum()),
        float(need.timbers[dam].sum()),
        float(need.stone_t[dam].sum()),
        float(need.piling_m2[dam].sum()),
    )


def drivers(
    rules: Rules, spread: SpreadRules, ranges: Mapping[str, tuple[float, float]] | None = None
) -> list[Driver]:
    """Return every driver of the price with its range.

    `ranges` gives, for `dams`, `zip_m`, `reprofile_m` and `spoil_gaps`, low and high as share of
    the likely quantity. A rate with one figure alone gets the range of `single_low_ratio` and
    `single_high_ratio`. Contingency is no driver: it is a reserve, put on top as a fixed share.
    """
    r = rules.rates

    def three(name: str, key: str, unit: str, group: str) -> Driver:
        low, likely, high = (float(getattr(r, f"{key}_{x}")) for x in rating.LEVELS)
        return Driver(name, unit, low, likely, high, group)

    def one(name: str, value: float, unit: str, group: str) -> Driver:
        low, high = value * spread.single_low_ratio, value * spread.single_high_ratio
        return Driver(name, unit, low, value, high, group)

    out = [
        three("machine day", "day", "money/day", ""),
        three("wave dam", "minutes_wave_dam", "min", "output"),
        three("peat dam", "minutes_peat_dam", "min", "output"),
        three("timber dam", "hours_timber_dam", "h", "output"),
        three("stone dam", "hours_stone_dam", "h", "output"),
        three("piling dam", "hours_piling_dam", "h", "output"),
        three("zipping", "zip_m_per_hour", "m/h", "output"),
        three("reprofiling", "reprofile_m_per_day", "m/day", "output"),
        three("spoil gaps", "minutes_spoil_gap", "min", "output"),
        one("wider dams", r.minutes_extra_bucket, "min/bucket", "output"),
        one("moving between items", r.move_minutes, "min", "output"),
        three("timber", "timber", "money", "goods"),
        three("stone", "stone", "money/t", "goods"),
        three("piling", "piling", "money/m²", "goods"),
        one("moving in and out", r.move_in_out, "money", ""),
        one("supervision", r.supervision_ratio, "ratio", ""),
    ]
    words = {"dams": "number of dams", "zip_m": "length zipped",
        "reprofile_m": "length reprofiled", "spoil_gaps": "number of spoil gaps"}  # fmt: skip
    for key, name in words.items():
        low, high = (ranges or {}).get(key, (1.0, 1.0))
        out.append(Driver(name, "ratio", min(low, 1.0), 1.0, max(high, 1.0), "ground"))
    return out


def price_of(held: Amounts, value: Mapping[str, Floats], rules: Rules, tax_ratio: float) -> Floats:
    """Return the total cost (money) for values (each (D,) or a number) of every driver by name."""
    r, hour = rules.rates, float(rating.MINUTES_PER_HOUR.value)
    dams = value["number of dams"]
    stand = held.zip_m * value["length zipped"] / value["zipping"]
    shaped = held.reprofile_m * value["length reprofiled"] / value["reprofiling"] * r.hours_per_day
    built = (
        held.dams["wave dam"] * value["wave dam"] / hour
        + held.dams["peat dam"] * value["peat dam"] / hour
        + held.dams["timber dam"] * value["timber dam"]
        + held.dams["stone dam"] * value["stone dam"]
        + held.dams["piling dam"] * value["piling dam"]
        + held.extra_buckets * value["wider dams"] / hour
    )
    small = (
        held.gaps * value["number of spoil gaps"] * value["spoil gaps"]
        + held.moves * value["moving between items"]
    ) / hour
    hours = built * dams + stand + shaped + small
    goods = dams * (
        held.timbers * value["timber"]
        + held.stone_t * value["stone"]
        + held.piling_m2 * value["piling"]
    )
    works = hours * value["machine day"] / r.hours_per_day + goods
    share = 1.0 + value["supervision"] + r.contingency_ratio
    some = held.all_dams + held.zip_m + held.reprofile_m + held.gaps > 0
    into = value["moving in and out"] if some else 0.0
    out: Floats = np.asarray((works * share + into) * (1.0 + tax_ratio))
    return out


def quantile(driver: Driver, share: Floats, shape: str) -> Floats:
    """Return the value of a driver at a share (0 to 1) of its distribution.

    `shape` is pert (a beta distribution with mean (low + 4 likely + high) / 6) or triangular. Low
    and high are the ends of it: nothing lies beyond them.
    """
    wide = driver.high - driver.low
    if wide <= 0:
        return np.full(np.shape(share), driver.likely)
    peak = (driver.likely - driver.low) / wide
    if shape == "triangular":
        out: Floats = stats.triang.ppf(share, peak, driver.low, wide)
        return out
    w = float(PERT_WEIGHT.value)
    beta: Floats = stats.beta.ppf(share, 1 + w * peak, 1 + w * (1 - peak))
    return driver.low + wide * beta


def _slow(driver: Driver) -> bool:
    """Whether more of it costs less: an output by the hour or day."""
    return driver.unit in {"m/h", "m/day"}


def draw(found: list[Driver], spread: SpreadRules) -> dict[str, Floats]:
    """Draw every driver (D values each), with outputs, goods and ground each going together.

    One shared normal for each group gives the correlation (a Gaussian copula with one factor).
    Draws are stratified, so that each driver's own distribution is met closely. Slow output goes
    with slow output, be it in minutes a dam or metres an hour.
    """
    n = spread.draws
    rng = np.random.default_rng(spread.seed)
    share = {"output": spread.output_correlation, "goods": spread.goods_correlation,
        "ground": spread.ground_correlation}  # fmt: skip
    common = {group: rng.standard_normal(n) for group in share}
    out: dict[str, Floats] = {}
    for d in found:
        own = rng.standard_normal(n)
        rho = share.get(d.group, 0.0)
        z = np.sqrt(rho) * common[d.group] + np.sqrt(1 - rho) * own if d.group in share else own
        rank = np.empty(n)
        rank[np.argsort(z, kind="stable")] = (np.arange(n) + 0.5) / n
        out[d.name] = quantile(d, 1.0 - rank if _slow(d) else rank, spread.shape)
    return out


def spread(
    items: gpd.GeoDataFrame,
    rules: Rules,
    spread_rules: SpreadRules,
    *,
    ranges: Mapping[str, tuple[float, float]] | None = None,
    drain_m: float = 0.0,
    area_m2: float = 0.0,
) -> Spread:
    """Return the distribution of the total cost of a layout (ITEMS table) and its drivers.

    `ranges`: see `drivers`; `drain_m` and `area_m2` (length of drain and area of the works) add
    cost for each km and hectare. Deterministic: the seed is a rule. Raises `RuleError` when rates
    cannot be used, and `ColumnError`.
    """
    usable(rules.rates)
    held = amounts(items, rules)
    found = drivers(rules, spread_rules, ranges)
    values = draw(found, spread_rules)
    total = np.broadcast_to(
        price_of(held, values, rules, spread_rules.tax_ratio), (spread_rules.draws,)
    )
    likely = _at_likely(held, found, rules, spread_rules)
    alone = _alone(held, values, found, rules, spread_rules.tax_ratio)
    table = _cost_table(total, likely, held, drain_m, area_m2, alone, rules)
    p10, p50, p90 = (float(x) for x in np.quantile(total, [P10, P50, P90]))
    words = (
        f"{spread_rules.draws} prices drawn, each rate a {spread_rules.shape} distribution from "
        f"low to high; outputs go together with correlation {spread_rules.output_correlation:g}; "
        f"contingency of {rules.rates.contingency_ratio:.0%} is in every figure"
    )
    ranked = _driver_table(held, found, values, total, rules, spread_rules)
    return Spread(table, ranked, total, p10, p50, p90, words)


def _at_likely(held: Amounts, found: list[Driver], rules: Rules, spread: SpreadRules) -> float:
    likely = {d.name: np.array(d.likely) for d in found}
    return float(price_of(held, likely, rules, spread.tax_ratio))


def _cost_table(
    total: Floats,
    likely: float,
    held: Amounts,
    drain_m: float,
    area_m2: float,
    alone: tuple[Floats, float] | None,
    rules: Rules,
) -> pd.DataFrame:
    money = rules.rates.currency
    bases = [("total", money, 1.0), ("per dam", f"{money}/dam", held.all_dams),
        ("per km of drain", f"{money}/km", drain_m / M_PER_KM),
        ("per hectare", f"{money}/ha", area_m2 / M2_PER_HA)]  # fmt: skip
    rows = []
    for figure, unit, by in bases:
        if by <= 0:
            continue
        p10, p50, p90 = (float(x) / by for x in np.quantile(total, [P10, P50, P90]))
        rows.append((figure, unit, p10, p50, p90, float(total.mean()) / by, likely / by))
    if alone is not None:
        p10, p50, p90 = (float(x) for x in np.quantile(alone[0], [P10, P50, P90]))
        mean = float(alone[0].mean())
        rows.append(("per peat dam alone", f"{money}/dam", p10, p50, p90, mean, alone[1]))
    return columns.checked(pd.DataFrame(rows, columns=list(COST.names)), COST)


def _alone(
    held: Amounts, values: dict[str, Floats], found: list[Driver], rules: Rules, tax_ratio: float
) -> tuple[Floats, float] | None:
    """Cost of one dam of peat without zipping, gaps and moving in: the draws and the likely."""
    peat = {d: n if d in {"wave dam", "peat dam"} else 0.0 for d, n in held.dams.items()}
    count = sum(peat.values())
    if count <= 0:
        return None
    only = Amounts(peat, held.extra_buckets, 0.0, 0.0, 0.0, count, 0.0, 0.0, 0.0)
    zero = {"moving in and out": np.zeros(1), "number of dams": np.ones(1)}
    likely = {d.name: np.array([d.likely]) for d in found}
    return (
        price_of(only, {**values, **zero}, rules, tax_ratio) / count,
        float(price_of(only, {**likely, **zero}, rules, tax_ratio)[0]) / count,
    )


def _driver_table(
    held: Amounts,
    found: list[Driver],
    values: dict[str, Floats],
    total: Floats,
    rules: Rules,
    spread: SpreadRules,
) -> pd.DataFrame:
    """Swings one at a time, and shares of variance by a linear fit of the total on the drivers.

    A driver's share is its coefficient times its covariance with the total, over the variance of
    the total: with correlated drivers each gets its part of what they share, and all sum to the
    fit's R² (Li et al. 2010, J. Phys. Chem. A 114:6022, memory); the rest is named `together`.
    """
    base = {d.name: np.array(d.likely) for d in found}
    live = [d for d in found if d.high > d.low and float(np.std(values[d.name])) > 0]
    variance = float(np.var(total))
    shares = dict.fromkeys((d.name for d in live), 0.0)
    if live and variance > 0:
        x = np.column_stack([values[d.name] for d in live])
        x = (x - x.mean(axis=0)) / x.std(axis=0)
        y = total - total.mean()
        fit = np.linalg.lstsq(x, y, rcond=None)[0]
        cov = x.T @ y / len(y)
        shares = {d.name: float(f * c / variance) for d, f, c in zip(live, fit, cov, strict=True)}
    rows = []
    for d in live:
        ends = []
        for p in (P10, P90):
            at = dict(base)
            at[d.name] = quantile(d, np.array(p), spread.shape)
            ends.append(float(price_of(held, at, rules, spread.tax_ratio)))
        swing = abs(ends[1] - ends[0])
        if swing > 0:
            rows.append(
                (d.name, d.unit, d.low, d.likely, d.high, ends[0], ends[1], swing, shares[d.name])
            )
    rows.sort(key=lambda row: (-row[-2], row[0]))
    if rows:
        rest = 1.0 - sum(row[-1] for row in rows)
        likely = _at_likely(held, found, rules, spread)
        rows.append(("together", "ratio", 1.0, 1.0, 1.0, likely, likely, 0.0, rest))
    table = pd.DataFrame(rows, columns=list(COST_DRIVERS.names))
    kinds = {c.name: "float64" if c.kind == "float" else "str" for c in COST_DRIVERS.columns}
    return columns.checked(table.astype(kinds), COST_DRIVERS)

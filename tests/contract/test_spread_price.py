"""Range of the price beside the price, closed forms, sums by convolution, and sources."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from packs_layout import make

from peatwright.model.columns import empty
from peatwright.model.errors import RuleError
from peatwright.model.layers import ITEMS
from peatwright.model.programme_rules import SpreadRules
from peatwright.model.rates import Rates
from peatwright.model.rules import Rules
from peatwright.works import ranges, sense, spread
from peatwright.works.price import price

RULES, SPREAD = Rules(), SpreadRules()
FREE = dataclasses.replace(
    SPREAD, output_correlation=0.0, goods_correlation=0.0, ground_correlation=0.0, draws=100000
)


@pytest.fixture(scope="module")
def site() -> dict[str, pd.DataFrame]:
    return make(14)[0]


@pytest.fixture(scope="module")
def made(site) -> spread.Spread:
    return spread.spread(site["items"], RULES, SPREAD, drain_m=2500.0, area_m2=150000.0)


def fixed(**changed: float) -> Rates:
    """Rates in which low and high are the likely figure, but for those named."""
    rates = Rates()
    flat = {
        f.name: getattr(rates, f"{f.name.rsplit('_', 1)[0]}_likely")
        for f in dataclasses.fields(rates)
        if f.name.endswith(("_low", "_high"))
    }
    return dataclasses.replace(rates, **{**flat, **changed})


STILL = {"single_low_ratio": 1.0, "single_high_ratio": 1.0}


def site_row(site, rules: Rules) -> pd.Series:
    table = price(site["items"], site["reaches"], site["drains"], rules)
    return table[table["scope"] == "site"].iloc[0]


def test_likely_is_the_price(site, made) -> None:
    whole = made.cost.set_index("figure").loc["total"]
    assert whole["likely"] == pytest.approx(site_row(site, RULES)["cost"], rel=1e-12)


@pytest.mark.parametrize("level", ["low", "high"])
def test_ends_of_all_rates_at_once_are_the_price_s_ends(site, level: str) -> None:
    held = spread.amounts(site["items"], RULES)
    found = spread.drivers(RULES, dataclasses.replace(SPREAD, **STILL))
    quick = {"m/h", "m/day"}
    at = {
        d.name: np.array(getattr(d, {"low": "high", "high": "low"}[level] if d.unit in quick
                                 else level)) for d in found
    }  # fmt: skip
    cost = float(spread.price_of(held, at, RULES, 0.0))
    assert cost == pytest.approx(site_row(site, RULES)[f"cost_{level}"], rel=1e-12)


def test_range_lies_inside_the_ends_and_rises(site, made) -> None:
    row = site_row(site, RULES)
    assert row["cost_low"] < made.p10 < made.p50 < made.p90 < row["cost_high"]


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_triangle_of_one_driver_is_the_closed_form(site, share: float) -> None:
    """Total = a + b x with x triangular (500, 650, 900): quantiles by the textbook formula."""
    rules = Rules(rates=fixed(day_low=500.0, day_high=900.0))
    made = spread.spread(
        site["items"], rules, dataclasses.replace(FREE, shape="triangular", **STILL)
    )
    low, top, high = 500.0, 650.0, 900.0
    cut = (top - low) / (high - low)
    x = (
        low + np.sqrt(share * (high - low) * (top - low))
        if share < cut
        else high - np.sqrt((1 - share) * (high - low) * (high - top))
    )
    row = price(site["items"], site["reaches"], site["drains"], Rules(rates=fixed()))
    whole = row[row["scope"] == "site"].iloc[0]
    r = rules.rates
    more = whole["hours"] / r.hours_per_day * (x - top)
    expected = whole["cost"] + more * (1 + r.supervision_ratio + r.contingency_ratio)
    found = np.quantile(made.total, share)
    assert found == pytest.approx(expected, rel=2e-4)
    assert made.drivers["driver"].tolist()[:1] == ["machine day"]
    assert made.drivers["share_ratio"].iloc[0] == pytest.approx(1.0)


def test_pert_mean_and_spread_are_the_textbook_s() -> None:
    """Mean (low + 4 likely + high) / 6; variance (mean - low)(high - mean) / 7 for weight 4."""
    d = spread.Driver("x", "money", 4.0, 8.0, 15.0, "")
    x = spread.quantile(d, (np.arange(200000) + 0.5) / 200000, "pert")
    mean = (4 + 4 * 8 + 15) / 6
    assert x.mean() == pytest.approx(mean, rel=1e-6)
    assert x.var() == pytest.approx((mean - 4) * (15 - mean) / 7, rel=1e-4)
    assert x.min() >= 4
    assert x.max() <= 15


def test_two_free_drivers_sum_as_by_convolution(site) -> None:
    """Timber and piling prices act by sums alone: their distributions convolve on a fine grid."""
    rules = Rules(rates=fixed(timber_low=2.0, timber_high=40.0))
    held = dataclasses.replace(spread.amounts(site["items"], rules), piling_m2=10.0)
    found = [
        dataclasses.replace(d, low=20.0, likely=90.0, high=200.0) if d.name == "piling" else d
        for d in spread.drivers(rules, dataclasses.replace(FREE, **STILL))
    ]
    values = spread.draw(found, FREE)
    total = spread.price_of(held, values, rules, 0.0)
    step = 1.0
    share = 1 + rules.rates.supervision_ratio + rules.rates.contingency_ratio
    density = []
    for name, count in (("timber", held.timbers), ("piling", held.piling_m2)):
        d = next(d for d in found if d.name == name)
        q = spread.quantile(d, (np.arange(400000) + 0.5) / 400000, "pert") * count * share
        density.append((q.min(), np.bincount(((q - q.min()) / step).astype(int)) / q.size))
    joined = np.cumsum(np.convolve(density[0][1], density[1][1]))
    begin = density[0][0] + density[1][0]
    likely = {d.name: np.array(d.likely) for d in found}
    rest = float(spread.price_of(held, {**likely, "timber": 0.0, "piling": 0.0}, rules, 0.0))
    for p in (0.1, 0.5, 0.9):
        expected = rest + begin + step * (np.searchsorted(joined, p) + 1)
        assert np.quantile(total, p) - rest == pytest.approx(expected - rest, rel=5e-3)


def test_shares_sum_to_the_whole_and_rank_by_swing(made) -> None:
    assert made.drivers["share_ratio"].sum() == pytest.approx(1.0)
    named = made.drivers[made.drivers["driver"] != "together"]
    assert named["swing"].is_monotonic_decreasing
    assert (named["share_ratio"] > -0.01).all()
    assert made.drivers["share_ratio"].iloc[-1] < 0.1


def test_going_together_widens_the_range(site, made) -> None:
    free = spread.spread(site["items"], RULES, dataclasses.replace(SPREAD, output_correlation=0.0))
    tied = spread.spread(site["items"], RULES, dataclasses.replace(SPREAD, output_correlation=0.99))
    wide = [s.p90 - s.p10 for s in (free, made, tied)]
    assert wide[0] < wide[1] < wide[2]
    values = spread.draw(spread.drivers(RULES, SPREAD), SPREAD)
    slow = np.corrcoef(values["wave dam"], values["zipping"])[0, 1]
    assert slow < -0.3, "slow dams go with slow zipping, which is fewer metres an hour"


def test_same_seed_same_figures_other_seed_nearly(site, made) -> None:
    again = spread.spread(site["items"], RULES, SPREAD)
    other = spread.spread(site["items"], RULES, dataclasses.replace(SPREAD, seed=9))
    assert again.p90 == made.p90
    for a, b in ((other.p10, made.p10), (other.p50, made.p50), (other.p90, made.p90)):
        assert a != b
        assert a == pytest.approx(b, rel=0.01)


def test_tax_and_contingency_scale_the_total(site, made) -> None:
    taxed = spread.spread(site["items"], RULES, dataclasses.replace(SPREAD, tax_ratio=0.2))
    assert taxed.p50 == pytest.approx(1.2 * made.p50)


def test_figures_by_dam_km_and_hectare(site, made) -> None:
    rows = made.cost.set_index("figure")
    dams = (site["items"]["kind"] == "dam").sum()
    assert rows.loc["per dam", "p50"] == pytest.approx(made.p50 / dams)
    assert rows.loc["per km of drain", "p50"] == pytest.approx(made.p50 / 2.5)
    assert rows.loc["per hectare", "p50"] == pytest.approx(made.p50 / 15)


def test_empty_layout_costs_nothing() -> None:
    out = spread.spread(empty(ITEMS, "EPSG:27700"), RULES, SPREAD)
    assert (out.p10, out.p50, out.p90) == (0, 0, 0)
    assert len(out.drivers) == 0
    assert sense.sense(out.cost, "GBP")["verdict"].eq("not compared").all()


@pytest.mark.parametrize("changed", [{"zip_m_per_hour_low": 0.0}, {"day_low": 700.0}])
def test_rates_that_cannot_be_are_refused(site, changed: dict) -> None:
    with pytest.raises(RuleError, match="rates"):
        spread.spread(site["items"], Rules(rates=Rates(**changed)), SPREAD)


def test_published_figures_are_the_sources_own_sums() -> None:
    """Exmoor: 175,000 for 50 km, 4,300 blocks, 350 ha. Wharfedale: 4,200 for 42 km."""
    held = {
        basis: sorted(float(c.value) for c in figures)
        for basis, (_, figures) in sense.PUBLISHED.items()
    }
    assert held["per dam"][-1] == pytest.approx(175000 / 4300, abs=0.5)
    assert held["per km of drain"] == [4200 / 42, 175000 / 50]
    assert 175000 / 350 in held["per hectare"]
    assert held["per hectare"][-1] == 1.2e6 / 96
    assert held["per dam"][0] == 19.06  # GOV.UK WN1


def test_ours_lies_within_the_published_spread_or_says_why(made) -> None:
    rows = sense.sense(made.cost, "GBP").set_index("basis")
    alone = rows.loc["cost per peat dam alone"]
    assert alone["verdict"] == "within", "a bare dam of peat beside 19.06 to 41 GBP a block"
    assert rows.loc["cost per hectare", "verdict"] == "within"
    outside = rows[rows["verdict"].isin(["above", "below"])]
    assert (outside["why"] != "").all()
    for row in rows.itertuples():
        if row.verdict == "above":
            assert row.p10 > row.published_high
        if row.verdict == "below":
            assert row.p90 < row.published_low
    other = sense.sense(made.cost, "EUR")
    assert other["verdict"].eq("not compared").all()


def test_quantity_ranges_hold_the_layout_inside(site) -> None:
    out = ranges.quantity_ranges(site["items"], site["drains"], site["stations"], RULES, SPREAD)
    assert (out.table["low"] <= out.table["likely"]).all()
    assert (out.table["likely"] <= out.table["high"]).all()
    whole = out.table[out.table["scope"] == "site"].set_index("quantity")["likely"]
    row = site_row(site, RULES)
    for name in ("dams", "zip_m", "reprofile_m", "fill_m3", "zip_m3"):
        assert whole[name] == pytest.approx(row[name])
    with_ground = spread.spread(site["items"], RULES, SPREAD, ranges=out.ratio)
    names = set(with_ground.drivers["driver"])
    assert {"length zipped", "number of dams"} <= names


def test_no_error_of_the_ground_gives_no_range(site) -> None:
    stations = site["stations"].copy()
    stations["bed_error_m"] = 0.0
    drains = site["drains"].copy()
    drains["unseen_m"] = 0.0
    drains["unmeasured_m"] = 0.0
    out = ranges.quantity_ranges(site["items"], drains, stations, RULES, SPREAD)
    kept = out.table[out.table["quantity"] != "hard dams"]
    assert np.allclose(kept["low"], kept["high"])


def test_volume_grows_with_the_error_as_by_hand(site) -> None:
    """One drain, all dams 0.8 m high and 2 m³, bed known to 0.05 m: (1 + 1.2816 / 16)² at P90."""
    items = site["items"][site["items"]["drain_id"] == "D002"].copy()
    dam = items["kind"] == "dam"
    items.loc[dam, "height_m"] = 0.8
    items.loc[dam, "fill_m3"] = 2.0
    drains = site["drains"][site["drains"]["drain_id"] == "D002"].copy()
    drains[["unseen_m", "unmeasured_m"]] = 0.0
    stations = site["stations"][site["stations"]["drain_id"] == "D002"].copy()
    stations["bed_error_m"] = 0.05
    out = ranges.quantity_ranges(items, drains, stations, RULES, SPREAD)
    row = out.table[(out.table["scope"] == "site") & (out.table["quantity"] == "fill_m3")].iloc[0]
    assert row["likely"] == pytest.approx(2.0 * dam.sum())
    assert row["high"] == pytest.approx(2.0 * dam.sum() * (1 + 1.2816 / 16) ** 2)


def test_peat_that_may_be_too_thin_turns_dams(site) -> None:
    """Peat below the bed just at the limit: each dam turns with chance one half."""
    items = site["items"][site["items"]["drain_id"] == "D002"].copy()
    stations = site["stations"].copy()
    stations["peat_below_bed_m"] = RULES.method.peat_below_bed_min_m
    stations["peat_error_m"] = 0.1
    drains = site["drains"][site["drains"]["drain_id"] == "D002"]
    out = ranges.quantity_ranges(items, drains, stations, RULES, SPREAD)
    rows = out.table[out.table["scope"] == "drain"].set_index("quantity")
    n = rows.loc["dams", "likely"]
    assert rows.loc["hard dams", "likely"] == 0
    assert rows.loc["hard dams", "high"] == pytest.approx(n / 2 + 1.2816 * np.sqrt(n / 4))

"""What every layout keeps to, on ordinary, odd and broken stations."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from benchmarks.drain_tables import Drain, tables
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from peatwright.model import columns
from peatwright.model.layers import ITEM_KINDS, ITEMS, METHODS, QUANTITIES, REACHES
from peatwright.model.rules import Rules
from peatwright.works.lay import Laid, lay, lay_drain
from peatwright.works.price import price

RULES = Rules()
OFTEN_UNKNOWN = (
    "bed_level_m", "depth_m", "top_width_m", "bottom_width_m", "left_edge_level_m",
    "ground_level_m", "right_edge_level_m", "left_fall_m", "right_fall_m", "sag_left_width_m",
    "sag_right_width_m",
    "peat_depth_m", "peat_below_bed_m", "bed_gradient_ratio", "upslope_area_m2", "left_offset_m",
    "spoil_left_height_m", "spoil_right_width_m", "fit_quality_ratio", "left_level_m",
)  # fmt: skip


def stretches(rng: np.random.Generator, n: int, share: float) -> np.ndarray:
    """True over a few random stretches."""
    out = np.zeros(n, dtype=bool)
    if rng.random() < share:
        for _ in range(int(rng.integers(1, 3))):
            a = int(rng.integers(0, n))
            out[a : a + int(rng.integers(1, 30))] = True
    return out


def random_drain(rng: np.random.Generator) -> Drain:
    """A drain that wanders through many methods, with gaps in what is known."""
    length = int(rng.choice([1, 2, 5, 9, 40, 90, 150]))
    n = length + 1
    walk = np.cumsum(rng.normal(0, 0.025, n))
    depth = np.clip(rng.uniform(0.1, 1.3) + walk, 0.05, 2.5)
    fall = rng.uniform(-0.2, 0.5, 2)
    forbidden = stretches(rng, n, 0.5)
    seen = ~stretches(rng, n, 0.3)
    measured = ~stretches(rng, n, 0.3)
    values = {
        "forbidden_why": np.where(forbidden, "overhead line, 10 m", "").astype(object),
        "seen": seen, "measured": measured,
        "unmeasured_why": np.where(measured, "", "under trees").astype(object),
        "left_fall_m": np.full(n, fall[0]), "right_fall_m": np.full(n, fall[1]),
        "spoil_left_height_m": np.where(stretches(rng, n, 0.7), 0.4, 0.0),
        "spoil_right_height_m": np.where(stretches(rng, n, 0.7), 0.3, 0.0),
        "spoil_left_width_m": np.ones(n), "spoil_right_width_m": np.ones(n),
        "peat_below_bed_m": np.clip(1.2 + 10 * walk, -0.5, 3) - depth,
        "upslope_area_m2": rng.uniform(10, 500) * np.arange(1, n + 1),
    }  # fmt: skip
    return Drain(
        length=length, gradient=float(rng.choice([0.0, 0.01, 0.02, 0.04, 0.1, 0.16, 0.3, -0.01])),
        depth=depth, width=np.clip(rng.uniform(0.5, 2.6) + walk, 0.2, 6), sag=rng.uniform(0, 3),
        outfall_kind=str(rng.choice(["junction", "watercourse", "edge", "open ground"])),
        set_=values,
    )  # fmt: skip


def random_site(seed: int) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, gpd.GeoDataFrame]:
    rng = np.random.default_rng(seed)
    unknown = float(rng.choice([0.0, 0.0, 0.02, 0.3]))
    drains = [random_drain(rng) for _ in range(int(rng.integers(1, 5)))]
    made, nodes, stations = tables(drains)
    if len(drains) > 1:
        # The second drain joins the first.
        made.loc[1, ["flows_into", "outfall_kind"]] = ["D001", "junction"]
        made.loc[1, "flows_into_chainage_m"] = float(rng.uniform(0, made.loc[0, "length_m"]))
    for name in OFTEN_UNKNOWN:
        stations.loc[rng.random(len(stations)) < unknown, name] = np.nan
    return made, nodes, stations


def check_rules(laid: Laid, made: gpd.GeoDataFrame, stations: gpd.GeoDataFrame) -> None:
    """What must hold in every layout, written anew from the words of the columns."""
    items, reaches = laid.items, laid.reaches
    columns.checked(items, ITEMS)
    columns.checked(reaches, REACHES)
    assert items["item_id"].is_unique
    assert reaches["reach_id"].is_unique
    assert set(items["reach_id"]) <= set(reaches["reach_id"])
    length = dict(zip(made["drain_id"], made["length_m"], strict=True))
    assert set(reaches["drain_id"]) == set(length)
    for name, own in reaches.groupby("drain_id", sort=False):
        assert own["from_m"].iloc[0] == 0.0
        assert own["to_m"].iloc[-1] == pytest.approx(length[name])
        np.testing.assert_allclose(own["from_m"].iloc[1:], own["to_m"].iloc[:-1])
    for name, own in items.groupby("drain_id", sort=False):
        assert own["order_on_drain"].tolist() == list(range(1, len(own) + 1))
        assert own["chainage_m"].is_monotonic_increasing
        assert (own["from_m"] <= own["chainage_m"] + 1e-9).all()
        assert (own["chainage_m"] <= own["to_m"] + 1e-9).all()
        assert own["from_m"].min() >= -1e-9
        assert own["to_m"].max() <= length[name] + 1e-9
        body = own[own["kind"].isin(["dam", "zip", "reprofile"])].sort_values("from_m")
        assert (body["from_m"].iloc[1:].to_numpy() >= body["to_m"].iloc[:-1] - 1e-6).all()
        at = stations[stations["drain_id"] == name]
        no_go = at.loc[at["forbidden_why"] != "", "chainage_m"].to_numpy()
        for c in no_go:
            assert not ((own["from_m"] < c) & (own["to_m"] > c)).any()
        dams = own[own["kind"] == "dam"]
        apart = np.diff(dams["chainage_m"])
        assert (apart >= RULES.spacing.min_m - 1e-9).all()
        np.testing.assert_allclose(dams["spacing_m"].iloc[:-1], apart)
        zips = own[own["kind"] == "zip"]
        for end in dams["to_m"]:
            soon = (zips["from_m"] >= end - 1e-6) & (
                zips["from_m"] < end + RULES.dam.untouched_below_m - 1e-6
            )
            assert not soon.any()
    peat = items[items["method"].isin(["wave dam", "peat dam"]) & (items["kind"] == "dam")]
    whole = peat["width_m"] / RULES.dam.bucket_m
    np.testing.assert_allclose(whole, np.rint(whole), atol=1e-9)
    assert (peat["buckets"] >= RULES.dam.buckets_min).all()
    over = peat["crest_level_m"] - peat["outlet_level_m"]
    assert (over >= RULES.dam.freeboard_m - 1e-9).all()
    assert (peat["crest_above_ground_m"].dropna() >= -1e-9).all()
    many = peat["buckets"] > RULES.dam.buckets_usual_max
    assert peat.loc[many, "note"].str.contains("more than the usual").all()
    assert (items["why"].str.len() > 20).all()
    assert not items["why"].str.contains("nan").any()
    assert not items["note"].str.contains("nan").any()
    assert not reaches["why"].str.contains("nan").any()


@settings(max_examples=35, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 2**32 - 1))
def test_any_site_keeps_the_rules(seed: int) -> None:
    made, nodes, stations = random_site(seed)
    before = stations.copy(deep=True)
    laid = lay(made, nodes, stations, RULES)
    assert_frame_equal(before, stations)
    check_rules(laid, made, stations)
    again = lay(made, nodes, stations.sample(frac=1.0, random_state=1), RULES)
    assert_frame_equal(laid.items, again.items)
    assert_frame_equal(laid.reaches, again.reaches)
    quantities = price(laid.items, laid.reaches, made, RULES)
    columns.checked(quantities, QUANTITIES)
    by = quantities.groupby("scope")
    total = quantities[quantities["scope"] == "site"].iloc[0]
    for name in ("dams", "zip_m", "drain_m", "hours", "hours_low", "fill_m3", "spoil_m3"):
        for scope in ("drain", "method", "drain and method"):
            if scope in by.groups:
                assert by.get_group(scope)[name].sum() == pytest.approx(total[name])
    assert total["drain_m"] == pytest.approx(made["length_m"].sum())
    assert total["cost_low"] <= total["cost"] <= total["cost_high"]


def test_random_sites_are_varied() -> None:
    """The random sites above are worth something: every method and kind of item comes up."""
    methods, kinds = set(), set()
    for seed in range(40):
        laid = lay(*random_site(seed), RULES)
        methods |= set(laid.reaches["method"])
        kinds |= set(laid.items["kind"])
    assert methods == {m for m in METHODS if m != "peat dam"}
    assert kinds == set(ITEM_KINDS)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_one_drain_alone_is_laid_as_within_the_site(seed: int) -> None:
    """And so nothing done to another drain can change it, its ids included."""
    made, nodes, stations = random_site(seed)
    laid = lay(made, nodes, stations, RULES)
    for name in made["drain_id"]:
        alone = lay_drain(made, nodes, stations, name, RULES)
        for mine, whole in ((alone.items, laid.items), (alone.reaches, laid.reaches)):
            held = whole[whole["drain_id"] == name].reset_index(drop=True)
            assert_frame_equal(mine, held, check_dtype=len(held) > 0)


def test_nothing_given() -> None:
    made, nodes, stations = tables([Drain()])
    empty = lay(made.iloc[:0], nodes, stations.iloc[:0], RULES)
    assert len(empty.items) == len(empty.reaches) == 0
    table = price(empty.items, empty.reaches, made.iloc[:0], RULES)
    assert table["scope"].tolist() == ["site"]
    assert (table.select_dtypes("number") == 0).all().all()
    bare = lay(made, nodes, stations.iloc[:0], RULES)
    assert bare.reaches["method"].tolist() == ["leave alone"]
    assert [f.severity for f in bare.faults] == ["look"]
    odd = lay(made.iloc[:0], nodes, stations, RULES)
    assert "not among the drains" in odd.faults[0].found


def test_forbidden_stretch_is_left_and_said() -> None:
    why = np.where((np.arange(101) >= 40) & (np.arange(101) <= 61), "overhead line, 10 m", "")
    made, nodes, stations = tables(
        [Drain(gradient=0.06, set_={"forbidden_why": why.astype(object)})]
    )
    laid = lay(made, nodes, stations, RULES)
    assert laid.reaches["method"].tolist() == ["wave dam", "leave alone", "wave dam"]
    dams = laid.items[laid.items["kind"] == "dam"]
    above = dams[dams["chainage_m"] < 40].iloc[-1]
    below = dams[dams["chainage_m"] > 61].iloc[0]
    # As near as their ground lets them stand on both sides.
    assert above["chainage_m"] == 39.0
    assert below["chainage_m"] == 63.0
    assert "overhead line, 10 m" in above["spacing_rule"]
    assert "14.0 m over spacing.max_m 10 m" in above["note"]
    head = above["pool_level_m"] - max(
        below["pool_level_m"], 400.0 - 0.06 * (39.0 + 0.5 + above["height_m"])
    )
    assert above["head_m"] == pytest.approx(head)
    assert f"Head is {head - 0.5:.2f} m over spacing.head_max_m 0.5 m" in above["note"]
    assert {f.severity for f in laid.faults} == {"look"}


def test_short_reach_takes_its_neighbours_method() -> None:
    depth = np.full(101, 0.7)
    depth[50:54] = 0.2
    made, nodes, stations = tables([Drain(depth=depth)])
    assert lay(made, nodes, stations, RULES).reaches["method"].tolist() == ["wave dam"]
    depth[50:60] = 0.2
    made, nodes, stations = tables([Drain(depth=depth)])
    assert lay(made, nodes, stations, RULES).reaches["method"].tolist() == [
        "wave dam", "zip", "wave dam",
    ]  # fmt: skip


def test_forbidden_stretch_of_one_station_is_kept() -> None:
    why = np.full(101, "", dtype=object)
    why[50] = "buried service, 5 m"
    made, nodes, stations = tables([Drain(set_={"forbidden_why": why})])
    reaches = lay(made, nodes, stations, RULES).reaches
    assert reaches["method"].tolist() == ["wave dam", "leave alone", "wave dam"]
    assert "buried service, 5 m" in reaches["why"].iloc[1]


@pytest.mark.parametrize(
    ("left", "right", "values", "side"),
    [
        (-0.3, 0.3, {}, "right"),
        (0.3, -0.3, {}, "left"),
        # Both fall away: over the lower sill.
        (0.3, 0.3, {"left_edge_level_m": 400.5}, "left"),
        # Sills as good as equal: the side without spoil, then the downhill one.
        (0.3, 0.3, {"spoil_right_height_m": 0.4, "spoil_right_width_m": 1.0}, "left"),
        (0.3, 0.3, {}, "right"),
        # Spoil does not turn water to ground that rises.
        (-0.3, 0.3, {"spoil_right_height_m": 0.4, "spoil_right_width_m": 1.0}, "right"),
        (-0.2, -0.1, {}, "right"),
    ],
)
def test_outlet_side(left: float, right: float, values: dict[str, float], side: str) -> None:
    drain = Drain(gradient=0.0, set_={"left_fall_m": left, "right_fall_m": right, **values})
    items = lay(*tables([drain]), RULES).items
    dams = items[items["kind"] == "dam"]
    assert (dams["outlet_side"] == side).all()
    bearing = 180.0 if side == "right" else 0.0
    assert (dams["outlet_bearing_deg"] == bearing).all()
    # Right of a drain that runs east is south; the outlet lies at the edge of the sag.
    away = -1.6 if side == "right" else 1.6
    np.testing.assert_allclose(dams["outlet_y_m"], away)
    gaps = items[items["kind"] == "spoil gap"]
    spoiled = side == "right" and "spoil_right_height_m" in values
    assert len(gaps) == (len(dams) if spoiled else 0)
    poor = left < 0 and right < 0
    assert dams["note"].str.contains("does not fall away").all() == poor


def test_dams_move_to_a_good_outlet() -> None:
    """Ground falls away only every 9 m: with 8 m asked for, dams stand there all the same."""
    fall = np.full(121, -0.2)
    fall[3::9] = 0.3
    drain = Drain(length=120, set_={"left_fall_m": -0.2, "right_fall_m": fall})
    rules = replace(RULES, dam=replace(RULES.dam, steady_m=0.0))
    dams = lay(*tables([drain]), rules).items.query("kind == 'dam'")
    assert (dams["outlet_fall_m"] > 0).all()
    assert (dams["spacing_m"].dropna() == 9.0).all()


def test_sag_and_sills_are_evened_out_but_an_even_fall_is_kept() -> None:
    """One odd section moves no dam: widths and levels stay those of the sections around it."""
    plain = lay(*tables([Drain(gradient=0.03)]), RULES)
    made, nodes, stations = tables([Drain(gradient=0.03)])
    odd = stations["chainage_m"].isin([20.0, 28.0, 41.0])
    stations.loc[odd, "sag_left_width_m"] = 6.0
    stations.loc[odd, ["left_edge_level_m", "right_edge_level_m"]] += 0.5
    assert_frame_equal(plain.items, lay(made, nodes, stations, RULES).items)


def test_spoil_is_broken_at_least_as_often_as_the_rule_says() -> None:
    """Long bank beside a zipped drain without dams, and one beside dams that spill elsewhere."""
    bank = {"spoil_left_height_m": 0.4, "spoil_left_width_m": 1.0}
    for drain in (Drain(depth=0.2, length=95, set_=bank), Drain(length=95, set_=bank)):
        items = lay(*tables([drain]), RULES).items
        cut = items[items["kind"] == "spoil break"]
        assert (cut["outlet_side"] == "left").all()
        ends = np.concatenate([[0.0], cut["chainage_m"], [95.0]])
        # Breaks stand inside zip runs, so beside dams they may be moved by half a run.
        slack = 0.0 if drain.depth == 0.2 else 3.0
        assert np.diff(ends).max() <= RULES.zip.spoil_break_every_m + slack
        np.testing.assert_allclose(cut["gap_m3"], 0.5 * 0.4 * 1.0 * cut["gap_width_m"])


def test_gaps_at_outlets_count_as_breaks() -> None:
    bank = {"spoil_right_height_m": 0.4, "spoil_right_width_m": 1.0}
    items = lay(*tables([Drain(length=100, set_=bank)]), RULES).items
    assert (items["kind"] == "spoil gap").sum() == (items["kind"] == "dam").sum()
    # Dams stand every 8 m, so no unbroken bank is over 10 m long.
    assert (items["kind"] == "spoil break").sum() == 0


def test_open_pool_reaches_up_an_even_bed_by_depth_over_gradient() -> None:
    """Peat dams leave the drain open: a pool reaches depth / gradient up, or to the dam above."""
    rules = replace(
        RULES,
        method=replace(RULES.method, preferred="peat dam"),
        spacing=replace(
            RULES.spacing, target_m=30.0, max_m=30.0, head_max_m=2.0, pool_reaches_base=False
        ),
    )
    drain = Drain(length=200, gradient=0.04, depth=0.7, sag_depth=0.1)
    dams = lay(*tables([drain]), rules).items.query("kind == 'dam'")
    free = dams[dams["chainage_m"].diff() > 25]
    assert len(free) >= 2
    np.testing.assert_allclose(free["pool_length_m"], 0.8 / 0.04, atol=1e-6)
    crowded = (
        lay(*tables([drain]), replace(RULES, method=rules.method))
        .items.query("kind == 'dam'")
        .iloc[1:]
    )
    # Up to the lower base of the dam above: half its length (twice the width) and its face's run.
    reach = np.minimum(
        0.8 / 0.04, crowded["spacing_m"].shift(1, fill_value=8.0) - 0.5 * 2.4 - crowded["height_m"]
    )
    np.testing.assert_allclose(crowded["pool_length_m"].iloc[1:], reach.iloc[1:], atol=1e-6)


def test_junctions_keep_their_distance_and_get_a_dam_just_below() -> None:
    made, nodes, stations = tables([
        Drain(length=100), Drain(length=60, outfall_kind="junction", flows_into="D001",
                                 flows_into_m=50.0),
    ])  # fmt: skip
    items = lay(made, nodes, stations, RULES).items
    main = items[(items["drain_id"] == "D001") & (items["kind"] == "dam")]["chainage_m"]
    arm = items[(items["drain_id"] == "D002") & (items["kind"] == "dam")]["chainage_m"]
    assert (main - 50.0).abs().min() >= RULES.spacing.junction_setback_m
    assert main[main > 50.0].min() <= 50.0 + RULES.spacing.junction_setback_m + 1.0
    assert arm.max() <= 60.0 - RULES.spacing.junction_setback_m
    assert arm.max() >= 60.0 - RULES.spacing.junction_setback_m - 2.0


def test_locked_dams_stay_and_the_rest_fits_round_them() -> None:
    made, nodes, stations = tables([Drain(length=100)])
    laid = lay_drain(made, nodes, stations, "D001", RULES, locked=[17.0, 20.2, 61.0])
    dams = laid.items.query("kind == 'dam'")["chainage_m"].tolist()
    assert {17.0, 20.0, 61.0} <= set(dams)
    assert max(np.diff(dams)) <= 10.0
    assert not laid.faults
    refused = lay_drain(
        *tables([Drain(depth=0.2)]), "D001", RULES, locked=[17.0]
    ).faults  # fmt: skip
    assert "no dam can stand" in refused[0].found


def test_published_spacings_are_shown_at_every_dam() -> None:
    dams = lay(*tables([Drain(gradient=0.02)]), RULES).items.query("kind == 'dam'")
    said = dams["spacing_others"].iloc[0]
    for words in (
        "WN1 about 7 m, never over 10 m", "average 25 m, at most 50 m", "20 cm drop: 10.0 m here",
        "Yorkshire average 7.5 m", "wave dams 3-4 m", "Welsh trial 10 m", "common practice 8 m",
        "head limit 0.5 m: 25.0 m here",
    ):  # fmt: skip
        assert words in said
    assert dams["spacing_rule"].iloc[0].startswith("usual distance (spacing.target_m 8 m)")
    steep = lay(*tables([Drain(gradient=0.09)]), RULES).items.query("kind == 'dam'")
    # 0.5 m of head at 9 % is 5.6 m.
    assert "head limit (spacing.head_max_m 0.5 m, here 5.6 m)" in steep["spacing_rule"].iloc[0]
    assert (steep["head_m"].iloc[:-1] <= 0.5 + 1e-9).all()


def test_columns_of_undeclared_tables_are_refused() -> None:
    made, nodes, stations = tables([Drain()])
    with pytest.raises(columns.ColumnError):
        lay(made, nodes, stations.drop(columns="depth_m"), RULES)


def test_dams_are_drawn_across_the_drain_as_wide_as_they_are() -> None:
    items = lay(*tables([Drain()]), RULES).items
    dams = items.query("kind == 'dam'")
    np.testing.assert_allclose(dams.geometry.length, dams["width_m"])
    runs = items.query("kind == 'zip'")
    np.testing.assert_allclose(runs.geometry.length, runs["length_m"])
    np.testing.assert_allclose(pd.Series(dams.geometry.bounds["miny"]), -dams["width_m"] / 2)


def test_reasons_are_words_an_officer_can_say() -> None:
    drain = Drain(
        depth=0.72, width=1.3, gradient=0.021,
        set_={"peat_depth_m": 1.8, "peat_below_bed_m": 1.08, "sag_left_width_m": np.nan},
    )  # fmt: skip
    laid = lay(*tables([drain]), RULES)
    assert laid.reaches["why"].iloc[0] == (
        "Drain 0.72 m deep and 1.3 m wide in 1.8 m of peat, bed falling 2.1 %: wave dam with "
        "zipping (rule method.wave_depth_max_m 1.2 m)."
    )
    dam = laid.items.query("kind == 'dam'").iloc[1]
    # 0.65 m and 1.65 m from the bed to the ends of the sag, 0.3 m of key at both: 2.9 m, 3 buckets.
    assert "Wave dam 3 buckets (3.6 m) wide: it spans 2.3 m of drain and sunk ground" in dam["why"]
    assert "Sag could not be measured on the left" in dam["note"]


def test_price_worked_by_hand() -> None:
    """100 m of drain: 12 dams of 4 buckets, 65 m of zip in 13 runs, 12 gaps; rates by default."""
    bank = {"spoil_right_height_m": 0.4, "spoil_right_width_m": 1.2}
    made, nodes, stations = tables([Drain(length=100, set_=bank)])
    laid = lay(made, nodes, stations, RULES)
    kinds = laid.items["kind"].value_counts()
    assert kinds.to_dict() == {"dam": 12, "zip": 13, "spoil gap": 12}
    assert laid.items["zip_m3"].sum() == pytest.approx(65 * 0.7 * (1.2 + 0.5) / 2)
    table = price(laid.items, laid.reaches, made, RULES).set_index(["scope", "method"])
    wave = table.loc[("drain and method", "wave dam")]
    closed = table.loc[("drain and method", "zip")]
    # Dam 8 min, one bucket more 1.5 min, tracking 1 min, gap 2 min; a day of 8 h at 650.
    assert wave["hours"] == pytest.approx(12 * (8 + 1.5 + 1 + 2) / 60)
    assert wave["hours_low"] == pytest.approx(12 * (4 + 1.5 + 1 + 1) / 60)
    assert wave["hours_high"] == pytest.approx(12 * (15 + 1.5 + 1 + 5) / 60)
    assert wave["cost"] == pytest.approx(wave["hours"] * 650 / 8)
    # 25 m an hour, 40 at best and 15 at worst, and a minute to each of 13 runs.
    assert closed["hours"] == pytest.approx(65 / 25 + 13 / 60)
    assert closed["hours_low"] == pytest.approx(65 / 40 + 13 / 60)
    assert closed["hours_high"] == pytest.approx(65 / 15 + 13 / 60)
    assert closed["cost_high"] == pytest.approx(closed["hours_high"] * 800 / 8)
    # Bank 0.4 × 1.2 m of triangular section, opened over 2.4 m.
    assert wave["spoil_m3"] == pytest.approx(12 * 0.5 * 0.4 * 1.2 * 2.4)
    site = table.loc[("site", "")]
    works = wave["cost"] + closed["cost"]
    assert site["cost"] == pytest.approx(works * 1.2 + 2500)
    assert table.loc[("drain", ""), "cost"] == pytest.approx(works)


def test_dam_fill_by_counting_cells() -> None:
    """A dam's peat on even ground, counted in small columns from the shape it is said to have."""
    drain = Drain(gradient=0.0, depth=0.7, width=1.2, bottom=0.5, sag=1.0, sag_depth=0.1)
    dam = lay(*tables([drain]), RULES).items.query("kind == 'dam'").iloc[1]
    half = dam["width_m"] / 2
    x = (np.arange(4000) + 0.5) / 4000 * half
    # Ground across one half: bed, side, sag rising to its edge, level ground beyond; bed is 0.
    ground = np.interp(x, [0.0, 0.25, 0.6, 1.6, half], [0.0, 0.0, 0.7, 0.8, 0.8])
    crest = dam["crest_level_m"] - dam["bed_level_m"]
    high = crest - ground
    # At each column the dam is as long as its crest and two faces of 1 in 1.
    section = high * 1.0 + high**2
    counted = 2 * section.sum() * half / 4000
    assert dam["fill_m3"] == pytest.approx(counted, rel=1e-3)

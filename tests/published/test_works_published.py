"""Laying out against published rules, worked examples and trade facts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.drain_tables import Drain, tables

from peatwright.model.rules import Rules
from peatwright.works import price, spacing, volumes
from peatwright.works.lay import Laid, lay

RULES = Rules()


def laid(drain: Drain, rules: Rules = RULES, step: float = 1.0) -> Laid:
    return lay(*tables([drain], step), rules)


def dams(held: Laid) -> object:
    return held.items[held.items["kind"] == "dam"].reset_index(drop=True)


# Head per dam (cm) at a fixed spacing: spacing × tan(gradient), worked out from the rules of WN1
# (7 and 10 m), the wave-dam trial told of by the IUCN UK Peatland Programme in 2016 (3.5 m) and
# the older Scottish grant item (25 m).
HEAD_CM = {
    3.5: {1: 6, 2: 12, 3: 18, 5: 31, 7: 43},
    7.0: {1: 12, 2: 24, 3: 37, 5: 61, 7: 86},
    10.0: {1: 17, 2: 35, 3: 52, 5: 87, 7: 123},
    25.0: {1: 44, 2: 87, 3: 131, 5: 219, 7: 307},
}


@pytest.mark.parametrize("distance", HEAD_CM)
@pytest.mark.parametrize("degrees", [1, 2, 3, 5, 7])
def test_head_per_dam_at_fixed_spacing(distance: float, degrees: int) -> None:
    """Drains deep enough that each pool reaches the next dam, spacing held at one distance."""
    slope = float(np.tan(np.radians(degrees)))
    rules = replace(
        RULES,
        spacing=replace(
            RULES.spacing, min_m=distance, target_m=distance, max_m=distance, head_max_m=9.0
        ),
        method=replace(RULES.method, wave_depth_max_m=9.0, gradient_dam_max_ratio=0.5),
    )
    drain = Drain(length=200, gradient=slope, depth=5.0, set_={"peat_below_bed_m": 2.0})
    table = dams(laid(drain, rules, 0.5))
    inner = table.iloc[:-1]
    assert len(inner) >= 5
    np.testing.assert_allclose(inner["spacing_m"], distance)
    np.testing.assert_array_equal(np.rint(inner["head_m"] * 100.0), HEAD_CM[distance][degrees])


@pytest.mark.parametrize(("degrees", "metres"), [(1, 11.5), (2, 5.7), (3, 3.8), (5, 2.3)])
def test_spacing_of_one_dam_per_20_cm_drop(degrees: int, metres: float) -> None:
    """Older Scottish grant item (SRDP Peat Dam): one dam per 20 cm drop, by gradient."""
    slope = np.array([np.tan(np.radians(degrees))])
    _, _, drop = spacing.limits(slope, np.array([1.0]), np.array([0.0]), np.array([0.5]), RULES)
    assert round(float(drop[0]), 1) == metres
    assert f"{metres:.1f} m here" in spacing.others_text(float(slope[0]), np.inf, 0.5)


# Check-dam practice (memory): spacing at most dh / S, number L S / dh.
@pytest.mark.parametrize(
    ("long", "slope", "head", "apart"),
    [(200, 0.05, 0.5, 10), (200, 0.03, 0.6, 20), (100, 0.10, 0.4, 4)],
)
def test_uniform_drain_is_spaced_by_head_over_slope(
    long: int, slope: float, head: float, apart: int
) -> None:
    """On an even bed the head limit alone gives equal spacing of dh / S."""
    rules = replace(
        RULES,
        spacing=replace(
            RULES.spacing, target_m=40.0, max_m=40.0, head_max_m=head, head_setback_max_m=1.0,
            pool_reaches_base=False, outfall_setback_m=0.0, off_target_cost=0.01, close_cost=1000.0,
        ),
    )  # fmt: skip
    # The first and the last dam stand 1 m inside the ends, so that `long` lies between them.
    drain = Drain(length=long + 2, gradient=slope, depth=1.1, set_={"peat_below_bed_m": 2.0})
    table = dams(laid(drain, rules))
    inner = table.iloc[:-1]
    np.testing.assert_allclose(inner["spacing_m"], apart)
    np.testing.assert_allclose(inner["head_m"], head, atol=1e-9)
    assert inner["spacing_rule"].str.startswith("head limit").all()
    assert len(inner) == round(long * slope / head)


def test_pool_volumes_of_worked_examples() -> None:
    """b h² / 2S and (b h² / 2 + z h³ / 3) / S, worked by hand."""
    assert float(volumes.pool_m3(0.5, 0.0, 0.5, 0.05)) == pytest.approx(1.25)
    assert round(float(volumes.pool_m3(0.3, 1.0, 0.5, 0.05)), 4) == 1.5833


def test_section_of_a_new_drain() -> None:
    """GWCT, upland drainage: top 68, bottom 30, depth 36 cm, area 1,764 cm²."""
    area = volumes.trapezium_m2(0.68, 0.30, 0.36) * 1e4
    assert round(float(area)) == 1764


def test_common_practice_of_wave_dams() -> None:
    """Common practice: dams about every 8 m, about 6 m of zip between, 3 to 5 buckets wide."""
    buckets = []
    for sag in (0.4, 1.0, 1.4, 2.0):
        held = laid(Drain(length=200, sag=sag, width=0.9))
        table = dams(held)
        assert (table["method"] == "wave dam").all()
        assert table["spacing_m"].median() == 8.0
        zips = held.items[held.items["kind"] == "zip"]
        between = zips.iloc[1:-1]["length_m"]
        assert between.median() == pytest.approx(6.0, abs=0.5)
        buckets += table["buckets"].tolist()
        # Bucket to full drain depth; second cut about half the first.
        np.testing.assert_allclose(zips["first_cut_m"], 0.7)
        np.testing.assert_allclose(zips["second_cut_m"], 0.35)
    assert min(buckets) == 3
    assert max(buckets) == 5


def test_ground_below_a_dam_stays_untouched() -> None:
    """Common practice: about 1 m of ground below a dam stays untouched."""
    items = laid(Drain(length=120)).items
    dam_ends = items[items["kind"] == "dam"]["to_m"].to_numpy()
    starts = items[items["kind"] == "zip"]["from_m"].to_numpy()[1:]
    for start in starts:
        assert start - dam_ends[dam_ends <= start].max() == pytest.approx(1.0)


def test_wn1_distance_and_pool_rule() -> None:
    """WN1: never over 10 m, and the pool reaches above the base of the next dam upslope."""
    rng = np.random.default_rng(3)
    for slope in (0.002, 0.01, 0.03, 0.06, 0.1):
        n = 301
        depth = 0.6 + 0.1 * np.convolve(rng.normal(0, 1, n + 20), np.ones(21) / 21, "valid")
        table = dams(laid(Drain(length=300, gradient=slope, depth=depth)))
        assert table["spacing_m"].max() <= float(spacing.WN1_MAX.value)
        # The lower base of a dam lies half its crest and its face's run below its chainage.
        toe_m = table["chainage_m"] + 0.5 + table["height_m"]
        toe_level = 400.0 - slope * toe_m
        assert (table["pool_level_m"].to_numpy()[1:] >= toe_level.to_numpy()[:-1] - 0.0015).all()


def test_crest_stands_over_the_drain_top() -> None:
    """SRDP Peat Dam: 10 cm above the drain top, and at least twice the drain's width long."""
    rules = replace(RULES, method=replace(RULES.method, preferred="peat dam"))
    table = dams(laid(Drain(width=1.1), rules))
    assert (table["method"] == "peat dam").all()
    top = table["bed_level_m"] + 0.7
    assert (table["crest_level_m"] - top >= 0.10 - 1e-9).all()
    assert (table["length_m"] >= 2 * 1.1 - 1e-9).all()


def test_materials_of_hard_dams() -> None:
    """Peak Naze gully blocking 2017 (aitchconservation.com), derived: 6 timbers, 0.75 t stone."""
    steep = Drain(gradient=0.15)
    mineral = Drain(set_={"peat_below_bed_m": -0.1})
    drains, nodes, stations = tables([steep, mineral])
    held = lay(drains, nodes, stations, RULES)
    table = price.price(held.items, held.reaches, drains, RULES)
    by = table[table["scope"] == "method"].set_index("method")
    assert by.loc["timber dam", "timbers"] == 6 * by.loc["timber dam", "dams"] > 0
    assert by.loc["stone dam", "stone_t"] == 0.75 * by.loc["stone dam", "dams"] > 0


@pytest.mark.parametrize(
    ("drain", "method"),
    [
        # SNH Fen Management Handbook pp 158-160: unstable beyond 1.2 m deep by excavator.
        (Drain(depth=1.19, set_={"peat_below_bed_m": 2.0}), "wave dam"),
        (Drain(depth=1.21, set_={"peat_below_bed_m": 2.0}), "piling dam"),
        # Yorkshire Peat Partnership, Small Grips: peat of 0.5 m or more for a peat dam.
        (Drain(depth=0.4, set_={"peat_depth_m": 0.49, "peat_below_bed_m": np.nan}), "stone dam"),
        (Drain(depth=0.4, set_={"peat_depth_m": 0.51, "peat_below_bed_m": np.nan}), "wave dam"),
        # Armstrong et al. 2009 (abstract): peat turf dams fail on steep slopes and mineral beds.
        (Drain(gradient=0.13), "timber dam"),
        (Drain(set_={"peat_below_bed_m": 0.0}), "stone dam"),
        # The same, 1 to 2 m wide takes stone (Yorkshire Peat Partnership, Gullies); wider, timber.
        (Drain(width=2.2, set_={"peat_below_bed_m": 0.0}), "timber dam"),
        # Mineral bed and wider than any dam for it: nothing serves.
        (Drain(width=2.8, set_={"peat_below_bed_m": 0.0}), "leave alone"),
        (Drain(gradient=0.3), "reprofile"),
        # Sides of 33° or more (Yorkshire Peat Partnership, peat hags) are eased; gentler ones not.
        (Drain(width=5.0, bottom=3.2, depth=0.6), "reprofile"),
        (Drain(width=5.0, bottom=3.1, depth=0.6), "wave dam"),
        (Drain(depth=0.2), "zip"),
        (Drain(set_={"upslope_area_m2": 80_000.0}), "timber dam"),
        (Drain(set_={"upslope_area_m2": 900_000.0}), "leave alone"),
        (Drain(set_={"seen": False}), "leave alone"),
        (Drain(set_={"measured": False}), "leave alone"),
        (Drain(set_={"forbidden_why": "heritage, 20 m"}), "leave alone"),
        (Drain(set_={"peat_depth_m": np.nan, "peat_below_bed_m": np.nan}), "wave dam"),
    ],
)  # fmt: skip
def test_method_of_a_reach(drain: Drain, method: str) -> None:
    reaches = laid(drain).reaches
    assert reaches["method"].tolist() == [method]


def test_timber_dams_stand_no_higher_than_published() -> None:
    """Yorkshire Peat Partnership, Gullies and Large Grips: timber traps up to 1 m high."""
    deep = Drain(depth=1.8, width=2.3, set_={"peat_below_bed_m": 0.5})
    table = dams(laid(deep))
    assert (table["method"] == "timber dam").all()
    assert (table["height_m"] <= 1.0 + 1e-9).all()

"""The water in the chain: its layers, rasters and figures are what the pure functions give."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from peatwright.model.layers import LAYERS
from peatwright.model.rules import Rules
from peatwright.model.water_layers import WATER_LAYERS
from peatwright.site.folder import open_site
from peatwright.site.store import Store
from peatwright.stages import fingerprints
from peatwright.water.account import account
from peatwright.water.hydraulics import overflow_check
from peatwright.water.site_table import site_table
from peatwright.water.storm import storm_flows

MADE = (
    "spills", "spill_paths", "spill_flows", "outfalls", "arrivals", "water_findings",
    "water_figures",
)  # fmt: skip


@pytest.fixture(scope="module")
def store(run_demo: Path) -> Store:
    return Store(run_demo)


def figure(store: Store, starts: str) -> Any:
    table = store.table("water_figures")
    return table[table["figure"].str.startswith(starts)].iloc[0]


def test_layers_are_declared_and_only_written_when_made(store: Store) -> None:
    made = store.tables()
    assert set(MADE) <= set(made) <= set(LAYERS)
    assert not set(made) & (set(WATER_LAYERS) - set(MADE)), "nobody has run a storm"


def test_every_dam_has_its_water(store: Store) -> None:
    items = store.table("items")
    dams = items.loc[items["kind"] == "dam", "item_id"]
    spills = store.table("spills")
    assert len(dams) > 50
    assert list(spills["item_id"]) == list(dams)
    flows = store.table("spill_flows")
    methods = flows.groupby("item_id")["method"].nunique()
    assert (methods == 4).all(), "four methods apply in Great Britain, side by side"
    assert set(flows["return_period_years"]) == {2.0, 10.0, 30.0, 100.0}
    known = spills[np.isfinite(spills["flow_m3s"])]
    assert set(flows["item_id"]) == set(known["item_id"])


def test_stored_storm_flows_are_those_of_the_formulas(store: Store) -> None:
    spills = store.table("spills").sort_values("flow_m3s").iloc[[5, 40, -1]]
    flows = store.table("spill_flows")
    rules = Rules().storm
    assert flows["flow_m3s"].gt(0).all()
    for dam in spills.itertuples():
        pure = storm_flows([dam.upslope_m2], rules=rules)
        own = flows[flows["item_id"] == dam.item_id]
        both = own.merge(pure, on=["method", "return_period_years"], suffixes=("", "_pure"))
        assert len(both) == len(own) == len(pure)
        np.testing.assert_allclose(both["flow_m3s"], both["flow_m3s_pure"], rtol=1e-9)
        at = own[own["return_period_years"] == dam.return_period_years]
        assert dam.flow_m3s == pytest.approx(at["flow_m3s"].max())


def test_heads_are_those_of_a_broad_crested_weir(store: Store) -> None:
    """h = (Q / c b)^(2/3) by hand, with the rule sheet's coefficient."""
    spills = store.table("spills").dropna(subset=["head_m", "flow_m3s"])
    c = Rules().overflow.weir_coefficient
    by_hand = (spills["flow_m3s"] / (c * spills["outlet_width_m"])) ** (2 / 3)
    np.testing.assert_allclose(spills["head_m"], by_hand, rtol=1e-9)
    now = spills.dropna(subset=["flow_after_m3s", "speed_mps"])
    pure = overflow_check(
        now["flow_after_m3s"], now["outlet_width_m"], 0.15, now["face_slope_ratio"],
        now["ground_below"].to_numpy(object), Rules().overflow,
    )  # fmt: skip
    np.testing.assert_allclose(now["speed_mps"], pure["speed_mps"], rtol=1e-9)
    np.testing.assert_allclose(now["shear_pa"], pure["shear_pa"], rtol=1e-9)


def test_water_table_rasters_and_figures_are_those_of_the_solver(store: Store) -> None:
    pure = site_table(
        store.raster("dtm"), store.table("stations"), store.table("items"), Rules(),
        peat_depth=store.raster("peat_depth"),
    )  # fmt: skip
    for name, result in (("before", pure.before), ("after", pure.after)):
        held = store.raster(f"water_depth_{name}")
        assert held.grid.dx_m == Rules().water_table.cell_m
        np.testing.assert_array_equal(held.values, result.depth.values)
        assert figure(store, "mean depth")[name] == pytest.approx(result.mean_m, rel=1e-12)
        assert figure(store, "share of ground")[name] == pytest.approx(result.wet_ratio)
        assert result.budget.error_ratio < 1e-6
    assert pure.before.mean_m > pure.after.mean_m, "closing drains wets the ground"
    assert pure.change.rise_m < 0.09, "more than blanket bogs have shown (Holden et al. 2011)"


def test_no_ground_is_lost_on_its_way(store: Store) -> None:
    report = store.states()["water"].report["water"]
    assert report["before_error_ratio"] < 1e-9
    assert report["after_error_ratio"] < 1e-9
    carried = figure(store, "length of drain")
    assert carried["after"] < carried["before"]
    area = store.raster("flow_before")
    ground = np.isfinite(area.values)
    assert np.nanmax(area.values) <= ground.sum() * area.grid.cell_area_m2


def test_findings_of_the_water_stand_among_all_and_say_where_to_look(store: Store) -> None:
    own, all_of_them = store.table("water_findings"), store.table("findings")
    assert set(own["finding_id"]) <= set(all_of_them["finding_id"])
    assert all_of_them["finding_id"].is_unique
    assert set(own["topic"]) == {"water"}
    assert (own["what"].str.contains("water table")).sum() == 1
    order = all_of_them["severity"].map({"stop": 0, "look": 1, "note": 2})
    assert order.is_monotonic_increasing


def test_a_new_storm_reruns_the_water_and_not_the_layout(run_demo: Path) -> None:
    site, rules = open_site(run_demo), Rules()
    storm = dataclasses.replace(rules.storm, climate_uplift_ratio=0.5)
    one, two = (
        fingerprints(site, rules),
        fingerprints(site, dataclasses.replace(rules, storm=storm)),
    )
    changed = {name for name in one if one[name] != two[name]}
    assert {"water", "prove", "brief"} <= changed
    assert not changed & {"take", "find", "ground", "measure", "lay", "price"}


def test_the_pack_has_the_pages(run_demo: Path) -> None:
    pdf = (run_demo / "pack/water.pdf").read_bytes()
    assert pdf.startswith(b"%PDF")
    read_me = (run_demo / "pack/README.txt").read_text("utf-8")
    assert "water.pdf" in read_me


def test_without_a_layer_of_water_there_are_no_pages(store: Store) -> None:
    from peatwright.packs.water_pages import water_pdf
    from peatwright.stages import pack_info

    tables = {n: t for n, t in store.tables().items() if n not in WATER_LAYERS}
    info = pack_info(open_site(store.folder), store, "2026-01-01")
    assert water_pdf(tables, store.raster("dtm"), {}, {}, Rules(), info) == []


def test_with_nothing_to_build_nothing_changes(store: Store) -> None:
    tables = {n: store.table(n) for n in ("drains", "stations", "items", "limits", "boundary")}
    tables["items"] = tables["items"].iloc[:0]
    made = account(store.raster("dtm"), tables, Rules())
    change = made.table.change
    assert change.mean_before_m == pytest.approx(change.mean_after_m, abs=1e-4)
    one, two = made.rasters["flow_before"].values, made.rasters["flow_after"].values
    np.testing.assert_array_equal(one, two)
    assert not len(made.tables["spills"])
    assert not len(made.tables["arrivals"])

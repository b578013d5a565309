"""Where water goes on ground whose answer is known by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
import shapely
from spill_ground import CRS, DEPTH_M, HEAD, dam, drain_y, items, limit, plane, tables, zipped

from peatwright.model.columns import checked
from peatwright.model.errors import PeatwrightError
from peatwright.model.ground_layers import FINDINGS
from peatwright.model.raster import Raster
from peatwright.model.spill_rules import SpillRules
from peatwright.model.water_layers import ARRIVALS, OUTFALLS, SPILL_FLOWS, SPILL_PATHS, SPILLS
from peatwright.terrain.flow.codes import LEAVES
from peatwright.water.prove_water import Spill, change_drain, prove_water, spill
from peatwright.water.spill.route import route

QUICK = SpillRules(moved_runs=0)
AT_M = 40.0
DAM_X = HEAD + 0.5 + AT_M


def proved(ground: Raster, works: pd.DataFrame, **other: object) -> Spill:
    drains, stations = tables(ground)
    return spill(ground, drains, stations, works, rules=QUICK, **other)


@pytest.fixture(scope="module")
def ground() -> Raster:
    return plane()


@pytest.fixture(scope="module")
def one(ground: Raster) -> Spill:
    return proved(ground, items(dam(ground, AT_M)))


def test_water_leaves_sideways_and_runs_straight_down_the_slope(ground: Raster, one: Spill) -> None:
    row = one.dams.iloc[0]
    assert row.place == "outlet"
    assert row.path_end == "edge of the terrain"
    # The ground falls due south, so the way from the drain to the edge is a straight line.
    south = drain_y(ground.grid, 60) - 0.5 * ground.grid.dy_m
    assert south - 3.0 < row.over_bog_m < south + 1.0
    line = one.paths.geometry.iloc[0]
    x = np.asarray(line.coords)[:, 0]
    assert np.ptp(x) < 3.0
    assert abs(x[-1] - DAM_X) < 3.0
    assert np.isnan(row.back_in_drain_m)


def test_dam_takes_the_ground_above_it_from_the_outfall(ground: Raster, one: Spill) -> None:
    grid = ground.grid
    # Every cell north of the drain drains south into it; a row of them above each metre of drain.
    above = 61 * grid.dy_m
    drain_end = one.outfalls[one.outfalls.drain_id == "D1"].iloc[0]
    assert drain_end.before_m2 == pytest.approx(above * (grid.cols - HEAD) * grid.dx_m, rel=0.05)
    left = above * (grid.cols * grid.dx_m - DAM_X)
    assert drain_end.after_m2 == pytest.approx(left, abs=3.0 * above)
    row = one.dams.iloc[0]
    assert row.upslope_m2 == pytest.approx(above * AT_M, abs=4.0 * above)
    assert row.upslope_after_m2 == pytest.approx(above * AT_M, abs=3.0 * above)
    assert one.summary.changed_hands_m2 == pytest.approx(above * AT_M, abs=3.0 * above)


def test_no_water_is_lost_or_made(ground: Raster, one: Spill) -> None:
    assert one.summary.before_error_ratio < 1e-12
    assert one.summary.after_error_ratio < 1e-12
    for routed in (one.before, one.after):
        out = routed.upslope_m2[routed.codes == LEAVES].sum()
        assert out == pytest.approx(ground.values.size * ground.grid.cell_area_m2, rel=1e-12)
    assert one.outfalls.before_m2.sum() == pytest.approx(one.summary.ground_m2, rel=1e-12)
    assert one.outfalls.after_m2.sum() == pytest.approx(one.summary.ground_m2, rel=1e-12)
    gone, come = one.outfalls.lost_m2.sum(), one.outfalls.gained_m2.sum()
    assert gone == pytest.approx(come) == one.summary.changed_hands_m2


def test_spilled_water_is_what_came_down_the_drain(one: Spill) -> None:
    # It spreads, so the share over the south edge is the whole of what spills.
    edge = one.after.codes == LEAVES
    assert one.spilled.values[edge].sum() == pytest.approx(one.dams.upslope_after_m2[0], rel=0.02)
    assert one.summary.spilled_m2 > 0.0


def test_second_dam_catches_water_that_the_first_sends_over_uphill_side(ground: Raster) -> None:
    # An outlet uphill cannot be left: the water finds another way and the officer is told.
    got = proved(ground, items(dam(ground, AT_M, side="left", crest_level_m=100.5)))
    assert got.dams.place[0] == "other side"
    assert got.findings.what.str.contains("other side than the outlet").any()


def test_low_crest_lets_the_routed_water_over_the_dam(ground: Raster) -> None:
    bed = float(ground.values[60, 45])
    low = dam(ground, AT_M, crest_level_m=bed + 0.1, outlet_level_m=bed + 0.1, pool_level_m=bed)
    low["outlet_x_m"], low["outlet_y_m"] = low["x_m"], low["y_m"] - 0.5
    rules = dataclasses.replace(QUICK, outlet_beyond_m=0.0, outlet_width_m=0.3)
    drains, stations = tables(ground)
    got = spill(ground, drains, stations, items(low), rules=rules)
    row = got.dams.iloc[0]
    assert row.place == "over the dam"
    assert row.back_in_drain_m < 5.0
    assert row.back_into == "open"
    assert got.findings.what.str.contains("over the crest").any()


def test_stone_dam_spills_over_its_notch_down_its_own_drain(ground: Raster) -> None:
    bed = float(ground.values[60, 45])
    hard = dam(
        ground, AT_M, side="", method="stone dam", half_m=1.5, outlet_level_m=bed + 0.3,
        crest_level_m=bed + 0.45, outlet_bearing_deg=np.nan,
    )  # fmt: skip
    row = proved(ground, items(hard)).dams.iloc[0]
    assert row.place == "over its notch"
    assert row.path_end == "drain left open"
    assert row.over_bog_m < 5.0
    assert row.over_sill_m == pytest.approx(0.0, abs=1e-4)


def test_zipped_drain_carries_no_flow(ground: Raster) -> None:
    # Zipped to the lower bank, a drain across the slope lets the water over it everywhere.
    got = proved(ground, items(zipped(ground, 0.0, 94.0)))
    assert got.summary.carrying_before_m > 70.0
    carrying = got.summary
    assert carrying.carrying_open_after_m == 0.0
    assert carrying.carrying_closed_after_m < 5.0
    assert carrying.closed_m == pytest.approx(carrying.drain_m)


def test_spilled_water_meets_the_next_drain(ground: Raster) -> None:
    values = ground.values.copy()
    values[90, :] -= DEPTH_M
    two = Raster(values, ground.grid)
    drains, stations = tables(ground)
    lower_drains, lower = tables(two, 90)
    both = pd.concat([drains, lower_drains.assign(drain_id="D2")], ignore_index=True)
    places = pd.concat([stations, lower.assign(drain_id="D2")], ignore_index=True)
    got = spill(two, both, places, items(dam(two, AT_M)), rules=QUICK)
    row = got.dams.iloc[0]
    assert row.path_end == "drain left open"
    assert row.enters_drains == "D2"
    assert row.over_bog_m == pytest.approx(30 * ground.grid.dy_m, abs=3.0)


def test_burn_and_existing_flow_line_end_a_path(ground: Raster) -> None:
    y = drain_y(ground.grid, 80)
    burn = shapely.LineString([(0, y), (100, y)]).buffer(10.0)
    row = proved(ground, items(dam(ground, AT_M)), limits=limit("watercourse", burn, 10.0)).dams
    assert row.path_end[0] == "watercourse"
    # The added distance of 10 m is taken off again, so the way ends at the burn itself.
    assert row.over_bog_m[0] == pytest.approx(20 * ground.grid.dy_m, abs=3.5)


def test_flat_site_has_an_answer(ground: Raster) -> None:
    flat = plane(south=0.0, bed_fall=0.0)
    got = proved(flat, items(dam(flat, AT_M)))
    assert got.summary.after_error_ratio < 1e-12
    assert len(got.dams) == 1
    assert got.dams.place[0] != "unknown"
    assert np.isfinite(got.flow_after.values).all()


@pytest.mark.parametrize(("kind", "severity"), [("water supply", "stop"), ("track", "look")])
def test_arrivals_are_found(ground: Raster, kind: str, severity: str) -> None:
    below = shapely.box(30, 2, 50, 8)
    got = proved(ground, items(dam(ground, AT_M)), limits=limit(kind, below))
    came = got.arrivals[got.arrivals.kind == kind]
    assert len(came) == 1
    above = 61 * ground.grid.dy_m * AT_M
    assert came.more_here_m2.iloc[0] == pytest.approx(above, rel=0.1)
    rows = got.findings[got.findings.place.str.startswith(kind)]
    assert rows.severity.tolist() == [severity]
    # Beside the spill nothing arrives.
    beside = shapely.box(70, 2, 90, 8)
    none = proved(ground, items(dam(ground, AT_M)), limits=limit(kind, beside))
    assert not (none.arrivals.kind == kind).any()


def test_buildings_bare_peat_and_the_neighbour_are_watched(ground: Raster) -> None:
    place = shapely.box(30, 5, 50, 8)
    works = items(dam(ground, AT_M))
    boundary = tables(ground)[0][["geometry"]].copy()
    boundary["name"] = ""
    boundary["geometry"] = [shapely.box(5, 12, 95, 58)]
    got = proved(ground, works, buildings=place, bare_peat=place, boundary=boundary)
    assert set(got.arrivals.kind) == {"building", "bare peat", "boundary"}
    stops = got.findings[got.findings.severity == "stop"]
    assert stops.place.tolist() == ["building"]


def test_outlet_onto_bare_peat_is_a_finding(ground: Raster) -> None:
    got = proved(ground, items(dam(ground, AT_M)), bare_peat=shapely.box(30, 20, 50, 40))
    assert got.dams.ground_below[0] == "bare peat"
    assert got.findings.what.str.contains("onto bare peat").any()


def test_mineral_bed_is_a_finding(ground: Raster) -> None:
    drains, stations = tables(ground)
    cut = stations.assign(peat_below_bed_m=-0.1)
    got = spill(ground, drains, cut, items(dam(ground, AT_M)), rules=QUICK)
    assert got.findings.what.str.contains("cut into mineral").any()


def test_head_follows_the_weir(one: Spill) -> None:
    row = one.dams.iloc[0]
    # h = (Q / (c b))^(2/3), weir equation; c = 1.45 m^0.5/s is the rule's own value.
    head = (row.flow_m3s / (1.45 * row.outlet_width_m)) ** (2.0 / 3.0)
    assert row.head_m == pytest.approx(head, rel=1e-9)
    assert row.freeboard_m == pytest.approx(0.5 - head, abs=1e-5)
    assert row.flow_low_m3s < row.flow_m3s < row.flow_high_m3s


def test_methods_stand_side_by_side(one: Spill) -> None:
    thirty = one.flows[one.flows.return_period_years == 30.0]
    assert set(thirty.method) == {"rational", "IH124", "FEH QMED 2008", "FEH QMED 1999"}
    assert one.dams.flow_m3s[0] == pytest.approx(thirty.flow_m3s.max())
    assert set(one.flows.return_period_years) == {2.0, 10.0, 30.0, 100.0}


def test_tables_keep_to_their_columns(one: Spill) -> None:
    for table, layer in (
        (one.dams, SPILLS), (one.paths, SPILL_PATHS), (one.flows, SPILL_FLOWS),
        (one.outfalls, OUTFALLS), (one.arrivals, ARRIVALS), (one.findings, FINDINGS),
    ):  # fmt: skip
        checked(table, layer)
    assert one.findings.finding_id.is_unique


def test_moved_terrain_gives_a_range_and_the_same_one_each_time() -> None:
    rough = plane(60, 60, 1.0, 1.0, drain_row=30)
    drains, stations = tables(rough, 30)
    works = items(dam(rough, 30.0, 30))
    rules = SpillRules(moved_runs=3)
    a, b = (spill(rough, drains, stations, works, rules=rules).dams.iloc[0] for _ in range(2))
    assert a.upslope_low_m2 <= a.upslope_m2 <= a.upslope_high_m2
    assert a.upslope_low_m2 < a.upslope_high_m2
    assert (a.upslope_low_m2, a.upslope_high_m2) == (b.upslope_low_m2, b.upslope_high_m2)
    set_share = spill(rough, drains, stations, works, rules=QUICK).dams.iloc[0]
    assert set_share.upslope_high_m2 == pytest.approx(1.5 * set_share.upslope_m2)
    assert "50 %" in set_share.range_from


def test_change_to_one_drain_is_that_of_the_whole(ground: Raster) -> None:
    rough = np.random.default_rng(3).normal(0.0, 0.02, ground.values.shape)
    bumpy = Raster((ground.values + rough).astype(np.float32), ground.grid)
    was = proved(bumpy, items(dam(bumpy, AT_M)))
    new = items(dam(bumpy, 60.0), zipped(bumpy, 10.0, 30.0))
    got, works = change_drain(was, "D1", new)
    whole = proved(bumpy, new)
    np.testing.assert_array_equal(got.routed.ground.values, whole.after.ground.values)
    np.testing.assert_array_equal(got.routed.levels, whole.after.levels)
    np.testing.assert_array_equal(got.routed.codes, whole.after.codes)
    np.testing.assert_allclose(got.routed.upslope_m2, whole.after.upslope_m2, rtol=1e-12)
    assert len(works.dams.at_m) == 1
    again, _ = change_drain(was, "D1", new.iloc[:0])
    np.testing.assert_array_equal(again.routed.levels, was.before.levels)


def test_no_works_change_nothing(ground: Raster) -> None:
    got = proved(ground, items())
    np.testing.assert_array_equal(got.flow_before.values, got.flow_after.values)
    assert got.summary.dams == 0
    assert got.summary.changed_hands_m2 == 0.0
    assert len(got.findings) == 0


def test_inputs_stay_as_they_are(ground: Raster) -> None:
    drains, stations = tables(ground)
    works = items(dam(ground, AT_M), zipped(ground, 50.0, 60.0))
    held = ground.values.copy()
    copies = [t.copy() for t in (drains, stations, works)]
    all_tables = {"drains": drains, "stations": stations, "items": works}
    prove_water(ground, all_tables, spill_rules=QUICK)
    np.testing.assert_array_equal(held, ground.values)
    for was, now in zip(copies, (drains, stations, works), strict=True):
        pd.testing.assert_frame_equal(was, now)


def test_holes_in_the_terrain(ground: Raster) -> None:
    values = ground.values.copy()
    values[70:74, 38:44] = np.nan
    values[58:63, 70:74] = np.nan
    got = proved(Raster(values, ground.grid), items(dam(ground, AT_M), dam(ground, 71.0, number=2)))
    assert got.summary.after_error_ratio < 1e-12
    assert len(got.dams) == 2


def test_coarse_grid_still_dams() -> None:
    coarse = plane(60, 50, 2.0, 2.0, drain_row=30)
    drains, stations = tables(coarse, 30)
    got = spill(coarse, drains, stations, items(dam(coarse, AT_M, 30)), rules=QUICK)
    assert got.dams.place[0] == "outlet"
    assert got.dams.upslope_after_m2[0] > 0.8 * got.dams.upslope_m2[0]


def test_bad_input_is_refused(ground: Raster) -> None:
    drains, stations = tables(ground)
    good = dam(ground, AT_M)
    for works, words in (
        (items(good | {"crest_level_m": 90.0}), "crest"),
        (items(good | {"outlet_level_m": np.nan}), "crest"),
        (items(good | {"drain_id": "D9"}), "D9"),
    ):
        with pytest.raises(PeatwrightError, match=words):
            spill(ground, drains, stations, works, rules=QUICK)
    with pytest.raises(PeatwrightError, match="no station"):
        spill(ground, drains, stations.iloc[:0], items(good), rules=QUICK)
    with pytest.raises(PeatwrightError, match="CRS"):
        spill(ground, drains.to_crs("EPSG:3857"), stations, items(good), rules=QUICK)
    with pytest.raises(PeatwrightError, match="no data"):
        route(Raster(np.full_like(ground.values, np.nan), ground.grid))
    bad = ground.values.copy()
    bad[5, 5] = np.inf
    with pytest.raises(PeatwrightError, match="infinite"):
        spill(Raster(bad, ground.grid), drains, stations, items(good), rules=QUICK)
    with pytest.raises(PeatwrightError, match="a drain that has stations"):
        change_drain(proved(ground, items(good)), "D9", items(good))
    assert drains.crs.to_string() == CRS

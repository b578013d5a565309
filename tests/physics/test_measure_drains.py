"""Measuring drains of known size, and what turning, lifting and reversing must not change."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from drain_ground import (
    BOTTOM_M,
    CRS,
    DEPTH_M,
    MAIN,
    SAG_DEPTH_M,
    SAG_WIDTH_M,
    SIDES,
    TOP_M,
    carved,
    given,
)
from scipy.spatial import cKDTree

from peatwright.drains.measure import Measured, measure
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import MeasureRules

RULES = MeasureRules()
LINES = [MAIN, *SIDES]


@pytest.fixture(scope="module")
def ground() -> Raster:
    return carved(LINES, noise_m=0.01)


@pytest.fixture(scope="module")
def done(ground: Raster) -> Measured:
    return measure(ground, given(LINES), RULES, upslope=False)


def numbers(table: pd.DataFrame) -> list[str]:
    return [c for c in table.columns if table[c].dtype == np.float64]


def matched(a: gpd.GeoDataFrame, b: gpd.GeoDataFrame, places: np.ndarray) -> gpd.GeoDataFrame:
    """Return the rows of b, whose points are at `places`, in the order of a's points."""
    gap, at = cKDTree(places).query(shapely.get_coordinates(a.geometry.to_numpy()))
    assert gap.max() < 1e-6
    assert len(a) == len(b)
    return b.iloc[at].reset_index(drop=True)


def test_network_of_a_herringbone(done: Measured) -> None:
    """The main drain stays whole; side drains run into it where they were drawn."""
    drains = done.drains
    assert len(drains) == 4
    main = drains.loc[drains.length_m.idxmax()]
    assert main.outfall_kind == "open ground"
    assert main.flows_into == ""
    assert main.length_m == pytest.approx(98.0, abs=0.5)
    sides = drains[drains.flows_into == main.drain_id]
    assert len(sides) == 3
    assert set(sides.outfall_kind) == {"junction"}
    where = sorted(110.0 - line[-1][1] for line in SIDES)
    np.testing.assert_allclose(sorted(sides.flows_into_chainage_m), where, atol=1.5)
    assert sorted(done.nodes.kind) == ["head"] * 4 + ["junction"] * 3 + ["outfall"]
    assert set(drains.direction_from) == {"levels"}


def test_main_drain_keeps_its_size(done: Measured) -> None:
    """Along half-metre cells the sizes come back within a fifth of a cell or so."""
    drains = done.drains
    main = drains.loc[drains.length_m.idxmax(), "drain_id"]
    t = done.stations[(done.stations.drain_id == main) & done.stations.measured]
    t = t[(t.chainage_m > 5) & (t.chainage_m < 20)]
    assert t.airborne_depth_m.median() == pytest.approx(DEPTH_M, abs=0.05)
    assert t.top_width_m.median() == pytest.approx(TOP_M, abs=0.2)
    assert t.bottom_width_m.median() == pytest.approx(BOTTOM_M, abs=0.25)
    for side in ("left", "right"):
        assert t[f"sag_{side}_depth_m"].median() == pytest.approx(SAG_DEPTH_M, abs=0.05)
        # The sag is told out to where ground is sunk by less than the rule: a straight slope here.
        edge = SAG_WIDTH_M * (1.0 - RULES.sag_depth_m / SAG_DEPTH_M)
        assert t[f"sag_{side}_width_m"].median() == pytest.approx(edge, abs=0.3)
        assert t[f"spoil_{side}_height_m"].max() == 0.0
    # The ground falls west, which is on the right of a drain that runs south.
    assert t.cross_slope_ratio.median() == pytest.approx(0.01, abs=0.002)
    assert t.bed_gradient_ratio.median() == pytest.approx(0.03, abs=0.002)
    assert t.bearing_deg.between(175, 185).all()


def test_a_line_drawn_beside_is_pulled_to_the_bed(ground: Raster, done: Measured) -> None:
    off = [[(x + 1.5, y + 0.4) for x, y in line] for line in LINES]
    pulled = measure(ground, given(off), RULES, upslope=False)
    truth = shapely.union_all([shapely.LineString(line) for line in LINES])
    t = pulled.stations[pulled.stations.seen]
    gap = shapely.distance(truth, t.geometry.to_numpy())
    assert np.quantile(gap, 0.9) < 0.25
    assert pulled.report.shift_mean_m == pytest.approx(1.2, abs=0.4)
    assert done.report.shift_mean_m < 0.15


def test_lifting_the_ground_lifts_only_levels(ground: Raster, done: Measured) -> None:
    up = Raster(ground.values + np.float32(64.0), ground.grid)
    other = measure(up, given(LINES), RULES, upslope=False)
    for c in numbers(done.stations):
        lift = 64.0 if "level_m" in c else 0.0
        np.testing.assert_allclose(
            other.stations[c], done.stations[c] + lift, atol=2e-3, err_msg=c, equal_nan=True
        )


def test_reversing_and_shuffling_lines_changes_nothing(ground: Raster, done: Measured) -> None:
    turned = given([line[::-1] if i % 2 else line for i, line in enumerate(LINES)])
    for other in (turned, given(LINES).sample(frac=1.0, random_state=3)):
        again = measure(ground, other, RULES, upslope=False)
        columns = done.stations.columns.drop("geometry")
        pd.testing.assert_frame_equal(again.stations[columns], done.stations[columns])
        same = done.drains.columns.drop(["geometry", "given_ids"])
        pd.testing.assert_frame_equal(again.drains[same], done.drains[same])


def test_turning_the_ground_by_a_quarter_turns_only_bearings(
    ground: Raster, done: Measured
) -> None:
    g = ground.grid
    turned = Raster(
        np.ascontiguousarray(np.rot90(ground.values)),
        Grid(-g.y_top_m, g.x_left_m + g.cols * g.dx_m, g.dy_m, g.dx_m, g.cols, g.rows, CRS),
    )
    lines = [[(-y, x) for x, y in line] for line in LINES]
    other = measure(turned, given(lines), RULES, upslope=False)
    xy = shapely.get_coordinates(other.stations.geometry.to_numpy())
    rows = matched(done.stations, other.stations, np.stack([xy[:, 1], -xy[:, 0]], axis=1))
    assert (rows.measured == done.stations.measured).mean() > 0.99
    both = rows.measured & done.stations.measured
    for c in numbers(done.stations):
        if c == "bearing_deg":
            turn = np.mod(done.stations[c] - rows[c], 360.0)
            np.testing.assert_allclose(turn, 90.0, atol=1e-6)
        else:
            near = np.isclose(rows[c][both], done.stations[c][both], atol=2e-3, equal_nan=True)
            assert near.mean() > 0.99, c


def test_a_mirror_swaps_left_and_right() -> None:
    ground = carved([MAIN], slope=(0.02, 0.03))
    mirrored = Raster(np.ascontiguousarray(ground.values[:, ::-1]), ground.grid)
    a = measure(ground, given([MAIN]), RULES, upslope=False).stations
    b = measure(mirrored, given([[(120.0 - x, y) for x, y in MAIN]]), RULES, upslope=False).stations
    for left, right in (("left_level_m", "right_level_m"), ("left_fall_m", "right_fall_m"),
                        ("sag_left_width_m", "sag_right_width_m")):  # fmt: skip
        np.testing.assert_allclose(a[left], b[right], atol=1e-4, err_msg=left)
    np.testing.assert_allclose(a.cross_slope_ratio, -b.cross_slope_ratio, atol=1e-6)
    assert set(a.downhill_side) == {"right"}
    assert set(b.downhill_side) == {"left"}


def test_unequal_cells_give_the_same_drain() -> None:
    square = measure(carved([MAIN]), given([MAIN]), RULES, upslope=False).stations
    oblong = measure(carved([MAIN], cell=(0.4, 0.8)), given([MAIN]), RULES, upslope=False).stations
    for c, near in (("bed_level_m", 0.03), ("cross_slope_ratio", 1e-3), ("sag_left_depth_m", 0.05)):
        assert oblong[c].median() == pytest.approx(square[c].median(), abs=near), c


def test_plain_ground_holds_no_drain() -> None:
    """No trough, no figure."""
    flat = carved([], noise_m=0.02)
    done = measure(flat, given([MAIN]), RULES, upslope=False)
    t = done.stations
    assert not t.measured.any()
    assert t.seen.mean() < 0.05
    assert set(t.unmeasured_why) == {"no drain is visible here"}
    assert t[["bed_level_m", "depth_m", "top_width_m", "sag_left_width_m"]].isna().all().all()


def test_spoil_is_found_on_its_side_and_not_taken_for_the_shoulder() -> None:
    ground = carved([MAIN], sag=False)
    row, col = np.mgrid[: ground.grid.rows, : ground.grid.cols].astype(float)
    x, _ = ground.grid.to_metres(row, col)
    east = x - 60.0 - TOP_M / 2
    bank = 0.4 * np.sin(np.pi * np.clip((east - 0.2) / 1.6, 0.0, 1.0)) ** 2
    banked = Raster((ground.values + bank).astype(np.float32), ground.grid)
    t = measure(banked, given([MAIN]), RULES, upslope=False).stations
    t = t[t.measured]
    # Running south, east is on the left.
    assert (t.spoil_side == "left").mean() > 0.9
    assert t.spoil_left_height_m.median() == pytest.approx(0.4, abs=0.08)
    assert t.spoil_left_width_m.median() == pytest.approx(1.6, abs=0.5)
    assert t.depth_m.median() == pytest.approx(DEPTH_M, abs=0.08)
    assert (t.left_level_m - t.right_level_m).median() < 0.1


def test_water_runs_where_levels_cannot_tell() -> None:
    """A level main drain takes its direction from the network; a lateral never feeds itself."""
    lines = [MAIN, [(20.0, 61.0), (60.0, 61.0)]]
    ground = carved(lines, slope=(0.0, 0.03))
    drains = measure(ground, given(lines), RULES, upslope=False).drains
    side = drains[drains.flows_into != ""].iloc[0]
    assert side.outfall_kind == "junction"
    assert shapely.get_coordinates(side.geometry)[-1] == pytest.approx((60.0, 61.0), abs=1.0)


def test_ring_is_opened() -> None:
    ring = [(30.0, 30.0), (90.0, 30.0), (90.0, 90.0), (30.0, 90.0), (30.0, 30.0)]
    drains = measure(carved([ring]), given([ring]), RULES, upslope=False).drains
    assert drains.length_m.sum() == pytest.approx(240.0, abs=6.0)
    # Highest in the north-east corner, lowest in the south-west: two ways round.
    assert len(drains) == 2
    lowest = shapely.Point(30.0, 30.0)
    assert all(shapely.Point(g.coords[-1]).distance(lowest) < 12.0 for g in drains.geometry)


def test_ids_stay_when_drains_come_and_go(ground: Raster, done: Measured) -> None:
    fewer = measure(ground, given(LINES[:3]), RULES, upslope=False, previous_drains=done.drains)
    kept = set(fewer.drains.drain_id)
    assert kept < set(done.drains.drain_id)
    more = [*LINES, [(95.0, 40.0), (75.0, 15.0)]]
    again = measure(ground, given(more), RULES, upslope=False, previous_drains=done.drains)
    by_id = again.drains.set_index("drain_id").geometry
    for row in done.drains.itertuples():
        assert by_id[row.drain_id].hausdorff_distance(row.geometry) < 1.0
    assert set(again.drains.drain_id) - set(done.drains.drain_id) == {"D005"}


def test_hand_depths_deepen_the_bed(ground: Raster, done: Measured) -> None:
    rng = np.random.default_rng(4)
    t = done.stations[done.stations.measured].sample(12, random_state=1)
    mean = 0.5 * (t.left_level_m + t.right_level_m) - t.airborne_bed_level_m
    by_hand = mean.to_numpy() + 0.2 + rng.normal(0.0, 0.02, 12)
    by_hand[0] += 1.5  # one slip must not turn the rest
    hand = gpd.GeoDataFrame(
        {"given_id": [f"h{i}" for i in range(12)], "hand_depth_m": by_hand},
        geometry=t.geometry.to_numpy(),
        crs=CRS,
    )
    deep = measure(ground, given(LINES), RULES, hand_depths=hand, upslope=False)
    r = deep.report
    assert r.hand_correction_m == pytest.approx(0.2, abs=3 * 0.02 / np.sqrt(12) + 0.01)
    assert 0.003 < r.hand_error_m < 0.02
    assert (r.hand_matched, r.hand_unmatched) == (12, 0)
    a, b = done.stations, deep.stations
    known = a.bed_level_m.notna()
    lowered = (a.bed_level_m - b.bed_level_m)[known]
    np.testing.assert_allclose(lowered, r.hand_correction_m, atol=1e-6)
    pd.testing.assert_series_equal(a.airborne_bed_level_m, b.airborne_bed_level_m)
    assert b.bed_error_m.median() < a.bed_error_m.median()
    two = measure(ground, given(LINES), RULES, hand_depths=hand[:2], upslope=False)
    assert two.report.hand_correction_m == 0.0

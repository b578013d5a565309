"""Planes, limits and symmetry of the ground: what must hold whatever the numbers."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

from peatwright.ground import depth, factors, probes, slopes, stability, stock
from peatwright.ground.more_probes import probes_wanted
from peatwright.model.ground_rules import CarbonRules, DepthRules, StabilityRules
from peatwright.model.raster import Grid, Raster

ROWS, COLS, DX_M, DY_M = 83, 117, 0.5, 1.25
GRID = Grid(431_000.0, 612_000.0, DX_M, DY_M, ROWS, COLS, "EPSG:27700")
CRS = "EPSG:27700"


def cells() -> tuple[np.ndarray, np.ndarray]:
    return GRID.to_metres(*(v * 1.0 for v in np.indices((ROWS, COLS))))


def plane(east: float, north: float, *, holes: bool = False) -> Raster:
    x, y = cells()
    z = (5.0 + east * (x - 431_000) + north * (y - 612_000)).astype(np.float32)
    if holes:
        z[30:42, 50:80] = np.nan
    return Raster(z, GRID)


def even(value: float) -> Raster:
    return Raster(np.full((ROWS, COLS), value, np.float32), GRID)


@pytest.mark.parametrize(("east", "north"), [(0.12, 0.0), (0.0, -0.12), (0.07, 0.05)])
@pytest.mark.parametrize("holes", [False, True])
def test_slope_of_a_plane_is_exact_up_to_edges_and_holes(east, north, holes):
    held = slopes.slopes(plane(east, north, holes=holes), 10.0)
    known = ~np.isnan(held.east)
    assert known.any()
    assert holes or known.all()
    np.testing.assert_allclose(held.east[known], east, atol=3e-6)
    np.testing.assert_allclose(held.north[known], north, atol=3e-6)
    assert np.nanmax(np.abs(held.convex_deg)) < 0.01


def test_drains_and_banks_hardly_count_as_slope():
    z = plane(0.05, 0.0).values.copy()
    z[:, 57:60] -= 0.8
    held = slopes.slopes(Raster(z, GRID), 20.0)
    steepest = np.abs(np.gradient(z, axis=1) / DX_M).max()
    assert steepest > 0.8
    assert held.slope_ratio.max() < 0.13


def test_every_cell_of_a_plane_has_the_worked_factor():
    """su 5 kPa, 2 m, 8°: 1.81 without and 0.91 with 20 kPa (worked, infinite slope)."""
    tilt = np.tan(np.radians(8.0))
    got = stability.screen(even(2.0), even(0.0), plane(tilt, 0.0), StabilityRules())
    np.testing.assert_allclose(got.case("undrained"), 1.81, atol=0.006)
    np.testing.assert_allclose(got.case("undrained, machine"), 0.91, atol=0.006)


def test_a_turned_slope_is_as_safe():
    a = stability.screen(even(2.0), even(0.3), plane(0.12, 0.0), StabilityRules())
    b = stability.screen(even(2.0), even(0.3), plane(0.0, -0.12), StabilityRules())
    np.testing.assert_allclose(a.factor, b.factor, rtol=1e-4)
    assert np.abs(a.share_percent.astype(int) - b.share_percent).max() <= 1


def test_loads_and_water_never_help():
    rng = np.random.default_rng(2)
    z, b = rng.uniform(0.3, 5, 500), np.tan(np.radians(rng.uniform(1, 20, 500)))
    e = rng.uniform(0, 0.5, 500)
    f = factors.factors_at(z, e, b, StabilityRules())
    by = dict(zip(factors.CASES, f.factor, strict=True))
    assert (by["undrained, machine"] < by["undrained"]).all()
    assert (by["undrained, pond"] < by["undrained"]).all()
    assert (by["undrained, machine and pond"] < by["undrained, pond"]).all()
    assert (by["drained, pond"] < by["drained"]).all()
    assert (by["drained, machine and pond"] < by["drained, machine"]).all()


def test_shares_are_none_and_all_at_the_ends():
    rules = StabilityRules()
    safe = factors.factors_at([0.5], [0.0], [0.02], rules)
    gone = factors.factors_at([5.0], [0.0], [0.6], rules)
    assert safe.share_ratio.max() == 0.0
    assert gone.share_ratio[:4].min() == 1.0


@pytest.mark.parametrize(
    ("z", "chance"),
    [(2.0, lambda s: (s - 4) ** 2 / 8), (3.0, lambda s: 1 - (12 - s) ** 2 / 56)],
)
def test_share_of_one_uncertain_value_is_its_distribution(z, chance):
    """Only strength varies, triangular 4, 5, 12 kPa: (s - 4)² / 8 or 1 - (12 - s)² / 56."""
    rules = StabilityRules(
        draws=2000, weight_low_kn_m3=10.0, weight_high_kn_m3=10.0, machine_kpa=0.0, pond_m=0.0
    )
    slope = 10.0
    b = np.tan(np.radians(slope))
    needed = 1.3 * 10.0 * z * np.sin(np.radians(slope)) * np.cos(np.radians(slope))
    got = factors.factors_at([z], [0.0], [b], rules).share_ratio[0, 0]
    assert got == pytest.approx(chance(needed), abs=0.001)


def test_unsure_depth_raises_the_share_of_a_safe_place():
    rules = StabilityRules()
    b = [np.tan(np.radians(6.0))] * 2
    got = factors.factors_at([2.0, 2.0], [0.0, 1.0], b, rules).share_ratio
    assert got[0, 0] == 0.0
    assert got[0, 1] > 0.0


def test_draws_hold_to_their_ranges_and_means():
    rules = StabilityRules(draws=2000)
    got = factors.draw(rules)
    low, likely, high = (
        rules.strength_low_kpa, rules.strength_kpa, rules.strength_high_kpa,
    )  # fmt: skip
    assert got.values[1].min() >= low
    assert got.values[1].max() <= high
    assert got.values[1].mean() == pytest.approx((low + likely + high) / 3, rel=1e-3)
    assert got.values[5].mean() == pytest.approx(0.0, abs=1e-2)
    assert got.values[5].std() == pytest.approx(1.0, rel=1e-2)
    again = factors.draw(rules)
    np.testing.assert_array_equal(got.values, again.values)
    other = factors.draw(StabilityRules(draws=2000, seed=2))
    assert (got.values != other.values).any()


def test_convex_breaks_are_where_the_ground_steepens_downhill():
    x, _ = cells()
    fold = 431_000 + COLS * DX_M / 2
    # Falls east, at 3 % and then at 20 %; and the same seen from the other side.
    over = np.where(x < fold, -0.03 * (x - fold), -0.20 * (x - fold))
    for z, sign in ((over, 1), (-over, -1)):
        ground = Raster(z.astype(np.float32), GRID)
        held = slopes.slopes(ground, 10.0)
        at = held.convex_at([fold], [611_950.0])[0]
        assert sign * at > 3.0
        away = held.convex_at([431_008.0], [611_950.0])[0]
        assert abs(away) < 0.1
        marks = stability.screen(even(1.0), even(0.1), ground, StabilityRules()).marks
        assert bool(((marks & stability.CONVEX) > 0).any()) == (sign > 0)


def test_thick_peat_is_called_wet_only_where_water_gathers():
    area = even(1.0)
    area.values[:, 60:] = 5000.0
    got = stability.screen(
        even(2.5), even(0.1), plane(0.05, 0.0), StabilityRules(), upslope_area_m2=area
    )
    wet = (got.marks & stability.THICK_WET) > 0
    assert not wet[:, :60].any()
    assert wet[:, 60:].all()
    assert ((got.marks & stability.THICK) > 0).all()


def test_only_drains_across_the_slope_are_marked():
    ground = slopes.slopes(plane(0.12, 0.0), 10.0)
    lines = gpd.GeoDataFrame(
        {"drain_id": ["across", "down", "slanting"]},
        geometry=[
            shapely.LineString([(431_030, 611_990), (431_030, 611_910)]),
            shapely.LineString([(431_050, 611_950), (431_005, 611_950)]),
            shapely.LineString([(431_050, 611_960), (431_010, 611_920)]),
        ],
        crs=CRS,
    )
    got = stability.drains_across_slope(lines, ground, even(1.5), StabilityRules())
    assert [f.where.drain_id for f in got] == ["across"]
    assert "80 m of drain" in got[0].what
    assert not stability.drains_across_slope(lines, ground, even(0.0), StabilityRules())


def grid_probes(z, step: float = 10.0) -> probes.Probes:
    west, south, east, north = GRID.bounds
    x, y = (
        v.ravel() for v in np.meshgrid(np.arange(west, east, step), np.arange(south, north, step))
    )
    return probes.check_probes(x, y, z(x, y), DepthRules())


def test_even_peat_is_drawn_even_and_never_negative():
    got = depth.depth_surface(grid_probes(lambda x, y: np.full(x.shape, 1.7)), GRID, DepthRules())
    np.testing.assert_allclose(got.depth.values, 1.7, atol=1e-5)
    bare = depth.depth_surface(
        grid_probes(lambda x, y: np.where(x < 431_030, 0.0, 3.0)), GRID, DepthRules()
    )
    assert bare.depth.values.min() >= 0.0


def test_depth_is_unchanged_by_moving_the_site():
    far = Grid(0.0, 0.0, DX_M, DY_M, ROWS, COLS, CRS)
    rng = np.random.default_rng(6)
    x, y = rng.uniform(0, 58, 40), rng.uniform(-103, 0, 40)
    z = 2 + np.sin(x / 9)
    rules = DepthRules()
    here = depth.depth_surface(probes.check_probes(x, y, z, rules), far, rules)
    there = depth.depth_surface(
        probes.check_probes(x + 431_000, y + 612_000, z, rules), GRID, rules
    )
    np.testing.assert_allclose(here.depth.values, there.depth.values, atol=0.02)


def test_error_grows_with_distance_and_marks_unprobed_ground():
    big = Grid(0.0, 500.0, 2.0, 2.0, 250, 250, CRS)
    rng = np.random.default_rng(6)
    x, y = rng.uniform(0, 200, 60), rng.uniform(300, 500, 60)
    rules = DepthRules()
    held = probes.check_probes(x, y, 2 + np.sin(x / 30), rules)
    got = depth.depth_surface(held, big, rules)
    assert got.error.values[200:, 200:].mean() > 2 * got.error.values[:90, :90].mean()
    assert (got.state[200:, 200:] == depth.UNPROBED).all()
    rows, cols = np.nonzero(got.state == depth.PROBED)
    px, py = big.to_metres(rows * 1.0, cols * 1.0)
    away = np.hypot(px[:, None] - x, py[:, None] - y).min(axis=1)
    assert away.max() <= rules.thin_reach_m + got.lattice.step_m


def test_more_probes_are_wanted_where_there_are_none():
    big = Grid(0.0, 500.0, 2.0, 2.0, 250, 250, CRS)
    rng = np.random.default_rng(6)
    x, y = rng.uniform(0, 250, 80), rng.uniform(0, 500, 80)
    rules = DepthRules(more_probes=6)
    surface = depth.depth_surface(
        probes.check_probes(x, y, 2 + np.sin(x / 30) * np.cos(y / 25), rules), big, rules
    )
    got = probes_wanted(surface, rules)
    assert len(got) == 6
    assert (got.geometry.x > 250).all()
    assert shapely.distance(got.geometry.iloc[0], got.geometry.iloc[1]) > 50
    inside = shapely.box(0, 0, 120, 120)
    assert shapely.covers(inside, probes_wanted(surface, rules, area=inside).geometry).all()
    drain = shapely.LineString([(400, 0), (400, 500)])
    near = probes_wanted(surface, rules, drains=drain)
    assert shapely.dwithin(near.geometry, drain, rules.reach_m + 0.01).all()


def test_the_error_surface_covers_what_is_found():
    """Depth drawn from a known field: standardised errors at unprobed cells have size about 1."""
    rng = np.random.default_rng(11)
    big = Grid(0.0, 600.0, 4.0, 4.0, 150, 150, CRS)
    truth_x, truth_y = (
        v.ravel() for v in big.to_metres(*(v * 1.0 for v in np.indices((150, 150))))
    )
    # A sum of waves of random direction is a random field that is cheap to know everywhere.
    k, turn = rng.normal(0, 1 / 40, (2, 60)), rng.uniform(0, 2 * np.pi, 60)

    def field(x, y):
        return 2.5 + 0.8 * np.sqrt(2 / 60) * np.cos(
            np.outer(x, k[0]) + np.outer(y, k[1]) + turn
        ).sum(1)

    x, y = rng.uniform(0, 600, 150), rng.uniform(0, 600, 150)
    rules = DepthRules()
    z = np.maximum(field(x, y) + rng.normal(0, 0.1, 150), 0)
    got = depth.depth_surface(probes.check_probes(x, y, z, rules), big, rules)
    off = (got.depth.values.ravel() - field(truth_x, truth_y)) / got.error.values.ravel()
    assert 0.4 < np.sqrt(np.mean(off**2)) < 1.3
    assert np.mean(np.abs(off) < 1.96) > 0.9
    volume = stock.peat_stock(got, CarbonRules()).mean_depth_m
    assert volume.low < field(truth_x, truth_y).mean() < volume.high

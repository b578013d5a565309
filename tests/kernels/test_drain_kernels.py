"""Compiled loops of the drain measuring beside plain twins and general-purpose libraries."""

from __future__ import annotations

import itertools

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import shapely
from scipy import ndimage, stats

from peatwright.drains import _kernels
from peatwright.drains.lines import chainages
from peatwright.drains.measure import measure
from peatwright.drains.sections import sampled, stations_of
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import MeasureRules


def bent() -> np.ndarray:
    """Return a bent line, (n, 2) in m."""
    t = np.linspace(0.0, 1.0, 60)
    return np.stack([400_010.0 + 60.0 * t, 500_015.0 + 20.0 * t + 6.0 * np.sin(7.0 * t)], axis=1)


def test_profiles_of_a_tilted_plane_with_unequal_cells_are_exact() -> None:
    grid = Grid(400_000.0, 500_060.0, 0.5, 0.8, 75, 170, "EPSG:27700")
    row, col = np.mgrid[: grid.rows, : grid.cols].astype(float)
    x, y = grid.to_metres(row, col)
    plane = Raster((0.07 * (x - 4e5) - 0.11 * (y - 5e5)).astype(np.float32), grid)
    stations = stations_of([bent()], 1.0)
    offsets = np.arange(-4.0, 4.01, 0.25)
    got = sampled(plane, stations, offsets)
    px = stations.xy[:, :1] + offsets * stations.right[:, :1]
    py = stations.xy[:, 1:] + offsets * stations.right[:, 1:]
    np.testing.assert_allclose(got, 0.07 * (px - 4e5) - 0.11 * (py - 5e5), atol=2e-6)


def test_profiles_equal_scipy_on_rough_ground() -> None:
    rng = np.random.default_rng(3)
    grid = Grid(400_000.0, 500_060.0, 0.5, 0.8, 75, 170, "EPSG:27700")
    rough = Raster(rng.normal(300.0, 1.0, (75, 170)).astype(np.float32), grid)
    stations = stations_of([bent()], 1.0)
    offsets = np.arange(-4.0, 4.01, 0.25)
    got = sampled(rough, stations, offsets)
    r, c = grid.to_cells(
        stations.xy[:, :1] + offsets * stations.right[:, :1],
        stations.xy[:, 1:] + offsets * stations.right[:, 1:],
    )
    want = ndimage.map_coordinates(rough.values.astype(np.float64), [r, c], order=1)
    np.testing.assert_allclose(got, want, atol=1e-4)


def test_right_is_to_the_right_of_the_way() -> None:
    east = np.array([[0.0, 0.0], [10.0, 0.0]])
    stations = stations_of([east], 1.0)
    np.testing.assert_allclose(stations.right, np.tile([0.0, -1.0], (11, 1)), atol=1e-12)


def test_stations_lie_where_shapely_puts_them() -> None:
    line = bent()
    stations = stations_of([line], 1.0)
    shape = shapely.LineString(line)
    want = shapely.get_coordinates(shapely.line_interpolate_point(shape, stations.chainage_m))
    np.testing.assert_allclose(stations.xy, want, atol=1e-8)
    assert chainages(line)[-1] == pytest.approx(shape.length, abs=1e-9)


def test_length_of_a_drain_on_the_ellipsoid() -> None:
    """The length on the grid is the geodesic length times the projection's scale there."""
    line = bent()
    crs = pyproj.CRS("EPSG:27700")
    lon, lat = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True).transform(*line.T)
    on_ground = pyproj.Geod(ellps="airy").line_length(lon, lat)
    scale = pyproj.Proj(crs).get_factors(lon[0], lat[0]).meridional_scale
    assert chainages(line)[-1] == pytest.approx(on_ground * scale, abs=0.002)


@pytest.mark.parametrize("n", [1, 2, 5, 12, 13, 20, 57])
def test_median_equals_numpy(n: int) -> None:
    rng = np.random.default_rng(n)
    for draw in (rng.normal(size=n), rng.integers(0, 4, n).astype(float)):
        room = np.concatenate([draw, [-99.0]])
        assert _kernels.median_of(room, n) == pytest.approx(np.median(draw), abs=1e-15)


def test_ground_slope_is_near_theil_sen_with_outliers() -> None:
    """Beside a robust fit of a general library, on ground with a bank and a hole in it."""
    rng = np.random.default_rng(5)
    offsets = np.arange(-12.0, 12.01, 0.25)
    z = 0.06 * offsets + rng.normal(0.0, 0.01, (40, len(offsets)))
    z[:, 20:26] += 0.8
    z[:, 85:90] -= 0.6
    z[:, 40:57] -= 1.0  # the drain itself, which must not count
    out = np.empty((40, 2))
    _kernels.ground_slopes(z.astype(np.float32), offsets, 4.0, 0, 40, out)
    outer = np.abs(offsets) >= 4.0
    for row, (slope, _) in zip(z, out, strict=True):
        assert slope == pytest.approx(0.06, abs=0.004)
        theil_sen = stats.theilslopes(row[outer], offsets[outer]).slope
        assert slope == pytest.approx(theil_sen, abs=0.006)


def test_pulled_path_is_the_cheapest_of_all_paths() -> None:
    """Beside a search of every path through a small field."""
    rng = np.random.default_rng(11)
    margin, narrow, wide, step, bend, stay = 4, 2, 3, 0.25, 0.15, 0.01
    n, states = 5, 5
    for _ in range(20):
        section = rng.normal(0.0, 0.3, (n, states + 2 * margin)).astype(np.float32)
        rise = np.empty((n, states), np.float32)
        shift, depth = np.empty(n), np.empty(n)
        _kernels.pull_paths(
            section,
            np.array([0, n]),
            0,
            1,
            margin,
            narrow,
            wide,
            step,
            bend,
            stay,
            rise,
            shift,
            depth,
        )

        def price(path: tuple[int, ...], rise: np.ndarray = rise) -> float:
            swerve = np.diff(path) * step
            if (np.abs(np.diff(path)) > 3).any():
                return np.inf
            off = (np.array(path) - states // 2) / (states // 2)
            return float(
                sum(rise[i, s] for i, s in enumerate(path))
                + stay * (off**2).sum()
                + bend * (swerve**2).sum()
            )

        best = min(itertools.product(range(states), repeat=n), key=price)
        np.testing.assert_allclose(depth, [-rise[i, s] for i, s in enumerate(best)], atol=1e-6)


def test_rolling_median_keeps_to_its_drain() -> None:
    values = np.array([1.0, 2.0, 9.0, np.nan, 5.0, 100.0, 101.0, 102.0])
    first, past = np.array([0] * 5 + [5] * 3), np.array([5] * 5 + [8] * 3)
    out = np.empty(8)
    _kernels.rolling_median(values, first, past, 1, 0, 8, out)
    want = []
    for i in range(8):
        window = values[max(first[i], i - 1) : min(past[i], i + 2)]
        want.append(np.nanmedian(window))
    np.testing.assert_allclose(out, want)


def test_upslope_area_of_a_plane_that_drains_to_one_drain() -> None:
    """A drain down the middle of a shallow valley gathers the whole valley above it."""
    grid = Grid(0.0, 60.0, 1.0, 1.0, 60, 100, "EPSG:27700")
    row, col = np.mgrid[:60, :100].astype(float)
    x, y = grid.to_metres(row, col)
    off = np.abs(y - 30.0)
    z = 100.0 - 0.02 * x + 0.2 * off - 0.6 * (off < 1.0)
    given = gpd.GeoDataFrame(
        {"given_id": ["a"], "name": [""], "kind": [""]},
        geometry=[shapely.LineString([(1.0, 30.0), (99.0, 30.0)])],
        crs="EPSG:27700",
    )
    done = measure(Raster(z.astype(np.float32), grid), given, MeasureRules())
    at = done.stations.set_index("chainage_m").upslope_area_m2
    # The valley is 60 m wide and falls steeply across, slowly along: water runs straight in.
    assert at[90.0] - at[40.0] == pytest.approx(50.0 * 60.0, rel=0.1)
    np.testing.assert_array_less(-1e-9, np.diff(at.to_numpy()))

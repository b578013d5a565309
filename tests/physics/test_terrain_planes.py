"""A tilted plane with unequal cells: every terrain function meets it, edges and holes included."""

from __future__ import annotations

import numpy as np
import pytest

from peatwright.model.raster import Grid, Raster
from peatwright.terrain import relief, sampling

ROWS, COLS = 23, 31
DX_M, DY_M = 0.5, 1.25
EAST, NORTH = 0.07, -0.04
GRID = Grid(431_000.0, 612_000.0, DX_M, DY_M, ROWS, COLS, "EPSG:27700")


def level_m(x_m, y_m):
    return 5.0 + EAST * (x_m - 431_000.0) + NORTH * (y_m - 612_000.0)


def plane(*, holes: bool = False) -> Raster:
    x, y = GRID.to_metres(np.arange(ROWS)[:, None].astype(float), np.arange(COLS)[None, :])
    values = level_m(x, y).astype(np.float32)
    if holes:
        values[5, 7] = np.nan
        values[10:13, 15:20] = np.nan
        values[0, 4] = np.nan
    return Raster(values, GRID)


def test_sampling_is_exact_between_outermost_centres():
    rng = np.random.default_rng(1)
    west, south, east, north = GRID.bounds
    x = rng.uniform(west + DX_M / 2, east - DX_M / 2, 2000)
    y = rng.uniform(south + DY_M / 2, north - DY_M / 2, 2000)
    corners_x = np.array([west, west, east, east]) + DX_M / 2 * np.array([1, 1, -1, -1])
    corners_y = np.array([south, north, south, north]) + DY_M / 2 * np.array([1, -1, 1, -1])
    x, y = np.r_[x, corners_x], np.r_[y, corners_y]
    np.testing.assert_allclose(sampling.sample(plane(), x, y), level_m(x, y), rtol=0, atol=1e-6)


def test_sampling_in_the_outer_half_cell_holds_the_outermost_centres():
    west, south, east, north = GRID.bounds
    x = np.array([west, west + DX_M / 4, east, east - DX_M / 4, 431_005.0, 431_005.0])
    y = np.array([611_990.0, north, south, 611_990.0, south, north])
    held_x = np.clip(x, west + DX_M / 2, east - DX_M / 2)
    held_y = np.clip(y, south + DY_M / 2, north - DY_M / 2)
    np.testing.assert_allclose(
        sampling.sample(plane(), x, y), level_m(held_x, held_y), rtol=0, atol=1e-6
    )


def test_sampling_outside_and_at_no_place_is_nan():
    west, south, east, north = GRID.bounds
    x = np.array([west - 1e-6, east + 1e-6, 431_001.0, 431_001.0, np.nan, np.inf])
    y = np.array([611_990.0, 611_990.0, north + 1e-6, south - 1e-6, 611_990.0, 611_990.0])
    assert np.isnan(sampling.sample(plane(), x, y)).all()
    assert np.isnan(sampling.sample_nearest(plane(), x, y)).all()


def test_sampling_needs_only_cells_with_weight():
    ground = plane(holes=True)
    row = np.array([5.0, 4.0, 4.0, 4.5, 5.0, 5.0, 4.999])
    col = np.array([7.0, 7.0, 6.5, 6.0, 6.0, 6.001, 6.0])
    x, y = GRID.to_metres(row, col)
    # Straight on centres and on the lines between good cells; the rest touch the hole at (5, 7).
    assert np.isnan(sampling.sample(ground, x, y)).tolist() == [
        True, False, False, False, False, True, False,
    ]  # fmt: skip


def test_sampling_keeps_the_shape_of_what_is_asked():
    x, y = np.broadcast_arrays(
        np.array([[431_001.0], [431_002.0]]), [611_990.0, 611_991.0, 611_992.0]
    )
    got = sampling.sample(plane(), [[431_001.0], [431_002.0]], [611_990.0, 611_991.0, 611_992.0])
    assert got.shape == (2, 3)
    np.testing.assert_allclose(got, level_m(x, y), rtol=0, atol=1e-6)
    many = np.full(300_000, 431_001.0)
    np.testing.assert_array_equal(
        sampling.sample(plane(), many, 611_990.0),
        sampling.sample(plane(), many, 611_990.0, threads=1),
    )


@pytest.mark.parametrize("holes", [False, True])
def test_slope_is_the_planes_own_everywhere(holes):
    ground = plane(holes=holes)
    got = relief.slope_ratio(ground)
    assert np.array_equal(np.isnan(got), np.isnan(ground.values))
    # float32 levels near 5 m carry half a micrometre, which a cell of 0.5 m turns into 1e-6.
    np.testing.assert_allclose(got[~np.isnan(got)], np.hypot(EAST, NORTH), rtol=0, atol=5e-6)


@pytest.mark.parametrize(
    ("azimuth_deg", "altitude_deg"), [(315.0, 45.0), (90.0, 20.0), (200.0, 70.0)]
)
@pytest.mark.parametrize("z_factor", [1.0, 4.0])
def test_hillshade_is_lamberts_cosine(azimuth_deg, altitude_deg, z_factor):
    az, alt = np.radians(azimuth_deg), np.radians(altitude_deg)
    light = np.array([np.sin(az) * np.cos(alt), np.cos(az) * np.cos(alt), np.sin(alt)])
    normal = np.array([-EAST * z_factor, -NORTH * z_factor, 1.0])
    cosine = max(0.0, float(normal @ light / np.linalg.norm(normal)))
    got = relief.hillshade(plane(holes=True), azimuth_deg, altitude_deg, z_factor)
    hole = np.isnan(plane(holes=True).values)
    assert (got[hole] == 0).all()
    assert np.abs(got[~hole].astype(float) - (1.0 + 254.0 * cosine)).max() <= 0.51


def test_many_sided_shading_of_flat_ground_is_the_sine_of_the_altitude():
    flat = Raster(np.full((4, 5), 3.0, np.float32), Grid(0.0, 0.0, 1.0, 2.0, 4, 5, ""))
    got = relief.hillshade(flat, altitude_deg=30.0, many_sided=True)
    assert (got == round(1 + 254 * 0.5)).all()


@pytest.mark.parametrize("bearing_deg", range(0, 180, 15))
def test_many_sided_shading_shows_valleys_of_every_bearing(bearing_deg):
    grid = Grid(0.0, 40.0, 1.0, 1.0, 40, 40, "")
    x, y = grid.to_metres(np.arange(40.0)[:, None], np.arange(40.0)[None, :])
    turn = np.radians(bearing_deg)
    across = (x - 20.0) * np.cos(turn) - (y - 20.0) * np.sin(turn)
    values = (-0.8 * np.exp(-(across**2) / 4.0)).astype(np.float32)
    one = relief.hillshade(Raster(values, grid), z_factor=2.0).astype(float)
    many = relief.hillshade(Raster(values, grid), z_factor=2.0, many_sided=True).astype(float)
    near = (np.abs(across) > 1.0) & (np.abs(across) < 2.0)
    far = np.abs(across) > 8.0
    east, west = near & (across > 0), near & (across < 0)
    seen = [
        max(abs(shade[bank].mean() - shade[far].mean()) for bank in (east, west))
        for shade in (one, many)
    ]
    assert seen[1] > 20.0
    if bearing_deg == 135:  # along the light from the north-west
        assert seen[1] > 2.0 * seen[0]


@pytest.mark.parametrize("radius_m", [0.1, 2.0, 6.0, 500.0])
@pytest.mark.parametrize("threads", [1, 3])
def test_local_relief_of_a_plane_is_nothing_up_to_edges_and_holes(radius_m, threads):
    ground = plane(holes=True)
    got = relief.local_relief(ground, radius_m, threads=threads)
    assert np.array_equal(np.isnan(got), np.isnan(ground.values))
    # At the smallest box a corner beside a hole may hold cells of one line, which give no plane.
    limit = 0.05 if radius_m < 1.0 else 5e-6
    assert np.nanmax(np.abs(got)) < limit


def test_noise_level_is_that_of_white_noise_on_drained_slopes():
    rng = np.random.default_rng(3)
    grid = Grid(0.0, 600.0, 1.0, 2.0, 300, 400, "")
    values = (0.1 * np.arange(400)[None, :] + rng.normal(0.0, 0.03, (300, 400))).astype(np.float32)
    values[:, ::25] -= 0.6
    values[40:60, 90:99] = np.nan
    # The median of 120,000 values is good to half a percent; one cell in eight feels a drain.
    assert relief.noise_level_m(Raster(values, grid)) == pytest.approx(0.03, rel=0.25)
    smooth = Raster((values * 0 + 1.0).astype(np.float32), grid)
    assert relief.noise_level_m(smooth) == 0.0
    assert np.isnan(
        relief.noise_level_m(Raster(values[:2, :2].copy(), Grid(0.0, 0.0, 1.0, 2.0, 2, 2, "")))
    )


def test_nothing_is_changed_in_place():
    ground = plane(holes=True)
    kept = ground.values.copy()
    ground.values.flags.writeable = False
    sampling.sample(ground, [431_001.0], [611_990.0])
    relief.hillshade(ground)
    relief.slope_ratio(ground)
    relief.local_relief(ground, 3.0)
    relief.noise_level_m(ground)
    np.testing.assert_array_equal(ground.values, kept)

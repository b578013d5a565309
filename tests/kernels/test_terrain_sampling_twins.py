"""Sampling and relief beside SciPy, GDAL and a plain least-squares fit, on rough ground."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from peatwright.model.raster import Grid, Raster
from peatwright.terrain import relief, sampling

GRID = Grid(500.0, 900.0, 0.5, 0.8, 60, 85, "EPSG:27700")


@pytest.fixture(scope="module")
def rough() -> Raster:
    rng = np.random.default_rng(11)
    return Raster(rng.normal(300.0, 2.0, (GRID.rows, GRID.cols)).astype(np.float32), GRID)


def test_bilinear_equals_scipy(rough):
    rng = np.random.default_rng(12)
    west, south, east, north = GRID.bounds
    x, y = rng.uniform(west, east, 5000), rng.uniform(south, north, 5000)
    row, col = GRID.to_cells(x, y)
    # SciPy's "nearest" holds the outermost centres too.
    expected = ndimage.map_coordinates(
        rough.values.astype(np.float64), [row, col], order=1, mode="nearest"
    )
    np.testing.assert_allclose(sampling.sample(rough, x, y), expected, rtol=0, atol=1e-9)


def test_bilinear_equals_gdals_warp(rough):
    from rasterio.transform import from_origin
    from rasterio.warp import Resampling, reproject

    # A finer grid turns GDAL's bilinear warp into sampling at its cell centres.
    fine = np.full((200, 300), np.nan)
    reproject(
        rough.values.astype(np.float64),
        fine,
        src_transform=from_origin(GRID.x_left_m, GRID.y_top_m, GRID.dx_m, GRID.dy_m),
        src_crs=GRID.crs,
        dst_transform=from_origin(502.0, 897.0, 0.13, 0.21),
        dst_crs=GRID.crs,
        resampling=Resampling.bilinear,
        src_nodata=np.nan,
        dst_nodata=np.nan,
        tolerance=0.0,
    )
    x = 502.0 + 0.13 * (np.arange(300) + 0.5)
    y = 897.0 - 0.21 * (np.arange(200) + 0.5)
    got = sampling.sample(rough, x[None, :], y[:, None])
    inside = ~np.isnan(fine)
    assert inside.mean() > 0.9
    np.testing.assert_allclose(got[inside], fine[inside], rtol=0, atol=1e-6)


def test_nearest_equals_rasterios_sampling(rough):
    from rasterio.io import MemoryFile
    from rasterio.transform import from_origin

    rng = np.random.default_rng(13)
    west, south, east, north = GRID.bounds
    x, y = rng.uniform(west, east, 500), rng.uniform(south, north, 500)
    with (
        MemoryFile() as file,
        file.open(
            driver="GTiff",
            dtype="float32",
            count=1,
            height=GRID.rows,
            width=GRID.cols,
            crs=GRID.crs,
            transform=from_origin(GRID.x_left_m, GRID.y_top_m, GRID.dx_m, GRID.dy_m),
        ) as data,
    ):
        data.write(rough.values, 1)
        expected = np.array([v[0] for v in data.sample(np.column_stack([x, y]))])
    np.testing.assert_array_equal(sampling.sample_nearest(rough, x, y), expected)


@pytest.mark.parametrize("threads", [1, 2])
def test_local_relief_inside_is_level_less_scipys_box_mean(rough, threads):
    got = relief.local_relief(rough, 4.0, threads=threads)
    half_rows, half_cols = 5, 8
    mean = ndimage.uniform_filter(
        rough.values.astype(np.float64), (2 * half_rows + 1, 2 * half_cols + 1)
    )
    inner = np.s_[half_rows:-half_rows, half_cols:-half_cols]
    np.testing.assert_allclose(got[inner], (rough.values - mean)[inner], rtol=0, atol=1e-5)


def test_local_relief_by_edges_and_holes_is_the_residual_of_a_fitted_plane(rough):
    values = rough.values.copy()
    values[20:24, 30:50] = np.nan
    got = relief.local_relief(Raster(values, GRID), 4.0)
    for r, c in ((0, 0), (2, 40), (59, 84), (19, 33), (25, 50), (30, 3)):
        r0, r1, c0, c1 = max(0, r - 5), min(60, r + 6), max(0, c - 8), min(85, c + 9)
        box = values[r0:r1, c0:c1].astype(np.float64)
        y, x = np.mgrid[r0:r1, c0:c1]
        there = ~np.isnan(box)
        columns = np.column_stack([np.ones(there.sum()), x[there] - c, y[there] - r])
        fitted = np.linalg.lstsq(columns, box[there], rcond=None)[0][0]
        assert got[r, c] == pytest.approx(values[r, c] - fitted, abs=1e-5)


def test_slope_inside_is_scipys_sobel(rough):
    z = rough.values.astype(np.float64)
    east = ndimage.sobel(z, axis=1) / (8 * GRID.dx_m)
    south = ndimage.sobel(z, axis=0) / (8 * GRID.dy_m)
    got = relief.slope_ratio(rough)
    np.testing.assert_allclose(got[1:-1, 1:-1], np.hypot(east, south)[1:-1, 1:-1], rtol=1e-5)

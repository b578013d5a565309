"""A hillside with a main drain, side drains, sag and spoil of known size."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import shapely

from peatwright.model.raster import Grid, Raster

CRS = "EPSG:27700"
BOTTOM_M, TOP_M, DEPTH_M = 0.6, 1.4, 0.6
SAG_WIDTH_M, SAG_DEPTH_M = 3.0, 0.3
MAIN = [(60.0, 110.0), (60.0, 12.0)]
SIDES = [
    [(20.0, 97.0), (60.0, 78.0)],
    [(104.0, 95.0), (60.0, 70.0)],
    [(24.0, 66.0), (60.0, 44.0)],
]


def carved(
    lines: Sequence[Sequence[tuple[float, float]]],
    *,
    cell: tuple[float, float] = (0.5, 0.5),
    size: tuple[float, float] = (120.0, 120.0),
    slope: tuple[float, float] = (0.01, 0.03),
    sag: bool = True,
    noise_m: float = 0.0,
) -> Raster:
    """Carve drains into a plane that falls west and south by `slope`."""
    cols, rows = round(size[0] / cell[0]), round(size[1] / cell[1])
    grid = Grid(0.0, size[1], cell[0], cell[1], rows, cols, CRS)
    row, col = np.mgrid[:rows, :cols].astype(float)
    x, y = grid.to_metres(row, col)
    z = 300.0 + slope[0] * x + slope[1] * y
    off = np.full(x.shape, np.inf)
    for line in lines:
        off = np.minimum(off, shapely.distance(shapely.LineString(line), shapely.points(x, y)))
    if sag:
        z -= SAG_DEPTH_M * np.clip(1.0 - (off - TOP_M / 2) / SAG_WIDTH_M, 0.0, 1.0)
    z -= DEPTH_M * np.clip((TOP_M / 2 - off) / ((TOP_M - BOTTOM_M) / 2), 0.0, 1.0)
    if noise_m:
        z += np.random.default_rng(2).normal(0.0, noise_m, z.shape)
    return Raster(z.astype(np.float32), grid)


def given(lines: Sequence[Sequence[tuple[float, float]]]) -> gpd.GeoDataFrame:
    """Return lines as given drains."""
    n = len(lines)
    return gpd.GeoDataFrame(
        {"given_id": [f"drains {i + 1}" for i in range(n)], "name": [""] * n, "kind": [""] * n},
        geometry=[shapely.LineString(line) for line in lines],
        crs=CRS,
    )

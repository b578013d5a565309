"""Plain ground with a drain across it and works on it, for tests of spill paths."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from peatwright.model.raster import Grid, Raster

CRS = "EPSG:27700"
DEPTH_M = 0.6
HALF_M = 1.0
HEAD = 5
"""Column of the drain's head: one that began at the edge would let its pool out there."""


def plane(
    rows: int = 120, cols: int = 100, dx: float = 1.0, dy: float = 0.5, *, south: float = 0.05,
    east: float = 0.0, drain_row: int | None = 60, bed_fall: float = 0.005,
) -> Raster:  # fmt: skip
    """Return ground that falls to the south and east, with a drain along one row, west to east."""
    y = np.arange(rows)[:, None] * dy
    x = np.arange(cols)[None, :] * dx
    z = 100.0 - south * y - east * x + 0.0 * x
    if drain_row is not None:
        z[drain_row, HEAD:] -= DEPTH_M + bed_fall * x[0, HEAD:]
    return Raster(z.astype(np.float32), Grid(0.0, rows * dy, dx, dy, rows, cols, CRS))


def drain_y(grid: Grid, drain_row: int) -> float:
    """Return the northing of a row's centre."""
    return grid.y_top_m - (drain_row + 0.5) * grid.dy_m


def tables(raster: Raster, drain_row: int = 60) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return DRAINS and STATIONS of the one drain, as measured without error."""
    grid = raster.grid
    y = drain_y(grid, drain_row)
    first, last = (HEAD + 0.5) * grid.dx_m, (grid.cols - 0.5) * grid.dx_m
    drains = gpd.GeoDataFrame(
        {"drain_id": ["D1"], "flows_into": [""]},
        geometry=[shapely.LineString([(first, y), (last, y)])], crs=CRS,
    )  # fmt: skip
    chainage = np.arange(0.0, last - first + 1e-9, 1.0)
    col = np.clip(HEAD + np.round(chainage / grid.dx_m).astype(int), 0, grid.cols - 1)
    bank = raster.values[drain_row - 2, col].astype(float)
    below = raster.values[drain_row + 2, col].astype(float)
    bed = raster.values[drain_row, col].astype(float)
    n = len(chainage)
    stations = gpd.GeoDataFrame(
        {
            "drain_id": ["D1"] * n, "chainage_m": chainage, "left_offset_m": HALF_M,
            "right_offset_m": HALF_M, "left_level_m": bank, "right_level_m": below,
            "airborne_bed_level_m": bed, "bed_gradient_ratio": 0.005, "bottom_width_m": 0.5,
            "top_width_m": 2 * HALF_M, "depth_m": below - bed, "peat_below_bed_m": 2.0,
        },
        geometry=shapely.points(np.column_stack([first + chainage, np.full(n, y)])), crs=CRS,
    )  # fmt: skip
    return drains, stations


def dam(
    raster: Raster, chainage: float, drain_row: int = 60, *, side: str = "right",
    method: str = "wave dam", number: int = 1, half_m: float = 3.0, **other: Any,
) -> dict[str, Any]:  # fmt: skip
    """Return one row of ITEMS: a dam across the drain; right is south, downhill."""
    grid = raster.grid
    x, y = (HEAD + 0.5) * grid.dx_m + chainage, drain_y(grid, drain_row)
    away = 1 if side == "right" else -1
    edge = 4 if side == "right" else -4
    col = HEAD + round(chainage / grid.dx_m)
    sill = float(raster.values[drain_row + (3 if side == "right" else -3), col])
    out_x, out_y = x, y - edge * grid.dy_m
    row = {
        "item_id": f"D1-{number:03d}", "drain_id": "D1", "reach_id": "D1-R01", "kind": "dam",
        "method": method, "chainage_m": chainage, "from_m": chainage - 0.5, "to_m": chainage + 0.5,
        "x_m": x, "y_m": y, "length_m": 1.0, "width_m": 2 * half_m, "dig_depth_m": DEPTH_M,
        "crest_level_m": sill + 0.5, "pool_level_m": sill, "pool_depth_m": 0.4,
        "outlet_side": side, "outlet_bearing_deg": 90.0 + 90.0 * away, "outlet_x_m": out_x,
        "outlet_y_m": out_y, "outlet_level_m": sill, "gap_width_m": np.nan,
        "geometry": shapely.LineString([(x, y + half_m), (x, y - half_m)]),
    }  # fmt: skip
    return {**row, **other}


def zipped(raster: Raster, low: float, high: float, number: int = 9, row: int = 60) -> Any:
    """Return one row of ITEMS: a run of zipped drain."""
    y = drain_y(raster.grid, row)
    line = shapely.LineString([(low, y), (high, y)])
    return dam(raster, 0.5 * (low + high), row, number=number) | {
        "kind": "zip", "method": "zip", "from_m": low, "to_m": high, "crest_level_m": np.nan,
        "outlet_level_m": np.nan, "outlet_side": "", "geometry": line,
    }  # fmt: skip


def items(*rows: dict[str, Any]) -> pd.DataFrame:
    """Return ITEMS of the given rows, with those columns that spill paths read."""
    if rows:
        return gpd.GeoDataFrame(list(rows), geometry="geometry", crs=CRS)
    one = items(dam(plane(), 10.0))
    return one.iloc[:0]


def limit(kind: str, geometry: Any, distance: float = 0.0) -> pd.DataFrame:
    """Return LIMITS of one thing."""
    return gpd.GeoDataFrame(
        {"given_id": ["1"], "name": ["Invented"], "kind": [kind], "distance_m": [distance],
         "why": ["test"]},
        geometry=[geometry], crs=CRS,
    )  # fmt: skip

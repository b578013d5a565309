"""Slope of the ground over a length, so that drain sides, hags and noise do not count."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from peatwright.ground import _kernels
from peatwright.model.raster import Grid, Raster
from peatwright.terrain._strips import run_strips, threads_for

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
BLOCKS_PER_LENGTH = 4
"""Blocks along the length over which slope is measured."""


@dataclass(frozen=True, eq=False)
class Slopes:
    """Slope on blocks of `by` × `bx` cells of `grid`; between blocks it is interpolated.

    `east` and `north` are the rise in m per m, `slope_ratio` their length, and `convex_deg` by
    how much the slope steepens downhill over the length.
    """

    grid: Grid
    by: int
    bx: int
    east: F32
    north: F32
    slope_ratio: F32
    convex_deg: F32

    def _at(self, values: F32, x_m: ArrayLike, y_m: ArrayLike) -> F64:
        x, y = (
            np.atleast_1d(np.asarray(x_m, np.float64)),
            np.atleast_1d(np.asarray(y_m, np.float64)),
        )
        row, col = self.grid.to_cells(x, y)
        out = np.empty(x.size, np.float64)
        _kernels.lattice_points(
            values, (row + 0.5) / self.by - 0.5, (col + 0.5) / self.bx - 0.5, out
        )
        west, south, east, north = self.grid.bounds
        out[~((x >= west) & (x <= east) & (y >= south) & (y <= north))] = np.nan
        return out

    def slope_at(self, x_m: ArrayLike, y_m: ArrayLike) -> F64:
        """Return slope (m/m) at points (m), NaN off the grid or without ground."""
        return self._at(self.slope_ratio, x_m, y_m)

    def convex_at(self, x_m: ArrayLike, y_m: ArrayLike) -> F64:
        """Return by how many degrees the slope steepens downhill at points (m)."""
        return self._at(self.convex_deg, x_m, y_m)

    def rise_at(self, x_m: ArrayLike, y_m: ArrayLike) -> tuple[F64, F64]:
        """Return the rise in m per m to the east and to the north at points (m)."""
        return self._at(self.east, x_m, y_m), self._at(self.north, x_m, y_m)


def slopes(levels: Raster, over_m: float, *, threads: int | None = None) -> Slopes:
    """Fit planes to the ground over a square of side `over_m` around each block.

    A plane is exact, edges and holes included.
    """
    grid = levels.grid
    by = max(1, round(over_m / BLOCKS_PER_LENGTH / grid.dy_m))
    bx = max(1, round(over_m / BLOCKS_PER_LENGTH / grid.dx_m))
    shape = (max(1, grid.rows // by), max(1, grid.cols // bx))
    blocks = np.empty(shape, np.float32)
    workers = threads_for(levels.values.size, threads)
    run_strips(
        shape[0], workers, lambda a, b: _kernels.block_rows(levels.values, by, bx, a, b, blocks)
    )
    dy, dx = by * grid.dy_m, bx * grid.dx_m
    half_r, half_c = (max(1, round(over_m / 2.0 / d)) for d in (dy, dx))
    east, north = np.empty(shape, np.float32), np.empty(shape, np.float32)
    run_strips(
        shape[0],
        workers,
        lambda a, b: _kernels.plane_rows(blocks, half_r, half_c, dy, dx, a, b, east, north),
    )
    slope = np.hypot(east, north)
    return Slopes(grid, by, bx, east, north, slope, _convex(east, north, slope, dy, dx, over_m))


def _convex(east: F32, north: F32, slope: F32, dy_m: float, dx_m: float, over_m: float) -> F32:
    """Steepening downhill over `over_m`, in degrees: change of slope along the fall line."""
    if min(slope.shape) < 2:
        return np.zeros_like(slope)
    down_rows, along_cols = np.gradient(slope, dy_m, dx_m)
    with np.errstate(divide="ignore", invalid="ignore"):
        # Downhill is against the rise; rows run south.
        change = np.where(slope > 0.0, (-east * along_cols + north * down_rows) / slope, 0.0) * (
            0.5 * over_m
        )
    turned = np.arctan(np.maximum(slope + change, 0.0)) - np.arctan(np.maximum(slope - change, 0.0))
    return np.ascontiguousarray(np.degrees(turned), np.float32)

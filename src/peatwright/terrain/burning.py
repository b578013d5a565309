"""Lower cells along lines, so that drains and culverts carry flow across a terrain model."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from peatwright.model.raster import Grid, Raster

STEP_CELLS = 0.5
"""Points along a line this far apart, at most, touch cells that are neighbours."""


def cells_along(
    grid: Grid, line_m: ArrayLike
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Return row, column and chainage (m) of the cells that a line passes through, in order.

    Each cell is a neighbour (side or corner) of the one before while the line is on the grid;
    parts off the grid are left out. A cell that the line comes back to is given again.

    Args:
        grid: the cells.
        line_m: shape (n, 2) or more columns, x and y in m; further columns are ignored.

    Raises:
        ValueError: fewer than two points, or coordinates that are not finite.

    """
    line = np.asarray(line_m, np.float64)
    if line.ndim != 2 or line.shape[0] < 2 or line.shape[1] < 2:
        msg = f"a line needs at least two points of x and y, not an array of {line.shape}"
        raise ValueError(msg)
    line = line[:, :2]
    if not np.isfinite(line).all():
        msg = "a line has coordinates that are not finite"
        raise ValueError(msg)
    long_m = np.hypot(*np.diff(line, axis=0).T)
    at_m = np.concatenate([[0.0], np.cumsum(long_m)])
    parts = max(1, int(np.ceil(at_m[-1] / (STEP_CELLS * min(grid.dx_m, grid.dy_m)))))
    chainage = np.union1d(np.linspace(0.0, at_m[-1], parts + 1), at_m)
    row, col = grid.to_cells(
        np.interp(chainage, at_m, line[:, 0]), np.interp(chainage, at_m, line[:, 1])
    )
    r = np.floor(row + 0.5).astype(np.int64)
    c = np.floor(col + 0.5).astype(np.int64)
    new = np.ones(r.size, np.bool_)
    new[1:] = (np.diff(r) != 0) | (np.diff(c) != 0)
    new &= (r >= 0) & (r < grid.rows) & (c >= 0) & (c < grid.cols)
    return r[new], c[new], chainage[new]


def burn(raster: Raster, lines_m: Sequence[ArrayLike], depth_m: ArrayLike) -> Raster:
    """Lower every cell that a line passes through by a depth.

    A cell on several lines is lowered once, by the greatest depth. Cells of no data stay so.

    Args:
        raster: ground, levels in m.
        lines_m: one (n, 2) array of x and y in m per drain.
        depth_m: one depth for all, or one per line; not negative.

    Returns:
        A new raster.

    Raises:
        ValueError: a negative depth, or a line that `cells_along` refuses.

    """
    depths = np.broadcast_to(np.asarray(depth_m, np.float64), (len(lines_m),))
    if not (depths >= 0.0).all():
        msg = "a depth to burn must be a number that is not negative"
        raise ValueError(msg)
    lowered = np.zeros(raster.values.shape, np.float32)
    for line, depth in zip(lines_m, depths, strict=True):
        r, c, _ = cells_along(raster.grid, line)
        lowered[r, c] = np.maximum(lowered[r, c], np.float32(depth))
    return Raster(raster.values - lowered, raster.grid)


def burn_through(
    raster: Raster, lines_m: Sequence[ArrayLike], *, reach_m: float | None = None
) -> Raster:
    """Open culverts and bridges: lower the cells along each line to the bed at its two ends.

    The bed at an end is the lowest level within `reach_m` of it, so a line drawn a little short of
    the drain still finds its bed. Between the ends the level runs straight, and no cell is raised;
    cells from the line's end to that lowest one are opened as well. The direction of the line does
    not matter. A line with an end off the data is left alone.

    Args:
        raster: ground, levels in m.
        lines_m: one (n, 2) array of x and y in m per culvert or bridge.
        reach_m: how far from an end to look for the bed; two cells when not given.

    Returns:
        A new raster.

    """
    grid = raster.grid
    reach = 2.0 * max(grid.dx_m, grid.dy_m) if reach_m is None else float(reach_m)
    out = raster.values.copy()
    for line in lines_m:
        points = np.asarray(line, np.float64)
        if points.ndim == 2 and points.shape[1] >= 2 and len(points) >= 2:
            points = points[:, :2]
        cells_along(grid, points)  # refuses what is not a line
        ends = [_lowest_near(raster, point, reach) for point in (points[0], points[-1])]
        if ends[0] is None or ends[1] is None:
            continue
        whole = np.vstack([ends[0][0], points, ends[1][0]])
        r, c, chainage = cells_along(grid, whole)
        total = float(np.hypot(*np.diff(whole, axis=0).T).sum())
        share = chainage / total if total > 0.0 else np.zeros_like(chainage)
        level = ((1.0 - share) * ends[0][1] + share * ends[1][1]).astype(np.float32)
        # A cell that the line comes back to takes the lowest of its levels.
        np.minimum.at(out, (r, c), level)
    return Raster(out, grid)


def _lowest_near(
    raster: Raster, point: NDArray[np.float64], reach_m: float
) -> tuple[NDArray[np.float64], float] | None:
    """Return the place (m) and level of the lowest cell within reach, or None on no data."""
    grid = raster.grid
    row, col = grid.to_cells(point[0:1], point[1:2])
    r0 = int(np.floor(row[0] - reach_m / grid.dy_m + 0.5))
    r1 = int(np.floor(row[0] + reach_m / grid.dy_m + 0.5)) + 1
    c0 = int(np.floor(col[0] - reach_m / grid.dx_m + 0.5))
    c1 = int(np.floor(col[0] + reach_m / grid.dx_m + 0.5)) + 1
    r0, c0 = max(0, r0), max(0, c0)
    window = raster.values[r0:r1, c0:c1] if r1 > 0 and c1 > 0 else raster.values[:0]
    if window.size == 0 or np.isnan(window).all():
        return None
    r, c = np.unravel_index(int(np.nanargmin(window)), window.shape)
    x, y = grid.to_metres(np.array([r0 + float(r)]), np.array([c0 + float(c)]))
    return np.array([x[0], y[0]]), float(window[r, c])

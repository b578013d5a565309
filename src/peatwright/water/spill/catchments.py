"""Catchments of places, and how far they move when the terrain moves within its error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from peatwright.drains.measure import UPSLOPE_NEAR_M
from peatwright.model.progress import Progress, silent
from peatwright.model.raster import Grid, Raster
from peatwright.model.spill_rules import SpillRules
from peatwright.terrain.routing import burn
from peatwright.water.spill.route import Routed, route

F64 = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Catchments:
    """Upslope area of each place, m², with its range and what the range rests on."""

    area_m2: F64
    low_m2: F64
    high_m2: F64
    range_from: str


def greatest_near(upslope_m2: F64, grid: Grid, x_m: F64, y_m: F64) -> F64:
    """Return the greatest upslope area near each place; NaN off the data."""
    near = float(UPSLOPE_NEAR_M.value)
    row, col = grid.to_cells(x_m, y_m)
    reach_r, reach_c = int(np.ceil(near / grid.dy_m)), int(np.ceil(near / grid.dx_m))
    out = np.full(len(x_m), -np.inf)
    r = np.floor(row + 0.5).astype(np.int64)
    c = np.floor(col + 0.5).astype(np.int64)
    for i in range(-reach_r, reach_r + 1):
        for j in range(-reach_c, reach_c + 1):
            if np.hypot(i * grid.dy_m, j * grid.dx_m) > max(near, 0.0):
                continue
            rr, cc = r + i, c + j
            on = (rr >= 0) & (rr < grid.rows) & (cc >= 0) & (cc < grid.cols)
            got = np.full(len(r), np.nan)
            got[on] = upslope_m2[rr[on], cc[on]]
            out = np.fmax(out, got)
    out[~np.isfinite(out)] = np.nan
    return out


def moved(ground: Raster, rules: SpillRules, run: int) -> Raster:
    """Return the terrain moved within its error, by a surface of errors alike at short distance."""
    grid = ground.grid
    rng = np.random.default_rng([int(rules.moved_seed), run])
    reach = rules.terrain_error_reach_m
    rows = max(2, int(np.ceil(grid.rows * grid.dy_m / reach)) + 1)
    cols = max(2, int(np.ceil(grid.cols * grid.dx_m / reach)) + 1)
    coarse = rng.standard_normal((rows, cols)).astype(np.float32)
    error = ndimage.zoom(
        coarse, (grid.rows / rows, grid.cols / cols), order=1, grid_mode=True, mode="nearest"
    )[: grid.rows, : grid.cols]
    spread = float(error.std())
    scale = np.float32(rules.terrain_error_m / spread if spread > 0.0 else 0.0)
    return Raster(ground.values + scale * error, grid)


def catchments(
    dtm: Raster,
    before: Routed,
    lines_m: Sequence[ArrayLike],
    depth_m: float,
    x_m: F64,
    y_m: F64,
    rules: SpillRules,
    progress: Progress = silent,
) -> Catchments:
    """Return the upslope area of places, with its range over moved terrains.

    Each run moves the terrain within its error, cuts the drains in and routes again; the range is
    the least and greatest of all runs and the terrain as given. Moving the terrain shows what its
    error does, not what drains, pipes and culverts that it does not show do: see the share that the
    storm flows are widened by.

    Args:
        dtm: terrain as given.
        before: routing of that terrain with the drains cut in.
        lines_m: drains, as given to `burn`.
        depth_m: how deep they were cut.
        x_m: eastings of the places.
        y_m: northings.
        rules: settings; with `moved_runs` 0 the range is a set share.
        progress: told how far the work is.

    """
    area = greatest_near(before.upslope_m2, dtm.grid, x_m, y_m)
    if rules.moved_runs == 0 or rules.terrain_error_m == 0.0:
        share = rules.area_error_ratio
        words = f"a set share of ± {100 * share:.0f} %"
        return Catchments(area, area * (1.0 - share), area * (1.0 + share), words)
    low, high = area.copy(), area.copy()
    for run in range(rules.moved_runs):
        progress(run / rules.moved_runs, f"moving the terrain, {run + 1} of {rules.moved_runs}")
        got = _moved_area(dtm, lines_m, depth_m, x_m, y_m, rules, run)
        low, high = np.fmin(low, got), np.fmax(high, got)
    words = f"{rules.moved_runs} terrains moved by {rules.terrain_error_m:g} m"
    return Catchments(area, low, high, words)


def _moved_area(
    dtm: Raster, lines_m: Sequence[ArrayLike], depth_m: float, x_m: F64, y_m: F64,
    rules: SpillRules, run: int,
) -> F64:  # fmt: skip
    """Return the upslope area of places on one moved terrain, whose routing is not kept."""
    routed = route(burn(moved(dtm, rules, run), lines_m, depth_m))
    return greatest_near(routed.upslope_m2, dtm.grid, x_m, y_m)

"""Routing before and after, and routing again after a change to a small part, exactly.

The levels of a filled terrain are the greatest ones for which each cell stands at the greater of
its ground and its lowest neighbour, and each has a way out that never rises above it. So a part may
be filled alone: its rim is held at the old levels where the way out of the rim misses the change;
if then every cell at the rim still meets that rule, and no level part of the surface that changed
reaches the rim, the whole is what routing the whole would give. If not, the part is widened.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from peatwright.model.cited import Cited
from peatwright.model.raster import Grid, Raster
from peatwright.terrain.flow.codes import D_COL, D_ROW
from peatwright.terrain.routing import Directions, accumulate, fill, flow_directions
from peatwright.water._refuse import refuse
from peatwright.water.spill.reroute import _kernels as k

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
Flags = NDArray[np.bool_]

MARGIN_CELLS = Cited(40.0, "cells", "cells around a change that are routed again at first", 4, 500)
LARGEST_SHARE = 0.5
"""A part larger than this share of the whole is not worth while."""
_WALL = np.float32(1e6)
_AROUND = np.ones((3, 3), np.bool_)


@dataclass(frozen=True, eq=False)
class Routed:
    """A terrain with its filled levels, directions and upslope area (m²)."""

    ground: Raster
    directions: Directions
    upslope_m2: F64

    @property
    def codes(self) -> NDArray[np.uint8]:
        """Direction of each cell, as in `Directions`."""
        return self.directions.codes

    @property
    def levels(self) -> NDArray[np.float32]:
        """Filled levels, m."""
        return self.directions.filled.values


@dataclass(frozen=True, eq=False)
class Rerouted:
    """A routing after a change.

    `rounds` tells how often the part was widened; `whole` that all was routed; `cells` how many
    cells were routed again and `added_up` how many got a new sum.
    """

    routed: Routed
    cells: int
    rounds: int
    whole: bool
    added_up: int

    @property
    def words(self) -> str:
        """How far the result is the same as routing everything."""
        how = (
            "the whole terrain was routed again"
            if self.whole
            else f"{self.cells} cells were routed again and {self.added_up} sums made anew; levels "
            "and directions are those of routing the whole, sums to rounding"
        )
        return f"{how} ({self.rounds} rounds)"


def route(ground: Raster, *, threads: int | None = None) -> Routed:
    """Fill, point and add up.

    Raises:
        PeatwrightError: no cell has data, or a level is infinite.

    """
    values = ground.values
    if np.isinf(values).any():
        refuse("terrain", "infinite levels", "levels in metres or no data", "Mend the terrain.")
    if not values.size or np.isnan(values).all():
        refuse("terrain", "no data anywhere", "some ground", "Give another terrain.")
    filled = fill(ground, threads=threads)
    ways = flow_directions(ground, filled, threads=threads)
    return Routed(ground, ways, accumulate(ways, threads=threads))


def reroute(old: Routed, part: NDArray[np.float32], row0: int, col0: int) -> Rerouted:
    """Return the routing with a rectangle of new ground put in.

    Args:
        old: routing before the change.
        part: new levels of the rectangle that begins at `row0`, `col0`; data stay data.
        row0: first row.
        col0: first column.

    Raises:
        PeatwrightError: the rectangle leaves the grid, or has no data where there were some.

    """
    grid = old.ground.grid
    rows, cols = part.shape
    if row0 < 0 or col0 < 0 or row0 + rows > grid.rows or col0 + cols > grid.cols:
        refuse(
            "change", f"rows {row0} to {row0 + rows}, columns {col0} to {col0 + cols}",
            f"inside {grid.rows} × {grid.cols} cells", "Keep the change on the terrain.",
        )  # fmt: skip
    was = old.ground.values[row0 : row0 + rows, col0 : col0 + cols]
    if (np.isnan(was) != np.isnan(part)).any() or np.isinf(part).any():
        refuse("change", "ground that comes or goes", "new levels only", "Route the whole.")
    at = np.argwhere((was != part) & ~np.isnan(part))
    if not len(at):
        return Rerouted(old, 0, 0, False, 0)
    ground = old.ground.values.copy()
    ground[row0 : row0 + rows, col0 : col0 + cols] = part
    raster = Raster(ground, grid)
    corner = np.array([row0, col0])
    low, high = at.min(axis=0) + corner, at.max(axis=0) + corner + 1
    room = np.array([low[0], high[0], low[1], high[1]]) + np.array([-1, 1, -1, 1]) * _margin()
    ends = np.array([0, grid.rows, 0, grid.cols])
    step = np.full(4, _margin())
    rounds = 0
    while True:
        rounds += 1
        room = np.where([1, 0, 1, 0], np.maximum(room, ends), np.minimum(room, ends))
        r0, r1, c0, c1 = room.tolist()
        if (r1 - r0) * (c1 - c0) > LARGEST_SHARE * grid.rows * grid.cols:
            break
        got = _part(old, raster, r0, r1, c0, c1)
        if isinstance(got, _Part):
            return _put(old, raster, got, (r0, c0), rounds)
        # Only the sides that the change reaches are moved outwards, each time by more.
        step = np.where(got, 2 * step, step)
        room += np.where(got, step, 0) * np.array([-1, 1, -1, 1])
    return Rerouted(route(raster), grid.rows * grid.cols, rounds, True, grid.rows * grid.cols)


def _margin() -> int:
    return int(MARGIN_CELLS.value)


def _sides(bad: Flags) -> Flags:
    """Say which sides of a window (top, bottom, left, right) marked cells are nearest to."""
    rows, cols = bad.shape
    r, c = np.nonzero(bad)
    nearest = np.argmin(np.stack([r, rows - 1 - r, c, cols - 1 - c]), axis=0)
    return np.bincount(nearest, minlength=4).astype(np.bool_)


@dataclass(frozen=True, eq=False)
class _Part:
    levels: NDArray[np.float32]
    codes: NDArray[np.uint8]


def _part(old: Routed, new: Raster, r0: int, r1: int, c0: int, c1: int) -> _Part | Flags:
    """Route a window again; where the change reaches beyond it, say over which sides."""
    grid = new.grid
    window = np.s_[r0:r1, c0:c1]
    ground = new.values[window]
    old_levels = old.levels[window]
    rows, cols = ground.shape
    rim = np.zeros((rows, cols), np.bool_)
    rim[0, :] |= r0 > 0
    rim[-1, :] |= r1 < grid.rows
    rim[:, 0] |= c0 > 0
    rim[:, -1] |= c1 < grid.cols
    changed = ground != old.ground.values[window]
    changed &= ~np.isnan(ground)
    if (changed & rim).any():
        return _sides(changed & rim)
    free = _free(old, changed, rim, r0, c0)
    alone = np.where(rim, np.where(free, old_levels, _WALL), ground).astype(np.float32)
    alone[np.isnan(ground)] = np.nan
    part = Grid(
        grid.x_left_m + c0 * grid.dx_m, grid.y_top_m - r0 * grid.dy_m, grid.dx_m, grid.dy_m, rows,
        cols, grid.crs,
    )  # fmt: skip
    # Inside a window next to no data, or at the edge of the whole, water leaves as ever.
    filled = fill(Raster(alone, part), threads=1).values
    levels = np.where(rim, old_levels, filled)
    bad = _unsettled(old, new, levels, rim, (r0, r1, c0, c1))
    if bad.any():
        return _sides(bad)
    ways = flow_directions(
        Raster(np.where(rim, old_levels, ground).astype(np.float32), part),
        Raster(levels, part), threads=1,
    )  # fmt: skip
    return _directed(old, ground, levels, ways.codes, rim, changed, window)


def _free(old: Routed, changed: Flags, rim: Flags, r0: int, c0: int) -> Flags:
    """Say which cells of the rim have a way out that misses the change."""
    cols = old.ground.grid.cols
    touched = np.zeros(old.codes.shape, np.uint8)
    touched[r0 : r0 + changed.shape[0], c0 : c0 + changed.shape[1]] = changed
    at = np.argwhere(rim)
    out = np.zeros(len(at), np.bool_)
    cells = (at[:, 0] + r0) * cols + at[:, 1] + c0
    k.leaves_untouched(cells, old.codes, touched, out)
    free = np.zeros(rim.shape, np.bool_)
    free[rim] = out
    return free


def _unsettled(
    old: Routed, new: Raster, levels: NDArray[np.float32], rim: Flags, at: tuple[int, int, int, int]
) -> Flags:
    """Mark rim cells and neighbours that do not stand where the rule of filling puts them."""
    r0, r1, c0, c1 = at
    grid = new.grid
    # One cell more on each side, so that the rim sees all its neighbours.
    a, b = max(r0 - 1, 0), min(r1 + 1, grid.rows)
    c, d = max(c0 - 1, 0), min(c1 + 1, grid.cols)
    wide = old.levels[a:b, c:d].copy()
    wide[r0 - a : r1 - a, c0 - c : c1 - c] = levels
    near = np.argwhere(ndimage.binary_dilation(rim, _AROUND))
    flat = (near[:, 0] + r0 - a) * wide.shape[1] + near[:, 1] + c0 - c
    wrong = np.zeros(len(near), np.bool_)
    ground = np.ascontiguousarray(new.values[a:b, c:d])
    k.unsettled(ground, wide, np.asarray(flat, np.int64), wrong)
    out = np.zeros(rim.shape, np.bool_)
    out[tuple(near[wrong].T)] = True
    return out


def _directed(
    old: Routed,
    ground: NDArray[np.float32],
    levels: NDArray[np.float32],
    codes: NDArray[np.uint8],
    rim: Flags,
    changed: Flags,
    window: tuple[slice, slice],
) -> _Part | Flags:
    """Keep old directions at the rim and on level parts that reach it, unless those changed."""
    old_codes, old_levels = old.codes[window], old.levels[window]
    moved = changed | ((levels != old_levels) & ~np.isnan(ground))
    # A level cell looks at its neighbours' directions, and these at their neighbours' levels.
    moved = ndimage.binary_dilation(moved, _AROUND, iterations=2)
    if (moved & rim).any():
        return _sides(moved & rim)
    parts, count = ndimage.label(_level_cells(levels) & ~np.isnan(ground), _AROUND)
    # The rim's own neighbours lie outside, so whether it is level is not known: it counts.
    reach = ndimage.binary_dilation(rim, _AROUND, iterations=2)
    held = np.zeros(count + 1, np.bool_)
    held[np.unique(parts[reach])] = True
    held[0] = False
    touched = np.zeros(count + 1, np.bool_)
    touched[np.unique(parts[moved])] = True
    if (held & touched).any():
        return _sides((held & touched)[parts] & reach)
    keep = rim | held[parts]
    return _Part(levels, np.where(keep, old_codes, codes))


def _level_cells(levels: NDArray[np.float32]) -> Flags:
    """Say which cells have no lower neighbour."""
    rows, cols = levels.shape
    padded = np.pad(levels, 1, constant_values=np.inf)
    lowest = np.full(levels.shape, np.inf, np.float32)
    for j in range(1, 9):
        a, b = 1 + D_ROW[j], 1 + D_COL[j]
        lowest = np.fmin(lowest, padded[a : a + rows, b : b + cols])
    return np.asarray(lowest >= levels)


def _put(old: Routed, new: Raster, part: _Part, at: tuple[int, int], rounds: int) -> Rerouted:
    """Put a window into the whole and mend the sums below it."""
    r0, c0 = at
    rows, cols = part.codes.shape
    window = np.s_[r0 : r0 + rows, c0 : c0 + cols]
    levels = old.levels.copy()
    levels[window] = part.levels
    codes = old.codes.copy()
    codes[window] = part.codes
    differ = np.argwhere(part.codes != old.codes[window])
    cells = np.asarray((differ[:, 0] + r0) * codes.shape[1] + differ[:, 1] + c0, np.int64)
    total = old.upslope_m2.copy()
    done = 0
    if len(cells):
        done = k.mend_totals(old.codes, codes, cells, new.grid.cell_area_m2, total)
    ways = replace(old.directions, codes=codes, filled=Raster(levels, new.grid))
    return Rerouted(Routed(new, ways, total), rows * cols, rounds, False, int(done))

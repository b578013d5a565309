"""Depression filling, flow directions and accumulation.

`fill`, then `flow_directions`, then `accumulate` or `multiple_flow_accumulation`. Bytes a cell at
the peak, the terrain itself included: fill 13 and the basins (some 3 more), directions 9,
accumulation 10. Cells next to no data or at the rim of the grid are the edge, where water may
leave.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from peatwright.model.cited import Cited
from peatwright.model.raster import Grid, Raster
from peatwright.terrain._strips import run_strips, strips, threads_for
from peatwright.terrain.burning import burn, burn_through
from peatwright.terrain.flow.basins import _kernels as basin_kernels
from peatwright.terrain.flow.codes import D_COL, D_ROW, NO_DATA
from peatwright.terrain.flow.totals import _kernels as total_kernels
from peatwright.terrain.flow.ways import _kernels as way_kernels

__all__ = [
    "Directions",
    "accumulate",
    "burn",
    "burn_through",
    "fill",
    "flow_directions",
    "multiple_flow_accumulation",
]

HELD_PASSES = 1 << 12
CHUNK_PASSES = 1 << 20
FREEMAN_POWER = Cited(
    1.1,
    "",
    "power of slope by which flow is shared",
    0.5,
    10.0,
    source="Freeman 1991, Computers & Geosciences 17: 413-422",
    read="memory",
)
QUINN_CARDINAL = Cited(
    0.5,
    "ratio",
    "contour length towards a side neighbour over the cell size across it",
    0.0,
    1.0,
    source="Quinn et al. 1991, Hydrological Processes 5: 59-79",
    read="memory",
)
QUINN_DIAGONAL = Cited(
    0.25,
    "ratio",
    "contour length towards a corner neighbour over the cell's diagonal (0.354 of a square's side)",
    0.0,
    1.0,
    source="Quinn et al. 1991, Hydrological Processes 5: 59-79",
    read="memory",
)


@dataclass(frozen=True, eq=False)
class Directions:
    """Where each cell drains to.

    `codes` is uint8: 0 water leaves the ground here (edge or outlet), 1 to 8 to the neighbour east
    and on clockwise (1 east, 2 south-east, 3 south, … 8 north-east), 255 no data. `filled` is the
    surface they were taken from, which spreading flow needs.
    """

    codes: NDArray[np.uint8]
    filled: Raster

    @property
    def grid(self) -> Grid:
        """The grid of the codes."""
        return self.filled.grid

    def receivers(self) -> NDArray[np.int64]:
        """Return the flat index that each cell drains to; itself where water leaves; -1 no data."""
        rows, cols = self.codes.shape
        step = np.zeros(256, np.int64)
        for code in range(1, 9):
            step[code] = D_ROW[code] * cols + D_COL[code]
        out = np.arange(rows * cols, dtype=np.int64).reshape(rows, cols) + step[self.codes]
        out[self.codes == NO_DATA] = -1
        return out

    def powers_of_two(self) -> NDArray[np.uint8]:
        """Return the codes as 1, 2, 4 … 128 clockwise from east, 0 leaves, 247 no data."""
        table = np.zeros(256, np.uint8)
        table[1:9] = 1 << np.arange(8)
        table[NO_DATA] = 247
        return table[self.codes]


def fill(
    raster: Raster,
    *,
    drop_m: float = 0.0,
    outlets: NDArray[np.bool_] | None = None,
    threads: int | None = None,
) -> Raster:
    """Raise every closed hollow to the level at which it spills.

    Levels are those of a priority flood (Barnes, Lehman & Mulla 2014, Computers & Geosciences 62:
    117-127) from the edge of the data: each cell gets the lowest level over which water can leave.

    Args:
        raster: ground, levels in m.
        drop_m: 0 leaves filled hollows level. Above 0 each cell is also lifted to at least this
            much above the one it drains to, so that the surface falls all the way; where float32
            cannot hold so fine a drop, the next higher number is taken.
        outlets: cells, besides the edge, where water leaves the ground, such as a sink hole.
        threads: one per core by default; give 1 inside a parallel task.

    Returns:
        A new raster; NaN stays NaN.

    """
    filled = Raster(_fill(raster, _sinks(outlets, raster.grid), threads), raster.grid)
    if drop_m <= 0.0:
        return filled
    ways = flow_directions(raster, filled, outlets=outlets, threads=threads)
    lifted = np.empty(filled.values.shape, np.float32)
    queue = np.empty(lifted.size, np.int64)
    way_kernels.lift_along(filled.values, ways.codes, float(drop_m), queue, lifted)
    return Raster(lifted, raster.grid)


def _fill(raster: Raster, sinks: NDArray[np.bool_], threads: int | None) -> NDArray[np.float32]:
    values = np.ascontiguousarray(raster.values)
    count = threads_for(values.size, threads)
    labels, basins = _basins(values, count)
    ends, passes = _passes(values, labels, sinks, count)
    tree = np.empty(basins - 1, np.int32)
    picked = basin_kernels.spanning_tree(ends, passes, basins, tree)
    levels = np.empty(basins, np.float32)
    basin_kernels.basin_levels(ends, passes, tree, picked, levels)
    out = np.empty(values.shape, np.float32)
    run_strips(
        values.shape[0],
        count,
        lambda a, b: basin_kernels.raise_rows(values, labels, levels, a, b, out),
    )
    return out


def _basins(values: NDArray[np.float32], count: int) -> tuple[NDArray[np.int32], int]:
    """Number the basin of each cell, 0 for no data; return that and one more than the basins."""
    rows = values.shape[0]
    codes = np.empty(values.shape, np.uint8)
    labels = np.empty(values.shape, np.int32)
    pits = run_strips(rows, count, lambda a, b: basin_kernels.descend_rows(values, a, b, codes))
    tops = [a for a, _ in strips(rows, count)]
    first = dict(zip(tops, np.cumsum([1, *pits[:-1]]).tolist(), strict=True))
    run_strips(rows, count, lambda a, b: basin_kernels.label_pits(codes, a, b, first[a], labels))
    if sum(run_strips(rows, count, lambda a, b: basin_kernels.trace_labels(codes, a, b, labels))):
        basin_kernels.trace_seams(codes, labels)
    return labels, sum(pits) + 1


def _passes(
    values: NDArray[np.float32],
    labels: NDArray[np.int32],
    sinks: NDArray[np.bool_],
    count: int,
) -> tuple[NDArray[np.int32], NDArray[np.float32]]:
    room = max(min(CHUNK_PASSES, values.size // 4), 10 * values.shape[1])

    def strip(first: int, past: int) -> list[tuple[NDArray[np.int32], NDArray[np.float32]]]:
        held = np.full((HELD_PASSES, 2), -1, np.int32)
        held_level = np.empty(HELD_PASSES, np.float32)
        found = []
        row = first
        while row < past:
            ends = np.empty((room + HELD_PASSES, 2), np.int32)
            level = np.empty(room + HELD_PASSES, np.float32)
            counted = np.zeros(1, np.int64)
            row = basin_kernels.pass_rows(
                values, labels, sinks, row, past, held, held_level, ends, level[:room], counted
            )
            n = int(counted[0])
            if row == past:
                n = basin_kernels.flush_passes(held, held_level, ends, level, n)
            found.append((ends[:n].copy(), level[:n].copy()))
        return found

    parts = [part for found in run_strips(labels.shape[0], count, strip) for part in found]
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


def flow_directions(
    raster: Raster,
    filled: Raster,
    *,
    outlets: NDArray[np.bool_] | None = None,
    threads: int | None = None,
) -> Directions:
    """Return the one neighbour that each cell drains to (D8); no cell is left undrained.

    The steepest drop of the filled surface, drop over distance (O'Callaghan & Mark 1984, Computer
    Vision, Graphics and Image Processing 28: 323-344). In flats and filled hollows flow goes to an
    exit, keeping to the lowest ground of `raster`, so that a drain blocked by a few cells still
    carries its water along its bed. A cell at the edge with no lower neighbour lets water leave.

    Args:
        raster: ground as it is, levels in m.
        filled: the same ground after `fill`.
        outlets: as given to `fill`.
        threads: one per core by default; give 1 inside a parallel task.

    Raises:
        ValueError: the grids differ, or `filled` has hollows left.

    """
    if raster.values.shape != filled.values.shape:
        msg = f"ground of {raster.values.shape} cells cannot go with {filled.values.shape}"
        raise ValueError(msg)
    grid = filled.grid
    levels = np.ascontiguousarray(filled.values)
    bed = np.ascontiguousarray(raster.values)
    sinks = _sinks(outlets, grid)
    codes = np.empty(levels.shape, np.uint8)
    per_dx, per_dy, per_diagonal = (
        np.float32(1.0 / d) for d in (grid.dx_m, grid.dy_m, float(np.hypot(grid.dx_m, grid.dy_m)))
    )
    count = threads_for(levels.size, threads)
    unresolved = run_strips(
        grid.rows,
        count,
        lambda a, b: way_kernels.steepest_rows(
            levels, sinks, per_dx, per_dy, per_diagonal, a, b, codes
        ),
    )
    if sum(unresolved) and way_kernels.resolve_flats(bed.view(np.int32), levels, codes):
        msg = "the surface still has closed hollows; fill it first"
        raise ValueError(msg)
    return Directions(codes, filled)


def _sinks(outlets: NDArray[np.bool_] | None, grid: Grid) -> NDArray[np.bool_]:
    if outlets is None:
        return np.empty((0, 0), np.bool_)
    if outlets.shape != (grid.rows, grid.cols):
        msg = f"outlets of {outlets.shape} cells do not fit ground of {(grid.rows, grid.cols)}"
        raise ValueError(msg)
    return np.ascontiguousarray(outlets, np.bool_)


def _weights(directions: Directions, weights: NDArray[np.float64] | None) -> NDArray[np.float64]:
    """Return a fresh array of what each cell adds; by default its own area."""
    codes = directions.codes
    if weights is None:
        total = np.full(codes.shape, directions.grid.cell_area_m2, np.float64)
    else:
        total = np.array(weights, np.float64)
        if total.shape != codes.shape:
            msg = f"weights of {total.shape} cells do not fit ground of {codes.shape}"
            raise ValueError(msg)
    return total


def accumulate(
    directions: Directions,
    weights: NDArray[np.float64] | None = None,
    *,
    threads: int | None = None,
) -> NDArray[np.float64]:
    """Return the upslope area of each cell in m², its own included; NaN where there is no data.

    Args:
        directions: from `flow_directions`.
        weights: what each cell adds, instead of its area: m² of one cover, say, or m³/s of water.
        threads: one per core by default; give 1 inside a parallel task.

    """
    codes = directions.codes
    total = _weights(directions, weights)
    rows, cols = codes.shape
    count = threads_for(codes.size, threads)
    givers = np.empty(codes.shape, np.uint8)
    run_strips(rows, count, lambda a, b: total_kernels.givers_rows(codes, a, b, givers))

    def strip(first: int, past: int) -> NDArray[np.int64]:
        waiting = np.empty(2 * cols, np.int64)
        held = total_kernels.gather_rows(codes, givers, first, past, total, waiting)
        return waiting[:held]

    waiting = np.concatenate(run_strips(rows, count, strip))
    total_kernels.gather_waiting(codes, givers, waiting, waiting.size, total)
    _blank(codes, total, count)
    return total


def _blank(codes: NDArray[np.uint8], total: NDArray[np.float64], count: int) -> None:
    def strip(first: int, past: int) -> None:
        total[first:past][codes[first:past] == NO_DATA] = np.nan

    run_strips(codes.shape[0], count, strip)


def multiple_flow_accumulation(
    directions: Directions,
    weights: NDArray[np.float64] | None = None,
    *,
    scheme: Literal["freeman", "quinn"] = "freeman",
    power: float | None = None,
    threads: int | None = None,
) -> NDArray[np.float64]:
    """Return the upslope area in m² when flow spreads over all lower neighbours; NaN no data.

    Shares go with slope^power times contour length. "freeman": power 1.1, equal lengths (Freeman
    1991). "quinn": power 1, half the cell size towards sides and a quarter of its diagonal towards
    corners (Quinn et al. 1991). Flats pass on along the directions. Suits open slopes; drains are
    better served by `accumulate`.

    Args:
        directions: from `flow_directions`.
        weights: what each cell adds, instead of its area.
        scheme: which of the two.
        power: takes the place of the scheme's own.
        threads: for the part that can be shared; one per core by default.

    """
    grid = directions.grid
    codes = directions.codes
    levels = np.ascontiguousarray(directions.filled.values)
    total = _weights(directions, weights)
    per_distance, contour = _spreading(grid, scheme)
    if power is None:
        power = float(FREEMAN_POWER.value) if scheme == "freeman" else 1.0
    count = threads_for(codes.size, threads)
    givers = np.empty(codes.shape, np.uint8)
    run_strips(
        grid.rows, count, lambda a, b: total_kernels.many_givers_rows(levels, codes, a, b, givers)
    )
    total_kernels.gather_spread(levels, codes, givers, per_distance, contour, power, total)
    _blank(codes, total, count)
    return total


def _spreading(
    grid: Grid, scheme: Literal["freeman", "quinn"]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return one over distance, and contour length, by code of direction."""
    diagonal = float(np.hypot(grid.dx_m, grid.dy_m))
    distance = np.ones(9)
    distance[[1, 5]] = grid.dx_m
    distance[[3, 7]] = grid.dy_m
    distance[[2, 4, 6, 8]] = diagonal
    contour = np.ones(9)
    if scheme == "quinn":
        contour[[1, 5]] = float(QUINN_CARDINAL.value) * grid.dy_m
        contour[[3, 7]] = float(QUINN_CARDINAL.value) * grid.dx_m
        contour[[2, 4, 6, 8]] = float(QUINN_DIAGONAL.value) * diagonal
    return 1.0 / distance, contour

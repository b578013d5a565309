"""Ways of least cost over the going of the ground, between places and past finished drains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from peatwright.model.cited import Cited
from peatwright.model.raster import Grid, Raster
from peatwright.works.programme import _kernels as kn
from peatwright.works.sections import Bools, Floats, Ints

LINE_STEP = Cited(0.25, "cells", "step at which a drain's line is read off the cells", 0.05, 0.5)
ALL_PAIRS = Cited(450, "places", "up to so many places every way is traced for crossings", 2, 5000)
TRACED = Cited(40, "ways", "beyond it, so many of the cheapest ways of each place are", 2, 5000)


@dataclass(frozen=True, eq=False)
class Ground:
    """Going on square-ish cells. `cost` (R, C) is 1 on dry ground and more on wet; inf is shut."""

    cost: Floats
    grid: Grid


@dataclass(frozen=True, eq=False)
class Way:
    """A way: its points (N, 2) in metres, length, length as if dry, and length over wet ground."""

    xy_m: Floats
    length_m: float
    cost_m: float
    wet_m: float


@dataclass(frozen=True, eq=False)
class Table:
    """All ways between P places. `cost_m`, `length_m` (P, P), inf where there is none.

    The drains that the way from p to q crosses are `crossed[ptr[p*P + q] : ptr[p*P + q + 1]]`.
    """

    cost_m: Floats
    length_m: Floats
    ptr: Ints
    crossed: Ints


def ground(going: Raster, cell_m: float, cells_max: int) -> Ground:
    """Return the going on cells of about `cell_m`, or larger so that there are `cells_max` at most.

    `going` holds cost per metre, 1 on dry ground, and NaN or infinity where no machine may go. A
    large cell takes the mean cost of its open cells and is shut when any of them is shut, so that
    no way touches ground to be kept off; a gap narrower than two large cells may be lost.
    """
    g = going.grid
    held = going.values
    size = max(cell_m, np.sqrt(g.rows * g.dy_m * g.cols * g.dx_m / max(cells_max, 1)))
    down = max(1, round(size / g.dy_m))
    along = max(1, round(size / g.dx_m))
    while -(-g.rows // down) * -(-g.cols // along) > cells_max and max(down, along) < max(
        g.rows, g.cols
    ):
        down, along = down + 1, along + 1
    rows, cols = -(-g.rows // down), -(-g.cols // along)
    padded = np.full((rows * down, cols * along), np.inf, dtype=np.float32)
    padded[: g.rows, : g.cols] = np.where(np.isfinite(held) & (held > 0), held, np.inf)
    real = np.zeros(padded.shape, dtype=bool)
    real[: g.rows, : g.cols] = True
    split = (rows, down, cols, along)
    value = np.where(real, padded, 0.0).reshape(split).sum(axis=(1, 3), dtype=np.float64)
    count = real.reshape(split).sum(axis=(1, 3))
    cost = value / count
    grid = Grid(g.x_left_m, g.y_top_m, g.dx_m * along, g.dy_m * down, rows, cols, g.crs)
    return Ground(cost, grid)


def flat_ground(xy_m: Floats, cell_m: float, cells_max: int, margin_m: float, crs: str) -> Ground:
    """Return open, dry ground around points (N, 2), for sites without a going map."""
    low, high = xy_m.min(axis=0) - margin_m, xy_m.max(axis=0) + margin_m
    wide, tall = high - low
    size = max(cell_m, float(np.sqrt(wide * tall / max(cells_max, 1))))
    rows, cols = int(np.ceil(tall / size)), int(np.ceil(wide / size))
    grid = Grid(float(low[0]), float(high[1]), size, size, rows, cols, crs)
    return Ground(np.ones((rows, cols)), grid)


def _flat(grid: Grid, xy_m: Floats) -> tuple[Ints, Bools]:
    row, col = grid.to_cells(xy_m[:, 0], xy_m[:, 1])
    r, c = np.rint(row).astype(np.int64), np.rint(col).astype(np.int64)
    inside = (r >= 0) & (r < grid.rows) & (c >= 0) & (c < grid.cols)
    r, c = np.clip(r, 0, grid.rows - 1), np.clip(c, 0, grid.cols - 1)
    return r * grid.cols + c, inside


def stands(at: Ground, xy_m: Floats, reach_m: float) -> Ints:
    """Return the open cell (flat index) nearest each point (N, 2), -1 if none within `reach_m`."""
    flat, _ = _flat(at.grid, xy_m)
    open_ = np.isfinite(at.cost)
    if not open_.any():
        return np.full(len(xy_m), -1, dtype=np.int64)
    near = ndimage.distance_transform_edt(
        ~open_, sampling=(at.grid.dy_m, at.grid.dx_m), return_distances=False, return_indices=True
    )
    row, col = flat // at.grid.cols, flat % at.grid.cols
    to_row, to_col = near[0][row, col].astype(np.int64), near[1][row, col].astype(np.int64)
    x, y = at.grid.to_metres(to_row.astype(np.float64), to_col.astype(np.float64))
    far = np.hypot(x - xy_m[:, 0], y - xy_m[:, 1])
    # half a cell's diagonal is no distance: the point may lie anywhere in its own cell
    slack = 0.5 * np.hypot(at.grid.dx_m, at.grid.dy_m)
    out: Ints = np.where(far <= reach_m + slack, to_row * at.grid.cols + to_col, -1)
    return out


def joined(at: Ground, place: int) -> Ground:
    """Return the ground with every cell shut that no way over cell edges leads to from `place`.

    So that the open cell nearest a drain is one that a machine can get to; -1 shuts nothing.
    """
    if place < 0:
        return at
    group, _ = ndimage.label(np.isfinite(at.cost))
    own = group.ravel()[place]
    return Ground(np.where(group == own, at.cost, np.inf), at.grid) if own else at


def line_cells(grid: Grid, line: shapely.LineString) -> Ints:
    """Return the cells (flat indices) that a line runs through, each once, in rising order."""
    step = float(LINE_STEP.value) * min(grid.dx_m, grid.dy_m)
    along = np.arange(0.0, line.length + step, step)
    points = shapely.get_coordinates(shapely.line_interpolate_point(line, along))
    flat, inside = _flat(grid, points)
    out: Ints = np.unique(flat[inside])
    return out


class Finder:
    """Finds ways over one ground; holds the room that the search works in."""

    def __init__(self, at: Ground, wet_going: float) -> None:
        n = at.cost.size
        self.ground = at
        self._wet = wet_going
        self._open = np.zeros(at.cost.shape, dtype=np.bool_)
        self._goal = np.zeros(n, dtype=np.bool_)
        self._dist = np.empty(n)
        self._back = np.empty(n, dtype=np.int64)
        self._heap = np.empty(n, dtype=np.int64)
        self._at = np.empty(n, dtype=np.int64)

    def _run(self, start: int, goals: Ints, blocked: Bools | None) -> None:
        self._goal[:] = False
        self._goal[goals] = True
        g = self.ground.grid
        kn.cheapest(
            self.ground.cost, self._open if blocked is None else blocked, g.dx_m, g.dy_m, start,
            self._goal, int(self._goal.sum()), self._dist, self._back, self._heap, self._at,
        )  # fmt: skip

    def reached(self, start: int, places: Ints) -> Bools:
        """Say which of `places` (P cells) can be reached from `start` at all."""
        self._run(start, places, None)
        out: Bools = np.isfinite(self._dist[places])
        return out

    def _trace(self, goal: int) -> Ints:
        count = kn.trace(self._back, goal, self._heap)
        return self._heap[:count][::-1].copy()

    def _xy(self, cells: Ints) -> Floats:
        cols = self.ground.grid.cols
        x, y = self.ground.grid.to_metres(
            (cells // cols).astype(np.float64), (cells % cols).astype(np.float64)
        )
        return np.column_stack([x, y])

    def way(self, start: int, goal: int, blocked: Bools | None = None) -> Way | None:
        """Return the cheapest way between two cells past `blocked` (R, C), or None."""
        self._run(start, np.array([goal]), blocked)
        if not np.isfinite(self._dist[goal]):
            return None
        cells = self._trace(goal)
        xy = self._xy(cells)
        steps = np.hypot(*np.diff(xy, axis=0).T) if len(xy) > 1 else np.zeros(0)
        wet = self.ground.cost.ravel()[cells] >= self._wet
        part = 0.5 * (wet[1:].astype(float) + wet[:-1])
        return Way(xy, float(steps.sum()), float(self._dist[goal]), float((steps * part).sum()))

    def table(self, places: Ints, lines: Sequence[shapely.LineString]) -> Table:
        """Return all ways between `places` (P cells) and which of `lines` each one crosses.

        Up to `ALL_PAIRS` places every way is traced; beyond it only the cheapest `TRACED` of each
        place, and the others are taken to cross nothing until they are walked for good.
        """
        n = len(places)
        cost, length = np.full((n, n), np.inf), np.full((n, n), np.inf)
        ways: list[Floats] = []
        ends: list[tuple[int, int]] = []
        some = n > int(ALL_PAIRS.value)
        for p in range(n):
            self._run(int(places[p]), places, None)
            cost[p] = self._dist[places]
            cost[p, p] = 0.0
            rest = np.arange(p + 1, n)
            if some:
                rest = np.sort(np.argsort(cost[p], kind="stable")[: int(TRACED.value)])
            for q in rest[np.isfinite(cost[p, rest]) & (rest != p)]:
                ways.append(self._xy(self._trace(int(places[q]))))
                ends.append((p, int(q)))
        cost = np.minimum(cost, cost.T)  # the same way back, free of rounding
        for (p, q), xy in zip(ends, ways, strict=True):
            steps = float(np.hypot(*np.diff(xy, axis=0).T).sum()) if len(xy) > 1 else 0.0
            length[p, q] = length[q, p] = steps
        ptr, crossed = _crossings(n, ends, ways, lines)
        return Table(cost, length, ptr, crossed)


def _crossings(
    n: int, ends: list[tuple[int, int]], ways: list[Floats], lines: Sequence[shapely.LineString]
) -> tuple[Ints, Ints]:
    """Which lines each way crosses, for both ways along it, as pointers and a flat list."""
    none: NDArray[np.int64] = np.zeros(0, dtype=np.int64)
    if not ways or not len(lines):
        return np.zeros(n * n + 1, dtype=np.int64), none
    size = np.array([len(xy) for xy in ways])
    long = np.flatnonzero(size > 1)
    if not long.size:
        return np.zeros(n * n + 1, dtype=np.int64), none
    drawn = shapely.linestrings(
        np.concatenate([ways[k] for k in long]), indices=np.repeat(np.arange(long.size), size[long])
    )
    at, line = shapely.STRtree(list(lines)).query(drawn, predicate="intersects")
    pair = np.array(ends, dtype=np.int64)[long[at]]
    key = np.concatenate([pair[:, 0] * n + pair[:, 1], pair[:, 1] * n + pair[:, 0]])
    both = np.sort(key * len(lines) + np.concatenate([line, line]))
    both = both[np.diff(both, prepend=-1) > 0]
    ptr = np.concatenate([[0], np.cumsum(np.bincount(both // len(lines), minlength=n * n))])
    return ptr.astype(np.int64), both % len(lines)

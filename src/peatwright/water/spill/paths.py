"""The way of each dam's water, from its pool to the first channel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from peatwright.model.raster import Grid
from peatwright.model.spill_rules import SpillRules
from peatwright.model.water_layers import PATH_ENDS, SPILL_PLACES
from peatwright.terrain.flow.codes import NO_DATA
from peatwright.water.spill import _kernels as k
from peatwright.water.spill.route import Routed
from peatwright.water.spill.works import CLOSED, STATES, Dams, Drains

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
Texts = NDArray[np.object_]
OUTLET, OTHER_SIDE, NOTCH, OVER, PAST, UNKNOWN = range(6)
_END_OF = {k.ON_EDGE: 3, k.ON_DRAIN: 0, k.ON_BURN: 1, k.ON_LINE: 2}
_MOST_DRAINS = 12


@dataclass(frozen=True, eq=False)
class Ways:
    """One row per dam; NaN, "" and -1 where not known."""

    place: NDArray[np.int64]
    spill_cell: I64
    spill_level_m: F64
    end: Texts
    over_bog_m: F64
    back_m: F64
    back_at_m: F64
    back_into: Texts
    enters: Texts
    face_slope: F64
    lines: Texts

    def spill_xy(self, grid: Grid) -> tuple[F64, F64]:
        """Return the places of the spills in m, NaN where not known."""
        row, col = np.divmod(self.spill_cell, grid.cols)
        x, y = grid.to_metres(row.astype(np.float64), col.astype(np.float64))
        off = self.spill_cell < 0
        return np.where(off, np.nan, x), np.where(off, np.nan, y)

    @property
    def place_words(self) -> Texts:
        """Where each spills, in words."""
        return np.array(SPILL_PLACES, object)[self.place]


def start_cells(
    grid: Grid, routed: Routed, dam_of: NDArray[np.int32], dams: Dams, drains: Drains
) -> I64:
    """Return the cell at which each pool's water is picked up, -1 off the data.

    The lowest cell beside the pool's point that is no part of a dam.
    """
    at = np.maximum(dams.start_m, 0.0)
    x, y = drains.at(dams.drain, at, drains.x_m), drains.at(dams.drain, at, drains.y_m)
    row, col = grid.to_cells(x, y)
    r, c = np.floor(row + 0.5).astype(np.int64), np.floor(col + 0.5).astype(np.int64)
    best = np.full(len(r), np.inf)
    out = np.full(len(r), -1, np.int64)
    steps = sorted(((i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)), key=lambda s: s != (0, 0))
    for i, j in steps:
        rr, cc = r + i, c + j
        on = (rr >= 0) & (rr < grid.rows) & (cc >= 0) & (cc < grid.cols)
        rr, cc = np.where(on, rr, 0), np.where(on, cc, 0)
        level = routed.ground.values[rr, cc].astype(np.float64)
        on &= (dam_of[rr, cc] == 0) & (routed.codes[rr, cc] != NO_DATA)
        better = on & (level < best)
        best[better] = level[better]
        out[better] = rr[better] * grid.cols + cc[better]
    return out


def ways(
    routed: Routed, dams: Dams, drains: Drains, corridor: NDArray[np.int32],
    dam_of: NDArray[np.int32], channel: NDArray[np.uint8], rules: SpillRules,
) -> Ways:  # fmt: skip
    """Follow the water of every dam over the terrain as built.

    Args:
        routed: routing after the works.
        dams: the dams.
        drains: stations with their states after the works.
        corridor: station plus one of each cell between shoulders.
        dam_of: dam plus one of each cell that a dam lifts.
        channel: from `ground_marks.channels`.
        rules: settings.

    """
    grid = routed.ground.grid
    n = len(dams.at_m)
    start = start_cells(grid, routed, dam_of, dams, drains)
    known = np.flatnonzero(start >= 0)
    numbers, places, met, cells = _traced(
        routed, dams, drains, corridor, dam_of, channel, start[known], known
    )

    def spread(values: NDArray[np.float64], blank: float) -> F64:
        out = np.full(n, blank)
        out[known] = values
        return out

    place = np.full(n, UNKNOWN, np.int64)
    place[known] = _place(grid, dams, drains, known, places)
    back = places[:, k.BACK_AT]
    returned = back >= 0
    back_into = np.full(n, "", object)
    back_into[known[returned]] = np.array(STATES, object)[drains.state[back[returned]]]
    end = np.full(n, PATH_ENDS[-1], object)
    end[known] = [PATH_ENDS[_END_OF[int(e)]] for e in places[:, k.END]]
    enters = np.full(n, "", object)
    enters[known] = [";".join(sorted(str(drains.ids[d]) for d in row if d >= 0)) for row in met]
    spill_cell = np.full(n, -1, np.int64)
    spill_cell[known] = places[:, k.SPILL]
    face, lines = _faces_and_lines(routed, places, cells, rules)
    all_lines = np.full(n, None, object)
    all_lines[known] = lines
    return Ways(
        place, spill_cell, spread(numbers[:, k.AT_LEVEL], np.nan), end,
        spread(numbers[:, k.OVER_BOG], np.nan), spread(numbers[:, k.BACK_M], np.nan),
        spread(np.where(returned, drains.chainage_m[np.maximum(back, 0)], np.nan), np.nan),
        back_into, enters, spread(face, np.nan), all_lines,
    )  # fmt: skip


def _traced(
    routed: Routed, dams: Dams, drains: Drains, corridor: NDArray[np.int32],
    dam_of: NDArray[np.int32], channel: NDArray[np.uint8], start: I64, known: I64,
) -> tuple[F64, I64, NDArray[np.int32], I64]:  # fmt: skip
    grid = routed.ground.grid
    diagonal = float(np.hypot(grid.dx_m, grid.dy_m))
    steps = np.array([0.0, *([grid.dx_m, diagonal, grid.dy_m, diagonal] * 2)])
    m = len(known)
    room = 1 << 16
    while True:
        numbers, places = np.zeros((m, 3)), np.zeros((m, 7), np.int64)
        met = np.full((m, _MOST_DRAINS), -1, np.int32)
        cells = np.empty(room, np.int64)
        used = k.trace_spills(
            start, (known + 1).astype(np.int32), dams.drain[known], dams.below_m[known],
            routed.codes, routed.levels, corridor, dam_of, channel, drains.drain,
            drains.chainage_m, drains.state != CLOSED, steps, met, numbers, places, cells,
        )  # fmt: skip
        if used >= 0:
            return numbers, places, met, cells[:used]
        room *= 4


def _place(grid: Grid, dams: Dams, drains: Drains, known: I64, places: I64) -> I64:
    """Say through which way each pool is left."""
    drain, at = dams.drain[known], dams.at_m[known]
    low, high = np.maximum(at - 1.0, 0.0), at + 1.0
    ux = drains.at(drain, high, drains.x_m) - drains.at(drain, low, drains.x_m)
    uy = drains.at(drain, high, drains.y_m) - drains.at(drain, low, drains.y_m)
    out = places[:, k.LEFT_AT]
    row, col = np.divmod(np.maximum(out, 0), grid.cols)
    x, y = grid.to_metres(row.astype(np.float64), col.astype(np.float64))
    px, py = x - drains.at(drain, at, drains.x_m), y - drains.at(drain, at, drains.y_m)
    right = px * uy - py * ux > 0.0
    side = np.where(right, "right", "left")
    planned = dams.side[known]
    over = places[:, k.OVER_OWN] > 0
    got = np.where(side == planned, OUTLET, OTHER_SIDE)
    got = np.where(planned == "", OTHER_SIDE, got)
    # A way that is back in its drain before it was ever beside it has gone down the drain.
    back = (places[:, k.BACK_AT] >= 0) & (out < 0)
    got = np.where(out < 0, PAST, got)
    got = np.where(over, OVER, got)
    notch = (planned == "") & (over | back | (out < 0))
    return np.asarray(np.where(notch, NOTCH, got), np.int64)


def _faces_and_lines(
    routed: Routed, places: I64, cells: I64, rules: SpillRules
) -> tuple[F64, Texts]:
    """Return the fall of the ground below each spill, and each way as a line."""
    grid = routed.ground.grid
    row, col = np.divmod(cells, grid.cols)
    x, y = grid.to_metres(row.astype(np.float64), col.astype(np.float64))
    level = routed.levels.reshape(-1)[cells]
    past = np.cumsum(places[:, k.CELLS])
    first = past - places[:, k.CELLS]
    face = np.full(len(places), np.nan)
    lines = np.full(len(places), None, object)
    coarse = 0.5 * min(grid.dx_m, grid.dy_m)
    for i, (a, b, spill) in enumerate(
        zip(first.tolist(), past.tolist(), places[:, k.SPILL].tolist(), strict=True)
    ):
        if b - a > 1:
            xy = np.column_stack([x[a:b], y[a:b]])
            lines[i] = shapely.LineString(xy)
            s = a + int(np.flatnonzero(cells[a:b] == spill)[-1])
            # The last cell is the bed of a channel: the drop into it is not the fall of the ground.
            e = max(b - 1, s + 1) if places[i, k.END] != k.ON_EDGE else b
            far = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x[s:e]), np.diff(y[s:e])))])
            to = min(int(np.searchsorted(far, rules.face_run_m)), len(far) - 1)
            if to > 0:
                face[i] = (level[s] - level[s + to]) / far[to]
    held = np.array([line is not None for line in lines], np.bool_)
    lines[held] = shapely.simplify(np.array(lines[held].tolist()), coarse)
    return face, lines

"""The site on coarser cells, before and after the works, with its drains kept on their cells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from peatwright.model.cited import Cited
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import DamRules
from peatwright.water.spill.works import CLOSED, DAMMED, Drains, drains_of, with_states

F64 = NDArray[np.float64]
Flags = NDArray[np.bool_]
LEAST_WIDTH_M = Cited(0.3, "m", "a drain is not taken narrower than this", 0.05, 2)


def coarser(raster: Raster, cell_m: float) -> Raster:
    """Return the mean of whole blocks of cells, as near to `cell_m` as they come.

    A block with any ground counts as ground; blocks that stick out over the last row or column
    are filled from what is there.
    """
    g = raster.grid
    kr, kc = max(1, round(cell_m / g.dy_m)), max(1, round(cell_m / g.dx_m))
    if kr == 1 and kc == 1:
        return raster
    rows, cols = -(-g.rows // kr), -(-g.cols // kc)
    wide = ((0, rows * kr - g.rows), (0, cols * kc - g.cols))
    held = np.pad(raster.values.astype(np.float64), wide, constant_values=np.nan)
    blocks = held.reshape(rows, kr, cols, kc)
    known = np.isfinite(blocks)
    count = known.sum(axis=(1, 3))
    total = np.where(known, blocks, 0.0).sum(axis=(1, 3))
    values = np.full((rows, cols), np.nan, np.float32)
    values[count > 0] = total[count > 0] / count[count > 0]
    return Raster(values, Grid(g.x_left_m, g.y_top_m, g.dx_m * kc, g.dy_m * kr, rows, cols, g.crs))


def fitting_cell_m(grid: Grid, cell_m: float, most_cells: int) -> float:
    """Return `cell_m`, or what keeps the ground under `most_cells`."""
    west, south, east, north = grid.bounds
    return max(cell_m, float(np.sqrt((east - west) * (north - south) / most_cells)))


@dataclass(frozen=True, eq=False)
class Stations:
    """Stations in the order of `drains`, with what stands in them after the works.

    `bed_m` and `after_m` are levels of the bed and of the water that dams hold there; `width_m` is
    the mean width of the drain; `pool` says where a dam holds water.
    """

    drains: Drains
    bed_m: F64
    after_m: F64
    width_m: F64
    pool: Flags

    @property
    def stays(self) -> Flags:
        """Whether a station is still a drain, or a pool between hard dams, after the works."""
        return np.asarray(self.drains.state != CLOSED)


def stations_of(stations: pd.DataFrame, items: pd.DataFrame, dam_rules: DamRules) -> Stations:
    """Return what the works make of each station.

    Args:
        stations: STATIONS.
        items: ITEMS.
        dam_rules: sizes of hollows.

    """
    ordered = stations.sort_values(["drain_id", "chainage_m"], kind="stable")
    drains = with_states(drains_of(stations), items, dam_rules)
    bed = ordered["bed_level_m"].to_numpy(np.float64)
    bed = np.where(np.isfinite(bed), bed, drains.bed_level_m)
    after = bed.copy()
    dams = items[items["kind"] == "dam"]
    place = {name: i for i, name in enumerate(drains.ids)}
    of = dams["drain_id"].map(place).to_numpy(np.float64)
    for d in np.unique(of).astype(int):
        here = np.flatnonzero((drains.drain == d) & (drains.state == DAMMED))
        own = np.flatnonzero(of == d)
        at = dams["chainage_m"].to_numpy(np.float64)[own]
        order = np.argsort(at)
        sill = dams["outlet_level_m"].to_numpy(np.float64)[own][order]
        following = np.searchsorted(at[order], drains.chainage_m[here])
        held = following < len(sill)
        after[here[held]] = np.fmax(after[here[held]], sill[following[held]])
    width = np.maximum(0.5 * (drains.left_m + drains.right_m), float(LEAST_WIDTH_M.value))
    return Stations(drains, bed, after, width, after > bed)


def on_cells(grid: Grid, held: Stations, chosen: Flags, values: F64) -> F64:
    """Return the mean of stations' values in each cell, NaN where no chosen station lies.

    Where a drain steps over a corner, the cell beside the corner is taken too, so that water that
    goes from side to side alone can follow it.
    """
    d = held.drains
    row, col = grid.to_cells(d.x_m, d.y_m)
    r, c = np.rint(row).astype(int), np.rint(col).astype(int)
    use = chosen & np.isfinite(values)
    pair = use[1:] & use[:-1] & (d.drain[1:] == d.drain[:-1])
    pair &= (r[1:] != r[:-1]) & (c[1:] != c[:-1])
    at = np.flatnonzero(pair)
    rr = np.concatenate([r[use], r[at]])
    cc = np.concatenate([c[use], c[at + 1]])
    vv = np.concatenate([values[use], 0.5 * (values[at] + values[at + 1])])
    inside = (rr >= 0) & (cc >= 0) & (rr < grid.rows) & (cc < grid.cols)
    flat = rr[inside] * grid.cols + cc[inside]
    count = np.bincount(flat, minlength=grid.rows * grid.cols)
    total = np.bincount(flat, vv[inside], minlength=grid.rows * grid.cols)
    out = np.full(count.shape, np.nan)
    out[count > 0] = total[count > 0] / count[count > 0]
    return out.reshape(grid.rows, grid.cols)

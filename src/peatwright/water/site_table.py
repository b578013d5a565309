"""The water table of a site before and after its works, from the site's own tables."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from peatwright.model.cited import Cited
from peatwright.model.progress import Progress, part, silent
from peatwright.model.raster import Raster
from peatwright.model.rules import Rules
from peatwright.terrain.sampling import sample_nearest
from peatwright.water.coarse import coarser, fitting_cell_m, on_cells, stations_of
from peatwright.water.table import Bog, TableChange, TableResult, compare_tables, steady_table

F64 = NDArray[np.float64]
MOST_CELLS = Cited(400_000, "cells", "larger sites take coarser cells than asked for", 1e3, 1e8)
CAUTION = (
    "A guide to where the ground gets wetter, not by how much: conductivity is judged until "
    "dipwells are there to set it, and measured blanket bogs rose by a few centimetres over years."
)


@dataclass(frozen=True, eq=False)
class SiteTable:
    """The table before and after. `levels_*` are those of drains on the grid, NaN elsewhere."""

    bog: Bog
    levels_before_m: F64
    levels_after_m: F64
    before: TableResult
    after: TableResult
    change: TableChange


def site_table(
    dtm: Raster,
    stations: pd.DataFrame,
    items: pd.DataFrame,
    rules: Rules,
    *,
    peat_depth: Raster | None = None,
    progress: Progress = silent,
) -> SiteTable:
    """Return the steady water table of a site before and after the works.

    Drains stand at their bed before. After, a zipped drain and one filled by dams of peat is no
    drain, one between hard dams stands at the sill below it, and all else stays at its bed.

    Args:
        dtm: ground, levels in m.
        stations: STATIONS.
        items: ITEMS.
        rules: the rule sheet: `water_table`, and `dam` for the size of hollows.
        peat_depth: depth of peat in m, from the rules where it is not known.
        progress: told how far the work is.

    Raises:
        PeatwrightError: settings that cannot be, or a table that does not settle.

    """
    table = rules.water_table
    ground = coarser(dtm, fitting_cell_m(dtm.grid, table.cell_m, int(MOST_CELLS.value)))
    grid = ground.grid
    held = stations_of(stations, items, rules.dam)
    everywhere = np.ones(len(held.bed_m), np.bool_)
    before = on_cells(grid, held, everywhere, held.bed_m)
    after = on_cells(grid, held, held.stays, held.after_m)
    land = np.isfinite(ground.values)
    before[~land] = after[~land] = np.nan
    peat: F64 | float = table.peat_depth_m
    if peat_depth is not None:
        cells = np.indices(land.shape).astype(np.float64).reshape(2, *land.shape)
        x, y = grid.to_metres(np.asarray(cells[0]), np.asarray(cells[1]))
        peat = sample_nearest(peat_depth, x, y)
    bog = Bog(ground, np.isfinite(before), peat, rules=table)
    # A drain cannot stand above the bog's surface: on coarse cells its mean bed now and then does.
    surface = bog.ground + bog.lowest_m
    before, after = np.minimum(before, surface), np.minimum(after, surface)
    one = steady_table(bog, before, progress=part(progress, 0.0, 0.45))
    two = steady_table(bog, after, progress=part(progress, 0.45, 0.9))
    change = compare_tables(bog, before, after, one, two, progress=part(progress, 0.9, 1.0))
    progress(1.0, "the water table has settled")
    return SiteTable(bog, before, after, one, two, change)

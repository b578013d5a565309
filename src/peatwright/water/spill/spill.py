"""Spill paths of a site: works cut in, water routed before and after, by dam and whole."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from peatwright.drains.measure import BURN_M
from peatwright.ground.findings import build
from peatwright.model.columns import checked, empty
from peatwright.model.layers import LIMITS
from peatwright.model.progress import Progress, part, silent
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import DamRules
from peatwright.model.spill_rules import SpillRules
from peatwright.model.water_layers import SPILL_PATHS, SPILLS
from peatwright.model.water_rules import WaterRules
from peatwright.terrain.routing import burn
from peatwright.water._refuse import refuse
from peatwright.water.spill import _kernels as k
from peatwright.water.spill import ground_marks, site
from peatwright.water.spill.catchments import Catchments, catchments
from peatwright.water.spill.findings import spill_findings
from peatwright.water.spill.paths import NOTCH, Ways, ways
from peatwright.water.spill.route import Rerouted, Routed, reroute, route
from peatwright.water.spill.storms import Storms, outlets, storms
from peatwright.water.spill.summary import Summary, summarise
from peatwright.water.spill.works import (
    Drains,
    Works,
    corridors,
    cut,
    cut_part,
    dam_cells,
    drains_of,
    only,
    with_states,
    works_of,
)

F64 = NDArray[np.float64]
_EDGE_CELLS = 4


@dataclass(frozen=True, eq=False)
class Spill:
    """Where the water goes. Screening: a competent person decides.

    `dams` is SPILLS, `paths` SPILL_PATHS, `flows` SPILL_FLOWS, `outfalls` OUTFALLS, `arrivals`
    ARRIVALS, `findings` FINDINGS. `flow_before` and `flow_after` hold the upslope area of each cell
    in m², `spilled` how much of the water there has passed a spill, spread over all ways down.
    `before`, `after` and `works` serve `change_drain`.
    """

    dams: pd.DataFrame
    paths: pd.DataFrame
    flows: pd.DataFrame
    outfalls: pd.DataFrame
    arrivals: pd.DataFrame
    findings: pd.DataFrame
    summary: Summary
    flow_before: Raster
    flow_after: Raster
    spilled: Raster
    before: Routed
    after: Routed
    works: Works
    drains: Drains


def spill(
    dtm: Raster,
    drains: pd.DataFrame,
    stations: pd.DataFrame,
    items: pd.DataFrame,
    *,
    limits: pd.DataFrame | None = None,
    boundary: pd.DataFrame | None = None,
    bare_peat: Any = None,
    buildings: Any = None,
    rules: SpillRules | None = None,
    water: WaterRules | None = None,
    dam_rules: DamRules | None = None,
    progress: Progress = silent,
) -> Spill:
    """Cut the works into the terrain, route the water before and after, and tell what it does.

    Before, drains are cut in as they are for the upslope areas of stations, so that water keeps to
    them; after, they stay cut where they stay open.

    Args:
        dtm: ground, levels in m.
        drains: DRAINS.
        stations: STATIONS.
        items: ITEMS.
        limits: LIMITS, for watercourses, tracks, supplies and heritage.
        boundary: BOUNDARY; more water over it is told.
        bare_peat: bare peat as one geometry in the terrain's CRS.
        buildings: buildings as one geometry.
        rules: settings of this.
        water: settings of storm flow and overflow.
        dam_rules: sizes of hollows.
        progress: told how far the work is.

    Raises:
        PeatwrightError: no stations, an item on an unknown drain, a dam without levels, terrain
            without data or of another CRS.

    """
    rules, water, dam_rules = rules or SpillRules(), water or WaterRules(), dam_rules or DamRules()
    limits = empty_limits(dtm.grid.crs) if limits is None else limits
    _same_crs(dtm, drains, stations, items, limits)
    grid = dtm.grid
    progress(0.0, "cutting the works into the terrain")
    bare = drains_of(stations)
    held = with_states(bare, items, dam_rules)
    lines = [np.asarray(g.coords)[:, :2] for g in drains.geometry]
    depth = float(BURN_M.value)
    base = burn(dtm, lines, depth)
    works = works_of(items, held, base, rules, dam_rules)
    progress(0.05, "routing the water before the works")
    before = route(base)
    x = held.at(works.dams.drain, works.dams.at_m, held.x_m)
    y = held.at(works.dams.drain, works.dams.at_m, held.y_m)
    # Moved terrains are routed before the works are: three routings at once would fill the memory.
    found = catchments(dtm, before, lines, depth, x, y, rules, part(progress, 0.15, 0.55))
    progress(0.55, "routing the water after the works")
    after = route(cut(base, works))
    corridor = corridors(grid, held)
    dam_of = dam_cells(grid, base, after.ground, works.dams)
    channel = ground_marks.channels(grid, limits, before.upslope_m2, corridor, rules.channel_m2)
    progress(0.65, "following the water of each dam")
    way = ways(after, works.dams, held, corridor, dam_of, channel, rules)
    spilled = _spilled(after, works, way)
    progress(0.8, "working out storm flows")
    after_m2 = _at_spill(after, way)
    storm = storms(found, after_m2, works.dams.item_id, rules, water)
    table = _dam_table(items, x, y, found, after_m2, way, storm, works, bare_peat, rules, water,
                       held, grid)  # fmt: skip
    progress(0.9, "comparing outfalls and arrivals")
    hands = site.outfalls(drains, before, after)
    things = ground_marks.watched(grid, limits, boundary, bare_peat, buildings)
    came = site.arrivals(things, before, after, rules, water)
    n = len(held.drain)
    was_m2, now_m2 = (site.carried(corridor, r.upslope_m2, n) for r in (before, after))
    wet = float(((spilled >= rules.wetted_m2) & (corridor == 0)).sum()) * grid.cell_area_m2
    summary = summarise(table, held, was_m2, now_m2, before, after, wet, hands, came, found, rules)
    ordered = stations.sort_values(["drain_id", "chainage_m"], kind="stable")
    findings = build(
        spill_findings(
            table, ordered, came, hands, summary, held, was_m2, now_m2, rules, water
        ),
        grid.crs,
    )  # fmt: skip
    del corridor, dam_of, channel  # whole rasters, no longer needed beside those that are made
    progress(1.0, "followed the water")
    return Spill(
        table, _path_table(table, way, grid.crs), storm.table, hands.table, came, findings,
        summary, Raster(before.upslope_m2.astype(np.float32), grid),
        Raster(after.upslope_m2.astype(np.float32), grid), Raster(spilled, grid), before, after,
        works, held,
    )  # fmt: skip


def change_drain(
    was: Spill,
    drain_id: str,
    items: pd.DataFrame,
    *,
    rules: SpillRules | None = None,
    dam_rules: DamRules | None = None,
) -> tuple[Rerouted, Works]:
    """Route again after a change to the works on one drain, where it matters.

    Args:
        was: the site before that change.
        drain_id: the drain.
        items: ITEMS; only those of the drain are read, none takes its works away.
        rules: settings.
        dam_rules: sizes of hollows.

    Returns:
        The routing, which is that of the whole (`Rerouted.words` says how), and the works.

    Raises:
        PeatwrightError: an unknown drain, or a dam without levels.

    """
    number = np.flatnonzero(was.drains.ids == drain_id)
    if not len(number):
        refuse("drain", drain_id, "a drain that has stations", "Choose another.")
    base = was.before.ground
    own = works_of(
        items[items["drain_id"] == drain_id], was.drains, base, rules or SpillRules(),
        dam_rules or DamRules(),
    )  # fmt: skip
    works = only(was.works, int(number[0]), own)
    strips = np.concatenate([was.works.strips[was.works.drain == number[0]], own.strips])
    if not len(strips):
        return Rerouted(was.after, 0, 0, False, 0), works
    grid = base.grid
    wide = strips[:, k.LEFT0 : k.LEVEL0].max() + max(grid.dx_m, grid.dy_m)
    row, col = grid.to_cells(
        np.concatenate([strips[:, k.X0], strips[:, k.X1]]),
        np.concatenate([strips[:, k.Y0], strips[:, k.Y1]]),
    )
    r0 = max(int(row.min() - wide / grid.dy_m) - _EDGE_CELLS, 0)
    c0 = max(int(col.min() - wide / grid.dx_m) - _EDGE_CELLS, 0)
    r1 = min(int(row.max() + wide / grid.dy_m) + _EDGE_CELLS, grid.rows)
    c1 = min(int(col.max() + wide / grid.dx_m) + _EDGE_CELLS, grid.cols)
    if r1 <= r0 or c1 <= c0:
        return Rerouted(was.after, 0, 0, False, 0), works
    ground = base.values[r0:r1, c0:c1].copy()
    cut_part(ground, grid, r0, c0, works)
    return reroute(was.after, ground, r0, c0), works


def empty_limits(crs: str) -> pd.DataFrame:
    """Return a table of no limits."""
    return empty(LIMITS, crs)


def _same_crs(dtm: Raster, *tables: pd.DataFrame) -> None:
    for table in tables:
        crs = getattr(table, "crs", None)
        if crs is not None and dtm.grid.crs and not crs.equals(dtm.grid.crs):
            refuse("table", f"CRS {crs}", f"the terrain's, {dtm.grid.crs}", "Take the site again.")


def _at_spill(after: Routed, way: Ways) -> F64:
    out = np.full(len(way.spill_cell), np.nan)
    on = way.spill_cell >= 0
    out[on] = after.upslope_m2.reshape(-1)[way.spill_cell[on]]
    return out


def _spilled(after: Routed, works: Works, way: Ways) -> NDArray[np.float32]:
    """Return how much of the spread water of each cell has passed the spill of a dam of peat."""
    grid = after.ground.grid
    diagonal = float(np.hypot(grid.dx_m, grid.dy_m))
    per = np.array([0.0, *[1 / d for d in [grid.dx_m, diagonal, grid.dy_m, diagonal]] * 2])
    cells = way.spill_cell[works.dams.soft & (way.spill_cell >= 0)]
    total = np.empty(after.codes.shape, np.float32)
    out = np.empty(after.codes.shape, np.float32)
    k.spread_spilled(after.levels, after.codes, cells, per, grid.cell_area_m2, total, out)
    return out


def _dam_table(
    items: pd.DataFrame, x: F64, y: F64, found: Catchments, after_m2: F64, way: Ways,
    storm: Storms, works: Works, bare_peat: Any, rules: SpillRules, water: WaterRules,
    drains: Drains, grid: Grid,
) -> pd.DataFrame:  # fmt: skip
    dams = works.dams
    rows = items[items["kind"] == "dam"]
    if not len(rows):
        return empty(SPILLS, grid.crs)
    ground = np.full(len(rows), rules.ground_below_outlet, object)
    sx, sy = way.spill_xy(grid)
    # Water over a notch runs on down the bed of its own drain.
    bed = drains.at(dams.drain, dams.at_m, drains.gradient_ratio)
    fall = np.where(way.place == NOTCH, np.fmax(bed, 0.0), way.face_slope)
    fall = np.fmax(fall, rules.face_slope_min_ratio)
    if bare_peat is not None and not bare_peat.is_empty:
        ground[shapely.contains_xy(bare_peat, sx, sy)] = "bare peat"
    full = outlets(dams, storm.flow_m3s, fall, ground, rules, water)
    now = outlets(dams, storm.after_m3s, fall, ground, rules, water)
    data = {
        "item_id": dams.item_id, "drain_id": rows["drain_id"].to_numpy(object),
        "method": rows["method"].to_numpy(object), "chainage_m": dams.at_m,
        "upslope_m2": found.area_m2, "upslope_low_m2": found.low_m2,
        "upslope_high_m2": found.high_m2, "range_from": found.range_from,
        "upslope_after_m2": after_m2, "place": way.place_words, "spill_x_m": sx, "spill_y_m": sy,
        "spill_level_m": way.spill_level_m, "over_sill_m": way.spill_level_m - dams.sill_m,
        "below_crest_m": dams.crest_m - way.spill_level_m, "path_end": way.end,
        "over_bog_m": way.over_bog_m, "back_in_drain_m": way.back_m,
        "back_at_chainage_m": way.back_at_m, "back_into": way.back_into,
        "enters_drains": way.enters,
        "return_period_years": np.full(len(rows), float(rules.design_period_years)),
        "flow_m3s": storm.flow_m3s, "flow_low_m3s": storm.low_m3s, "flow_high_m3s": storm.high_m3s,
        "flow_method": storm.method, "flow_after_m3s": storm.after_m3s,
        "outlet_width_m": dams.outlet_width_m, "head_m": full["head_m"].to_numpy(),
        "freeboard_m": full["freeboard_m"].to_numpy(), "head_after_m": now["head_m"].to_numpy(),
        "freeboard_after_m": now["freeboard_m"].to_numpy(),
        "face_slope_ratio": fall,
        "ground_below": ground, "speed_mps": now["speed_mps"].to_numpy(),
        "shear_pa": now["shear_pa"].to_numpy(),
        "shear_stands_pa": now["shear_stands_pa"].to_numpy(),
    }  # fmt: skip
    table = gpd.GeoDataFrame(
        pd.DataFrame(data), geometry=shapely.points(np.column_stack([x, y])), crs=grid.crs or None
    )
    return checked(table, SPILLS)


def _path_table(table: pd.DataFrame, way: Ways, crs: str) -> pd.DataFrame:
    drawn = np.array([line is not None for line in way.lines], np.bool_)
    if not drawn.any():
        return empty(SPILL_PATHS, crs)
    columns = list(SPILL_PATHS.names)
    held = pd.DataFrame(table.loc[drawn, columns]).reset_index(drop=True)
    lines = gpd.GeoDataFrame(held, geometry=list(way.lines[drawn]), crs=crs or None)
    return checked(lines, SPILL_PATHS)

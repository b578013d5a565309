"""A storm over the surface of a site, before and after its works."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from peatwright.model.cited import Cited
from peatwright.model.columns import checked
from peatwright.model.progress import Progress, part, silent
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import Rules
from peatwright.model.water_layers import HYDROGRAPHS, STORM_LINES, STORM_PEAKS
from peatwright.water._refuse import refuse
from peatwright.water.coarse import Stations, coarser, on_cells, stations_of
from peatwright.water.spill.works import cut, works_of
from peatwright.water.surface import run_surface
from peatwright.water.surface_parts import (
    CAUTION,
    CrossLine,
    Hyetograph,
    SurfaceResult,
    compare_peaks,
    design_rain,
)

F64 = NDArray[np.float64]
MOST_OUTFALLS = Cited(3.0, "outfalls", "lines drawn where nobody asked for any", 0, 20)
ABOVE_END_M = Cited(20.0, "m", "such a line lies so far above the outfall", 1, 200)
HALF_LINE_M = Cited(8.0, "m", "half its length", 2, 200)
HALF_LINE_CELLS = Cited(2.0, "cells", "and no less than this", 1, 20)
EXCHANGE_ROUGHNESS_MOST = Cited(
    1.0, "s/m^(1/3)", "roughness of a drain's cell never goes above this", 0.05, 5
)
DRAIN_NOTE = (
    "Drains are narrower than the cells: their bed is set into the cells and roughness raised so "
    "that they carry as much as they would at their own width, but they hold more water than that. "
    "The change of the peak leans on the cell size too: try another before you rest anything on it."
)


@dataclass(frozen=True, eq=False)
class SiteStorm:
    """Both runs, with `hydrographs` HYDROGRAPHS, `peaks` STORM_PEAKS and `lines` STORM_LINES."""

    before: SurfaceResult
    after: SurfaceResult
    rain: Hyetograph
    hydrographs: pd.DataFrame
    peaks: pd.DataFrame
    lines: pd.DataFrame
    cell_m: float
    caution: str = CAUTION + " " + DRAIN_NOTE


def surfaces(
    dtm: Raster, stations: pd.DataFrame, items: pd.DataFrame, rules: Rules, cell_m: float
) -> tuple[Raster, Raster, Stations]:
    """Return the ground on cells of `cell_m` before and after the works, drains set into it.

    Dams of peat stand at their crest, hard dams at their sill, zipped drains at their shoulders.
    """
    held = stations_of(stations, items, rules.dam)
    works = works_of(items, held.drains, dtm, rules.spill, rules.dam)
    out = []
    for fine, chosen in (
        (dtm, np.ones(len(held.bed_m), np.bool_)), (cut(dtm, works), held.stays)
    ):  # fmt: skip
        ground = coarser(fine, cell_m)
        bed = on_cells(ground.grid, held, chosen, held.bed_m)
        out.append(Raster(np.fmin(ground.values, bed).astype(np.float32), ground.grid))
    before, after = out
    after.values[np.isnan(before.values)] = np.nan
    dams = works.dams
    if len(dams.at_m):
        d = held.drains
        x, y = d.at(dams.drain, dams.at_m, d.x_m), d.at(dams.drain, dams.at_m, d.y_m)
        row, col = before.grid.to_cells(x, y)
        r, c = np.rint(row).astype(int), np.rint(col).astype(int)
        on = (r >= 0) & (c >= 0) & (r < before.grid.rows) & (c < before.grid.cols)
        top = np.where(dams.soft, dams.crest_m, dams.sill_m)
        np.fmax.at(after.values, (r[on], c[on]), top[on].astype(np.float32))
    after.values[np.isnan(before.values)] = np.nan
    return before, after, held


def _roughness(
    grid: Grid, held: Stations, chosen: NDArray[np.bool_], bare: Any, rules: Rules
) -> F64:
    """Manning's n of each cell; a drain's is raised by how much wider its cell is."""
    out = np.full((grid.rows, grid.cols), rules.storm.roughness)
    if bare is not None:
        rows, cols = (v.astype(np.float64) for v in np.indices(out.shape))
        x, y = grid.to_metres(rows, cols)
        out[shapely.contains_xy(bare, x, y)] = rules.surface_storm.roughness_bare
    width = on_cells(grid, held, chosen, held.width_m)
    cell = max(grid.dx_m, grid.dy_m)
    raised = rules.overflow.roughness_drain * np.maximum(cell / width, 1.0)
    raised = np.minimum(raised, float(EXCHANGE_ROUGHNESS_MOST.value))
    return np.where(np.isfinite(width), raised, out)


def outfall_lines(
    drains: pd.DataFrame, stations: pd.DataFrame, grid: Grid
) -> tuple[CrossLine, ...]:
    """Return lines across the outfalls that carry most, positive in the way the water goes."""
    ends = drains[drains["flows_into"].fillna("").astype(str) == ""]
    last = stations.sort_values("chainage_m").groupby("drain_id")["upslope_area_m2"].last()
    most = last.reindex(ends["drain_id"]).fillna(0.0).sort_values(ascending=False)
    lines = []
    for name in most.index[: int(MOST_OUTFALLS.value)]:
        line = ends.loc[ends["drain_id"] == name, "geometry"].iloc[0]
        back = min(float(ABOVE_END_M.value), 0.5 * line.length)
        at = max(0.0, line.length - back)
        p, q = line.interpolate(max(0.0, at - back)), line.interpolate(at)
        along = np.array([q.x - p.x, q.y - p.y])
        size = float(np.hypot(*along))
        if size == 0.0:
            continue
        # Flow is positive towards the right of the line, so it starts on the left bank.
        cell = max(grid.dx_m, grid.dy_m)
        ux, uy = along / size * max(float(HALF_LINE_M.value), float(HALF_LINE_CELLS.value) * cell)
        lines.append(
            CrossLine(f"outfall of {name}", (q.x + uy, q.x - uy), (q.y - ux, q.y + ux))
        )  # fmt: skip
    return tuple(lines)


def site_storm(
    dtm: Raster,
    drains: pd.DataFrame,
    stations: pd.DataFrame,
    items: pd.DataFrame,
    rules: Rules,
    *,
    lines: Sequence[CrossLine] | None = None,
    bare: Any = None,
    progress: Progress = silent,
) -> SiteStorm:
    """Run the rule sheet's storm over a site before and after its works.

    Args:
        dtm: ground, levels in m.
        drains: DRAINS.
        stations: STATIONS.
        items: ITEMS.
        rules: the rule sheet: `surface_storm`, the uplift and roughness of `storm`, `overflow`.
        lines: lines over which flow is recorded; the largest outfalls where none is given.
        bare: bare peat as one geometry.
        progress: told how far both runs are.

    Raises:
        PeatwrightError: a setting, a line or the ground is outside what can be computed.

    """
    surface = rules.surface_storm
    before_ground, after_ground, held = surfaces(dtm, stations, items, rules, surface.cell_m)
    grid = before_ground.grid
    if lines is None:
        lines = outfall_lines(drains, stations, grid)
    names = [line.name for line in lines]
    if len(set(names)) < len(names) or "edges" in names:
        refuse("lines", ", ".join(names), "names of their own, not `edges`", "Name them anew.")
    rain = design_rain(surface, rules.storm.climate_uplift_ratio)
    everywhere = np.ones(len(held.bed_m), np.bool_)
    runs = []
    for ground, chosen, told in (
        (before_ground, everywhere, part(progress, 0.0, 0.5)),
        (after_ground, held.stays, part(progress, 0.5, 1.0)),
    ):
        n = _roughness(grid, held, chosen, bare, rules)
        runs.append(run_surface(ground, n, rain, rules=surface, lines=lines, progress=told))
    before, after = runs
    peaks = compare_peaks(before, after)
    return SiteStorm(
        before, after, rain, _series(before, after, rain), checked(peaks, STORM_PEAKS),
        _line_table(lines, grid.crs), max(grid.dx_m, grid.dy_m),
    )  # fmt: skip


def _series(before: SurfaceResult, after: SurfaceResult, rain: Hyetograph) -> pd.DataFrame:
    one, two = before.hydrographs, after.hydrographs
    time = one["time_s"].to_numpy(np.float64)
    start = np.concatenate([[0.0], time[:-1]])
    falls = np.array([rain.at(t) for t in (0.5 * (start + time)).tolist()])
    parts = [
        pd.DataFrame(
            {
                "line": name, "time_s": time, "rain_mps": falls,
                "before_m3s": one[name].to_numpy(np.float64),
                "after_m3s": two[name].to_numpy(np.float64),
            }
        )
        for name in one.columns.drop("time_s")
    ]  # fmt: skip
    return checked(pd.concat(parts, ignore_index=True), HYDROGRAPHS)


def _line_table(lines: Sequence[CrossLine], crs: str) -> pd.DataFrame:
    shapes = [shapely.LineString(np.column_stack([n.x_m, n.y_m])) for n in lines]
    table = gpd.GeoDataFrame(
        {"line": pd.Series([n.name for n in lines], dtype="str")},
        geometry=gpd.GeoSeries(shapes, crs=crs or None), crs=crs or None,
    )  # fmt: skip
    return checked(table, STORM_LINES)

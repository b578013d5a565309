"""What is known of the ground before anything is laid out: peat, stability, going.

One call from probes and terrain to rasters, tables and a report; it is the stage `ground`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from peatwright.ground import bearing, stability, stock
from peatwright.ground.depth import (
    UNPROBED,
    DepthSurface,
    depth_class_names,
    depth_classes,
    depth_surface,
)
from peatwright.ground.limits import keep_off_cells
from peatwright.ground.more_probes import probes_wanted
from peatwright.ground.probes import check_probes
from peatwright.ground.slopes import slopes
from peatwright.model.columns import checked, empty
from peatwright.model.errors import Fault
from peatwright.model.ground_layers import GOING, PROBES_WANTED, UNSTABLE
from peatwright.model.ground_rules import StabilityRules
from peatwright.model.progress import Progress, part, silent
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import Rules

NO_DATA = 255
HECTARE_M2 = 10_000.0
NO_PROBES = (
    "No peat depth was probed: neither peat depth nor slope stability nor going are known, and "
    "nothing here says that the ground is safe."
)


@dataclass(frozen=True, eq=False)
class Survey:
    """Rasters by name, places for more probes, unstable patches, figures, what to look at.

    Rasters: `peat_depth` and `peat_error` (m), `peat_state` (0 probed, 1 thinly, 2 unprobed),
    `factor_lowest` of all cases, `factor_standing` of those that stop the work, `factor_share`
    (greatest share of draws under the set factor, ratio), `going` (place in `GOING`). None without
    probes.
    """

    probes_wanted: pd.DataFrame
    unstable: pd.DataFrame
    report: Mapping[str, Any]
    rasters: Mapping[str, Raster] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()


def survey(
    dtm: Raster,
    probes: gpd.GeoDataFrame,
    rules: Rules,
    *,
    limits: gpd.GeoDataFrame,
    boundary: shapely.Geometry | None = None,
    drains: shapely.Geometry | None = None,
    bare: shapely.Geometry | None = None,
    progress: Progress = silent,
) -> Survey:
    """Make the peat depth surface, screen stability and map the going.

    Args:
        dtm: ground, levels in m.
        probes: rows of `PROBES`.
        rules: the rule sheet; `depth`, `carbon`, `stability` and `bearing` are used.
        limits: rows of `LIMITS`, for ground that machines keep off.
        boundary: the site; figures count what lies inside, or all terrain where it is None.
        drains: all drain lines, to place more probes where depth decides.
        bare: bare peat, which is weaker ground.
        progress: told how far it is.

    Raises:
        GivenError: probes that cannot be used.

    """
    crs = dtm.grid.crs
    if not len(probes):
        said = {"lines": [NO_PROBES]}
        return Survey(empty(PROBES_WANTED, crs), empty(UNSTABLE, crs), said)
    at = shapely.get_coordinates(probes.geometry.to_numpy())
    held = check_probes(at[:, 0], at[:, 1], probes["peat_depth_m"], rules.depth)
    surface = depth_surface(
        held, dtm.grid, rules.depth, levels=dtm, progress=part(progress, 0.0, 0.4)
    )
    ground = slopes(dtm, rules.stability.slope_over_m)
    screened = stability.screen_summed(
        surface.depth, surface.error, rules.stability, ground, progress=part(progress, 0.4, 0.7)
    )
    progress(0.7, "naming unstable patches")
    patches = stability.area_patches(screened.picked, ground, surface.depth, rules.stability)
    rasters = _rasters(surface, screened)
    progress(0.8, "mapping where machines can go")
    standing = rasters["factor_standing"].values < rules.stability.factor_stop
    off = (keep_off_cells(limits, dtm.grid) != 0) | standing
    going = bearing.going_map(
        surface.depth, ground, rules.bearing,
        weak=cells_in(bare, dtm.grid) if bare is not None and not shapely.is_empty(bare) else None,
        keep_off=off.astype(np.uint8),
    )  # fmt: skip
    rasters["going"] = _from_codes(going, dtm.grid)
    progress(0.9, "adding up peat and carbon")
    wanted = probes_wanted(surface, rules.depth, area=boundary, drains=drains)
    steady = stability_codes(
        rasters["factor_lowest"].values, rasters["factor_standing"].values, rules.stability
    )
    report = _report(surface, rules, boundary, going, steady)
    report["more_patches"] = [asdict(p.found) for p in patches if p.shape is None]
    progress(1.0, "ground surveyed")
    return Survey(wanted, _patch_table(patches, crs), report, rasters, held.faults)


def cells_in(area: shapely.Geometry | None, grid: Grid) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """Return 1 for every cell whose centre lies in an area, 0 elsewhere; all 1 for None."""
    from rasterio.features import rasterize  # noqa: PLC0415 - loads slowly
    from rasterio.transform import Affine  # noqa: PLC0415

    if area is None:
        return np.ones((grid.rows, grid.cols), np.uint8)
    if shapely.is_empty(area):
        return np.zeros((grid.rows, grid.cols), np.uint8)
    return np.asarray(
        rasterize(
            [(area, 1)], out_shape=(grid.rows, grid.cols), dtype="uint8",
            transform=Affine(grid.dx_m, 0.0, grid.x_left_m, 0.0, -grid.dy_m, grid.y_top_m),
        ),
        np.uint8,
    )  # fmt: skip


def stability_names(rules: StabilityRules) -> tuple[str, ...]:
    """Return the name of each class of `stability_codes`, the worst first."""
    stop, look = rules.factor_stop, rules.factor_look
    return (
        f"under {stop:g} {stability.stopping_words(rules)}",
        f"under {stop:g} with a machine's load or a pond",
        f"{stop:g} to {look:g}",
        f"{look:g} and more",
    )


def stability_codes(
    lowest: np.ndarray[Any, np.dtype[np.float32]],
    standing: np.ndarray[Any, np.dtype[np.float32]],
    rules: StabilityRules,
) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """Return the place of each cell in `stability_names`, 255 where nothing is known.

    Args:
        lowest: lowest factor of safety of all cases.
        standing: lowest factor of those cases that stop the work.
        rules: stability rules.

    """
    out = np.full(lowest.shape, 3, np.uint8)
    out[lowest < rules.factor_look] = 2
    out[lowest < rules.factor_stop] = 1
    out[standing < rules.factor_stop] = 0
    out[np.isnan(lowest)] = NO_DATA
    return out


def _from_codes(codes: np.ndarray[Any, np.dtype[np.uint8]], grid: Grid) -> Raster:
    values = codes.astype(np.float32)
    values[codes == NO_DATA] = np.nan
    return Raster(values, grid)


def _rasters(surface: DepthSurface, screened: stability.Summed) -> dict[str, Raster]:
    grid = surface.depth.grid
    # Where no draw was made the code is no data.
    share = screened.share_percent
    values = share.astype(np.float32) / np.float32(100.0)
    values[share == NO_DATA] = np.nan
    return {
        "peat_depth": surface.depth,
        "peat_error": surface.error,
        "peat_state": _from_codes(surface.state, grid),
        "factor_lowest": Raster(screened.lowest, grid),
        "factor_standing": Raster(screened.standing, grid),
        "factor_share": Raster(values, grid),
    }


def _patch_table(patches: list[stability.Patch], crs: str) -> pd.DataFrame:
    rows = [
        {
            "severity": p.found.severity, "area_m2": p.area_m2, "x_m": p.found.where.x_m,
            "y_m": p.found.where.y_m, "what": p.found.what, "rule": p.found.rule,
            "source": p.found.source, "geometry": p.shape,
        }
        for p in patches if p.shape is not None
    ]  # fmt: skip
    if not rows:
        return empty(UNSTABLE, crs)
    return checked(gpd.GeoDataFrame(rows, geometry="geometry", crs=crs), UNSTABLE)


def _said(value: float) -> str:
    """Return a number to three digits: more would claim to be known."""
    size = 10.0 ** max(0, int(np.floor(np.log10(max(abs(value), 1.0)))) - 2)
    return f"{round(value / size) * size:,.0f}".replace(",", " ")


def _report(
    surface: DepthSurface,
    rules: Rules,
    boundary: shapely.Geometry | None,
    going: np.ndarray[Any, np.dtype[np.uint8]],
    steady: np.ndarray[Any, np.dtype[np.uint8]],
) -> dict[str, Any]:
    grid = surface.depth.grid
    inside = cells_in(boundary, grid) != 0
    counted = DepthSurface(
        surface.depth, surface.error, np.where(inside, surface.state, NO_DATA).astype(np.uint8),
        surface.lattice, surface.variogram, surface.check, surface.faults,
    )  # fmt: skip
    held = stock.peat_stock(counted, rules.carbon)
    classes = depth_classes(surface.depth, rules.depth)
    hectare = grid.cell_area_m2 / HECTARE_M2
    known = inside & (surface.state <= 1)
    by_class = np.bincount(classes[known], minlength=NO_DATA + 1)
    by_factor = np.bincount(steady[inside], minlength=NO_DATA + 1)
    by_going = np.bincount(going[inside], minlength=NO_DATA + 1)
    names = depth_class_names(rules.depth)
    volume, carbon = held.volume_m3, held.carbon_t
    lines = [surface.check.words()]
    if held.area_m2 > 0:
        lines += [
            (
                f"Peat {_said(volume.likely)} m³ ({_said(volume.low)} to {_said(volume.high)}) on "
                f"{held.area_m2 / HECTARE_M2:.1f} ha, mean depth {held.mean_depth_m.likely:.2f} m; "
                f"{held.unprobed_m2 / HECTARE_M2:.1f} ha unprobed and not counted."
            ),
            (
                f"Carbon {_said(carbon.likely)} t ({_said(carbon.low)} to {_said(carbon.high)}), "
                f"{_said(held.carbon_t_ha.likely)} t/ha; the range joins those of depth, density "
                "and carbon share."
            ),
        ]
    stands = bearing.bearing(rules.bearing)
    return {
        "lines": lines,
        "stock": asdict(held),
        "check": asdict(surface.check),
        "variogram": asdict(surface.variogram),
        "class_ha": {n: float(by_class[k]) * hectare for k, n in enumerate(names)},
        "unprobed_ha": float(np.count_nonzero(inside & (surface.state == UNPROBED))) * hectare,
        "stability_ha": {
            n: float(by_factor[k]) * hectare for k, n in enumerate(stability_names(rules.stability))
        },
        "going_ha": {n: float(by_going[k]) * hectare for k, n in enumerate(GOING)},
        "bearing": asdict(stands),
    }

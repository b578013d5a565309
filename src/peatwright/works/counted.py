"""What ground is counted: the area of the works, and the ground that each drain rewets."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from peatwright.model.cited import Cited
from peatwright.works.sections import Floats

CELL = Cited(5.0, "m", "cell in which rewetted ground is counted", 0.5, 100)
CELLS_MOST = Cited(400000.0, "cells", "larger cells are taken beyond it", 1000, 1e8)
LEFT = "leave alone"


@dataclass(frozen=True)
class Counted:
    """An area in m² and what was counted, in words."""

    area_m2: float
    words: str


def area_counted(
    drains: gpd.GeoDataFrame, boundary: shapely.Geometry | None, drained_m: float
) -> Counted:
    """Return the area that cost per hectare is counted on.

    It is that inside the boundary, or without one the ground within `drained_m` (m) of any drain,
    each place once.
    """
    if boundary is not None and not shapely.is_empty(boundary):
        return Counted(float(shapely.area(boundary)), "all ground inside the boundary")
    said = f"ground within {drained_m:g} m of a drain, as no boundary is given"
    if not len(drains):
        return Counted(0.0, said)
    bands = shapely.buffer(drains.geometry.to_numpy(), drained_m, quad_segs=8)
    return Counted(float(shapely.area(shapely.union_all(bands))), said)


@dataclass(frozen=True, eq=False)
class Rewetted:
    """Ground rewetted, as `benefits` and `patches` of `budget.phase` want it.

    `benefits` holds drain_id and area_m2 that this drain alone rewets; `patches` drain_id, patch_id
    and area_m2 of ground that several drains share. `area_m2` (N) is all that each drain of the
    table reaches, shared or not.
    """

    benefits: pd.DataFrame
    patches: pd.DataFrame
    area_m2: Floats
    total_m2: float


def rewetted(
    drains: gpd.GeoDataFrame,
    reaches: gpd.GeoDataFrame,
    drained_m: float,
    *,
    boundary: shapely.Geometry | None = None,
) -> Rewetted:
    """Return the ground within `drained_m` (m) of each drain's closed reaches, inside the boundary.

    Reaches left alone rewet nothing. Ground is counted in square cells, each by the set of drains
    that it lies near, so that ground which two drains share is counted once.
    """
    ids = [str(d) for d in drains["drain_id"]]
    place = {d: k for k, d in enumerate(ids)}
    closed = reaches[(reaches["method"] != LEFT) & reaches["drain_id"].isin(ids)]
    nothing = pd.DataFrame({"drain_id": ids, "area_m2": np.zeros(len(ids))})
    no_patch = pd.DataFrame(
        {"drain_id": pd.Series(dtype="str"), "patch_id": pd.Series(dtype="int64"),
         "area_m2": pd.Series(dtype="float64")}
    )  # fmt: skip
    if not len(closed) or drained_m <= 0:
        return Rewetted(nothing, no_patch, np.zeros(len(ids)), 0.0)
    lines = closed.geometry.to_numpy()
    owner = np.array([place[str(d)] for d in closed["drain_id"]], dtype=np.int64)
    west, south, east, north = shapely.total_bounds(lines) + drained_m * np.array([-1, -1, 1, 1])
    cell = max(
        float(CELL.value), float(np.sqrt((east - west) * (north - south) / CELLS_MOST.value))
    )
    x, y = np.meshgrid(
        np.arange(west + cell / 2, east, cell), np.arange(south + cell / 2, north, cell)
    )
    points = np.asarray(shapely.points(x.ravel(), y.ravel()))
    if boundary is not None and not shapely.is_empty(boundary):
        shapely.prepare(boundary)
        points = points[shapely.contains(boundary, points)]
    at, line = shapely.STRtree(lines).query(points, predicate="dwithin", distance=drained_m)
    pair = np.unique(at * len(ids) + owner[line])
    at, who = pair // len(ids), pair % len(ids)
    size = cell * cell
    whole: Floats = np.bincount(who, minlength=len(ids)).astype(np.float64) * size
    near = pd.DataFrame({"at": at, "who": who.astype(str)}).groupby("at", sort=True)["who"]
    groups = near.agg(" ".join).value_counts(sort=False)
    alone, rows = np.zeros(len(ids)), []
    for n, (key, cells) in enumerate(sorted(groups.items())):
        members = [int(k) for k in str(key).split()]
        if len(members) == 1:
            alone[members[0]] += cells * size
        else:
            rows += [(ids[k], n, cells * size) for k in members]
    patches = pd.DataFrame(rows, columns=list(no_patch.columns)) if rows else no_patch
    benefits = pd.DataFrame({"drain_id": ids, "area_m2": alone})
    return Rewetted(benefits, patches, whole, float(np.unique(at).size * size))

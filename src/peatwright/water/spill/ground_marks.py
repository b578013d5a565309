"""Things on the ground as cells: watercourses, lines that carry flow, and what must stay dry."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from peatwright.model.raster import Grid
from peatwright.water.spill import _kernels as k

Flags = NDArray[np.bool_]

WHOLE_ZONE = ("water supply", "heritage")
"""Kinds for which arriving in the distance kept from them counts, not only at the thing itself."""
WATCHED = ("track", "water supply", "heritage")


@dataclass(frozen=True, eq=False)
class Watched:
    """A thing at which water should not arrive: its cells on a part of the grid."""

    kind: str
    name: str
    inside: Flags
    row0: int
    col0: int


def cells_of(geometry: Any, grid: Grid) -> tuple[Flags, int, int] | None:
    """Return the cells that a geometry touches, on a part of the grid one cell wider, or None."""
    from rasterio.features import rasterize  # noqa: PLC0415 - loads slowly
    from rasterio.transform import Affine  # noqa: PLC0415

    if geometry is None or geometry.is_empty:
        return None
    west, south, east, north = geometry.bounds
    r0 = max(int(np.floor((grid.y_top_m - north) / grid.dy_m)) - 2, 0)
    r1 = min(int(np.ceil((grid.y_top_m - south) / grid.dy_m)) + 2, grid.rows)
    c0 = max(int(np.floor((west - grid.x_left_m) / grid.dx_m)) - 2, 0)
    c1 = min(int(np.ceil((east - grid.x_left_m) / grid.dx_m)) + 2, grid.cols)
    if r1 <= r0 or c1 <= c0:
        return None
    place = Affine(
        grid.dx_m, 0, grid.x_left_m + c0 * grid.dx_m, 0, -grid.dy_m, grid.y_top_m - r0 * grid.dy_m
    )
    burnt = rasterize(
        [(geometry, 1)], out_shape=(r1 - r0, c1 - c0), transform=place, all_touched=True,
        dtype="uint8",
    )  # fmt: skip
    return burnt.astype(np.bool_), r0, c0


def _rows(table: pd.DataFrame) -> Iterator[Any]:
    return iter(table.itertuples())


def core(geometry: Any, distance_m: float, grid: Grid) -> Any:
    """Return a limit without the distance that was added around it, at least one cell wide."""
    kept = max(distance_m - max(grid.dx_m, grid.dy_m), 0.0)
    return geometry.buffer(-kept) if kept > 0.0 else geometry


def channels(
    grid: Grid, limits: pd.DataFrame, upslope_m2: NDArray[np.float64], corridor: NDArray[np.int32],
    channel_m2: float,
) -> NDArray[np.uint8]:  # fmt: skip
    """Return which cells are a channel: a watercourse, or a line that already carries much water.

    Drains are left out: whether they are channels depends on the works.
    """
    out = np.zeros((grid.rows, grid.cols), np.uint8)
    out[upslope_m2 >= channel_m2] = k.ON_LINE
    out[corridor > 0] = 0
    for row in _rows(limits[limits["kind"] == "watercourse"]):
        held = cells_of(core(row.geometry, float(row.distance_m), grid), grid)
        if held is not None:
            inside, r0, c0 = held
            out[r0 : r0 + inside.shape[0], c0 : c0 + inside.shape[1]][inside] = k.ON_BURN
    return out


def watched(
    grid: Grid,
    limits: pd.DataFrame,
    boundary: pd.DataFrame | None,
    bare_peat: Any = None,
    buildings: Any = None,
) -> list[Watched]:
    """Return the things at which arriving water is looked for.

    Args:
        grid: the cells.
        limits: LIMITS; tracks by themselves, supplies and heritage with the distance kept.
        boundary: BOUNDARY; what lies outside it is watched.
        bare_peat: bare peat as one geometry.
        buildings: buildings as one geometry.

    """
    things: list[tuple[str, str, Any]] = []
    for row in _rows(limits[limits["kind"].isin(WATCHED)]):
        kept = 0.0 if row.kind in WHOLE_ZONE else float(row.distance_m)
        things.append((row.kind, str(row.name or ""), core(row.geometry, kept, grid)))
    things += [("bare peat", "", bare_peat), ("building", "", buildings)]
    out = []
    for kind, name, geometry in things:
        held = cells_of(geometry, grid)
        if held is not None and held[0].any():
            out.append(Watched(kind, name, *held))
    if boundary is not None and len(boundary):
        held = cells_of(shapely.union_all(boundary.geometry.to_numpy()), grid)
        outside = np.ones((grid.rows, grid.cols), np.bool_)
        if held is not None:
            inside, r0, c0 = held
            outside[r0 : r0 + inside.shape[0], c0 : c0 + inside.shape[1]] = ~inside
            out.append(Watched("boundary", "", outside, 0, 0))
    return out

"""Lines, polygons and points as a file has them, before any check."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from peatwright.site import crs as crs_of
from peatwright.site.fault_book import Book, rows_said

Shapes = NDArray[np.object_]
POINT, LINE, AREA, ANY = "points", "lines", "polygons", "any"
TYPES = {
    POINT: (0, 4),
    LINE: (1, 2, 5),
    AREA: (3, 6),
    ANY: (0, 1, 2, 3, 4, 5, 6, 7),
}
# No coordinate on Earth, in degrees or metres, is as large.
FAR = 1e9
TYPE_SAID = ("point", "line", "line", "polygon", "points", "lines", "polygons", "collection")


@dataclass(frozen=True)
class Features:
    """Rows of one file: row numbers as the user counts them, shapes, columns, CRS."""

    file: str
    rows: NDArray[np.int64]
    shapes: Shapes
    columns: Mapping[str, list[Any]]
    crs: CRS | None

    def picked(self, keep: NDArray[Any]) -> Features:
        """Return the rows that an index or mask picks."""
        index = np.arange(len(self.rows))[keep]
        columns = {name: [held[i] for i in index] for name, held in self.columns.items()}
        return replace(self, rows=self.rows[index], shapes=self.shapes[index], columns=columns)


def only(held: Features, wanted: str, book: Book) -> Features:
    """Return the rows with the wanted kind of shape; note the others."""
    kinds = shapely.get_type_id(held.shapes)
    blank = (kinds < 0) | shapely.is_empty(held.shapes)
    if blank.any():
        book.look(
            held.file, rows_said(held.rows[blank].tolist()), "no shape", wanted,
            "Left out; draw it, or delete the row.",
        )  # fmt: skip
    odd = ~blank & ~np.isin(kinds, TYPES[wanted])
    if odd.any():
        said = sorted({TYPE_SAID[k] for k in kinds[odd]})
        book.stop(
            held.file, rows_said(held.rows[odd].tolist()), " and ".join(said), wanted,
            f"Give {wanted} here; is this the right file for this role?",
        )  # fmt: skip
    return held.picked(~blank & ~odd)


def parts(held: Features) -> Features:
    """Return the same rows with shapes of many parts taken apart, one part a row."""
    shapes, index = shapely.get_parts(held.shapes, return_index=True)
    split = held.picked(index)
    return replace(split, shapes=shapes)


def finite(held: Features, book: Book) -> Features:
    """Return the rows whose coordinates can be places; note the others."""
    at, index = shapely.get_coordinates(held.shapes, return_index=True)
    bad = np.unique(index[~(np.abs(at) < FAR).all(axis=1)])
    if len(bad):
        book.stop(
            held.file, rows_said(held.rows[bad].tolist()), "coordinates that are no place",
            "coordinates in metres or degrees", "Draw these again, or delete the rows.",
        )  # fmt: skip
    keep = np.ones(len(held.rows), np.bool_)
    keep[bad] = False
    return held.picked(keep)


def moved(held: Features, target: CRS, book: Book) -> Features | None:
    """Return the rows in the site's CRS, with x and y only; None when that cannot be done."""
    flat = shapely.force_2d(held.shapes)
    if held.crs is None:
        return None
    if crs_of.same(held.crs, target) or not len(held.rows):
        return replace(held, shapes=flat, crs=target)
    bounds = tuple(float(v) for v in shapely.total_bounds(flat))
    way = crs_of.move(held.crs, target, bounds)  # type: ignore[arg-type]
    before = shapely.get_coordinates(flat)
    x, y = way.go(before[:, 0].copy(), before[:, 1].copy())
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        _, index = shapely.get_coordinates(flat, return_index=True)
        bad = np.unique(index[~(np.isfinite(x) & np.isfinite(y))])
        book.stop(
            held.file, rows_said(held.rows[bad].tolist()),
            f"coordinates that cannot be moved from {crs_of.named(held.crs)} "
            f"to {crs_of.named(target)}",
            "coordinates inside the area of both", "Check the CRS and the coordinates.",
        )  # fmt: skip
        return None
    crs_of.note_accuracy(way, held.crs, target, held.file, book)
    shapes = shapely.set_coordinates(flat.copy(), np.stack([x, y], axis=1))
    return replace(held, shapes=shapes, crs=target)

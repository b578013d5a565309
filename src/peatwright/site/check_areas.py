"""Checking the boundary, and keeping distance from what must not be touched."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely

from peatwright.model.layers import LIMIT_KINDS
from peatwright.model.raster import Grid
from peatwright.model.rules import LimitRules
from peatwright.site import words
from peatwright.site.fault_book import Book, count_said, place_said, plain, rows_said
from peatwright.site.features import Features, parts
from peatwright.site.figures import SAME_PLACE_M, number


def rings_closed(held: Features, book: Book) -> Features:
    """Return a boundary drawn as closed lines as polygons; note lines that are not closed."""
    shapes = held.shapes.copy()
    keep = np.ones(len(shapes), np.bool_)
    for i, shape in enumerate(shapes):
        if shapely.get_type_id(shape) not in {1, 2, 5}:
            continue
        merged = shapely.line_merge(shape)
        if merged.geom_type == "LineString" and merged.is_closed and len(merged.coords) > 3:
            shapes[i] = shapely.Polygon(merged)
            book.look(held.file, f"row {held.rows[i]}", "a closed line", "a polygon",
                      "Taken as the polygon that it encloses.")  # fmt: skip
            continue
        at = shapely.get_coordinates(merged)
        gap = float(np.hypot(*(at[0] - at[-1])))
        pieces = shapely.get_num_geometries(merged)
        found = (
            f"{pieces} loose pieces"
            if pieces > 1
            else f"a line with a gap of {gap:.2f} between its ends"
        )
        book.stop(
            held.file, f"row {held.rows[i]}, {place_said(float(at[-1, 0]), float(at[-1, 1]))}",
            found, "a closed polygon",
            "Close it in a GIS, and save it as a polygon.",
        )  # fmt: skip
        keep[i] = False
    return replace(held, shapes=shapes).picked(keep)


def sound(held: Features, what: str, book: Book) -> Features:
    """Return polygons of one part each that are valid; note bow ties with their place.

    A polygon is repaired only where that leaves its area as it was.
    """
    areas = parts(held)
    shapes = areas.shapes.copy()
    keep = np.ones(len(shapes), np.bool_)
    for i, shape in enumerate(shapes):
        if shape.geom_type != "Polygon":
            continue
        reason = "" if shape.is_valid else str(shapely.is_valid_reason(shape))
        if not reason:
            continue
        mended = shapely.make_valid(shape)
        drawn = abs(_signed(shape.exterior)) - sum(abs(_signed(r)) for r in shape.interiors)
        found = re.search(r"\[([^ \]]+) ([^ \]]+)", reason)
        place = f", {place_said(float(found[1]), float(found[2]))}" if found else ""
        if abs(mended.area - drawn) <= 1e-6 * max(1.0, mended.area) and mended.area > 0:
            shapes[i] = mended
            book.look(
                held.file, f"row {areas.rows[i]}{place}",
                f"{what} that touches itself ({reason.split('[')[0].lower()})", "a simple outline",
                "Taken in parts that enclose the same area.",
            )  # fmt: skip
            continue
        keep[i] = False
        book.stop(
            held.file, f"row {areas.rows[i]}{place}",
            f"{what} that crosses itself, like a bow tie", "an outline that does not cross itself",
            "Move the vertices there so that the sides no longer cross.",
        )  # fmt: skip
    areas = parts(replace(areas, shapes=shapes).picked(keep))
    flat = shapely.get_type_id(areas.shapes) != 3
    if what == "a boundary":
        empty = flat | (shapely.area(areas.shapes) < number(SAME_PLACE_M))
        if (~flat & empty).any():
            book.stop(held.file, rows_said(areas.rows[~flat & empty].tolist()),
                      f"{what} without area", "a polygon", "Draw it again.")  # fmt: skip
        return areas.picked(~empty)
    return areas


def _signed(ring: Any) -> float:
    at = shapely.get_coordinates(ring)
    at = at - at[0]
    return 0.5 * float(np.sum(at[:-1, 0] * at[1:, 1] - at[1:, 0] * at[:-1, 1]))


def boundary_meets(held: Features, grid: Grid, book: Book) -> bool:
    """Note a boundary that misses the terrain, wholly or in part; say if they meet."""
    box = shapely.box(*grid.bounds)
    whole = shapely.union_all(held.shapes)
    share = whole.intersection(box).area / whole.area if whole.area else 0.0
    x, y = shapely.get_coordinates(whole.centroid)[0]
    west, south, east, north = grid.bounds
    fits = f"inside the terrain, x {west:.0f} to {east:.0f} and y {south:.0f} to {north:.0f}"
    if share == 0.0:
        book.stop(held.file, place_said(float(x), float(y)), "a boundary outside the terrain", fits,
                  "Check the CRS of both, and that they are of the same site.")  # fmt: skip
    elif share < 0.999:
        book.look(held.file, place_said(float(x), float(y)),
                  f"{1 - share:.1%} of the boundary outside the terrain", fits,
                  "Nothing can be measured there: find terrain for it.")  # fmt: skip
    return share > 0.0


def limits(
    tables: Sequence[Features],
    chosen: str | None,
    grid: Grid | None,
    rules: LimitRules,
    book: Book,
) -> list[dict[str, object]]:
    """Return each no-go feature with the distance kept from it, as rows of the limits layer."""
    rows: list[dict[str, object]] = []
    for held in tables:
        kinds = _kinds(held, chosen, book)
        names = names_of(held)
        reach = np.array([distance_of(k, rules) for k in kinds])
        kept = shapely.buffer(held.shapes, np.maximum(reach, number(SAME_PLACE_M)), quad_segs=32)
        near = np.ones(len(kept), np.bool_)
        if grid is not None and len(kept):
            near = shapely.intersects(kept, shapely.box(*grid.bounds))
            elsewhere(held, near, book)
        for i in np.nonzero(near)[0]:
            rows += limit_rows(
                f"{held.file}:{held.rows[i]}", names[i], kinds[i], float(reach[i]), kept[i]
            )
    return rows


def limit_rows(
    given_id: str, name: str, kind: str, distance_m: float, area: shapely.Geometry
) -> list[dict[str, object]]:
    """Return one row of the limits layer for each part of an area."""
    key = f"limits.{kind.replace(' ', '_')}_m"
    held = f"{key} in the rule sheet"
    why = f"Keep {distance_m:g} m from this {kind} ({held}); local rules and its owner decide."
    return [
        {"given_id": given_id, "name": name, "kind": kind, "distance_m": distance_m, "why": why,
         "geometry": part}
        for part in shapely.get_parts(area) if part.geom_type == "Polygon" and not part.is_empty
    ]  # fmt: skip


def distance_of(kind: str, rules: LimitRules) -> float:
    """Return the distance that the rule sheet keeps from a kind of limit."""
    return float(getattr(rules, f"{kind.replace(' ', '_')}_m"))


def names_of(held: Features) -> list[str]:
    """Return the name of each row, empty where it has none."""
    column = words.find(held.columns, words.NAME)
    values = held.columns[column] if column else [None] * len(held.rows)
    return ["" if v is None else plain(str(v), 200) for v in values]


def _kinds(held: Features, chosen: str | None, book: Book) -> list[str]:
    allowed = ", ".join(LIMIT_KINDS)
    column = chosen if chosen in held.columns else words.find(held.columns, words.KIND)
    if column is None:
        book.look(
            held.file, "", f"no column that says what each is "
            f"({plain(', '.join(held.columns), 120) or 'no columns'})",
            f"a column kind with {allowed}", "All are taken as other, with its distance.",
        )  # fmt: skip
        return ["other"] * len(held.rows)
    kinds, unknown = [], []
    for i, value in enumerate(held.columns[column]):
        kind = words.kind_of("" if value is None else str(value))
        if kind is None:
            unknown.append(i)
        kinds.append(kind or "other")
    if unknown:
        said = sorted({plain(str(held.columns[column][i] or "nothing"), 40) for i in unknown})
        book.look(
            held.file, f"{rows_said(held.rows[unknown].tolist())}, column {column}",
            ", ".join(said[:5]), allowed, "Taken as other, with its distance.",
        )  # fmt: skip
    return kinds


def elsewhere(held: Features, near: np.ndarray[Any, Any], book: Book) -> None:
    """Note shapes that lie off the terrain."""
    if near.all():
        return
    first = shapely.get_coordinates(held.shapes[int((~near).argmax())])[0]
    place = f"{rows_said(held.rows[~near].tolist())}, {place_said(*map(float, first))}"
    if not near.any():
        book.stop(held.file, place, "everything outside the terrain", "something on the terrain",
                  "Check the CRS, and that this is the right file.")  # fmt: skip
    else:
        book.look(held.file, place, count_said(int((~near).sum()), "shape") + " off the terrain",
                  "shapes on the terrain", "Left out.")  # fmt: skip

"""Checking drain lines, once they are in the site's CRS."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import STRtree

from peatwright.model.raster import Grid
from peatwright.site.fault_book import Book, count_said, place_said, rows_said
from peatwright.site.features import Features, Shapes, parts
from peatwright.site.figures import GAP_TOUCH_M, LINE_LONG_M, SAME_PLACE_M, number


def cleaned(held: Features, book: Book) -> Features:
    """Return lines of one part each without repeated vertices; note those that cannot be drains."""
    many = shapely.get_num_geometries(held.shapes) > 1
    if many.any():
        book.look(
            held.file, rows_said(held.rows[many].tolist()),
            count_said(int(many.sum()), "line of several parts", "lines of several parts"),
            "one line a row", "Each part is taken as a drain of its own; nothing is lost.",
        )  # fmt: skip
    lines = parts(held)
    shapes = shapely.remove_repeated_points(lines.shapes, 0.0)
    short = shapely.length(shapes) < number(SAME_PLACE_M)
    if short.any():
        book.stop(
            held.file, _where(lines, short), "a line without length",
            f"lines of {number(SAME_PLACE_M):g} m or more", "Draw it again, or delete it.",
        )  # fmt: skip
    lines = Features(lines.file, lines.rows, shapes, lines.columns, lines.crs).picked(~short)
    _segments(lines, book)
    ring = shapely.is_closed(lines.shapes)
    if ring.any():
        book.stop(
            held.file, _where(lines, ring), "a line that ends where it starts",
            "a head at one end and an outfall at the other",
            "Cut the ring where its water parts and where it leaves, into two lines.",
        )  # fmt: skip
    knot = ~ring & ~shapely.is_simple(lines.shapes)
    if knot.any():
        first = lines.shapes[int(knot.argmax())]
        x, y = crossing(first)
        book.stop(
            held.file, f"{rows_said(lines.rows[knot].tolist())}, {place_said(x, y)}",
            "a line that crosses or touches itself", "lines that meet only other lines",
            "Cut it there into two lines, or remove the stray vertex.",
        )  # fmt: skip
    return lines


def _where(held: Features, mask: NDArray[np.bool_]) -> str:
    x, y = shapely.get_coordinates(held.shapes[int(mask.argmax())])[0]
    return f"{rows_said(held.rows[mask].tolist())}, {place_said(float(x), float(y))}"


def _segments(held: Features, book: Book) -> None:
    at, index = shapely.get_coordinates(held.shapes, return_index=True)
    step = np.hypot(*np.diff(at, axis=0).T)
    long = np.nonzero((step > number(LINE_LONG_M)) & (np.diff(index) == 0))[0]
    if len(long):
        row = held.rows[index[long]]
        book.stop(
            held.file, f"{rows_said(np.unique(row).tolist())}, {place_said(*at[long[0] + 1])}",
            f"a jump of {step[long[0]] / 1000:,.0f} km between two vertices",
            f"up to {number(LINE_LONG_M) / 1000:g} km", "Remove the stray vertex.",
        )  # fmt: skip


def crossing(line: shapely.LineString) -> tuple[float, float]:
    """Return a place where a line meets itself."""
    pieces = shapely.get_parts(shapely.node(line))
    ends = np.concatenate([shapely.get_coordinates(p)[[0, -1]] for p in pieces])
    places, counts = np.unique(ends.round(6), axis=0, return_counts=True)
    x, y = places[int(np.argmax(counts))]
    return float(x), float(y)


def check_together(tables: list[Features], grid: Grid | None, book: Book) -> None:
    """Note lines given twice, lines off the terrain and small gaps, over all files."""
    tables = [t for t in tables if len(t.rows)]
    if not tables:
        return
    shapes = np.concatenate([t.shapes for t in tables])
    files = [t.file for t in tables for _ in t.rows]
    rows = [int(r) for t in tables for r in t.rows]
    _twice(shapes, files, rows, book)
    if grid is not None:
        _off_terrain(tables, grid, book)
        _gaps(shapes, files, rows, grid, book)


def _twice(shapes: Shapes, files: list[str], rows: list[int], book: Book) -> None:
    met: dict[bytes, int] = {}
    said: set[int] = set()
    for i, shape in enumerate(shapes):
        at = shapely.get_coordinates(shape).round(2) + 0.0
        back = at[::-1].tobytes()
        other = met.get(at.tobytes())
        turned = met.get(back) if other is None else None
        twin = other if other is not None else turned
        if twin is None:
            met[at.tobytes()] = i
            continue
        said.add(i)
        book.stop(
            files[i], f"row {rows[i]}, {place_said(float(at[0, 0]), float(at[0, 1]))}",
            f"the same line as row {rows[twin]}"
            + (f" of {files[twin]}" if files[twin] != files[i] else "")
            + (", drawn the other way" if turned is not None else ""),
            "each drain once", "Delete one of the two.",
        )  # fmt: skip
    _nearly_twice(shapes, said, files, rows, book)


def _nearly_twice(
    shapes: Shapes, said: set[int], files: list[str], rows: list[int], book: Book
) -> None:
    """Note lines that run within half a metre of another over their whole length."""
    near_m = 0.5
    tree = STRtree(shapes)
    bands = shapely.buffer(shapes, near_m, quad_segs=4)
    # `covers` of a band finds lines that lie whole within reach of another one.
    outer, inner = tree.query(bands, predicate="covers")
    for k, i in zip(outer.tolist(), inner.tolist(), strict=True):
        if k == i or {k, i} & said or shapes[i].length < 2 * near_m:
            continue
        said.add(i)
        x, y = shapely.get_coordinates(shapes[i])[0]
        other = f" of {files[k]}" if files[k] != files[i] else ""
        book.look(
            files[i], f"row {rows[i]}, {place_said(float(x), float(y))}",
            f"a line within {near_m:g} m of row {rows[k]}{other} all along", "each drain once",
            "Delete it if both are the same drain.",
        )  # fmt: skip


def _off_terrain(tables: list[Features], grid: Grid, book: Book) -> None:
    box = shapely.box(*grid.bounds)
    away = [~shapely.intersects(t.shapes, box) for t in tables]
    west, south, east, north = grid.bounds
    fits = f"lines on the terrain, x {west:.0f} to {east:.0f} and y {south:.0f} to {north:.0f}"
    for table, off in zip(tables, away, strict=True):
        if off.all():
            swapped = shapely.intersects(_swapped(table.shapes), box).any()
            book.stop(
                table.file, _where(table, off), "every line outside the terrain", fits,
                "x and y look swapped: exchange them." if swapped
                else "Check the CRS of both, and that they are of the same site.",
            )  # fmt: skip
            continue
        if off.any():
            book.stop(
                table.file, _where(table, off),
                count_said(int(off.sum()), "line") + " outside the terrain", fits,
                "Delete these, or give terrain for them.",
            )  # fmt: skip
        partly = ~off & ~shapely.covers(box, table.shapes)
        if partly.any():
            book.look(
                table.file, _where(table, partly),
                count_said(int(partly.sum()), "line") + " running off the terrain", fits,
                "What lies outside cannot be measured.",
            )  # fmt: skip


def _swapped(shapes: Shapes) -> Shapes:
    at = shapely.get_coordinates(shapes)
    return np.asarray(shapely.set_coordinates(shapes.copy(), at[:, ::-1]), dtype=object)


def _gaps(shapes: Shapes, files: list[str], rows: list[int], grid: Grid, book: Book) -> None:
    """Note ends that stop a cell or two short of another line."""
    reach = 2.0 * max(grid.dx_m, grid.dy_m)
    ends = np.stack([shapely.get_point(shapes, 0), shapely.get_point(shapes, -1)], axis=1)
    owner = np.repeat(np.arange(len(shapes)), 2)
    points = ends.ravel()
    tree = STRtree(shapes)
    end, line = tree.query(points, predicate="dwithin", distance=reach)
    other = owner[end] != line
    end, line = end[other], line[other]
    if not len(end):
        return
    away = shapely.distance(points[end], shapes[line])
    nearest = np.full(len(points), np.inf)
    np.minimum.at(nearest, end, away)
    short = np.nonzero((nearest > number(GAP_TOUCH_M)) & (nearest <= reach))[0]
    if not len(short):
        return
    first = int(short[0])
    x, y = shapely.get_coordinates(points[first])[0]
    book.look(
        files[owner[first]], f"row {rows[owner[first]]}, {place_said(float(x), float(y))}",
        f"{count_said(len(short), 'line end')} less than {reach:g} m short of another line, "
        f"this one by {nearest[first]:.2f} m",
        "ends that touch the line they run into",
        "They are joined when drains are measured (measure.join_m); see that each is a junction.",
    )  # fmt: skip

"""Checking measured depths: peat probes and drains measured by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from peatwright.model.cited import Cited
from peatwright.model.raster import Grid
from peatwright.site import words
from peatwright.site.fault_book import Book, count_said, place_said, plain, rows_said
from peatwright.site.features import Features, parts
from peatwright.site.figures import (
    EDGE_M,
    HAND_LOOK_M,
    HAND_MAX_M,
    PEAT_LOOK_M,
    PEAT_MAX_M,
    SAME_PLACE_M,
    number,
)
from peatwright.site.read_table import as_number


@dataclass(frozen=True)
class Depths:
    """What one role's depths are called and held to."""

    role: str
    what: str
    column: str
    most: Cited
    look: Cited


PEAT = Depths("probes", "peat depth", "peat_depth_m", PEAT_MAX_M, PEAT_LOOK_M)
HAND = Depths("depths", "drain depth", "hand_depth_m", HAND_MAX_M, HAND_LOOK_M)


def depths(held: Features, kind: Depths, chosen: str | None, book: Book) -> Features | None:
    """Return points with one column, the depth in metres, noting every value that cannot be."""
    points = parts(held)
    columns = points.columns
    found = (
        [chosen]
        if chosen and chosen in columns
        else words.find_value(columns, words.VALUE[kind.role])
    )
    if len(found) != 1:
        book.stop(
            held.file, "columns",
            f"{' and '.join(found)}, both of which may hold the {kind.what}"
            if found else f"columns {plain(', '.join(columns), 200) or 'none'}",
            f"one column for the {kind.what}, such as {kind.column}",
            f"Say which: --columns {kind.role}:value=NAME",
        )  # fmt: skip
        return None
    name = found[0]
    said = [as_number(v, comma=True) for v in columns[name]]
    blank = np.array([v is None or not str(v).strip() for v in columns[name]], np.bool_)
    text = np.array([s is None or not np.isfinite(s) for s in said], np.bool_) & ~blank
    ok = True
    if text.any():
        first = columns[name][int(text.argmax())]
        book.stop(
            held.file, f"{rows_said(points.rows[text].tolist())}, column {name}",
            repr(plain(str(first), 40)), "a number",
            "Write the number alone. Where a probe met no bottom, write the depth reached and keep "
            "the remark in another column.",
        )  # fmt: skip
        ok = False
    if blank.any():
        book.look(
            held.file, f"{rows_said(points.rows[blank].tolist())}, column {name}", "nothing",
            "a number", "These points are left out.",
        )  # fmt: skip
    keep = ~text & ~blank
    if not keep.any():
        if ok:
            book.stop(held.file, f"column {name}", "no value in any row", "depths in metres",
                      "Check that this is the right column.")  # fmt: skip
        return None
    values = np.array([s for s, k in zip(said, keep, strict=True) if k], np.float64)
    points = points.picked(keep)
    unit = words.split_unit(name)[1]
    metres = values * (unit or 1.0)
    ok = _believable(points, metres, name, unit, kind, book) and ok
    if not ok:
        return None
    return Features(
        points.file, points.rows, points.shapes, {kind.column: metres.tolist()}, points.crs
    )


def _believable(
    points: Features,
    metres: NDArray[np.float64],
    name: str,
    unit: float | None,
    kind: Depths,
    book: Book,
) -> bool:
    most, look = number(kind.most), number(kind.look)
    column = f"column {name}"
    median = float(np.median(metres))
    negative = metres < 0
    if negative.any():
        all_ = " (all of them)" if negative.all() else ""
        book.stop(
            points.file, f"{rows_said(points.rows[negative].tolist())}, {column}",
            f"{metres[int(negative.argmax())]:g} m{all_}", "0 or more",
            "Write depths as positive numbers, and leave out values that mean `not measured`.",
        )  # fmt: skip
    deep = metres > most
    if deep.any() and median > look:
        book.stop(
            points.file, column,
            f"depths around {median:g} m, up to {metres.max():g} m", f"0 to {most:g} m",
            f"They look like centimetres: rename the column to {kind.column[:-2]}_cm, or divide.",
        )  # fmt: skip
    elif deep.any():
        book.stop(
            points.file, f"{rows_said(points.rows[deep].tolist())}, {column}",
            f"{metres[int(deep.argmax())]:g} m", f"0 to {most:g} m",
            "Mend these values: a slipped decimal point, or another unit?",
        )  # fmt: skip
    elif median > look:
        book.look(
            points.file, column, f"depths around {median:g} m", f"{look:g} m or less as a rule",
            "See that they are metres" + ("" if unit else f" and name the column {kind.column}."),
        )  # fmt: skip
    return not (negative.any() or deep.any())


def merged(
    tables: Sequence[Features], kind: Depths, book: Book
) -> list[tuple[str, float, shapely.Point]]:
    """Return (given id, depth, point) of all files, with points at one place taken together."""
    places: dict[tuple[float, float], list[tuple[str, int, float, shapely.Point]]] = {}
    for held in tables:
        at = shapely.get_coordinates(held.shapes)
        for i, (x, y) in enumerate(np.round(at / number(SAME_PLACE_M)).tolist()):
            row = (
                held.file,
                int(held.rows[i]),
                float(held.columns[kind.column][i]),
                held.shapes[i],
            )
            places.setdefault((x, y), []).append(row)
    several = [group for group in places.values() if len(group) > 1]
    if several:
        group = several[0]
        x, y = group[0][3].x, group[0][3].y
        values = ", ".join(f"{v:g}" for _, _, v, _ in group[:4])
        more = f" (and {count_said(len(several) - 1, 'more such place')})" if several[1:] else ""
        book.look(
            group[1][0], f"{rows_said([r for _, r, _, _ in group])}, {place_said(x, y)}",
            f"{count_said(len(group), 'point')} at one place, {values} m{more}",
            "one point at a place", "Their mean is taken; check the coordinates.",
        )  # fmt: skip
    return [
        (f"{g[0][0]}:{g[0][1]}", float(np.mean([v for _, _, v, _ in g])), g[0][3])
        for g in places.values()
    ]


def near_terrain(held: Features, grid: Grid, book: Book) -> Features:
    """Return the points on or close to the terrain; note the others."""
    west, south, east, north = grid.bounds
    box = shapely.box(*grid.bounds).buffer(number(EDGE_M))
    near = shapely.intersects(held.shapes, box)
    if near.all():
        return held
    x, y = shapely.get_coordinates(held.shapes[int((~near).argmax())])[0]
    place = f"{rows_said(held.rows[~near].tolist())}, {place_said(float(x), float(y))}"
    fits = f"x {west:.0f} to {east:.0f} and y {south:.0f} to {north:.0f}"
    if not near.any():
        swapped = bool((x >= south) & (x <= north) & (y >= west) & (y <= east))
        book.stop(
            held.file, place, "every point outside the terrain", fits,
            "x and y look swapped: exchange the columns." if swapped
            else "Check the CRS (say it with --crs where the file carries none) and the columns.",
        )  # fmt: skip
    else:
        found = count_said(int((~near).sum()), "point") + " outside the terrain"
        book.look(held.file, place, found, fits, "Left out; check the coordinates.")
    return held.picked(near)

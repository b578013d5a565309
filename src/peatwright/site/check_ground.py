"""Checking what is given of the ground: its condition, bare peat, closed areas, probes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import shapely

from peatwright.ground.condition import map_faults, wrong_places
from peatwright.ground.probes import check_probes
from peatwright.ground.season import read_day
from peatwright.model.errors import GivenError
from peatwright.model.ground_rules import ConditionRules, DepthRules, scheme
from peatwright.model.raster import Grid
from peatwright.model.rules import Rules
from peatwright.site import words
from peatwright.site.check_areas import elsewhere, names_of
from peatwright.site.fault_book import NAMED, Book, file_said, plain, rows_said
from peatwright.site.features import Features
from peatwright.site.given import Given

ROLES = ("condition", "bare", "closed")
SEVERITIES = ("stop", "look")


def _kept(held: Features, grid: Grid | None, book: Book) -> Features:
    """Return the polygons that meet the terrain; note the others."""
    areas = held.picked(shapely.get_type_id(held.shapes) == 3)
    if grid is None or not len(areas.rows):
        return areas
    near = shapely.intersects(areas.shapes, shapely.box(*grid.bounds))
    elsewhere(areas, near, book)
    return areas.picked(near)


def _id(held: Features, row: int) -> str:
    return f"{held.file}:{held.rows[row]}"


def rows_of(
    given: Given,
    held: Mapping[str, Sequence[Features]],
    peat: Sequence[tuple[str, float, shapely.Point]],
    grid: Grid | None,
    rules: Rules,
    book: Book,
) -> dict[str, list[dict[str, object]]]:
    """Return the rows of each layer of the ground, by its name, and note what is odd of probes."""
    if given.probes:
        note_probes(peat, file_said(given.probes[0]), rules.depth, book)
    chosen = given.columns.get("condition", {}).get("value")
    condition = condition_rows(
        held["condition"], chosen, held["boundary"], grid, rules.condition, book
    )
    return {
        "given_condition": condition,
        "given_bare": bare_rows(held["bare"], grid, book),
        "given_closed": closed_rows(held["closed"], grid, book),
    }


def bare_rows(tables: Sequence[Features], grid: Grid | None, book: Book) -> list[dict[str, object]]:
    """Return bare peat as rows of its layer."""
    rows: list[dict[str, object]] = []
    for table in tables:
        held = _kept(table, grid, book)
        rows += [
            {"given_id": _id(held, k), "name": name, "geometry": shape}
            for k, (name, shape) in enumerate(zip(names_of(held), held.shapes, strict=True))
        ]
    return rows


def condition_rows(
    tables: Sequence[Features],
    chosen: str | None,
    boundary: Sequence[Features],
    grid: Grid | None,
    rules: ConditionRules,
    book: Book,
) -> list[dict[str, object]]:
    """Return the condition map as rows of its layer; note what it leaves out or names twice."""
    rows: list[dict[str, object]] = []
    known = {words.plain_name(name): name for name in scheme(rules)}
    allowed = ", ".join(scheme(rules))
    for table in tables:
        held = _kept(table, grid, book)
        column = chosen if chosen in held.columns else words.find(held.columns, words.CATEGORY)
        if column is None:
            book.stop(
                held.file, "", "no column that says the category "
                f"({plain(', '.join(held.columns), 120) or 'no columns'})",
                f"a column category with {allowed}",
                "Add it, or say which it is: --columns condition:value=NAME",
            )  # fmt: skip
            continue
        said = ["" if v is None else str(v) for v in held.columns[column]]
        names = [known.get(words.plain_name(s)) for s in said]
        odd = np.array([n is None for n in names], np.bool_)
        if odd.any():
            found = sorted({plain(s, 40) or "nothing" for s, o in zip(said, odd, strict=True) if o})
            book.stop(
                held.file, f"{rows_said(held.rows[odd].tolist())}, column {column}",
                ", ".join(found[:5]), allowed,
                "Use a category of the scheme, or add it to condition.scheme in the rule sheet.",
            )  # fmt: skip
        rows += [
            {"given_id": _id(held, k), "category": name, "geometry": held.shapes[k]}
            for k, name in enumerate(names)
            if name is not None
        ]
    if rows:
        _note_wrong(rows, tables[0].file, boundary, grid, rules, book)
    return rows


def _note_wrong(
    rows: list[dict[str, object]],
    file: str,
    boundary: Sequence[Features],
    grid: Grid | None,
    rules: ConditionRules,
    book: Book,
) -> None:
    shapes = np.array([row["geometry"] for row in rows], object)
    names = np.array([row["category"] for row in rows], object)
    edges = [shape for held in boundary for shape in held.shapes]
    # Without a boundary only the map itself says where it ends, so that it has no gaps.
    site = shapely.union_all(edges if edges else shapes)
    wrong = wrong_places(shapes, names, site, rules, grid.crs if grid is not None else "")
    for fault in map_faults(wrong, file):
        book.add(fault)


def closed_rows(
    tables: Sequence[Features], grid: Grid | None, book: Book
) -> list[dict[str, object]]:
    """Return areas closed in a season as rows of `GIVEN_CLOSED`."""
    rows: list[dict[str, object]] = []
    for table in tables:
        held = _kept(table, grid, book)
        columns = [words.find(held.columns, usual) for usual in (words.FROM_DAY, words.TO_DAY)]
        if None in columns:
            book.stop(
                held.file, "", plain(", ".join(held.columns), 120) or "no columns",
                "columns from_day and to_day", "Say from which day to which the area is closed.",
            )  # fmt: skip
            continue
        how = words.find(held.columns, ("severity",))
        who = words.find(held.columns, words.SPECIES)
        for k, shape in enumerate(held.shapes):
            place = f"row {held.rows[k]}"
            days = [_day(held.columns[str(c)][k], held.file, place, book) for c in columns]
            severity = str(held.columns[how][k] or "stop").strip().lower() if how else "stop"
            if severity not in SEVERITIES:
                book.stop(
                    held.file, f"{place}, column {how}", plain(severity, 40),
                    " or ".join(SEVERITIES), "stop is closed; look is case by case.",
                )  # fmt: skip
                continue
            if None in days:
                continue
            name = plain(str(held.columns[who][k] or ""), 200) if who else ""
            rows.append(
                {
                    "name": name or "closed area", "from_day": days[0], "to_day": days[1],
                    "severity": severity, "why": f"given in {held.file}, {place}",
                    "geometry": shape,
                }
            )  # fmt: skip
    return rows


def _day(value: object, file: str, place: str, book: Book) -> str | None:
    """Return a day as month-day, noting what is none. A file may hold it as a date with time."""
    text = plain("" if value is None else str(value), 40).strip()
    try:
        month, day = read_day(text.split("T")[0].split(" ")[0], file, place)
    except GivenError as error:
        for fault in error.faults:
            book.add(fault)
        return None
    return f"{month:02d}-{day:02d}"


def note_probes(
    peat: Sequence[tuple[str, float, shapely.Point]], file: str, rules: DepthRules, book: Book
) -> None:
    """Note probes that are few, in one line, at one place or too deep to be believed."""
    if not peat:
        return
    deep = [(given, depth) for given, depth, _ in peat if depth > rules.deepest_m]
    for given, depth in deep[:NAMED]:
        name, _, row = given.rpartition(":")
        book.stop(
            name, f"row {row}", f"peat {depth:g} m deep", f"up to {rules.deepest_m:g} m",
            "Check for centimetres among metres. If it is true, raise depth.deepest_m in the rule "
            "sheet.",
        )  # fmt: skip
    if deep:
        return
    at = shapely.get_coordinates(np.array([point for _, _, point in peat], object))
    for fault in check_probes(at[:, 0], at[:, 1], [d for _, d, _ in peat], rules, file).faults:
        book.add(fault)

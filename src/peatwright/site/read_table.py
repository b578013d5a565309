"""Reading points and lines from CSV tables."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from peatwright.site import crs as crs_of
from peatwright.site import words
from peatwright.site.fault_book import Book, count_said, plain, rows_said
from peatwright.site.features import AREA, LINE, Features
from peatwright.site.figures import FILE_BYTES_MAX, ROWS_MAX, number

TABLE_ENDINGS = (".csv", ".txt", ".tsv")
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
COMMA_NUMBER = re.compile(r"[+-]?\d+,\d+")


def as_number(text: object, *, comma: bool = False) -> float | None:
    """Return the number that a cell holds, or None when it holds none."""
    if isinstance(text, bool):
        return None
    if isinstance(text, int | float | np.integer | np.floating):
        return float(text)
    held = str(text).strip()
    if comma and COMMA_NUMBER.fullmatch(held):
        held = held.replace(",", ".")
    return float(held) if NUMBER.fullmatch(held) else None


def read(
    path: Path,
    file: str,
    role: str,
    wanted: str,
    chosen: Mapping[str, str],
    asked: CRS | None,
    book: Book,
) -> Features | None:
    """Return the rows of one table as points or lines, noting why they cannot be read.

    Rows are numbered as a spreadsheet does: the line of names is row 1.
    """
    text = _text(path, file, book)
    table = _table(text, file, book) if text is not None else None
    if table is None:
        return None
    names, numbers, rows, comma = table
    columns: dict[str, list[object]] = {n: [row[i] for row in rows] for i, n in enumerate(names)}
    ok = True
    for what, name in chosen.items():
        if name not in columns:
            book.stop(
                file, f"--columns {role}:{what}={name}", f"columns {', '.join(names)}",
                "the name of one of these", "Check the spelling.",
            )  # fmt: skip
            ok = False
    if not ok:
        return None
    if comma:
        columns = {n: [_point(v) for v in held] for n, held in columns.items()}
    wkt = words.find(names, words.WKT) if "x" not in chosen else None
    if wkt is not None and any("(" in str(v) for v in columns[wkt]):
        return _from_wkt(file, columns, numbers, wkt, asked, book)
    return _from_xy(file, role, wanted, columns, numbers, chosen, asked, book)


def _point(value: object) -> object:
    held = str(value).strip()
    return held.replace(",", ".") if COMMA_NUMBER.fullmatch(held) else value


def _text(path: Path, file: str, book: Book) -> str | None:
    held = _decoded(path, file, book)
    if held is not None and not held.strip():
        book.stop(file, "", "an empty file", "a table with a line of names", "Copy it again.")
        return None
    return held


def _decoded(path: Path, file: str, book: Book) -> str | None:
    try:
        size = path.stat().st_size
        if size > number(FILE_BYTES_MAX):
            book.stop(file, "", f"{size / 1e6:,.0f} MB",
                      f"up to {number(FILE_BYTES_MAX) / 1e6:,.0f} MB",
                      "Clip it to the site first.")  # fmt: skip
            return None
        content = path.read_bytes()
    except OSError as error:
        book.stop(file, "", error.strerror or "no such file", "a file", "Check the path.")
        return None
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16", errors="replace")
    if b"\0" in content[:65536]:
        book.stop(file, "", "bytes that are no text", "a CSV table",
                  "Save it as CSV from the spreadsheet.")  # fmt: skip
        return None
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        # What spreadsheets on Windows write; names and numbers survive any slip.
        return content.decode("cp1252", errors="replace")


def _table(
    text: str, file: str, book: Book
) -> tuple[list[str], list[int], list[list[str]], bool] | None:
    first = next(line for line in text.splitlines() if line.strip())
    separator = max(";\t,", key=first.count)
    rows: list[list[str]] = []
    numbers: list[int] = []
    names: list[str] | None = None
    try:
        for at, row in enumerate(csv.reader(io.StringIO(text, newline=""), delimiter=separator), 1):
            if names is not None:
                numbers.append(at)
                rows.append(row)
            elif any(c.strip() for c in row):
                names = [c.strip() for c in row]
    except csv.Error as error:
        book.stop(file, f"row {len(rows) + 2}", f"a broken row ({error})", "a CSV table",
                  "Save it again as CSV (UTF-8).")  # fmt: skip
        return None
    assert names is not None
    keep = [k for k, row in enumerate(rows) if any(c.strip() for c in row)]
    rows, numbers = [rows[k] for k in keep], [numbers[k] for k in keep]
    if len(rows) > number(ROWS_MAX):
        book.stop(file, "", count_said(len(rows), "row"), f"up to {number(ROWS_MAX):,.0f}",
                  "Clip it to the site first.")  # fmt: skip
        return None
    if all(as_number(n, comma=True) is not None for n in names if n):
        book.stop(file, "row 1", f"numbers only ({plain(', '.join(names), 60)})",
                  "a first row with the names of the columns", "Add a row of names.")  # fmt: skip
        return None
    twice = sorted({n for n in names if n and names.count(n) > 1})
    if twice:
        book.stop(file, "row 1", f"the name {twice[0]} twice", "each name once", "Rename one.")
        return None
    if not rows:
        book.stop(file, "", "no rows below the names", "at least one row", "Check the file.")
        return None
    wide = [n for n, row in zip(numbers, rows, strict=True) if any(row[len(names) :])]
    if wide:
        book.stop(
            file, rows_said(wide), "more cells than names",
            f"{len(names)} cells, one for each name",
            "Put text that holds the separator in quotes, and use a point in decimals.",
        )  # fmt: skip
        return None
    rows = [row[: len(names)] + [""] * (len(names) - len(row)) for row in rows]
    return names, numbers, rows, separator == ";"


def _from_wkt(
    file: str,
    columns: dict[str, list[object]],
    numbers: list[int],
    wkt: str,
    asked: CRS | None,
    book: Book,
) -> Features | None:
    shapes = np.array(
        shapely.from_wkt([str(v) or None for v in columns[wkt]], on_invalid="ignore"), dtype=object
    ).reshape(-1)
    rows = np.array(numbers, np.int64)
    bad = shapely.get_type_id(shapes) < 0
    if bad.any():
        book.stop(
            file, f"{rows_said(rows[bad].tolist())}, column {wkt}",
            repr(plain(str(columns[wkt][int(bad.argmax())]), 60)),
            "well-known text such as LINESTRING (1 2, 3 4)", "Write these shapes anew.",
        )  # fmt: skip
    crs = asked
    if crs is None:
        book.stop(file, "CRS", "none: a CSV cannot say", "a stated CRS", crs_of.ASK)
    held = Features(file, rows, shapes, {n: v for n, v in columns.items() if n != wkt}, crs)
    return held.picked(~bad)


def _from_xy(
    file: str,
    role: str,
    wanted: str,
    columns: dict[str, list[object]],
    numbers: list[int],
    chosen: Mapping[str, str],
    asked: CRS | None,
    book: Book,
) -> Features | None:
    names = list(columns)
    x = chosen.get("x") or words.find(names, words.X)
    y = chosen.get("y") or words.find(names, words.Y)
    degrees = False
    if "x" not in chosen and (x is None or y is None):
        lon, lat = words.find(names, words.LON), words.find(names, words.LAT)
        if lon is not None and lat is not None:
            x, y, degrees = lon, lat, True
    if x is None or y is None:
        book.stop(
            file, "row 1", f"columns {plain(', '.join(names), 200)}",
            "columns for the place such as Easting and Northing, or Longitude and Latitude",
            f"Say which: --columns {role}:x=NAME,y=NAME"
            + (",value=NAME" if role in words.VALUE else ""),
        )  # fmt: skip
        return None
    crs = _crs(file, asked, degrees, book)
    rows = np.array(numbers, np.int64)
    at = np.full((len(rows), 2), np.nan)
    good = True
    for k, name in enumerate((x, y)):
        held = [as_number(v) for v in columns[name]]
        bad = [i for i, v in enumerate(held) if v is None or not np.isfinite(v)]
        if bad:
            found = str(columns[name][bad[0]])
            book.stop(
                file, f"{rows_said(rows[bad].tolist())}, column {name}",
                repr(plain(found, 40)) if found.strip() else "nothing",
                "a number" + (" of degrees, such as -3.52" if degrees else " of metres"),
                "Mend these cells, or delete the rows.",
            )  # fmt: skip
            good = False
        at[:, k] = [np.nan if v is None else v for v in held]
    if not good:
        return None
    if wanted not in {LINE, AREA}:
        return Features(file, rows, np.asarray(shapely.points(at)), columns, crs)
    return _strung(file, role, wanted, columns, rows, at, chosen, crs, book)


def _crs(file: str, asked: CRS | None, degrees: bool, book: Book) -> CRS | None:
    if degrees and (asked is None or not asked.is_geographic):
        book.look(
            file, "CRS", "columns of longitude and latitude, and no datum", "a stated CRS",
            "Taken as WGS 84, as handsets give it; say another with --crs.",
        )  # fmt: skip
        return CRS.from_epsg(crs_of.WGS84)
    if asked is None:
        book.stop(file, "CRS", "none: a CSV cannot say", "a stated CRS", crs_of.ASK)
    return asked


def _strung(
    file: str,
    role: str,
    wanted: str,
    columns: dict[str, list[object]],
    rows: NDArray[np.int64],
    at: NDArray[np.float64],
    chosen: Mapping[str, str],
    crs: CRS | None,
    book: Book,
) -> Features | None:
    """String points to lines or rings: those with one id, in order."""
    ids = chosen.get("id") or words.find(columns, words.LINE_ID)
    if ids is None and wanted == LINE:
        book.stop(
            file, "row 1", f"columns {plain(', '.join(columns), 200)}",
            "a column that says which line each point belongs to, such as line_id",
            f"Say which: --columns {role}:id=NAME",
        )  # fmt: skip
        return None
    keys = [str(v).strip() for v in columns[ids]] if ids else ["1"] * len(rows)
    order = words.find([c for c in columns if c != ids], words.ORDER)
    ranks = [as_number(v) for v in columns[order]] if order else [None] * len(rows)
    sortable = all(r is not None for r in ranks)
    groups: dict[str, list[int]] = {}
    for i, key in enumerate(keys):
        groups.setdefault(key, []).append(i)
    shapes, firsts, alone = [], [], []
    for members in groups.values():
        if sortable:
            members.sort(key=lambda i: ranks[i] or 0.0)
        if len(members) < (2 if wanted == LINE else 3):
            alone.append(int(rows[members[0]]))
            continue
        line = at[members]
        shapes.append(shapely.linestrings(line) if wanted == LINE else shapely.polygons(line))
        firsts.append(members[0])
    if alone:
        book.stop(
            file, rows_said(alone), "too few points of one id",
            "2 points or more a line" if wanted == LINE else "3 points or more a polygon",
            "Add the missing points, or delete the rows.",
        )  # fmt: skip
    held = {n: [v[i] for i in firsts] for n, v in columns.items()}
    return Features(file, rows[firsts], np.array(shapes, dtype=object), held, crs)

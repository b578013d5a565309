"""Reading lines, polygons and points from GeoPackage, Shapefile, GeoJSON, KML, KMZ and GPX."""

from __future__ import annotations

import warnings
import zipfile
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from xml.parsers import expat

import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import CRSError, DataLayerError, DataSourceError, FieldError
from pyproj import CRS

from peatwright.site import crs as crs_of
from peatwright.site.fault_book import Book, count_said, head_of, plain, rows_said
from peatwright.site.features import ANY, TYPES, Features
from peatwright.site.figures import FILE_BYTES_MAX, ROWS_MAX, UNPACKED_BYTES_MAX, number
from peatwright.site.words import LAYER_WORDS

KNOWN = "GeoPackage, Shapefile, GeoJSON, KML, GPX or CSV"
DRIVER_OF = {
    ".gpkg": ("GPKG",), ".shp": ("ESRI Shapefile",), ".geojson": ("GeoJSON", "GeoJSONSeq"),
    ".json": ("GeoJSON", "GeoJSONSeq"), ".kml": ("KML", "LIBKML"), ".kmz": ("KML", "LIBKML"),
    ".gpx": ("GPX",),
}  # fmt: skip
READ_ERRORS = (
    DataSourceError, DataLayerError, FieldError, CRSError, OSError, ValueError, RuntimeError,
    OverflowError, shapely.errors.GEOSException,
)  # fmt: skip
GPX_LAYERS = {"points": ("waypoints",), "lines": ("routes", "tracks")}
GEOMETRY_OF = {
    "Point": 0, "LineString": 1, "LinearRing": 2, "Polygon": 3, "MultiPoint": 4,
    "MultiLineString": 5, "MultiPolygon": 6, "GeometryCollection": 7, "Unknown": -1,
}  # fmt: skip


class _Entities(Exception):  # noqa: N818 - a signal of ours, not an error of the user's
    """An XML file declares a document type, which ours never need and bombs always have."""


class _Root(Exception):  # noqa: N818
    """The first element of an XML file has been met."""


def read(
    path: Path, file: str, role: str, wanted: str, asked: CRS | None, book: Book
) -> Features | None:
    """Return the rows of one file, noting every reason why they cannot be read."""
    ending = path.suffix.lower()
    source = _source(path, file, ending, book)
    if source is None:
        return None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return _read(source, file, ending, role, wanted, asked, book)
    except UnicodeDecodeError:
        book.stop(file, "", "text in an unknown encoding", "UTF-8 text",
                  "Save the file again as UTF-8, or as GeoPackage.")  # fmt: skip
    except READ_ERRORS as error:
        said = plain(str(error), 160).replace(str(path), path.name)
        book.stop(file, "", f"a file that cannot be read ({said})", f"a whole {KNOWN} file",
                  "Copy it again from its source, or export it anew.")  # fmt: skip
    return None


def _source(path: Path, file: str, ending: str, book: Book) -> Path | bytes | None:
    """Return what to hand to GDAL, after looks at size, kind and tricks."""
    try:
        size = path.stat().st_size
        head = head_of(path) if path.is_file() else b""
    except OSError as error:
        book.stop(file, "", error.strerror or "no such file", "a file", "Check the path.")
        return None
    if path.is_dir():
        book.stop(file, "", "a folder", f"a {KNOWN} file", "Name the file inside it.")
    elif size == 0:
        book.stop(file, "", "an empty file", "a file with content", "Copy it again.")
    elif size > number(FILE_BYTES_MAX):
        most = f"up to {number(FILE_BYTES_MAX) / 1e6:,.0f} MB"
        book.stop(file, "", f"{size / 1e6:,.0f} MB", most, "Clip it to the site first.")
    elif ending not in DRIVER_OF:
        book.stop(file, "", f"a file ending in {ending or 'nothing'}", KNOWN,
                  "Export it as GeoPackage from a GIS.")  # fmt: skip
    elif not _looks_right(path, head, ending):
        found = f"content that is not {ending[1:].upper()}, or not all of it"
        book.stop(file, "", found, f"a {KNOWN} file",
                  "Export it anew; a file is not changed by changing its name.")  # fmt: skip
    elif ending == ".kmz":
        return _unzipped(path, file, book)
    elif ending in {".kml", ".gpx"}:
        return path if _plain_xml(path.read_bytes(), file, ending, book) else None
    elif (
        ending == ".shp"
        and not path.with_suffix(".shx").exists()
        and not path.with_suffix(".SHX").exists()
    ):
        book.stop(file, "", "no .shx file beside it", "a .shp with its .shx, .dbf and .prj",
                  "Copy all files of the shapefile together.")  # fmt: skip
    else:
        return path
    return None


def _looks_right(path: Path, head: bytes, ending: str) -> bool:
    if ending == ".gpkg":
        return head.startswith(b"SQLite format 3\0")
    if ending == ".shp":
        # The header says the length of the whole, in words of two bytes.
        whole = 2 * int.from_bytes(head[24:28], "big")
        return head.startswith(b"\x00\x00\x27\x0a") and path.stat().st_size >= whole
    if ending == ".kmz":
        return zipfile.is_zipfile(path)
    if ending in {".geojson", ".json"}:
        return head.lstrip(b"\xef\xbb\xbf\x1e \t\r\n")[:1] in {b"{", b""}
    return True


def _plain_xml(content: bytes, file: str, ending: str, book: Book) -> bool:
    """Say if XML starts with the right element and declares no document type or entity."""
    root = ""
    parser = expat.ParserCreate()

    def doctype(*_: object) -> None:
        raise _Entities

    def start(name: str, _: object) -> None:
        nonlocal root
        root = name.rpartition(":")[2].lower()
        raise _Root

    parser.StartDoctypeDeclHandler = doctype
    parser.EntityDeclHandler = doctype
    parser.StartElementHandler = start
    try:
        parser.Parse(content, True)
    except _Root:
        pass
    except _Entities:
        book.stop(file, "its head", "a document type with entities", f"plain {ending[1:].upper()}",
                  "Do not use this file if its origin is unknown; export it anew.")  # fmt: skip
        return False
    except expat.ExpatError as error:
        book.stop(file, f"line {error.lineno}", f"broken XML ({expat.ErrorString(error.code)})",
                  f"a whole {ending[1:].upper()}", "Copy it again, or export it anew.")  # fmt: skip
        return False
    if root not in {"kml", "gpx", "document", "placemark", "folder"}:
        book.stop(file, "", f"XML that starts with <{plain(root, 40)}>", ending[1:].upper(),
                  "Export it anew as KML or GPX.")  # fmt: skip
        return False
    return True


def _unzipped(path: Path, file: str, book: Book) -> bytes | None:
    """Return the KML inside a KMZ, held to a size before and while it is unpacked."""
    most = int(number(UNPACKED_BYTES_MAX))
    try:
        with zipfile.ZipFile(path) as held:
            inside = [i for i in held.infolist() if i.filename.lower().endswith(".kml")]
            if not inside:
                book.stop(file, "", "no KML inside", "a KMZ with a KML", "Export it anew as KML.")
                return None
            inside.sort(key=lambda i: (i.filename.lower() != "doc.kml", i.filename))
            # A zip may lie about the size of what it holds, so that it is watched too.
            content = b" " * (most + 1) if inside[0].file_size > most else b""
            if not content:
                with held.open(inside[0]) as member:
                    content = member.read(most + 1)
    except (zipfile.BadZipFile, zlib.error, OSError, ValueError, RuntimeError, EOFError) as error:
        book.stop(
            file, "", f"a broken zip ({plain(str(error), 80)})", "a whole KMZ", "Copy it again."
        )
        return None
    if len(content) > most:
        book.stop(file, "", f"content of more than {most / 1e6:,.0f} MB once unpacked",
                  f"up to {most / 1e6:,.0f} MB", "Give the drawn shapes alone.")  # fmt: skip
        return None
    return content if _plain_xml(content, file, ".kml", book) else None


def _layers(
    source: Path | bytes, file: str, ending: str, role: str, wanted: str, book: Book
) -> list[str]:
    """Return the layers to read: those that can hold the wanted shapes, one where names decide."""
    layers = [(str(n), g) for n, g in pyogrio.list_layers(source)]
    if ending == ".gpx":
        names = [n for k, group in GPX_LAYERS.items() if wanted in {k, ANY} for n in group]
        return [
            n for n, _ in layers
            if n in names
            and pyogrio.read_info(source, layer=n, force_feature_count=True)["features"]
        ]  # fmt: skip
    fit = [
        n
        for n, geometry in layers
        if geometry is not None
        and (_code(geometry) < 0 or _code(geometry) in TYPES[wanted] or _code(geometry) == 7)
    ]
    if ending in {".kml", ".kmz"} or len(fit) <= 1:
        # With none that fits, all are read, so that what they hold can be named.
        return fit or [n for n, geometry in layers if geometry is not None]
    for word in LAYER_WORDS[role]:
        hit = [n for n in fit if word in n.lower()]
        if len(hit) == 1:
            return hit
    book.stop(
        file, "layers", f"{len(fit)} layers with {wanted}: {', '.join(fit)}", "one such layer",
        "Save the one that is meant into a file of its own.",
    )  # fmt: skip
    return []


def _code(geometry: str) -> int:
    return GEOMETRY_OF.get(geometry.split(" ", maxsplit=1)[0].removeprefix("2.5D "), -1)


def _read(
    source: Path | bytes,
    file: str,
    ending: str,
    role: str,
    wanted: str,
    asked: CRS | None,
    book: Book,
) -> Features | None:
    before = len(book.faults)
    names = _layers(source, file, ending, role, wanted, book)
    found: list[Features] = []
    for name in names:
        info = pyogrio.read_info(source, layer=name, force_feature_count=True)
        if info.get("driver") and info["driver"] not in DRIVER_OF[ending]:
            book.stop(file, "", f"content of the kind {info['driver']}", ending[1:].upper(),
                      f"Export it anew as {KNOWN}.")  # fmt: skip
            return None
        if info["features"] > number(ROWS_MAX):
            book.stop(file, f"layer {name}", count_said(info["features"], "row"),
                      f"up to {number(ROWS_MAX):,.0f}", "Clip it to the site first.")  # fmt: skip
            return None
        layer = _read_layer(source, name, file, wanted, sum(len(f.rows) for f in found), book)
        if layer is not None:
            found.append(layer)
    if not any(len(f.rows) for f in found):
        if len(book.faults) == before:
            book.stop(file, "", f"no {'rows' if wanted == ANY else wanted}",
                      "at least one" if wanted == ANY else wanted,
                      "Check that this is the right file and layer.")  # fmt: skip
        return None
    held = _joined(found)
    crs = _crs(held, ending, source, asked, file, book)
    return Features(file, held.rows, held.shapes, held.columns, crs)


def _read_layer(
    source: Path | bytes, name: str, file: str, wanted: str, above: int, book: Book
) -> Features | None:
    try:
        meta, _, wkb, values = pyogrio.raw.read(source, layer=name, force_2d=True)
    except UnicodeDecodeError:
        # Old shapefiles are often in the Windows code page and do not say so.
        meta, _, wkb, values = pyogrio.raw.read(
            source, layer=name, force_2d=True, encoding="cp1252"
        )
    if wkb is None:
        if wanted:
            book.stop(file, f"layer {name}", "a table without shapes", wanted,
                      "Give a file that holds places, or a CSV.")  # fmt: skip
        return None
    shapes = np.array(shapely.from_wkb(wkb, on_invalid="ignore"), dtype=object).reshape(-1)
    rows = np.arange(above + 1, above + 1 + len(shapes), dtype=np.int64)
    broken = np.array([w is not None for w in wkb], np.bool_) & (shapely.get_type_id(shapes) < 0)
    if broken.any():
        book.stop(
            file, rows_said(rows[broken].tolist()),
            "a shape that cannot be: a polygon that is not closed, or a line of one point",
            "closed polygons, lines of two points or more", "Draw it again, or delete the row.",
        )  # fmt: skip
        shapes, rows = shapes[~broken], rows[~broken]
    columns = {
        str(field): [_cell(v) for v in np.asarray(held, dtype=object)[~broken]]
        for field, held in zip(meta["fields"], values, strict=True)
    }
    crs = crs_of.parsed(meta["crs"]) if meta["crs"] else None
    return Features(file, rows, shapes, columns, crs)


def _cell(value: Any) -> Any:
    unknown = value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value))
    return None if unknown else value


def _joined(found: Sequence[Features]) -> Features:
    names = dict.fromkeys(n for f in found for n in f.columns)
    columns = {n: [v for f in found for v in f.columns.get(n, [None] * len(f.rows))] for n in names}
    return Features(
        found[0].file, np.concatenate([f.rows for f in found]),
        np.concatenate([f.shapes for f in found]), columns, found[0].crs,
    )  # fmt: skip


def _crs(
    held: Features, ending: str, source: Path | bytes, asked: CRS | None, file: str, book: Book
) -> CRS | None:
    """Return the CRS of a file, the user's answer where it has none, or note that it is needed."""
    crs = held.crs
    if crs is not None and crs.is_geographic and len(held.rows):
        bounds = shapely.total_bounds(held.shapes)
        if np.isfinite(bounds).all() and (
            np.abs(bounds[[0, 2]]).max() > 360 or np.abs(bounds[[1, 3]]).max() > 90.001
        ):
            # GeoJSON without a `crs` member is in degrees by RFC 7946; many are not.
            silent_file = ending in {".geojson", ".json"} and not _names_crs(source)
            if silent_file and asked is not None and not asked.is_geographic:
                return asked
            book.stop(
                file, "CRS",
                f"{'no CRS, and ' if silent_file else crs_of.named(crs) + ', but '}coordinates "
                f"such as {bounds[0]:.1f}, {bounds[1]:.1f} that are no degrees",
                "a stated CRS that fits the coordinates", crs_of.ASK,
            )  # fmt: skip
            return None
    if crs is None:
        crs = asked
        if crs is None:
            book.stop(file, "CRS", "none", "a stated CRS", crs_of.ASK)
    return crs


def _names_crs(source: Path | bytes) -> bool:
    head = source[:65536] if isinstance(source, bytes) else head_of(source, 65536)
    return b'"crs"' in head

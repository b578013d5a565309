"""KML 2.2 (OGC 07-147r2) and the same zipped as KMZ, for globes and phones."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as Et

import numpy as np
import pandas as pd
import shapely

from peatwright.packs.exchange.shapes import DECIMALS, Works, in_wgs84
from peatwright.packs.info import PackInfo
from peatwright.packs.version import Issue
from peatwright.packs.wording import number, plain
from peatwright.packs.words import Words

NAMESPACE = "http://www.opengis.net/kml/2.2"
STYLES = {
    # name: line colour as aabbggrr, line width, fill
    "dam": ("ff8f5815", 3, ""), "zip": ("ff1b75c7", 3, ""), "drain": ("ffffffff", 1.5, ""),
    "limit": ("ff2b39b0", 2, "402b39b0"),
}  # fmt: skip
ZIP_DAY = (1980, 1, 1, 0, 0, 0)


def kml_bytes(
    works: Works, tables: Mapping[str, pd.DataFrame], crs: str, info: PackInfo, issue: Issue,
    w: Words,
) -> bytes:  # fmt: skip
    """Return one document with folders for dams, other works, drains and limits."""
    root = Et.Element("kml", xmlns=NAMESPACE)
    document = Et.SubElement(root, "Document")
    _text(document, "name", plain(info.title, 120))
    _text(
        document,
        "description",
        plain(
            f"{w('common.pack', number=issue.number)}, {w('common.layout_code', code=issue.code)}, "
            f"{w.date(issue.date)}. {w('common.screening')} {info.attribution}"
        ),
    )
    for name, (colour, width, fill) in STYLES.items():
        style = Et.SubElement(document, "Style", id=name)
        line = Et.SubElement(style, "LineStyle")
        _text(line, "color", colour)
        _text(line, "width", f"{width:g}")
        if fill:
            _text(Et.SubElement(style, "PolyStyle"), "color", fill)
    dams = works.of(("dam",))
    folder = _folder(document, w("files.dams"))
    for k in dams:
        r = works.records[k]
        mark = _placemark(folder, r["name"], _told(r, w), "dam")
        point = Et.SubElement(mark, "Point")
        _text(point, "coordinates", f"{r['lon']:.{DECIMALS}f},{r['lat']:.{DECIMALS}f}")
    folder = _folder(document, w("files.runs"))
    for k in works.of(("zip", "reprofile", "spoil gap", "spoil break")):
        r = works.records[k]
        _line(_placemark(folder, r["name"], _told(r, w), "zip"), works.lonlat[k])
    drains = tables["drains"]
    folder = _folder(document, w("files.drains"))
    for name, title, shape in zip(
        drains["drain_id"], drains["name"], in_wgs84(drains.geometry.to_numpy(), crs), strict=True
    ):
        _line(_placemark(folder, plain(name, 40), plain(title, 200), "drain"), shape)
    limits = tables["limits"]
    folder = _folder(document, w("files.limits"))
    for kind, title, shape in zip(
        limits["kind"], limits["name"], in_wgs84(limits.geometry.to_numpy(), crs), strict=True
    ):
        mark = _placemark(folder, w.said("limits", str(kind)), plain(title, 200), "limit")
        area = Et.SubElement(mark, "Polygon")
        turned = shapely.geometry.polygon.orient(shape, 1.0)
        for tag, ring in (
            ("outerBoundaryIs", turned.exterior),
            *(("innerBoundaryIs", i) for i in turned.interiors),
        ):  # fmt: skip
            edge = Et.SubElement(Et.SubElement(area, tag), "LinearRing")
            _text(edge, "coordinates", _corners(ring.coords))
    Et.indent(root, " ")
    made: bytes = Et.tostring(root, encoding="utf-8", xml_declaration=True)
    return made


def write_kml(path: Path, made: bytes) -> list[Path]:
    """Write the document as it is and zipped, beside each other."""
    path.write_bytes(made)
    zipped = path.with_suffix(".kmz")
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(zipfile.ZipInfo("doc.kml", ZIP_DAY), made, zipfile.ZIP_DEFLATED)
    zipped.write_bytes(held.getvalue())
    return [path, zipped]


def _told(r: Mapping[str, Any], w: Words) -> str:
    parts = [
        w.said("methods", str(r["method"])),
        f"{r['drain']}, {number(r['chainage_m'], 1, 'm')}",
    ]
    if np.isfinite(r["buckets"]):
        parts.append(w.count(r["buckets"], "bucket"))
    if r["outlet"]:
        parts.append(f"{w('label.outlet')} {w.said('sides', str(r['outlet']))} "
                     f"{w.compass(r['bearing'])}")  # fmt: skip
    if r["note"]:
        parts.append(str(r["note"]))
    return plain(". ".join(parts), 400)


def _text(parent: Et.Element, tag: str, text: str) -> None:
    Et.SubElement(parent, tag).text = text


def _folder(document: Et.Element, name: str) -> Et.Element:
    folder = Et.SubElement(document, "Folder")
    _text(folder, "name", name)
    return folder


def _placemark(folder: Et.Element, name: str, told: str, style: str) -> Et.Element:
    mark = Et.SubElement(folder, "Placemark")
    _text(mark, "name", name)
    if told:
        _text(mark, "description", told)
    _text(mark, "styleUrl", f"#{style}")
    return mark


def _corners(at: Iterable[Any]) -> str:
    return " ".join(f"{x:.{DECIMALS}f},{y:.{DECIMALS}f}" for x, y, *_ in at)


def _line(mark: Et.Element, shape: shapely.LineString) -> None:
    line = Et.SubElement(mark, "LineString")
    _text(line, "tessellate", "1")
    _text(line, "coordinates", _corners(shape.coords))

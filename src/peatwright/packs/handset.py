"""Dams and drains for a handset, as GPX 1.1 (TopoGrafix)."""

from __future__ import annotations

from collections.abc import Hashable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as Et

import numpy as np
import pandas as pd
import shapely

from peatwright.packs.coordinates import to_wgs84
from peatwright.packs.info import PackInfo
from peatwright.packs.wording import SCREENING, number, plain

NAMESPACE = "http://www.topografix.com/GPX/1/1"
LONGEST_NAME = 10
"""Letters of a waypoint's name that small screens show (common practice)."""
DECIMALS = 8
"""Decimals of a degree: about a millimetre."""


def write_dams(path: Path, items: pd.DataFrame, crs: str, info: PackInfo) -> str:
    """Write one waypoint for each dam and return the sentence on the transformation.

    The name is short, the comment gives method, buckets and the side on which the pool spills;
    the description gives the sizes and why. Levels keep the site's vertical datum.
    """
    dams = items[items["kind"] == "dam"]
    lon, lat, said = to_wgs84(dams["x_m"].to_numpy(), dams["y_m"].to_numpy(), crs)
    root = _root(info, f"{info.title}: dams", said, lon, lat)
    for row, name, east, north in zip(
        dams.to_dict("records"), short_names(dams["item_id"].tolist()), lon, lat, strict=True
    ):
        point = Et.SubElement(root, "wpt", lat=f"{north:.{DECIMALS}f}", lon=f"{east:.{DECIMALS}f}")
        if np.isfinite(row["crest_level_m"]):
            Et.SubElement(point, "ele").text = f"{row['crest_level_m']:.2f}"
        Et.SubElement(point, "name").text = name
        Et.SubElement(point, "cmt").text = _comment(row)
        Et.SubElement(point, "desc").text = _description(row)
        Et.SubElement(point, "type").text = plain(row["method"])
    _save(root, path)
    return said


def write_drains(path: Path, drains: pd.DataFrame, crs: str, info: PackInfo) -> str:
    """Write one track for each drain, from head to outfall; return as `write_dams` does."""
    corners, owner = shapely.get_coordinates(drains.geometry.to_numpy(), return_index=True)
    lon, lat, said = to_wgs84(corners[:, 0], corners[:, 1], crs)
    root = _root(info, f"{info.title}: drains", said, lon, lat)
    for k, row in enumerate(drains.drop(columns="geometry").to_dict("records")):
        track = Et.SubElement(root, "trk")
        Et.SubElement(track, "name").text = plain(row["drain_id"])
        if row["name"]:
            Et.SubElement(track, "cmt").text = plain(row["name"], 60)
        Et.SubElement(track, "desc").text = (
            f"{number(row['length_m'], 0, 'm')} from head to outfall, "
            f"depth {number(row['depth_m'], 2, 'm')}, width {number(row['top_width_m'], 1, 'm')}"
        )
        stretch = Et.SubElement(track, "trkseg")
        for at in np.flatnonzero(owner == k):
            Et.SubElement(
                stretch, "trkpt", lat=f"{lat[at]:.{DECIMALS}f}", lon=f"{lon[at]:.{DECIMALS}f}"
            )
    _save(root, path)
    return said


def short_names(ids: list[str]) -> list[str]:
    """Return a name of at most `LONGEST_NAME` plain letters for each id, no two alike."""
    names: list[str] = []
    taken: set[str] = set()
    for k, given in enumerate(ids, start=1):
        name = "".join(c for c in given if c.isascii() and (c.isalnum() or c == "-"))
        if not name or len(name) > LONGEST_NAME or name in taken:
            name = f"DAM{k:05d}"
        taken.add(name)
        names.append(name)
    return names


def _comment(row: dict[Hashable, Any]) -> str:
    parts = [str(row["method"])]
    if np.isfinite(float(row["buckets"])):
        parts.append(f"{number(float(row['buckets']))} buckets")
    side = row["outlet_side"]
    bearing = float(row["outlet_bearing_deg"])
    pointing = f" ({bearing:03.0f}°)" if side and np.isfinite(bearing) else ""
    parts.append(f"outlet {side}{pointing}" if side else "no outlet found: look")
    return plain(", ".join(parts))


def _description(row: dict[Hashable, Any]) -> str:
    def metres(name: str, digits: int = 2) -> str:
        return number(float(row[name]), digits, "m")

    pool = f"pool {metres('pool_level_m')}, {metres('pool_length_m', 0)} long"
    text = (
        f"Drain {row['drain_id']} at {metres('chainage_m', 0)}. Width {metres('width_m', 1)}, "
        f"height {metres('height_m')}, dig {metres('dig_depth_m')}, "
        f"crest {metres('crest_level_m')}, {pool}. Why: {str(row['why']).rstrip('.')}"
    )
    if row["note"]:
        text += f". Look: {row['note']}"
    return plain(text, 600)


def _root(info: PackInfo, name: str, said: str, lon: np.ndarray, lat: np.ndarray) -> Et.Element:
    root = Et.Element("gpx", xmlns=NAMESPACE, version="1.1", creator=f"peatwright {info.version}")
    about = Et.SubElement(root, "metadata")
    Et.SubElement(about, "name").text = plain(name)
    Et.SubElement(about, "desc").text = plain(
        f"{said} A handset alone is good to some metres: find the dam by its drain. {SCREENING} "
        f"{info.attribution} {info.origin}."
    )
    if len(lon):
        Et.SubElement(
            about, "bounds",
            minlat=f"{lat.min():.{DECIMALS}f}", minlon=f"{lon.min():.{DECIMALS}f}",
            maxlat=f"{lat.max():.{DECIMALS}f}", maxlon=f"{lon.max():.{DECIMALS}f}",
        )  # fmt: skip
    return root


def _save(root: Et.Element, path: Path) -> None:
    Et.indent(root, " ")
    Et.ElementTree(root).write(path, encoding="utf-8", xml_declaration=True)

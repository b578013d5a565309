"""Points with every coordinate they are known by, as CSV."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

from peatwright.packs.exchange.shapes import DECIMALS, Works
from peatwright.packs.schedule import guarded

COLUMNS = (
    # key, heading, decimals; None for text
    ("name", "Name", None), ("item_id", "Item", None), ("drain", "Drain", None),
    ("kind", "Kind", None), ("method", "Method", None), ("order", "Order on drain", 0),
    ("chainage_m", "Chainage [m]", 1), ("east_m", "Easting [m]", 3),
    ("north_m", "Northing [m]", 3), ("grid_ref", "National grid", None),
    ("lat", "Latitude WGS 84 [°]", DECIMALS), ("lon", "Longitude WGS 84 [°]", DECIMALS),
    ("bed_m", "Bed level [m]", 2), ("crest_m", "Crest level [m]", 2),
    ("above_m", "Crest above ground [m]", 2), ("buckets", "Buckets", 0),
    ("width_m", "Width [m]", 1), ("dig_m", "Dig [m]", 2), ("length_m", "Length [m]", 1),
    ("outlet", "Outlet side", None), ("bearing", "Outlet bearing [°]", 0),
    ("out_m", "Outlet level [m]", 2), ("gap_m", "Lower spoil [m]", 2), ("note", "Note", None),
)  # fmt: skip


def write_points(path: Path, works: Works) -> None:
    """Write one row an item: site CRS, WGS 84 and national grid; UTF-8 with its mark, CRLF."""
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow([head for _, head, _ in COLUMNS])
        for record in works.records:
            writer.writerow([_cell(record[key], digits) for key, _, digits in COLUMNS])


def _cell(value: Any, digits: int | None) -> str:
    if digits is None:
        return guarded(str(value))
    return "" if value != value else f"{value:.{digits}f}"  # noqa: PLR0124 - NaN

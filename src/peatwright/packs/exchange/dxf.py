"""DXF for machine guidance and drawing programs: layers, points and lines with levels."""

from __future__ import annotations

import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely
from ezdxf._options import options
from ezdxf.filemanagement import new
from numpy.typing import NDArray

from peatwright.packs.exchange.shapes import Works

LAYERS = {
    # name: colour of the AutoCAD colour index, which the format itself defines
    "DRAIN_BED": 5, "DRAIN_PLAN": 8, "DAM_CREST": 1, "DAM_POINT": 1, "DAM_NAME": 7, "OUTLET": 4,
    "ZIP": 30, "REPROFILE": 6, "SPOIL_GAP": 2, "LIMIT": 240,
}  # fmt: skip
METRES = 6
"""Code of metres in $INSUNITS."""
TEXT_M = 0.8
RUN_LAYERS = {"zip": "ZIP", "reprofile": "REPROFILE", "spoil gap": "SPOIL_GAP",
              "spoil break": "SPOIL_GAP"}  # fmt: skip


def write_dxf(path: Path, works: Works, tables: Mapping[str, pd.DataFrame]) -> None:
    """Write drains and works in the site's CRS, in metres, with the levels that are known.

    Points and lines carry levels where the layout has them; a run without levels is written flat
    at 0 on the same layer with `_FLAT` after its name, so that no machine digs to a level that
    nobody measured.
    """
    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True  # the same layout, the same bytes
    try:
        doc = new("R2010", setup=False)
        doc.header["$INSUNITS"] = METRES
        doc.header["$MEASUREMENT"] = 1
        for name, colour in LAYERS.items():
            doc.layers.add(name, color=colour)
        space = doc.modelspace()
        beds = _draw_drains(space, tables)
        _draw_works(doc, space, works, beds)
        _draw_outlets(space, tables["items"])
        for shape in tables["limits"].geometry:
            for ring in (shape.exterior, *shape.interiors):
                at = shapely.get_coordinates(ring)
                space.add_lwpolyline(at.tolist(), close=True, dxfattribs={"layer": "LIMIT"})
        held = io.StringIO()
        doc.write(held)
        path.write_text(held.getvalue(), encoding="utf-8", newline="\r\n")
    finally:
        options.write_fixed_meta_data_for_testing = before


def _flat(doc: Any, layer: str) -> str:
    name = f"{layer}_FLAT"
    if name not in doc.layers:
        doc.layers.add(name, color=LAYERS[layer])
    return name


def _draw_drains(space: Any, tables: Mapping[str, pd.DataFrame]) -> dict[str, NDArray[np.float64]]:
    """Draw drains and return chainage, x, y and bed level of each one's stations."""
    stations = tables["stations"]
    beds: dict[str, NDArray[np.float64]] = {}
    if len(stations):
        flat = shapely.get_coordinates(stations.geometry.to_numpy())
        held = np.column_stack([
            stations["chainage_m"].to_numpy(np.float64), flat,
            stations["bed_level_m"].to_numpy(np.float64),
        ])  # fmt: skip
        for name, rows in stations.groupby("drain_id", sort=False).indices.items():
            beds[str(name)] = held[rows]
    for name, shape in zip(tables["drains"]["drain_id"], tables["drains"].geometry, strict=True):
        at = shapely.get_coordinates(shape)
        space.add_lwpolyline(at.tolist(), dxfattribs={"layer": "DRAIN_PLAN"})
        space.add_text(str(name), height=2 * TEXT_M, dxfattribs={
            "layer": "DAM_NAME", "insert": (float(at[0, 0]), float(at[0, 1]), 0.0)})  # fmt: skip
        for part in _known_parts(beds.get(str(name), np.empty((0, 4)))):
            space.add_polyline3d(part[:, 1:].tolist(), dxfattribs={"layer": "DRAIN_BED"})
    return beds


def _known_parts(held: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    known = np.isfinite(held[:, 3]) if len(held) else np.zeros(0, bool)
    edge = np.flatnonzero(np.diff(np.r_[False, known, False].astype(np.int8)))
    return [held[a:b] for a, b in zip(edge[::2], edge[1::2], strict=True) if b - a > 1]


def _draw_works(
    doc: Any, space: Any, works: Works, beds: Mapping[str, NDArray[np.float64]]
) -> None:
    for r, shape in zip(works.records, works.shapes, strict=True):
        at = shapely.get_coordinates(shape)
        if r["kind"] == "dam":
            level = float(r["crest_m"])
            known = bool(np.isfinite(level))
            z = level if known else 0.0
            crest = "DAM_CREST" if known else _flat(doc, "DAM_CREST")
            point = "DAM_POINT" if known else _flat(doc, "DAM_POINT")
            line = [(float(x), float(y), z) for x, y in at]
            space.add_polyline3d(line, dxfattribs={"layer": crest})
            here = (float(r["east_m"]), float(r["north_m"]), z)
            space.add_point(here, dxfattribs={"layer": point})
            space.add_text(
                r["name"], height=TEXT_M, dxfattribs={"layer": "DAM_NAME", "insert": here}
            )
            continue
        layer = RUN_LAYERS[str(r["kind"])]
        bed = beds.get(str(r["drain"]), np.empty((0, 4)))
        inside = (bed[:, 0] >= r["from_m"]) & (bed[:, 0] <= r["to_m"]) if len(bed) else []
        run = bed[inside] if len(bed) else bed
        along = r["kind"] in {"zip", "reprofile"}
        if along and len(run) > 1 and np.isfinite(run[:, 3]).all():
            space.add_polyline3d(run[:, 1:].tolist(), dxfattribs={"layer": layer})
        else:
            space.add_lwpolyline(at.tolist(), dxfattribs={"layer": _flat(doc, layer)})


def _rows(table: pd.DataFrame) -> list[Any]:
    return list(table.itertuples())


def _draw_outlets(space: Any, items: pd.DataFrame) -> None:
    """Draw the outlet of each dam as a point at its sill, with a line from the dam."""
    for r in _rows(items[items["kind"] == "dam"].drop(columns="geometry")):
        z, x, y = float(r.outlet_level_m), float(r.outlet_x_m), float(r.outlet_y_m)
        if np.isfinite([x, y, z]).all():
            space.add_point((x, y, z), dxfattribs={"layer": "OUTLET"})
            start = (float(r.x_m), float(r.y_m), z)
            space.add_line(start, (x, y, z), dxfattribs={"layer": "OUTLET"})

"""Invented drains, nodes and stations as tables, for tests and benchmarks of laying out.

Drains run due east (bearing 90°) from x = 0, each 40 m north of the one before, so that left is
north. Every station value can be set, as a number or as an array along the drain.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from peatwright.model.layers import DRAINS, NODES, STATIONS

CRS = "EPSG:27700"
BLANK = {"float": np.nan, "text": "", "bool": True, "int": 1}


@dataclass
class Drain:
    """One drain: length, fall and what its stations hold; extra columns in `set_`."""

    length: int = 100
    gradient: float = 0.02
    depth: Any = 0.7
    width: Any = 1.2
    bottom: Any = 0.5
    sag: Any = 1.0
    sag_depth: Any = 0.1
    head_level: float = 400.0
    outfall_kind: str = "open ground"
    flows_into: str = ""
    flows_into_m: float = np.nan
    name: str = ""
    set_: dict[str, Any] = field(default_factory=dict)


def stations_of(drain: Drain, drain_id: str, y: float, step: float = 1.0) -> pd.DataFrame:
    """Stations of one drain at every `step` metres, ends included."""
    c = np.arange(0.0, drain.length + 0.5 * step, step)
    n = c.size
    data: dict[str, Any] = {
        col.name: np.full(n, BLANK[col.kind], dtype=object if col.kind == "text" else None)
        for col in STATIONS.columns
    }
    data["drain_id"] = np.full(n, drain_id, dtype=object)
    bed = drain.head_level - drain.gradient * c
    depth = np.broadcast_to(np.asarray(drain.depth, float), (n,)).copy()
    sag_depth = np.broadcast_to(np.asarray(drain.sag_depth, float), (n,))
    width = np.broadcast_to(np.asarray(drain.width, float), (n,)).copy()
    shoulder = bed + depth
    edge = shoulder + sag_depth
    data |= {
        "chainage_m": c, "bearing_deg": np.full(n, 90.0), "bed_level_m": bed,
        "airborne_bed_level_m": bed, "left_level_m": shoulder, "right_level_m": shoulder,
        "left_offset_m": 0.5 * width, "right_offset_m": 0.5 * width, "depth_m": depth,
        "airborne_depth_m": depth, "top_width_m": width, "bottom_width_m": np.full(n, drain.bottom),
        "ground_level_m": edge, "sag_left_width_m": np.full(n, drain.sag),
        "sag_right_width_m": np.full(n, drain.sag), "sag_left_depth_m": sag_depth.copy(),
        "sag_right_depth_m": sag_depth.copy(), "left_edge_level_m": edge,
        "right_edge_level_m": edge, "left_fall_m": np.full(n, -0.3),
        "right_fall_m": np.full(n, 0.3), "spoil_side": np.full(n, "none", object),
        "spoil_left_height_m": np.zeros(n), "spoil_right_height_m": np.zeros(n),
        "spoil_left_width_m": np.zeros(n), "spoil_right_width_m": np.zeros(n),
        "cross_slope_ratio": np.full(n, 0.03), "downhill_side": np.full(n, "right", object),
        "bed_gradient_ratio": np.full(n, drain.gradient), "upslope_area_m2": 50.0 * (c + 1.0),
        "peat_depth_m": np.full(n, 1.8), "peat_below_bed_m": 1.8 - depth,
        "peat_error_m": np.full(n, 0.1), "fit_rms_m": np.full(n, 0.02),
        "fit_quality_ratio": np.full(n, 0.9), "bed_error_m": np.full(n, 0.03),
    }  # fmt: skip
    for key, value in drain.set_.items():
        kind = object if isinstance(value, str) else None
        data[key] = np.full(n, value, kind) if np.ndim(value) == 0 else np.asarray(value)
    table = pd.DataFrame(data)[list(STATIONS.names)]
    return table.assign(geometry=shapely.points(c, np.full(n, y)))


def tables(
    drains: list[Drain], step: float = 1.0
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """DRAINS, NODES and STATIONS tables of invented drains named D001, D002 and so on."""
    rows, nodes, parts, lines, points = [], [], [], [], []
    for k, d in enumerate(drains):
        name = d.name or f"D{k + 1:03d}"
        y = 40.0 * k
        row = {c.name: BLANK[c.kind] for c in DRAINS.columns}
        row |= {
            "drain_id": name, "given_ids": f"lines:{k}", "head_node": f"N{k}h",
            "outfall_node": f"N{k}o", "flows_into": d.flows_into,
            "flows_into_chainage_m": d.flows_into_m, "outfall_kind": d.outfall_kind,
            "direction_from": "levels", "direction_sure_ratio": 1.0, "length_m": float(d.length),
            "unseen_m": 0.0, "unmeasured_m": 0.0,
        }  # fmt: skip
        rows.append(row)
        lines.append(shapely.linestrings([[0.0, y], [float(max(d.length, 1)), y]]))
        for end, kind, x in (("h", "head", 0.0), ("o", "outfall", float(d.length))):
            nodes.append({"node_id": f"N{k}{end}", "kind": kind, "drains": 1, "level_m": np.nan})
            points.append(shapely.points(x, y))
        parts.append(stations_of(d, name, y, step))
    made = gpd.GeoDataFrame(pd.DataFrame(rows), geometry=lines, crs=CRS)
    held = gpd.GeoDataFrame(pd.DataFrame(nodes), geometry=points, crs=CRS)
    every = gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=CRS)
    return made[[*DRAINS.names, "geometry"]], held[[*NODES.names, "geometry"]], every

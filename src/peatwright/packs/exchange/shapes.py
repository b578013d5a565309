"""Works as simple records with shapes in the site's CRS and in WGS 84, for several formats."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from peatwright.packs.coordinates import to_wgs84
from peatwright.packs.handset import short_names
from peatwright.packs.national_grid import Places
from peatwright.packs.wording import plain

DECIMALS = 8
"""Decimals of a degree: about a millimetre."""


def in_wgs84(shapes: NDArray[Any], crs: str) -> NDArray[Any]:
    """Return shapes with longitude and latitude for their corners; `shapes` stays as it is."""
    flat = shapely.get_coordinates(shapes)
    lon, lat, _ = to_wgs84(flat[:, 0], flat[:, 1], crs)
    moved: NDArray[Any] = shapely.set_coordinates(
        shapely.force_2d(shapes.copy()), np.round(np.stack([lon, lat], axis=1), DECIMALS)
    )
    return moved


@dataclass(frozen=True)
class Works:
    """All that is built: one record an item, with its place said in every way."""

    records: list[dict[str, Any]]
    shapes: NDArray[Any]
    lonlat: NDArray[Any]

    def of(self, kinds: Sequence[str]) -> list[int]:
        """Return the rows of the given kinds."""
        return [k for k, r in enumerate(self.records) if r["kind"] in kinds]


def works_of(items: pd.DataFrame, crs: str) -> Works:
    """Return the items as records whose names fit small screens and field names of ten letters."""
    places = Places(crs)
    x, y = items["x_m"].to_numpy(np.float64), items["y_m"].to_numpy(np.float64)
    lon, lat, _ = to_wgs84(x, y, crs)
    names = short_names(items["item_id"].astype(str).tolist())
    records = []
    rows = items.drop(columns="geometry").to_dict("records")
    for k, row in enumerate(rows):
        records.append({
            "name": names[k], "item_id": plain(row["item_id"], 40),
            "drain": plain(row["drain_id"], 40),
            "kind": row["kind"], "method": row["method"], "order": int(row["order_on_drain"]),
            "chainage_m": row["chainage_m"], "from_m": row["from_m"], "to_m": row["to_m"],
            "east_m": x[k], "north_m": y[k], "lon": lon[k], "lat": lat[k],
            "grid_ref": places(x[k], y[k]) if places.grid else "",
            "buckets": row["buckets"], "width_m": row["width_m"], "dig_m": row["dig_depth_m"],
            "crest_m": row["crest_level_m"], "above_m": row["crest_above_ground_m"],
            "bed_m": row["bed_level_m"], "outlet": row["outlet_side"],
            "bearing": row["outlet_bearing_deg"], "out_m": row["outlet_level_m"],
            "length_m": row["length_m"], "gap_m": row["gap_height_m"],
            "note": plain(row["note"], 200), "why": plain(row["why"], 400),
        })  # fmt: skip
    shapes = items.geometry.to_numpy()
    return Works(records, shapes, in_wgs84(shapes, crs))

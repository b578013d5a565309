"""GeoJSON (RFC 7946) and Shapefiles."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from peatwright.packs.exchange.shapes import DECIMALS, Works, in_wgs84
from peatwright.packs.wording import plain

SHAPEFILE_DAY = "2000-01-01"
"""Written as the day of change, so that the same layout gives the same bytes."""
LONGEST_TEXT = 80
"""Letters of a text in a Shapefile, whose fields hold 254 bytes."""
DRAIN_FIELDS = ("drain_id", "name", "flows_into", "outfall_kind", "length_m", "depth_m",
                "top_width_m", "note")  # fmt: skip
LIMIT_FIELDS = ("name", "kind", "distance_m", "why")
# Shapefile field names hold ten letters.
SHORT = {"flows_into": "into", "outfall_kind": "outfall", "top_width_m": "width_m",
         "distance_m": "keep_m", "drain_id": "drain_id", "chainage_m": "chain_m"}  # fmt: skip


def _clean(value: Any) -> Any:
    """Return a value that JSON holds; unknown numbers become null."""
    if isinstance(value, float | np.floating):
        return None if not np.isfinite(value) else round(float(value), DECIMALS)
    if isinstance(value, np.integer):
        return int(value)
    return plain(value) if isinstance(value, str) else value


def write_geojson(path: Path, records: list[dict[str, Any]], lonlat: Any) -> None:
    """Write features in WGS 84, longitude first, as the standard asks; rings run anticlockwise."""
    shapes = [
        shapely.Polygon(*_rings(s)) if s.geom_type == "Polygon" else s for s in lonlat.tolist()
    ]
    features = [
        {
            "type": "Feature",
            "properties": {k: _clean(v) for k, v in record.items()},
            "geometry": json.loads(shapely.to_geojson(shape)),
        }
        for record, shape in zip(records, shapes, strict=True)
    ]
    text = json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False,
                      allow_nan=False)  # fmt: skip
    path.write_text(text + "\n", encoding="utf-8")


def _rings(shape: shapely.Polygon) -> tuple[Any, list[Any]]:
    turned = shapely.geometry.polygon.orient(shape, 1.0)
    return turned.exterior, list(turned.interiors)


def records_of(table: pd.DataFrame, fields: tuple[str, ...]) -> list[dict[str, Any]]:
    """Return chosen columns of a layer as records."""
    return [dict(zip(fields, row, strict=True)) for row in table[list(fields)].to_numpy(object)]


def write_all_geojson(folder: Path, works: Works, tables: Mapping[str, pd.DataFrame], crs: str
                      ) -> list[Path]:  # fmt: skip
    """Write items, drains and limits as GeoJSON."""
    made = [folder / n for n in ("items.geojson", "drains.geojson", "limits.geojson")]
    write_geojson(made[0], works.records, works.lonlat)
    for path, name, fields in (
        (made[1], "drains", DRAIN_FIELDS), (made[2], "limits", LIMIT_FIELDS),
    ):  # fmt: skip
        table = tables[name]
        write_geojson(path, records_of(table, fields), in_wgs84(table.geometry.to_numpy(), crs))
    return made


def write_shapefiles(folder: Path, works: Works, tables: Mapping[str, pd.DataFrame], crs: str
                     ) -> list[Path]:  # fmt: skip
    """Write dams as points, other works and drains as lines, limits as areas, in the site's CRS."""
    dams = works.of(("dam",))
    others = works.of(("zip", "reprofile", "spoil gap", "spoil break"))
    points = np.array(
        [shapely.Point(works.records[k]["east_m"], works.records[k]["north_m"]) for k in dams],
        dtype=object,
    )
    drains, limits = tables["drains"], tables["limits"]
    return [
        _shapefile(folder / "dams.shp", [works.records[k] for k in dams], points, "Point", crs),
        _shapefile(folder / "runs.shp", [works.records[k] for k in others], works.shapes[others],
                   "LineString", crs),
        _shapefile(folder / "drains.shp", records_of(drains, DRAIN_FIELDS),
                   drains.geometry.to_numpy(), "LineString", crs),
        _shapefile(folder / "limits.shp", records_of(limits, LIMIT_FIELDS),
                   limits.geometry.to_numpy(), "Polygon", crs),
    ]  # fmt: skip


def _shapefile(path: Path, records: list[dict[str, Any]], shapes: Any, kind: str, crs: str) -> Path:
    names = list(records[0]) if records else ["name"]
    cut = [
        {SHORT.get(k, k)[:10]: plain(v, LONGEST_TEXT) if isinstance(v, str) else v
         for k, v in record.items()}
        for record in records
    ]  # fmt: skip
    table = pd.DataFrame(cut, columns=[SHORT.get(n, n)[:10] for n in names])
    if not records:
        table = table.astype("str")
    frame = gpd.GeoDataFrame(table, geometry=gpd.GeoSeries(list(shapes), crs=crs), crs=crs)
    options = {"ENCODING": "UTF-8", "DBF_DATE_LAST_UPDATE": SHAPEFILE_DAY}
    pyogrio.write_dataframe(
        frame, path, driver="ESRI Shapefile", geometry_type=kind, layer_options=options
    )
    return path

"""What somebody walked and mapped on the invented bog: condition, bare peat, a closed area."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from shapely.ops import split

from peatwright.demo.carve import Channel
from peatwright.demo.figures import CRS
from peatwright.demo.ground import Frame

HEAD_M = 60.0
"""Length of a gully from its head whose sides are bare."""


def condition(frame: Frame, boundary: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the site in three tracts, cut along lines that a walker would follow."""
    site = boundary.geometry.iloc[0]
    u = np.linspace(-0.1, 1.1, 25)
    upper = frame.xy(u, 0.64 + 0.05 * np.sin(7.0 * u))
    lower = frame.xy(u, 0.26 + 0.03 * np.sin(9.0 * u + 1.0))
    pieces = split(site, shapely.LineString(upper)).geoms
    parts = [p for piece in pieces for p in
             split(piece, shapely.LineString(lower)).geoms]  # fmt: skip
    parts.sort(key=lambda p: -p.centroid.y)
    names = ["near-natural", "modified", "near-natural"]
    if len(parts) != len(names):
        parts, names = [site], ["modified"]
    return gpd.GeoDataFrame({"category": names}, geometry=parts, crs=CRS)


def bare_peat(channels: list[Channel], boundary: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return bare peat around the heads of gullies."""
    site = boundary.geometry.iloc[0]
    heads = [
        shapely.LineString(c.plan.xy[: int(HEAD_M)]).buffer(4.0 + 0.5 * float(c.top_m.max()))
        for c in channels if c.plan.kind == "gully"
    ]  # fmt: skip
    inside = shapely.get_parts(shapely.union_all(heads).intersection(site))
    shapes = [p for p in inside if p.geom_type == "Polygon"]
    return gpd.GeoDataFrame(
        {"name": [f"bare peat {k + 1} (invented)" for k in range(len(shapes))]},
        geometry=shapes, crs=CRS,
    )  # fmt: skip


def closed(frame: Frame) -> gpd.GeoDataFrame:
    """Return an area closed while birds display and breed; it crosses no year's end."""
    at = shapely.Point(*frame.xy(0.82, 0.82))
    area = at.buffer(0.09 * frame.width_m, quad_segs=6)
    return gpd.GeoDataFrame(
        {"name": ["lekking ground (invented)"], "from_day": ["03-15"], "to_day": ["08-15"],
         "severity": ["stop"]},
        geometry=[area], crs=CRS,
    )  # fmt: skip

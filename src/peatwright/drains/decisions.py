"""What people decided about found lines, and how it holds through a new search."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from peatwright.drains.find.found import FoundDrains
from peatwright.model.cited import Cited
from peatwright.model.columns import checked, empty
from peatwright.model.found_layers import FOUND_DRAINS, FURROW_GROUND

REACH_M = Cited(2.0, "m", "lines no further apart than this are the same drain", 0.5, 10)
SHARE = Cited(0.6, "ratio", "share of a line that must lie on another to be the same", 0.1, 1)


@dataclass(frozen=True)
class Decision:
    """One decision: on which line, what, and the line as it was or as it was drawn anew."""

    found_id: str
    decision: str
    shape: shapely.Geometry
    drawn: shapely.Geometry | None = None


def heard(entries: Sequence[Mapping[str, str]]) -> list[Decision]:
    """Return the decisions that stand, from all that was said; the last word on a line holds."""
    last: dict[str, Decision] = {}
    for entry in entries:
        shape = shapely.from_wkt(entry["shape"])
        drawn = shapely.from_wkt(entry["drawn"]) if entry.get("drawn") else None
        last.pop(entry["found_id"], None)
        if entry["decision"]:
            last[entry["found_id"]] = Decision(entry["found_id"], entry["decision"], shape, drawn)
    return list(last.values())


def _same(lines: gpd.GeoSeries, other: shapely.Geometry) -> np.ndarray:
    """Return for each line the share of it that lies on another."""
    near = shapely.buffer(other, float(REACH_M.value))
    length = np.maximum(shapely.length(lines.to_numpy()), 1e-9)
    share: np.ndarray = shapely.length(shapely.intersection(lines.to_numpy(), near)) / length
    return share


def layers(
    found: FoundDrains, decided: Sequence[Decision], given: gpd.GeoDataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the layers of found lines and furrow ground, with decisions and given lines marked.

    A decision holds for the line of its id, or, where a new search has cut or joined lines
    otherwise, for every line that lies on the decided one. A redrawn line takes the drawn shape.
    """
    lines = found.lines.copy()
    lines["decision"], lines["given_id"] = "", ""
    places = lines.geometry.copy()
    for d in decided:
        share = _same(places, d.shape) if len(lines) else np.zeros(0)
        named = (lines["found_id"] == d.found_id).to_numpy() & (share > 0)
        chosen = share >= float(SHARE.value)
        if d.drawn is not None:
            # One line takes the drawn shape; others on the same place give way to it.
            order = np.argsort(~named * 2.0 - share, kind="stable")
            rest = chosen | named
            if rest.any():
                lines.loc[rest, "decision"] = "refused"
                lines.loc[order[0], ["decision"]] = "redrawn"
                lines.loc[order[0], "geometry"] = d.drawn
                lines.loc[order[0], "length_m"] = float(shapely.length(d.drawn))
            continue
        lines.loc[chosen | named, "decision"] = d.decision
    if len(given) and len(lines):
        tree = shapely.STRtree(given.geometry.to_numpy())
        # Drawn lines stray further from the bed than found ones do.
        pairs = tree.query(lines.geometry.to_numpy(), "dwithin", 2 * float(REACH_M.value))
        for i, j in zip(*(p.tolist() for p in pairs), strict=True):
            near = shapely.buffer(given.geometry.iloc[j], 2 * float(REACH_M.value))
            shape = lines.geometry.iloc[i]
            if (
                shapely.length(shapely.intersection(shape, near))
                > float(SHARE.value) * shape.length
            ):
                lines.loc[i, "given_id"] = given["given_id"].iloc[j]
    crs = str(found.lines.crs)
    table = checked(lines, FOUND_DRAINS) if len(lines) else empty(FOUND_DRAINS, crs)
    furrows = found.furrows.drop(columns="kind")
    ground = checked(furrows, FURROW_GROUND) if len(furrows) else empty(FURROW_GROUND, crs)
    return table, ground


def to_measure(given: gpd.GeoDataFrame, found: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return given lines together with accepted and redrawn ones that no given line stands for."""
    taken = found[
        found["decision"].isin(["accepted", "redrawn"])
        & ((found["given_id"] == "") | (found["decision"] == "redrawn"))
    ]
    if not len(taken):
        return given
    extra = gpd.GeoDataFrame(
        {
            "given_id": [f"found:{name}" for name in taken["found_id"]],
            "name": "",
            "kind": taken["kind"].to_numpy(),
        },
        geometry=taken.geometry.to_numpy(),
        crs=found.crs,
    )
    if not len(given):
        return extra
    both: gpd.GeoDataFrame = pd.concat([given, extra.to_crs(given.crs)], ignore_index=True)
    return both

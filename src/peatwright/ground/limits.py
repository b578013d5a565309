"""Distances from things that must not be touched: forbidden stretches and findings for items."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from peatwright.ground.findings import Found, Where, source_words
from peatwright.model.cited import Cited, citations
from peatwright.model.errors import Fault, GivenError
from peatwright.model.ground_rules import OverheadRules
from peatwright.model.raster import Grid
from peatwright.model.rules import LimitRules

F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]

SAME_STRETCH_M = Cited(0.01, "m", "forbidden stretches closer than this are one", 0, 1)
TO_DO = {
    "heritage": "Move the item, or agree it with the archaeologist before anything is dug.",
    "overhead line": "Ask the line's owner before a machine comes here; fence and sign the way.",
    "watercourse": "Move the item, or agree it with the water regulator.",
    "water supply": "Move the item, or agree it with the supply's users and the regulator.",
    "buried service": "Get the owner's plans, trace and mark it, dig by hand beside it.",
    "track": "Move the item, or show that the track stays dry and stands.",
    "boundary": "Move the item, or agree it with the neighbour.",
    "nest": "Ask an ornithologist; no work in the season.",
    "sett": "Ask an ecologist; a licence may be needed.",
    "unexploded ordnance": "Do not dig or drive here until the ground is swept and released.",
    "forest edge": "Ask the forester about roots, windthrow and trees that may fall.",
    "other": "Move the item, or ask who set this limit.",
}  # fmt: skip


def distance_of(kind: str, rules: LimitRules) -> float:
    """Return the distance (m) that the rule sheet keeps from a kind of limit."""
    return float(getattr(rules, _field(kind)))


def _field(kind: str) -> str:
    return f"{kind.replace(' ', '_')}_m"


def rule_of(kind: str) -> tuple[str, str]:
    """Return the key of a kind's distance in the rule sheet, and its source as it was read."""
    return f"limits.{_field(kind)}", source_words(citations(LimitRules)[_field(kind)])


def same_crs(table: gpd.GeoDataFrame, crs: str, file: str = "limits") -> None:
    """Raise `GivenError` where a layer is not in the site's CRS: its distances would be wrong."""
    if table.crs is None or not table.crs.equals(crs):
        said = table.crs.to_string() if table.crs is not None else "no CRS"
        raise GivenError(
            Fault(file, "", said, crs, "Bring the layer into the site's CRS before it is used.")
        )


@dataclass(frozen=True)
class Stretch:
    """A part of a drain in which nothing may be built, and why."""

    drain_id: str
    from_m: float
    to_m: float
    kind: str
    why: str


def forbidden_stretches(drains: gpd.GeoDataFrame, limits: gpd.GeoDataFrame) -> tuple[Stretch, ...]:
    """Return the stretches of each drain that lie in a limit, by drain and chainage.

    Args:
        drains: `drain_id` and LineStrings, head first.
        limits: rows of `LIMITS`; each polygon holds the distance kept already.

    """
    if not len(drains) or not len(limits):
        return ()
    same_crs(limits, drains.crs.to_string())
    lines, areas = drains.geometry.to_numpy(), limits.geometry.to_numpy()
    first, second = shapely.STRtree(areas).query(lines, predicate="intersects")
    found: list[Stretch] = []
    for i, j in zip(first, second, strict=True):
        line, row = lines[i], limits.iloc[j]
        spans = sorted(_spans(line, areas[j]))
        joined: list[list[float]] = []
        for a, b in spans:
            if joined and a <= joined[-1][1] + float(SAME_STRETCH_M.value):
                joined[-1][1] = max(joined[-1][1], b)
            else:
                joined.append([a, b])
        name = f" ({row['name']})" if row["name"] else ""
        found += [
            Stretch(str(drains["drain_id"].iloc[i]), a, b, str(row["kind"]),
                    f"{row['kind']}{name}: {row['why']}")
            for a, b in joined
        ]  # fmt: skip
    return tuple(sorted(found, key=lambda s: (s.drain_id, s.from_m, s.to_m, s.kind, s.why)))


def _spans(line: shapely.Geometry, area: shapely.Geometry) -> list[tuple[float, float]]:
    """From and to (m along the line) of the parts of a line inside an area.

    Cut segment by segment: a drain that touches itself has two chainages at one place, which a
    search for the nearest point would confuse.
    """
    corners = shapely.get_coordinates(line)
    step = np.hypot(*np.diff(corners, axis=0).T)
    start = np.concatenate([[0.0], np.cumsum(step)])
    parts = shapely.linestrings(np.stack([corners[:-1], corners[1:]], axis=1))
    spans = []
    inside_parts: Any = shapely.intersection(parts, area)
    for k, inside in enumerate(inside_parts):
        for piece in shapely.get_parts(inside):
            if piece.geom_type != "LineString" or piece.is_empty:
                continue
            ends = np.hypot(*(shapely.get_coordinates(piece) - corners[k]).T)
            spans.append((float(start[k] + ends.min()), float(start[k] + ends.max())))
    return spans


def distances_m(shapes: ArrayLike, limits: gpd.GeoDataFrame, within_m: float) -> pd.DataFrame:
    """Return pairs `shape`, `limit` (positions) and `distance_m` of all within a distance (m)."""
    held, areas = np.asarray(shapes, object), limits.geometry.to_numpy()
    first, second = shapely.STRtree(areas).query(held, predicate="dwithin", distance=within_m)
    table = pd.DataFrame(
        {"shape": first, "limit": second,
         "distance_m": shapely.distance(held[first], areas[second])}
    )  # fmt: skip
    return table.sort_values(["shape", "limit"], ignore_index=True)


def item_findings(
    items: gpd.GeoDataFrame, limits: gpd.GeoDataFrame, *, look_m: float = 0.0
) -> list[Found]:
    """Check items where they stand now against every limit.

    An item inside a limit's distance is a `stop`. `look_m` adds a margin in which it is a `look`,
    since machines need room to turn. Each item keeps only its nearest limit of one kind and name.

    Args:
        items: rows of `ITEMS` in the site's CRS.
        limits: rows of `LIMITS`.
        look_m: margin beyond the distance kept, m.

    """
    if not len(items) or not len(limits):
        return []
    same_crs(limits, items.crs.to_string())
    near = distances_m(items.geometry.to_numpy(), limits, look_m)
    found: dict[tuple[str, str, str], tuple[float, Found]] = {}
    for shape, limit, away in zip(near["shape"], near["limit"], near["distance_m"], strict=True):
        item, row = items.iloc[shape], limits.iloc[limit]
        kind, name = str(row["kind"]), str(row["name"])
        inside = away <= 0.0
        rule, source = rule_of(kind)
        said = f"{kind} {name}".strip()
        what = (
            f"inside the {row['distance_m']:g} m kept from {said}" if inside
            else f"{away:.0f} m outside the {row['distance_m']:g} m kept from {said}"
        )  # fmt: skip
        key = (str(item["item_id"]), kind, name)
        one = Found(
            "stop" if inside else "look", "limits",
            Where(
                f"item {item['item_id']} on drain {item['drain_id']}", str(item["drain_id"]),
                str(item["item_id"]), float(item["x_m"]), float(item["y_m"]),
            ),
            what, f"{rule} = {row['distance_m']:g}", source, TO_DO[kind], key=f"{kind} {name}",
        )  # fmt: skip
        if key not in found or away < found[key][0]:
            found[key] = (float(away), one)
    return [one for _, one in found.values()]


@dataclass(frozen=True)
class Headroom:
    """Height left for a machine under an overhead line, m above the ground."""

    wire_m: float
    allowed_m: float
    known: bool
    may_work: bool
    may_pass: bool


def headroom(wire_m: float | None, rules: OverheadRules) -> Headroom:
    """Return what height is left under a wire; without its height the lowest is taken."""
    height = rules.lowest_m if wire_m is None else wire_m
    left = max(0.0, height - rules.clearance_m)
    return Headroom(
        height, left, wire_m is not None, rules.machine_height_m <= left,
        rules.travel_height_m <= left,
    )  # fmt: skip


def overhead_findings(
    limits: gpd.GeoDataFrame, rules: OverheadRules, heights_m: dict[str, float] | None = None
) -> list[Found]:
    """Say for each overhead line how high a machine may be under it.

    Args:
        limits: rows of `LIMITS`; only overhead lines count.
        rules: overhead rules.
        heights_m: height of the lowest wire above the ground by `given_id`, where it is known.

    """
    cites = citations(OverheadRules)
    known = heights_m or {}
    found = []
    lines = limits[limits["kind"] == "overhead line"].drop_duplicates("given_id")
    for given, name, shape in zip(lines["given_id"], lines["name"], lines.geometry, strict=True):
        room = headroom(known.get(str(given)), rules)
        at = shape.representative_point()
        said = f"{'wire' if room.known else 'wire of unknown height, taken'} at {room.wire_m:.1f} m"
        allowed = f"nothing over {room.allowed_m:.1f} m may be under it"
        if room.may_work:
            severity, does = "note", "the machine's whole reach stays under that"
        elif room.may_pass:
            severity, does = "look", "the machine may pass with its arm folded, but not work"
        else:
            severity, does = "stop", "the machine may neither work nor pass"
        found.append(
            Found(
                severity, "limits", Where(f"overhead line {name}".strip(), x_m=at.x, y_m=at.y),
                f"{said}: {allowed}; {does} (reach {rules.machine_height_m:.1f} m, travelling "
                f"{rules.travel_height_m:.1f} m)",
                f"overhead.clearance_m = {rules.clearance_m:g}",
                f"{source_words(cites['clearance_m'])}; height where unknown: "
                f"{source_words(cites['lowest_m'])}",
                "Ask the line's owner for the height and the clearance, have it made dead, or set "
                "up goalposts and a watcher as the owner says.",
                key=f"headroom {given}",
            )
        )  # fmt: skip
    return found


def keep_off_cells(limits: gpd.GeoDataFrame, grid: Grid) -> U8:
    """Return 1 for every cell that a limit touches, 0 elsewhere, (rows, cols).

    Tracks and boundaries limit building, not travel, and are left out.
    """
    from rasterio.features import rasterize  # noqa: PLC0415 - loads slowly
    from rasterio.transform import Affine  # noqa: PLC0415

    held = limits[~limits["kind"].isin(["track", "boundary"])]
    if not len(held):
        return np.zeros((grid.rows, grid.cols), np.uint8)
    same_crs(held, grid.crs)
    return np.asarray(
        rasterize(
            [(shape, 1) for shape in held.geometry],
            out_shape=(grid.rows, grid.cols),
            transform=Affine(grid.dx_m, 0.0, grid.x_left_m, 0.0, -grid.dy_m, grid.y_top_m),
            all_touched=True,
            dtype="uint8",
        ),
        np.uint8,
    )

"""Given drain lines made fit to work with: every fault mended or told."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from peatwright.model.cited import Cited
from peatwright.model.errors import Fault
from peatwright.model.raster import Raster
from peatwright.terrain.sampling import sample

F64 = NDArray[np.float64]

SHORTEST_M = Cited(1.0, "m", "a given line shorter than this is not a drain", 0.1, 10)
SAME_POINT_M = Cited(0.01, "m", "points of a line closer than this are one point", 0.0001, 0.1)
SAME_LINE_M = Cited(0.75, "m", "lines closer than this side by side are the same drain", 0.1, 3)
OVERLAP_M = Cited(8.0, "m", "shorter runs side by side are a junction, not a repeat", 1, 50)
REPEAT_RATIO = Cited(0.9, "ratio", "share of a line on others that makes it a repeat", 0.5, 1)
KNOT_M = Cited(2.0, "m", "a loop in a line shorter than this is a slip of the hand", 0, 10)

LAYER = "given drains"


@dataclass(frozen=True, eq=False)
class Line:
    """One line of at least two different points, (n, 2) in m, from its higher end."""

    xy: F64
    given_ids: tuple[str, ...]
    name: str = ""

    @property
    def length_m(self) -> float:
        """Length of the line."""
        return float(chainages(self.xy)[-1])


def chainages(xy: F64) -> F64:
    """Return the distance of each point (n, 2) along its line, m."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])


def along(xy: F64, at_m: F64) -> F64:
    """Return the points of a line (n, 2) at distances along it, (m, 2)."""
    s = chainages(xy)
    return np.stack([np.interp(at_m, s, xy[:, 0]), np.interp(at_m, s, xy[:, 1])], axis=1)


def spot(xy: F64) -> str:
    """Say where a point is."""
    return f"{xy[0]:.1f} {xy[1]:.1f}"


def _fault(place: str, found: str, allowed: str, fix: str) -> Fault:
    return Fault(LAYER, place, found, allowed, fix, "look")


def _text(value: object) -> str:
    return "" if value is None or value is pd.NA or value != value else str(value)  # noqa: PLR0124


def _parts(geometry: BaseGeometry) -> Iterator[BaseGeometry]:
    """Yield the lines inside any geometry."""
    if geometry.geom_type in {"LineString", "LinearRing"}:
        yield geometry
    elif geometry.geom_type in {"MultiLineString", "GeometryCollection"}:
        for part in getattr(geometry, "geoms", ()):
            yield from _parts(part)


def clean(given: gpd.GeoDataFrame, dtm: Raster) -> tuple[list[Line], list[Fault]]:
    """Return usable lines and a fault for everything that was mended or left out.

    Multi-part lines are parted, heights and measures dropped, repeated points and small knots
    taken out, parts off the terrain cut away, repeats of another line (either way round) dropped.
    Lines come back in an order and a direction that do not depend on those given.
    """
    faults: list[Fault] = []
    lines: list[Line] = []
    for row, geometry in enumerate(given.geometry):
        place = _text(given["given_id"].iloc[row]) if "given_id" in given else ""
        place = place or f"row {row + 1}"
        name = _text(given["name"].iloc[row]) if "name" in given else ""
        parts = [] if geometry is None or geometry.is_empty else list(_parts(geometry))
        if not parts:
            kind = "no geometry" if geometry is None or geometry.is_empty else geometry.geom_type
            faults.append(
                _fault(place, kind, "a line", "Draw the drain as a line, or delete the row.")
            )
        for part in parts:
            xy = _points(part, place, faults)
            if xy is None:
                continue
            xy = _without_knots(xy, place, faults)
            pieces = _on_grid(xy, dtm, place, faults)
            lines += [Line(piece, (place,), name) for piece in pieces]
    return _without_repeats(_ordered(lines, dtm), faults), faults


def _points(part: BaseGeometry, place: str, faults: list[Fault]) -> F64 | None:
    xy = shapely.get_coordinates(part)
    sound = np.isfinite(xy).all(axis=1)
    if not sound.all():
        faults.append(
            _fault(
                place,
                f"{int((~sound).sum())} points without a place",
                "numbers for x and y",
                "Those points were left out. Check the line.",
            )
        )
        xy = xy[sound]
    if len(xy):
        step = np.hypot(*np.diff(xy, axis=0).T)
        xy = xy[np.concatenate([[True], step > float(SAME_POINT_M.value)])]
    if len(xy) < 2 or chainages(xy)[-1] < float(SHORTEST_M.value):
        where = f"{place} at {spot(xy[0])}" if len(xy) else place
        faults.append(
            _fault(
                where,
                f"a line {chainages(xy)[-1] if len(xy) > 1 else 0.0:.2f} m long",
                f"{SHORTEST_M.value} m or more",
                "The line was left out. Delete it or draw it again.",
            )
        )
        return None
    return xy


def self_crossings(xy: F64) -> list[tuple[float, float, F64]]:
    """Return where a line crosses itself: both distances along it, m, and the place."""
    if shapely.is_simple(shapely.LineString(xy)):
        return []
    p, d = xy[:-1], np.diff(xy, axis=0)
    s = chainages(xy)
    out = []
    for i in range(len(p) - 2):
        j = np.arange(i + 2, len(p))
        cross = d[i, 0] * d[j, 1] - d[i, 1] * d[j, 0]
        gap = p[j] - p[i]
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (gap[:, 0] * d[j, 1] - gap[:, 1] * d[j, 0]) / cross
            u = (gap[:, 0] * d[i, 1] - gap[:, 1] * d[i, 0]) / cross
        hit = (cross != 0.0) & (t >= 0) & (t <= 1) & (u >= 0) & (u <= 1)
        for k in np.flatnonzero(hit):
            a = s[i] + t[k] * (s[i + 1] - s[i])
            b = s[j[k]] + u[k] * (s[j[k] + 1] - s[j[k]])
            if b - a < s[-1] - float(SAME_POINT_M.value):  # the closing point of a ring
                out.append((float(a), float(b), p[i] + t[k] * d[i]))
    return out


def _without_knots(xy: F64, place: str, faults: list[Fault]) -> F64:
    """Cut out small loops; larger crossings stay and become junctions."""
    for _ in range(100):
        crossings = self_crossings(xy)
        knots = [c for c in crossings if c[1] - c[0] < float(KNOT_M.value)]
        if not knots:
            faults += [
                _fault(
                    f"{place} at {spot(at)}",
                    "a line that crosses itself",
                    "a line that does not",
                    "A junction was put at the crossing. Check that the water can go that way.",
                )
                for _, _, at in crossings
            ]
            return xy
        a, b, at = knots[0]
        s = chainages(xy)
        kept = np.concatenate([xy[s < a], at[None, :], xy[s > b]])
        faults.append(
            _fault(
                f"{place} at {spot(at)}",
                f"a knot of {b - a:.1f} m in the line",
                "a line that does not cross itself",
                "The knot was taken out.",
            )
        )
        if len(kept) < 2:
            return xy
        xy = kept
    return xy


def _on_grid(xy: F64, dtm: Raster, place: str, faults: list[Fault]) -> list[F64]:
    """Return the pieces of a line that lie on the terrain's grid."""
    west, south, east, north = dtm.grid.bounds
    if ((xy[:, 0] >= west) & (xy[:, 0] <= east) & (xy[:, 1] >= south) & (xy[:, 1] <= north)).all():
        return [xy]
    inside = shapely.intersection(shapely.LineString(xy), shapely.box(west, south, east, north))
    pieces = [
        shapely.get_coordinates(part)
        for part in _parts(inside)
        if part.length >= float(SHORTEST_M.value)
    ]
    off_m = chainages(xy)[-1] - sum(chainages(p)[-1] for p in pieces)
    faults.append(
        _fault(
            f"{place} at {spot(xy[0])}",
            f"{off_m:.0f} m of the line outside the terrain model"
            + ("" if pieces else ", which is all of it"),
            f"lines within x {west:.0f} to {east:.0f} and y {south:.0f} to {north:.0f}",
            "That part was left out. Give a terrain model that covers it, or check the CRS.",
        )
    )
    return pieces


def _ordered(lines: list[Line], dtm: Raster) -> list[Line]:
    """Turn each line to run from its higher end, and order lines from the longest."""
    if not lines:
        return []
    ends = np.array([[line.xy[0], line.xy[-1]] for line in lines])
    level = sample(dtm, ends[..., 0], ends[..., 1])
    out = []
    for line, z in zip(lines, level, strict=True):
        turn = z[1] > z[0] if z[0] != z[1] and np.isfinite(z).all() else False
        if not np.isfinite(z).all() or z[0] == z[1]:
            turn = tuple(line.xy[-1]) < tuple(line.xy[0])
        out.append(replace(line, xy=line.xy[::-1].copy()) if turn else line)
    return sorted(out, key=lambda a: (-round(a.length_m, 3), *a.xy[0], *a.xy[-1], a.given_ids))


def _without_repeats(lines: list[Line], faults: list[Fault]) -> list[Line]:
    """Drop lines, and long runs of lines, that lie on a longer one."""
    shapes = [shapely.LineString(line.xy) for line in lines]
    near_m = float(SAME_LINE_M.value)
    tree = shapely.STRtree(shapes)
    pairs = tree.query(shapes, predicate="dwithin", distance=near_m) if shapes else np.empty((2, 0))
    earlier: dict[int, list[int]] = {}
    for i, j in pairs.T.astype(int):
        if j < i:
            earlier.setdefault(int(i), []).append(int(j))
    kept: list[Line] = []
    now: list[BaseGeometry] = list(shapes)
    gone: set[int] = set()
    for i, line in enumerate(lines):
        others = [now[j] for j in sorted(earlier.get(i, [])) if j not in gone]
        if not others:
            kept.append(line)
            continue
        beside = shapely.union_all([shapely.buffer(o, near_m) for o in others])
        shared = list(_parts(shapely.intersection(shapes[i], beside)))
        on_m = sum(p.length for p in shared)
        if on_m >= float(REPEAT_RATIO.value) * shapes[i].length:
            gone.add(i)
            faults.append(
                _fault(
                    f"{line.given_ids[0]} at {spot(line.xy[0])}",
                    "a line that lies on another one",
                    "each drain drawn once",
                    "The shorter line was left out.",
                )
            )
            continue
        long = [p for p in shared if p.length >= float(OVERLAP_M.value)]
        if not long:
            kept.append(line)
            continue
        rest = shapely.difference(shapes[i], shapely.union_all([p.buffer(1e-6) for p in long]))
        pieces = [p for p in _parts(rest) if p.length >= float(SHORTEST_M.value)]
        faults.append(
            _fault(
                f"{line.given_ids[0]} at {spot(line.xy[0])}",
                f"{sum(p.length for p in long):.0f} m of the line on top of another",
                "each drain drawn once",
                "That part was left out.",
            )
        )
        now[i] = shapely.union_all(pieces)
        kept += [replace(line, xy=shapely.get_coordinates(p)) for p in pieces]
    return kept

"""Where the machines come in, and what the going map means for the cost of tracking."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely

from peatwright.ground.survey import cells_in
from peatwright.model.ground_layers import GOING
from peatwright.model.programme_rules import ProgrammeRules
from peatwright.model.raster import Raster

SERVICES = ("overhead line", "buried service")
"""What machines cross at places agreed with its owner, and nowhere else."""


@dataclass(frozen=True)
class Access:
    """Where the machines come in (m), what that rests on, and whether someone said so."""

    x_m: float
    y_m: float
    words: str
    given: bool


def access_point(
    drains: gpd.GeoDataFrame,
    nodes: gpd.GeoDataFrame,
    limits: gpd.GeoDataFrame,
    boundary: shapely.Geometry | None,
    rules: ProgrammeRules,
) -> Access | None:
    """Return where the machines come in (DRAINS, NODES and LIMITS tables), or None
    without drains.

    In turn: the point of the rule sheet; where a track meets the boundary, the crossing that lies
    nearest a drain; where a track comes nearest a drain; the lowest end of a drain.
    """
    if rules.access_x_m or rules.access_y_m:
        return Access(
            rules.access_x_m, rules.access_y_m, "the access point of the rule sheet", given=True
        )
    if not len(drains):
        return None
    lines = shapely.multilinestrings(drains.geometry.to_numpy())
    tracks = limits[limits["kind"] == "track"].geometry.to_numpy()
    if len(tracks):
        # a limit is the track with the distance kept, so that what meets it is a short stretch
        track = shapely.union_all(tracks)
        edge = shapely.boundary(boundary) if boundary is not None else None
        found = shapely.get_parts(shapely.intersection(track, edge)) if edge is not None else ()
        met = [m for m in found if not m.is_empty]
        if met:
            best = met[int(np.argmin(shapely.distance(np.array(met), lines)))]
            at = shapely.centroid(best)
            return Access(at.x, at.y, "where the track meets the boundary", given=False)
        at = shapely.get_point(shapely.shortest_line(track, lines), 0)
        return Access(at.x, at.y, "where the track comes nearest to a drain", given=False)
    return _lowest(drains, nodes)


def _lowest(drains: gpd.GeoDataFrame, nodes: gpd.GeoDataFrame) -> Access:
    level = dict(zip(nodes["node_id"], nodes["level_m"], strict=True))
    held = np.array([level.get(n, np.nan) for n in drains["outfall_node"]], dtype=np.float64)
    row = int(np.nanargmin(held)) if np.isfinite(held).any() else 0
    at = shapely.get_point(drains.geometry.iloc[row], -1)
    words = f"the lowest end of a drain, that of {drains['drain_id'].iloc[row]}"
    return Access(at.x, at.y, words, given=False)


def going_cost(
    going: Raster,
    rules: ProgrammeRules,
    *,
    limits: gpd.GeoDataFrame | None = None,
    unstable: Raster | None = None,
    factor_stop: float = 1.0,
) -> Raster:
    """Return the cost of each metre tracked, 1 on dry ground, for a map of places in `GOING`.

    Ground to keep off is infinite; ground of which nothing is known costs `unknown_going`. With
    `limits` (LIMITS table) two kinds of shut ground are opened, as people do with agreed crossings:
    a track stays a track where it passes a limit, and `SERVICES` are crossed at `service_going`,
    dear enough that no way does so without need,
    but not within another limit. Where `unstable` (factor of safety, same grid) is
    under `factor_stop` nothing is opened. `crossed_services` says what the ways then cross.
    """
    cost = np.array(
        [1.0, rules.careful_going, rules.mats_going, np.inf, rules.unknown_going], dtype=np.float32
    )
    held = going.values
    unknown = len(GOING)
    code = np.where(np.isfinite(held), held, unknown).astype(np.int64)
    out = cost[np.clip(code, 0, unknown)]
    if limits is None or not len(limits):
        return Raster(out, going.grid)
    firm = np.isinf(out)
    if unstable is not None:
        firm &= ~(unstable.values < factor_stop)
    # all that a limit touches is shut, so what opens it reaches a cell further; a track must stay
    # open on the larger cells on which ways are sought
    rim = float(np.hypot(going.grid.dx_m, going.grid.dy_m))
    others = ~limits["kind"].isin([*SERVICES, "track", "boundary"])
    kept = shapely.union_all(limits.loc[others].geometry.to_numpy())
    opened = (
        (SERVICES, rules.service_going, rim),
        (("track",), 1.0, max(rim, rules.route_cell_m)),
    )
    for kinds, price, wider in opened:
        shapes = limits.loc[limits["kind"].isin(kinds)].geometry.to_numpy()
        if len(shapes):
            area: shapely.Geometry = shapely.buffer(shapely.union_all(shapes), wider)
            if kinds == SERVICES:
                area = shapely.difference(area, shapely.buffer(kept, rim))
            inside = cells_in(area, going.grid) != 0
            out = np.where(firm & inside, np.float32(price), out)
    return Raster(out, going.grid)


def crossed_services(
    trips: gpd.GeoDataFrame, limits: gpd.GeoDataFrame
) -> list[tuple[str, str, int, float, float]]:
    """Return kind, name, ways over it, and x, y (m) of a place, for each service that ways cross.

    TRIPS and LIMITS tables. The place is where the ways lie closest together on it: the middle of
    the stretch nearest to all others.
    """
    found = []
    lines = trips.geometry.to_numpy() if len(trips) else np.zeros(0, dtype=object)
    held = limits[limits["kind"].isin([*SERVICES, "watercourse"])]
    for kind, name, shape in zip(held["kind"], held["name"], held.geometry, strict=True):
        over = lines[shapely.intersects(lines, shape)]
        if not len(over):
            continue
        middles = shapely.centroid(shapely.intersection(over, shape))
        xy = shapely.get_coordinates(middles)
        apart = np.hypot(*(xy[:, None, :] - xy[None, :, :]).transpose(2, 0, 1)).sum(axis=1)
        x, y = xy[int(np.argmin(apart))]
        found.append((str(kind), str(name), len(over), float(x), float(y)))
    return found

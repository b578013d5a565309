"""From terrain and given lines to the drain network and its stations."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray

from peatwright.drains import _kernels
from peatwright.drains.across import _kernels as across
from peatwright.drains.bed import pull
from peatwright.drains.compose import Drain, compose, ids
from peatwright.drains.depths import HandCorrection, hand_correction
from peatwright.drains.direction import cut_at_turns, direct
from peatwright.drains.lines import LAYER, clean
from peatwright.drains.network import Chain, connect, join
from peatwright.drains.peat import peat_at
from peatwright.drains.sections import Sections, Stations, measured, stations_of
from peatwright.drains.tables import _texts, bed_gradient, node_table, station_table
from peatwright.model.cited import Cited
from peatwright.model.columns import checked
from peatwright.model.errors import Fault, GivenError
from peatwright.model.layers import DRAINS
from peatwright.model.progress import Progress, silent
from peatwright.model.raster import Raster
from peatwright.model.rules import MeasureRules
from peatwright.terrain import routing
from peatwright.terrain._strips import run_strips

F64 = NDArray[np.float64]

BURN_M = Cited(0.5, "m", "drains are cut this deep so that water keeps to them", 0, 3)
UPSLOPE_NEAR_M = Cited(1.5, "m", "the upslope area is the greatest within this of the bed", 0.5, 5)
EDGE_NEAR_M = Cited(4.0, "m", "a drain that ends this near to the edge runs off the terrain", 0, 20)
RISE_LOOK_M = Cited(0.15, "m", "a bed that rises more than this towards its outfall is told", 0, 2)


@dataclass(frozen=True)
class MeasureReport:
    """What a person should know of the measuring as a whole. NaN means not known."""

    drains: int
    stations: int
    length_m: float
    shift_mean_m: float
    shift_max_m: float
    unseen_m: float
    unmeasured_m: float
    depth_median_m: float
    hand_correction_m: float
    hand_error_m: float
    hand_spread_m: float
    hand_matched: int
    hand_unmatched: int
    bed_error_median_m: float
    direction_by_network: int
    direction_unsure: int
    probes: int


@dataclass(frozen=True, eq=False)
class Measured:
    """Drains, nodes and stations, the upslope area (m²) of the terrain, faults and the report."""

    drains: gpd.GeoDataFrame
    nodes: gpd.GeoDataFrame
    stations: gpd.GeoDataFrame
    upslope: Raster | None
    faults: tuple[Fault, ...]
    report: MeasureReport


def measure(
    dtm: Raster,
    given_drains: gpd.GeoDataFrame,
    rules: MeasureRules,
    *,
    peat: tuple[Raster, Raster] | None = None,
    probes: gpd.GeoDataFrame | None = None,
    hand_depths: gpd.GeoDataFrame | None = None,
    limits: gpd.GeoDataFrame | None = None,
    previous_drains: gpd.GeoDataFrame | None = None,
    upslope: bool = True,
    progress: Progress | None = None,
) -> Measured:
    """Pull given lines to their beds, make one network of them and measure its stations.

    Args:
        dtm: ground, levels in m.
        given_drains: GIVEN_DRAINS, in the terrain's CRS.
        rules: the section `measure` of the rule sheet.
        peat: peat depth and its standard error, m; without them no station gets a peat depth.
        probes: PROBES that peat depth rests on: stations far from all of them get none.
        hand_depths: HAND_DEPTHS, to correct airborne depths.
        limits: LIMITS; each polygon already holds the distance kept.
        previous_drains: DRAINS of an earlier run, whose ids are kept.
        upslope: whether to route water over the terrain for the upslope area.
        progress: told how far the work is.

    Raises:
        GivenError: another CRS, or not one line that can be used.

    """
    told = progress or silent
    _same_crs(dtm, given_drains)
    told(0.02, "cleaning the given lines")
    lines, faults = clean(given_drains, dtm)
    if not lines:
        none = Fault(LAYER, "", "no line that can be used", "at least one drain", "Give drains.")
        raise GivenError([*faults, none])
    chains = join(lines, rules.join_m)
    told(0.1, "pulling lines to their beds")
    pulled = pull([c.line for c in chains], dtm, rules)
    net = cut_at_turns(connect(chains, pulled), dtm)
    told(0.2, "finding which way the water runs")
    drains = compose(direct(net, dtm), chains)
    if not drains:
        none = Fault(
            LAYER, "", "lines that vanish when joined", "at least one drain", "Check them."
        )
        raise GivenError([*faults, none])
    names = ids(drains, previous_drains)
    told(0.3, "measuring cross-sections")
    stations = stations_of([d.xy for d in drains], rules.station_m)
    sections = measured(dtm, stations, rules)
    correction = _correction(stations, sections, hand_depths, rules)
    told(0.6, "adding up the water from upslope")
    area, at_station = _upslope(dtm, drains, stations) if upslope else (None, None)
    told(0.9, "writing the tables")
    good_bed = np.where(sections.status == across.MEASURED, sections.values[:, across.BED], np.nan)
    gradient = bed_gradient(good_bed, stations, rules)
    peat_m, peat_error_m = _peat(peat, probes, stations, rules)
    table = station_table(
        stations,
        sections,
        names,
        correction,
        gradient,
        np.full(len(gradient), np.nan) if at_station is None else at_station,
        peat_m,
        peat_error_m,
        _forbidden(limits, stations),
        rules,
        dtm.grid.crs,
    )
    nodes, node_ids = node_table(
        drains, net.nodes, _node_levels(drains, table, names), dtm.grid.crs
    )
    shift = _shift(drains, chains, stations)
    drain_table = _drain_table(
        drains, names, chains, node_ids, table, shift, stations, dtm, limits, rules
    )
    told(1.0, "measured")
    return Measured(
        drain_table,
        nodes,
        table,
        area,
        tuple(faults),
        _report(drain_table, table, shift, correction, probes),
    )


def _same_crs(dtm: Raster, given: gpd.GeoDataFrame) -> None:
    if given.crs is not None and pyproj.CRS.from_user_input(dtm.grid.crs).equals(
        pyproj.CRS.from_user_input(given.crs), ignore_axis_order=True
    ):
        return
    found = "no CRS" if given.crs is None else f"CRS {given.crs.to_string()}"
    fix = "Transform the lines to the terrain's CRS."
    raise GivenError(Fault(LAYER, "", found, f"the terrain's CRS, {dtm.grid.crs}", fix))


def _points(table: gpd.GeoDataFrame | None) -> F64:
    if table is None or not len(table):
        return np.empty((0, 2))
    return np.asarray(shapely.get_coordinates(table.geometry.to_numpy()), np.float64)


def _correction(
    stations: Stations,
    sections: Sections,
    hand: gpd.GeoDataFrame | None,
    rules: MeasureRules,
) -> HandCorrection:
    # By hand, depth is taken from a staff laid across the drain: the mean of both shoulders.
    v = sections.values
    shoulder = 0.5 * (v[:, across.LEFT + across.LEVEL] + v[:, across.RIGHT + across.LEVEL])
    depth = np.where(sections.status == across.MEASURED, shoulder - v[:, across.BED], np.nan)
    by_hand = np.empty(0) if hand is None else hand["hand_depth_m"].to_numpy(np.float64)
    return hand_correction(_points(hand), by_hand, stations.xy, depth, rules.hand_depth_reach_m)


def _peat(
    peat: tuple[Raster, Raster] | None,
    probes: gpd.GeoDataFrame | None,
    stations: Stations,
    rules: MeasureRules,
) -> tuple[F64, F64]:
    if peat is None:
        return np.full(len(stations.xy), np.nan), np.full(len(stations.xy), np.nan)
    return peat_at(stations.xy, *peat, _points(probes), rules.peat_reach_m)


def _upslope(dtm: Raster, drains: list[Drain], stations: Stations) -> tuple[Raster, F64]:
    """Return the upslope area of all cells, and the greatest near each station, m²."""
    burnt = routing.burn(dtm, [d.xy for d in drains], float(BURN_M.value))
    area = routing.accumulate(routing.flow_directions(burnt, routing.fill(burnt)))
    row, col = dtm.grid.to_cells(stations.xy[:, 0], stations.xy[:, 1])
    near = float(UPSLOPE_NEAR_M.value)
    out = np.empty(len(row))
    run_strips(
        len(row),
        1,
        lambda a, b: _kernels.greatest_near(
            area, row, col, near / dtm.grid.dy_m, near / dtm.grid.dx_m, a, b, out
        ),
    )
    return Raster(area.astype(np.float32), dtm.grid), out


def _forbidden(limits: gpd.GeoDataFrame | None, stations: Stations) -> NDArray[np.object_]:
    """Say at each station which limits forbid building there, "" for none."""
    out = np.full(len(stations.xy), "", dtype=object)
    if limits is None or not len(limits):
        return out
    tree = shapely.STRtree(np.asarray(shapely.points(stations.xy)).tolist())
    which, at = tree.query(limits.geometry.to_numpy(), predicate="intersects")
    words = []
    for kind, name, distance in zip(
        limits["kind"], limits["name"], limits["distance_m"], strict=True
    ):
        called = f" {name}" if isinstance(name, str) and name else ""
        words.append(f"{kind}{called}, {distance:g} m kept")
    for i, j in sorted(zip(at.tolist(), which.tolist(), strict=True)):
        out[i] = f"{out[i]}; {words[j]}" if out[i] else words[j]
    return out


def _shift(drains: list[Drain], chains: list[Chain], stations: Stations) -> F64:
    """Return how far each station lies from the given lines of its drain, m."""
    out = np.empty(len(stations.xy))
    starts = np.flatnonzero(stations.chainage_m == 0.0)
    for d, a in zip(drains, starts, strict=True):
        at = slice(int(a), int(stations.past[a]))
        given = shapely.MultiLineString([chains[c].line.xy for c in d.chains])
        out[at] = shapely.distance(given, shapely.points(stations.xy[at]))
    return out


def _node_levels(
    drains: list[Drain], table: gpd.GeoDataFrame, names: list[str]
) -> dict[int, float]:
    """Return the lowest known bed within a few stations of each node, m."""
    found: dict[int, float] = {}
    bed = table["bed_level_m"].to_numpy()
    ids_of = table["drain_id"].to_numpy()
    first = {name: int(i) for name, i in zip(*np.unique(ids_of, return_index=True), strict=True)}
    past = {
        n: first[n] + int(c) for n, c in zip(*np.unique(ids_of, return_counts=True), strict=True)
    }
    for d, name in zip(drains, names, strict=True):
        a, b = first[name], past[name]
        for node, window in ((d.head, bed[a : min(a + 4, b)]), (d.outfall, bed[max(a, b - 4) : b])):
            known = window[np.isfinite(window)]
            if len(known):
                found[node] = min(found.get(node, np.inf), float(known.min()))
    return found


def _outfall_kinds(drains: list[Drain], dtm: Raster, limits: gpd.GeoDataFrame | None) -> list[str]:
    ends = np.array([d.xy[-1] for d in drains])
    water = np.zeros(len(ends), bool)
    if limits is not None and len(limits):
        rivers = limits[limits["kind"] == "watercourse"].geometry.to_numpy()
        if len(rivers):
            hit = shapely.STRtree(rivers).query(shapely.points(ends), predicate="intersects")[0]
            water[hit] = True
    reach = float(EDGE_NEAR_M.value)
    rows, cols = dtm.values.shape
    row, col = dtm.grid.to_cells(ends[:, 0], ends[:, 1])
    kinds = []
    for n, d in enumerate(drains):
        r0, r1 = int(row[n] - reach / dtm.grid.dy_m), int(row[n] + reach / dtm.grid.dy_m) + 2
        c0, c1 = int(col[n] - reach / dtm.grid.dx_m), int(col[n] + reach / dtm.grid.dx_m) + 2
        off = r0 < 0 or c0 < 0 or r1 > rows or c1 > cols
        off = off or bool(np.isnan(dtm.values[r0:r1, c0:c1]).mean() > 0.1)
        kinds.append(
            "junction"
            if d.into >= 0
            else "watercourse"
            if water[n]
            else "edge"
            if off
            else "open ground"
        )
    return kinds


def _drain_table(
    drains: list[Drain],
    names: list[str],
    chains: list[Chain],
    node_ids: dict[int, str],
    table: gpd.GeoDataFrame,
    shift: F64,
    stations: Stations,
    dtm: Raster,
    limits: gpd.GeoDataFrame | None,
    rules: MeasureRules,
) -> gpd.GeoDataFrame:
    kinds = _outfall_kinds(drains, dtm, limits)
    bed = table["bed_level_m"].to_numpy()
    depth, width = table["depth_m"].to_numpy(), table["top_width_m"].to_numpy()
    seen, ok = table["seen"].to_numpy(), table["measured"].to_numpy()
    starts = np.flatnonzero(stations.chainage_m == 0.0)
    ends_at = Counter(d.outfall for d in drains)
    rows = []
    for n, d in enumerate(drains):
        at = slice(int(starts[n]), int(stations.past[starts[n]]))
        z = bed[at]
        known = np.flatnonzero(np.isfinite(z))
        fall = gradient = np.nan
        notes = []
        if len(known) >= 2:
            ends = max(1, min(3, len(known) // 4))
            fall = float(np.median(z[known[:ends]]) - np.median(z[known[-ends:]]))
            run = (known[-1] - known[0]) * rules.station_m
            gradient = fall / run
            rise = float(np.max(z[known] - np.minimum.accumulate(z[known])))
            if rise > float(RISE_LOOK_M.value):
                notes.append(f"the bed rises by {rise:.2f} m somewhere towards the outfall")
        if d.into < 0 and ends_at[d.outfall] > 1:
            notes.append("drains meet here in a hollow: look where the water goes")
        if d.source != "levels":
            notes.append(
                "levels do not show which way it runs"
                if d.source == "as given"
                else "which way it runs rests on the network, against or without its own levels"
            )
        unseen = float((~seen[at]).sum() * rules.station_m)
        if unseen > 0.3 * max(d.length_m, rules.station_m):
            notes.append(f"no drain is visible over {min(unseen, d.length_m):.0f} m")
        given = tuple(dict.fromkeys(g for c in d.chains for g in chains[c].line.given_ids))
        rows.append(
            {
                "drain_id": names[n],
                "name": chains[d.chains[0]].line.name,
                "given_ids": ";".join(given),
                "head_node": node_ids[d.head],
                "outfall_node": node_ids[d.outfall],
                "flows_into": names[d.into] if d.into >= 0 else "",
                "flows_into_chainage_m": float(d.into_m),
                "outfall_kind": kinds[n],
                "direction_from": d.source,
                "direction_sure_ratio": min(max(d.sure_ratio, 0.0), 1.0),
                "length_m": d.length_m,
                "fall_m": fall,
                "gradient_ratio": gradient,
                "depth_m": _median(depth[at]),
                "top_width_m": _median(width[at]),
                "shift_mean_m": float(shift[at].mean()),
                "shift_max_m": float(shift[at].max()),
                "unseen_m": min(unseen, d.length_m),
                "unmeasured_m": min(float((~ok[at]).sum() * rules.station_m), d.length_m),
                "note": "; ".join(notes),
            }
        )
    frame = gpd.GeoDataFrame(
        rows, geometry=[shapely.LineString(d.xy) for d in drains], crs=dtm.grid.crs
    )
    return gpd.GeoDataFrame(checked(_texts(frame), DRAINS))


def _median(values: F64) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


def _report(
    drains: gpd.GeoDataFrame,
    stations: gpd.GeoDataFrame,
    shift: F64,
    correction: HandCorrection,
    probes: gpd.GeoDataFrame | None,
) -> MeasureReport:
    return MeasureReport(
        drains=len(drains),
        stations=len(stations),
        length_m=float(drains["length_m"].sum()),
        shift_mean_m=float(shift.mean()),
        shift_max_m=float(shift.max()),
        unseen_m=float(drains["unseen_m"].sum()),
        unmeasured_m=float(drains["unmeasured_m"].sum()),
        depth_median_m=_median(stations["depth_m"].to_numpy()),
        hand_correction_m=correction.add_m,
        hand_error_m=correction.error_m,
        hand_spread_m=correction.spread_m,
        hand_matched=correction.matched,
        hand_unmatched=correction.unmatched,
        bed_error_median_m=_median(stations["bed_error_m"].to_numpy()),
        direction_by_network=int((drains["direction_from"] == "network").sum()),
        direction_unsure=int((drains["direction_sure_ratio"] < 0.8).sum()),
        probes=0 if probes is None else len(probes),
    )

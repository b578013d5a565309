"""The tables that measuring returns, from arrays."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import ndimage, optimize

from peatwright.drains.across import _kernels as k
from peatwright.drains.compose import Drain
from peatwright.drains.depths import HandCorrection
from peatwright.drains.sections import Sections, Stations, rolling
from peatwright.model.cited import Cited
from peatwright.model.columns import checked
from peatwright.model.layers import NODES, STATIONS
from peatwright.model.rules import MeasureRules

F64 = NDArray[np.float64]

SPOIL_OVER_M = Cited(7.0, "m", "a bank shorter than this along the drain is a hummock", 0, 50)
LEVEL_RATIO = Cited(0.01, "m/m", "ground that falls less across the drain is called level", 0, 0.1)
TERRAIN_ERROR_M = Cited(0.05, "m", "error of one level of an airborne terrain model", 0, 0.5)

WHY = {
    k.NO_TERRAIN: "the terrain model has no level here",
    k.NO_ROOM_LEFT: "another drain or missing terrain is too near on the left",
    k.NO_ROOM_RIGHT: "another drain or missing terrain is too near on the right",
    k.NO_BANK: "no bank can be told on one side",
    k.TOO_WIDE: "wider at the shoulders than the rule sheet calls a drain",
    k.NO_DRAIN: "no drain is visible here",
    k.BESIDE_OTHER: "too near to {other}",
}
BED_KNOWN = (k.MEASURED, k.NO_ROOM_LEFT, k.NO_ROOM_RIGHT, k.TOO_WIDE, k.BESIDE_OTHER)


def bed_gradient(bed_m: F64, stations: Stations, rules: MeasureRules) -> F64:
    """Return the smoothed bed gradient at each station, m/m, positive downstream.

    Gaps are bridged; the bed is then brought to the nearest one that never rises downstream
    (isotonic regression by pooling), smoothed over `gradient_length_m`, and differenced. Where
    the real bed rises, water stands: the gradient is 0 there. NaN on a drain with fewer than two
    known levels.
    """
    out = np.full(len(bed_m), np.nan)
    step = rules.station_m
    sigma = rules.gradient_length_m / step / np.sqrt(12.0)
    for a in np.unique(stations.first):
        b = int(stations.past[a])
        z = bed_m[a:b]
        known = np.flatnonzero(np.isfinite(z))
        if len(known) < 2:
            continue
        whole = np.interp(np.arange(b - a), known, z[known])
        falling = optimize.isotonic_regression(whole, increasing=False).x
        # Ends are continued by their own trend, so that the gradient does not die out there.
        pad = min(len(z) - 1, max(1, round(3 * sigma)))
        head = 2.0 * falling[0] - falling[1 : pad + 1][::-1]
        tail = 2.0 * falling[-1] - falling[-pad - 1 : -1][::-1]
        even = ndimage.gaussian_filter1d(np.concatenate([head, falling, tail]), sigma)
        slope = -np.gradient(even, step)[pad : pad + b - a]
        out[a:b] = np.maximum(slope, 0.0)
    return out


def station_table(
    stations: Stations,
    sections: Sections,
    names: Sequence[str],
    correction: HandCorrection,
    gradient: F64,
    upslope_m2: F64,
    peat_m: F64,
    peat_error_m: F64,
    forbidden: NDArray[np.object_],
    rules: MeasureRules,
    crs: str,
) -> gpd.GeoDataFrame:
    """Return the STATIONS table. A station that could not be measured carries NaN and says why."""
    v = sections.values
    good = sections.status == k.MEASURED
    has_bed = np.isin(sections.status, BED_KNOWN) & np.isfinite(v[:, k.BED])

    def col(c: int) -> F64:
        return np.where(good, v[:, c], np.nan)

    def side(c: int) -> tuple[F64, F64]:
        return col(k.LEFT + c), col(k.RIGHT + c)

    air = np.where(has_bed, v[:, k.BED], np.nan)
    left_level, right_level = side(k.LEVEL)
    left_off, right_off = side(k.OFFSET)
    left_toe, right_toe = side(k.TOE)
    shoulder = np.minimum(left_level, right_level)
    bed = air - correction.add_m
    depth = np.maximum(shoulder - bed, 0.0)
    spoil_left, spoil_right = (
        _lasting(h, w, stations, rules)
        for h, w in zip(side(k.SPOIL_HEIGHT), side(k.SPOIL_WIDTH), strict=True)
    )
    spoil_side = np.select(
        [~good, (spoil_left > 0) & (spoil_right > 0), spoil_left > 0, spoil_right > 0],
        ["", "both", "left", "right"],
        "none",
    )
    cross = np.where(good, -sections.slope, np.nan)
    level = float(LEVEL_RATIO.value)
    downhill = np.select(
        [~np.isfinite(cross), cross > level, cross < -level], ["", "right", "left"], "level"
    )
    ground = col(k.GROUND)
    top = np.where(np.isfinite(ground), ground, shoulder)
    error = np.sqrt(
        float(TERRAIN_ERROR_M.value) ** 2
        + np.nan_to_num(sections.bed_spread_m) ** 2
        + correction.bed_error_m**2
    )
    ahead = np.stack([-stations.right[:, 1], stations.right[:, 0]], axis=1)
    names_of = np.array(names, dtype=object)
    why = np.full(len(good), "", dtype=object)
    for code, words in WHY.items():
        at = np.flatnonzero(sections.status == code)
        why[at] = words
        if code == k.BESIDE_OTHER:
            other = names_of[stations.drain[np.maximum(sections.met[at, 2], 0)]]
            why[at] = [words.format(other=o) for o in other]
    data = {
        "drain_id": names_of[stations.drain],
        "chainage_m": stations.chainage_m,
        # Rounding can bring a bearing just under north to a full turn.
        "bearing_deg": np.mod(np.degrees(np.arctan2(ahead[:, 0], ahead[:, 1])), 360.0) % 360.0,
        "seen": sections.seen,
        "measured": good,
        "unmeasured_why": why,
        "bed_level_m": bed,
        "airborne_bed_level_m": air,
        "bed_error_m": np.where(has_bed, error, np.nan),
        "left_level_m": left_level,
        "right_level_m": right_level,
        "left_offset_m": left_off,
        "right_offset_m": right_off,
        "depth_m": depth,
        "airborne_depth_m": np.maximum(shoulder - air, 0.0),
        "top_width_m": left_off + right_off,
        "bottom_width_m": np.clip(left_toe + right_toe, 0.0, left_off + right_off),
        "ground_level_m": ground,
        "sag_left_width_m": side(k.SAG_WIDTH)[0],
        "sag_left_depth_m": side(k.SAG_DEPTH)[0],
        "sag_right_width_m": side(k.SAG_WIDTH)[1],
        "sag_right_depth_m": side(k.SAG_DEPTH)[1],
        "left_edge_level_m": side(k.EDGE_LEVEL)[0],
        "right_edge_level_m": side(k.EDGE_LEVEL)[1],
        "left_fall_m": side(k.FALL)[0],
        "right_fall_m": side(k.FALL)[1],
        "spoil_side": spoil_side,
        "spoil_left_height_m": spoil_left,
        "spoil_left_width_m": np.where(spoil_left > 0, side(k.SPOIL_WIDTH)[0], spoil_left),
        "spoil_right_height_m": spoil_right,
        "spoil_right_width_m": np.where(spoil_right > 0, side(k.SPOIL_WIDTH)[1], spoil_right),
        "cross_slope_ratio": cross,
        "downhill_side": downhill,
        "bed_gradient_ratio": np.where(has_bed, gradient, np.nan),
        "upslope_area_m2": upslope_m2,
        "peat_depth_m": peat_m,
        "peat_below_bed_m": peat_m - (top - bed),
        "peat_error_m": peat_error_m,
        "fit_rms_m": col(k.RMS),
        "fit_quality_ratio": np.where(good, sections.quality, np.nan),
        "forbidden_why": forbidden,
    }
    table = pd.DataFrame(data)
    points = shapely.points(stations.xy)
    return gpd.GeoDataFrame(
        checked(_texts(gpd.GeoDataFrame(table, geometry=points, crs=crs)), STATIONS)
    )


def _lasting(height_m: F64, width_m: F64, stations: Stations, rules: MeasureRules) -> F64:
    """Return the height of spoil that lasts along the drain; 0 without, NaN where not measured."""
    lasts = rolling(height_m, stations, float(SPOIL_OVER_M.value), rules.station_m)
    stands = (lasts >= rules.spoil_height_m) & (height_m > 0.0) & (width_m > 0.0)
    return np.where(np.isfinite(height_m), np.where(stands, height_m, 0.0), np.nan)


def _texts(table: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the table with texts held as texts, also when it has no rows."""
    for name in table.columns.drop("geometry"):
        if table[name].dtype == object:
            table[name] = table[name].astype("str")
    return table


def node_table(
    drains: list[Drain], places: F64, level_m: dict[int, float], crs: str
) -> tuple[gpd.GeoDataFrame, dict[int, str]]:
    """Return the NODES table and the id of each node number, numbered north to south."""
    arrive: dict[int, int] = {}
    leave: dict[int, int] = {}
    meets: dict[int, set[int]] = {}
    for n, d in enumerate(drains):
        leave[d.head] = leave.get(d.head, 0) + 1
        arrive[d.outfall] = arrive.get(d.outfall, 0) + 1
        for node in (d.head, d.outfall):
            meets.setdefault(node, set()).add(n)
    for n, d in enumerate(drains):
        for node, _ in d.through:
            if node in meets:
                meets[node].add(n)
                arrive[node] = arrive.get(node, 0) + 1
                leave[node] = leave.get(node, 0) + 1
    order = sorted(meets, key=lambda n: (-round(places[n, 1], 1), round(places[n, 0], 1), n))
    ids = {node: f"N{i:03d}" for i, node in enumerate(order, 1)}
    kind = [
        "head" if not arrive.get(n) else "outfall" if not leave.get(n) else "junction"
        for n in order
    ]
    table = gpd.GeoDataFrame(
        {
            "node_id": [ids[n] for n in order],
            "kind": kind,
            "drains": np.array([len(meets[n]) for n in order], np.int64),
            "level_m": np.array([level_m.get(n, np.nan) for n in order], np.float64),
        },
        geometry=shapely.points(places[order].reshape(-1, 2)),
        crs=crs,
    )
    return gpd.GeoDataFrame(checked(_texts(table), NODES)), ids

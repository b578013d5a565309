"""The stations of all drains as plain arrays, in order of drain and chainage."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from peatwright.model.rules import Rules

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# Longer than any drain: keeps drains apart when all are laid end to end on one axis.
_FAR_M = 1.0e6

_NUMBERS = (
    "chainage_m", "bearing_deg", "bed_level_m", "left_level_m", "right_level_m", "left_offset_m",
    "right_offset_m", "depth_m", "top_width_m", "bottom_width_m", "ground_level_m",
    "sag_left_width_m", "sag_left_depth_m", "sag_right_width_m", "sag_right_depth_m",
    "left_edge_level_m", "right_edge_level_m", "left_fall_m", "right_fall_m",
    "spoil_left_height_m", "spoil_left_width_m", "spoil_right_height_m", "spoil_right_width_m",
    "cross_slope_ratio", "bed_gradient_ratio", "upslope_area_m2", "peat_depth_m",
    "peat_below_bed_m", "fit_quality_ratio",
)  # fmt: skip


@dataclass(frozen=True)
class Sections:
    """All stations (N) of all drains (D). Numbers are held in `value[name]`, NaN for not known."""

    drain_ids: NDArray[np.object_]
    length_m: Floats
    off: Ints
    drain: Ints
    lower_m: Floats
    upper_m: Floats
    x_m: Floats
    y_m: Floats
    bed_m: Floats
    usable: Bools
    value: dict[str, Floats]
    text: dict[str, NDArray[np.object_]]
    seen: Bools

    def __getitem__(self, name: str) -> Floats:
        return self.value[name]

    def axis(self, drain: Ints, chainage_m: Floats) -> Floats:
        """Place on the axis on which all drains lie end to end."""
        return drain * _FAR_M + chainage_m

    def at(self, drain: Ints, chainage_m: Floats, values: Floats) -> Floats:
        """Interpolate station values along the drains, held level beyond their last stations."""
        if not drain.size:
            return np.zeros(0)
        low = self.value["chainage_m"][self.off[drain]]
        high = self.value["chainage_m"][self.off[drain + 1] - 1]
        held = np.clip(chainage_m, low, high)
        axis = self.axis(self.drain, self.value["chainage_m"])
        found: Floats = np.interp(self.axis(drain, held), axis, values)
        return found

    def nearest(self, drain: Ints, chainage_m: Floats) -> Ints:
        """Index of the station whose cell holds each chainage."""
        axis = self.axis(self.drain, self.lower_m)
        found = np.searchsorted(axis, self.axis(drain, chainage_m), side="right") - 1
        held: Ints = np.clip(found, self.off[drain], self.off[drain + 1] - 1).astype(np.int64)
        return held


def gather(drains: gpd.GeoDataFrame, stations: gpd.GeoDataFrame, rules: Rules) -> Sections:
    """Put the stations in order of the drains table and of chainage; nothing is changed in place.

    Stations of drains that are not in the table are left out. A station is `usable` when the drain
    is seen and measured there, bed, depth and width are known, and a bank level is.
    """
    del rules
    ids = drains["drain_id"].to_numpy(dtype=object)
    number = pd.Series(np.arange(len(ids)), index=ids)
    drain = number.reindex(stations["drain_id"].to_numpy(dtype=object)).to_numpy(dtype=np.float64)
    chainage = stations["chainage_m"].to_numpy(dtype=np.float64)
    order = np.lexsort((chainage, drain))
    order = order[np.isfinite(drain[order])]
    drain_of: Ints = drain[order].astype(np.int64)
    value = {n: stations[n].to_numpy(dtype=np.float64)[order] for n in _NUMBERS}
    text = {
        n: stations[n].fillna("").to_numpy(dtype=object)[order]
        for n in ("forbidden_why", "unmeasured_why", "spoil_side", "downhill_side")
    }
    off: Ints = np.searchsorted(drain_of, np.arange(len(ids) + 1)).astype(np.int64)
    length = drains["length_m"].to_numpy(dtype=np.float64)
    c = value["chainage_m"]
    lower, upper = _cells(off, c, length)
    points = stations.geometry.to_numpy()[order]
    seen = stations["seen"].to_numpy(dtype=bool)[order]
    measured = stations["measured"].to_numpy(dtype=bool)[order]
    sides = np.isfinite(value["left_level_m"]) | np.isfinite(value["right_level_m"])
    usable = seen & measured & sides
    for name in ("bed_level_m", "depth_m", "top_width_m"):
        usable &= np.isfinite(value[name])
    bed = _filled(drain_of, c, np.where(measured, value["bed_level_m"], np.nan))
    return Sections(
        ids, length, off, drain_of, lower, upper, shapely.get_x(points), shapely.get_y(points),
        bed, usable, value, text, seen,
    )  # fmt: skip


def _cells(off: Ints, chainage: Floats, length: Floats) -> tuple[Floats, Floats]:
    """Cell of each station: half-way to its neighbours, and to the ends of the drain."""
    lower = np.empty_like(chainage)
    upper = np.empty_like(chainage)
    if chainage.size:
        middle = 0.5 * (chainage[1:] + chainage[:-1])
        lower[1:] = middle
        upper[:-1] = middle
        some = off[1:] > off[:-1]
        lower[off[:-1][some]] = 0.0
        upper[off[1:][some] - 1] = np.maximum(length, 0.0)[some]
        upper = np.maximum(upper, lower)
    return lower, upper


def _filled(drain: Ints, chainage: Floats, bed: Floats) -> Floats:
    """Bed with unmeasured stations bridged in a straight line, for pools; NaN where none known."""
    known = np.isfinite(bed)
    if known.all() or not known.any():
        return bed
    axis = drain * _FAR_M + chainage
    filled = np.interp(axis, axis[known], bed[known])
    has = np.zeros(int(drain.max()) + 1, dtype=bool)
    has[drain[known]] = True
    # Beyond the outermost known bed of a drain the nearest known bed holds.
    first = np.searchsorted(axis[known], drain * _FAR_M)
    last = np.searchsorted(axis[known], (drain + 1) * _FAR_M) - 1
    within = has[drain]
    low = np.where(within, axis[known][np.minimum(first, known.sum() - 1)], 0.0)
    high = np.where(within, axis[known][np.maximum(last, 0)], 0.0)
    filled = np.where(axis < low, bed[known][np.minimum(first, known.sum() - 1)], filled)
    filled = np.where(axis > high, bed[known][np.maximum(last, 0)], filled)
    out: Floats = np.where(within, filled, np.nan)
    return out

"""The stations of all drains as plain arrays, in order of drain and chainage."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from peatwright.works import _kernels

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

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

    def at(self, drain: Ints, chainage_m: Floats, values: Floats) -> Floats:
        """Interpolate station values along the drains, held level beyond their last stations."""
        out = np.empty(drain.size)
        _kernels.between(self.off, self.value["chainage_m"], values, drain, chainage_m, out)
        return out

    def nearest(self, drain: Ints, chainage_m: Floats) -> Ints:
        """Index of the station whose cell holds each chainage."""
        out = self.search(self.lower_m, drain, chainage_m, right=True) - 1
        held: Ints = np.clip(out, self.off[drain], self.off[drain + 1] - 1)
        return held

    def search(self, values: Floats, drain: Ints, at: Floats, *, right: bool) -> Ints:
        """First station of each drain whose value is `at` or more (or, if right, more)."""
        out = np.empty(drain.size, dtype=np.int64)
        _kernels.search(self.off, values, drain, at, right, out)
        return out


def gather(drains: gpd.GeoDataFrame, stations: gpd.GeoDataFrame) -> Sections:
    """Put the stations in order of the drains table and of chainage; nothing is changed in place.

    Stations of drains that are not in the table are left out. A station is `usable` when the drain
    is seen and measured there, bed, depth and width are known, and a bank level is.
    """
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
    # Unmeasured stations are bridged in a straight line, for pools and the base of dams alone.
    bed = np.empty_like(c)
    _kernels.bridge(off, c, np.where(measured, value["bed_level_m"], np.nan), bed)
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

"""From lines to cross-sections, graded beds and cut ground: the demo's truth."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import ndimage

from peatwright.demo._kernels import carve_line
from peatwright.demo.figures import SEA_X_M, SEA_Y_M, Figures
from peatwright.demo.ground import Frame, Land, wander
from peatwright.demo.lines import Plan, chainage

F64 = NDArray[np.float64]
F32 = NDArray[np.float32]

# Ground along a drain stands at least this far above the bed it falls to.
LEAST_RISE_M = 0.55
SHORTEST_M = {"drain": 25, "rill": 4}
OPEN, OVERGROWN, CULVERT, JUNCTION = "open", "overgrown", "culvert", "junction"


@dataclass(frozen=True, eq=False)
class Channel:
    """A plan with its true stations; `left` and `right` as the water runs."""

    plan: Plan
    s_m: F64
    bed_dug_m: F64
    bed_m: F64
    shoulder_m: F64
    top_m: F64
    bottom_dug_m: F64
    bottom_m: F64
    sag_width_m: F64
    sag_depth_m: F64
    spoil_side: F64
    spoil_height_m: F64
    spoil_width_m: F64
    ground_m: F64
    peat_m: F64
    state: NDArray[np.str_]


def falling(target: F64, s_m: F64, min_fall: float, end_level: float | None) -> F64:
    """Return the bed nearest the target that falls all the way and ends at `end_level`, m."""
    tilt = min_fall * s_m
    up = target + tilt
    b = 0.5 * (np.minimum.accumulate(up) + np.maximum.accumulate(up[::-1])[::-1])
    if end_level is not None:
        end = end_level + tilt[-1]
        b = np.maximum(b, end)
        b = b - np.exp(-((s_m[-1] - s_m) / 12.0)) * (b[-1] - end)
    return np.asarray(b - tilt, np.float64)


def _mix(rng: np.random.Generator, n: int, length_m: float, low: float, high: float) -> F64:
    """Return a smooth random series that stays between two bounds."""
    wave = wander(rng, n, length_m) * 0.8 + rng.normal(0.0, 0.5)
    return low + (high - low) * 0.5 * (1.0 + np.tanh(wave))


def _stretch(s_m: F64, spans: tuple[tuple[float, float], ...], edge_m: float) -> F64:
    """Weight 1 inside spans, 0 outside, with edges that long."""
    w = np.zeros_like(s_m)
    for a, b in spans:
        inner = np.minimum(s_m - a, b - s_m)
        w = np.maximum(w, np.clip(inner / edge_m, 0.0, 1.0))
    return w * w * (3.0 - 2.0 * w)


def channel(
    rng: np.random.Generator,
    plan: Plan,
    land: Land,
    ground_m: F32,
    figures: Figures,
    receiver: Channel | None,
    track: F64,
) -> Channel | None:
    """Give a plan its cross-sections and its graded bed.

    `ground_m` is the ground before any channel, with the track on it; `receiver` is the channel it
    runs into, whose bed it meets; `track` is the track's line. A drain keeps only the part whose
    ground lies high enough to fall to its outfall; None when that is too short to dig.
    """
    f, frame = figures, land.frame
    xy = plan.xy
    end = end_air = None
    if receiver is not None:
        at = int(np.argmin(np.hypot(*(receiver.plan.xy - xy[-1]).T)))
        end, end_air = float(receiver.bed_dug_m[at]), float(receiver.bed_m[at])
        if receiver.plan.kind != "drain":
            end, end_air = end + 0.03, end + 0.08
        if plan.kind in {"drain", "rill"}:
            level = ndimage.gaussian_filter1d(frame.sample(ground_m, xy), 3.0, mode="nearest")
            too_low = np.flatnonzero(level[:-3] - end < LEAST_RISE_M)
            if len(too_low):
                xy = xy[too_low[-1] + 1 :]
            if len(xy) < SHORTEST_M[plan.kind]:
                return None
            plan = replace(plan, xy=xy)
    s = chainage(xy)
    n = len(xy)
    along = np.gradient(xy, axis=0)
    along /= np.hypot(along[:, 0], along[:, 1])[:, None]
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
    peat = frame.sample(land.peat_m, xy)
    head = np.clip(s / 8.0, 0.0, 1.0) ** 0.5
    sag_w, sag_d = np.zeros((n, 2)), np.zeros((n, 2))
    spoil_side, spoil_h = np.zeros(n), np.zeros(n)
    spoil_w = np.full(n, f.spoil_width_m)

    if plan.kind == "drain":
        big = 0.35 if plan.name.endswith("main") else 0.0
        depth = _mix(rng, n, 30.0, f.depth_low_m, f.depth_high_m) + 0.2 * big
        depth *= 0.45 if plan.old else 1.0
        top = np.clip(0.55 + 0.75 * depth + _mix(rng, n, 14.0, -0.2, 0.35) + big, 0.6, 1.6)
        # Sides have slumped here and there.
        top = np.clip(top + 0.07 * wander(rng, n, 1.5), f.top_low_m, f.top_high_m)
        bottom = np.clip(top * _mix(rng, n, 20.0, 0.35, 0.5), 0.25, 0.75)
        fill = _mix(rng, n, 18.0, f.fill_low_m, f.fill_high_m) * np.where(plan.old, 0.8, 1.0)
        # Deep peat has sunk most; the downhill side more than the uphill side.
        limit = f.sag_per_peat_ratio * peat
        for k in (0, 1):
            sag_d[:, k] = _mix(rng, n, 25.0, f.sag_depth_low_m, f.sag_depth_high_m)
            sag_d[:, k] = np.clip(
                np.minimum(sag_d[:, k], limit), f.sag_depth_low_m, f.sag_depth_high_m
            )
            wide = 0.4 + 4.0 * sag_d[:, k] + _mix(rng, n, 20.0, -0.2, 0.6)
            sag_w[:, k] = np.clip(wide, f.sag_width_low_m, f.sag_width_high_m)
        sag_d *= (0.3 + 0.7 * head)[:, None]
        if plan.old:
            sag_d *= 0.7
    elif plan.kind == "gully":
        main = plan.name.endswith("main")
        ramp = np.clip(s / (90.0 * frame.scale + 15.0), 0.0, 1.0)
        depth = f.gully_depth_low_m * (0.6 + 0.4 * ramp) + _mix(rng, n, 12.0, 0.0, 0.7) * ramp
        depth = np.minimum(depth * (1.1 if main else 0.9), f.gully_depth_high_m)
        top = f.gully_top_low_m + (1.0 + 2.0 * ramp) * (1.0 if main else 0.6)
        top = top + 0.9 * wander(rng, n, 4.0) + 0.5 * wander(rng, n, 1.6)
        top = np.clip(top, f.gully_top_low_m, f.gully_top_high_m)
        bottom = np.clip(top * _mix(rng, n, 8.0, 0.25, 0.5), 0.5, 4.0)
        fill = np.full(n, 0.02)
        sag_w += 1.5
        sag_d += 0.08
    elif plan.kind == "rill":
        depth = np.linspace(0.3, 0.9, n)
        top = np.linspace(0.8, 2.2, n) + 0.2 * wander(rng, n, 2.0)
        bottom = 0.4 * top
        fill = np.full(n, 0.02)
    elif plan.kind == "burn":
        ramp = np.clip(s / (300.0 * frame.scale), 0.0, 1.0)
        depth = 0.45 + 0.5 * ramp + 0.08 * wander(rng, n, 10.0)
        top = 1.6 + 1.8 * ramp + 0.35 * wander(rng, n, 6.0)
        bottom = 0.55 * top
        fill = np.full(n, 0.05)
        sag_w += 2.5
        sag_d += 0.15
    else:
        depth = np.full(n, 0.45) + 0.05 * wander(rng, n, 15.0)
        top = np.full(n, 1.0) + 0.08 * wander(rng, n, 10.0)
        bottom = np.full(n, 0.4)
        fill = np.full(n, 0.05)
        peat = np.minimum(peat, 0.5)

    ground = frame.sample(ground_m, xy)
    half = 0.5 * top[:, None]
    left = frame.sample(ground_m, xy + normal * half)
    right = frame.sample(ground_m, xy - normal * half)
    shoulder = np.stack([left, right], axis=1) - sag_d
    mean = shoulder.mean(axis=1)

    target = ndimage.gaussian_filter1d(mean, 6.0, mode="nearest") - depth * head
    dug = falling(target, s, f.min_fall_ratio, end)
    # A bed is at least a spade's depth down, whatever the hummocks do.
    dug = falling(np.minimum(dug, mean - 0.15), s, f.min_fall_ratio, end)
    if end_air is not None and end is not None:
        fill = fill + (end_air - end - fill) * np.exp(-((s[-1] - s) / 10.0))
    fill = np.minimum(fill, 0.6 * np.maximum(mean - dug, 0.05))
    air = np.minimum.accumulate(dug + fill + f.min_fall_ratio * s) - f.min_fall_ratio * s

    state = np.full(n, OPEN, dtype="<U9")
    gone = _stretch(s, plan.gaps, 3.0)
    over = gone > 0.02
    air = air + gone * np.maximum(mean - 0.04 - air, 0.0)
    state[over] = OVERGROWN
    if plan.kind in {"drain", "gully", "burn"}:
        near = np.hypot(xy[:, None, 0] - track[None, ::2, 0], xy[:, None, 1] - track[None, ::2, 1])
        under = near.min(axis=1) < 3.6
        air = np.where(under, np.nan, air)
        state[under] = CULVERT
    visible = np.where(
        np.isnan(air), 0.0, np.clip((mean - air) / np.maximum(mean - dug, 0.05), 0, 1)
    )
    # The bed that shows is wider than the dug one: water fills the sides.
    wide = bottom + (top - bottom) * (1.0 - visible)

    if plan.kind == "drain":
        # Old spoil lies on the downhill side, broken where it was spread or has rotted away.
        sides = ndimage.gaussian_filter1d(left - right, 35.0, mode="nearest")
        spoil_side = np.where(sides < 0.0, 1.0, -1.0)
        lies = _stretch(s, _runs(rng, s[-1]), 2.0) * np.clip(s / 6.0, 0, 1)
        if receiver is not None and receiver.plan.kind == "drain":
            lies = lies * np.clip((s[-1] - s - 4.0) / 3.0, 0.0, 1.0)
        spoil_h = _mix(rng, n, 8.0, f.spoil_low_m, f.spoil_high_m) * lies
        spoil_h = spoil_h * (0.5 if plan.old else 1.0)
        spoil_w = f.spoil_width_m * _mix(rng, n, 15.0, 0.8, 1.4)
        spoil_side = np.where(spoil_h > 0.03, spoil_side, 0.0)
        spoil_h = np.where(spoil_side == 0.0, 0.0, spoil_h)
    return Channel(
        plan,
        s,
        dug,
        air,
        shoulder,
        top,
        bottom,
        np.minimum(wide, top),
        sag_w,
        sag_d,
        spoil_side,
        spoil_h,
        spoil_w,
        ground,
        peat,
        state,
    )


def _runs(rng: np.random.Generator, length_m: float) -> tuple[tuple[float, float], ...]:
    """Pick stretches of spoil with gaps between."""
    spans = []
    at = rng.uniform(0.0, 8.0)
    while at < length_m:
        long = rng.uniform(12.0, 55.0)
        spans.append((at, min(at + long, length_m + 5.0)))
        at += long + rng.uniform(3.0, 16.0)
    return tuple(spans)


def cut(frame: Frame, ground_m: F32, channels: list[Channel], figures: Figures) -> F32:
    """Cut channels with their sags and spoil into the ground; returns new levels.

    A cell's level is the mean of its four quarters, as a gridded terrain model's is.
    """
    shape = ground_m.shape
    stamp = np.zeros(shape, np.int32)
    near, at = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    total = np.zeros(shape, np.float32)
    k = 0
    for quarter in range(4):
        east_m, north_m = (frame.cell_m * (0.5 * (quarter >> i & 1) - 0.25) for i in (0, 1))
        sag, spoil = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
        low = np.full(shape, np.inf, np.float32)
        for c in channels:
            k += 1
            carve_line(
                np.ascontiguousarray(c.plan.xy[:, 0]),
                np.ascontiguousarray(c.plan.xy[:, 1]),
                c.bed_m,
                c.shoulder_m,
                c.top_m,
                c.bottom_m,
                c.sag_width_m,
                c.sag_depth_m,
                c.spoil_side,
                c.spoil_height_m,
                c.spoil_width_m,
                figures.spoil_gap_m,
                SEA_X_M + east_m,
                SEA_Y_M + frame.height_m + north_m,
                frame.cell_m,
                k,
                stamp,
                near,
                at,
                sag,
                spoil,
                low,
            )
        total += np.minimum(ground_m - sag + spoil, low)
    return np.asarray(total * np.float32(0.25), np.float32)


def track_on(frame: Frame, ground_m: F32, track: F64, crown_m: float, half_m: float) -> F32:
    """Lay a track on the ground: level across, a little above it, with banks of 1 in 1.5."""
    level = frame.sample(ground_m, track)
    level = ndimage.gaussian_filter1d(level, 12.0, mode="nearest") + crown_m
    # The track runs west to east, so each cell's nearest point is close to its own easting.
    x = SEA_X_M + (np.arange(frame.cols) + 0.5) * frame.cell_m
    y = SEA_Y_M + frame.height_m - (np.arange(frame.rows) + 0.5) * frame.cell_m
    mid = np.interp(x, track[:, 0], track[:, 1])
    lean = np.cos(np.arctan(np.gradient(mid, frame.cell_m)))
    z = np.interp(x, track[:, 0], level)
    top = int(np.searchsorted(-y, -(mid.max() + 14.0)))
    foot = int(np.searchsorted(-y, -(mid.min() - 14.0)))
    away = np.abs(y[top:foot, None] - mid[None, :]) * lean[None, :]
    rise = np.maximum(away - half_m, 0.0) / 1.5
    band = ground_m[top:foot]
    out = ground_m.copy()
    camber = 0.04 * (1.0 - np.minimum(away / half_m, 1.0) ** 2)
    laid = np.where(
        away <= half_m,
        z[None, :] + camber,
        np.clip(band, z[None, :] - rise, z[None, :] + rise),
    )
    out[top:foot] = np.where(away < 12.0, laid, band)
    return out


def stations_table(channels: list[Channel], names: dict[str, str]) -> pd.DataFrame:
    """Return the true stations of all channels, one row a metre."""
    frames = []
    for c in channels:
        mean = c.shoulder_m.mean(axis=1)
        side = np.select([c.spoil_side > 0, c.spoil_side < 0], ["left", "right"], "none")
        frames.append(
            pd.DataFrame(
                {
                    "drain": names.get(c.plan.name, c.plan.name),
                    "kind": c.plan.kind,
                    "chainage_m": c.s_m,
                    "x_m": c.plan.xy[:, 0],
                    "y_m": c.plan.xy[:, 1],
                    "ground_m": c.ground_m,
                    "bed_dtm_m": c.bed_m,
                    "bed_dug_m": c.bed_dug_m,
                    "shoulder_left_m": c.shoulder_m[:, 0],
                    "shoulder_right_m": c.shoulder_m[:, 1],
                    "depth_dug_m": mean - c.bed_dug_m,
                    "depth_dtm_m": mean - c.bed_m,
                    "top_width_m": c.top_m,
                    "bottom_width_m": c.bottom_dug_m,
                    "bottom_width_dtm_m": c.bottom_m,
                    "sag_width_left_m": c.sag_width_m[:, 0],
                    "sag_width_right_m": c.sag_width_m[:, 1],
                    "sag_depth_left_m": c.sag_depth_m[:, 0],
                    "sag_depth_right_m": c.sag_depth_m[:, 1],
                    "spoil_side": side,
                    "spoil_height_m": c.spoil_height_m,
                    "spoil_width_m": np.where(c.spoil_side == 0, 0.0, c.spoil_width_m),
                    "peat_depth_m": c.peat_m,
                    "peat_below_bed_m": np.maximum(c.peat_m - (c.ground_m - c.bed_dug_m), 0.0),
                    "state": c.state,
                }
            )
        )
    return pd.concat(frames, ignore_index=True)

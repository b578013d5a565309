"""How far a dam of peat reaches to both sides: over the sag, as far as its pool needs it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from peatwright.model.rules import Rules
from peatwright.works import _kernels
from peatwright.works import methods as mt
from peatwright.works.sections import Floats, Ints, Sections

SIDES = ("left", "right")


@dataclass(frozen=True)
class Span:
    """Reach of a dam of peat (M), from the bed, m, and its width in whole buckets.

    `reach_m` (2, M) is the ground it spans on the left and right, `end_m` (2, M) its ends, which
    lie at least a key further out. `beyond_m` is how much of the sag lies outside its ends, over
    ground as high as the pool; `short_m` (2, M) how much ground below the pool lies there.
    """

    buckets: Floats
    reach_m: Floats
    end_m: Floats
    beyond_m: Floats
    short_m: Floats


def shoulders(s: Sections, rules: Rules) -> Floats:
    """Return the distance from the bed to where the sag begins (2, N), m, as the sag was fitted.

    A deep sag or old spoil can draw a shoulder outwards, seldom both: the nearer one tells.
    """
    half = round(0.5 * rules.measure.sag_average_m / rules.measure.station_m)
    half_top = 0.5 * s["top_width_m"]
    both = np.stack([_or(s[f"{side}_offset_m"], half_top) for side in SIDES])
    own = [_steady(s, v, half) for v in both]
    nearer = _steady(s, both.min(axis=0), half)
    out: Floats = np.stack([np.fmin(v, nearer) for v in own])
    return out


def spans(s: Sections, method: Ints, pool_m: Floats, tie_m: float, rules: Rules) -> Span:
    """Return how far a dam of peat reaches at each station (N), with its pool at `pool_m`.

    It spans the whole sag, or if that takes more than `buckets_usual_max`, what its pool needs: on
    each side it must end where ground, along its crest line, is as high as the pool (`tie_m` less
    counts as equal), or water runs round its end. Where ground at the sag's edge is lower than
    that, the dam goes on outwards as the ground rises there, to `buckets_most` at most.
    """
    d = rules.dam
    begin = shoulders(s, rules)
    half = round(0.5 * d.steady_m / rules.measure.station_m)
    half_top = 0.5 * s["top_width_m"]
    channel, edge, need = (np.empty_like(begin) for _ in range(3))
    for k, side in enumerate(SIDES):
        channel[k] = _steady(s, _or(s[f"{side}_offset_m"], half_top), half)
        wide = _or(s[f"sag_{side}_width_m"], 0.0)
        edge[k] = np.fmax(channel[k], begin[k] + wide)
        need[k] = _need(
            np.fmin(channel[k], edge[k]), edge[k], _steady_level(s, s[f"{side}_level_m"], half),
            s[f"{side}_edge_level_m"], s[f"{side}_fall_m"] / d.outlet_run_m, pool_m - tie_m,
        )  # fmt: skip
    key = 2.0 * d.key_m
    least = np.where(method == mt.WAVE, d.buckets_min, 1)

    def buckets_for(reach: Floats) -> Floats:
        out: Floats = np.ceil((reach.sum(axis=0) + key) / d.bucket_m - 1e-9)
        return out

    full = np.fmax(edge, need)
    wanted, needed = buckets_for(full), buckets_for(need)
    most = np.fmax(d.buckets_usual_max, np.fmin(needed, d.buckets_most))
    buckets = np.fmax(least, np.fmin(wanted, most))
    width = buckets * d.bucket_m
    room = width - key
    # Where not all fits, the channel comes first, then what the pool needs, then the sag.
    reach = _within(room, _within(room, channel, np.fmin(need, edge)), need)
    reach = _within(room, reach, full)
    spare = 0.5 * np.fmax(width - reach.sum(axis=0), 0.0)
    end = reach + spare
    short = np.where(np.isfinite(need), np.fmax(need - reach, 0.0), rules.measure.section_half_m)
    short = np.where(short > 0.5 * d.bucket_m, short, 0.0)
    beyond = np.fmax(edge - end, 0.0).sum(axis=0)
    return Span(buckets, reach, end, beyond, short)


def _need(
    inner: Floats,
    edge: Floats,
    level: Floats,
    edge_level: Floats,
    fall_ratio: Floats,
    water: Floats,
) -> Floats:
    """Return how far from the bed ground, rising from shoulder to edge and on, reaches `water`."""
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.clip((water - level) / (edge_level - level), 0.0, 1.0)
        risen = inner + np.where(level >= water, 0.0, share) * (edge - inner)
        # Ground that does not rise beyond the edge never reaches the pool.
        out = np.where(
            fall_ratio < 0.0, edge + (water - edge_level) / np.fmax(-fall_ratio, 1e-9), np.inf
        )
    found = np.where(edge_level >= water, risen, np.where(level >= water, edge, out))
    known = np.isfinite(water) & np.isfinite(level) & np.isfinite(edge_level)
    return np.where(known & ((edge_level >= water) | np.isfinite(fall_ratio)), found, edge)


def _within(room: Floats, inner: Floats, outer: Floats) -> Floats:
    """Go from `inner` towards `outer` (2, N), on both sides alike, as far as `room` (N) lets."""
    far = np.where(np.isfinite(outer), outer, np.fmax(inner, room))
    far = np.fmax(far, inner)
    left = np.fmax(room - inner.sum(axis=0), 0.0)
    grow = far - inner
    total = grow.sum(axis=0)
    share = np.where(total > left, left / np.where(total > 0.0, total, 1.0), 1.0)
    out: Floats = inner + share * grow
    return out


def _steady(s: Sections, values: Floats, half: int) -> Floats:
    return _steadied(s, values, np.zeros_like(values), half)


def _steady_level(s: Sections, values: Floats, half: int) -> Floats:
    return _steadied(s, values, _or(s["bed_gradient_ratio"], 0.0), half)


def _steadied(s: Sections, values: Floats, slope: Floats, half: int) -> Floats:
    if half < 1:
        return values
    out = np.empty_like(values)
    known = np.where(s.usable, values, np.nan)
    _kernels.steady(s.off, s["chainage_m"], known, slope, half, out)
    return out


def _or(values: Floats, other: Floats | float) -> Floats:
    out: Floats = np.where(np.isfinite(values), values, other)
    return out

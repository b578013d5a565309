"""Runs of drain to zip between dams, and where a spoil bank along them is broken through."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from peatwright.model.rules import Rules
from peatwright.works import _kernels, dams, volumes
from peatwright.works import methods as mt
from peatwright.works.placement import Ends
from peatwright.works.sections import Bools, Floats, Ints, Sections


@dataclass(frozen=True)
class Standing:
    """Dams as they stand (M), in order of drain and chainage."""

    drain: Ints
    at_m: Floats
    from_m: Floats
    to_m: Floats
    hollow_from_m: Floats
    untouched_to_m: Floats


@dataclass(frozen=True)
class Runs:
    """Zip runs (Z), in order of drain and chainage. Cuts and volume are NaN where not known."""

    drain: Ints
    from_m: Floats
    to_m: Floats
    below_dam: Ints
    above_dam: Ints
    depth_m: Floats
    pairs: Floats
    first_cut_m: Floats
    second_cut_m: Floats
    volume_m3: Floats


@dataclass(frozen=True)
class Breaks:
    """Breaks through spoil along runs (B)."""

    drain: Ints
    at_m: Floats
    from_m: Floats
    to_m: Floats
    side: Ints
    height_m: Floats
    bank_m: Floats
    volume_m3: Floats


def standing(
    drain: Ints, at_m: Floats, sized: dams.Sized, length_m: Floats, untouched_m: float
) -> Standing:
    """Ground that each dam takes along its drain, kept inside the drain."""
    return Standing(
        drain,
        at_m,
        np.maximum(at_m - sized.down_m, 0.0),
        np.minimum(at_m + sized.down_m, length_m[drain]),
        np.maximum(at_m - sized.up_m, 0.0),
        np.minimum(at_m + sized.down_m + untouched_m, length_m[drain]),
    )


def runs(s: Sections, reach: mt.Reaches, up: Standing, ends: Ends, rules: Rules) -> Runs:
    """Zip runs: drain of wave-dam and zip reaches, less the ground of dams, over the least length.

    Nothing is zipped within the set-backs of the drain's ends.
    """
    zipped = np.isin(reach.method, (mt.WAVE, mt.ZIP))
    new = np.ones(reach.first.size, dtype=bool)
    new[1:] = (reach.drain[1:] != reach.drain[:-1]) | ~zipped[:-1]
    starts = np.flatnonzero(new & zipped)
    number = np.cumsum(new & zipped) - 1
    stops = np.zeros(starts.size, dtype=np.int64)
    stops[number[zipped]] = np.flatnonzero(zipped)
    drain = reach.drain[starts]
    low = np.maximum(reach.from_m[starts], ends.head_setback_m[drain])
    high = np.minimum(reach.to_m[stops], s.length_m[drain] - ends.outfall_setback_m[drain])
    out = np.zeros((starts.size + up.drain.size, 3))
    touch = np.zeros((starts.size + up.drain.size, 2), dtype=np.int64)
    rows = _kernels.cut_runs(
        drain, low, high, up.drain, up.hollow_from_m, up.untouched_to_m,
        rules.zip.length_min_m, out, touch,
    )  # fmt: skip
    of = out[:rows, 0].astype(np.int64)
    run_drain, from_m, to_m = drain[of], out[:rows, 1].copy(), out[:rows, 2].copy()
    first, last = s.nearest(run_drain, from_m), s.nearest(run_drain, to_m)
    found = np.empty((1, rows))
    known = np.where(s.usable, s["depth_m"], np.nan)[None, :]
    _kernels.run_medians(first, last, known, found)
    depth = found[0]
    length = to_m - from_m
    return Runs(
        run_drain, from_m, to_m,
        touch[:rows, 0], touch[:rows, 1],
        depth, np.ceil(length / rules.zip.block_m - 1e-9), depth,
        depth * rules.zip.second_cut_ratio, _void(s, run_drain, from_m, to_m),
    )  # fmt: skip


def _void(s: Sections, drain: Ints, from_m: Floats, to_m: Floats) -> Floats:
    """Void of the drain over each run, unmeasured stations taken as the run's mean."""
    top = s["top_width_m"]
    with np.errstate(invalid="ignore"):
        bottom = np.where(np.isfinite(s["bottom_width_m"]), s["bottom_width_m"], 0.5 * top)
        area = volumes.trapezium_m2(top, bottom, s["depth_m"])
    known, total = np.empty(drain.size), np.empty(drain.size)
    _kernels.run_sums(
        s.off, s.lower_m, s.upper_m, np.where(s.usable, area, np.nan), drain, from_m, to_m,
        known, total,
    )  # fmt: skip
    with np.errstate(invalid="ignore", divide="ignore"):
        out: Floats = np.where(known > 0.0, total / known * (to_m - from_m), np.nan)
    return out


def breaks(
    s: Sections, run: Runs, gap_drain: Ints, gap_at_m: Floats, gap_side: Ints, rules: Rules
) -> Breaks:
    """Breaks in spoil banks along runs, so that no bank runs unbroken over the set length.

    Gaps at outlets count as breaks already made.
    """
    wide = rules.dam.spoil_gap_width_m
    # Breaks keep inside their run; in a run shorter than a break they stand in its middle.
    middle = 0.5 * (run.from_m + run.to_m)
    low = np.minimum(run.from_m + 0.5 * wide, middle)
    high = np.maximum(run.to_m - 0.5 * wide, middle)
    ends = np.zeros(s.drain.size + 1, dtype=np.int64)
    np.add.at(ends, s.nearest(run.drain, run.from_m), 1)
    np.add.at(ends, s.nearest(run.drain, run.to_m) + 1, -1)
    beside: Bools = np.cumsum(ends)[:-1] > 0
    found = []
    for side in (dams.LEFT, dams.RIGHT):
        bank = dams.banks(s, side, rules)
        held = gap_side == side
        out = np.zeros((s.drain.size + 1, 3))
        rows = _kernels.break_spoil(
            s.off, s.lower_m, s.upper_m, bank, gap_drain[held], gap_at_m[held],
            run.drain, low, high, rules.zip.spoil_break_every_m, out,
        )  # fmt: skip
        assert rows >= 0
        found.append(np.column_stack([out[:rows], np.full(rows, float(side))]))
    every = np.concatenate(found)
    drain: Ints = every[:, 0].astype(np.int64)
    at: Floats = every[:, 1]
    of: Ints = every[:, 2].astype(np.int64)
    side_of: Ints = every[:, 3].astype(np.int64)
    at_station = s.nearest(drain, at)
    right = side_of == dams.RIGHT
    bank_on = np.where(
        right, dams.banks(s, 1, rules)[at_station], dams.banks(s, 0, rules)[at_station]
    )
    keep = bank_on & beside[at_station]
    drain, at, side_of, of = drain[keep], at[keep], side_of[keep], of[keep]
    at_station, right = at_station[keep], right[keep]
    height = np.where(
        right, s["spoil_right_height_m"][at_station], s["spoil_left_height_m"][at_station]
    )
    bank_m = np.where(
        right, s["spoil_right_width_m"][at_station], s["spoil_left_width_m"][at_station]
    )
    from_m = np.maximum(at - 0.5 * wide, run.from_m[of])
    to_m = np.minimum(at + 0.5 * wide, run.to_m[of])
    return Breaks(
        drain, at, from_m, to_m, side_of, height, bank_m,
        volumes.gap_m3(height, bank_m, to_m - from_m),
    )  # fmt: skip

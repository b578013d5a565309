"""Where dams stand along each drain: an exact dynamic programme over its stations.

What is never given up: forbidden ground, ends and junctions, the least distance from crest to
crest, and that a distance over the greatest is left only where nothing can be built between.
What gives way, the first named first, when all cannot be met (a steep drain, a long forbidden
stretch): money; the greatest spacing, and the greatest distance of the first dam from the head; the
drop in ground per dam, if it governs; that a pool reaches the base of the next dam up; the head on
a dam. Each is weighed by the sum of its squared excess, so that what cannot be avoided is shared.
Below the last dam the rules of level hold as if the next one stood at the last place there is, so
that a steep end is not left open.
Money is the price of each dam, plus what a spacing off the usual distance, a poor outlet, and a
dam far below a junction or above an end are said to be worth in the rule sheet.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from peatwright.model.rules import Rules
from peatwright.works import _kernels
from peatwright.works import methods as mt
from peatwright.works.dams import Sized
from peatwright.works.rating import dam_money
from peatwright.works.sections import Bools, Floats, Ints, Sections


@dataclass(frozen=True)
class Ends:
    """Ends and junctions of each drain (D)."""

    head_setback_m: Floats
    outfall_setback_m: Floats
    junction_drain: Ints
    junction_m: Floats


@dataclass(frozen=True)
class Weights:
    """Limits and weights in whole millimetres and hundredths of money."""

    max_mm: int
    target_mm: int
    drop_mm: int
    pool_rule: bool
    off_cost: int
    close_cost: int

    @classmethod
    def of(cls, rules: Rules) -> Weights:
        """Read them from the rule sheet; a drop of -1 is switched off."""
        p = rules.spacing
        return cls(
            _mm(p.max_m), _mm(min(p.target_m, p.max_m)),
            _mm(p.drop_per_dam_m) if p.drop_per_dam_governs else -1, p.pool_reaches_base,
            round(p.off_target_cost * 100), round(p.close_cost * 100),
        )  # fmt: skip


@dataclass(frozen=True)
class Places:
    """Where dams may stand, stretch by stretch (G stretches, K places), in mm and hundredths.

    off (G+1); start, end, first_max, sep (G): bounds of the stretch, greatest distance of its first
    dam from its start, and least distance from crest to crest; row (K): station; pos, pool, toe,
    head, cost, junction (K): chainage, pool level, bed at the dam's lower base, head limit, money,
    and the last junction at or above (-1 if none); must (K): dams already fixed.
    """

    off: Ints
    start: Ints
    end: Ints
    first_max: Ints
    sep: Ints
    row: Ints
    pos: Ints
    pool: Ints
    toe: Ints
    head: Ints
    cost: Ints
    junction: Ints
    must: Bools

    def stretch(self) -> Ints:
        """Stretch of each place (K)."""
        out: Ints = np.repeat(np.arange(self.start.size), np.diff(self.off)).astype(np.int64)
        return out


def _mm(value_m: float) -> int:
    return round(value_m * 1000.0)


def _mms(values_m: Floats) -> Ints:
    out: Ints = np.rint(values_m * 1000.0).astype(np.int64)
    return out


def places(
    s: Sections, reach: mt.Reaches, choice: mt.Choice, sized: Sized, ends: Ends, rules: Rules,
    must: Bools | None = None,
) -> Places:  # fmt: skip
    """List where dams may stand. `must` (N) marks stations at which a dam is already fixed."""
    must = np.zeros(s.drain.size, dtype=bool) if must is None else must
    stretch, start, end, first_max = _stretches(reach, ends, s, rules)
    method = reach.method[reach.of_station]
    dammed = method < mt.ZIP
    own = choice.method
    fit = (own == method) | np.isin(own, (mt.WAVE, mt.PEAT, mt.ZIP))
    pos = s["chainage_m"]
    lower, upper = _block(reach)
    room = (pos - sized.up_m >= lower[reach.of_station] - 1e-9) & (
        pos + sized.down_m <= upper[reach.of_station] + 1e-9
    )
    open_end = s.length_m[s.drain] - ends.outfall_setback_m[s.drain]
    away = (pos <= open_end + 1e-9) & (pos >= ends.head_setback_m[s.drain] - 1e-9)
    may = dammed & fit & s.usable & np.isfinite(sized.pool_m) & room & away
    may &= ~_near_junction(s, ends, rules)
    may |= must & dammed & np.isfinite(sized.pool_m)
    row = np.flatnonzero(may).astype(np.int64)
    g = stretch[reach.of_station[row]]
    off = np.searchsorted(g, np.arange(start.size + 1)).astype(np.int64)
    # No dam's ground may lie on another's: hollow above, untouched ground below.
    taken = np.full(start.size, _mm(rules.spacing.min_m), dtype=np.int64)
    if row.size:
        ground = (sized.up_m + sized.down_m + rules.dam.untouched_below_m)[row]
        np.maximum.at(taken, g, _mms(ground))
    toe = s.at(s.drain[row], pos[row] + sized.toe_m[row], s.bed_m)
    money = np.rint(100.0 * dam_money(sized.rows(row), rules)).astype(np.int64)
    money += np.where(sized.poor[row], round(100.0 * rules.spacing.poor_outlet_cost), 0)
    return Places(
        off, _mms(start), _mms(end), _mms(first_max), taken, row, _mms(pos[row]),
        _mms(sized.pool_m[row]), _mms(toe), _mms(sized.head_max_m[row]), money,
        _junction_above(s, ends, row), must[row],
    )  # fmt: skip


def place(held: Places, weights: Weights) -> Ints:
    """Return the places (indices into K) of the dams of least cost, in order."""
    chosen = np.zeros(held.row.size, dtype=np.bool_)
    w = weights
    failed = _kernels.place(
        held.off, held.start, held.end, held.first_max, held.sep, held.pos, held.pool, held.toe,
        held.head, held.cost, held.junction, held.must, w.max_mm, w.target_mm, w.drop_mm,
        w.pool_rule, w.off_cost, w.close_cost, chosen,
    )  # fmt: skip
    assert failed == 0, "a stretch with places always has a way through"
    return np.flatnonzero(chosen).astype(np.int64)


def _stretches(
    reach: mt.Reaches, ends: Ends, s: Sections, rules: Rules
) -> tuple[Ints, Floats, Floats, Floats]:
    """Number the stretches: reach to stretch (R), then start, end and first_max of each.

    Forbidden and unmeasured reaches between dammed ones belong to the stretch, which goes on
    below them; zipped, reprofiled and other untouched reaches end it.
    """
    n = reach.first.size
    parts = np.ones(n, dtype=bool)
    ends_here = reach.ends_stretch()
    parts[1:] = (reach.drain[1:] != reach.drain[:-1]) | ends_here[1:] | ends_here[:-1]
    number = np.cumsum(parts) - 1
    dammed = reach.method < mt.ZIP
    used, stretch_of = np.unique(number[dammed], return_inverse=True)
    stretch = np.full(n, -1, dtype=np.int64)
    stretch[dammed] = stretch_of
    start = np.full(used.size, np.inf)
    end = np.full(used.size, -np.inf)
    np.minimum.at(start, stretch_of, reach.from_m[dammed])
    np.maximum.at(end, stretch_of, reach.to_m[dammed])
    drain = np.zeros(used.size, dtype=np.int64)
    drain[stretch_of] = reach.drain[dammed]
    length = s.length_m[drain]
    at_head = start <= 0.0
    at_end = end >= length - 1e-9
    start = np.where(at_head, np.minimum(ends.head_setback_m[drain], length), start)
    first_max = np.where(at_head, rules.spacing.head_setback_max_m, rules.spacing.max_m)
    # Below this no dam may stand, so it is from here that the tail is counted.
    end = np.where(at_end, length - ends.outfall_setback_m[drain], end)
    return stretch, start, end, first_max


def _block(reach: mt.Reaches) -> tuple[Floats, Floats]:
    """From and to of the run of dammed reaches around each reach (R)."""
    n = reach.first.size
    dammed = reach.method < mt.ZIP
    new = np.ones(n, dtype=bool)
    new[1:] = (reach.drain[1:] != reach.drain[:-1]) | ~dammed[1:] | ~dammed[:-1]
    number = np.cumsum(new) - 1
    begins = np.flatnonzero(new)
    stops = np.append(begins[1:] - 1, n - 1)[: begins.size]
    return reach.from_m[begins][number], reach.to_m[stops][number]


def _near_junction(s: Sections, ends: Ends, rules: Rules) -> Bools:
    """Whether a station lies closer to a drain that joins than the rule sheet allows."""
    out = np.zeros(s.drain.size, dtype=bool)
    near = rules.spacing.junction_setback_m - 1e-9
    for d, at in zip(ends.junction_drain.tolist(), ends.junction_m.tolist(), strict=True):
        own = slice(s.off[d], s.off[d + 1])
        out[own] |= np.abs(s["chainage_m"][own] - at) < near
    return out


def _junction_above(s: Sections, ends: Ends, row: Ints) -> Ints:
    """Chainage (mm) of the last drain to join at or above each row, -1 where none does."""
    last = np.full(s.drain.size, -1.0)
    for d, at in zip(ends.junction_drain.tolist(), ends.junction_m.tolist(), strict=True):
        own = slice(s.off[d], s.off[d + 1])
        below = s["chainage_m"][own] >= at
        last[own] = np.where(below, np.maximum(last[own], at), last[own])
    out: Ints = np.where(last[row] >= 0.0, _mms(last[row]), -1)
    return out

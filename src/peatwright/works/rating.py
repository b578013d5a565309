"""Machine hours and money of each kind of work, low, likely and high, from the rates table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from peatwright.model.cited import Cited
from peatwright.model.rates import Rates
from peatwright.model.rules import Rules
from peatwright.works import methods as mt
from peatwright.works.dams import Sized
from peatwright.works.sections import Floats, Ints

LEVELS = ("low", "likely", "high")
MINUTES_PER_HOUR = Cited(60.0, "min/h", "minutes in an hour", 60, 60)
_OPPOSITE = {"low": "high", "likely": "likely", "high": "low"}


@dataclass(frozen=True)
class Stuff:
    """Materials of dams: timbers, tonnes of stone and square metres of piling, each (M)."""

    timbers: Floats
    stone_t: Floats
    piling_m2: Floats


def dam_hours(method: Ints, buckets: Floats, rules: Rules, level: str) -> Floats:
    """Machine hours of each dam (M), with tracking to it. `level` is low, likely or high."""
    r = rules.rates
    hour = float(MINUTES_PER_HOUR.value)
    extra = np.nan_to_num(np.maximum(buckets - rules.dam.buckets_min, 0.0))
    base = np.array(
        [
            getattr(r, f"minutes_wave_dam_{level}") / hour,
            getattr(r, f"minutes_peat_dam_{level}") / hour,
            getattr(r, f"hours_timber_dam_{level}"),
            getattr(r, f"hours_stone_dam_{level}"),
            getattr(r, f"hours_piling_dam_{level}"),
        ]
    )
    wide = np.where(method <= mt.PEAT, extra * r.minutes_extra_bucket / hour, 0.0)
    out: Floats = base[method] + wide + r.move_minutes / hour
    return out


def stuff(method: Ints, width_m: Floats, height_m: Floats, rules: Rules) -> Stuff:
    """Materials of each dam. Piling is driven below the bed by `method.piling_peat_min_m`."""
    r = rules.rates
    deep = np.nan_to_num(height_m) + rules.method.piling_peat_min_m
    return Stuff(
        np.where(method == mt.TIMBER, r.timbers_per_dam, 0.0),
        np.where(method == mt.STONE, r.stone_t_per_dam, 0.0),
        np.where(method == mt.PILING, np.nan_to_num(width_m) * deep, 0.0),
    )


def stuff_money(held: Stuff, rates: Rates, level: str) -> Floats:
    """Money for materials."""
    out: Floats = (
        held.timbers * getattr(rates, f"timber_{level}")
        + held.stone_t * getattr(rates, f"stone_{level}")
        + held.piling_m2 * getattr(rates, f"piling_{level}")
    )
    return out


def hour_money(rates: Rates, level: str) -> float:
    """Money for one machine hour."""
    return float(getattr(rates, f"day_{level}") / rates.hours_per_day)


def zip_hours(length_m: Floats, rates: Rates, level: str) -> Floats:
    """Machine hours of zipping; the low figure goes with the quickest rate."""
    move = rates.move_minutes / float(MINUTES_PER_HOUR.value)
    out: Floats = length_m / getattr(rates, f"zip_m_per_hour_{_OPPOSITE[level]}") + move
    return out


def reprofile_hours(length_m: Floats, rates: Rates, level: str) -> Floats:
    """Machine hours of reprofiling; the low figure goes with the quickest rate."""
    a_day = getattr(rates, f"reprofile_m_per_day_{_OPPOSITE[level]}")
    move = rates.move_minutes / float(MINUTES_PER_HOUR.value)
    out: Floats = length_m / a_day * rates.hours_per_day + move
    return out


def gap_hours(rates: Rates, level: str) -> float:
    """Machine hours of one gap or break in spoil; the machine stands there anyway."""
    return float(getattr(rates, f"minutes_spoil_gap_{level}") / float(MINUTES_PER_HOUR.value))


def dam_money(sized: Sized, rules: Rules) -> Floats:
    """Likely money for each dam with its materials and spoil gap, as placing weighs it."""
    r = rules.rates
    hours = dam_hours(sized.method, sized.buckets, rules, "likely")
    hours = hours + np.where(sized.spoiled, gap_hours(r, "likely"), 0.0)
    held = stuff(sized.method, sized.width_m, sized.height_m, rules)
    out: Floats = hours * hour_money(r, "likely") + stuff_money(held, r, "likely")
    return out

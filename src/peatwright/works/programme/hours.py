"""Machine hours of every item from the rates table, and what must hold for rates to be used."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np

from peatwright.model.cited import citations
from peatwright.model.errors import Fault, RuleError
from peatwright.model.rates import Rates
from peatwright.model.rules import Rules
from peatwright.works import methods as mt
from peatwright.works import rating
from peatwright.works.sections import Floats

DIVIDES = (
    "hours_per_day", "zip_m_per_hour_low", "zip_m_per_hour_likely", "zip_m_per_hour_high",
    "reprofile_m_per_day_low", "reprofile_m_per_day_likely", "reprofile_m_per_day_high",
)  # fmt: skip


def rate_faults(rates: Rates) -> list[Fault]:
    """Return every rate that cannot be used: outside its range, or low, likely, high not in order.

    An output of nothing an hour would take for ever, so it is refused here, before any division.
    """
    faults = []
    for key, cite in citations(type(rates)).items():
        value = getattr(rates, key)
        if isinstance(value, str) or cite.low is None or cite.high is None:
            continue
        if not (cite.low <= value <= cite.high) or (key in DIVIDES and value <= 0):
            faults.append(
                Fault(
                    "rates",
                    key,
                    f"{value:g} {cite.unit}",
                    f"{cite.low:g} to {cite.high:g}",
                    f"It is {cite.means}: set it in the rule sheet.",
                )
            )
    names = {f.name for f in dataclasses.fields(rates)}
    for name in sorted(n.removesuffix("_likely") for n in names if n.endswith("_likely")):
        three = [getattr(rates, f"{name}_{level}") for level in rating.LEVELS]
        if three != sorted(three):
            said = ", ".join(f"{v:g}" for v in three)
            faults.append(
                Fault(
                    "rates",
                    name,
                    said,
                    "low, likely and high in rising order",
                    "Put the three figures in order.",
                )
            )
    return faults


def usable(rates: Rates) -> None:
    """Raise `RuleError` with all faults of the rates, if there are any."""
    faults = rate_faults(rates)
    if faults:
        raise RuleError(faults)


def item_hours(items: gpd.GeoDataFrame, rules: Rules, level: str = "likely") -> Floats:
    """Machine hours (h) of each row of an ITEMS table, as the price counts them.

    `level` is low, likely or high. Raises `RuleError` when rates cannot be used.
    """
    usable(rules.rates)
    kind = items["kind"].to_numpy(dtype=object)
    method = np.array([mt.METHOD_CODE[m] for m in items["method"]], dtype=np.int64)
    length = np.nan_to_num(items["length_m"].to_numpy(dtype=np.float64))
    buckets = items["buckets"].to_numpy(dtype=np.float64)
    dam = kind == "dam"
    out: Floats = np.select(
        [dam, kind == "zip", kind == "reprofile", np.isin(kind, ("spoil gap", "spoil break"))],
        [
            rating.dam_hours(np.where(dam, method, 0), buckets, rules, level),
            rating.zip_hours(length, rules.rates, level),
            rating.reprofile_hours(length, rules.rates, level),
            np.full(len(items), rating.gap_hours(rules.rates, level)),
        ],
        0.0,
    )
    return out

"""Figures of a whole site."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from peatwright.model.spill_rules import SpillRules
from peatwright.water.spill.catchments import Catchments
from peatwright.water.spill.route import Routed
from peatwright.water.spill.site import Hands, closure, station_lengths
from peatwright.water.spill.works import CLOSED, OPEN, Drains

F64 = NDArray[np.float64]

CAUTION = (
    "Screening: one way down for each cell of an airborne terrain model, works as drawn and not "
    "yet settled. Walk the spill paths in wet weather; a competent person decides."
)


@dataclass(frozen=True)
class Summary:
    """What becomes of the water of a site. NaN means not known.

    `*_error_ratio` is how far the water that leaves differs from the ground it fell on. A drain
    carries flow where the water of more than the set ground runs between its shoulders. Lengths
    after the works are of drain left open, of drain open between hard dams, and of drain closed
    over whose surface water still runs. `spilled_m2` is ground outside drains that receives spilled
    water; `changed_hands_m2` ground whose water comes out at another outfall.
    """

    dams: int
    at_outlet: int
    other_side: int
    over_notch: int
    over_dam: int
    past_dam: int
    unknown: int
    drain_m: float
    closed_m: float
    carrying_before_m: float
    carrying_open_after_m: float
    carrying_dammed_after_m: float
    carrying_closed_after_m: float
    back_in_drain: int
    back_in_drain_median_m: float
    over_bog_median_m: float
    spilled_m2: float
    changed_hands_m2: float
    outfalls_before_m2: float
    outfalls_after_m2: float
    arrivals: int
    ground_m2: float
    before_error_ratio: float
    after_error_ratio: float
    range_from: str
    caution: str = CAUTION


def _median(values: NDArray[np.float64]) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


def summarise(
    dams: pd.DataFrame, drains: Drains, was_m2: F64, now_m2: F64, before: Routed, after: Routed,
    spilled_m2: float, hands: Hands, came: pd.DataFrame, found: Catchments, rules: SpillRules,
) -> Summary:  # fmt: skip
    """Return the figures of a site from its parts.

    `was_m2` and `now_m2` are the water between the shoulders of each station, as ground.
    """
    long_m = station_lengths(drains.drain, drains.chainage_m)
    was, now = was_m2 >= rules.carries_m2, now_m2 >= rules.carries_m2
    closed, left = drains.state == CLOSED, drains.state == OPEN
    count = dams["place"].value_counts() if len(dams) else pd.Series(dtype="int64")
    soft = dams["method"].isin(["wave dam", "peat dam"]).to_numpy()
    back = dams["back_in_drain_m"].to_numpy(np.float64)[soft]
    over = dams["over_bog_m"].to_numpy(np.float64)[soft]
    grid = before.ground.grid
    return Summary(
        dams=len(dams),
        at_outlet=int(count.get("outlet", 0)),
        other_side=int(count.get("other side", 0)),
        over_notch=int(count.get("over its notch", 0)),
        over_dam=int(count.get("over the dam", 0)),
        past_dam=int(count.get("past the dam", 0)),
        unknown=int(count.get("unknown", 0)),
        drain_m=float(long_m.sum()),
        closed_m=float(long_m[closed].sum()),
        carrying_before_m=float(long_m[was].sum()),
        carrying_open_after_m=float(long_m[now & left].sum()),
        carrying_dammed_after_m=float(long_m[now & ~left & ~closed].sum()),
        carrying_closed_after_m=float(long_m[now & closed].sum()),
        back_in_drain=int(np.isfinite(back).sum()),
        back_in_drain_median_m=_median(back),
        over_bog_median_m=_median(over),
        spilled_m2=spilled_m2,
        changed_hands_m2=hands.changed_m2,
        outfalls_before_m2=hands.before_m2,
        outfalls_after_m2=hands.after_m2,
        arrivals=len(came),
        ground_m2=float(np.isfinite(before.ground.values).sum()) * grid.cell_area_m2,
        before_error_ratio=closure(before),
        after_error_ratio=closure(after),
        range_from=found.range_from,
    )

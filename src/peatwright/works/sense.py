"""Our cost beside published figures: a check of sense, not of truth.

Published figures differ by more than a hundredfold, rest on other years and other works, and their
own authors warn of them; none is brought to today's prices here.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from peatwright.model import columns
from peatwright.model.cited import Cited
from peatwright.model.programme_layers import SENSE

EXMOOR = "exmoormires.org.uk to 2010: 175,000 GBP for 50 km, 4,300 blocks and 350 ha, derived"
BLOCKS = (
    Cited(19.06, "GBP/dam", "grant for a peat block, not its full cost", 0, 1e4,
        source="GOV.UK Countryside Stewardship, WN1", read="original"),
    Cited(41.0, "GBP/dam", "Exmoor, per block", 0, 1e4, source=EXMOOR, read="via"),
)  # fmt: skip
PUBLISHED: dict[str, tuple[str, tuple[Cited, ...]]] = {
    "per peat dam alone": ("dam", BLOCKS),
    "per dam": ("dam", BLOCKS),
    "per km of drain": (
        "km",
        (
            Cited(100.0, "GBP/km", "Wharfedale 2000, 42 km at 13 GBP/h", 0, 1e6,
                source="Defra ADLib, Upper Wharfedale 1.1, derived", read="via"),
            Cited(3500.0, "GBP/km", "Exmoor, per km", 0, 1e6, source=EXMOOR, read="via"),
        ),
    ),
    "per hectare": (
        "ha",
        (
            Cited(306.0, "GBP/ha", "Exmoor, mean", 0, 1e6,
                source="Shallow marginal peatlands (abstract)", read="original"),
            Cited(500.0, "GBP/ha", "Exmoor, per ha", 0, 1e6, source=EXMOOR, read="via"),
            Cited(955.0, "GBP/ha", "Scotland, median of reported projects to 2020", 0, 1e6,
                source="sefari.scot, the cost of peatland restoration in Scotland",
                read="original"),
            Cited(2326.0, "GBP/ha", "Scotland, mean of 2022-23; its source warns of averages", 0,
                1e6, source="Scottish Parliament S6W-18571, 2023", read="original"),
            Cited(12500.0, "GBP/ha", "severe erosion, 1.2 M GBP for 96 ha", 0, 1e6,
                source="raby.co.uk 2023, derived", read="via"),
        ),
    ),
}  # fmt: skip
REASONS = {
    ("per peat dam alone", "above"): "dams are wide or slow to build here, or the day is dear",
    ("per peat dam alone", "below"): "a machine builds a dam in minutes; the published figures "
    "carry moving in, supervision, spread and travel of whole schemes",
    ("per dam", "above"): "the published figures are of peat blocks alone, some before 2010: ours "
    "carry zipping or reprofiling between dams, spoil gaps, moving in, supervision and contingency "
    "in today's prices",
    ("per dam", "below"): "dams stand closely here, so that each is small and quickly reached",
    ("per km of drain", "above"): "the published figures are of 2000 and 2010, of dams far apart "
    "without zipping",
    ("per km of drain", "below"): "much of the drain is left alone, or only zipped",
    ("per hectare", "above"): "the drains stand close together, or the area counted is only the "
    "strip beside them: whole units of land are counted in the published figures",
    ("per hectare", "below"): "drains are far apart on the area counted, or the works are light",
}


def sense(cost: pd.DataFrame, currency: str, *, note: str = "") -> pd.DataFrame:
    """Return the SENSE table for a COST table of `spread`.

    Ours is called within when P10 to P90 meets the published range, else above or below with the
    likely reason, to which `note` (what is special on this site) is added. Nothing is compared when
    the currency is not GBP, which all published figures are in.
    """
    ours = {
        str(row["figure"]): (float(row["p10"]), float(row["p50"]), float(row["p90"]))
        for row in cost.to_dict("records")
    }
    rows = []
    for basis, (unit, figures) in PUBLISHED.items():
        values = [float(c.value) for c in figures]
        said = "; ".join(f"{c.value:g} {c.unit}, {c.means} ({c.source})" for c in figures)
        held = ours.get(basis)
        three = (np.nan,) * 3 if held is None else held
        verdict, why = "not compared", f"published figures are in GBP, ours in {currency}"
        if held is None:
            why = "nothing of the kind is built, or its size is not known"
        elif currency == "GBP":
            verdict = "within"
            if three[0] > max(values):
                verdict = "above"
            elif three[2] < min(values):
                verdict = "below"
            why = REASONS.get((basis, verdict), "")
            why = f"{why}; {note}" if why and note else why
        rows.append(
            (f"cost {basis}", f"{currency}/{unit}", *three, min(values), max(values), said,
             verdict, why)
        )  # fmt: skip
    return columns.checked(pd.DataFrame(rows, columns=list(SENSE.names)), SENSE)

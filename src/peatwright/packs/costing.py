"""The cost with its range as it stands in the pack: one wording for screen, map and workbook."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from peatwright.model.rules import Rules
from peatwright.packs.wording import number

RANGE_WORDS = (
    "P50: as likely more as less. P10 and P90: one chance in ten of less, one in ten of more, with "
    "every rate between its low and high and the ground as well known as it is. Likely: every rate "
    "at its likely figure, which comes out lower, since work is slowed more often than sped up."
)
SENSE_WORDS = (
    "A check of sense, not of truth: published figures are of other years, other works and other "
    "ground, not brought to today's prices, and their own authors warn of them."
)
TOGETHER = "together"


def figures(tables: Mapping[str, pd.DataFrame]) -> dict[str, dict[str, Any]]:
    """Return the rows of the cost layer by figure, such as `total`; none when it was not made."""
    cost = tables.get("cost")
    if cost is None or not len(cost):
        return {}
    return {str(r["figure"]): {str(k): v for k, v in r.items()} for r in cost.to_dict("records")}


def programme_sums(tables: Mapping[str, pd.DataFrame]) -> dict[str, dict[str, Any]]:
    """Return what the programme comes to by figure, such as `tracked`; none without programme."""
    sums = tables.get("programme_sums")
    if sums is None or not len(sums):
        return {}
    return {str(r["figure"]): {str(k): v for k, v in r.items()} for r in sums.to_dict("records")}


def cost_words(tables: Mapping[str, pd.DataFrame], site: pd.Series, money: str) -> str:
    """Return the total in words: P50 with P10 to P90, or all rates likely, low and high."""
    total = figures(tables).get("total")
    if total is None:
        low, high = number(site["cost_low"]), number(site["cost_high"])
        return f"{number(site['cost'])} {money} (all rates low {low}, all high {high})"
    return (
        f"{number(total['p50'])} {money} P50 (P10 {number(total['p10'])}, "
        f"P90 {number(total['p90'])})"
    )


def driver_rows(tables: Mapping[str, pd.DataFrame]) -> list[tuple[str, float, float]]:
    """Return what drives the range: name, money from its P10 to its P90, share of the variance."""
    held = tables.get("cost_drivers")
    if held is None or not len(held):
        return []
    held = held[held["driver"] != TOGETHER]
    return [
        (str(r["driver"]), float(r["swing"]), float(r["share_ratio"]))
        for r in held.to_dict("records")
    ]


def each_rows(tables: Mapping[str, pd.DataFrame]) -> list[tuple[str, str, str]]:
    """Return basis, ours and the published range, in words, for each basis that is compared."""
    held = tables.get("cost_sense")
    if held is None or not len(held):
        return []
    rows = []
    for r in held.to_dict("records"):
        if r["p50"] != r["p50"]:  # nothing of the kind is built
            continue
        basis = str(r["basis"]).removeprefix("cost ")
        seen = f"{number(r['published_low'])} to {number(r['published_high'])}"
        rows.append((basis, number(r["p50"]), seen))
    return rows


def area_words(tables: Mapping[str, pd.DataFrame], rules: Rules) -> str:
    """Say which hectares the cost per hectare counts."""
    if len(tables["boundary"]):
        return "hectares inside the boundary"
    return f"hectares within {rules.condition.drained_m:g} m of a drain"

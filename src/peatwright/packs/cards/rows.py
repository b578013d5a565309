"""The rows of a card: what is built at one stand of the machine, in working order."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from peatwright.packs.cautions import caution_keys
from peatwright.packs.wording import plain

NAN = float("nan")
GAP_REACH_M = 3.0
"""A gap in spoil no further than this from a dam along the drain is that dam's own."""


@dataclass(frozen=True)
class Row:
    """One line of a card. Numbers are NaN where the thing has none."""

    number: str
    method: str
    kind: str
    chainage_m: float
    from_m: float
    to_m: float
    x_m: float
    y_m: float
    buckets: float = NAN
    dig_m: float = NAN
    crest_m: float = NAN
    outlet_side: str = ""
    outlet_bearing_deg: float = NAN
    zip_m: float = NAN
    gap_m: float = NAN
    cautions: tuple[tuple[str, str], ...] = ()


def card_rows(items: pd.DataFrame, *, upstream: bool = False) -> list[Row]:
    """Return one row for each dam with its outlet gap and the zip below it, and other works.

    Args:
        items: items of one drain.
        upstream: work goes up the drain; else from the head down.

    """
    rows: list[Row] = []
    open_dam = False  # the last row is a dam whose zip has not come yet
    ordered = items.sort_values("order_on_drain", kind="stable")
    records = ordered.drop(columns="geometry", errors="ignore").to_dict("records")
    gaps = _gaps_of_dams(records)
    joined = {gap["item_id"] for gap in gaps.values()}
    for item in records:
        if item["item_id"] in joined:
            continue
        last = rows[-1] if rows else None
        cautions = tuple(caution_keys(plain(item["note"])))
        if item["kind"] == "dam":
            row = _new(item, cautions)
            gap = gaps.get(item["item_id"])
            if gap is not None:
                more = tuple(caution_keys(plain(gap["note"])))
                row = replace(row, gap_m=float(gap["gap_height_m"]), cautions=cautions + more)
            rows.append(row)
            open_dam = True
        elif (
            item["kind"] == "zip"
            and last is not None
            and open_dam
            and item["from_m"] >= last.chainage_m
        ):
            rows[-1] = replace(last, zip_m=float(item["length_m"]),
                               cautions=last.cautions + cautions)  # fmt: skip
            open_dam = False
        else:
            rows.append(_new(item, cautions))
            open_dam = False
    return rows[::-1] if upstream else rows


def _gaps_of_dams(records: list[dict[Any, Any]]) -> dict[str, dict[Any, Any]]:
    """Return for each dam the gap in spoil that lets its outlet through, by the dam's id."""
    dams = [r for r in records if r["kind"] == "dam"]
    at = np.array([r["chainage_m"] for r in dams], np.float64)
    out: dict[str, dict[Any, Any]] = {}
    for gap in records:
        if gap["kind"] != "spoil gap" or not dams:
            continue
        near = int(np.argmin(np.abs(at - gap["chainage_m"])))
        dam = dams[near]
        same = gap["outlet_side"] in {"", dam["outlet_side"]}
        if abs(at[near] - gap["chainage_m"]) <= GAP_REACH_M and same:
            out.setdefault(dam["item_id"], gap)
    return out


def _new(item: dict[Any, Any], cautions: tuple[tuple[str, str], ...]) -> Row:
    kind = str(item["kind"])
    dam = kind == "dam"
    return Row(
        str(item["item_id"]).rsplit("-", 1)[-1][:8],
        str(item["method"]) if kind in {"dam", "zip", "reprofile"} else kind,
        kind,
        float(item["chainage_m"]),
        float(item["from_m"]),
        float(item["to_m"]),
        float(item["x_m"]),
        float(item["y_m"]),
        float(item["buckets"]) if dam else NAN,
        float(item["dig_depth_m"] if dam else item["first_cut_m"]),
        float(item["crest_above_ground_m"]) if dam else NAN,
        str(item["outlet_side"]),
        float(item["outlet_bearing_deg"]),
        float(item["length_m"]) if kind in {"zip", "reprofile"} else NAN,
        float(item["gap_height_m"]),
        cautions,
    )

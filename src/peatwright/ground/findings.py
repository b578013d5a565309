"""One table of findings with stable ids, and a person's answers that hold while the facts do."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from peatwright.model.cited import Cited
from peatwright.model.columns import checked, empty
from peatwright.model.errors import Fault, GivenError
from peatwright.model.ground_layers import ANSWERS, FINDINGS, SEVERITIES

SAME_PLACE_M = Cited(
    20.0,
    "m",
    "findings without an item or drain are one if their check and this square are",
    1,
    500,
)
ANSWER_COLUMNS = ("answer", "answered_by", "answered_on", "answered_before")


@dataclass(frozen=True)
class Where:
    """A place: in words, and the item, drain or coordinates (m) that it is; or the whole site."""

    words: str = "the whole site"
    drain_id: str = ""
    item_id: str = ""
    x_m: float = float("nan")
    y_m: float = float("nan")

    def placed(self) -> bool:
        """Say whether it has coordinates."""
        return bool(np.isfinite(self.x_m) and np.isfinite(self.y_m))


@dataclass(frozen=True)
class Found:
    """One result of a check.

    `rule` is the key or name of the rule, `source` where it comes from, `what` holds the numbers
    as a person reads them: rounded, since an answer lapses when they change. `key` says what
    was checked, such as the limit by name; the rule does where it is empty. One topic and key at
    one place is one finding, whatever its severity is today. `badness` only says which of several
    is named first; greater is worse.
    """

    severity: str
    topic: str
    where: Where
    what: str
    rule: str
    source: str
    to_do: str
    key: str = ""
    badness: float = 0.0

    def same(self) -> tuple[str, str, str]:
        """Return what makes it the same finding in every run: topic, what was checked, place.

        The place is the item, else the drain, else a square of ground, else the site.
        """
        at, size = self.where, float(SAME_PLACE_M.value)
        if at.item_id:
            place = f"item {at.item_id}"
        elif at.drain_id:
            place = f"drain {at.drain_id}"
        elif at.placed():
            place = f"{int(at.x_m // size)} {int(at.y_m // size)}"
        else:
            place = "site"
        return self.topic, self.key or self.rule.split(" = ")[0], place


def source_words(cite: Cited) -> str:
    """Say a rule's source and how it was read."""
    return f"{cite.source} ({cite.read})" if cite.source else cite.read


def _hash(*parts: str) -> str:
    return hashlib.sha256("\x1f".join(parts).encode()).hexdigest()[:12]


def _row(held: list[Found]) -> dict[str, Any]:
    """One row for findings of one id: the severest leads and the others' words follow."""
    held = sorted(held, key=lambda f: (SEVERITIES.index(f.severity), f.what))
    lead = held[0]
    what = "; ".join(dict.fromkeys(f.what for f in held))
    at = lead.where
    return {
        "finding_id": "f" + _hash(*lead.same()),
        "severity": lead.severity, "topic": lead.topic, "place": at.words,
        "drain_id": at.drain_id, "item_id": at.item_id, "what": what, "rule": lead.rule,
        "source": lead.source, "to_do": lead.to_do,
        "facts": _hash(lead.severity, lead.rule, what),
        **dict.fromkeys(ANSWER_COLUMNS, ""),
        "geometry": shapely.Point(at.x_m, at.y_m) if at.placed() else shapely.Point(),
    }  # fmt: skip


def build(found: Iterable[Found], crs: str) -> pd.DataFrame:
    """Return the table of `FINDINGS`, severest first, without answers.

    Findings of one check at one place become one row, so that ids are unique and stable.
    """
    groups: dict[tuple[str, str, str], list[Found]] = {}
    for f in found:
        groups.setdefault(f.same(), []).append(f)
    if not groups:
        return empty(FINDINGS, crs)
    rows = sorted(
        (_row(held) for held in groups.values()),
        key=lambda r: (
            SEVERITIES.index(r["severity"]), r["topic"], r["drain_id"], r["item_id"],
            r["finding_id"],
        ),
    )  # fmt: skip
    return checked(gpd.GeoDataFrame(rows, geometry="geometry", crs=crs), FINDINGS)


def together(tables: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Return the findings of several tables as one, severest first.

    Raises:
        GivenError: no table at all.

    """
    held = [table for table in tables if table is not None]
    if not held:
        raise GivenError([Fault("findings", "", "no table", "one or more", "Give some.")])
    some = [table for table in held if len(table)]
    if len(some) < 2:
        return some[0] if some else held[0]
    both = pd.concat(some, ignore_index=True)
    rank = both["severity"].map({name: k for k, name in enumerate(SEVERITIES)})
    order = both.assign(rank=rank).sort_values(
        ["rank", "topic", "drain_id", "item_id", "finding_id"], kind="stable"
    ).index  # fmt: skip
    return checked(both.loc[order].reset_index(drop=True), FINDINGS)


def answer(
    findings: pd.DataFrame,
    answers: pd.DataFrame,
    finding_id: str,
    *,
    reason: str,
    by: str,
    on: dt.date,
) -> pd.DataFrame:
    """Return the answers with one more. Earlier answers stay in the table.

    Raises:
        GivenError: no such finding, or no reason or name.

    """
    row = findings[findings["finding_id"] == finding_id]
    faults = []
    if row.empty:
        faults.append(
            Fault(
                "findings", finding_id, "no finding of this id", "an id in the list", "Look it up."
            )
        )
    if not reason.strip():
        faults.append(
            Fault("answer", finding_id, "no reason", "a reason in words", "Say why work may go on.")
        )
    if not by.strip():
        faults.append(Fault("answer", finding_id, "no name", "the name of who answers", "Type it."))
    if faults:
        raise GivenError(faults)
    new = pd.DataFrame(
        [
            {
                "finding_id": finding_id, "facts": row["facts"].iloc[0],
                "what": row["what"].iloc[0], "answer": reason.strip(),
                "answered_by": by.strip(), "answered_on": on.isoformat(),
            }
        ]
    )  # fmt: skip
    both = new if answers.empty else pd.concat([answers, new], ignore_index=True)
    return checked(both, ANSWERS)


def merge(findings: pd.DataFrame, answers: pd.DataFrame) -> pd.DataFrame:
    """Return findings with their answers.

    The last answer given for the same facts holds. Answers given for other facts are told in
    `answered_before`, and the finding is open again.
    """
    out = findings.copy()
    for column in ANSWER_COLUMNS:
        out[column] = ""
    if answers.empty or findings.empty:
        return out
    held: dict[str, list[Any]] = {}
    for given in answers.itertuples():
        held.setdefault(str(given.finding_id), []).append(given)
    columns: dict[str, list[str]] = {c: [] for c in ANSWER_COLUMNS}
    for row in findings.itertuples():
        now, before = None, []
        for given in held.get(str(row.finding_id), []):
            if given.facts == row.facts:
                now = given
            else:
                before.append(
                    f"{given.answered_on} {given.answered_by}: {given.answer} "
                    f"(then it was: {given.what})"
                )
        columns["answer"].append(now.answer if now else "")
        columns["answered_by"].append(now.answered_by if now else "")
        columns["answered_on"].append(now.answered_on if now else "")
        columns["answered_before"].append("; ".join(before))
    for name, values in columns.items():
        out[name] = values
    return checked(out, FINDINGS)


def still_open(findings: pd.DataFrame) -> pd.DataFrame:
    """Return the findings that stop work or need a look and have no answer."""
    needs = findings["severity"].isin(["stop", "look"]) & (findings["answer"] == "")
    part: pd.DataFrame = findings[needs]
    return part

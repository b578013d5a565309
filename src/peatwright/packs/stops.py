"""Findings in the order in which a person answers them, and those that must stop the work."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from peatwright.ground.findings import still_open
from peatwright.model.ground_layers import SEVERITIES
from peatwright.packs.wording import plain


def order(findings: pd.DataFrame) -> pd.DataFrame:
    """Return findings as the register lists them: by severity, unanswered first, rule, place."""
    rank = findings["severity"].map({s: k for k, s in enumerate(SEVERITIES)})
    held = findings.assign(_rank=rank, _done=findings["answer"].astype(str) != "")
    by = ["_rank", "_done", "topic", "rule", "source", "to_do", "place", "finding_id"]
    held = held.sort_values(by, kind="stable")
    return held.drop(columns=["_rank", "_done"])


def open_stops(tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """Say each finding that must stop the work and has no answer."""
    findings = tables.get("findings")
    if findings is None or not len(findings):
        return []
    held = still_open(findings)
    held = order(held[held["severity"] == "stop"])
    return [plain(f"{r['place']}: {r['what']}") for r in held.to_dict("records")]

"""How well found lines match lines that are known, by length."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Match:
    """Length-based match of found lines with known lines.

    `precision_ratio` is the share of found length that lies within the buffer of a known line,
    `recall_ratio` the share of known length within the buffer of a found line; `offset_m` the
    median distance from found lines to the known line, where they match.
    """

    precision_ratio: float
    recall_ratio: float
    f1_ratio: float
    offset_m: float
    found_m: float
    known_m: float


def f1(precision: float, recall: float) -> float:
    """Harmonic mean of precision and recall."""
    total = precision + recall
    return 2 * precision * recall / total if total > 0 else 0.0


def confusion_scores(tp: float, fp: float, fn: float, tn: float) -> dict[str, float]:
    """Precision, recall, F1, IoU, Matthews coefficient and Cohen's kappa of a confusion matrix."""
    n = tp + fp + fn + tn
    p, r = tp / (tp + fp), tp / (tp + fn)
    mcc = (tp * tn - fp * fn) / ((tp + fp) * (tp + fn) * (tn + fp) * (tn + fn)) ** 0.5
    chance = ((tp + fp) * (tp + fn) + (fn + tn) * (fp + tn)) / n**2
    kappa = ((tp + tn) / n - chance) / (1 - chance)
    return {
        "precision": p, "recall": r, "f1": f1(p, r), "iou": tp / (tp + fp + fn), "mcc": mcc,
        "kappa": kappa,
    }  # fmt: skip


def match_lines(
    found: Any, known: Any, area: Any, leave_out: Any = None, buffer_m: float = 2.0
) -> Match:
    """Match found lines (a geometry) with known lines inside an area.

    Length of either side within the buffer of `leave_out` lines, but not within the buffer of a
    known line, counts for neither.
    """
    import shapely  # noqa: PLC0415 - loads slowly

    found = shapely.intersection(found, area)
    known = shapely.intersection(known, area)
    near_known = shapely.buffer(known, buffer_m)
    if leave_out is not None and not leave_out.is_empty:
        grey = shapely.difference(shapely.buffer(leave_out, buffer_m), near_known)
        found = shapely.difference(found, grey)
    hit = shapely.intersection(found, near_known)
    seen = shapely.intersection(known, shapely.buffer(found, buffer_m))
    p = hit.length / found.length if found.length > 0 else 0.0
    r = seen.length / known.length if known.length > 0 else 0.0
    offset = float("nan")
    if hit.length > 0:
        at = np.concatenate([
            [g.interpolate(d) for d in np.arange(0.5, g.length, 1.0)]
            for g in shapely.get_parts(hit)
            if g.length > 0.5
        ])  # fmt: skip
        offset = float(np.median(shapely.distance(at, known)))
    return Match(p, r, f1(p, r), offset, found.length, known.length)

"""Fit the water table to dipwells with one factor on conductivity."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from peatwright.model.cited import Cited
from peatwright.model.progress import Progress, silent
from peatwright.model.water_rules import TableRules
from peatwright.water._refuse import numbers, refuse
from peatwright.water.storm_formulas import v
from peatwright.water.table import Bog, TableResult, steady_table

SPAN = Cited(100.0, "ratio", "the factor is looked for from one over this to this", 1.5, 1e4)
FINE = Cited(0.02, "ratio", "how finely the factor is found, in its natural logarithm", 1e-4, 1)
GOLDEN = (np.sqrt(5.0) - 1.0) / 2.0


@dataclass(frozen=True, eq=False)
class Calibration:
    """The factor that fits best, the rules that carry it, and how well they fit.

    `at_limit` says that the best factor lies at the end of the range: another setting is wrong.
    """

    factor: float
    rules: TableRules
    rms_before_m: float
    rms_after_m: float
    at_limit: bool
    wells: int
    result: TableResult
    words: str


def calibrate(
    bog: Bog,
    drain_level_m: NDArray[np.floating],
    x_m: ArrayLike,
    y_m: ArrayLike,
    depth_m: ArrayLike,
    *,
    rules: TableRules | None = None,
    feed: bool = True,
    progress: Progress = silent,
) -> Calibration:
    """Find the factor on both conductivities that fits mean dipwell depths best.

    Golden-section search on the factor's logarithm for the least root mean square of depths.

    Args:
        bog: the site.
        drain_level_m: drain levels in the time of the readings.
        x_m: dipwells, east.
        y_m: dipwells, north.
        depth_m: mean depth to water of each, m below ground.
        rules: settings to start from.
        feed: as in `steady_table`.
        progress: told each solve.

    Raises:
        PeatwrightError: no dipwell lies on the ground, or a depth is impossible.

    """
    rules = rules or bog.rules
    observed = np.atleast_1d(numbers("dipwell depth (m)", depth_m, -0.5, 10.0))
    row, col = bog.grid.to_cells(
        np.atleast_1d(np.asarray(x_m, float)), np.atleast_1d(np.asarray(y_m, float))
    )
    r, c = np.rint(row).astype(int), np.rint(col).astype(int)
    inside = (r >= 0) & (c >= 0) & (r < bog.grid.rows) & (c < bog.grid.cols)
    inside[inside] &= bog.valid[r[inside], c[inside]] & ~bog.drains[r[inside], c[inside]]
    if not inside.any():
        refuse("dipwells", f"{len(observed)} wells, none on the ground", "at least one",
               "Check their coordinates and CRS.")  # fmt: skip
    r, c, observed = r[inside], c[inside], observed[inside]
    best: list[TableResult | None] = [None]
    tries = 0

    def rms(log_factor: float) -> float:
        nonlocal tries
        tries += 1
        table = steady_table(
            bog, drain_level_m, rules=_scaled(rules, float(np.exp(log_factor))), feed=feed,
        )  # fmt: skip
        best[0] = table
        progress(min(0.99, tries / 24), f"dipwells, try {tries}")
        modelled = table.depth.values[r, c]
        return float(np.sqrt(np.mean((modelled - observed) ** 2)))

    rms_before = rms(0.0)
    ends = (-float(np.log(v(SPAN))), float(np.log(v(SPAN))))
    low, high = ends
    a, b = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
    fa, fb = rms(a), rms(b)
    while high - low > v(FINE):
        if fa <= fb:
            high, b, fb = b, a, fa
            a = high - GOLDEN * (high - low)
            fa = rms(a)
        else:
            low, a, fa = a, b, fb
            b = low + GOLDEN * (high - low)
            fb = rms(b)
    found = 0.5 * (low + high)
    rms_after = rms(found)
    if rms_after > rms_before:
        found = 0.0
        rms_after = rms(found)
    factor = float(np.exp(found))
    at_limit = min(abs(found - ends[0]), abs(found - ends[1])) < 2 * v(FINE)
    said = (
        f"{len(observed)} dipwells: conductivity times {factor:.2g} brings the misfit from "
        f"{rms_before * 100:.1f} to {rms_after * 100:.1f} cm"
    )
    if at_limit:
        said += "; the factor stands at the end of its range, so look at recharge and peat depth"
    result = best[0]
    assert result is not None
    return Calibration(
        factor, _scaled(rules, factor), rms_before, rms_after, at_limit, len(observed), result,
        said,
    )  # fmt: skip


def _scaled(rules: TableRules, factor: float) -> TableRules:
    return replace(
        rules,
        conductivity_top_mps=rules.conductivity_top_mps * factor,
        conductivity_deep_mps=rules.conductivity_deep_mps * factor,
    )

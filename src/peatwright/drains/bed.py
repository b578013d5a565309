"""Pull given lines to the real bed: the cheapest path through cross-sections along each line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from peatwright.drains import _kernels
from peatwright.drains.lines import Line, along
from peatwright.model.cited import Cited
from peatwright.model.raster import Raster
from peatwright.model.rules import MeasureRules
from peatwright.terrain._strips import run_strips, threads_for

F64 = NDArray[np.float64]

STEP_M = Cited(1.0, "m", "distance between sections when a line is pulled", 0.25, 2)
OFFSET_M = Cited(0.25, "m", "distance between places tried on a section", 0.05, 0.5)
NARROW_M = Cited(1.25, "m", "a narrow drain's banks stand this far from its bed", 0.3, 3)
WIDE_M = Cited(2.5, "m", "a wide drain's banks stand this far from its bed", 1, 6)
BEND_M = Cited(0.15, "m", "level that outweighs a swerve of 1 m sideways per metre", 0.0, 5)
STAY_M = Cited(0.01, "m", "level that outweighs a shift as far as is allowed", 0.0, 0.2)
EVEN_M = Cited(1.0, "m", "length over which shifts are evened out", 0.0, 5)
SEEN_OVER_M = Cited(9.0, "m", "length over which a trough must show to be called seen", 1, 50)
LET_GO_M = Cited(10.0, "m", "where no drain is seen, a shift fades within this length", 1, 100)
TURN_M = Cited(2.0, "m", "half length over which a line's direction is taken", 0.5, 10)


@dataclass(frozen=True, eq=False)
class Pulled:
    """A line on its bed: points (n, 2), the sideways shift of each, and whether a drain shows."""

    xy: F64
    shift_m: F64
    seen: NDArray[np.bool_]


def normals_right(xy: F64, half: int) -> F64:
    """Return unit vectors to the right of the way along a line, (n, 2).

    The direction at a point is that of the chord over `half` points to each side.
    """
    n = len(xy)
    i = np.arange(n)
    reach = np.minimum(half, np.minimum(i, n - 1 - i))
    reach = np.maximum(reach, 1)
    lead = xy[np.minimum(i + reach, n - 1)] - xy[np.maximum(i - reach, 0)]
    long = np.hypot(lead[:, 0], lead[:, 1])
    # A hairpin can bring a chord back on itself; the next step still has a direction.
    step = np.diff(xy, axis=0, append=xy[-1:])
    step[-1] = xy[-1] - xy[-2] if n > 1 else (1.0, 0.0)
    lead = np.where((long > 1e-6)[:, None], lead, step)
    long = np.maximum(np.hypot(lead[:, 0], lead[:, 1]), 1e-9)
    return np.stack([lead[:, 1] / long, -lead[:, 0] / long], axis=1)


def pull(lines: Sequence[Line], dtm: Raster, rules: MeasureRules) -> list[Pulled]:
    """Move each line sideways, by `rules.pull_m` at most, to the bed of the drain it follows.

    At each metre the level is compared with the ground to both sides, so a hillside does not draw
    the line downhill; a dynamic programme then finds the path of least level and least swerve,
    and its places are refined to the middle of the trough. Where no trough shows, the line goes
    back to where it was given.
    """
    if not lines:
        return []
    base = [_metred(line.xy, float(STEP_M.value)) for line in lines]
    first = np.concatenate([[0], np.cumsum([len(b) for b in base])]).astype(np.int64)
    xy = np.concatenate(base)
    half = round(float(TURN_M.value) / float(STEP_M.value))
    right = np.concatenate([normals_right(b, half) for b in base])
    step = float(OFFSET_M.value)
    tried = round(rules.pull_m / step)
    margin = round((float(WIDE_M.value) + 0.5) / step)
    offsets = np.arange(-tried - margin, tried + margin + 1, dtype=np.float64) * step
    row, col = dtm.grid.to_cells(xy[:, 0], xy[:, 1])
    by_row = -right[:, 1] / dtm.grid.dy_m
    by_col = right[:, 0] / dtm.grid.dx_m
    n = len(xy)
    section = np.empty((n, len(offsets)), np.float32)
    threads = threads_for(section.size, None)
    run_strips(
        n,
        threads,
        lambda a, b: _kernels.profiles(
            dtm.values, row, col, by_row, by_col, offsets, a, b, section
        ),
    )
    rise = np.empty((n, 2 * tried + 1), np.float32)
    shift = np.empty(n)
    depth = np.empty(n)

    def path(a: int, b: int) -> int:
        done: int = _kernels.pull_paths(
            section,
            first,
            a,
            b,
            margin,
            round(float(NARROW_M.value) / step),
            round(float(WIDE_M.value) / step),
            step,
            float(BEND_M.value),
            float(STAY_M.value),
            rise,
            shift,
            depth,
        )
        return done

    run_strips(len(lines), threads, path)
    return [
        _settled(b, right[i:j], shift[i:j], depth[i:j], rules)
        for b, i, j in zip(base, first[:-1], first[1:], strict=True)
    ]


def _metred(xy: F64, step_m: float) -> F64:
    s = float(np.hypot(*np.diff(xy, axis=0).T).sum())
    return along(xy, np.linspace(0.0, s, max(2, round(s / step_m) + 1)))


def _settled(xy: F64, right: F64, shift: F64, depth: F64, rules: MeasureRules) -> Pulled:
    """Even the shifts out, and let go of them where no drain is seen."""
    over = max(1, round(float(SEEN_OVER_M.value) / float(STEP_M.value)) | 1)
    shown = np.where(np.isfinite(depth), depth, 0.0)
    seen = ndimage.median_filter(shown, over, mode="nearest") >= rules.seen_depth_m
    if not seen.any() or rules.pull_m == 0.0:
        return Pulled(xy, np.zeros(len(xy)), seen)
    at = np.flatnonzero(seen)
    i = np.arange(len(xy))
    held = np.interp(i, at, shift[at])
    away = (
        np.abs(i - at[np.argmin(np.abs(i[:, None] - at[None, :]), axis=1)])
        if len(at) < len(xy)
        else np.zeros(len(xy))
    )
    held = held * np.exp(-away * float(STEP_M.value) / float(LET_GO_M.value))
    even = ndimage.gaussian_filter1d(
        held, float(EVEN_M.value) / float(STEP_M.value), mode="nearest"
    )
    return Pulled(xy + right * even[:, None], even, seen)

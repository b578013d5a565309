"""Which method closes which stretch of drain, station by station, then in reaches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from peatwright.model.layers import METHODS
from peatwright.model.rules import Rules
from peatwright.works import _kernels
from peatwright.works.sections import Bools, Floats, Ints, Sections

METHOD_CODE = {name: code for code, name in enumerate(METHODS)}
WAVE, PEAT, TIMBER, STONE, PILING, ZIP, REPROFILE, LEAVE = (
    METHOD_CODE[m]
    for m in ("wave dam", "peat dam", "timber dam", "stone dam", "piling dam", "zip", "reprofile",
              "leave alone")
)  # fmt: skip

# Why a method was chosen. Each name has its sentence in why.py.
CAUSES = (
    "ordinary", "narrow", "shallow", "forbidden", "unseen", "unmeasured", "watercourse", "mineral",
    "thin", "deep", "wide", "steep", "much water", "too steep", "too wide", "swale",
)  # fmt: skip
CAUSE_CODE = {name: code for code, name in enumerate(CAUSES)}
_FIXED = ("forbidden", "watercourse")
# Reaches that interrupt the dams of a drain without ending their common spacing.
_PASSED = ("forbidden", "unmeasured")


@dataclass(frozen=True)
class Choice:
    """Method (N) and cause (N) chosen at each station on its own."""

    method: Ints
    cause: Ints


@dataclass(frozen=True)
class Reaches:
    """Stretches (R) of one method, and the reach of each station (N).

    `votes` (R, causes) counts the stations that chose the method, by their cause.
    """

    first: Ints
    last: Ints
    drain: Ints
    from_m: Floats
    to_m: Floats
    method: Ints
    votes: Ints
    of_station: Ints

    @property
    def cause(self) -> Ints:
        """Commonest cause (R) among the stations that chose the reach's method themselves."""
        out: Ints = self.votes.argmax(axis=1)
        return out

    def ends_stretch(self) -> Bools:
        """Whether a reach parts the dams above it from those below it."""
        passed = np.isin(self.cause, [CAUSE_CODE[c] for c in _PASSED])
        out: Bools = (self.method >= ZIP) & ~passed
        return out


def choose(s: Sections, rules: Rules) -> Choice:
    """Choose method and cause at every station from depth, width, gradient, peat, water and marks.

    The first test that holds decides, in this order: forbidden; no drain visible; not measured;
    natural watercourse; shallow; too steep for any dam; fit for a dam of peat; else a hard dam,
    reprofiling or nothing. Unknown peat depth, gradient or upslope area does not refuse a dam of
    peat: the item says so instead.
    """
    m = rules.method
    depth, width = s["depth_m"], s["top_width_m"]
    fall, water = s["bed_gradient_ratio"], s["upslope_area_m2"]
    peat, below = s["peat_depth_m"], s["peat_below_bed_m"]
    n = depth.size
    with np.errstate(invalid="ignore"):
        mineral = below < m.peat_below_bed_min_m
        thin = peat < m.peat_min_m
        bare = mineral | thin
        deep = depth > m.wave_depth_max_m
        # With peat dams preferred, wave dams still close drains too wide for a peat dam.
        widest = m.wave_width_max_m
        if m.preferred == "peat dam":
            widest = max(widest, m.peat_width_max_m)
        wide = width > widest
        steep = fall > m.gradient_dam_max_ratio
        wet = water > m.upslope_peat_max_m2
        refused = [
            (mineral, "mineral"), (thin, "thin"), (steep, "steep"), (wet, "much water"),
            (deep, "deep"), (wide, "wide"),
        ]  # fmt: skip
        cause = np.select(
            [mask for mask, _ in refused],
            [CAUSE_CODE[c] for _, c in refused],
            CAUSE_CODE["ordinary"],
        )
        # A wide hollow with gentle sides leaves nothing to reprofile: a longer dam closes it.
        run = 0.5 * (width - s["bottom_width_m"])
        gentle = depth <= m.reprofile_side_ratio * run
        timber = width <= m.timber_width_max_m
        stone = width <= m.stone_width_max_m
        piling = (width <= m.piling_width_max_m) & (below >= m.piling_peat_min_m)
    soft = ~(bare | deep | wide | steep | wet)
    narrow = width <= m.peat_width_max_m
    peat_dam = np.full(n, PEAT) if m.preferred == "peat dam" else np.full(n, WAVE)
    peat_dam = np.where((m.preferred == "peat dam") & ~narrow, WAVE, peat_dam)
    cause = np.where(soft & (m.preferred == "peat dam") & ~narrow, CAUSE_CODE["narrow"], cause)
    # On a mineral bed stone stands best; deep pools in peat are held by piling; else timber.
    on_mineral = np.select([stone, timber], [STONE, TIMBER], LEAVE)
    in_deep = np.select([piling, timber, stone], [PILING, TIMBER, STONE], REPROFILE)
    in_peat = np.select([timber, stone, piling], [TIMBER, STONE, PILING], REPROFILE)
    hard = np.where(bare, on_mineral, np.where(deep, in_deep, in_peat))
    method = np.where(soft, peat_dam, hard)

    def put(mask: NDArray[np.bool_], code: NDArray[np.int64] | int, why: str) -> None:
        nonlocal method, cause
        method = np.where(mask, code, method)
        cause = np.where(mask, CAUSE_CODE[why], cause)

    with np.errstate(invalid="ignore"):
        put(width > m.piling_width_max_m, np.where(bare, LEAVE, REPROFILE), "too wide")
        put(wide & gentle & ~(bare | deep | steep | wet), WAVE, "swale")
        put(fall > m.gradient_hard_max_ratio, np.where(bare, LEAVE, REPROFILE), "too steep")
        # A shallow drain cut to the mineral has hardly any peat beside it to close it with.
        put((depth < m.zip_only_depth_m) & ~(below < 0.0), ZIP, "shallow")
        put((depth < m.zip_only_depth_m) & (below < 0.0), LEAVE, "mineral")
        put(water > m.upslope_watercourse_m2, LEAVE, "watercourse")
    put(~s.usable, LEAVE, "unmeasured")
    put(~s.seen, LEAVE, "unseen")
    put(s.text["forbidden_why"] != "", LEAVE, "forbidden")
    return Choice(method.astype(np.int64), cause.astype(np.int64))


def reaches(s: Sections, choice: Choice, rules: Rules) -> Reaches:
    """Join stations into reaches; a reach under `method.reach_min_m` takes its neighbour's method.

    Forbidden stretches and watercourses neither give way nor grow.
    """
    fixed = np.isin(choice.cause, [CAUSE_CODE[c] for c in _FIXED])
    # Stretches left alone for different reasons are different reaches.
    apart = choice.method == LEAVE
    group = choice.method * 100 + np.where(apart, choice.cause + 1, 0)
    _, text = np.unique(s.text["forbidden_why"].astype(str), return_inverse=True)
    group = (group + 10_000 * text).astype(np.int64)
    merged = np.empty_like(group)
    _kernels.merge_runs(s.off, s.lower_m, s.upper_m, group, fixed, rules.method.reach_min_m, merged)
    new = np.ones(group.size, dtype=bool)
    new[1:] = (merged[1:] != merged[:-1]) | (s.drain[1:] != s.drain[:-1])
    new[1:] |= fixed[1:] != fixed[:-1]
    first = np.flatnonzero(new).astype(np.int64)
    last = np.append(first[1:] - 1, group.size - 1).astype(np.int64)[: first.size]
    of_station: Ints = (np.cumsum(new) - 1).astype(np.int64)
    method = (merged[first] % 10_000) // 100
    own = choice.method == method[of_station] if first.size else np.zeros(0, dtype=bool)
    own &= (merged == group) if first.size else own
    counts = np.zeros((first.size, len(CAUSES)), dtype=np.int64)
    np.add.at(counts, (of_station[own], choice.cause[own]), 1)
    return Reaches(
        first, last, s.drain[first], s.lower_m[first], s.upper_m[last],
        method.astype(np.int64), counts, of_station,
    )  # fmt: skip

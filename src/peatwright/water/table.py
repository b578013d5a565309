"""The water table over a site: steady or in time, over sloping peat, with drains as held levels.

Flow is taken as level (Dupuit), so that levels within about a peat's depth of a drain are somewhat
low. Peat varies by orders of magnitude from place to place: without dipwells the result is a
guide to where the ground gets wetter, not by how many millimetres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from peatwright.model.cited import Cited
from peatwright.model.progress import Progress, silent
from peatwright.model.raster import Raster
from peatwright.model.water_rules import TableRules
from peatwright.water._refuse import check_rules, numbers, refuse
from peatwright.water.elliptic.solve import Levels, Stencil, solve
from peatwright.water.peat import _kernels as kernels
from peatwright.water.storm_formulas import F64, v

SETTLED_M = Cited(1.0e-5, "m", "largest change of level at which the table counts as settled", 0, 1)
ENTRY_RATE = Cited(1.0e-3, "1/s", "how readily water enters a drain that gives none back", 1e-8, 1)
LEAST_SPILL = Cited(1.0e-6, "1/s", "least rate at which water above the ground runs off", 0, 1)
STEP_MOST_M = Cited(0.5, "m", "largest change of level in one round", 0.01, 10)
HOLD_RATE = Cited(
    2.0e-6, "1/s", "storage added to a round that went wrong: that of peat over a day", 1e-9, 1
)
ROUNDS = 80


@dataclass(frozen=True)
class TableBudget:
    """Where the water goes, m³/s; `to_drains` is below 0 where drains feed the peat."""

    recharge_m3s: float
    to_drains_m3s: float
    runs_off_m3s: float
    over_edges_m3s: float
    taken_up_m3s: float

    @property
    def error_ratio(self) -> float:
        """What is unaccounted for, over the largest term."""
        out = self.to_drains_m3s + self.runs_off_m3s + self.over_edges_m3s + self.taken_up_m3s
        most = max(abs(x) for x in vars(self).values())
        return abs(self.recharge_m3s - out) / most if most > 0.0 else 0.0


@dataclass(frozen=True, eq=False)
class TableResult:
    """Depth to water (m below ground, 0 at the ground) and its figures, drains left out."""

    depth: Raster
    mean_m: float
    wet_ratio: float
    budget: TableBudget
    rounds: int
    level_m: F64


class Bog:
    """A site made ready for the water table: ground without its drains, peat, edges.

    Args:
        ground: levels, m. In drain cells the level is replaced by that of the ground around, since
            peat depth and conductivity count from the bog's surface.
        drains: cells that are drain, before or after.
        peat_depth_m: raster of the same shape, or one number; from the rules by default. NaN takes
            the default.
        open_edges: whether water leaves at the outer edge where the ground falls outwards.
        rules: settings.

    Raises:
        PeatwrightError: shapes differ, there is no ground, or a value is outside its range.

    """

    def __init__(
        self,
        ground: Raster,
        drains: NDArray[np.bool_],
        peat_depth_m: float | NDArray[np.floating] | None = None,
        *,
        open_edges: bool = True,
        rules: TableRules | None = None,
    ) -> None:
        self.rules = rules or TableRules()
        check_rules(self.rules)
        self.grid = ground.grid
        z = ground.values.astype(np.float64)
        self.valid = np.isfinite(z)
        if not self.valid.any():
            refuse("ground", "no cell with a level", "some ground", "Give ground with data.")
        if drains.shape != z.shape:
            refuse("drains", f"shape {drains.shape}", f"shape {z.shape}", "Give the same grid.")
        given = self.rules.peat_depth_m if peat_depth_m is None else peat_depth_m
        peat = np.broadcast_to(np.asarray(given, np.float64), z.shape)
        peat = np.where(np.isnan(peat), self.rules.peat_depth_m, peat)
        numbers("peat depth (m)", peat[self.valid], 0.0, 50.0)
        self.drains = drains & self.valid
        self.lowest_m = float(z[self.valid].min())
        self.ground = np.where(self.valid, _without(z, self.drains), 0.0) - self.lowest_m
        self.ground[~self.valid] = 0.0
        # A bare patch carries a little, so that the table can pass over it.
        self.peat = np.where(self.valid, np.maximum(peat, 0.05), 0.0)
        self.edge = self._edges() if open_edges else np.zeros(z.shape)
        self.levels = Levels(*z.shape)

    def _edges(self) -> F64:
        gaps, _ = ndimage.label(np.pad(~self.valid, 1, constant_values=True))
        outside = gaps == gaps[0, 0]
        bed = np.pad(np.where(self.valid, self.ground, np.nan), 1, constant_values=np.nan)
        edge = np.zeros(self.valid.shape)
        g = self.grid
        for dr, dc in ((0, -1), (0, 1), (-1, 0), (1, 0)):
            length, width = (g.dx_m, g.dy_m) if dc else (g.dy_m, g.dx_m)
            beyond = np.roll(outside, (-dr, -dc), (0, 1))[1:-1, 1:-1]
            inner = np.roll(bed, (dr, dc), (0, 1))[1:-1, 1:-1]
            fall = np.nan_to_num((inner - bed[1:-1, 1:-1]) / length)
            edge += np.where(self.valid & beyond, np.maximum(fall, 0.0) * width, 0.0)
        return edge


def _without(z: F64, drains: NDArray[np.bool_]) -> F64:
    """Fill drain cells from the ground around, one ring at a time."""
    out = np.where(drains, np.nan, z)
    if not np.isfinite(out).any():
        return z
    todo = drains.copy()
    while todo.any():
        known = np.isfinite(out)
        total = ndimage.uniform_filter(np.where(known, out, 0.0), 3, mode="constant")
        count = ndimage.uniform_filter(known.astype(float), 3, mode="constant")
        ready = todo & (count > 0.05)
        if not ready.any():
            # Drain cells that touch no ground keep their own level.
            out[todo] = z[todo]
            break
        out[ready] = total[ready] / count[ready]
        todo &= ~ready
    return out


def steady_table(
    bog: Bog,
    drain_level_m: NDArray[np.floating],
    *,
    rules: TableRules | None = None,
    feed: bool = True,
    progress: Progress = silent,
) -> TableResult:
    """Return the steady water table.

    Args:
        bog: the site.
        drain_level_m: water level in drains (same datum as the ground), NaN where there is no
            drain: its bed before the works, the pool behind the next dam after them; a zipped cell
            is no drain. A level below the peat is taken at the peat's base.
        rules: other settings than the bog's own.
        feed: whether a drain also gives water to peat that is drier. A drain that carries little
            does not.
        progress: told each round.

    Raises:
        PeatwrightError: shapes, values or recharge are impossible, or the table does not settle.

    """
    rules = rules or bog.rules
    check_rules(rules)
    state = _State(bog, drain_level_m, rules, feed)
    level = state.first()
    level, rounds = state.settle(level, rules.recharge_mps, 0.0, level, progress)
    return state.result(level, rounds)


def transient_table(
    bog: Bog,
    drain_level_m: NDArray[np.floating],
    start: TableResult | NDArray[np.floating],
    recharge_mps: Sequence[float],
    step_s: float,
    *,
    rules: TableRules | None = None,
    feed: bool = True,
    progress: Progress = silent,
) -> list[TableResult]:
    """Follow the water table in steps of equal length.

    Args:
        bog: the site.
        drain_level_m: as in `steady_table`, from the first step on.
        start: a result, or depth to water (m) on the grid.
        recharge_mps: rain less evaporation in each step; may be below 0.
        step_s: length of a step.
        rules: other settings than the bog's own.
        feed: as in `steady_table`.
        progress: told each step.

    Returns:
        One result per step.

    """
    rules = rules or bog.rules
    check_rules(rules)
    numbers("recharge (m/s)", recharge_mps, -1e-5, 1e-3)
    step = float(numbers("step (s)", step_s, 0.0, 1e9, open_low=True))
    state = _State(bog, drain_level_m, rules, feed)
    if isinstance(start, TableResult):
        level = start.level_m.copy()
    else:
        depth = np.asarray(start, np.float64)
        if depth.shape != bog.valid.shape:
            refuse("start", f"shape {depth.shape}", f"shape {bog.valid.shape}", "Same grid.")
        numbers("start depth (m)", depth[bog.valid], -5.0, 50.0)
        level = np.where(bog.valid, bog.ground - depth, 0.0)
    out = []
    for i, recharge in enumerate(recharge_mps):
        level, rounds = state.settle(level, float(recharge), step, level, silent)
        out.append(state.result(level, rounds))
        progress((i + 1) / len(recharge_mps), f"water table, step {i + 1}")
    return out


class _State:
    """The bordered arrays of one problem."""

    def __init__(
        self, bog: Bog, drain_level_m: NDArray[np.floating], rules: TableRules, feed: bool
    ) -> None:
        stage = np.asarray(drain_level_m, np.float64)
        if stage.shape != bog.valid.shape:
            refuse("drain levels", f"shape {stage.shape}", f"shape {bog.valid.shape}", "Same grid.")
        here = np.isfinite(stage) & bog.valid
        if (here & ~bog.drains).any():
            refuse("drain levels", f"{int((here & ~bog.drains).sum())} cells off the drains",
                   "levels in drain cells only", "Make the bog with these drains.")  # fmt: skip
        self.bog, self.rules = bog, rules
        self.stage = np.where(here, stage - bog.lowest_m, 0.0)
        floor = bog.ground - bog.peat
        self.stage = np.where(here, np.maximum(self.stage, floor), 0.0)
        self.drain = here
        self.fixed = here if feed else np.zeros_like(here)
        spill = bog.ground.copy()
        rate = max(rules.recharge_mps / rules.spill_film_m, v(LEAST_SPILL))
        spill_rate = np.full(spill.shape, rate)
        if not feed:
            spill[here] = self.stage[here]
            spill_rate[here] = v(ENTRY_RATE)
        self.active = np.pad(bog.valid, 1)
        self.pads = tuple(np.pad(a, 1) for a in (bog.ground, bog.peat, spill, spill_rate, bog.edge))
        self.fixed_pad = np.pad(self.fixed, 1)
        shape = self.active.shape
        self.parts = tuple(np.zeros(shape) for _ in range(8))  # left, 5 couplings, T, K
        self.sums = np.zeros(5)

    def first(self) -> F64:
        """Start wet: carrying power grows with the level, so a table that starts above its place
        comes down to it without overshooting, and one that starts below does not. A film above the
        ground lets run-off take part from the first round.
        """
        wet = self.bog.ground + self.rules.spill_film_m
        return np.where(self.fixed, self.stage, wet)

    def balance(self, level: F64, recharge: float, dt: float, old: F64, jacobian: bool) -> F64:
        ground, peat, spill, spill_rate, edge = self.pads
        g, r = self.bog.grid, self.rules
        left, diag, west, east, north, south, t, k = self.parts
        kernels.balance(
            ground, peat, np.pad(level, 1), self.active, self.fixed_pad, g.dx_m, g.dy_m,
            r.conductivity_top_mps, r.conductivity_deep_mps, r.decay_per_m, recharge, spill,
            spill_rate, edge, r.specific_yield_ratio, dt, np.pad(old, 1), jacobian,
            left, diag, west, east, north, south, t, k, self.sums,
        )  # fmt: skip
        return self.parts[0][1:-1, 1:-1]

    def settle(
        self, level: F64, recharge: float, dt: float, old: F64, progress: Progress
    ) -> tuple[F64, int]:
        """Newton's rounds: each solves for the change of level that would balance every cell.

        A round that leaves cells further from balance is taken back. From there the table moves as
        if through time, with storage in each cell, and the time grows as balance comes near.
        """
        free = self.bog.valid & ~self.fixed
        level = np.where(self.fixed, self.stage, level)
        if not free.any():
            return level, 0
        most, fine = v(STEP_MOST_M), v(SETTLED_M)
        held_back = np.pad(np.where(free, self.bog.grid.cell_area_m2, 0.0), 1)
        hold, change = 0.0, np.inf
        left = self.balance(level, recharge, dt, old, True).copy()
        gap = float(np.linalg.norm(left))
        for i in range(ROUNDS):
            diag, *others = self.parts[1:6]
            step = solve(
                Stencil(diag + hold * held_back, *others), left, symmetric=False,
                residual_ratio=1e-3 if change > 0.01 else 1e-5,
                rounds=40, levels=self.bog.levels, may_stop_early=True,
            ).u  # fmt: skip
            step = np.where(free, np.clip(step, -most, most), 0.0)
            moved = float(np.abs(step).max())
            trial = level + step
            new_left = self.balance(trial, recharge, dt, old, True).copy()
            new_gap = float(np.linalg.norm(new_left))
            progress(min(0.99, (i + 1) / 15), f"water table, round {i + 1}")
            if moved < fine and hold == 0.0:
                return trial, i + 1
            if new_gap > gap and hold == 0.0:
                hold = v(HOLD_RATE)
                self.balance(level, recharge, dt, old, True)
                continue
            hold *= min(3.0, new_gap / gap) if gap > 0.0 else 0.0
            hold = hold if hold > v(HOLD_RATE) / 1e4 else 0.0
            level, left, gap, change = trial, new_left, new_gap, moved
        refuse(
            "water table",
            f"levels still moving by {change:.3f} m after {ROUNDS} rounds",
            f"less than {fine:g} m",
            "Look for ground with no way out for its water, or an extreme setting.",
        )
        return level, ROUNDS

    def result(self, level: F64, rounds: int) -> TableResult:
        bog = self.bog
        self.balance(level, self.rules.recharge_mps, 0.0, level, False)
        s = self.sums
        # Water that drains hold one way leaves as run-off from their cells.
        depth = np.maximum(bog.ground - level, 0.0)
        counted = bog.valid & ~bog.drains
        if not counted.any():
            counted = bog.valid
        values = np.where(bog.valid, depth, np.nan).astype(np.float32)
        return TableResult(
            depth=Raster(values, bog.grid),
            mean_m=float(depth[counted].mean()),
            wet_ratio=float((depth[counted] <= self.rules.wet_depth_m).mean()),
            budget=TableBudget(*(float(x) for x in s)),
            rounds=rounds,
            level_m=level,
        )


SCALED = {
    "conductivity_top_mps": "conductivity at the surface",
    "conductivity_deep_mps": "conductivity at depth",
    "decay_per_m": "how fast conductivity falls with depth",
    "recharge_mps": "recharge",
}


@dataclass(frozen=True)
class TableChange:
    """Before against after. `rise_m` is how much the mean table came up.

    `believed` is False when the rise is more than blanket bogs have shown; `driver` then names the
    setting that moves it most, and `halved_m` and `doubled_m` give the rise with that setting at
    half and at twice its value.
    """

    mean_before_m: float
    mean_after_m: float
    rise_m: float
    wet_before_ratio: float
    wet_after_ratio: float
    believed: bool
    driver: str
    halved_m: float
    doubled_m: float
    words: str


def compare_tables(
    bog: Bog,
    levels_before_m: NDArray[np.floating],
    levels_after_m: NDArray[np.floating],
    before: TableResult,
    after: TableResult,
    *,
    rules: TableRules | None = None,
    feed: bool = True,
    progress: Progress = silent,
) -> TableChange:
    """Say how the table changes, and what causes a change larger than bogs have shown.

    When the mean rise is larger than `believed_rise_m`, each setting in turn is halved and doubled
    and both tables are solved again: the one that moves the rise most is named.

    Args:
        bog: the site.
        levels_before_m: drain levels behind `before`.
        levels_after_m: drain levels behind `after`.
        before: table before the works.
        after: table after them.
        rules: other settings than the bog's own.
        feed: as in `steady_table`.
        progress: told each solve.

    """
    rules = rules or bog.rules
    rise = before.mean_m - after.mean_m
    said = (
        f"mean depth to water {before.mean_m * 100:.1f} cm before, {after.mean_m * 100:.1f} cm "
        f"after; share with the table within {rules.wet_depth_m * 100:.0f} cm of the surface "
        f"{before.wet_ratio:.0%} before, {after.wet_ratio:.0%} after"
    )
    common = (before.mean_m, after.mean_m, rise, before.wet_ratio, after.wet_ratio)
    if rise <= rules.believed_rise_m:
        said += ". Measured blanket bogs rose by a few centimetres in some years"
        return TableChange(*common, True, "", float("nan"), float("nan"), said + ".")
    rises: dict[str, tuple[float, float]] = {}
    for i, name in enumerate(SCALED):
        pair = []
        for j, factor in enumerate((0.5, 2.0)):
            other = replace(rules, **{name: getattr(rules, name) * factor})
            tables = [
                steady_table(bog, levels, rules=other, feed=feed)
                for levels in (levels_before_m, levels_after_m)
            ]
            pair.append(tables[0].mean_m - tables[1].mean_m)
            progress((2 * i + j + 1) / (2 * len(SCALED)), f"what drives the rise: {SCALED[name]}")
        rises[name] = (pair[0], pair[1])
    driver = max(rises, key=lambda n: abs(rises[n][1] - rises[n][0]))
    halved, doubled = rises[driver]
    said += (
        f". A mean rise of {rise * 100:.0f} cm is more than measured blanket bogs have shown "
        f"(2.6 cm in six years; about 9 cm in a pilot): do not promise it. It hangs most on "
        f"{SCALED[driver]} ({driver} = {getattr(rules, driver):g}): half of that gives "
        f"{halved * 100:.1f} cm, twice gives {doubled * 100:.1f} cm. Set it from dipwells."
    )
    return TableChange(*common, False, driver, halved, doubled, said)

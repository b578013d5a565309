"""A storm over the surface: two-dimensional local-inertial shallow water with rain on the grid.

Equations of Bates, Horritt & Fewtrell 2010 (J. Hydrol. 387: 33-45) with the inertia weights of de
Almeida et al. 2012 (Water Resour. Res. 48: W05528). Friction is taken at the end of the step. The
equations leave out advection, so that dam breaks and flow faster than critical are not reproduced;
speeds are held at a Froude number, which matters on the steepest faces.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import count

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import ndimage

from peatwright.model.cited import Cited
from peatwright.model.progress import Progress, silent
from peatwright.model.raster import FloatRaster, Raster
from peatwright.model.water_rules import SurfaceRules
from peatwright.terrain._strips import strips, threads_for
from peatwright.water import _kernels as kernels
from peatwright.water._kernels import PAD_COLS, PAD_ROWS
from peatwright.water._refuse import check_rules, numbers, refuse
from peatwright.water.hydraulics import GRAVITY
from peatwright.water.storm_formulas import F64, v
from peatwright.water.surface_parts import (
    CrossLine,
    HeldDepth,
    Hyetograph,
    Inflow,
    SurfaceResult,
    WaterBalance,
    staircase,
)

SIDES = ("west", "east", "north", "south")
LOOK_S = Cited(
    10.0, "s", "time between looks at the greatest depth and speed, and lumps of the loss", 0.1, 600
)
FILM_M = Cited(0.001, "m", "no speed is worked out for water thinner than this", 1e-6, 0.1)
ERROR_RATIO = Cited(1.0e-6, "ratio", "greatest water unaccounted for that is let pass", 0, 1e-3)
Z_UNIT_M = 2.0**-20  # finer than float32 holds the levels of any hill
INSIDE = (slice(PAD_ROWS, -PAD_ROWS), slice(PAD_COLS, -PAD_COLS))


def run_surface(
    ground: Raster,
    roughness: float | NDArray[np.floating],
    rain: Hyetograph | None = None,
    *,
    rules: SurfaceRules | None = None,
    end_s: float | None = None,
    report_s: float | None = None,
    infiltration_mps: float | NDArray[np.floating] | None = None,
    start_depth_m: float | NDArray[np.floating] = 0.0,
    lines: Sequence[CrossLine] = (),
    inflows: Sequence[Inflow] = (),
    held: Sequence[HeldDepth] = (),
    open_sides: Sequence[str] = SIDES,
    open_cells: NDArray[np.bool_] | None = None,
    progress: Progress = silent,
    threads: int | None = None,
) -> SurfaceResult:
    """Run a storm over the ground.

    Ground without data is a wall where it is enclosed, and outside the site where it reaches the
    edge of the raster. Over an open edge water leaves in uniform flow down the slope of the bed
    there, or of `edge_slope_ratio` where the bed falls less.

    Args:
        ground: levels, m; drains and dams as they stand in it.
        roughness: Manning's n, s/m^(1/3), one number or the raster's shape.
        rain: none by default.
        rules: settings; the storm's own depth and duration are not read here.
        end_s: how long to run; by default to the end of the rain and `after_storm_s` more.
        report_s: interval of the hydrographs, by default a two hundredth of the run.
        infiltration_mps: steady loss, one number or the raster's shape; from the rules by default.
        start_depth_m: water at the start, one number or the raster's shape.
        lines: lines over which flow is recorded.
        inflows: water that enters from outside.
        held: cells whose depth is held.
        open_sides: sides of the raster over which water may leave.
        open_cells: if given, only these cells may let water out over an open edge.
        progress: told the share of the time run.
        threads: one per core by default; the result is the same to the last bit.

    Returns:
        Maps, hydrographs and the balance, whose error is below 1e-6 or the run is refused.

    Raises:
        PeatwrightError: rain, roughness, a rule or a shape is outside what can be computed, there
            is no ground, or water becomes deeper than `deepest_m`.

    """
    rules = rules or SurfaceRules()
    check_rules(rules)
    valid = np.isfinite(ground.values)
    if not valid.any():
        refuse("ground", "no cell with a level", "some ground", "Give ground with data.")
    open_sides = _known_sides(open_sides)
    _check_step(rules, min(ground.values.shape))
    rain = rain or Hyetograph(np.array([0.0, 1.0]), np.array([0.0]))
    rain_end = float(rain.times_s[-1]) if rain.rain_mps.any() else 0.0
    end = float(
        numbers(
            "end (s)",
            rain_end + rules.after_storm_s if end_s is None else end_s,
            0.0,
            1e8,
            open_low=True,
        )
    )
    report = float(
        numbers("report interval (s)", end / 200 if report_s is None else report_s, 1e-3, 1e8)
    )

    run = _Run(ground, valid, _roughness(roughness, valid, rules), rules, threads)
    run.set_start(_field("start depth (m)", start_depth_m, valid, 0.0, rules.deepest_m))
    run.set_edges(open_sides, open_cells)
    run.set_sources(inflows, held)
    run.set_lines(lines)
    loss = rules.infiltration_mps if infiltration_mps is None else infiltration_mps
    run.set_loss(_field("infiltration (m/s)", loss, valid, 0.0, 1.0))

    start = run.water_units()
    times = run.advance(rain, end, report, progress)
    balance = run.balance(start)
    if not balance.error_ratio < v(ERROR_RATIO):
        refuse(
            "water balance", balance.words(), f"an error under {v(ERROR_RATIO):g}",
            "This is a fault in peatwright.",
        )  # fmt: skip
    flows = np.diff(np.array(run.recorded), axis=0, prepend=0.0)
    flows /= np.diff(times, prepend=0.0)[:, None]
    names = [*(line.name for line in lines), "edges"]
    return SurfaceResult(
        depth=run.raster(run.depth_m()),
        depth_max=run.raster(run.deepest[INSIDE]),
        speed_max=run.raster(run.fastest[INSIDE]),
        hydrographs=pd.DataFrame({"time_s": times} | dict(zip(names, flows.T, strict=True))),
        balance=balance,
        steps=int(run.state[4]),
        cells=int(valid.sum()),
    )


def _check_step(rules: SurfaceRules, narrow: int) -> None:
    """Refuse a step at which the finest ripple would grow.

    For the step used here, inertia weights of theta damp the ripple from cell to cell by
    2 theta - 1, and it stays bounded while the step ratio squared is under theta, or under half of
    that where waves run in two directions (the roots of the linear scheme at that wavelength).
    """
    limit = np.sqrt(rules.theta / (1.0 if narrow == 1 else 2.0))
    if rules.step_ratio >= limit:
        refuse(
            "rule step_ratio", f"{rules.step_ratio:g}",
            f"less than {limit:.3f} with theta = {rules.theta:g}", "Take shorter steps.",
        )  # fmt: skip


def _known_sides(sides: Sequence[str]) -> tuple[str, ...]:
    odd = sorted(set(sides) - set(SIDES))
    if odd:
        refuse("open sides", ", ".join(odd), ", ".join(SIDES), "Name the sides so.")
    return tuple(sides)


def _field(
    what: str,
    given: float | NDArray[np.floating],
    valid: NDArray[np.bool_],
    low: float,
    high: float,
) -> F64:
    """Return a number (shape (1, 1)) or a raster, checked where there is ground, 0 elsewhere."""
    values = np.asarray(given, np.float64)
    if values.ndim == 0:
        return numbers(what, values, low, high).reshape(1, 1)
    if values.shape != valid.shape:
        refuse(what, f"shape {values.shape}", f"shape {valid.shape}", "Give it on the same grid.")
    numbers(what, values[valid], low, high)
    return np.where(valid, values, 0.0)


def _roughness(
    given: float | NDArray[np.floating], valid: NDArray[np.bool_], rules: SurfaceRules
) -> F64:
    what = "roughness (Manning's n, s/m^(1/3))"
    return _field(what, given, valid, rules.roughness_low, rules.roughness_high)


class _Run:
    """The arrays of one run. Lives inside `run_surface` only."""

    def __init__(
        self,
        ground: Raster,
        valid: NDArray[np.bool_],
        roughness: F64,
        rules: SurfaceRules,
        threads: int | None,
    ) -> None:
        grid = ground.grid
        self.grid, self.valid, self.rules = grid, valid, rules
        self.levels = ground.values
        self.threads = threads_for(valid.size, threads)
        shape = (grid.rows + 2 * PAD_ROWS, grid.cols + 2 * PAD_COLS)
        lowest = float(np.nanmin(ground.values))
        relief = float(np.nanmax(ground.values)) - lowest
        self.z_unit = Z_UNIT_M
        while (relief + rules.deepest_m) > 0.9 * kernels.WALL * self.z_unit:
            self.z_unit *= 2.0
        # Depths may pass `deepest_m` by as much again before a unit count would overflow.
        self.h_unit = 2.0 ** np.ceil(np.log2(rules.deepest_m / kernels.WALL))
        self.z = np.full(shape, kernels.WALL, np.int32)
        above = ground.values[valid].astype(np.float64) - lowest
        self.z[INSIDE][valid] = np.rint(above / self.z_unit)
        self.roughness = np.broadcast_to(roughness, valid.shape)
        self.gn2 = np.zeros(shape, np.float32)
        self.gn2[INSIDE] = v(GRAVITY) * self.roughness**2
        self.h = [np.zeros(shape, np.int32) for _ in range(2)]
        self.qx = [np.zeros(shape, np.float32) for _ in range(2)]
        self.qy = [np.zeros(shape, np.float32) for _ in range(2)]
        self.deepest = np.zeros(shape, np.float32)
        self.fastest = np.zeros(shape, np.float32)
        # time, greatest depth, rain not yet given, rain given (units), steps, current half,
        # greatest speed
        self.state = np.zeros(7)
        self.totals = np.zeros(3, np.int64)  # out, in, lost
        self.recorded: list[F64] = []
        # More strips than threads, so that a thread that is held up leaves its work to the others.
        pieces = (
            1 if self.threads == 1 else max(self.threads, min(4 * self.threads, grid.rows // 64))
        )
        parts = strips(grid.rows, pieces)
        self.parts = [(a + PAD_ROWS, b + PAD_ROWS) for a, b in parts]
        self.peaks = np.zeros((len(parts), 2), np.int32)
        self.scratch = [np.zeros((kernels.SCRATCH_ROWS, shape[1]), np.float32) for _ in parts]
        self.counts = [np.zeros((2, shape[1]), np.int32) for _ in parts]

    def flat(self, cells: NDArray[np.bool_]) -> NDArray[np.int64]:
        rows, cols = np.nonzero(cells)
        return np.asarray((rows + PAD_ROWS) * self.z.shape[1] + cols + PAD_COLS, np.int64)

    def raster(self, values: NDArray[np.floating]) -> Raster:
        out: FloatRaster = np.where(self.valid, values, np.nan).astype(np.float32)
        return Raster(out, self.grid)

    @property
    def now(self) -> int:
        return int(self.state[5])

    def depth_m(self) -> F64:
        return np.asarray(self.h[self.now][INSIDE] * self.h_unit)

    def water_units(self) -> int:
        return int(self.h[self.now].sum(dtype=np.int64))

    def set_start(self, depth: F64) -> None:
        depth = np.broadcast_to(depth, self.valid.shape)
        if not depth.any():
            return
        # The water level is rounded, not the depth, so that a level lake starts exactly level.
        ratio = self.z_unit / self.h_unit
        bed = self.z[INSIDE].astype(np.float64)
        level = np.rint(bed + depth / self.z_unit)
        units = np.where(depth > 0.0, np.maximum(level - bed, 0.0) * ratio, 0.0)
        self.h[0][INSIDE] = np.where(self.valid, units, 0.0).astype(np.int32)
        self.state[1] = self.h[0].max()
        self.deepest[INSIDE] = np.where(self.valid, self.depth_m(), 0.0)

    def set_loss(self, loss: F64) -> None:
        self.loss_mps = loss
        if loss.size > 1:
            self.loss_mps = np.zeros(self.z.shape)
            self.loss_mps[INSIDE] = loss

    def set_edges(self, sides: tuple[str, ...], allowed: NDArray[np.bool_] | None) -> None:
        outside = np.zeros((self.grid.rows + 2, self.grid.cols + 2), np.bool_)
        gaps, _ = ndimage.label(np.pad(~self.valid, 1, constant_values=True))
        if sides:
            outside = gaps == gaps[0, 0]
        # A ring stands for what lies beyond each side.
        outside[:, 0], outside[:, -1] = "west" in sides, "east" in sides
        outside[0, :], outside[-1, :] = "north" in sides, "south" in sides
        may = self.valid if allowed is None else self.valid & allowed
        bed = np.pad(np.where(self.valid, self.levels, np.nan), 1, constant_values=np.nan)
        bed = bed.astype(np.float64)
        cells, factors, overs, faces, ways = [], [], [], [], []
        wide, plane = self.z.shape[1], self.z.size
        g = self.grid
        for dr, dc, run_m in ((0, -1, g.dx_m), (0, 1, g.dx_m), (-1, 0, g.dy_m), (1, 0, g.dy_m)):
            beyond = np.roll(outside, (-dr, -dc), (0, 1))[1:-1, 1:-1]
            inner = np.roll(bed, (dr, dc), (0, 1))[1:-1, 1:-1]
            leaves = may & beyond
            fall = (inner - bed[1:-1, 1:-1])[leaves] / run_m
            floor = self.rules.edge_slope_ratio
            slope = np.maximum(np.where(np.isfinite(fall), fall, floor), floor)
            n = np.maximum(self.roughness[leaves], 1e-3)
            at = self.flat(leaves)
            cells.append(at)
            # A face has the number of the cell to its west or north; y faces follow x faces.
            faces.append(at + min(dc, 0) if dc else at + plane + min(dr, 0) * wide)
            ways.append(np.full(at.size, float(dr + dc)))
            factors.append(np.sqrt(slope) / n)
            # Width of the side over the area of the cell is one over the cell's other side.
            overs.append(np.full(len(slope), 1.0 / run_m))
        self.edges = (
            np.concatenate(cells), np.concatenate(factors), np.concatenate(overs),
            np.concatenate(faces), np.concatenate(ways),
        )  # fmt: skip

    def set_sources(self, inflows: Sequence[Inflow], held: Sequence[HeldDepth]) -> None:
        knots: list[F64] = []
        starts = [0]

        def add(
            what: str, cells: NDArray[np.bool_], times: object, values: object, high: float
        ) -> int:
            if cells.shape != self.valid.shape or not (cells & self.valid).any():
                refuse(what, f"shape {cells.shape} with {int(cells.sum())} cells",
                       "cells on the ground", "Place it on cells with data.")  # fmt: skip
            t = np.atleast_1d(numbers(f"{what} times (s)", times, 0.0, 1e8))
            y = np.atleast_1d(numbers(what, values, 0.0, high))
            if t.shape != y.shape or (np.diff(t) <= 0).any():
                refuse(f"{what} times", f"{t.size} times, {y.size} values", "as many, rising",
                       "Mend the series.")  # fmt: skip
            knots.append(np.stack([t, y], axis=1).ravel())
            starts.append(starts[-1] + 2 * t.size)
            return len(starts) - 2

        def packed(
            parts: list[tuple[NDArray[np.int64], int, float, float]],
        ) -> tuple[NDArray[np.int64], NDArray[np.int64], F64, F64]:
            def column(i: int, dtype: type) -> NDArray[np.generic]:
                return np.concatenate(
                    [np.zeros(0, dtype), *(np.full(p[0].size, p[i], dtype) for p in parts)]
                )

            cells = np.concatenate([np.zeros(0, np.int64), *(p[0] for p in parts)])
            return cells, column(1, np.int64), column(2, np.float64), column(3, np.float64)  # type: ignore[return-value]

        per = 1.0 / self.grid.cell_area_m2
        sources = []
        for given in inflows:
            which = add("inflow (m³/s)", given.cells, given.times_s, given.flow_m3s, 1e4)
            cells = self.flat(given.cells & self.valid)
            sources.append((cells, which, per, 1.0 / cells.size))
        stages = []
        for hold in held:
            which = add(
                "held depth (m)", hold.cells, hold.times_s, hold.depth_m, self.rules.deepest_m
            )
            stages.append((self.flat(hold.cells & self.valid), which, 0.0, 0.0))
        self.inflows, self.stages = packed(sources), packed(stages)
        self.series = (np.array(starts, np.int64), np.concatenate([np.zeros(0), *knots]))
        self.left = np.zeros(self.inflows[0].size)

    def set_lines(self, lines: Sequence[CrossLine]) -> None:
        faces = [staircase(self.grid, line) for line in lines]
        for line, (found, _) in zip(lines, faces, strict=True):
            if not found.size:
                refuse(f"line {line.name}", "no cell side on it", "a line over the ground",
                       "Draw it longer or move it.")  # fmt: skip
        self.lines = (
            np.concatenate([np.zeros(0, np.int64), *(f for f, _ in faces)]),
            np.concatenate(
                [np.zeros(0, np.int64)] + [np.full(f.size, i) for i, (f, _) in enumerate(faces)]
            ),
            np.concatenate([np.zeros(0), *(s for _, s in faces)]),
        )
        self.volumes = np.zeros(len(lines))

    def advance(self, rain: Hyetograph, end: float, report: float, progress: Progress) -> F64:
        """Step to the end; return the times at which volumes were recorded."""
        r, g = self.rules, self.grid
        self.fixed = np.array([
            r.step_ratio * min(g.dx_m, g.dy_m), r.step_max_s, v(GRAVITY),
            self.z_unit, self.h_unit, g.dx_m, g.dy_m, r.thin_m, r.froude_max, r.theta,
        ])  # fmt: skip
        reports: F64 = np.unique(np.append(np.arange(1, int(end / report) + 1) * report, end))
        # A report that ends a hair before the run does would make a step of almost nothing.
        reports = reports[(reports <= end - 1e-6 * end) | (reports == end)]
        look = v(LOOK_S)
        looks = np.append(np.arange(1, int(end / look) + 1) * look, end)
        stops = np.unique(np.concatenate([looks[looks <= end], reports, rain.times_s]))
        stops = stops[(stops > 0.0) & (stops <= end)]
        looks_at, reports_at = set(looks.tolist()), set(reports.tolist())
        looked = 0.0
        with ThreadPoolExecutor(max(1, self.threads - 1)) as pool:
            for stop in stops.tolist():
                rate = rain.at(0.5 * (self.state[0] + stop))
                self.stretch(stop, rate, pool)
                if stop in looks_at:
                    self.look(stop - looked, pool)
                    looked = stop
                if stop in reports_at:
                    out = self.totals[0] * self.h_unit * g.cell_area_m2
                    self.recorded.append(np.append(self.volumes, out))
                    progress(stop / end, f"storm at {stop / 60:.0f} min of {end / 60:.0f}")
        return reports

    def stretch(self, until: float, rate: float, pool: ThreadPoolExecutor) -> None:
        edges, inflows, stages, series, lines = (
            self.edges, self.inflows, self.stages, self.series, self.lines,
        )  # fmt: skip
        if len(self.parts) == 1:
            (ha, hb), (xa, xb), (ya, yb) = self.h, self.qx, self.qy
            pair = (ha, hb, xa, xb, ya, yb)
            status = kernels.march(
                self.z, self.gn2, pair, self.state, until, rate, self.fixed,
                edges, inflows, stages, series, lines,
                self.scratch[0], self.counts[0], self.left, self.totals, self.volumes,
            )  # fmt: skip
            if status:
                self.too_deep()
            return
        f = self.fixed
        numbers32 = np.empty(10, np.float32)
        state = self.state
        while state[0] < until:
            dt = kernels.step_length(state, until, f)
            kernels.fill_numbers(f[3], f[4], f[5], f[6], f[2], f[7], f[8], f[9], dt, numbers32)
            rain = kernels.rain_step(state, rate, dt, f[4])
            a, b = self.now, 1 - self.now

            def strip(i: int, rain: int = rain, a: int = a, b: int = b) -> None:
                first, past = self.parts[i]
                kernels.step_rows(
                    self.z, self.h[a], self.qx[a], self.qy[a], self.gn2, first, past,
                    numbers32, rain, self.scratch[i], self.counts[i],
                    self.h[b], self.qx[b], self.qy[b], self.peaks[i],
                )  # fmt: skip

            turns = count(0)

            def work(strip: Callable[[int], None] = strip, turns: Iterator[int] = turns) -> None:
                while (i := next(turns)) < len(self.parts):
                    strip(i)

            others = [pool.submit(work) for _ in range(self.threads - 1)]
            work()
            for other in others:
                other.result()
            deepest, fastest = self.peaks.max(axis=0)
            touched = kernels.finish_step(
                self.h[a], self.h[b], self.qx[b], self.qy[b], state[0], dt, f[4], f[2],
                edges, inflows, stages, series, lines, self.left, self.totals, self.volumes,
            )  # fmt: skip
            kernels.end_step(
                state, dt, until, max(int(deepest), touched), float(fastest.view(np.float32))
            )
            if state[1] > kernels.WALL:
                self.too_deep()

    def look(self, seconds: float, pool: ThreadPoolExecutor) -> None:
        loss = (self.loss_mps * seconds / self.h_unit).astype(np.float32)
        now = self.now

        def strip(part: tuple[int, int]) -> int:
            return int(
                kernels.look_rows(
                    self.h[now], self.qx[now], self.qy[now], loss, self.h_unit, v(FILM_M), *part,
                    self.deepest, self.fastest,
                )
            )  # fmt: skip

        if len(self.parts) == 1:
            self.totals[2] += strip(self.parts[0])
        else:
            self.totals[2] += sum(pool.map(strip, self.parts))

    def balance(self, start: int) -> WaterBalance:
        m3 = self.h_unit * self.grid.cell_area_m2
        return WaterBalance(
            rain_m3=self.state[3] * int(self.valid.sum()) * m3,
            inflow_m3=int(self.totals[1]) * m3,
            outflow_m3=int(self.totals[0]) * m3,
            lost_m3=int(self.totals[2]) * m3,
            start_m3=start * m3,
            end_m3=self.water_units() * m3,
        )

    def too_deep(self) -> None:
        refuse(
            "water depth",
            f"more than {kernels.WALL * self.h_unit:.0f} m",
            f"up to deepest_m = {self.rules.deepest_m:g} m",
            "Look for a closed basin or a wrong inflow, or raise deepest_m.",
        )

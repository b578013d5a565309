"""Peat depth as a surface with its error, by ordinary kriging of probes.

PyKrige solves the kriging at the points of a coarse lattice; cells are drawn in between.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from peatwright.ground import _kernels
from peatwright.ground.probes import Probes
from peatwright.model.cited import Cited
from peatwright.model.errors import Fault
from peatwright.model.ground_rules import DepthRules
from peatwright.model.progress import Progress, silent
from peatwright.model.raster import Grid, Raster
from peatwright.terrain._strips import run_strips, threads_for

F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]

PROBED, THIN, UNPROBED, NO_GROUND = 0, 1, 2, 255
"""States of a cell."""
STATES = ("probed", "thinly probed", "unprobed")
ERROR_GAIN_MAX = Cited(
    3.0, "ratio", "most that the kriging error is widened to meet the cross-checked error", 1, 10
)
PRACTICAL = Cited(
    3.0, "ratio", "practical range over scale of the exponential variogram", 3, 3,
    source="PyKrige, variogram models: 1 - exp(-d / (range / 3))", read="original",
)  # fmt: skip
FIT_LAGS = 24


@dataclass(frozen=True)
class Variogram:
    """How unlike depths grow with distance. `fitted` false means assumed from the rule sheet."""

    kind: str
    sill_m2: float
    range_m: float
    nugget_m2: float
    fitted: bool

    def likeness(self, distance_m: F64) -> F64:
        """Return the correlation of depths a distance (m) apart, 1 at 0 without the nugget."""
        h = np.asarray(distance_m, np.float64) / self.range_m
        if self.kind == "spherical":
            got = np.where(h < 1.0, 1.0 - 1.5 * h + 0.5 * h**3, 0.0)
        else:
            got = np.exp(-float(PRACTICAL.value) * h)
        share = self.sill_m2 / (self.sill_m2 + self.nugget_m2)
        return np.asarray(share * got, np.float64)


@dataclass(frozen=True)
class CrossCheck:
    """Errors found by leaving probes out and predicting them, m; NaN with too few probes.

    `near_m` leaves out scattered probes, `far_m` whole squares of `reach_m`, which is what ground
    between probed patches is like. `bias_m` is predicted less found. `gain_ratio` widened the
    kriging error to meet what was found.
    """

    near_m: float
    far_m: float
    bias_m: float
    gain_ratio: float
    probes: int

    def words(self) -> str:
        """Say it in one line."""
        if not np.isfinite(self.near_m):
            return f"Peat depth rests on {self.probes} probe places: too few to check its error."
        return (
            f"Peat depth from {self.probes} probe places; left out and predicted, a probe is "
            f"{self.near_m:.2f} m off (root mean square), {self.far_m:.2f} m where its whole "
            f"neighbourhood is left out; mean {self.bias_m:+.2f} m."
        )


@dataclass(frozen=True, eq=False)
class Lattice:
    """Kriged values on points `step_m` apart, row 0 northmost."""

    x_left_m: float
    y_top_m: float
    step_m: float
    depth_m: NDArray[np.float32]
    error_m: NDArray[np.float32]
    from_probe_m: NDArray[np.float32]

    def points(self) -> tuple[F64, F64]:
        """Return eastings and northings, each of the lattice's shape."""
        rows, cols = self.depth_m.shape
        x, y = np.meshgrid(
            self.x_left_m + self.step_m * np.arange(cols),
            self.y_top_m - self.step_m * np.arange(rows),
        )
        return x, y


@dataclass(frozen=True, eq=False)
class DepthSurface:
    """Peat depth and its standard error (m), the state of each cell, and how sure it all is.

    The error is that of what a probe would find there.
    """

    depth: Raster
    error: Raster
    state: U8
    lattice: Lattice
    variogram: Variogram
    check: CrossCheck
    faults: tuple[Fault, ...]


def fit_variogram(probes: Probes, rules: DepthRules) -> Variogram:
    """Return PyKrige's weighted fit to the probes, or the assumed one where they are too few."""
    from pykrige.ok import OrdinaryKriging  # noqa: PLC0415 - loads slowly

    floor = rules.probe_error_m**2
    if np.isfinite(probes.spread_m):
        floor = max(floor, probes.spread_m**2)
    spread = float(np.std(probes.depth_m))
    if len(probes.x_m) < rules.fit_probes_min or spread < rules.probe_error_m:
        sill = max(rules.assumed_spread_m**2, spread**2)
        return Variogram(rules.variogram, sill, rules.assumed_range_m, floor, fitted=False)
    with np.errstate(all="ignore"):
        model = OrdinaryKriging(
            probes.x_m, probes.y_m, probes.depth_m,
            variogram_model=rules.variogram, nlags=FIT_LAGS, weight=True,
        )  # fmt: skip
    sill, reach, nugget = (float(v) for v in model.variogram_model_parameters)
    extent = float(np.hypot(np.ptp(probes.x_m), np.ptp(probes.y_m)))
    reach = min(max(reach, rules.lattice_step_min_m), 2.0 * extent)
    return Variogram(rules.variogram, max(sill, 1e-6), reach, max(nugget, floor), fitted=True)


def krige(
    probes: tuple[F64, F64, F64], variogram: Variogram, x_m: F64, y_m: F64, rules: DepthRules
) -> tuple[F64, F64]:
    """Return kriged depth and standard error (m) at points, by PyKrige's ordinary kriging.

    Above `whole_probes_max` probes only the `near_probes` nearest count at each point.
    """
    from pykrige.ok import OrdinaryKriging  # noqa: PLC0415 - loads slowly

    px, py, pz = probes
    if len(px) == 1:
        # One probe: the kriging system has the one weight 1, and its error is known in closed form.
        gamma = variogram.nugget_m2 + variogram.sill_m2
        away = np.hypot(x_m - px[0], y_m - py[0])
        like = variogram.likeness(away) * gamma
        return np.full(len(x_m), pz[0]), np.sqrt(2.0 * (gamma - like))
    model = OrdinaryKriging(
        px, py, pz,
        variogram_model=variogram.kind,
        variogram_parameters={
            "psill": variogram.sill_m2, "range": variogram.range_m,
            "nugget": variogram.nugget_m2,
        },
        exact_values=False,
    )  # fmt: skip
    near = None if len(px) <= rules.whole_probes_max else min(rules.near_probes, len(px))
    value, square = model.execute("points", x_m, y_m, backend="C", n_closest_points=near)
    return (
        np.asarray(value, np.float64),
        np.sqrt(np.maximum(np.asarray(square, np.float64), 0.0)),
    )


def _parts(probes: Probes, rules: DepthRules) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Part of each probe for leaving out: scattered, and by squares; the same in every run."""
    count = len(probes.x_m)
    order = np.random.Generator(np.random.Philox(key=count)).permutation(count)
    scattered = np.empty(count, np.int64)
    scattered[order] = np.arange(count) % min(rules.folds, count)
    squares = np.column_stack(
        [np.floor(probes.x_m / rules.reach_m), np.floor(probes.y_m / rules.reach_m)]
    )
    _, square = np.unique(squares, axis=0, return_inverse=True)
    square = square.reshape(-1)
    count = int(square.max()) + 1
    turn = np.random.Generator(np.random.Philox(key=count)).permutation(count)
    return scattered, turn[square] % min(rules.folds, count)


def _left_out(
    probes: Probes, part: NDArray[np.int64], variogram: Variogram, rules: DepthRules
) -> tuple[F64, F64]:
    off = np.full(len(part), np.nan)
    sure = np.full(len(part), np.nan)
    held = (probes.x_m, probes.y_m, probes.depth_m)
    for k in range(int(part.max()) + 1):
        out = part == k
        if out.all() or not out.any():
            continue
        kept = tuple(v[~out] for v in held)
        value, error = krige(
            (kept[0], kept[1], kept[2]), variogram, held[0][out], held[1][out], rules
        )
        off[out] = np.maximum(value, 0.0) - held[2][out]
        sure[out] = error
    return off, sure


def cross_check(probes: Probes, variogram: Variogram, rules: DepthRules) -> CrossCheck:
    """Leave probes out in turn, predict them from the rest, and say how far off that is.

    With no more probes than `folds` this leaves out one at a time.
    """
    count = len(probes.x_m)
    nothing = float("nan")
    if count < 4:
        return CrossCheck(nothing, nothing, nothing, 1.0, count)
    scattered, squares = _parts(probes, rules)
    off, sure = _left_out(probes, scattered, variogram, rules)
    far, _ = _left_out(probes, squares, variogram, rules)
    gain = float(np.sqrt(np.mean((off / sure) ** 2)))
    far_m = float(np.sqrt(np.nanmean(far**2))) if np.isfinite(far).any() else nothing
    return CrossCheck(
        float(np.sqrt(np.mean(off**2))), far_m, float(np.mean(off)),
        min(max(gain, 1.0), float(ERROR_GAIN_MAX.value)), count,
    )  # fmt: skip


def depth_surface(
    probes: Probes,
    grid: Grid,
    rules: DepthRules,
    *,
    levels: Raster | None = None,
    threads: int | None = None,
    progress: Progress = silent,
) -> DepthSurface:
    """Make the peat depth surface of a grid from checked probes.

    Args:
        probes: from `check_probes`.
        grid: cells to fill.
        rules: depth rules.
        levels: ground on the same grid; cells without a level get no depth.
        threads: one per core by default.
        progress: told how far it is.

    """
    progress(0.0, "learning how peat depth varies")
    variogram = fit_variogram(probes, rules)
    progress(0.1, "checking peat depth by leaving probes out")
    check = cross_check(probes, variogram, rules)
    progress(0.4, "drawing the peat depth surface")
    west, south, east, north = grid.bounds
    step = max(
        rules.lattice_step_min_m,
        float(np.sqrt((east - west) * (north - south) / rules.lattice_points)),
    )
    rows = max(2, int(np.ceil((north - south) / step)) + 1)
    cols = max(2, int(np.ceil((east - west) / step)) + 1)
    x, y = np.meshgrid(west + step * np.arange(cols), north - step * np.arange(rows))
    value, error = krige(
        (probes.x_m, probes.y_m, probes.depth_m), variogram, x.reshape(-1), y.reshape(-1), rules
    )
    tree = cKDTree(np.column_stack([probes.x_m, probes.y_m]))
    away, _ = tree.query(np.column_stack([x.reshape(-1), y.reshape(-1)]))

    def shaped(values: F64) -> NDArray[np.float32]:
        return np.ascontiguousarray(values.reshape(rows, cols), np.float32)

    lattice = Lattice(
        west, north, step, shaped(np.maximum(value, 0.0)), shaped(error * check.gain_ratio),
        shaped(np.asarray(away)),
    )  # fmt: skip
    progress(0.8, "drawing the peat depth surface")
    depth, sure, state = _draw(lattice, grid, rules, levels, threads)
    progress(1.0, "peat depth surface made")
    return DepthSurface(
        Raster(depth, grid), Raster(sure, grid), state, lattice, variogram, check, probes.faults
    )


def _draw(
    lattice: Lattice, grid: Grid, rules: DepthRules, levels: Raster | None, threads: int | None
) -> tuple[NDArray[np.float32], NDArray[np.float32], U8]:
    shape = (grid.rows, grid.cols)
    depth, sure, state = (
        np.empty(shape, np.float32),
        np.empty(shape, np.float32),
        np.empty(shape, np.uint8),
    )
    step = np.array([grid.dy_m, grid.dx_m]) / lattice.step_m
    start = (
        np.array([lattice.y_top_m - grid.y_top_m, grid.x_left_m - lattice.x_left_m])
        / lattice.step_m
        + 0.5 * step
    )
    ground = levels.values if levels is not None else np.empty((1, 1), np.float32)
    run_strips(
        grid.rows,
        threads_for(grid.rows * grid.cols, threads),
        lambda a, b: _kernels.draw_rows(
            lattice.depth_m, lattice.error_m, lattice.from_probe_m, start, step, ground,
            levels is not None, rules.thin_error_m, rules.thin_reach_m, rules.reach_m, a, b,
            depth, sure, state,
        ),
    )  # fmt: skip
    return depth, sure, state


def depth_edges_m(rules: DepthRules) -> F64:
    """Return the depths (m) that part the depth classes, ascending."""
    return np.array(
        [rules.class_shallow_m, rules.class_peat_m, rules.class_deep_m, rules.class_thick_m,
         rules.class_very_thick_m]
    )  # fmt: skip


def depth_class_names(rules: DepthRules) -> tuple[str, ...]:
    """Return the name of each class, the first being the shallowest."""
    edges = [f"{e:g}" for e in depth_edges_m(rules)]
    middle = [f"{a} to {b} m" for a, b in pairwise(edges)]
    return (f"under {edges[0]} m", *middle, f"{edges[-1]} m and more")


def depth_classes(depth: Raster, rules: DepthRules, *, threads: int | None = None) -> U8:
    """Return the class of each cell, 0 the shallowest, 255 no data."""
    out = np.empty(depth.values.shape, np.uint8)
    edges = depth_edges_m(rules)
    run_strips(
        depth.grid.rows,
        threads_for(out.size, threads),
        lambda a, b: _kernels.class_rows(depth.values, edges, a, b, out),
    )
    return out

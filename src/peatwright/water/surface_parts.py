"""What is given to the storm over the surface and what comes back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from peatwright.model.raster import Grid, Raster
from peatwright.model.water_rules import SurfaceRules
from peatwright.water._kernels import PAD_COLS, PAD_ROWS
from peatwright.water._refuse import numbers, refuse
from peatwright.water.storm_formulas import F64

CAUTION = (
    "A screening result for this ground and this storm. It follows roughness, the shape of the "
    "rain and how wet the ground is at the start; published cuts of the peak from blocking alone "
    "are modest, and nothing here may be carried over to flood risk further down the valley."
)


@dataclass(frozen=True)
class Hyetograph:
    """Rain over time: `rain_mps[i]` falls from `times_s[i]` to `times_s[i + 1]`, then none."""

    times_s: F64
    rain_mps: F64

    def __post_init__(self) -> None:
        numbers("rain (m/s)", self.rain_mps, 0.0, 1e-2)
        numbers("rain times (s)", self.times_s, 0.0, 1e8)
        if len(self.times_s) != len(self.rain_mps) + 1 or (np.diff(self.times_s) <= 0).any():
            refuse(
                "rain times",
                f"{len(self.times_s)} times for {len(self.rain_mps)} rates",
                "rising times, one more than rates",
                "Mend the rain.",
            )

    def at(self, time_s: float) -> float:
        """Rain at a time."""
        i = int(np.searchsorted(self.times_s, time_s, side="right")) - 1
        return float(self.rain_mps[i]) if 0 <= i < len(self.rain_mps) else 0.0


def block_rain(depth_m: float, duration_s: float) -> Hyetograph:
    """Rain of one even rate."""
    return Hyetograph(np.array([0.0, duration_s]), np.array([depth_m / duration_s]))


def peaked_rain(depth_m: float, duration_s: float, parts: int = 20) -> Hyetograph:
    """Rain that grows evenly to a peak at half time and falls again, in steps."""
    times = np.linspace(0.0, duration_s, parts + 1)
    middle = 0.5 * (times[1:] + times[:-1]) / duration_s
    shape = 1.0 - np.abs(2.0 * middle - 1.0)
    return Hyetograph(times, shape / shape.sum() * depth_m / (duration_s / parts))


def design_rain(rules: SurfaceRules, uplift_ratio: float) -> Hyetograph:
    """The rule sheet's storm, peaked, with its climate uplift."""
    return peaked_rain(rules.storm_depth_m * (1.0 + uplift_ratio), rules.storm_duration_s)


@dataclass(frozen=True)
class CrossLine:
    """A line over which flow is recorded, positive towards its right as one walks along it.

    It is followed along cell sides; sides without ground on both hands carry nothing.
    """

    name: str
    x_m: Sequence[float]
    y_m: Sequence[float]


@dataclass(frozen=True)
class Inflow:
    """Water that enters cells from outside, shared evenly: straight lines between times."""

    cells: NDArray[np.bool_]
    times_s: ArrayLike
    flow_m3s: ArrayLike


@dataclass(frozen=True)
class HeldDepth:
    """Cells whose water depth is held: straight lines between times."""

    cells: NDArray[np.bool_]
    times_s: ArrayLike
    depth_m: ArrayLike


@dataclass(frozen=True)
class WaterBalance:
    """Where the water of a run came from and went, m³. Exact: counted in whole units."""

    rain_m3: float
    inflow_m3: float
    outflow_m3: float
    lost_m3: float
    start_m3: float
    end_m3: float

    @property
    def error_ratio(self) -> float:
        """Water unaccounted for, over all water that was there or came in."""
        came = self.start_m3 + self.rain_m3 + self.inflow_m3
        gap = came - self.outflow_m3 - self.lost_m3 - self.end_m3
        return abs(gap) / came if came > 0.0 else abs(gap)

    def words(self) -> str:
        """Say the balance in one line."""
        return (
            f"rain {self.rain_m3:.1f} + inflow {self.inflow_m3:.1f} + at start "
            f"{self.start_m3:.1f} = outflow {self.outflow_m3:.1f} + lost to the ground "
            f"{self.lost_m3:.1f} + at end {self.end_m3:.1f} m³; relative error "
            f"{self.error_ratio:.1e}"
        )


@dataclass(frozen=True, eq=False)
class SurfaceResult:
    """A storm run: maps, hydrographs and balance.

    `hydrographs` has `time_s` (end of each interval), a column of mean flow (m³/s) per line, and
    `edges` for what left over open edges. Maps are NaN where there is no ground; greatest depth
    and speed are looked at every few seconds of the storm.
    """

    depth: Raster
    depth_max: Raster
    speed_max: Raster
    hydrographs: pd.DataFrame
    balance: WaterBalance
    steps: int
    cells: int


def staircase(grid: Grid, line: CrossLine) -> tuple[NDArray[np.int64], F64]:
    """Return the faces along a line (flat, x faces first, padded) and sign times width of each."""
    i = np.rint((grid.y_top_m - np.asarray(line.y_m, np.float64)) / grid.dy_m).astype(int)
    j = np.rint((np.asarray(line.x_m, np.float64) - grid.x_left_m) / grid.dx_m).astype(int)
    wide = grid.cols + 2 * PAD_COLS
    plane = (grid.rows + 2 * PAD_ROWS) * wide
    faces: list[int] = []
    signs: list[float] = []

    def step(r: int, c: int, to_r: int, to_c: int) -> None:
        """Note the face between the two cells beside one cell side."""
        if to_r == r:  # along a row of corners: the face lies between the rows above and below
            low = min(c, to_c)
            if 0 < r < grid.rows and 0 <= low < grid.cols:
                faces.append(plane + (r - 1 + PAD_ROWS) * wide + low + PAD_COLS)
                signs.append(grid.dx_m if to_c > c else -grid.dx_m)
        else:
            low = min(r, to_r)
            if 0 < c < grid.cols and 0 <= low < grid.rows:
                faces.append((low + PAD_ROWS) * wide + c - 1 + PAD_COLS)
                signs.append(-grid.dy_m if to_r > r else grid.dy_m)

    for (r0, c0), (r1, c1) in pairwise(zip(i, j, strict=True)):
        down, right = abs(r1 - r0), abs(c1 - c0)
        r, c = int(r0), int(c0)
        done_r = done_c = 0
        while done_r < down or done_c < right:
            # Take the move that stays nearer to the straight line.
            nearer = (2 * done_c + 1) * down <= (2 * done_r + 1) * right
            if done_c < right and (done_r == down or nearer):
                to = (r, c + (1 if c1 > c0 else -1))
                done_c += 1
            else:
                to = (r + (1 if r1 > r0 else -1), c)
                done_r += 1
            step(r, c, *to)
            r, c = to
    return np.array(faces, np.int64), np.array(signs, np.float64)


def compare_peaks(before: SurfaceResult, after: SurfaceResult) -> pd.DataFrame:
    """Compare two runs line by line.

    Returns:
        A row per column of the hydrographs, with peaks (m³/s, by size, whichever way the water
        runs), their times (s), `peak_change_ratio`, `delay_s`, volumes (m³) and `words`, which end
        with the caution that always goes with them.

    """
    rows = []
    for name in before.hydrographs.columns.drop("time_s"):
        a, b = before.hydrographs[name].to_numpy(), after.hydrographs[name].to_numpy()
        ta, tb = before.hydrographs["time_s"].to_numpy(), after.hydrographs["time_s"].to_numpy()
        ia, ib = int(np.argmax(np.abs(a))), int(np.argmax(np.abs(b)))
        pa, pb = float(abs(a[ia])), float(abs(b[ib]))
        change = (pb - pa) / pa if pa > 0.0 else float("nan")
        delay = float(tb[ib] - ta[ia])
        row = {
            "line": name,
            "peak_before_m3s": pa,
            "peak_after_m3s": pb,
            "peak_change_ratio": change,
            "time_before_s": float(ta[ia]),
            "time_after_s": float(tb[ib]),
            "delay_s": delay,
            "volume_before_m3": float(np.sum(a * np.diff(ta, prepend=0.0))),
            "volume_after_m3": float(np.sum(b * np.diff(tb, prepend=0.0))),
        }
        if pa > 0.0:
            way = "lower" if change < 0 else "higher"
            said = f"peak over {name} {abs(change):.0%} {way} and {delay / 60:+.0f} min"
        else:
            said = f"no flow over {name} before the works"
        rows.append(row | {"words": f"{said}. {CAUTION}"})
    return pd.DataFrame(rows)

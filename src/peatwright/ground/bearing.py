"""Whether a machine sinks: ground pressure against the strength of peat, and a going map."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from peatwright.ground import _kernels
from peatwright.ground.findings import Found, Where, source_words
from peatwright.ground.slopes import Slopes
from peatwright.model.cited import Cited, citations
from peatwright.model.ground_layers import GOING
from peatwright.model.ground_rules import BearingRules
from peatwright.model.raster import Raster
from peatwright.terrain._strips import run_strips, threads_for
from peatwright.terrain.sampling import sample

U8 = NDArray[np.uint8]

GRAVITY_MPS2 = Cited(
    9.81, "m/s²", "gravity", 9.78, 9.84, source="standard gravity, rounded", read="memory"
)
EASY, CAREFUL, MATS, KEEP_OFF = range(4)
CAUTION = (
    "A guide only: peat differs from step to step. Probe ahead, test with the machine, and turn "
    "back when the ground quakes or water comes up; the operator decides on the day."
)


def ground_pressure_kpa(mass_kg: float, track_width_m: float, track_length_m: float) -> float:
    """Return the mean pressure (kPa) under the two tracks of a machine."""
    return mass_kg * float(GRAVITY_MPS2.value) / 1000.0 / (2.0 * track_width_m * track_length_m)


def capacity_kpa(
    strength_kpa: float, width_m: float, length_m: float, rules: BearingRules
) -> float:
    """Return the pressure (kPa) at which peat of an undrained strength fails under a rectangle.

    (2 + π) su (1 + 0.2 B / L): Prandtl's strip with Skempton's shape factor (memory). Deep peat
    and no help from the mat of roots are assumed, so it errs to the safe side.
    """
    short, long = sorted((width_m, length_m))
    return rules.capacity_factor * strength_kpa * (1.0 + rules.shape_factor * short / long)


@dataclass(frozen=True)
class Bearing:
    """How a machine stands on peat: pressures and capacities in kPa, and capacity over pressure."""

    pressure_kpa: float
    mat_pressure_kpa: float
    capacity_kpa: float
    mat_capacity_kpa: float
    ratio: float
    mat_ratio: float
    going: str


def bearing(rules: BearingRules, strength_kpa: float | None = None) -> Bearing:
    """Return how the machine of the rules stands on peat of a strength (kPa; the rules' if None).

    Mats lie side by side across both tracks; machine and mats press evenly on their area.
    """
    su = rules.strength_kpa if strength_kpa is None else strength_kpa
    pressure = rules.uneven_ratio * ground_pressure_kpa(
        rules.mass_kg, rules.track_width_m, rules.track_length_m
    )
    spread_m = rules.mats_under * rules.mat_width_m
    mass = rules.uneven_ratio * rules.mass_kg + rules.mats_under * rules.mat_mass_kg
    mat_pressure = mass * float(GRAVITY_MPS2.value) / 1000.0 / (spread_m * rules.mat_length_m)
    bears = capacity_kpa(su, rules.track_width_m, rules.track_length_m, rules)
    mat_bears = capacity_kpa(su, spread_m, rules.mat_length_m, rules)
    ratio, mat_ratio = bears / pressure, mat_bears / mat_pressure
    if ratio >= rules.easy_factor:
        going = EASY
    elif ratio >= rules.careful_factor:
        going = CAREFUL
    elif mat_ratio >= rules.careful_factor:
        going = MATS
    else:
        going = KEEP_OFF
    return Bearing(pressure, mat_pressure, bears, mat_bears, ratio, mat_ratio, GOING[going])


def going_map(
    depth: Raster,
    ground: Slopes,
    rules: BearingRules,
    *,
    weak: U8 | None = None,
    keep_off: U8 | None = None,
    threads: int | None = None,
) -> U8:
    """Return the going at each cell: index into `GOING`, 255 without peat depth or ground.

    Args:
        depth: peat depth, m.
        ground: slopes of the same grid.
        rules: machine, mats, strength.
        weak: cells not 0 are wet or bare and have less strength, (rows, cols).
        keep_off: cells not 0 must not be entered, for limits or stability, (rows, cols).
        threads: one per core by default.

    """
    firm = bearing(rules)
    soft = bearing(rules, rules.strength_kpa * rules.wet_strength_ratio)
    classes = np.array([GOING.index(firm.going), GOING.index(soft.going)], np.uint8)
    none = np.empty((1, 1), np.uint8)
    out = np.empty(depth.values.shape, np.uint8)
    run_strips(
        depth.grid.rows, threads_for(out.size, threads),
        lambda a, b: _kernels.going_rows(
            depth.values, ground.slope_ratio, none if weak is None else weak,
            none if keep_off is None else keep_off, weak is not None, keep_off is not None,
            ground.by, ground.bx, classes, rules.thin_m,
            float(np.tan(np.radians(rules.careful_deg))),
            float(np.tan(np.radians(rules.steepest_deg))), a, b, out,
        ),
    )  # fmt: skip
    return out


def item_findings(
    items: pd.DataFrame,
    depth: Raster,
    ground: Slopes,
    rules: BearingRules,
    bare: shapely.Geometry | None = None,
) -> list[Found]:
    """Check whether a machine can stand at items where they are now.

    Args:
        items: rows of `ITEMS`, or some of them.
        depth: peat depth, m.
        ground: slopes.
        rules: machine, mats, strength.
        bare: bare peat, which bears less, as one geometry.

    """
    if not len(items):
        return []
    x, y = items["x_m"].to_numpy(np.float64), items["y_m"].to_numpy(np.float64)
    z, slope = sample(depth, x, y), np.degrees(np.arctan(ground.slope_at(x, y)))
    weak = np.zeros(len(x), np.bool_)
    if bare is not None and not shapely.is_empty(bare):
        weak = shapely.intersects_xy(bare, x, y)
    cites = citations(BearingRules)
    soft = bearing(rules, rules.strength_kpa * rules.wet_strength_ratio)
    found: list[Found] = []
    for k, (item, drain) in enumerate(zip(items["item_id"], items["drain_id"], strict=True)):
        at = Where(f"item {item} on drain {drain}", str(drain), str(item), float(x[k]), float(y[k]))
        if slope[k] > rules.steepest_deg:
            found.append(
                Found(
                    "look", "bearing", at, f"slope {slope[k]:.1f}°, where machines keep off",
                    f"bearing.steepest_deg = {rules.steepest_deg:g}",
                    source_words(cites["steepest_deg"]),
                    "Work it from gentler ground or by hand. " + CAUTION, "steep", float(slope[k]),
                )
            )  # fmt: skip
        if weak[k] and z[k] >= rules.thin_m and soft.going in {"mats", "keep off"}:
            found.append(
                Found(
                    "stop" if soft.going == "keep off" else "look", "bearing", at,
                    f"bare peat bears {soft.capacity_kpa:.1f} kPa, {soft.ratio:.1f} times what the "
                    f"machine presses: {soft.going}",
                    f"bearing.wet_strength_ratio = {rules.wet_strength_ratio:g}",
                    source_words(cites["wet_strength_ratio"]), CAUTION, "bare",
                )
            )  # fmt: skip
    return found

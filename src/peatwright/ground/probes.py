"""Check peat depth probes before anything is made of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from peatwright.model.errors import Fault, GivenError
from peatwright.model.ground_rules import DepthRules

F64 = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Probes:
    """Probes that can be used: one place each, depths in m, with what a person must look at.

    `spread_m` is the root mean square difference between depths given for one place (NaN where
    there were none); `one_line` says that all lie along one line.
    """

    x_m: F64
    y_m: F64
    depth_m: F64
    spread_m: float
    one_line: bool
    faults: tuple[Fault, ...]


def _rows(which: NDArray[np.bool_], most: int = 6) -> str:
    found = np.nonzero(which)[0] + 1
    said = ", ".join(str(k) for k in found[:most])
    rest = len(found) - most
    return f"row {said}" if rest <= 0 else f"rows {said} and {rest} more"


def _merged(
    x: F64, y: F64, depth: F64, rules: DepthRules, file: str
) -> tuple[F64, F64, F64, float, list[Fault]]:
    """One place for probes closer than `same_place_m`, at their mean depth."""
    tree = cKDTree(np.column_stack([x, y]))
    pairs = tree.query_pairs(rules.same_place_m, output_type="ndarray")
    if not len(pairs):
        return x, y, depth, float("nan"), []
    head = np.arange(len(x))
    for a, b in pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]:
        low, high = sorted((head[a], head[b]))
        head[head == high] = low
    _, group = np.unique(head, return_inverse=True)
    count = np.bincount(group)
    mean = [np.bincount(group, v) / count for v in (x, y, depth)]
    off = depth - mean[2][group]
    spread = float(np.sqrt((off**2).sum() / (len(x) - len(count))))
    low = np.full(len(count), np.inf)
    high = np.full(len(count), -np.inf)
    np.minimum.at(low, group, depth)
    np.maximum.at(high, group, depth)
    faults = [
        Fault(
            file, f"x {mean[0][k]:.1f}, y {mean[1][k]:.1f}",
            f"{count[k]} probes at one place with depths {low[k]:.2f} to {high[k]:.2f} m",
            f"depths at one place within {rules.same_place_differ_m:g} m",
            "Probe it again. Their mean is used, and the error made larger.", "look",
        )
        for k in np.nonzero(high - low > rules.same_place_differ_m)[0]
    ]  # fmt: skip
    return mean[0], mean[1], mean[2], spread, faults


def _one_line(x: F64, y: F64, rules: DepthRules) -> bool:
    if len(x) < 3:
        return len(x) == 2
    sizes = np.linalg.svd(np.column_stack([x - x.mean(), y - y.mean()]), compute_uv=False)
    return bool(sizes[1] < rules.line_ratio * sizes[0])


def check_probes(
    x_m: ArrayLike, y_m: ArrayLike, depth_m: ArrayLike, rules: DepthRules, file: str = "probes"
) -> Probes:
    """Check probes and merge those at one place.

    Args:
        x_m: eastings, (n,), m.
        y_m: northings, (n,), m.
        depth_m: peat depths, (n,), m; 0 means no peat.
        rules: limits of belief.
        file: name of the file, for the faults.

    Raises:
        GivenError: with every fault, where no probe is there, a depth is negative or not a
            number, a place is not a number, or depths look like centimetres or are not believed.

    """
    x, y, depth = (np.asarray(v, np.float64).reshape(-1) for v in (x_m, y_m, depth_m))
    faults: list[Fault] = []
    if not len(depth):
        faults.append(Fault(file, "", "no probes", "one or more", "Probe the peat."))
    placed = np.isfinite(x) & np.isfinite(y)
    if not placed.all():
        faults.append(Fault(file, _rows(~placed), "no place", "x and y in metres", "Mend it."))
    known = np.isfinite(depth)
    if not known.all():
        faults.append(
            Fault(file, _rows(~known), "no depth", "a depth in metres", "Mend or drop the row.")
        )
    negative = known & (depth < 0)
    if negative.any():
        faults.append(
            Fault(file, _rows(negative), f"depth {depth[negative].min():g} m", "0 m or more",
                  "Give depths as positive numbers; 0 means no peat.")
        )  # fmt: skip
    deep = known & (depth > rules.deepest_m)
    if deep.any():
        middle = float(np.median(depth[known & (depth > 0)]))
        if middle > rules.deepest_m:
            faults.append(
                Fault(file, _rows(deep), f"depths around {middle:g}, as if in centimetres",
                      f"metres, up to {rules.deepest_m:g}", "Divide by 100, or name the unit.")
            )  # fmt: skip
        else:
            faults.append(
                Fault(file, _rows(deep), f"depth {depth[deep].max():g} m",
                      f"up to {rules.deepest_m:g} m", "Check for centimetres among metres.")
            )  # fmt: skip
    if faults:
        raise GivenError(faults)
    x, y, depth, spread, looks = _merged(x, y, depth, rules, file)
    line = _one_line(x, y, rules)
    if len(x) < rules.fit_probes_min:
        looks.append(
            Fault(file, "", f"probes at {len(x)} places",
                  f"{rules.fit_probes_min} or more to learn how depth varies",
                  "Its variation is assumed, not measured: probe more.", "look")
        )  # fmt: skip
    if line and len(x) > 2:
        looks.append(
            Fault(file, "", "all probes along one line", "probes to both sides as well",
                  "Depth off the line is a guess: probe across it.", "look")
        )  # fmt: skip
    return Probes(x, y, depth, spread, line, tuple(looks))

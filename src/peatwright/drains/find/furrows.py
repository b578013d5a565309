"""Furrow ground: areas where many close lines run one way."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from peatwright.drains.find.network import Segments
from peatwright.drains.find.pieces import measure
from peatwright.model.find_rules import FindRules

F64 = NDArray[np.float64]
SQUARE_M = 12.0


def furrow_ground(
    s: Segments, dx_m: float, dy_m: float, rules: FindRules
) -> tuple[list[dict[str, Any]], NDArray[np.bool_]]:
    """Find furrow areas and the points of lines that belong to them.

    Works on squares of 12 m: metres of line to the square metre give the spacing, doubled
    angles give direction and how well lines agree in it. Returns areas (shape in metres east and
    south of the corner, direction, spacing) and a mask over points.
    """
    inside = np.zeros(s.points.row.size, bool)
    p = measure(s, dx_m, dy_m, 12.0)
    if p.seg.size == 0:
        return [], inside
    ok = (p.feature[:, 4] > rules.shallow_m) & (p.feature[:, 11] > 0.93)
    i = (p.mid_y_m / SQUARE_M).astype(np.int64)
    j = (p.mid_x_m / SQUARE_M).astype(np.int64)
    shape = (int(i.max()) + 4, int(j.max()) + 4)
    w = p.length_m * ok
    total = np.zeros(shape)
    c2, s2 = np.zeros(shape), np.zeros(shape)
    np.add.at(total, (i + 1, j + 1), w)
    np.add.at(c2, (i + 1, j + 1), w * np.cos(2 * p.angle))
    np.add.at(s2, (i + 1, j + 1), w * np.sin(2 * p.angle))
    total, c2, s2 = (ndimage.uniform_filter(a, 3, mode="constant") for a in (total, c2, s2))
    density = total / SQUARE_M**2
    unity = np.hypot(c2, s2) / np.maximum(total, 1e-9)
    dense = (density > 1.0 / rules.furrow_gap_m) & (unity > 0.8)
    label, n = ndimage.label(dense)
    if n == 0:
        return [], inside
    size = ndimage.sum_labels(np.ones(shape), label, np.arange(1, n + 1)) * SQUARE_M**2
    areas = []
    import shapely  # noqa: PLC0415 - loads slowly

    good = np.flatnonzero(size >= rules.furrow_area_m2) + 1
    of = label[i + 1, j + 1]
    for g in good.tolist():
        here = label == g
        at, ct = np.nonzero(here)
        cell = shapely.box((ct - 1) * SQUARE_M, (at - 1) * SQUARE_M, ct * SQUARE_M, at * SQUARE_M)
        outline = shapely.simplify(shapely.union_all(cell), SQUARE_M * 0.8)
        turn = 0.5 * np.arctan2(s2[here].sum(), c2[here].sum())
        spacing = here.sum() / density[here].sum()
        mine = of == g
        d = np.abs((p.angle - turn + np.pi / 2) % np.pi - np.pi / 2) < 0.35
        depth = np.median(p.feature[mine & d, 4]) if (mine & d).any() else 0.0
        areas.append({
            "shape": outline,
            # angle runs from east towards south; a bearing runs from north towards east
            "direction_deg": float(np.degrees(turn) + 90.0) % 180.0,
            "spacing_m": float(spacing),
            "area_m2": float(outline.area),
            "confidence": float(np.clip(unity[here].mean(), 0, 1)),
            "rests_on": f"{w[mine].sum():.0f} m of line, one way, {spacing:.1f} m apart, "
            f"{depth:.2f} m deep",
        })  # fmt: skip
        take = np.repeat(mine & d, np.diff(p.start))
        inside[p.order[take]] = True
    return areas, inside

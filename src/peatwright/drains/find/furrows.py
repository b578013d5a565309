"""Furrow ground: areas where many close lines run one way."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from peatwright.drains.find.local import COL
from peatwright.drains.find.net import _kernels as k
from peatwright.drains.find.network import Segments, place
from peatwright.drains.find.pieces import cut
from peatwright.model.find_rules import FindRules

F64 = NDArray[np.float64]
SQUARE_M = 12.0
CROSSING_M = 20.0


def furrow_ground(
    s: Segments, dx_m: float, dy_m: float, rules: FindRules
) -> tuple[list[dict[str, Any]], NDArray[np.bool_]]:
    """Find furrow areas and the points of lines that belong to them.

    Works on squares of 12 m: metres of line to the square metre give the spacing, doubled
    angles give direction and how well lines agree in it. Returns areas (shape in metres east and
    south of the corner, direction, spacing) and a mask over points.
    """
    inside = np.zeros(s.points.row.size, bool)
    start, seg = cut(s.start, s.length_m, SQUARE_M)
    if start.size < 2:
        return [], inside
    means = np.empty((start.size - 1, len(COL)))
    k.group_means(s.points.value, s.order, start, means)
    depth_m = means[:, COL["depth_m"]]
    x, y = place(s.points, dx_m, dy_m)
    a, b = s.order[start[:-1]], s.order[start[1:] - 1]
    chord = np.hypot(x[b] - x[a], y[b] - y[a])
    angle = np.arctan2(y[b] - y[a], x[b] - x[a]) % np.pi
    mx, my = (x[a] + x[b]) / 2, (y[a] + y[b]) / 2
    # a straight piece has at most 2^0.5 points to the cell of its chord (corners of its stairs)
    reach = np.diff(start) * min(dx_m, dy_m)
    ok = (depth_m > rules.shallow_m) & (chord > 0.68 * reach)
    i = (my / SQUARE_M).astype(np.int64)
    j = (mx / SQUARE_M).astype(np.int64)
    shape = (int(i.max()) + 4, int(j.max()) + 4)
    w = chord * ok
    total = np.zeros(shape)
    c2, s2 = np.zeros(shape), np.zeros(shape)
    np.add.at(total, (i + 1, j + 1), w)
    np.add.at(c2, (i + 1, j + 1), w * np.cos(2 * angle))
    np.add.at(s2, (i + 1, j + 1), w * np.sin(2 * angle))
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
    # lines that run out past the squares belong to the area as well
    of = ndimage.grey_dilation(label, size=(3, 3))[i + 1, j + 1]
    for g in good.tolist():
        here = label == g
        at, ct = np.nonzero(here)
        cell = shapely.box((ct - 1) * SQUARE_M, (at - 1) * SQUARE_M, ct * SQUARE_M, at * SQUARE_M)
        outline = shapely.simplify(shapely.union_all(cell), SQUARE_M * 0.8)
        turn = 0.5 * np.arctan2(s2[here].sum(), c2[here].sum())
        spacing = 1.0 / np.quantile(density[here], 0.75)  # edge squares are half empty
        mine = of == g
        d = np.abs((angle - turn + np.pi / 2) % np.pi - np.pi / 2) < 0.35
        depth = np.median(depth_m[mine & d]) if (mine & d).any() else 0.0
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
        short = s.length_m[seg] < CROSSING_M  # bits between furrows; cross drains are longer
        take = np.repeat(mine & (d | short), np.diff(start))
        inside[s.order[take]] = True
    return areas, inside

"""Measures of short pieces of line, from which confidence and kind are judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from peatwright.drains.find.local import COL
from peatwright.drains.find.net import _kernels as k
from peatwright.drains.find.network import Segments, place

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

FEATURES = (
    "contrast", "contrast_low", "strength_m", "noise_m", "depth_m", "depth_low_m",
    "depth_spread_ratio", "width_m", "width_spread_m", "continuity", "link_share",
    "chord_ratio", "bow_m", "direction_unity", "segment_m", "set_m", "outer_rough_m", "rough_m",
    "slope_along", "slope_across", "bank_ratio", "ground_depth_m", "far_depth_m", "far_width_m",
    "relief_m", "depth_to_rough", "parallel", "free_ends", "bed_unevenness_m", "skew_ratio",
    "straight_30_ratio", "side_flat_m", "side_uneven_m", "side_step_m", "lip_m",
    "lip_difference_ratio", "cell_m",
)  # fmt: skip


@dataclass(frozen=True)
class Pieces:
    """Pieces of segments: `seg` their segment, `start` into `order` (one entry more), measures.

    `mid_x_m`, `mid_y_m` (south) and `angle` place each piece; `feature` has the columns of
    `FEATURES`.
    """

    order: I64
    start: I64
    seg: I64
    length_m: F64
    mid_x_m: F64
    mid_y_m: F64
    angle: F64
    feature: F64


def cut(start: I64, length_m: F64, piece_m: float) -> tuple[I64, I64]:
    """Cut segments into equal pieces near `piece_m` long; return starts and segment numbers.

    Neighbouring pieces share no point; each piece keeps at least three points.
    """
    size = np.diff(start)
    parts = np.maximum(np.rint(length_m / piece_m).astype(np.int64), 1)
    parts = np.minimum(parts, np.maximum(size // 3, 1))
    seg = np.repeat(np.arange(size.size), parts)
    first = np.cumsum(parts) - parts
    rank = np.arange(seg.size) - first[seg]
    begin = start[seg] + rank * size[seg] // parts[seg]
    return np.append(begin, start[-1] if start.size else 0), seg


def middle(value: F64, start: I64, share: float) -> F64:
    """Return the given quantile of each run of values (nearest rank)."""
    out = np.empty(start.size - 1)
    k.group_share(value, start, share, out)
    return out


def measure(s: Segments, dx_m: float, dy_m: float, piece_m: float = 20.0) -> Pieces:
    """Measure the pieces of clean segments."""
    start, seg = cut(s.start, s.length_m, piece_m)
    n = seg.size
    order = s.order
    v = s.points.value
    x, y = place(s.points, dx_m, dy_m)
    if n == 0:
        e = np.zeros(0)
        none = np.zeros(0, np.int64)
        return Pieces(order, start, none, e, e, e, e, np.zeros((0, len(FEATURES))))
    begin, end = start[:-1], start[1:] - 1
    size = np.diff(start)
    group = np.repeat(np.arange(n), size)

    means = np.empty((n, len(COL)))
    k.group_means(v, order, start, means)
    names = (
        "depth_m",
        "width_m",
        "strength",
        "noise",
        "theta",
        "bed_m",
        "far_depth_m",
        "far_width_m",
    )
    held = np.empty((len(names), order.size))
    k.columns_of(v, order, np.array([COL[c] for c in names]), held)
    depth, width, strength, noise, th, bed, far_depth, far_width = held

    def col(name: str) -> F64:
        """Mean of a measure over each piece."""
        got: F64 = means[:, COL[name]]
        return got

    def mean(a: F64) -> F64:
        got: F64 = np.add.reduceat(a, begin) / size
        return got

    px, py = x[order], y[order]
    step = np.hypot(np.diff(px, append=px[-1:]), np.diff(py, append=py[-1:]))
    step[end] = 0.0
    length = np.maximum(np.add.reduceat(step, begin), 1e-6)
    cx, cy = px[end] - px[begin], py[end] - py[begin]
    chord = np.hypot(cx, cy)
    ux, uy = cx / np.maximum(chord, 1e-6), cy / np.maximum(chord, 1e-6)
    away = (px - px[begin][group]) * -uy[group] + (py - py[begin][group]) * ux[group]
    bow = np.sqrt(np.maximum(mean(away**2) - mean(away) ** 2, 0))
    c2, s2 = mean(np.cos(2 * th)), mean(np.sin(2 * th))
    depth_mid = middle(depth, start, 0.5)
    contrast = strength / noise
    width_mid = middle(width, start, 0.5)
    rise = np.abs(np.diff(bed, append=bed[-1:]))
    rise[end] = 0.0
    ends = s.node[seg]
    counts = np.bincount(s.node.ravel(), minlength=s.points.row.size)
    degree = counts[ends]
    label = sets(s)
    set_len = np.bincount(label, weights=s.length_m)[label]
    rough = col("rough_m")
    angle = np.arctan2(cy, cx) % np.pi
    mx, my = mean(px), mean(py)
    bend = straight_run(seg, cx / length, cy / length)
    f = np.empty((n, len(FEATURES)))
    put = dict.fromkeys(FEATURES, np.zeros(0))
    put |= {
        "contrast": mean(contrast),
        "contrast_low": middle(contrast, start, 0.2),
        "strength_m": col("strength"),
        "noise_m": col("noise"),
        "depth_m": depth_mid,
        "depth_low_m": middle(depth, start, 0.2),
        "depth_spread_ratio": mean(np.abs(depth - depth_mid[group])) / (depth_mid + 0.05),
        "width_m": width_mid,
        "width_spread_m": mean(np.abs(width - width_mid[group])),
        "continuity": col("continuity"),
        "link_share": col("link"),
        "chord_ratio": chord / length,
        "bow_m": bow,
        "direction_unity": np.hypot(c2, s2),
        "segment_m": np.minimum(s.length_m[seg], 150.0),
        "set_m": np.minimum(set_len[seg], 500.0),
        "outer_rough_m": col("outer_rough_m"),
        "rough_m": rough,
        "slope_along": np.abs(col("slope_along")),
        "slope_across": np.abs(col("slope_across")),
        "bank_ratio": np.abs(col("bank_difference_m")) / (np.maximum(depth_mid, 0) + 0.1),
        "ground_depth_m": col("ground_depth_m"),
        "far_depth_m": middle(far_depth, start, 0.5),
        "far_width_m": middle(far_width, start, 0.5),
        "relief_m": col("relief_m"),
        "depth_to_rough": np.maximum(depth_mid, 0) / (col("outer_rough_m") + 0.02),
        "parallel": parallels(mx, my, angle, length, np.maximum(depth_mid, 0)),
        "free_ends": (degree == 1).sum(1).astype(np.float64),
        "bed_unevenness_m": np.add.reduceat(rise, begin) / length,
        "skew_ratio": np.abs(col("profile_slope")),
        "straight_30_ratio": bend,
        "side_flat_m": col("side_flat_m"),
        "side_uneven_m": col("side_uneven_m"),
        "side_step_m": col("side_step_m"),
        "lip_m": col("lip_m"),
        "cell_m": np.full(n, max(dx_m, dy_m)),
        "lip_difference_ratio": col("lip_difference_m") / (np.maximum(col("lip_m"), 0) + 0.05),
    }
    for i, name in enumerate(FEATURES):
        f[:, i] = put[name]
    return Pieces(order, start, seg, length, mx, my, angle, f)


def sets(s: Segments) -> I64:
    """Number of the connected set each segment belongs to."""
    from scipy.sparse import coo_matrix  # noqa: PLC0415 - scipy's graph tools load slowly
    from scipy.sparse.csgraph import connected_components  # noqa: PLC0415

    used, at = np.unique(s.node.ravel(), return_inverse=True)
    a, b = at[0::2], at[1::2]
    m = coo_matrix((np.ones(a.size), (a, b)), shape=(used.size, used.size))
    _, label = connected_components(m, directed=False)
    return np.asarray(label[a], np.int64)


def straight_run(seg: I64, ux: F64, uy: F64) -> F64:
    """How well a piece keeps direction with the ones before and after on its segment, 0 to 1."""
    same = seg[1:] == seg[:-1]
    dot = np.clip(ux[1:] * ux[:-1] + uy[1:] * uy[:-1], 0, 1)
    own = np.hypot(ux, uy)
    before = np.append([np.nan], np.where(same, dot, np.nan))
    after = np.append(np.where(same, dot, np.nan), [np.nan])
    got: F64 = np.nanmin(np.stack([own, before, after]), axis=0)
    return got


def parallels(mx: F64, my: F64, angle: F64, length: F64, weight: F64, reach_m: float = 45.0) -> F64:
    """Metres of deep enough line nearby that run the same way, beside rather than ahead."""
    tree = cKDTree(np.stack([mx, my], 1))
    good = np.flatnonzero(weight > 0.08)
    out = np.zeros(mx.size)
    if good.size == 0:
        return out
    small = cKDTree(np.stack([mx[good], my[good]], 1))
    pair = tree.sparse_distance_matrix(small, reach_m, output_type="ndarray")
    a, b = pair["i"], good[pair["j"]]
    turn = np.abs((angle[a] - angle[b] + np.pi / 2) % np.pi - np.pi / 2)
    beside = np.abs(-(mx[b] - mx[a]) * np.sin(angle[a]) + (my[b] - my[a]) * np.cos(angle[a]))
    ok = (turn < 0.14) & (beside > 4.0)
    got: F64 = np.bincount(a[ok], weights=length[b[ok]], minlength=mx.size).astype(np.float64)
    return np.minimum(got, 300.0)

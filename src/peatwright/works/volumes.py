"""Volumes of dams, hollows, pools, gaps and closed drain, as closed forms of simple solids.

Valid for the plain shapes that each function names; real ground differs, so these are quantities to
plan and price with. All arguments are arrays or numbers in metres that broadcast together.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def _a(*values: ArrayLike) -> tuple[Floats, ...]:
    return tuple(np.asarray(v, dtype=np.float64) for v in values)


def trapezium_m2(top_m: ArrayLike, bottom_m: ArrayLike, depth_m: ArrayLike) -> Floats:
    """Area of a drain's cross-section: (top + bottom) / 2 × depth."""
    top, bottom, depth = _a(top_m, bottom_m, depth_m)
    out: Floats = 0.5 * (top + bottom) * depth
    return out


def plug_m3(
    top_m: ArrayLike,
    bottom_m: ArrayLike,
    depth_m: ArrayLike,
    height_m: ArrayLike,
    crest_m: ArrayLike,
    face_ratio: ArrayLike,
) -> Floats:
    """Fill between the bed and the shoulders of a trapezoidal drain.

    The dam's crest stands `height_m` above the bed and is `crest_m` thick along the drain; both
    faces run out by `face_ratio` per metre of height. At z above the bed the drain is
    w(z) = b + (B - b) z / D wide and the dam l(z) = t + 2 m (H - z) long; the volume is the
    integral of w l over z from 0 to min(D, H).
    """
    top, bottom, depth, height, crest, face = _a(
        top_m, bottom_m, depth_m, height_m, crest_m, face_ratio
    )
    depth = np.maximum(depth, 1e-9)
    z = np.minimum(depth, height)
    spread = (top - bottom) / depth
    long = crest + 2.0 * face * height
    out: Floats = (
        bottom * long * z
        + 0.5 * (spread * long - 2.0 * face * bottom) * z**2
        - 2.0 / 3.0 * face * spread * z**3
    )
    return out


def wing_m3(
    width_m: ArrayLike,
    inner_height_m: ArrayLike,
    outer_height_m: ArrayLike,
    crest_m: ArrayLike,
    face_ratio: ArrayLike,
) -> Floats:
    """Fill above ground on one side of the drain, from the shoulder to the dam's end.

    Its height over the ground runs straight from `inner_height_m` to `outer_height_m` over
    `width_m`; at height h its section along the drain is t h + m h². The volume is
    w (t (h0 + h1) / 2 + m (h0² + h0 h1 + h1²) / 3).
    """
    width, h0, h1, crest, face = _a(width_m, inner_height_m, outer_height_m, crest_m, face_ratio)
    h0, h1 = np.maximum(h0, 0.0), np.maximum(h1, 0.0)
    out: Floats = width * (0.5 * crest * (h0 + h1) + face * (h0**2 + h0 * h1 + h1**2) / 3.0)
    return out


def key_m3(
    bottom_m: ArrayLike,
    side_m: ArrayLike,
    crest_m: ArrayLike,
    side_key_m: ArrayLike,
    base_key_m: ArrayLike,
) -> Floats:
    """Trench for the key, as thick as the crest: under the bed and into both sides.

    t (b k_base + 2 k_side (s + k_base)), with s the height of the sides.
    """
    bottom, side, crest, key, base = _a(bottom_m, side_m, crest_m, side_key_m, base_key_m)
    out: Floats = crest * (bottom * base + 2.0 * key * (side + base))
    return out


def hollow_m3(length_m: ArrayLike, depth_m: ArrayLike, bevel_ratio: ArrayLike) -> Floats:
    """Peat dug to bevel the hollow behind a dam.

    The hollow is `depth_m` deep at the dam and rises evenly to nothing over `length_m`; its two
    sides are bevelled by `bevel_ratio` per metre of depth, so a section y deep takes m y² from
    the sides. The volume is m d² L / 3. The drain's own void is not dug and not counted.
    """
    length, depth, bevel = _a(length_m, depth_m, bevel_ratio)
    out: Floats = bevel * depth**2 * length / 3.0
    return out


def gap_m3(height_m: ArrayLike, width_m: ArrayLike, gap_m: ArrayLike) -> Floats:
    """Spoil moved to open a gap in a bank of triangular section: height × width / 2 × gap."""
    height, width, gap = _a(height_m, width_m, gap_m)
    out: Floats = 0.5 * height * width * gap
    return out


def pool_m3(
    bottom_m: ArrayLike, side_ratio: ArrayLike, depth_m: ArrayLike, gradient_ratio: ArrayLike
) -> Floats:
    """Water in an open pool behind a dam on an even bed: (b h² / 2 + z h³ / 3) / S.

    `side_ratio` is the horizontal run per metre of height of each side; 0 is a rectangular drain.
    Valid for a gradient above 0 and a pool that no dam upslope cuts short.
    """
    bottom, side, depth, gradient = _a(bottom_m, side_ratio, depth_m, gradient_ratio)
    out: Floats = (0.5 * bottom * depth**2 + side * depth**3 / 3.0) / gradient
    return out

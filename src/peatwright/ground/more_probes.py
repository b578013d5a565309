"""Where more probes would help most."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import fft

from peatwright.ground.depth import DepthSurface
from peatwright.model.columns import checked, empty
from peatwright.model.ground_layers import PROBES_WANTED
from peatwright.model.ground_rules import DepthRules

F64 = NDArray[np.float64]


def _spread(field: F64, kernel: F64) -> F64:
    """Sum of `field` around each point, weighted by the kernel, whose middle is its centre."""
    shape = tuple(a + b - 1 for a, b in zip(field.shape, kernel.shape, strict=True))
    size = [fft.next_fast_len(n, real=True) for n in shape]
    both = fft.irfft2(fft.rfft2(field, size) * fft.rfft2(kernel, size), size)
    top, left = (kernel.shape[0] - 1) // 2, (kernel.shape[1] - 1) // 2
    part: F64 = both[top : top + field.shape[0], left : left + field.shape[1]]
    return part


def probes_wanted(
    surface: DepthSurface,
    rules: DepthRules,
    *,
    area: shapely.Geometry | None = None,
    drains: shapely.Geometry | None = None,
) -> gpd.GeoDataFrame:
    """Name the places where one more probe would take most uncertainty away, best first.

    A probe takes away squared error around it by the squared likeness of depths; each place is
    chosen with those before it taken as probed. Only ground inside `area`, and within `reach_m`
    of `drains` where they are given, counts: that is where depth decides what is built.

    Returns:
        Table of `PROBES_WANTED`, at most `more_probes` rows.

    """
    lattice = surface.lattice
    crs = surface.depth.grid.crs
    every = max(1, int(np.sqrt(lattice.depth_m.size / 10_000)))
    x, y = (v[::every, ::every] for v in lattice.points())
    error = lattice.error_m[::every, ::every].astype(np.float64)
    depth = lattice.depth_m[::every, ::every]
    away = lattice.from_probe_m[::every, ::every]
    step = lattice.step_m * every
    counts = np.ones(x.shape, np.bool_)
    if area is not None:
        shapely.prepare(area)
        counts &= shapely.contains_xy(area, x, y)
    if drains is not None and not shapely.is_empty(drains):
        # Point by point: to buffer hundreds of crossing lines takes minutes.
        tree = shapely.STRtree(shapely.get_parts(drains))
        points = shapely.points(x.reshape(-1), y.reshape(-1))
        near, _ = tree.query_nearest(points, max_distance=rules.reach_m, all_matches=False)
        beside = np.zeros(x.size, np.bool_)
        beside[near] = True
        counts &= beside.reshape(x.shape)
    left = np.where(counts, error**2, 0.0)
    half = min(max(2, int(np.ceil(surface.variogram.range_m / step))), max(x.shape))
    offset = step * np.arange(-half, half + 1)
    kernel = surface.variogram.likeness(np.hypot(offset[:, None], offset[None, :])) ** 2
    rows: list[dict[str, Any]] = []
    places = []
    for order in range(1, rules.more_probes + 1):
        gain = np.where(counts, _spread(left, kernel), -1.0)
        i, j = np.unravel_index(int(np.argmax(gain)), gain.shape)
        if not counts[i, j] or gain[i, j] <= 0:
            break
        rows.append(
            {
                "order": order, "peat_depth_m": float(depth[i, j]), "error_m": float(error[i, j]),
                "from_probe_m": float(away[i, j]),
                "why": f"depth here is thought to be {depth[i, j]:.1f} m, give or take "
                f"{error[i, j]:.1f} m; the nearest probe is {away[i, j]:.0f} m away",
            }
        )  # fmt: skip
        places.append(shapely.Point(float(x[i, j]), float(y[i, j])))
        like = surface.variogram.likeness(np.hypot(x - x[i, j], y - y[i, j]))
        left = left * (1.0 - like**2)
        counts[i, j] = False
    if not rows:
        return empty(PROBES_WANTED, crs)
    return checked(gpd.GeoDataFrame(rows, geometry=places, crs=crs), PROBES_WANTED)

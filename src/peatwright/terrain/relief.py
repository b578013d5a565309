"""Shape of the ground: shading, slope, relief against wide surroundings, and noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from peatwright.model.cited import Cited
from peatwright.model.raster import Raster
from peatwright.terrain import _kernels
from peatwright.terrain._strips import run_strips, threads_for

NORMAL_FROM_MEDIAN = Cited(
    1.4826,
    "ratio",
    "standard deviation of normal noise over the median of its absolute value",
    1.4,
    1.5,
    source="1 / 0.6745, the upper quartile of the standard normal distribution",
    read="memory",
)
NOISE_MASK_GAIN = Cited(
    6.0,
    "ratio",
    "root of the summed squared weights of the noise mask",
    6.0,
    6.0,
    source="Immerkaer 1996, Computer Vision and Image Understanding 64: 300-302",
    read="memory",
)
NOISE_CELLS = 2_000_000
"""A median of this many cells is steady to about a thousandth."""


def hillshade(
    raster: Raster,
    azimuth_deg: float = 315.0,
    altitude_deg: float = 45.0,
    z_factor: float = 1.0,
    *,
    many_sided: bool = False,
    threads: int | None = None,
) -> NDArray[np.uint8]:
    """Return the shaded ground as uint8: 1 in full shade to 255 facing the light, 0 no data.

    Lambert shading of the slope by Horn's gradient (Horn 1981, Proc. IEEE 69: 14-47; memory).

    Args:
        raster: ground, levels in m.
        azimuth_deg: bearing of the light, clockwise from grid north.
        altitude_deg: height of the light above the horizon, 0 to 90.
        z_factor: levels are multiplied by it; 3 or so brings out drains on a gentle bog.
        many_sided: the mean of this shading and the darker of two more, lit from the left and
            the right. One light loses drains that run along it; here both their banks darken.
        threads: one per core by default; give 1 inside a parallel task.

    """
    turns_deg = np.array((0.0, 90.0, -90.0) if many_sided else (0.0,))
    bearings = np.radians(azimuth_deg + turns_deg)
    altitude = np.radians(altitude_deg)
    lights = np.stack(
        [
            np.sin(bearings) * np.cos(altitude),
            np.cos(bearings) * np.cos(altitude),
            np.full_like(bearings, np.sin(altitude)),
        ],
        axis=1,
    )
    grid = raster.grid
    out = np.empty(raster.values.shape, np.uint8)
    run_strips(
        grid.rows,
        threads_for(out.size, threads),
        lambda a, b: _kernels.shade_rows(
            raster.values, grid.dx_m, grid.dy_m, lights, float(z_factor), a, b, out
        ),
    )
    return out


def slope_ratio(raster: Raster, *, threads: int | None = None) -> NDArray[np.float32]:
    """Return the steepest rise in m per m (Horn's gradient), NaN where there is no data.

    A plane is exact up to the edge of the data, holes included.
    """
    grid = raster.grid
    out = np.empty(raster.values.shape, np.float32)
    run_strips(
        grid.rows,
        threads_for(out.size, threads),
        lambda a, b: _kernels.slope_rows(raster.values, grid.dx_m, grid.dy_m, a, b, out),
    )
    return out


def local_relief(
    raster: Raster, radius_m: float, *, threads: int | None = None
) -> NDArray[np.float32]:
    """Return level minus the level of the wide surroundings in m: drains below 0, banks above.

    The surroundings are the mean of a box that reaches `radius_m` each way (at least one cell).
    Where the edge or holes cut the box, a plane through the cells that are there takes the place
    of the mean, so a tilted plane gives 0 everywhere. Cost does not depend on the radius. NaN
    where there is no data.
    """
    grid = raster.grid
    half_rows = max(1, round(radius_m / grid.dy_m))
    half_cols = max(1, round(radius_m / grid.dx_m))
    out = np.empty(raster.values.shape, np.float32)
    run_strips(
        grid.rows,
        threads_for(out.size, threads),
        lambda a, b: _kernels.relief_rows(raster.values, half_rows, half_cols, a, b, out),
    )
    return out


def noise_level_m(raster: Raster) -> float:
    """Return the standard deviation in m of cell-to-cell noise, NaN when nothing can be said.

    From the median response to a mask that planes and straight folds do not move, so drains and
    banks, being few, hardly count. Noise that spreads over several cells, as after smoothing or
    gridding, is seen only in part: the figure is for the cell size at hand.
    """
    rows, cols = raster.values.shape
    if rows < 3 or cols < 3:
        return float("nan")
    step = max(1, int(np.sqrt(rows * cols / NOISE_CELLS)))
    room = len(range(1, rows - 1, step)) * len(range(1, cols - 1, step))
    responses = np.empty(room, np.float32)
    count = _kernels.noise_responses(raster.values, step, responses)
    if count == 0:
        return float("nan")
    median = float(np.median(responses[:count]))
    return median * float(NORMAL_FROM_MEDIAN.value) / float(NOISE_MASK_GAIN.value)

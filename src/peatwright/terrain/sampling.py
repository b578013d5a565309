"""Levels at points between cell centres."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from peatwright.model.raster import Raster
from peatwright.terrain import _kernels
from peatwright.terrain._strips import run_strips, threads_for


def sample(
    raster: Raster, x_m: ArrayLike, y_m: ArrayLike, *, threads: int | None = None
) -> NDArray[np.float64]:
    """Return bilinear levels at points.

    Exact on a plane between the outermost cell centres, whatever the two cell sizes. Edges: in the
    outer half cell, between the outermost cell centres and the edge of the grid, the position is
    held at those centres (the edge itself counts as inside); beyond it the result is NaN. A point
    is NaN as well where a cell that it needs is NaN; a cell is needed when its weight is not zero,
    so a point on a cell centre needs that cell only.

    Args:
        raster: ground, levels in m.
        x_m: eastings in m, any shape.
        y_m: northings in m, of a shape that broadcasts with `x_m`.
        threads: one per core by default for many points; give 1 inside a parallel task.

    Returns:
        float64 levels of the broadcast shape.

    """
    return _sample(raster, x_m, y_m, nearest=False, threads=threads)


def sample_nearest(
    raster: Raster, x_m: ArrayLike, y_m: ArrayLike, *, threads: int | None = None
) -> NDArray[np.float64]:
    """Return the value of the cell that holds each point, NaN outside the grid.

    For values that must not be mixed, such as classes and upslope areas. A point on the line
    between two cells belongs to the one east or south of it. Arguments as in `sample`.
    """
    return _sample(raster, x_m, y_m, nearest=True, threads=threads)


def _sample(
    raster: Raster, x_m: ArrayLike, y_m: ArrayLike, *, nearest: bool, threads: int | None
) -> NDArray[np.float64]:
    x, y = np.broadcast_arrays(np.asarray(x_m, np.float64), np.asarray(y_m, np.float64))
    row, col = raster.grid.to_cells(x.reshape(-1), y.reshape(-1))
    out = np.empty(row.size, np.float64)
    kernel = _kernels.sample_nearest if nearest else _kernels.sample_bilinear
    run_strips(
        row.size,
        threads_for(row.size, threads),
        lambda a, b: kernel(raster.values, row, col, a, b, out),
    )
    return out.reshape(x.shape)

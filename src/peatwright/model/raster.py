"""Ground as an array that knows where it lies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatRaster = NDArray[np.float32]


@dataclass(frozen=True)
class Grid:
    """A north-up grid of cells in a projected CRS in metres.

    `x_left_m` and `y_top_m` are the outer corner of the first cell; `dx_m` and `dy_m` are cell
    sizes, both positive; rows run south, columns east.
    """

    x_left_m: float
    y_top_m: float
    dx_m: float
    dy_m: float
    rows: int
    cols: int
    crs: str

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east and north edge in metres."""
        return (
            self.x_left_m,
            self.y_top_m - self.rows * self.dy_m,
            self.x_left_m + self.cols * self.dx_m,
            self.y_top_m,
        )

    @property
    def cell_area_m2(self) -> float:
        """Area of one cell."""
        return self.dx_m * self.dy_m

    def to_cells(
        self, x_m: NDArray[np.float64], y_m: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return fractional (row, column) of points; whole numbers are cell centres."""
        return (
            (self.y_top_m - y_m) / self.dy_m - 0.5,
            (x_m - self.x_left_m) / self.dx_m - 0.5,
        )

    def to_metres(
        self, row: NDArray[np.float64], col: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return x and y of fractional cells, the inverse of `to_cells`."""
        return (
            self.x_left_m + (col + 0.5) * self.dx_m,
            self.y_top_m - (row + 0.5) * self.dy_m,
        )


@dataclass(frozen=True, eq=False)
class Raster:
    """A float32 array on a `Grid`; NaN is no data; levels are in metres."""

    values: FloatRaster
    grid: Grid

    def __post_init__(self) -> None:
        if self.values.dtype != np.float32 or self.values.shape != (self.grid.rows, self.grid.cols):
            msg = (
                f"a raster holds float32 of {(self.grid.rows, self.grid.cols)}, "
                f"not {self.values.dtype} of {self.values.shape}"
            )
            raise ValueError(msg)

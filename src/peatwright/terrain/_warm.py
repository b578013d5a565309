"""Compile every kernel once on tiny ground."""

from __future__ import annotations

import numpy as np

from peatwright.model.raster import Grid, Raster
from peatwright.terrain import relief, routing, sampling


def warm() -> None:
    """Run each kernel on a few cells, so that the first real run does not wait for the compiler."""
    levels = np.array([[5, 5, 5, 5], [5, 3, 3, 5], [5, 3, 2, 4], [5, 5, 5, 5]], np.float32)
    ground = Raster(levels, Grid(0.0, 4.0, 1.0, 1.0, 4, 4, ""))
    sampling.sample(ground, [1.0], [1.0])
    sampling.sample_nearest(ground, [1.0], [1.0])
    relief.hillshade(ground)
    relief.slope_ratio(ground)
    relief.local_relief(ground, 1.0)
    relief.noise_level_m(ground)
    filled = routing.fill(ground, drop_m=0.01)
    # Strips that cross a hollow need the loops that mend seams.
    directions = routing.flow_directions(ground, routing.fill(ground, threads=2), threads=2)
    routing.accumulate(directions, threads=2)
    routing.multiple_flow_accumulation(routing.flow_directions(ground, filled))

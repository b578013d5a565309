"""Lines for the map: crests across a drain, runs along it, gaps across the spoil beside it."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from peatwright.works.sections import Floats, Ints, Sections

Lines = NDArray[np.object_]


def point(s: Sections, drain: Ints, chainage_m: Floats) -> tuple[Floats, Floats]:
    """Easting and northing on the drain."""
    return s.at(drain, chainage_m, s.x_m), s.at(drain, chainage_m, s.y_m)


def rightwards(s: Sections, row: Ints) -> tuple[Floats, Floats]:
    """Unit vector to the right of the drain, facing downstream, at stations `row`."""
    angle = np.radians(s["bearing_deg"][row])
    return np.cos(angle), -np.sin(angle)


def across(x: Floats, y: Floats, right: tuple[Floats, Floats], a: Floats, b: Floats) -> Lines:
    """Straight lines across a drain from `a` to `b` metres right of (x, y); negative is left."""
    coords = np.empty((x.size, 2, 2))
    for k, reach in enumerate((a, b)):
        coords[:, k, 0] = x + right[0] * reach
        coords[:, k, 1] = y + right[1] * reach
    lines: Any = shapely.linestrings(coords)
    held: Lines = lines
    return held


def along(s: Sections, drain: Ints, from_m: Floats, to_m: Floats) -> Lines:
    """Lines along the drain's stations between two chainages, both ends included."""
    count = drain.size
    if not count:
        return np.zeros(0, dtype=object)
    low = s.search(s["chainage_m"], drain, from_m, right=True)
    high = np.maximum(s.search(s["chainage_m"], drain, to_m, right=False), low)
    inner = high - low
    size = inner + 2
    begin = np.concatenate([[0], np.cumsum(size)])
    coords = np.empty((int(begin[-1]), 2))
    xy = np.column_stack([s.x_m, s.y_m])
    coords[begin[:-1]] = np.column_stack(point(s, drain, from_m))
    coords[begin[1:] - 1] = np.column_stack(point(s, drain, to_m))
    total = int(inner.sum())
    step = np.arange(total) - np.repeat(np.cumsum(inner) - inner, inner)
    coords[np.repeat(begin[:-1] + 1, inner) + step] = xy[np.repeat(low, inner) + step]
    lines: Any = shapely.linestrings(coords, indices=np.repeat(np.arange(count), size))
    held: Lines = lines
    return held

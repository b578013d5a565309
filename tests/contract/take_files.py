"""Small given files, written by independent writers, for the tests of taking in."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from rasterio.transform import from_origin

from peatwright.model.errors import Fault
from peatwright.model.rules import Rules
from peatwright.site.given import Given
from peatwright.site.take import inspect

CRS = "EPSG:27700"
# Open sea, so that nobody takes it for a real place.
X, Y = 268_000.0, 512_000.0
ROWS, COLS, CELL = 120, 160, 0.5
EAST, NORTH = X + COLS * CELL, Y + ROWS * CELL


def ground(rows: int = ROWS, cols: int = COLS, seed: int = 3) -> np.ndarray:
    """A gentle slope with a little roughness, about 300 m up."""
    dice = np.random.default_rng(seed)
    r, c = np.mgrid[:rows, :cols]
    return (300.0 + 0.02 * r - 0.01 * c + dice.normal(0, 0.02, (rows, cols))).astype(np.float32)


def tiff(path: Path, levels: np.ndarray | None = None, **say: Any) -> Path:
    levels = ground() if levels is None else levels
    profile = {
        "driver": "GTiff", "height": levels.shape[-2], "width": levels.shape[-1],
        "count": 1 if levels.ndim == 2 else levels.shape[0], "dtype": levels.dtype, "crs": CRS,
        "transform": from_origin(X, NORTH, CELL, CELL), "nodata": -9999.0,
    }  # fmt: skip
    units = say.pop("units", None)
    with rasterio.open(path, "w", **{**profile, **say}) as out:
        out.write(levels if levels.ndim == 3 else levels[None])
        if units:
            out.units = (units,)
    return path


def layer(path: Path, shapes: Sequence[Any], crs: str | None = CRS, **columns: Any) -> Path:
    table = gpd.GeoDataFrame(dict(columns), geometry=list(shapes), crs=crs)
    table.to_file(path, engine="pyogrio")
    return path


def text(path: Path, words: str | bytes) -> Path:
    path.write_bytes(words if isinstance(words, bytes) else words.encode())
    return path


def at(*places: tuple[float, float]) -> list[tuple[float, float]]:
    """Places in metres from the corner of the small site."""
    return [(X + x, Y + y) for x, y in places]


def line(*places: tuple[float, float]) -> shapely.LineString:
    return shapely.LineString(at(*places))


DRAIN = line((10, 50), (20, 40), (30, 10))
SITE = shapely.Polygon(at((2, 2), (78, 2), (78, 58), (2, 58)))


# Small files have few probes, often in one line: told each time, and tested by themselves.
FEW_PROBES = ("20 or more to learn how depth varies", "probes to both sides as well")


def faults(given: Given) -> tuple[Fault, ...]:
    return tuple(f for f in inspect(given, Rules()) if f.allowed not in FEW_PROBES)


def only_fault(given: Given) -> Fault:
    """The one fault of what is given, which says every part of what it must."""
    found = faults(given)
    assert len(found) == 1, [f.line() for f in found]
    fault = found[0]
    assert fault.file
    assert fault.found
    assert fault.allowed
    assert len(fault.fix) > 8
    # Plain names, not the machine's paths, and no leftovers of the code.
    for words in (fault.file, fault.place, fault.found, fault.allowed, fault.fix):
        assert not any(k in words for k in ("/tmp", "pytest", "Traceback", "np.", "array("))
    return fault

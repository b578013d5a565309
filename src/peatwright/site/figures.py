"""Bounds that given files are held to, beside those of the rule sheet."""

from __future__ import annotations

from peatwright.model.cited import Cited

CELLS_MAX = Cited(150_000_000, "cells", "largest terrain that is held at once", 1e6, 1e9)
FILE_BYTES_MAX = Cited(400_000_000, "bytes", "largest file of lines, polygons or points", 1e6, 1e10)
UNPACKED_BYTES_MAX = Cited(200_000_000, "bytes", "largest content of a zipped file", 1e6, 1e9)
BLOCK_BYTES_MAX = Cited(
    700_000_000, "bytes", "largest block of a raster file, which is unpacked whole", 1e6, 2e9
)
POINTS_MAX = Cited(40_000_000, "points", "most ground points gridded at once", 1e6, 4e8)
ROWS_MAX = Cited(500_000, "rows", "most lines, polygons or points of one file", 1e3, 1e7)
TILES_MAX = Cited(5000, "files", "most tiles of one terrain", 1, 1e5)

CELL_LOOK_M = Cited(2.0, "m", "cells larger than this cannot show drains", 0.5, 10)
MARGIN_M = Cited(
    300.0, "m", "terrain kept outside boundary and drains, for the water that arrives", 0, 5000
)
CLIP_SHARE = Cited(0.5, "ratio", "terrain is clipped when less than this share is needed", 0, 1)
ALIGN_RATIO = Cited(
    0.02, "cells", "tiles shifted against each other by more than this are resampled", 0, 0.5
)
OVERLAP_M = Cited(0.3, "m", "overlapping tiles further apart than this are worth a look", 0, 10)
SCALE_OFF_RATIO = Cited(0.01, "ratio", "largest error of lengths on the projection", 0.001, 0.1)
ACCURACY_LOOK_M = Cited(
    1.0, "m", "a transformation less accurate than this is worth a look", 0.01, 10
)
EDGE_M = Cited(50.0, "m", "points this far outside the terrain still belong to it", 0, 1000)
SAME_PLACE_M = Cited(0.01, "m", "coordinates closer than this are one place", 1e-6, 1)
GAP_TOUCH_M = Cited(0.001, "m", "line ends closer than this touch", 1e-9, 0.1)
FILL_CELLS = Cited(9, "cells", "smallest flat patch that can be a filled hole", 4, 1000)
ZERO_RATIO = Cited(0.0005, "ratio", "share of cells at exactly 0 that looks like filling", 0, 1)
ZERO_BELOW_M = Cited(5.0, "m", "ground this high everywhere else makes 0 look like filling", 1, 100)
SPACING_LOOK_M = Cited(1.5, "m", "ground points this far apart cannot show drains", 0.2, 10)
LINE_LONG_M = Cited(20_000.0, "m", "longest believable single segment of a line", 100, 1e6)
GROUND_PER_POINT_M2 = Cited(
    100.0, "m²", "ground for each point above which the extent of a file cannot be right", 1, 1e4
)
PEAT_MAX_M = Cited(20.0, "m", "deepest believable peat", 1, 50)
HAND_MAX_M = Cited(10.0, "m", "deepest believable drain", 1, 30)
PEAT_LOOK_M = Cited(8.0, "m", "a median peat depth over this suggests another unit", 1, 20)
HAND_LOOK_M = Cited(4.0, "m", "a median drain depth over this suggests another unit", 1, 10)


def number(held: Cited) -> float:
    """Return the value of a numeric `Cited`."""
    return float(held.value)

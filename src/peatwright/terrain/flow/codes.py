"""Codes of direction, shared by the kernels.

0 water leaves the ground here; 1 to 8 the neighbour east and on clockwise (east, south-east, south,
south-west, west, north-west, north, north-east); 255 no data. The others live inside a kernel only.
"""

from __future__ import annotations

import numpy as np

D_ROW = (0, 0, 1, 1, 1, 0, -1, -1, -1)
D_COL = (0, 1, 1, 0, -1, -1, -1, 0, 1)
# North-west to south-east in order of place in memory, so that the first of equals has the lowest.
IN_ORDER = (6, 7, 8, 5, 1, 4, 3, 2)

LEAVES = np.uint8(0)
NO_DATA = np.uint8(255)
UNRESOLVED = np.uint8(254)
IN_FLAT = np.uint8(253)
STUCK = np.uint8(252)
DONE = np.uint8(255)

"""References in the lettered national grids of Great Britain and Ireland."""

from __future__ import annotations

from pyproj import CRS

LETTERS = "ABCDEFGHJKLMNOPQRSTUVWXYZ"
"""Letters of a five by five block, row by row from the north-west; I is left out."""
BRITISH, IRISH = (27700,), (29901, 29902, 29903)
SQUARE_M = 100_000


def grid_of(crs: str) -> str:
    """Return `british`, `irish` or nothing for the lettered grid that a CRS is."""
    held = CRS(crs)
    if held.is_compound:
        held = held.sub_crs_list[0]
    code = held.to_epsg(min_confidence=25)
    return "british" if code in BRITISH else "irish" if code in IRISH else ""


def grid_reference(x_m: float, y_m: float, grid: str, digits: int = 5) -> str:
    """Return a reference such as `TG 51409 13177`: the square's letters and the metres in it.

    The reference names the square of 10^(5-digits) m whose south-west corner it is, so metres
    are cut off and not rounded (Ordnance Survey, A guide to coordinate systems in Great Britain,
    section 7).

    Args:
        x_m: easting in m.
        y_m: northing in m.
        grid: `british` or `irish`, as `grid_of` tells.
        digits: figures of each half, 1 to 5; 5 is a metre.

    Returns:
        The reference, or an empty text where the grid has no square.

    """
    if not (x_m == x_m and y_m == y_m):  # noqa: PLR0124 - NaN
        return ""
    col, row = int(x_m // SQUARE_M), int(y_m // SQUARE_M)
    if grid == "british":
        if not (0 <= col < 7 and 0 <= row < 13):
            return ""
        # The false origin is the south-west corner of block S: two in, one from the foot.
        big = LETTERS[(3 - row // 5) * 5 + 2 + col // 5]
        letters = big + LETTERS[(4 - row % 5) * 5 + col % 5]
    elif grid == "irish":
        if not (0 <= col < 5 and 0 <= row < 5):
            return ""
        letters = LETTERS[(4 - row) * 5 + col]
    else:
        return ""
    cut = 10 ** (5 - digits)
    east, north = int(x_m % SQUARE_M) // cut, int(y_m % SQUARE_M) // cut
    return f"{letters} {east:0{digits}d} {north:0{digits}d}"


class Places:
    """Says places of a site as people read them out: lettered grid, else site coordinates."""

    def __init__(self, crs: str) -> None:
        self.grid = grid_of(crs)

    def __call__(self, x_m: float, y_m: float) -> str:
        """Return the reference of a place to a metre."""
        said = grid_reference(x_m, y_m, self.grid) if self.grid else ""
        if said or not (x_m == x_m and y_m == y_m):  # noqa: PLR0124 - NaN
            return said or "–"
        return f"{x_m:.0f} {y_m:.0f}"

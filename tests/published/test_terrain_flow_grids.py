"""Small grids worked by hand from the formulas of the papers that the routing follows.

The formulas are from memory of the papers; the numbers were worked from them by hand.
"""

from __future__ import annotations

import numpy as np
import pytest

from peatwright.model.raster import Grid, Raster
from peatwright.terrain import routing
from peatwright.terrain.flow.totals import _kernels

# Codes clockwise from east.
E, SE, S, SW, W, NW, N, NE = range(1, 9)


def ground(values, dx_m: float = 1.0, dy_m: float = 1.0) -> Raster:
    levels = np.array(values, np.float32)
    rows, cols = levels.shape
    return Raster(levels, Grid(0.0, rows * dy_m, dx_m, dy_m, rows, cols, ""))


NINE = [[9, 9.5, 10], [9.4, 10, 10.2], [9.2, 8.9, 9.1]]


def shares(scheme: str, power: float) -> np.ndarray:
    nine = ground(NINE)
    directions = routing.flow_directions(nine, routing.fill(nine))
    out = np.zeros(9)
    per_distance, contour = routing._spreading(nine.grid, scheme)
    _kernels.spread_shares(nine.values, directions.codes, 1, 1, per_distance, contour, power, out)
    return out


def test_steepest_of_nine():
    # O'Callaghan & Mark 1984, CVGIP 28: 323-344: drop over distance; south falls 1.1.
    nine = ground(NINE)
    codes = routing.flow_directions(nine, routing.fill(nine)).codes
    assert codes[1, 1] == S


def test_steepest_uses_the_true_distances_of_unequal_cells():
    # South falls 1.1 over 4 m, west 0.6 over 1 m, north-west 1.0 over 4.12 m.
    nine = ground(NINE, 1.0, 4.0)
    codes = routing.flow_directions(nine, routing.fill(nine)).codes
    assert codes[1, 1] == W


def test_shares_of_freeman():
    # Freeman 1991, Computers & Geosciences 17: 413-422: slope to the power 1.1 over the sum.
    got = shares("freeman", 1.1)
    expected = {NW: 0.1719, N: 0.1174, W: 0.1435, SW: 0.1345, S: 0.2795, SE: 0.1531}
    for code, share in expected.items():
        assert got[code] == pytest.approx(share, abs=5.1e-5)
    assert got[E] == got[NE] == 0.0


def test_shares_of_quinn():
    # Quinn et al. 1991, Hydrological Processes 5: 59-79: slope times contour length.
    got = shares("quinn", 1.0)
    expected = {NW: 0.1410, N: 0.1408, W: 0.1689, SW: 0.1128, S: 0.3097, SE: 0.1269}
    # The paper's corner length of 0.354 is rounded from a quarter of the diagonal, 0.35355.
    for code, share in expected.items():
        assert got[code] == pytest.approx(share, abs=2e-4)
    assert got.sum() == pytest.approx(1.0, abs=1e-12)


def test_filled_bowl_with_a_notch():
    # Barnes, Lehman & Mulla 2014, Computers & Geosciences 62: 117-127: a cell rises to the lowest
    # level over which it can spill. Rim 5, ring 3, middle 1, a notch of 4 in the east rim.
    bowl = np.full((5, 5), 5.0)
    bowl[1:4, 1:4] = 3.0
    bowl[2, 2] = 1.0
    bowl[2, 4] = 4.0
    raster = ground(bowl, 0.5, 2.0)
    filled = routing.fill(raster)
    assert (filled.values[1:4, 1:4] == 4.0).all()
    volume_m3 = float((filled.values - raster.values).sum()) * raster.grid.cell_area_m2
    assert volume_m3 == pytest.approx(11.0)
    directions = routing.flow_directions(raster, filled)
    assert directions.codes[2, 3] == E
    area = routing.accumulate(directions)
    # All nine inner cells leave by the notch, with the notch's own cell; the rim falls inwards.
    assert directions.codes[2, 4] == 0
    assert area[2, 4] == pytest.approx(25.0)


def test_powers_of_two_are_the_usual_ones():
    # 1 east, 2 south-east, 4 south, … 128 north-east: common practice.
    nine = ground(NINE)
    codes = routing.flow_directions(nine, routing.fill(nine)).powers_of_two()
    assert codes[1, 1] == 4

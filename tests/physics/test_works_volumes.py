"""Closed forms of volumes against integration written independently of them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from peatwright.works import volumes

length = st.floats(0.1, 4.0)
ratio = st.floats(0.0, 3.0)


@settings(max_examples=60, deadline=None)
@given(length, st.floats(0.1, 1.0), length, length, length, ratio)
def test_plug(
    top: float, share: float, depth: float, height: float, crest: float, face: float
) -> None:
    bottom = top * share

    def slice_m2(z: float) -> float:
        width = bottom + (top - bottom) * z / depth
        return width * (crest + 2.0 * face * (height - z))

    expected, _ = quad(slice_m2, 0.0, min(depth, height))
    assert float(volumes.plug_m3(top, bottom, depth, height, crest, face)) == pytest.approx(
        expected, rel=1e-9
    )


@settings(max_examples=60, deadline=None)
@given(length, st.floats(0.0, 1.0), st.floats(0.0, 1.0), length, ratio)
def test_wing(width: float, inner: float, outer: float, crest: float, face: float) -> None:
    """Cut along the drain: a crest block and two triangles, as high as the wing is there."""

    def section_m2(x: float) -> float:
        h = inner + (outer - inner) * x / width
        return crest * h + 2.0 * (0.5 * h * face * h)

    expected, _ = quad(section_m2, 0.0, width)
    assert float(volumes.wing_m3(width, inner, outer, crest, face)) == pytest.approx(
        expected, rel=1e-9, abs=1e-12
    )


def test_wing_by_counting_cells() -> None:
    """The same solid cut into small columns, without any formula for its section."""
    width, inner, outer, crest, face = 1.6, 0.4, 0.1, 1.0, 1.5
    x = (np.arange(800) + 0.5) / 800 * width
    y = (np.arange(1600) + 0.5) / 1600 * 4.0 - 2.0
    over = (inner + (outer - inner) * x / width)[:, None]
    beyond = np.maximum(np.abs(y) - 0.5 * crest, 0.0)[None, :]
    column = np.maximum(over - beyond / face, 0.0)
    counted = float(column.sum() * (width / 800) * (4.0 / 1600))
    assert float(volumes.wing_m3(width, inner, outer, crest, face)) == pytest.approx(
        counted, rel=1e-4
    )


def test_key() -> None:
    """Whole trench less the drain, both as boxes."""
    b, s, t, k, d = 0.5, 0.8, 1.2, 0.3, 0.2
    whole = (b + 2 * k) * (s + d) * t
    assert float(volumes.key_m3(b, s, t, k, d)) == pytest.approx(whole - b * s * t)


@settings(max_examples=40, deadline=None)
@given(length, st.floats(0.05, 1.5), ratio)
def test_hollow(long: float, deep: float, bevel: float) -> None:
    def sides_m2(x: float) -> float:
        y = deep * (1.0 - x / long)
        return 2.0 * (0.5 * y * bevel * y)

    expected, _ = quad(sides_m2, 0.0, long)
    assert float(volumes.hollow_m3(long, deep, bevel)) == pytest.approx(
        expected, rel=1e-9, abs=1e-12
    )


@settings(max_examples=40, deadline=None)
@given(length, ratio, length, st.floats(0.005, 0.2))
def test_pool(bottom: float, side: float, deep: float, gradient: float) -> None:
    def section_m2(x: float) -> float:
        y = deep - gradient * x
        return bottom * y + side * y * y

    expected, _ = quad(section_m2, 0.0, deep / gradient)
    assert float(volumes.pool_m3(bottom, side, deep, gradient)) == pytest.approx(expected, rel=1e-9)


def test_gap() -> None:
    """A triangular bank 0.4 m high and 1 m wide, opened over 2.4 m."""
    expected, _ = quad(lambda x: 2.4 * 0.4 * (1.0 - abs(2.0 * x - 1.0)), 0.0, 1.0, points=[0.5])
    assert float(volumes.gap_m3(0.4, 1.0, 2.4)) == pytest.approx(expected)

"""Closed forms of land drainage. `memory` inputs come from handbook examples recalled."""

import numpy as np
import pytest

from peatwright.water import drainage_formulas as df

DAY = 86400.0


@pytest.mark.parametrize(
    ("k_m_day", "w_m_day", "spacing", "drain", "middle"),
    [
        (0.5, 0.005, 30, 1.0, 1.802776),
        (0.0864, 0.001, 10, 0.5, 0.734406),
        (0.0864, 0.002, 10, 0.5, 0.910332),
        (0.0864, 0.001, 15, 0.7, 1.068196),
    ],
)
def test_ellipse(
    k_m_day: float, w_m_day: float, spacing: float, drain: float, middle: float
) -> None:
    """hm^2 = hd^2 + w L^2 / 4K (memory, computed)."""
    level = df.ellipse_level_m(spacing / 2, spacing, w_m_day / DAY, k_m_day / DAY, drain)
    assert level == pytest.approx(middle, abs=1e-6)


def test_tilted_ellipse_meets_both_drains() -> None:
    level = df.ellipse_level_m([0.0, 20.0], 20.0, 1e-8, 1e-6, 0.8, 0.5)
    assert level == pytest.approx([0.8, 0.5])


@pytest.mark.parametrize(
    ("floor", "spacing", "depth"),
    [(5, 20, 1.812), (5, 30, 2.299), (5, 40, 2.658), (5, 50, 2.933), (7.7, 80, 4.316),
     (7.7, 100, 4.732), (10, 50, 3.621)],
)  # fmt: skip
def test_equivalent_depth(floor: float, spacing: float, depth: float) -> None:
    """Closed form of van der Molen & Wesseling, r0 0.1 m (memory, computed)."""
    assert df.equivalent_depth_m(floor, spacing, 0.1) == pytest.approx(depth, abs=5e-4)


def test_both_forms_of_the_radial_term_meet() -> None:
    """2.403777 and 2.403778 at x = 0.5 (computed)."""
    assert df.radial_term(0.5, shallow=False) == pytest.approx(2.403777, abs=1e-6)
    assert df.radial_term(0.5, shallow=True) == pytest.approx(2.403778, abs=1e-6)


@pytest.mark.parametrize(("q_mm_day", "spacing", "depth"), [(2, 36.27, 2.536), (1, 55.70, 3.063)])
def test_hooghoudt(q_mm_day: float, spacing: float, depth: float) -> None:
    """ILRI Publication 16, example 8.1 (inputs from memory): K 0.14 m/d, h 0.8 m, D 5 m."""
    k = 0.14 / DAY
    found = df.hooghoudt_spacing_m(q_mm_day * 1e-3 / DAY, 0.8, k, k, 5.0, 0.1)
    assert found == pytest.approx(spacing, abs=0.005)
    assert df.equivalent_depth_m(5.0, found, 0.1) == pytest.approx(depth, abs=5e-4)


def test_glover_dumm() -> None:
    """ILRI Publication 16 (inputs from memory): K 1 m/d, mu 0.05, 10 d, 0.8 to 0.3 m."""
    found = df.glover_dumm_spacing_m(0.8, 0.3, 10 * DAY, 1.0 / DAY, 0.05, 7.7, 0.1)
    assert found == pytest.approx(88.82, abs=0.005)
    assert df.equivalent_depth_m(7.7, found, 0.1) == pytest.approx(4.513, abs=5e-4)


@pytest.mark.parametrize(("days", "height"), [(1, 0.299914), (10, 0.162756), (30, 0.0295814)])
def test_falling_table(days: float, height: float) -> None:
    """Whole series, L 10 m, T/mu 0.864 m2/d, h0 0.3 m, midway (memory, computed)."""
    found = df.falling_level_m(5.0, days * DAY, 10.0, 0.3, 0.864 / DAY)
    assert found == pytest.approx(height, abs=1e-6)


@pytest.mark.parametrize(
    ("days", "levels"),
    [(10, (0.4521, 0.4049, 0.3152, 0.1145)), (30, (0.4723, 0.4448, 0.3906, 0.2437))],
)
def test_step_beside_a_drain(days: float, levels: tuple[float, ...]) -> None:
    """Edelman's case 1 (found in ILRI Bulletin 13 as code), s0 0.5 m, 0.864 m2/d (computed)."""
    found = df.step_level_m(np.array([0.5, 1.0, 2.0, 5.0]), days * DAY, 0.5, 0.864 / DAY)
    assert found == pytest.approx(levels, abs=5e-5)

"""Published and worked figures of peat stability, bearing, kriging, carbon and seasons."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from peatwright.ground import bearing, depth, factors, season, stock
from peatwright.model.ground_rules import (
    BearingRules,
    CarbonRules,
    DepthRules,
    SeasonRules,
    StabilityRules,
)

SLOPES_DEG = (4, 6, 8, 10)
# Infinite slope, Skempton & DeLory 1957 as the Scottish landslide guide for peat names it;
# su 5 kPa, weight 10 kN/m³, worked by hand: depth, factors without and with 20 kPa of machine.
WORKED_UNDRAINED = (
    (1.0, (7.19, 4.81, 3.63, 2.92), (2.40, 1.60, 1.21, 0.97)),
    (2.0, (3.59, 2.40, 1.81, 1.46), (1.80, 1.20, 0.91, 0.73)),
    (3.0, (2.40, 1.60, 1.21, 0.97), (1.44, 0.96, 0.73, 0.58)),
)


@pytest.mark.parametrize(("z", "bare", "loaded"), WORKED_UNDRAINED)
def test_undrained_table(z, bare, loaded):
    for load, printed in ((0.0, bare), (20.0, loaded)):
        got = factors.undrained_factor(5.0, z, SLOPES_DEG, weight_kn_m3=10.0, load_kpa=load)
        np.testing.assert_allclose(got, printed, rtol=0, atol=0.00501)


def test_drained_row():
    """c' 3 kPa, φ' 26°, water at the surface, 2 m of peat: worked by hand."""
    got = factors.drained_factor(3.0, 26.0, 2.0, SLOPES_DEG, 1.0, weight_kn_m3=10.0)
    np.testing.assert_allclose(got, (2.29, 1.53, 1.15, 0.93), rtol=0, atol=0.00501)


@pytest.mark.parametrize(
    ("su", "z", "slope", "bare", "loaded"),
    [
        (5, 2, 8, 1.814, 1.209),
        (6, 2, 5, 3.455, 2.304),
        (4, 3, 10, 0.780, 0.585),
        (6, 1, 15, 2.400, 1.200),
        (5, 1.5, 6, 3.206, 1.924),
    ],
)
def test_undrained_with_10_kpa(su, z, slope, bare, loaded):
    got = [
        factors.undrained_factor(su, z, slope, weight_kn_m3=10.0, load_kpa=q) for q in (0.0, 10.0)
    ]
    np.testing.assert_allclose(got, (bare, loaded), rtol=0, atol=0.000501)


@pytest.mark.parametrize(
    ("c", "phi", "z", "slope", "m", "bare", "loaded"),
    [
        (4, 25, 2, 8, 1, 1.514, 2.115),
        (4, 25, 2, 8, 0, 4.769, 4.285),
        (2, 20, 2, 8, 1, 0.775, 1.380),
        (5, 30, 1.5, 10, 0.5, 3.617, 3.480),
    ],
)
def test_drained_with_10_kpa(c, phi, z, slope, m, bare, loaded):
    got = [
        factors.drained_factor(c, phi, z, slope, m, weight_kn_m3=10.0, load_kpa=q)
        for q in (0.0, 10.0)
    ]
    np.testing.assert_allclose(got, (bare, loaded), rtol=0, atol=0.000501)


@pytest.mark.parametrize(
    ("su", "slope", "factor", "printed"), [(5, 8, 1.3, 2.79073), (4, 5, 1.4, 3.29073)]
)
def test_critical_depth(su, slope, factor, printed):
    got = factors.critical_depth_m(su, slope, factor, weight_kn_m3=10.0)
    assert got == pytest.approx(printed, abs=0.000005)


def test_kriging_example():
    """Kitanidis 1997, Introduction to Geostatistics, example 3.2, as PyKrige's own tests print it.

    Linear variogram 0.1 + 0.006 h. A spherical one of very long range starts as that line.
    """
    reach = 1e7
    line = depth.Variogram("spherical", 0.006 * reach / 1.5, reach, 0.1, fitted=True)
    probes = (np.array([9.7, 43.8]), np.array([47.6, 24.6]), np.array([1.22, 2.822]))
    value, error = depth.krige(probes, line, np.array([18.8]), np.array([67.9]), DepthRules())
    assert value[0] == pytest.approx(1.6364, rel=1e-4)
    assert error[0] ** 2 == pytest.approx(0.4201, rel=2e-4)


def test_carbon_examples():
    """Depth × dry bulk density × carbon share: 2 m gives 1164.8 t/ha, 1 m gives 500."""
    assert stock.carbon_t_ha(2.0, 0.112, 0.52) == pytest.approx(1164.8)
    assert stock.carbon_t_ha(1.0, 0.10, 0.50) == pytest.approx(500.0)


def test_carbon_defaults_lie_in_published_ranges():
    """Blanket and raised bog 0.06 to 0.15 t/m³; carbon 0.524 to 0.554 (Water 2023, 15: 1954)."""
    rules = CarbonRules()
    assert (rules.bulk_density_low_t_m3, rules.bulk_density_high_t_m3) == (0.06, 0.15)
    assert rules.carbon_high_ratio == 0.554


@pytest.mark.parametrize(
    ("mass", "width", "length", "about"), [(13000, 1.2, 3.5, 15.0), (14000, 0.7, 3.5, 28.0)]
)
def test_ground_pressure_of_machines(mass, width, length, about):
    """Worked machines: a wide-tracked one of 13 t presses with about 15 kPa, a usual one 28."""
    assert bearing.ground_pressure_kpa(mass, width, length) == pytest.approx(about, abs=0.5)


def test_bearing_capacity_of_strip_and_square():
    """Prandtl 1921: 5.14 su for a strip; Skempton 1951: 6.2 su for a square at the surface.

    Both from memory.
    """
    rules = BearingRules()
    assert bearing.capacity_kpa(1.0, 1.0, 1e9, rules) == pytest.approx(5.14, abs=0.005)
    assert bearing.capacity_kpa(1.0, 2.0, 2.0, rules) == pytest.approx(6.2, abs=0.05)


def test_usual_tracks_need_mats_where_wide_ones_go():
    """Common practice: low ground pressure machines go where usual tracks need mats (su 5 kPa)."""
    usual = bearing.bearing(BearingRules(track_width_m=0.7))
    wide = bearing.bearing(BearingRules(mass_kg=13000, track_width_m=1.2))
    assert usual.going == "mats"
    assert wide.going == "careful"


def test_definitions_of_peat():
    """Scottish landslide guide 2017, 3.2.1: peat over 0.5 m, deep peat over 1.0 m."""
    rules = DepthRules()
    assert (rules.class_peat_m, rules.class_deep_m) == (0.5, 1.0)
    assert list(depth.depth_edges_m(rules)) == sorted(depth.depth_edges_m(rules))


def test_slope_bands():
    """Scottish peat survey guidance 1.5: avoid over 10°, 2 to 10° needs assessing."""
    rules = StabilityRules()
    assert (rules.gentle_deg, rules.steep_deg) == (2.0, 10.0)


def test_work_ends_on_31_march():
    """English moor tenders: all work done by 31 March."""
    rules = SeasonRules()
    got = season.working_windows(
        season.default_periods(rules), dt.date(2031, 1, 1), dt.date(2031, 12, 31), rules
    )
    assert got["to_date"].iloc[0] == "2031-03-31"
    assert got["from_date"].iloc[1] == "2031-08-01"


def test_sea_eagle_distances():
    """Forestry Commission Practice Note 101: 1 February to 31 August; none within 250 m,
    case by case to 500 m."""
    import shapely

    _, near, far = season.default_periods(SeasonRules(), [shapely.Point(0, 0)])
    assert near.closed(dt.date(2031, 2, 1))
    assert near.closed(dt.date(2031, 8, 31))
    assert not near.closed(dt.date(2031, 9, 1))
    for away, period in ((249.0, near), (251.0, far), (499.0, far)):
        assert season.touching([near, far], shapely.Point(away, 0)) == (period,)
    assert season.touching([near, far], shapely.Point(501, 0)) == ()
    assert (near.severity, far.severity) == ("stop", "look")

"""Storm flow against published figures. `found`, `memory` and `computed` say how each is known.

`computed` is arithmetic done by hand from a formula that is itself found or from memory: it proves
the arithmetic, not the formula.
"""

import numpy as np
import pytest

from peatwright.model.errors import PeatwrightError
from peatwright.model.water_rules import StormRules
from peatwright.water import storm
from peatwright.water import storm_formulas as sf

KM2 = 1e6
HA = 1e4
MM_H = 1e-3 / 3600


@pytest.mark.parametrize(
    ("c", "mm_h", "area_m2", "flow"),
    [(0.1, 55, 1 * HA, 0.015278), (0.6, 25, 0.05 * KM2, 0.208333)],
)
def test_rational(c: float, mm_h: float, area_m2: float, flow: float) -> None:
    """Q = C i A / 3.6: inputs of the VFS package's example (found), results computed."""
    assert sf.rational_m3s(c, mm_h * MM_H, area_m2) == pytest.approx(flow, abs=1e-6)


def test_rational_on_a_furrow() -> None:
    """Carling et al. 1993 quote about 25 cm3/s per m of furrow for 25 mm/h (found)."""
    flow = sf.rational_m3s(1.0, 25 * MM_H, 3.8 * 1.0)
    assert flow == pytest.approx(26.4e-6, abs=0.05e-6)  # computed
    assert flow == pytest.approx(25e-6, rel=0.1)


def test_kirpich() -> None:
    """Formula from memory, value computed."""
    assert sf.kirpich_s(500, 0.05) / 60 == pytest.approx(7.398, abs=5e-4)


def test_bransby_williams() -> None:
    """Formula from memory, value computed."""
    assert sf.bransby_williams_s(500, 0.05 * KM2, 0.05) / 60 == pytest.approx(18.048, abs=5e-4)


@pytest.mark.parametrize(("n", "te"), [(0.1, 1237.14), (0.3, 2391.61)])
def test_kinematic_time(n: float, te: float) -> None:
    """L 100 m, S 0.05, 20 mm/h: formula from memory, value computed."""
    assert sf.kinematic_s(100, 0.05, n, 20 * MM_H) == pytest.approx(te, abs=0.005)


@pytest.mark.parametrize(
    ("km2", "saar_mm", "soil", "qbar"),
    [
        (0.5, 1500, 0.50, 0.673440),
        (1.0, 1500, 0.50, 1.248002),
        (0.5, 2000, 0.50, 0.942925),
        (1.0, 1000, 0.45, 0.617867),
        (0.5, 1071, 0.30, 0.149870),
    ],
)
def test_ih124(km2: float, saar_mm: float, soil: float, qbar: float) -> None:
    """Marshall & Bayliss 1994 eq. 7.1 (found as public code), values computed."""
    assert sf.qbar_ih124_m3s(km2 * KM2, saar_mm / 1000, soil) == pytest.approx(qbar, abs=1e-6)


@pytest.mark.parametrize(
    ("saar_mm", "soil", "l_s_ha"), [(1500, 0.5, 13.4688), (1071, 0.3, 2.99739)]
)
def test_ih124_under_50_ha_goes_by_area(saar_mm: float, soil: float, l_s_ha: float) -> None:
    """Interim Code of Practice for SuDS (found), values computed."""
    flow = sf.qbar_ih124_m3s(np.array([1 * HA, 7 * HA]), saar_mm / 1000, soil)
    assert flow * 1000 == pytest.approx([l_s_ha, 7 * l_s_ha], rel=1e-5)


@pytest.mark.parametrize(
    ("years", "y"),
    [(2, 0.3665), (5, 1.4999), (10, 2.2504), (25, 3.1985), (30, 3.3843), (50, 3.9019)],
)
def test_gumbel_variate(years: float, y: float) -> None:
    """Formula from memory, values computed."""
    assert sf.gumbel_y(years) == pytest.approx(y, abs=5e-5)


@pytest.mark.parametrize(
    ("region", "factors"),
    [
        (1, (0.908, 1.200, 1.445, 1.807, 1.889, 2.125)),
        (2, (0.913, 1.180, 1.420, 1.811, 1.897, 2.175)),
        (4, (0.895, 1.230, 1.490, 1.877, 1.959, 2.203)),
        (9, (0.928, 1.210, 1.420, 1.704, 1.763, 1.937)),
        (10, (0.931, 1.190, 1.380, 1.640, 1.695, 1.851)),
    ],
)
def test_growth_factors(region: int, factors: tuple[float, ...]) -> None:
    """CIRIA Book 14 table 3.2 (found), interpolated over y by hand (computed)."""
    assert sf.growth_factor(region, [2, 5, 10, 25, 30, 50]) == pytest.approx(factors, abs=6e-4)


def test_growth_factor_at_100_years_is_the_tables() -> None:
    """T = 100 column, from a fit to the published table (found)."""
    assert sf.growth_factor(10, 100) == pytest.approx(2.08, abs=0.005)


@pytest.mark.parametrize(("years", "factor"), [(2, 0.948), (10, 1.370), (30, 1.644), (100, 1.956)])
def test_growth_in_ireland(years: float, factor: float) -> None:
    """x = -3.33 + 4.2 exp(0.05 y) (found as code), values computed."""
    assert sf.growth_factor_ireland(years) == pytest.approx(factor, abs=6e-4)


def test_ih124_chain() -> None:
    """Area 0.5 km2, SAAR 1500 mm, SOIL 0.5, region 10 (computed)."""
    rules = StormRules(climate_uplift_ratio=0.0)
    table = storm.storm_flows(0.5 * KM2, rules=rules, return_periods_years=(30, 100))
    flows = table[table.method == "IH124"].set_index("return_period_years").flow_m3s
    assert flows[30] == pytest.approx(1.141, abs=1e-3)
    assert flows[100] == pytest.approx(1.401, abs=1e-3)


def test_qmed_1999_doctest() -> None:
    """OpenHydrology's doctest for descriptors_1999 (found): 0.2671386414098229."""
    flow = sf.qmed_1999_m3s(1 * KM2, 1.0, 1.0, 0.50, 0.50)
    assert flow == pytest.approx(0.2671386414098229, rel=1e-12)


def test_qmed_1999_of_area_alone() -> None:
    """OpenHydrology's doctest for area alone (found): 1.172 at 1 km2."""
    reshost_zero = sf.v(sf.RESHOST_LESS) - sf.v(sf.RESHOST_SPR)
    assert sf.qmed_1999_m3s(1 * KM2, 1.0, 1.0, reshost_zero, 1.0) == pytest.approx(1.172, rel=1e-9)


@pytest.mark.parametrize(
    ("km2", "saar_mm", "bfi", "qmed"),
    [(1, 1000, 0.5, 0.590858), (1, 1500, 0.226, 2.035615), (0.5, 1500, 0.226, 1.128545)],
)
def test_qmed_2008(km2: float, saar_mm: float, bfi: float, qmed: float) -> None:
    """Kjeldsen et al. 2008: found up to the SAAR term, the rest from memory; values computed."""
    assert sf.qmed_2008_m3s(km2 * KM2, saar_mm / 1000, 1.0, bfi) == pytest.approx(qmed, abs=1e-6)


@pytest.mark.parametrize(("years", "fse"), [(2, 1.51), (5, 1.52), (30, 1.56), (100, 1.60)])
def test_feh_error_band(years: float, fse: float) -> None:
    """EA SC090031 table 6.4 (found): each FEH band is flow over fse to flow times fse."""
    table = storm.storm_flows(KM2, return_periods_years=(years,))
    row = table[table.method == "FEH QMED 2008"].iloc[0]
    assert row.high_m3s / row.flow_m3s == pytest.approx(fse)
    assert row.flow_m3s / row.low_m3s == pytest.approx(fse)


def test_scs_runoff_and_peak() -> None:
    """CN 90, 60 mm, 0.1 km2, 1 h, lag 0.5 h: runoff equation found, peak from memory; computed."""
    runoff = sf.scs_runoff_m(0.060, 90)
    assert runoff * 1000 == pytest.approx(35.77871, abs=1e-5)
    assert sf.scs_peak_m3s(0.1 * KM2, runoff, 3600, 1800) == pytest.approx(0.744197, abs=1e-6)


def test_scs_runs_off_everything_from_a_full_sponge_and_nothing_from_a_drizzle() -> None:
    assert sf.scs_runoff_m(0.02, 100) == pytest.approx(0.02)
    assert sf.scs_runoff_m([0.0, 0.005], 90) == pytest.approx([0.0, 0.0])


@pytest.mark.parametrize(
    ("country", "methods"),
    [
        ("GB", {"rational", "IH124", "FEH QMED 2008", "FEH QMED 1999"}),
        ("IE", {"rational", "IH124"}),
        ("elsewhere", {"rational", "SCS curve number"}),
    ],
)
def test_methods_stand_side_by_side(country: str, methods: set[str]) -> None:
    table = storm.storm_flows([5e3, 2e5], rules=StormRules(country=country))
    assert set(table.method) == methods
    assert len(table) == 2 * len(methods) * 4
    assert list(table.columns) == list(storm.COLUMNS)
    assert (table.low_m3s <= table.flow_m3s).all()
    assert (table.flow_m3s <= table.high_m3s).all()
    assert (table.area_low_m3s < table.flow_m3s).all()
    assert (table.flow_m3s < table.area_high_m3s).all()
    spread = storm.flow_range(table)
    assert (spread.least_m3s < spread.greatest_m3s).all()
    assert set(spread.greatest_method) <= methods


def test_flows_grow_with_area_and_return_period() -> None:
    table = storm.storm_flows(np.geomspace(1e2, 1e7, 30))
    for _, rows in table.groupby(["method", "return_period_years"]):
        assert (np.diff(rows.sort_values("place").flow_m3s) > 0).all()
    for _, rows in table.groupby(["method", "place"]):
        assert (np.diff(rows.sort_values("return_period_years").flow_m3s) > 0).all()


def test_time_of_concentration_settles() -> None:
    rules = StormRules(tc_min_s=1.0)
    length, slope = np.array([30.0, 300.0, 3000.0]), np.full(3, 0.05)
    tc = storm.concentration_s(length, slope, 30.0, rules)
    rain = rules.runoff_ratio * (1 + rules.climate_uplift_ratio)
    rain = rain * storm.rain_depth_m(tc, 30.0, rules) / tc
    assert sf.kinematic_s(length, slope, rules.roughness, rain) == pytest.approx(tc, rel=1e-9)


@pytest.mark.parametrize("area", [0.0, -1.0, np.nan, np.inf])
def test_an_impossible_catchment_is_refused(area: float) -> None:
    with pytest.raises(PeatwrightError, match="catchment area"):
        storm.storm_flows(area)


@pytest.mark.parametrize("years", [1.0, 0.0, 5000.0])
def test_an_impossible_return_period_is_refused(years: float) -> None:
    with pytest.raises(PeatwrightError, match="return period"):
        storm.storm_flows(1e4, return_periods_years=(years,))


def test_rain_that_falls_with_the_return_period_is_refused() -> None:
    with pytest.raises(PeatwrightError, match="do not fall"):
        storm.storm_flows(1e4, rules=StormRules(rain_30y_m=0.001))

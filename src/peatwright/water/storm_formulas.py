"""The formulas behind storm flow, one function each, with the paper's own symbols.

Every coefficient is a `Cited` beside its formula. Areas are in m², rain in m, flow in m³/s; the
conversion to the papers' km², mm and hours happens inside.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from peatwright.model.cited import Cited

F64 = NDArray[np.float64]

M2_PER_KM2 = 1.0e6
MM_PER_M = 1000.0
S_PER_H = 3600.0
S_PER_MIN = 60.0

IH124 = (
    "Marshall & Bayliss 1994, Institute of Hydrology Report 124, eq. 7.1, "
    "as coded in a public repository"
)
QBAR_FACTOR = Cited(0.00108, "m³/s", "IH124 factor", 0, 1, source=IH124, read="via")
QBAR_AREA = Cited(0.89, "power", "IH124 power of AREA (km²)", 0, 2, source=IH124, read="via")
QBAR_SAAR = Cited(1.17, "power", "IH124 power of SAAR (mm)", 0, 3, source=IH124, read="via")
QBAR_SOIL = Cited(2.17, "power", "IH124 power of SOIL", 0, 4, source=IH124, read="via")
QBAR_SMALL_M2 = Cited(
    5.0e5, "m²", "below this area IH124 is read at 50 ha and scaled by area", 0, 1e8,
    source="Interim Code of Practice for SuDS, as told by help.innovyze.com, ICP SUDS Method",
    read="via",
)  # fmt: skip
QBAR_ERROR = Cited(
    1.65, "ratio", "factorial standard error of IH124", 1, 3, source="IH Report 124", read="memory"
)

FEH_2008 = "Kjeldsen, Jones & Bayliss 2008, EA SC050050, as coded in OpenHydrology"
QMED08_FACTOR = Cited(8.3062, "m³/s", "QMED 2008 factor", 0, 100, source=FEH_2008, read="via")
QMED08_AREA = Cited(0.8510, "power", "QMED 2008 power of AREA", 0, 2, source=FEH_2008, read="via")
QMED08_SAAR = Cited(
    0.1536, "ratio", "QMED 2008 base of 1000/SAAR", 0, 1, source=FEH_2008, read="via"
)
QMED08_FARL = Cited(
    3.4451, "power", "QMED 2008 power of FARL", 0, 10, source=FEH_2008, read="memory"
)
QMED08_BFI = Cited(
    0.0460, "ratio", "QMED 2008 base of BFIHOST²", 0, 1, source=FEH_2008, read="memory"
)
FEH_1999 = "Flood Estimation Handbook 1999, as coded in OpenHydrology"
QMED99_FACTOR = Cited(1.172, "m³/s", "QMED 1999 factor", 0, 10, source=FEH_1999, read="via")
QMED99_AREA = Cited(
    0.015, "power", "QMED 1999 fall of the area power", 0, 1, source=FEH_1999, read="via"
)
QMED99_AREA_UNIT = Cited(
    0.5, "km²", "QMED 1999 area at which the power is one", 0, 10, source=FEH_1999, read="via"
)
QMED99_SAAR = Cited(1.560, "power", "QMED 1999 power of SAAR", 0, 5, source=FEH_1999, read="via")
QMED99_FARL = Cited(2.642, "power", "QMED 1999 power of FARL", 0, 10, source=FEH_1999, read="via")
QMED99_SPR = Cited(1.211, "power", "QMED 1999 power of SPRHOST", 0, 5, source=FEH_1999, read="via")
QMED99_RES = Cited(0.0198, "ratio", "QMED 1999 base of RESHOST", 0, 1, source=FEH_1999, read="via")
RESHOST_SPR = Cited(1.3, "ratio", "RESHOST factor of SPRHOST", 0, 5, source=FEH_1999, read="via")
RESHOST_LESS = Cited(0.987, "ratio", "RESHOST constant", 0, 5, source=FEH_1999, read="via")
FEH_SMALL_M2 = Cited(
    5.0e5, "m²", "below this area QMED is read here and scaled by area, as for IH124", 0, 1e8
)
FEH_ERROR_YEARS = (2.0, 5.0, 30.0, 100.0)
FEH_ERROR = tuple(
    Cited(v, "ratio", f"factorial standard error of FEH flow, {t:g} years", 1, 3,
          source="EA SC090031, table 6.4", read="via")
    for t, v in zip(FEH_ERROR_YEARS, (1.51, 1.52, 1.56, 1.60), strict=True)
)  # fmt: skip

GROWTH = (
    "CIRIA Book 14 table 3.2, as shown in Autodesk Drainage help and coded in a public repository"
)
GROWTH_Y = (0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0)
GROWTH_YEARS = (100.0, 200.0, 500.0, 1000.0)
_GROWTH = {
    1: (0.82, 0.94, 1.06, 1.20, 1.36, 1.53, 1.72, 1.94, 2.17, 2.48, 2.81, 3.25, 3.63),
    2: (0.84, 0.94, 1.05, 1.18, 1.33, 1.51, 1.72, 1.95, 2.23, 2.63, 2.98, 3.45, 3.85),
    3: (0.84, 0.98, 1.11, 1.25, 1.38, 1.52, 1.65, 1.79, 1.92, 2.08, 2.36, 2.73, 3.04),
    4: (0.80, 0.93, 1.07, 1.23, 1.40, 1.58, 1.79, 2.01, 2.25, 2.57, 3.02, 3.62, 4.16),
    5: (0.79, 0.93, 1.10, 1.29, 1.52, 1.79, 2.11, 2.49, 2.93, 3.56, 4.19, 5.02, 5.76),
    6: (0.77, 0.92, 1.09, 1.28, 1.50, 1.74, 2.02, 2.34, 2.69, 3.19, 3.75, 4.49, 5.16),
    7: (0.77, 0.92, 1.09, 1.28, 1.50, 1.74, 2.02, 2.34, 2.69, 3.19, 3.75, 4.49, 5.16),
    8: (0.78, 0.92, 1.07, 1.23, 1.40, 1.58, 1.76, 1.95, 2.16, 2.42, 2.85, 3.41, 3.91),
    9: (0.84, 0.96, 1.08, 1.21, 1.35, 1.49, 1.64, 1.80, 1.97, 2.18, 2.47, 2.86, 3.19),
    10: (0.85, 0.96, 1.07, 1.19, 1.31, 1.45, 1.58, 1.73, 1.88, 2.08, 2.36, 2.73, 3.04),
}
GROWTH_FACTORS: dict[int, tuple[Cited, ...]] = {
    region: tuple(
        Cited(v, "ratio", f"growth factor on QBAR, region {region}", 0, 10,
              source=GROWTH, read="via")
        for v in row
    )
    for region, row in _GROWTH.items()
}  # fmt: skip
IRELAND = "growth curve for Ireland, as coded in a public repository"
IRELAND_LESS = Cited(-3.33, "ratio", "Ireland growth constant", -10, 0, source=IRELAND, read="via")
IRELAND_FACTOR = Cited(4.2, "ratio", "Ireland growth factor", 0, 10, source=IRELAND, read="via")
IRELAND_RATE = Cited(0.05, "ratio", "Ireland growth rate", 0, 1, source=IRELAND, read="via")

KIRPICH = "Kirpich 1940, metric form"
KIRPICH_FACTOR = Cited(0.0195, "min", "Kirpich factor", 0, 1, source=KIRPICH, read="memory")
KIRPICH_LENGTH = Cited(
    0.77, "power", "Kirpich power of length", 0, 2, source=KIRPICH, read="memory"
)
KIRPICH_SLOPE = Cited(0.385, "power", "Kirpich power of slope", 0, 2, source=KIRPICH, read="memory")
BRANSBY = "Bransby-Williams formula"
BRANSBY_FACTOR = Cited(
    58.5, "min", "Bransby-Williams factor", 0, 200, source=BRANSBY, read="memory"
)
BRANSBY_AREA = Cited(
    0.1, "power", "Bransby-Williams power of area", 0, 1, source=BRANSBY, read="memory"
)
BRANSBY_SLOPE = Cited(
    0.2, "power", "Bransby-Williams power of slope", 0, 1, source=BRANSBY, read="memory"
)
KINEMATIC_POWER = Cited(
    5.0 / 3.0, "power", "kinematic-wave power of depth from Manning's formula", 1, 3,
    source="standard kinematic-wave solution", read="memory",
)  # fmt: skip

SCS = "NRCS National Engineering Handbook part 630"
SCS_NUMERATOR = Cited(25400.0, "mm", "S = 25400/CN - 254", 0, 1e5, source=SCS, read="memory")
SCS_LESS = Cited(254.0, "mm", "S = 25400/CN - 254", 0, 1e4, source=SCS, read="memory")
SCS_INITIAL = Cited(
    0.2, "ratio", "initial abstraction over S (later work finds 0.05 fits better)", 0, 1,
    source=SCS, read="memory",
)  # fmt: skip
SCS_PEAK = Cited(
    0.208, "m³/s h/km² mm", "peak of the triangular unit hydrograph", 0, 1, source=SCS,
    read="memory",
)  # fmt: skip
SCS_LAG = Cited(0.6, "ratio", "lag over time of concentration", 0, 1, source=SCS, read="memory")


def v(held: Cited) -> float:
    """Return the number of a `Cited`."""
    return float(held.value)


def gumbel_y(return_period_years: ArrayLike) -> F64:
    """Return the Gumbel variate -ln(-ln(1 - 1/T)); T above 1 year."""
    t = np.asarray(return_period_years, np.float64)
    return np.asarray(-np.log(-np.log1p(-1.0 / t)))


def rational_m3s(runoff_ratio: ArrayLike, intensity_mps: ArrayLike, area_m2: ArrayLike) -> F64:
    """Return the rational method's peak Q = C i A."""
    return (
        np.asarray(runoff_ratio, np.float64)
        * np.asarray(intensity_mps, np.float64)
        * np.asarray(area_m2, np.float64)
    )


def kirpich_s(length_m: ArrayLike, slope_ratio: ArrayLike) -> F64:
    """Return Kirpich's time of concentration; too fast for vegetated peat, a lower bound."""
    length = np.asarray(length_m, np.float64)
    slope = np.asarray(slope_ratio, np.float64)
    minutes = v(KIRPICH_FACTOR) * length ** v(KIRPICH_LENGTH) * slope ** -v(KIRPICH_SLOPE)
    return np.asarray(minutes * S_PER_MIN)


def bransby_williams_s(length_m: ArrayLike, area_m2: ArrayLike, slope_ratio: ArrayLike) -> F64:
    """Return the Bransby-Williams time of concentration."""
    length_km = np.asarray(length_m, np.float64) / 1000.0
    area_km2 = np.asarray(area_m2, np.float64) / M2_PER_KM2
    slope_m_per_km = np.asarray(slope_ratio, np.float64) * 1000.0
    minutes = (
        v(BRANSBY_FACTOR)
        * length_km
        * area_km2 ** -v(BRANSBY_AREA)
        * slope_m_per_km ** -v(BRANSBY_SLOPE)
    )
    return np.asarray(minutes * S_PER_MIN)


def kinematic_s(
    length_m: ArrayLike, slope_ratio: ArrayLike, roughness: ArrayLike, excess_mps: ArrayLike
) -> F64:
    """Return the time to equilibrium of a plane, te = (L / (alpha i^(m-1)))^(1/m)."""
    m = v(KINEMATIC_POWER)
    alpha = np.sqrt(np.asarray(slope_ratio, np.float64)) / np.asarray(roughness, np.float64)
    i = np.asarray(excess_mps, np.float64)
    return np.asarray((np.asarray(length_m, np.float64) / (alpha * i ** (m - 1.0))) ** (1.0 / m))


def qbar_ih124_m3s(area_m2: ArrayLike, saar_m: ArrayLike, soil_index: ArrayLike) -> F64:
    """Return the mean yearly flood QBAR(rural) of IH124, with the rule for areas under 50 ha."""
    area = np.asarray(area_m2, np.float64)
    read_at = np.maximum(area, v(QBAR_SMALL_M2))
    qbar = (
        v(QBAR_FACTOR)
        * (read_at / M2_PER_KM2) ** v(QBAR_AREA)
        * (np.asarray(saar_m, np.float64) * MM_PER_M) ** v(QBAR_SAAR)
        * np.asarray(soil_index, np.float64) ** v(QBAR_SOIL)
    )
    return np.asarray(qbar * area / read_at)


def growth_factor(region: int, return_period_years: ArrayLike) -> F64:
    """Return the growth factor on QBAR of a region, 1 to 10; straight lines over Gumbel y.

    Valid to 1000 years; columns above 50 years come from a fit, good to 0.02.
    """
    knots = np.concatenate([np.array(GROWTH_Y), gumbel_y(GROWTH_YEARS)])
    factors = np.array([v(c) for c in GROWTH_FACTORS[region]])
    return np.asarray(np.interp(gumbel_y(return_period_years), knots, factors))


def growth_factor_ireland(return_period_years: ArrayLike) -> F64:
    """Return Ireland's growth factor on QBAR."""
    y = gumbel_y(return_period_years)
    return np.asarray(v(IRELAND_LESS) + v(IRELAND_FACTOR) * np.exp(v(IRELAND_RATE) * y))


def qmed_2008_m3s(area_m2: ArrayLike, saar_m: float, farl: float, bfihost: float) -> F64:
    """Return the FEH median yearly flood from catchment descriptors, 2008 equation."""
    area_km2 = np.asarray(area_m2, np.float64) / M2_PER_KM2
    return np.asarray(
        v(QMED08_FACTOR)
        * area_km2 ** v(QMED08_AREA)
        * v(QMED08_SAAR) ** (1000.0 / (saar_m * MM_PER_M))
        * farl ** v(QMED08_FARL)
        * v(QMED08_BFI) ** (bfihost**2)
    )


def qmed_1999_m3s(
    area_m2: ArrayLike, saar_m: float, farl: float, bfihost: float, sprhost_ratio: float
) -> F64:
    """Return the FEH median yearly flood from catchment descriptors, 1999 equation."""
    area_km2 = np.asarray(area_m2, np.float64) / M2_PER_KM2
    reshost = bfihost + v(RESHOST_SPR) * sprhost_ratio - v(RESHOST_LESS)
    power = 1.0 - v(QMED99_AREA) * np.log(area_km2 / v(QMED99_AREA_UNIT))
    return np.asarray(
        v(QMED99_FACTOR)
        * area_km2**power
        * saar_m ** v(QMED99_SAAR)
        * farl ** v(QMED99_FARL)
        * sprhost_ratio ** v(QMED99_SPR)
        * v(QMED99_RES) ** reshost
    )


def feh_error_ratio(return_period_years: ArrayLike) -> F64:
    """Return the factorial standard error of an FEH flow by regression."""
    y = gumbel_y(return_period_years)
    return np.asarray(np.interp(y, gumbel_y(FEH_ERROR_YEARS), [v(c) for c in FEH_ERROR]))


def scs_runoff_m(rain_m: ArrayLike, curve_number: ArrayLike) -> F64:
    """Return the SCS runoff depth of a storm: (P - Ia)² / (P - Ia + S)."""
    p = np.asarray(rain_m, np.float64) * MM_PER_M
    s = v(SCS_NUMERATOR) / np.asarray(curve_number, np.float64) - v(SCS_LESS)
    over = np.maximum(p - v(SCS_INITIAL) * s, 0.0)
    total = over + s
    runoff = np.divide(over**2, total, out=np.zeros(np.shape(total)), where=total > 0.0)
    return np.asarray(runoff / MM_PER_M)


def scs_peak_m3s(
    area_m2: ArrayLike, runoff_m: ArrayLike, duration_s: ArrayLike, lag_s: ArrayLike
) -> F64:
    """Return the peak of the SCS triangular unit hydrograph, Tp = D/2 + lag."""
    peak_h = (np.asarray(duration_s, np.float64) / 2 + np.asarray(lag_s, np.float64)) / S_PER_H
    return np.asarray(
        v(SCS_PEAK)
        * (np.asarray(area_m2, np.float64) / M2_PER_KM2)
        * (np.asarray(runoff_m, np.float64) * MM_PER_M)
        / peak_h
    )

"""Settings of peat depth, condition, stability, bearing, overhead lines and seasons.

All of it is screening: local rules, owners and competent people decide.
"""

from __future__ import annotations

from dataclasses import dataclass

from peatwright.model.cited import cited

SLIDE_GUIDE = "Scottish Government, landslide guide for peat, 2nd ed. 2017, 3.2.1"
SURVEY_GUIDE = "Scottish Government, Peat Survey Guidance 1.5 (studylib.net/doc/8053482)"
FUNDER = "NatureScot, eligibility criteria of the national peatland fund"
CONDITION_GUIDE = "NatureScot, how to assess the condition of a peatland"
BOYLAN = "Boylan et al. 2008, Q. J. Eng. Geol. Hydrogeol. 41: 93-108"
EAGLE = "Forestry Commission Practice Note 101, 2011"
BIRDS = "NatureScot 2022, peatland restoration and breeding birds"
BIRDS_ENGLAND = "tender papers for moors in the north and south-west of England, 2016 and later"
RAW = "range of published values for blanket and raised bog"


@dataclass(frozen=True)
class DepthRules:
    """How probes become a peat depth surface."""

    variogram: str = cited(
        "exponential", "", "shape of the fall of likeness with distance",
        choices=("exponential", "spherical"),
    )  # fmt: skip
    fit_probes_min: int = cited(
        20, "probes", "with fewer probes the variogram is assumed, not fitted", 5, 200
    )
    assumed_range_m: float = cited(
        150.0, "m", "distance beyond which depths are unlike, where it is assumed", 10, 2000
    )
    assumed_spread_m: float = cited(
        0.8, "m", "standard deviation of depth over a site, where it is assumed", 0.1, 4
    )
    probe_error_m: float = cited(
        0.1, "m", "standard error of one probe: rod, roots, the feel of the base", 0.01, 1
    )
    same_place_m: float = cited(0.5, "m", "probes closer than this are one place", 0, 5)
    same_place_differ_m: float = cited(
        0.3, "m", "depths at one place that differ by more than this need a look", 0.05, 3
    )
    deepest_m: float = cited(
        12.0, "m", "a depth over this is not believed as metres", 3, 20, read="memory",
        source="the deepest raised bogs of Britain and Ireland reach about 10 to 12 m",
    )  # fmt: skip
    line_ratio: float = cited(
        0.05, "ratio",
        "probes that spread less than this across as along are called one line", 0, 0.5,
    )  # fmt: skip
    reach_m: float = cited(
        100.0, "m", "ground further than this from every probe is unprobed", 10, 500,
        source=SURVEY_GUIDE + ": 100 m grid", read="via",
    )  # fmt: skip
    thin_reach_m: float = cited(
        60.0, "m", "ground further than this from every probe is thinly probed", 5, 300
    )
    thin_error_m: float = cited(
        0.6, "m", "ground whose depth is less sure than this is thinly probed", 0.05, 3
    )
    lattice_points: int = cited(
        40000, "points", "depth is kriged at about this many points and drawn in between",
        1000, 200000,
    )  # fmt: skip
    lattice_step_min_m: float = cited(2.0, "m", "kriged points are never closer", 0.5, 20)
    whole_probes_max: int = cited(
        300, "probes", "up to this many, every probe counts at every point", 20, 2000
    )
    near_probes: int = cited(
        64, "probes", "with more probes than that, so many of the nearest count", 8, 300
    )
    folds: int = cited(10, "folds", "parts in which probes are left out and predicted", 2, 50)
    more_probes: int = cited(12, "places", "how many places for more probes are named", 0, 100)
    class_shallow_m: float = cited(
        0.3, "m", "least peat that funders accept as part of a unit", 0, 2,
        source=FUNDER, read="original",
    )  # fmt: skip
    class_peat_m: float = cited(
        0.5, "m", "peat by the Scottish definition", 0, 2, source=SLIDE_GUIDE, read="original"
    )
    class_deep_m: float = cited(
        1.0, "m", "deep peat by the Scottish definition", 0.2, 4, source=SLIDE_GUIDE,
        read="original",
    )  # fmt: skip
    class_thick_m: float = cited(2.0, "m", "thick peat", 0.5, 8)
    class_very_thick_m: float = cited(3.0, "m", "very thick peat", 0.5, 12)


@dataclass(frozen=True)
class CarbonRules:
    """How much carbon a volume of peat holds."""

    bulk_density_t_m3: float = cited(
        0.11, "t/m³", "dry bulk density of peat", 0.02, 0.5, source=RAW, read="memory"
    )
    bulk_density_low_t_m3: float = cited(
        0.06, "t/m³", "low dry bulk density", 0.02, 0.5, source=RAW, read="memory"
    )
    bulk_density_high_t_m3: float = cited(
        0.15, "t/m³", "high dry bulk density", 0.02, 0.5, source=RAW, read="memory"
    )
    carbon_ratio: float = cited(
        0.52, "ratio", "carbon in dry peat", 0.3, 0.65, source=RAW, read="memory"
    )
    carbon_low_ratio: float = cited(
        0.50, "ratio", "low carbon in dry peat", 0.3, 0.65, source=RAW, read="memory"
    )
    carbon_high_ratio: float = cited(
        0.554, "ratio", "high carbon in dry peat", 0.3, 0.65,
        source="Water 2023, 15: 1954, measured bog values 0.524 to 0.554", read="original",
    )  # fmt: skip


@dataclass(frozen=True)
class ConditionRules:
    """How condition is mapped. `scheme` lists the site's categories, best first, with commas."""

    scheme: str = cited(
        "near-natural, modified, drained, actively eroding", "",
        "categories of condition, best first, separated by commas",
        source=CONDITION_GUIDE, read="original",
    )  # fmt: skip
    drained_as: str = cited("drained", "", "category of ground near drains; one of the scheme")
    eroding_as: str = cited("actively eroding", "", "category of bare peat; one of the scheme")
    drained_m: float = cited(
        30.0, "m", "ground this far to each side of a drain counts as drained", 0, 200,
        source="distance to each side of an active drain in carbon codes", read="memory",
    )  # fmt: skip
    smallest_m2: float = cited(
        100.0, "m²", "gaps, overlaps and patches smaller than this are passed over", 0, 10000
    )


def scheme(rules: ConditionRules) -> tuple[str, ...]:
    """Return the categories of condition, best first."""
    return tuple(name.strip() for name in rules.scheme.split(",") if name.strip())


@dataclass(frozen=True)
class StabilityRules:
    """Infinite-slope screening of peat. It screens; a competent engineer decides."""

    factor_look: float = cited(
        1.3, "ratio", "a factor of safety under this needs a look", 1, 3,
        source="usual banding in peat stability reports: 1.0 to 1.3 is marginal", read="memory",
    )  # fmt: skip
    factor_stop: float = cited(
        1.0, "ratio", "a factor of safety under this stops the work there", 0.5, 2,
        source="equilibrium", read="memory",
    )  # fmt: skip
    machine_stops: bool = cited(
        False, "",
        "whether a factor under factor_stop stops the work if only the machine's load, which is "
        "deliberately harsh, brings it there; otherwise it needs a look",
    )  # fmt: skip
    share_look_ratio: float = cited(
        0.1, "ratio", "share of draws under the set factor that needs a look", 0.001, 1
    )
    weight_kn_m3: float = cited(
        10.0, "kN/m³", "weight of saturated peat", 9, 13, source=RAW, read="memory"
    )
    weight_low_kn_m3: float = cited(9.5, "kN/m³", "low weight", 9, 13, source=RAW, read="memory")
    weight_high_kn_m3: float = cited(11.0, "kN/m³", "high weight", 9, 13, source=RAW, read="memory")
    strength_kpa: float = cited(
        5.0, "kPa", "undrained shear strength: measure it on the site", 1, 60,
        source="low design values 4 to 6 kPa in peat stability reports", read="memory",
    )  # fmt: skip
    strength_low_kpa: float = cited(
        4.0, "kPa", "low undrained strength", 0.5, 60, source=RAW, read="memory"
    )
    strength_high_kpa: float = cited(
        12.0, "kPa", "high undrained strength, by vane and corrected", 1, 60,
        source="vane values to 20 kPa times the middle of published corrections 0.26 to 0.69 "
        "(Long & Boylan 2012, SEAGS 43(4)), rounded up; judgement",
    )  # fmt: skip
    cohesion_kpa: float = cited(
        4.0, "kPa", "effective cohesion", 0, 15, source="AGEC 2004 and later reports",
        read="memory",
    )  # fmt: skip
    cohesion_low_kpa: float = cited(
        2.0, "kPa", "low effective cohesion", 0, 15, source="AGEC 2004 and later reports",
        read="memory",
    )  # fmt: skip
    cohesion_high_kpa: float = cited(
        6.0, "kPa", "high effective cohesion", 0, 15, source="AGEC 2004 and later reports",
        read="memory",
    )  # fmt: skip
    friction_deg: float = cited(
        25.0, "°", "effective angle of friction", 10, 45, source=RAW, read="memory"
    )
    friction_low_deg: float = cited(20.0, "°", "low angle", 10, 45, source=RAW, read="memory")
    friction_high_deg: float = cited(30.0, "°", "high angle", 10, 45, source=RAW, read="memory")
    wet_before_ratio: float = cited(
        0.8, "ratio", "height of the water over the base as share of peat depth, before the work",
        0, 1,
    )  # fmt: skip
    wet_before_low_ratio: float = cited(0.5, "ratio", "low share", 0, 1)
    wet_before_high_ratio: float = cited(1.0, "ratio", "high share", 0, 1)
    machine_kpa: float = cited(
        20.0, "kPa", "pressure of a machine, spread evenly: deliberately harsh", 0, 100
    )
    pond_m: float = cited(
        0.3, "m", "water standing on the ground after the work, where no pool says better", 0, 3
    )
    draws: int = cited(128, "draws", "draws of the uncertain values", 16, 2000)
    seed: int = cited(1, "", "number that fixes the draws", 0, 2147483647)
    slope_over_m: float = cited(
        10.0, "m", "length over which slope is measured, so that drain sides do not count", 2, 50
    )
    thinnest_m: float = cited(0.1, "m", "thinner peat is not screened", 0.01, 0.5)
    convex_deg: float = cited(
        5.0, "°", "a slope that steepens by this over its length downhill is a convex break", 0.5,
        20,
    )  # fmt: skip
    steep_deg: float = cited(
        10.0, "°", "steeper ground is avoided", 2, 30, source=SURVEY_GUIDE, read="via"
    )
    gentle_deg: float = cited(
        2.0, "°", "ground steeper than this needs assessing", 0.5, 10, source=SURVEY_GUIDE,
        read="via",
    )  # fmt: skip
    across_slope_deg: float = cited(
        4.0, "°", "a drain across a slope steeper than this is marked", 1, 20,
        source=BOYLAN + ": most Irish failures at 4 to 8°", read="original",
    )  # fmt: skip
    across_angle_deg: float = cited(
        60.0, "°", "a drain this far or more off the fall line runs across the slope", 30, 90
    )
    thick_m: float = cited(2.0, "m", "peat this thick and wet is marked", 0.5, 8)
    wet_index: float = cited(
        8.0, "ln(m)", "wetness index ln(upslope area per width / slope) of wet ground", 3, 20
    )


@dataclass(frozen=True)
class BearingRules:
    """Whether a machine can stand and travel. The operator on the day decides."""

    mass_kg: float = cited(
        14000.0, "kg", "mass of the machine with bucket and operator", 500, 60000,
        read="common practice",
    )  # fmt: skip
    track_width_m: float = cited(
        1.2, "m", "width of one track: wide bog tracks; usual tracks are about 0.7 m", 0.2, 2.5
    )
    track_length_m: float = cited(3.5, "m", "length of track on the ground", 0.5, 6)
    uneven_ratio: float = cited(
        1.0, "ratio", "greatest over mean pressure; above 1 when slewing and digging", 1, 4
    )
    strength_kpa: float = cited(
        5.0, "kPa", "undrained strength of the upper peat", 1, 60,
        source="low design values 4 to 6 kPa in peat stability reports", read="memory",
    )  # fmt: skip
    wet_strength_ratio: float = cited(
        0.7, "ratio", "strength of wet or bare ground as share of the rest", 0.1, 1
    )
    capacity_factor: float = cited(
        5.14, "ratio", "bearing capacity of a strip over undrained strength", 5.14, 5.15,
        source="Prandtl 1921: 2 + π", read="memory",
    )  # fmt: skip
    shape_factor: float = cited(
        0.2, "ratio", "gain of a rectangle over a strip, times width over length", 0, 0.4,
        source="Skempton 1951, The bearing capacity of clays", read="memory",
    )  # fmt: skip
    easy_factor: float = cited(3.0, "ratio", "capacity over pressure for easy going", 1, 6)
    careful_factor: float = cited(1.5, "ratio", "capacity over pressure for careful going", 1, 4)
    mat_length_m: float = cited(5.0, "m", "length of a bog mat, across the tracks", 1, 10)
    mat_width_m: float = cited(1.0, "m", "width of a bog mat, along the tracks", 0.3, 4)
    mats_under: int = cited(4, "mats", "bog mats under the machine at once", 1, 12)
    mat_mass_kg: float = cited(600.0, "kg", "mass of one mat", 20, 3000)
    thin_m: float = cited(
        0.3, "m", "on peat thinner than this a machine stands on what is below", 0, 1
    )
    careful_deg: float = cited(
        4.0, "°", "steeper ground is never easy going", 0, 20,
        source=BOYLAN + ": most Irish failures at 4 to 8°", read="original",
    )  # fmt: skip
    steepest_deg: float = cited(
        10.0, "°", "machines keep off steeper ground", 2, 35, source=SURVEY_GUIDE, read="via"
    )


@dataclass(frozen=True)
class OverheadRules:
    """Height left for a machine under an overhead line. The line's owner decides."""

    lowest_m: float = cited(
        5.2, "m", "height of the lowest wire where it is not known", 2, 30,
        source="Electricity Safety, Quality and Continuity Regulations 2002: least height over "
        "ground that is not a road", read="memory",
    )  # fmt: skip
    clearance_m: float = cited(
        3.0, "m", "air kept between any part of a machine and a wire; the owner says how much",
        1, 20,
    )  # fmt: skip
    machine_height_m: float = cited(
        8.5, "m", "greatest height that the machine's arm can reach", 1, 30
    )
    travel_height_m: float = cited(
        3.0, "m", "height of the machine with its arm folded for travel", 1, 10
    )


@dataclass(frozen=True)
class SeasonRules:
    """Closed periods, as month × 100 + day; a period may cross the year's end."""

    breeding_from_mmdd: int = cited(
        401, "mmdd", "ground-nesting birds: first closed day (work done by 31 March)", 101, 1231,
        source=BIRDS_ENGLAND, read="via",
    )  # fmt: skip
    breeding_to_mmdd: int = cited(
        731, "mmdd", "ground-nesting birds: last closed day (some stay into August)", 101, 1231,
        source=BIRDS, read="original",
    )  # fmt: skip
    raptor_from_mmdd: int = cited(
        201, "mmdd", "birds of prey: first closed day", 101, 1231, source=BIRDS, read="original"
    )
    raptor_to_mmdd: int = cited(
        831, "mmdd", "birds of prey: last closed day", 101, 1231, source=EAGLE, read="original"
    )
    raptor_none_m: float = cited(
        250.0, "m", "sea eagle: no work this near to a nest", 0, 2000, source=EAGLE,
        read="original",
    )  # fmt: skip
    raptor_look_m: float = cited(
        500.0, "m", "sea eagle: case by case this near to a nest", 0, 3000, source=EAGLE,
        read="original",
    )  # fmt: skip
    shortest_window_days: int = cited(
        5, "days", "working windows shorter than this are not named", 1, 60
    )

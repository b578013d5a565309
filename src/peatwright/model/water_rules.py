"""Settings of storm flow, overflow, the storm over the surface and the water table."""

from __future__ import annotations

from dataclasses import dataclass, field

from peatwright.model.cited import cited

HOLDEN_2003 = (
    "Holden & Burt 2003, Water Resour. Res. (abstract): 72, 77 and 82 % of rain from three "
    "blanket-peat catchments"
)
RAIN_NOTE = "a value for upland Britain by judgement: replace by the local rainfall statistics"
FSR_MAP = "Flood Studies Report, figure I.2.4"
HOST = "Boorman, Hollis & Lilly 1995, IH Report 126, HOST class 29 (raw peat)"
NRCS = "NRCS National Engineering Handbook part 630"
EA_T64 = "EA SC090031, table 6.4"
HOLDEN_2011 = "Holden et al. 2011, J. Hydrol. 402: 103-114"


@dataclass(frozen=True)
class StormRules:
    """How much water a storm brings to a dam. Local rainfall and local guidance come first."""

    country: str = cited(
        "GB", "", "which methods apply: Great Britain, Ireland, or anywhere else",
        choices=("GB", "IE", "elsewhere"),
    )  # fmt: skip
    climate_uplift_ratio: float = cited(
        0.3, "ratio", "increase for climate change: ask the flood authority for its figure", 0, 2
    )
    area_error_ratio: float = cited(
        0.5, "ratio", "how far a catchment taken from a terrain model may be wrong", 0, 1,
        source="Holden et al. 2017 found that terrain models miss true drain catchments; "
        "the figure is judgement",
    )  # fmt: skip
    rain_2y_m: float = cited(0.013, "m", "rain in one hour, once in 2 years; " + RAIN_NOTE, 0, 0.5)
    rain_10y_m: float = cited(
        0.022, "m", "rain in one hour, once in 10 years; " + RAIN_NOTE, 0, 0.5
    )
    rain_30y_m: float = cited(
        0.029, "m", "rain in one hour, once in 30 years; " + RAIN_NOTE, 0, 0.5
    )
    rain_100y_m: float = cited(
        0.038, "m", "rain in one hour, once in 100 years; " + RAIN_NOTE, 0, 0.5
    )
    rain_exponent: float = cited(
        0.45, "power", "rain depth grows with this power of duration, 10 minutes to 6 hours", 0.1, 1
    )
    runoff_ratio: float = cited(
        0.85, "ratio", "share of rain that runs off wet blanket peat", 0.05, 1,
        source=HOLDEN_2003 + "; the storm value is judgement",
    )  # fmt: skip
    runoff_low_ratio: float = cited(0.6, "ratio", "low share of rain that runs off", 0.01, 1)
    runoff_high_ratio: float = cited(0.95, "ratio", "high share of rain that runs off", 0.05, 1)
    slope_ratio: float = cited(
        0.06, "m/m", "fall of a catchment where it is not measured", 0.001, 1
    )
    roughness: float = cited(
        0.3, "s/m^(1/3)", "Manning roughness of overland flow over bog grass and cotton grass",
        0.01, 2,
    )  # fmt: skip
    tc_min_s: float = cited(300.0, "s", "shortest time of concentration that is believed", 60, 7200)
    saar_m: float = cited(1.5, "m", "mean yearly rain: take it for the site", 0.3, 6)
    soil_index: float = cited(
        0.5, "ratio", "SOIL index, 0.5 for upland peat (class 5)", 0.15, 0.5,
        source="Flood Studies Report WRAP classes", read="memory",
    )  # fmt: skip
    growth_region: int = cited(
        10, "region", "growth curve region 1 to 10 in Great Britain", 1, 10,
        source=FSR_MAP, read="memory",
    )  # fmt: skip
    bfihost: float = cited(
        0.226, "ratio", "base flow index from soil class", 0, 1, source=HOST, read="memory"
    )
    sprhost_ratio: float = cited(
        0.6, "ratio", "standard runoff share from soil class", 0, 1, source=HOST, read="memory"
    )
    farl: float = cited(1.0, "ratio", "flood attenuation by lakes, 1 for none", 0.5, 1)
    curve_number: float = cited(
        90.0, "number", "SCS curve number of wet peat", 30, 100, source=NRCS, read="memory"
    )
    curve_number_low: float = cited(85.0, "number", "low curve number", 30, 100, read="memory")
    curve_number_high: float = cited(95.0, "number", "high curve number", 30, 100, read="memory")


@dataclass(frozen=True)
class OverflowRules:
    """When an outlet and the ground below it stand the water."""

    weir_coefficient: float = cited(
        1.45, "m^0.5/s",
        "flow over a ragged turf crest is this times width times head^1.5; on the safe low side",
        1, 2.2,
        source="ISO 3846 gives 1.473 for a neat broad crest (memory); "
        "the lower figure is judgement",
    )  # fmt: skip
    freeboard_m: float = cited(
        0.1, "m", "crest above the water in the design storm, at least", 0, 1
    )
    roughness_face: float = cited(
        0.06, "s/m^(1/3)", "Manning roughness of a dressed turf face", 0.01, 1,
        source="grass by depth and length, secondary source; the figure is judgement",
    )  # fmt: skip
    roughness_drain: float = cited(
        0.06, "s/m^(1/3)", "Manning roughness of a drain with some growth", 0.01, 1, read="memory"
    )


@dataclass(frozen=True)
class SurfaceRules:
    """The storm over the surface: local-inertial shallow water with rain on the grid."""

    storm_depth_m: float = cited(
        0.029, "m", "rain of the storm, before the climate uplift", 0.0001, 0.5
    )
    storm_duration_s: float = cited(3600.0, "s", "duration of the storm", 60, 172800)
    after_storm_s: float = cited(7200.0, "s", "time followed after the rain", 0, 432000)
    infiltration_mps: float = cited(
        0.0, "m/s", "steady loss into wet peat", 0, 1e-3,
        source="Holden & Burt 2003: nearly all storm flow ran at or just below the surface; "
        "the figure is judgement",
    )  # fmt: skip
    cell_m: float = cited(
        4.0, "m", "cell size of the storm over the surface; finer takes longer with its cube",
        0.5, 50,
    )  # fmt: skip
    roughness_bare: float = cited(
        0.06, "s/m^(1/3)", "Manning roughness of bare peat under a sheet of water", 0.01, 1
    )
    theta: float = cited(
        0.8, "ratio", "weight of a face's own flow against its neighbours' in the inertia term",
        0.5, 1, source="de Almeida et al. 2012, as coded in landlab", read="via",
    )  # fmt: skip
    step_ratio: float = cited(
        0.6, "ratio", "share of the time in which a wave crosses a cell that one step may take",
        0.05, 0.95,
        source="Bates, Horritt & Fewtrell 2010 use 0.2 to 0.7; with theta 0.8 ripples grow above "
        "0.632 where waves run in two directions",
    )  # fmt: skip
    step_max_s: float = cited(5.0, "s", "longest step", 0.001, 120)
    froude_max: float = cited(
        1.0, "ratio", "fastest flow, as Froude number: the equations leave out what matters above",
        0.1, 10, source="landlab, option steep_slopes", read="original",
    )  # fmt: skip
    thin_m: float = cited(1e-5, "m", "water thinner than this does not flow", 1e-7, 1e-2,
        source="landlab, default film", read="original")  # fmt: skip
    deepest_m: float = cited(
        15.0, "m", "deepest water that can be held; finer storage needs a smaller figure", 0.5, 200
    )
    edge_slope_ratio: float = cited(
        0.002, "m/m", "least fall of the water where it leaves over an open edge", 1e-5, 1
    )
    roughness_low: float = cited(0.005, "s/m^(1/3)", "least Manning roughness taken", 0, 0.1)
    roughness_high: float = cited(5.0, "s/m^(1/3)", "greatest Manning roughness taken", 0.1, 50)


@dataclass(frozen=True)
class TableRules:
    """The water table between drains. Peat varies by orders of magnitude: calibrate to dipwells."""

    recharge_mps: float = cited(
        1.5e-8, "m/s", "water that sinks in: rain less evaporation and storm run-off", 0, 1e-5,
        source="0.47 m a year; with the conductivities below a bog with drains 15 m apart stands "
        "about as deep as the drained bog of Holden et al. 2011 (11.5 cm)",
    )  # fmt: skip
    conductivity_top_mps: float = cited(
        2.8e-4, "m/s", "conductivity at the surface", 1e-9, 1e-1,
        source="Letts et al. 2000, fibric peat", read="memory",
    )  # fmt: skip
    conductivity_deep_mps: float = cited(
        1.0e-7, "m/s", "conductivity far below the surface", 1e-12, 1e-2,
        source="Holden & Burt 2003: 1e-8 to 1e-6 m/s below 0.2-0.5 m; Letts et al. 2000, sapric",
        read="memory",
    )  # fmt: skip
    decay_per_m: float = cited(
        18.0, "1/m", "conductivity falls as exp(-decay x depth)", 0, 100,
        source="gives 1e-4 to 5e-5 m/s at 5-10 cm, as Holden & Burt 2003 (memory)",
    )  # fmt: skip
    specific_yield_ratio: float = cited(
        0.2, "ratio", "water given by a fall of the table", 0.01, 0.9,
        source="Baird et al.: Sphagnum peat 0.16-0.62", read="via",
    )  # fmt: skip
    cell_m: float = cited(
        4.0, "m", "cell size of the water table; larger sites take coarser cells", 0.5, 50
    )
    peat_depth_m: float = cited(1.5, "m", "peat depth where no map is given", 0.05, 20)
    wet_depth_m: float = cited(
        0.1, "m", "ground with its table shallower than this is counted as wet", 0, 1
    )
    believed_rise_m: float = cited(
        0.09, "m", "a mean rise larger than this is more than blanket bogs have shown", 0, 1,
        source=HOLDEN_2011 + ": mean 11.5 cm drained, 8.9 cm six years after blocking; "
        "a Dartmoor pilot about +9 cm (secondary)", read="via",
    )  # fmt: skip
    spill_film_m: float = cited(
        0.002, "m", "film of water above the ground that carries the recharge away", 1e-4, 0.05
    )


@dataclass(frozen=True)
class WaterRules:
    """All settings of the water package."""

    storm: StormRules = field(default_factory=StormRules)
    overflow: OverflowRules = field(default_factory=OverflowRules)
    surface: SurfaceRules = field(default_factory=SurfaceRules)
    table: TableRules = field(default_factory=TableRules)

"""The rule sheet: every setting with default, unit, range and source.

A rule sheet is a frozen `Rules` of frozen sections. `site.rule_sheet` reads and writes its TOML.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from peatwright.model.cited import cited
from peatwright.model.find_rules import FindRules
from peatwright.model.ground_rules import (
    BearingRules,
    CarbonRules,
    ConditionRules,
    DepthRules,
    OverheadRules,
    SeasonRules,
    StabilityRules,
)
from peatwright.model.programme_rules import BudgetRules, ProgrammeRules, SpreadRules
from peatwright.model.rates import Rates
from peatwright.model.spill_rules import SpillRules
from peatwright.model.water_rules import OverflowRules, StormRules, SurfaceRules, TableRules

WN1 = "GOV.UK Countryside Stewardship, WN1 grip blocking"
SRDP = "Scottish Government, SRDP Rural Priorities, Peat Dam"
YPP = "Yorkshire Peat Partnership, Small Grips"
YPP_GULLY = "Yorkshire Peat Partnership, Gullies and Large Grips"
IUCN_WAVE = "IUCN UK Peatland Programme 2016, trial of wave damming"
FEN = "SNH, Fen Management Handbook pp 158-160"
ARMSTRONG = "Armstrong et al. 2009, J. Environ. Manage. 90:3512 (abstract)"


@dataclass(frozen=True)
class TakeRules:
    """How given files are checked."""

    level_low_m: float = cited(-50.0, "m", "lowest level that is believed", -500, 9000)
    level_high_m: float = cited(1400.0, "m", "highest level that is believed", -500, 9000)
    spike_m: float = cited(
        5.0, "m", "a cell this far from all its neighbours is called a spike", 0.5, 100
    )
    hole_look_ratio: float = cited(
        0.02, "ratio", "share of cells without data inside the boundary that is worth a look", 0, 1
    )
    las_cell_m: float = cited(0.5, "m", "cell size when ground points are gridded", 0.1, 5)
    las_gap_m: float = cited(
        3.0, "m", "ground further than this from any ground point stays without data", 0.5, 20
    )


@dataclass(frozen=True)
class MeasureRules:
    """How drains are joined, pulled to their bed and measured."""

    station_m: float = cited(1.0, "m", "distance between stations", 0.5, 5)
    pull_m: float = cited(
        2.5, "m", "furthest that a given line is moved sideways to reach the bed", 0, 10
    )
    join_m: float = cited(3.0, "m", "line ends closer than this to a line are joined to it", 0, 15)
    section_half_m: float = cited(
        12.0, "m", "half length of a cross-section, from the bed outwards", 4, 40
    )
    section_step_m: float = cited(0.25, "m", "distance between samples on a section", 0.1, 1)
    average_m: float = cited(
        3.0, "m", "length along the drain over which cross-sections are averaged", 0, 20
    )
    seen_depth_m: float = cited(
        0.08, "m", "a trough shallower than this is not called a drain", 0.02, 0.5
    )
    gradient_length_m: float = cited(
        10.0, "m", "length along the drain over which the bed gradient is smoothed", 2, 100
    )
    widest_m: float = cited(
        8.0, "m", "a trough wider than this at its shoulders is not measured as a drain", 2, 30
    )
    spoil_height_m: float = cited(
        0.12, "m", "a bank lower than this above the ground is not called spoil", 0.03, 1
    )
    sag_depth_m: float = cited(0.05, "m", "ground sunk less than this is not called sag", 0.01, 0.5)
    sag_edge_ratio: float = cited(
        0.15, "ratio", "a sag also ends where ground is sunk less than this share of its deepest",
        0, 0.6,
    )  # fmt: skip
    sag_average_m: float = cited(
        19.0, "m", "length along the drain over which sections are averaged to see the sag: it "
        "changes slowly, hummocks do not", 1, 60,
    )  # fmt: skip
    hand_depth_reach_m: float = cited(
        3.0, "m", "a hand-measured depth is matched to a drain no further away", 0.5, 20
    )
    peat_reach_m: float = cited(
        100.0, "m", "stations further than this from every probe get no peat depth", 5, 500
    )


@dataclass(frozen=True)
class MethodRules:
    """Which method closes which reach."""

    preferred: str = cited(
        "wave dam",
        "",
        "method for an ordinary drain in peat",
        choices=("wave dam", "peat dam"),
        read="common practice",
    )
    wave_depth_max_m: float = cited(
        1.2, "m", "deepest drain for a wave dam or peat dam built by machine", 0.3, 3,
        source=FEN, read="original",
    )  # fmt: skip
    wave_width_max_m: float = cited(
        3.0, "m", "widest drain (at the shoulders) for a wave dam", 0.3, 8
    )
    peat_width_max_m: float = cited(
        1.5, "m", "widest drain (at the shoulders) for a peat dam built by machine", 0.3, 5,
        source=FEN, read="original",
    )  # fmt: skip
    peat_min_m: float = cited(
        0.5, "m", "least peat depth in which a dam of peat is built", 0, 3,
        source=YPP, read="original",
    )  # fmt: skip
    peat_below_bed_min_m: float = cited(
        0.15, "m", "least peat below the bed for a dam of peat: cut into mineral it leaks", 0, 2,
        source=ARMSTRONG + " names mineral beds as a cause of failure; the figure is judgement",
    )  # fmt: skip
    zip_only_depth_m: float = cited(
        0.25, "m", "a drain shallower than this is zipped without dams", 0, 1
    )
    gradient_dam_max_ratio: float = cited(
        0.12, "m/m", "steepest bed for dams of peat; steeper ones get hard dams", 0.01, 0.5
    )
    gradient_hard_max_ratio: float = cited(
        0.25, "m/m", "steepest bed for any dam; steeper reaches are reprofiled", 0.01, 1
    )
    upslope_peat_max_m2: float = cited(
        50000.0, "m²", "largest upslope area for dams of peat; more water needs hard dams", 100, 1e8
    )
    upslope_watercourse_m2: float = cited(
        500000.0, "m²",
        "a line with more ground above it than this is taken for a natural watercourse and left",
        1000, 1e9,
    )  # fmt: skip
    timber_width_max_m: float = cited(2.5, "m", "widest channel for a timber dam", 0.5, 6)
    timber_height_max_m: float = cited(
        1.0, "m", "highest timber dam", 0.3, 2, source=YPP_GULLY, read="original"
    )
    stone_width_max_m: float = cited(
        2.0, "m", "widest channel for a stone dam", 0.5, 6, source=YPP_GULLY, read="original"
    )
    stone_height_max_m: float = cited(1.0, "m", "highest stone dam", 0.3, 2)
    piling_width_max_m: float = cited(4.0, "m", "widest channel for a piled dam", 0.5, 10)
    piling_peat_min_m: float = cited(
        1.0, "m", "least peat below the bed to hold piling (in shallow peat it cracks)", 0.3, 5,
        source="ea-cei.org.uk, Dam good (citing SNH 2014) warns of shallow peat; "
        "the figure is judgement",
    )  # fmt: skip
    reprofile_side_ratio: float = cited(
        0.65, "m/m", "sides gentler than this (33°) have nothing to reprofile", 0.1, 2,
        source="yppartnership.org.uk, peat hags: 33-45°; carboncentre.org, hagg reprofiling: "
        "at most 30-35°", read="original",
    )  # fmt: skip
    reach_min_m: float = cited(
        6.0, "m", "a reach shorter than this takes the method of its neighbour", 1, 50
    )


@dataclass(frozen=True)
class SpacingRules:
    """How far apart dams stand. Published rules disagree; each can be switched on or off."""

    target_m: float = cited(
        8.0, "m", "usual distance from crest to crest", 1, 50, read="common practice"
    )
    min_m: float = cited(3.0, "m", "least distance from crest to crest", 1, 30,
        source=IUCN_WAVE + " tells of wave dams at 3-4 m", read="original")  # fmt: skip
    max_m: float = cited(
        10.0, "m", "greatest distance from crest to crest", 2, 60, source=WN1, read="original"
    )
    head_max_m: float = cited(
        0.5, "m", "greatest head on a dam: its pool level above the water or bed below it", 0.05, 2
    )
    head_hard_max_m: float = cited(
        1.0, "m", "greatest head on a hard dam", 0.1, 3,
        source=YPP_GULLY + ": timber traps up to 1 m high", read="original",
    )  # fmt: skip
    pool_reaches_base: bool = cited(
        True, "", "a pool must reach the base of the next dam upslope",
        source=WN1, read="original",
    )  # fmt: skip
    drop_per_dam_m: float = cited(
        0.2, "m", "drop in ground per dam in the older Scottish rule, shown beside", 0.05, 1,
        source=SRDP, read="original",
    )  # fmt: skip
    drop_per_dam_governs: bool = cited(
        False, "", "whether the older Scottish drop rule limits the spacing too"
    )
    head_setback_max_m: float = cited(
        4.0, "m", "first dam no further than this from the head of the drain", 0, 30,
        source="no published figure found", read="memory",
    )  # fmt: skip
    junction_setback_m: float = cited(
        2.5, "m", "no dam closer than this to a junction", 0, 20,
        source="no published figure found", read="memory",
    )  # fmt: skip
    outfall_setback_m: float = cited(
        5.0, "m", "last dam at least this far from the outfall or watercourse", 0, 50,
        source="no published figure found", read="memory",
    )  # fmt: skip
    off_target_cost: float = cited(
        5.0, "money/m²",
        "what a spacing one metre off the usual distance is worth, growing with its square",
        0.01, 1000,
    )  # fmt: skip
    poor_outlet_cost: float = cited(
        50.0, "money", "what it is worth to stand a dam where the ground beside it falls away",
        0, 10000,
    )  # fmt: skip
    close_cost: float = cited(
        3.0, "money/m",
        "what each metre is worth by which a dam stands nearer below a junction or above an end",
        0, 1000,
    )  # fmt: skip


@dataclass(frozen=True)
class DamRules:
    """How big a dam is and how it is built."""

    bucket_m: float = cited(1.2, "m", "width of the machine's bucket", 0.3, 2.5)
    buckets_min: int = cited(3, "buckets", "narrowest wave dam", 1, 10, read="common practice")
    buckets_usual_max: int = cited(
        5, "buckets", "widest usual wave dam; wider ones are marked for a look", 1, 12,
        read="common practice",
    )  # fmt: skip
    buckets_most: int = cited(
        8, "buckets", "widest dam of peat, where its pool needs more than the usual; beyond it "
        "water may pass round its end", 1, 20,
    )  # fmt: skip
    steady_m: float = cited(
        6.0, "m",
        "length along the drain over which width, depth, sag and the fall beside it are evened out",
        0, 30,
    )  # fmt: skip
    freeboard_m: float = cited(
        0.15, "m", "crest above the outlet level", 0, 1,
        source=SRDP + " asks for 0.10 m above the drain top; the rest is for settling",
    )  # fmt: skip
    key_m: float = cited(
        0.3, "m", "key of the dam into each side and into the base", 0, 1, read="memory"
    )
    crest_thickness_m: float = cited(1.0, "m", "thickness of the dam along the drain at its crest",
        0.3, 5)  # fmt: skip
    face_slope_ratio: float = cited(
        1.0, "m/m", "horizontal run per metre of height on both faces", 0, 4
    )
    peat_length_ratio: float = cited(
        2.0, "ratio", "length of a peat dam along the drain as multiple of the drain's width", 0, 5,
        source=SRDP, read="original",
    )  # fmt: skip
    untouched_below_m: float = cited(
        1.0, "m", "ground left untouched below a dam", 0, 5, read="common practice"
    )
    hollow_length_m: float = cited(
        1.0, "m", "length of the bevelled hollow behind a dam", 0, 6, read="common practice"
    )
    hollow_bevel_ratio: float = cited(
        2.0, "m/m", "horizontal run per metre of depth of the hollow's bevelled sides", 0.5, 6
    )
    outlet_run_m: float = cited(
        6.0, "m", "ground beside the outlet that must fall away from the drain", 1, 30
    )
    outlet_fall_min_m: float = cited(
        0.05, "m", "ground beside an outlet that falls less than this is not said to fall away",
        0, 1,
    )  # fmt: skip
    spoil_gap_width_m: float = cited(
        2.4, "m", "width of the gap lowered in old spoil at an outlet", 0.5, 10
    )


@dataclass(frozen=True)
class ZipRules:
    """How a run of drain is zipped."""

    block_m: float = cited(1.2, "m", "length along the drain of one zipped block", 0.3, 3)
    length_min_m: float = cited(1.5, "m", "a run shorter than this is not zipped", 0, 6)
    second_cut_ratio: float = cited(
        0.5, "ratio", "depth of the second, outer cut as share of the first", 0.1, 1,
        read="common practice",
    )  # fmt: skip
    second_cut_reach_m: float = cited(
        1.2, "m", "distance outwards of the second cut from the drain edge", 0.3, 4
    )
    spoil_break_every_m: float = cited(
        10.0, "m", "a spoil bank along a run is broken through at least this often", 2, 50
    )


@dataclass(frozen=True)
class LimitRules:
    """Distance kept from things that must not be touched. Local rules and owners decide."""

    heritage_m: float = cited(
        20.0, "m", "heritage feature", 0, 500,
        source="Historic England 2025, sections 5.1 and 6 (quoting ALGAO 2022)", read="via",
    )  # fmt: skip
    overhead_line_m: float = cited(
        10.0, "m", "overhead line, to each side: ask its owner within this distance", 0, 200,
        source="hse.gov.uk/treework/safety-topics/power-lines.htm", read="original",
    )  # fmt: skip
    watercourse_m: float = cited(
        10.0, "m", "watercourse", 0, 200,
        source="muirburncode.org.uk, Water Features (a burning code, by analogy)",
        read="original",
    )  # fmt: skip
    water_supply_m: float = cited(
        100.0, "m", "water supply", 0, 1000,
        source="SEPA letter 2013 (studylib.net/doc/7783762)", read="via",
    )  # fmt: skip
    buried_service_m: float = cited(5.0, "m", "buried service, to each side", 0, 100)
    track_m: float = cited(4.0, "m", "track or road, from its edge or centreline", 0, 100)
    boundary_m: float = cited(2.0, "m", "site boundary", 0, 100)
    nest_m: float = cited(
        250.0, "m", "nest of a bird of prey, in its season; ask an ornithologist", 0, 2000,
        source="Forestry Commission Practice Note 101, 2011 (sea eagle)", read="original",
    )  # fmt: skip
    sett_m: float = cited(
        30.0, "m", "sett or den: heavy machines need a licence nearer than this", 0, 500,
        source="licensing practice for badger setts in Britain", read="memory",
    )  # fmt: skip
    unexploded_ordnance_m: float = cited(
        100.0, "m", "suspected unexploded ordnance: nothing is dug before the ground is swept",
        0, 2000,
    )  # fmt: skip
    forest_edge_m: float = cited(
        10.0, "m", "edge of a forest: roots, windthrow, falling trees", 0, 200
    )
    other_m: float = cited(5.0, "m", "any other no-go feature", 0, 1000)


@dataclass(frozen=True)
class BriefRules:
    """How the pack is made."""

    language: str = cited("en", "", "language of cards, papers and maps", choices=("en", "de"))
    paper: str = cited("A3", "", "paper of the map sheets", choices=("A3", "A4"))


@dataclass(frozen=True)
class Rules:
    """All sections of the rule sheet."""

    take: TakeRules = field(default_factory=TakeRules)
    find: FindRules = field(default_factory=FindRules)
    measure: MeasureRules = field(default_factory=MeasureRules)
    method: MethodRules = field(default_factory=MethodRules)
    spacing: SpacingRules = field(default_factory=SpacingRules)
    dam: DamRules = field(default_factory=DamRules)
    zip: ZipRules = field(default_factory=ZipRules)
    limits: LimitRules = field(default_factory=LimitRules)
    depth: DepthRules = field(default_factory=DepthRules)
    carbon: CarbonRules = field(default_factory=CarbonRules)
    condition: ConditionRules = field(default_factory=ConditionRules)
    stability: StabilityRules = field(default_factory=StabilityRules)
    bearing: BearingRules = field(default_factory=BearingRules)
    overhead: OverheadRules = field(default_factory=OverheadRules)
    season: SeasonRules = field(default_factory=SeasonRules)
    storm: StormRules = field(default_factory=StormRules)
    overflow: OverflowRules = field(default_factory=OverflowRules)
    spill: SpillRules = field(default_factory=SpillRules)
    water_table: TableRules = field(default_factory=TableRules)
    surface_storm: SurfaceRules = field(default_factory=SurfaceRules)
    rates: Rates = field(default_factory=Rates)
    spread: SpreadRules = field(default_factory=SpreadRules)
    programme: ProgrammeRules = field(default_factory=ProgrammeRules)
    budget: BudgetRules = field(default_factory=BudgetRules)
    brief: BriefRules = field(default_factory=BriefRules)

"""Settings of the price's spread, the programme of work, and the choice within a budget."""

from __future__ import annotations

from dataclasses import dataclass

from peatwright.model.cited import cited

BIRDS = (
    "nature.scot, peatland restoration and breeding birds (2022): activity from late March, ends "
    "July, some August; jobs in England are finished by 31 March (trade notes). A protocol, not a "
    "flat ban: ask the adviser"
)
WN1 = "GOV.UK Countryside Stewardship, WN1 grip blocking: from the top downwards"
FAR_END = "conservefor.co.uk, Fannyside Muir: start at the far end and work back"
TEAMS = "conservefor.co.uk: teams of 8 t and 13 t machines; the figure is judgement"


@dataclass(frozen=True)
class SpreadRules:
    """How the range of every rate becomes a range of the total."""

    shape: str = cited(
        "pert", "", "how a rate lies between low, likely and high", choices=("pert", "triangular")
    )
    draws: int = cited(20000, "draws", "number of prices drawn", 1000, 1000000)
    seed: int = cited(1, "", "seed of the draws: the same seed gives the same figures", 0, 2**31)
    output_correlation: float = cited(
        0.5, "ratio",
        "how far the output of one kind of work goes with that of another: same ground, operator "
        "and weather", 0, 0.99,
    )  # fmt: skip
    goods_correlation: float = cited(
        0.3, "ratio", "how far prices of timber, stone and piling go together", 0, 0.99
    )
    single_low_ratio: float = cited(
        0.7, "ratio", "low of a rate that has one figure only, as share of it", 0, 1
    )
    single_high_ratio: float = cited(
        1.5, "ratio", "high of a rate that has one figure only, as share of it", 1, 10
    )
    ground_correlation: float = cited(
        0.5, "ratio",
        "how far errors of the ground go together over the site: water and heather hide beds alike",
        0, 1,
    )  # fmt: skip
    tax_ratio: float = cited(
        0.0, "ratio", "tax put on the total: set the local rate if it cannot be reclaimed", 0, 1
    )


@dataclass(frozen=True)
class ProgrammeRules:
    """Machines, time and order of work. Local rules and the site's advisers come first."""

    start_year: int = cited(2026, "year", "year in which the work may begin", 1990, 2200)
    start_month: int = cited(9, "month", "month in which the work may begin", 1, 12)
    start_day: int = cited(1, "day", "day on which the work may begin", 1, 31)
    years_max: int = cited(5, "years", "the programme looks no further ahead", 1, 30)
    days_per_week: int = cited(5, "days", "working days of a week, from Monday", 1, 7)
    weather_loss_jan_ratio: float = cited(0.35, "ratio", "time lost to weather, January", 0, 1)
    weather_loss_feb_ratio: float = cited(0.35, "ratio", "time lost to weather, February", 0, 1)
    weather_loss_mar_ratio: float = cited(0.25, "ratio", "time lost to weather, March", 0, 1)
    weather_loss_apr_ratio: float = cited(0.15, "ratio", "time lost to weather, April", 0, 1)
    weather_loss_may_ratio: float = cited(0.10, "ratio", "time lost to weather, May", 0, 1)
    weather_loss_jun_ratio: float = cited(0.10, "ratio", "time lost to weather, June", 0, 1)
    weather_loss_jul_ratio: float = cited(0.10, "ratio", "time lost to weather, July", 0, 1)
    weather_loss_aug_ratio: float = cited(0.10, "ratio", "time lost to weather, August", 0, 1)
    weather_loss_sep_ratio: float = cited(0.15, "ratio", "time lost to weather, September", 0, 1)
    weather_loss_oct_ratio: float = cited(0.20, "ratio", "time lost to weather, October", 0, 1)
    weather_loss_nov_ratio: float = cited(0.30, "ratio", "time lost to weather, November", 0, 1)
    weather_loss_dec_ratio: float = cited(0.35, "ratio", "time lost to weather, December", 0, 1)
    closed_from_month: int = cited(
        4, "month", "first closed month, breeding birds; 0 = no closed season", 0, 12,
        source=BIRDS, read="via",
    )  # fmt: skip
    closed_from_day: int = cited(1, "day", "first closed day of it", 1, 31, source=BIRDS,
        read="via")  # fmt: skip
    closed_to_month: int = cited(8, "month", "last closed month", 1, 12, source=BIRDS, read="via")
    closed_to_day: int = cited(31, "day", "last closed day of it", 1, 31, source=BIRDS, read="via")
    second_closed_from_month: int = cited(
        0, "month", "first month of a second closed season; 0 = none", 0, 12
    )
    second_closed_from_day: int = cited(1, "day", "first closed day of it", 1, 31)
    second_closed_to_month: int = cited(1, "month", "last month of the second one", 1, 12)
    second_closed_to_day: int = cited(1, "day", "last closed day of it", 1, 31)
    finish_before_closed: bool = cited(
        True, "", "no drain is begun that cannot be finished before the closed season"
    )
    move_in_days: float = cited(1.0, "days", "working days to bring the machines in", 0, 60)
    large_machines: int = cited(1, "machines", "machines of about 14 t", 0, 50)
    large_output_ratio: float = cited(
        1.0, "ratio", "output of a large machine against the rates table", 0.05, 5
    )
    large_reach_m: float = cited(4.0, "m", "deepest dig of a large machine", 0.3, 10)
    large_track_m_per_hour: float = cited(
        1000.0, "m/h", "tracking of a large machine over dry ground without hurry", 50, 10000
    )
    small_machines: int = cited(0, "machines", "machines of about 8 t", 0, 50)
    small_output_ratio: float = cited(
        0.6, "ratio", "output of a small machine against the rates table", 0.05, 5,
        source=TEAMS,
    )  # fmt: skip
    small_reach_m: float = cited(1.2, "m", "deepest dig of a small machine", 0.3, 10)
    small_track_m_per_hour: float = cited(1200.0, "m/h", "tracking of a small machine", 50, 10000)
    direction: str = cited(
        "downstream", "", "way along a drain; either = whichever tracks less",
        choices=("downstream", "upstream", "either"), source=WN1, read="original",
    )  # fmt: skip
    upslope_first: bool = cited(
        True, "", "a drain is closed before the one it flows into", source=WN1, read="original"
    )
    far_first_ratio: float = cited(
        0.02, "ratio", "weight of working back from the far end, against tracking", 0, 1,
        source=FAR_END + " (the order; the figure is judgement)",
    )  # fmt: skip
    crossing_m: float = cited(
        1000.0, "m", "tracking that is accepted to avoid crossing a finished drain once", 0, 1e5
    )
    wet_going: float = cited(
        2.0, "times dry", "going this many times dearer than dry ground is called wet", 1, 100
    )
    careful_going: float = cited(
        1.5, "times dry", "cost of tracking where the going map says careful", 1, 100
    )
    mats_going: float = cited(
        4.0, "times dry",
        "cost of tracking where the going map says mats: they are laid and lifted", 1, 100,
    )  # fmt: skip
    unknown_going: float = cited(
        2.0, "times dry", "cost of tracking where the going is not known", 1, 100
    )
    service_going: float = cited(
        20.0, "times dry",
        "cost of tracking over a buried service or under a line, at a place agreed with its owner",
        1, 1000,
    )  # fmt: skip
    access_x_m: float = cited(
        0.0, "m", "easting where machines come onto the site; 0 with access_y_m = not given", -1e8,
        1e8,
    )  # fmt: skip
    access_y_m: float = cited(0.0, "m", "northing where machines come onto the site", -1e8, 1e8)
    route_cell_m: float = cited(4.0, "m", "cell of the ground on which ways are sought", 1, 50)
    route_work: int = cited(
        8000000, "cells", "cells times places; coarser cells are taken beyond it", 100000, 10**9
    )
    reach_m: float = cited(
        20.0, "m", "furthest that a drain's end may lie from ground where a machine may stand",
        1, 200,
    )  # fmt: skip
    kicks: int = cited(30, "", "fresh starts of the search for a good order", 0, 100000)
    seed: int = cited(1, "", "seed of the search: the same seed gives the same order", 1, 2**31)


@dataclass(frozen=True)
class BudgetRules:
    """What the officer holds worth having, and how the choice is made."""

    weight_area: float = cited(1.0, "weight", "area rewetted, as share of the site's", 0, 1000)
    weight_carbon: float = cited(1.0, "weight", "carbon kept, as share of the site's", 0, 1000)
    weight_flow: float = cited(1.0, "weight", "flow held back, as share of the site's", 0, 1000)
    upslope_first: bool = cited(
        True, "", "a drain is taken only with all drains that flow into it", source=WN1,
        read="original",
    )  # fmt: skip
    whole_blocks: bool = cited(True, "", "a block is closed as a whole or not at all")
    money: float = cited(
        0.0, "money", "money of each phase, all included; 0 = no limit and one phase", 0, 1e9
    )
    phases: int = cited(1, "phases", "number of phases (years) with that money", 1, 30)
    curve_points: int = cited(12, "points", "budgets on the curve of benefit against cost", 2, 100)
    nodes_max: int = cited(
        200000, "nodes", "the solver stops after so many branches and says how far it was", 1, 10**9
    )

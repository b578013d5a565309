"""Settings of spill paths: how works are cut into the terrain and what is told of the water."""

from __future__ import annotations

from dataclasses import dataclass

from peatwright.model.cited import cited

LIDAR = "airborne levels agree from point to point to some centimetres; the figure is judgement"
HOLDEN_2017 = (
    "Holden et al. 2017 found that catchments of drains taken from fine terrain models were not "
    "always the true ones; the figure is judgement"
)


@dataclass(frozen=True)
class SpillRules:
    """How works are cut into the terrain, and what is said of where the water then goes."""

    outlet_width_m: float = cited(
        2.4, "m", "width of an outlet where no gap in spoil says it", 0.3, 10
    )
    outlet_beyond_m: float = cited(
        2.0, "m", "an outlet is dressed down to its sill so far beyond the edge of the sag", 0, 10
    )
    notch_ratio: float = cited(
        0.5, "ratio", "width of a hard dam's notch as share of the dam's own width", 0.1, 1
    )
    reprofile_side_ratio: float = cited(
        0.65, "m/m", "sides of a reprofiled channel", 0.1, 2,
        source="carboncentre.org, hagg reprofiling: at most 30-35°", read="original",
    )  # fmt: skip
    channel_m2: float = cited(
        20000.0, "m²",
        "a line outside drains that already carries the water of so much ground is a channel",
        500, 1e7,
    )  # fmt: skip
    carries_m2: float = cited(
        500.0, "m²", "a drain with the water of less ground is not said to carry flow", 1, 1e6
    )
    wetted_m2: float = cited(
        25.0, "m²",
        "a cell that gets the spilled water of so much ground is said to receive it", 0.1, 1e5,
    )  # fmt: skip
    design_period_years: float = cited(
        30.0, "years", "return period of the storm that dams and outlets are checked against",
        2, 1000,
    )  # fmt: skip
    ground_below_outlet: str = cited(
        "thin vegetation", "", "ground that spilled water runs over where no map says it",
        choices=("bare peat", "thin vegetation", "turf", "dense vegetation"),
    )  # fmt: skip
    face_run_m: float = cited(
        5.0, "m", "the fall below a spill is taken over so much of the path", 0.5, 50
    )
    face_slope_min_ratio: float = cited(
        0.005, "m/m", "least fall below a spill that is reckoned with", 1e-4, 0.2
    )
    terrain_error_m: float = cited(
        0.05, "m", "standard error of the terrain from place to place", 0, 1, source=LIDAR
    )
    terrain_error_reach_m: float = cited(
        5.0, "m", "distance over which errors of the terrain are alike", 0.5, 100
    )
    moved_runs: int = cited(
        6, "runs", "how often the terrain is moved within its error; 0 takes the set share", 0, 200
    )
    moved_seed: int = cited(1, "", "seed of the moved terrains", 0, 1000000)
    area_error_ratio: float = cited(
        0.5, "ratio", "how far a catchment may be wrong where the terrain was not moved", 0, 1,
        source=HOLDEN_2017,
    )  # fmt: skip
    pool_over_sill_m: float = cited(
        0.05, "m", "a pool that stands higher than this over its sill has a blocked outlet", 0, 1
    )
    back_soon_m: float = cited(
        3.0, "m", "spilled water that is back in its drain sooner than this has hardly left", 0, 50
    )
    arrives_m2: float = cited(
        1000.0, "m²",
        "more water than that of so much ground arriving at a thing is a finding", 1, 1e6,
    )  # fmt: skip
    arrives_ratio: float = cited(
        0.1, "ratio", "and it must be more than this share of what arrived before", 0, 10
    )
    arrives_block_m: float = cited(
        20.0, "m", "arrivals are added up over squares of this size", 2, 200
    )
    outfall_change_ratio: float = cited(
        0.2, "ratio", "an outfall that gains more than this share of its ground is a finding",
        0.01, 10,
    )  # fmt: skip

"""Settings of the search for drains; most are 0, which means that the terrain decides."""

from __future__ import annotations

from dataclasses import dataclass

from peatwright.model.cited import cited


@dataclass(frozen=True)
class FindRules:
    """How drains are looked for in the terrain model."""

    noise_m: float = cited(
        0.0, "m", "noise of the terrain as trench depth; 0 = measured on every 16 m of ground", 0, 1
    )
    narrow_m: float = cited(
        0.0, "m", "scale of the narrowest line filter; 0 = 0.75 m, or 0.8 cells if that is more",
        0, 3,
    )  # fmt: skip
    wide_m: float = cited(
        0.0, "m", "scale of the widest line filter; 0 = 1.4 m, or 1.5 cells if that is more", 0, 6
    )
    line_half_m: float = cited(
        5.0, "m", "half length of the line over which the filter adds up", 2, 15
    )
    weak_ratio: float = cited(
        0.0, "ratio", "lines under this many times the noise are not followed; 0 = 1.15", 0, 5
    )
    strong_ratio: float = cited(
        0.0, "ratio", "a line needs a stretch over this many times the noise; 0 = 1.5", 0, 8
    )
    strong_length_m: float = cited(3.0, "m", "length of that stretch", 1, 20)
    shallow_m: float = cited(0.04, "m", "troughs shallower than this are not lines", 0, 0.5)
    gap_m: float = cited(12.0, "m", "longest crossing or overgrown gap that is bridged", 0, 20)
    spur_m: float = cited(4.0, "m", "side branches shorter than this are dropped", 0, 20)
    loop_m: float = cited(12.0, "m", "rings shorter than this are opened", 0, 60)
    shortest_m: float = cited(8.0, "m", "lines shorter than this and tied to nothing go", 2, 50)
    show_ratio: float = cited(0.35, "ratio", "lines of less confidence are not shown", 0, 1)
    doubtful_m: float = cited(
        15.0, "m", "lines of less than half confidence are shown from this length on", 2, 100
    )
    gully_width_m: float = cited(
        5.0, "m", "a channel wider than this at three quarters of its depth is too wide to dam",
        2, 15, read="common practice",
    )  # fmt: skip
    gully_depth_m: float = cited(0.5, "m", "a gully is at least this deep", 0.2, 3)
    furrow_gap_m: float = cited(
        6.0, "m", "parallel lines closer than this, over an area, are furrows", 1.5, 8
    )
    furrow_area_m2: float = cited(900.0, "m2", "smallest ground called furrow ground", 200, 10000)
    coarsest_cell_m: float = cited(
        2.0, "m", "coarser terrain cannot show drains and is refused", 0.5, 3
    )
    finest_cell_m: float = cited(
        0.4, "m", "finer terrain is averaged to about 0.5 m before the search", 0.1, 1
    )

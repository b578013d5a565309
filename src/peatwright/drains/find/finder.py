"""The search on one raster: points by tile, one network, judged lines."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from peatwright.drains.find.found import FoundDrains, to_layers
from peatwright.drains.find.furrows import furrow_ground
from peatwright.drains.find.judge import shipped
from peatwright.drains.find.lines import FIRST_LEAST, sift, whole_lines
from peatwright.drains.find.local import COL, Points, Setting, look
from peatwright.drains.find.network import Segments, gather, network, pick, strong_sets
from peatwright.model.errors import Fault, GivenError
from peatwright.model.find_rules import FindRules
from peatwright.model.raster import Grid, Raster

NOISY_M = 0.25  # twice the noise of ordinary airborne levels over rough ground
COARSE_M = 1.0


def setting_for(dx_m: float, dy_m: float, rules: FindRules) -> Setting:
    """Filter sizes for a cell size: what the rules leave at 0 comes from the cells."""
    cell = max(dx_m, dy_m)
    narrow = rules.narrow_m or max(0.75, 0.8 * cell)
    wide = max(rules.wide_m or max(1.4, 1.5 * cell), narrow)
    block = max(int(4.0 / math.sqrt(dx_m * dy_m) + 0.5), 2)
    small = min(dx_m, dy_m)
    reach = (
        4 * block  # background
        + 9 * block  # noise: one block each side of the one a cell lies in
        + (4 * wide + rules.line_half_m + 1.5 * rules.gap_m + 6) / small
    )
    nb = 4 * block
    return Setting(
        dx_m=dx_m,
        dy_m=dy_m,
        sigmas_m=(narrow, wide) if wide > narrow else (narrow,),
        block=block,
        half_m=rules.line_half_m,
        soft_m=0.3,
        crest_noise=1.1,
        keep_noise=rules.weak_ratio or 1.15,
        floor_m=0.02,
        trough_m=0.75 * rules.shallow_m,
        worth=0.34,
        gap_m=rules.gap_m,
        halo=-(-int(reach) // nb) * nb,
    )


def point_weight(p: Points, rules: FindRules) -> NDArray[np.float32]:
    """Strength over noise of points that show a trough; 0 for links and for flat places."""
    ratio = p.value[:, COL["strength"]] / p.value[:, COL["noise"]]
    seen = (p.value[:, COL["depth_m"]] > rules.shallow_m) & (p.value[:, COL["link"]] == 0)
    return np.where(seen, ratio, np.float32(0.0))


def strong_need(dx_m: float, dy_m: float, rules: FindRules) -> int:
    """Points that make the strong stretch which a line needs."""
    return max(int(rules.strong_length_m / min(dx_m, dy_m)), 2)


def raw_network(points: list[Points], dx_m: float, dy_m: float, rules: FindRules) -> Segments:
    """Join points of all tiles and keep the sets with a strong stretch (hysteresis)."""
    p = gather(points)
    need = strong_need(dx_m, dy_m, rules)
    p = strong_sets(p, point_weight(p, rules), rules.strong_ratio or 1.5, need)
    return network(p, dx_m, dy_m, rules.spur_m, rules.loop_m, rules.shortest_m)


def look_at(raster: Raster, rules: FindRules) -> Segments:
    """Raw network of one raster, in one window (for training and tests)."""
    g = raster.grid
    s = setting_for(g.dx_m, g.dy_m, rules)
    p, _, _ = look(raster.values, 0, 0, (0, g.rows, 0, g.cols), s)
    return raw_network([p], g.dx_m, g.dy_m, rules)


class Part(Protocol):
    """What a tile must give."""

    @property
    def points(self) -> Points: ...
    @property
    def noise_m(self) -> NDArray[np.float32]: ...
    @property
    def cells(self) -> int: ...


def assemble(parts: Sequence[Part], grid: Grid, rules: FindRules) -> FoundDrains:
    """Make the result of all tiles' points."""
    cells = sum(t.cells for t in parts)
    if cells == 0:
        raise GivenError(
            Fault(
                "terrain", "", "no level in any cell", "a terrain model with levels",
                "Check the no-data value and the extent of the file.",
            )
        )  # fmt: skip
    dx, dy = grid.dx_m, grid.dy_m
    blocks = np.concatenate([t.noise_m for t in parts])
    noise = float(np.median(blocks)) if blocks.size else 0.0
    raw = raw_network([t.points for t in parts], dx, dy, rules)
    areas, furrow = furrow_ground(raw, dx, dy, rules)
    if furrow.any():
        raw = network(
            pick(raw.points, ~furrow), dx, dy, rules.spur_m, rules.loop_m, rules.shortest_m
        )
    judges = shipped()
    clean = sift(raw, judges["first"], dx, dy, rules, FIRST_LEAST)
    lines = whole_lines(clean, judges["second"], dx, dy, rules)
    area_ha = cells * dx * dy / 1e4
    return to_layers(lines, areas, grid, noise, area_ha, notes(noise, cells, grid))


def notes(noise_m: float, cells: int, grid: Grid) -> list[Fault]:
    """What a person should know about the terrain before trusting the lines."""
    out = []
    if noise_m > NOISY_M:
        out.append(
            Fault(
                "terrain", "", f"noise that drowns a trench of {noise_m:.2f} m",
                f"at most about {NOISY_M:g} m", "Shallow drains cannot be seen here. Check that "
                "levels are metres (not feet) and bare ground (not tree tops).", "look",
            )
        )  # fmt: skip
    if max(grid.dx_m, grid.dy_m) > COARSE_M:
        out.append(
            Fault(
                "terrain", "", f"cells of {max(grid.dx_m, grid.dy_m):g} m",
                f"cells of {COARSE_M:g} m or finer",
                "Drains narrower than a cell are found in part only: check by eye.", "look",
            )
        )  # fmt: skip
    empty = 1 - cells / (grid.rows * grid.cols)
    if empty > 0.2:
        out.append(
            Fault(
                "terrain", "", f"{100 * empty:.0f} % of cells without a level", "few holes",
                "Nothing is found where there is no level.", "look",
            )
        )  # fmt: skip
    return out

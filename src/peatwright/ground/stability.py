"""Screening of slope stability on the grid, at items and along drains.

It screens only: see `factors.SCREENING`, which is shown wherever its results are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from peatwright.ground import _kernels, factors
from peatwright.ground.factors import CASES, SCREENING
from peatwright.ground.findings import Found, Where, source_words
from peatwright.ground.slopes import Slopes, slopes
from peatwright.model.cited import Cited, citations
from peatwright.model.ground_rules import StabilityRules
from peatwright.model.progress import Progress, silent
from peatwright.model.raster import Grid, Raster
from peatwright.terrain._strips import run_strips, threads_for
from peatwright.terrain.sampling import sample

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]

CONVEX, THICK_WET, THICK = 1, 2, 4
"""Bits of the marks."""
SMALLEST_M2 = Cited(
    100.0, "m²", "patches of low factor smaller than this are not named one by one", 0, 10000
)
MOST_NAMED = Cited(200, "", "most patches that are named; the largest come first", 1, 10000)
BAND_ROWS = 512
"""Rows that are screened at a time where only a summary is kept."""
ALONG_M = Cited(5.0, "m", "distance between places looked at along a drain", 0.5, 50)
METHOD = (
    "infinite slope, Skempton & DeLory 1957, as the Scottish landslide guide for peat names it "
    "(via; equations memory)"
)
TO_DO = {
    "stop": "Keep machines and water off until a competent engineer has looked. " + SCREENING,
    "look": "Walk it, look for cracks, bulges and pipes, and ask a competent engineer. "
    + SCREENING,
}


@dataclass(frozen=True, eq=False)
class Screening:
    """Factor (8, rows, cols) by `CASES`, share of draws under the set factor (%), and marks.

    `share_percent` is at least 1 if any draw fails, 255 for no data; `marks` adds the bits
    CONVEX, THICK_WET and THICK, 255 for no data.
    """

    factor: F32
    share_percent: U8
    marks: U8
    slopes: Slopes

    def case(self, name: str) -> F32:
        """Return the factor of one of `CASES`."""
        part: F32 = self.factor[CASES.index(name)]
        return part


def screen(
    depth: Raster,
    error: Raster,
    levels: Raster,
    rules: StabilityRules,
    *,
    upslope_area_m2: Raster | None = None,
    ground: Slopes | None = None,
    threads: int | None = None,
    progress: Progress = silent,
) -> Screening:
    """Screen every cell with the machine and the pond of the rules.

    Args:
        depth: peat depth, m.
        error: its standard error, m; NaN counts as none.
        levels: ground on the same grid.
        rules: strengths, loads and limits.
        upslope_area_m2: ground that drains to each cell, m²; without it no cell is called wet.
        ground: slopes made before from the same levels.
        threads: one per core by default.
        progress: told how far it is.

    """
    progress(0.0, "measuring slopes")
    held = ground if ground is not None else slopes(levels, rules.slope_over_m, threads=threads)
    progress(0.2, "screening slope stability")
    shape = depth.values.shape
    factor, share = np.empty((8, *shape), np.float32), np.empty((8, *shape), np.uint8)
    run_strips(
        shape[0], threads_for(depth.values.size, threads),
        _screener(depth, error, held, rules, 0, factor, share),
    )  # fmt: skip
    progress(0.9, "marking convex breaks and thick wet peat")
    marks = mark(depth, held, rules, upslope_area_m2=upslope_area_m2, threads=threads)
    progress(1.0, "slope stability screened")
    return Screening(factor, share, marks, held)


@dataclass(frozen=True, eq=False)
class Summed:
    """What a survey keeps of a screening: no case by itself, so that memory is a few rasters.

    `lowest` is the lowest factor of all cases, `standing` that of the cases that stop the work,
    `share_percent` the greatest share of draws under the set factor (255 for no data), and
    `picked` (8, blocks) the factors of one cell a block of the slopes.
    """

    lowest: F32
    standing: F32
    share_percent: U8
    picked: F32
    slopes: Slopes


def screen_summed(
    depth: Raster,
    error: Raster,
    rules: StabilityRules,
    ground: Slopes,
    *,
    threads: int | None = None,
    progress: Progress = silent,
) -> Summed:
    """Screen every cell as `screen` does, band by band, and keep what `Summed` holds."""
    grid = depth.grid
    shape = depth.values.shape
    lowest, standing = np.empty(shape, np.float32), np.empty(shape, np.float32)
    share = np.empty(shape, np.uint8)
    rows, cols = _block_cells(ground, grid)
    picked = np.empty((8, rows.size, cols.size), np.float32)
    stopping = stopping_cases(rules)
    workers = threads_for(depth.values.size, threads)
    for top in range(0, grid.rows, BAND_ROWS):
        past = min(top + BAND_ROWS, grid.rows)
        factor = np.empty((8, past - top, grid.cols), np.float32)
        draws = np.empty(factor.shape, np.uint8)
        run_strips(past - top, workers, _screener(depth, error, ground, rules, top, factor, draws))
        lowest[top:past] = factor.min(axis=0)
        standing[top:past] = np.minimum.reduce([factor[k] for k in stopping])
        share[top:past] = draws.max(axis=0)
        here = (rows >= top) & (rows < past)
        picked[:, here] = factor[:, (rows[here] - top)[:, None], cols[None, :]]
        progress(past / grid.rows, "screening slope stability")
    return Summed(lowest, standing, share, picked, ground)


def _screener(
    depth: Raster, error: Raster, ground: Slopes, rules: StabilityRules, top: int, factor: F32,
    share: U8,
) -> Callable[[int, int], int]:  # fmt: skip
    """Return what screens rows a to b of a band that begins at row `top`, into its own arrays."""
    drawn = factors.draw(rules)
    return lambda a, b: _kernels.screen_rows(
        depth.values, error.values, ground.slope_ratio, ground.by, ground.bx, drawn.likely,
        drawn.values, drawn.ends, rules.factor_look, rules.machine_kpa, rules.pond_m,
        float(factors.WATER_KN_M3.value), rules.thinnest_m, float(factors.CAP.value),
        top + a, top + b, top, factor, share,
    )  # fmt: skip


def _block_cells(held: Slopes, grid: Grid) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the rows and columns of one cell a block of the slopes."""
    rows = np.arange(held.slope_ratio.shape[0]) * held.by + held.by // 2
    cols = np.arange(held.slope_ratio.shape[1]) * held.bx + held.bx // 2
    return np.minimum(rows, grid.rows - 1), np.minimum(cols, grid.cols - 1)


def mark(
    depth: Raster,
    ground: Slopes,
    rules: StabilityRules,
    *,
    upslope_area_m2: Raster | None = None,
    threads: int | None = None,
) -> U8:
    """Return the marks of each cell: bits CONVEX, THICK_WET and THICK, 255 for no data.

    Without the upslope area no cell is called wet.
    """
    marks = np.empty(depth.values.shape, np.uint8)
    area = upslope_area_m2.values if upslope_area_m2 is not None else np.empty((1, 1), np.float32)
    run_strips(
        depth.grid.rows, threads_for(depth.values.size, threads),
        lambda a, b: _kernels.mark_rows(
            depth.values, ground.slope_ratio, ground.convex_deg, area, upslope_area_m2 is not None,
            ground.by, ground.bx, float(np.sqrt(depth.grid.cell_area_m2)), rules.convex_deg,
            rules.thinnest_m, rules.thick_m, rules.wet_index, a, b, marks,
        ),
    )  # fmt: skip
    return marks


def stopping_cases(rules: StabilityRules) -> list[int]:
    """Return the cases whose factor under `factor_stop` stops the work."""
    return [k for k, name in enumerate(CASES) if rules.machine_stops or "machine" not in name]


def stopping_words(rules: StabilityRules) -> str:
    """Say which cases stop the work."""
    return "with the machine's load" if rules.machine_stops else "without any machine"


def _severity(stopping: float, lowest: float, share_ratio: float, rules: StabilityRules) -> str:
    """Severity by the lowest factor of the stopping cases, of all cases, and the share."""
    if stopping < rules.factor_stop:
        return "stop"
    if lowest < rules.factor_look or share_ratio > rules.share_look_ratio:
        return "look"
    return ""


def _rule(severity: str, factor: float, rules: StabilityRules) -> tuple[str, str]:
    """Rule and source behind a severity."""
    key = (
        "factor_stop" if severity == "stop"
        else "factor_look" if factor < rules.factor_look else "share_look_ratio"
    )  # fmt: skip
    cite = citations(StabilityRules)[key]
    return (
        f"stability.{key} = {getattr(rules, key):g}", f"{source_words(cite)}; method: {METHOD}"
    )  # fmt: skip


def item_findings(
    items: pd.DataFrame,
    depth: Raster,
    error: Raster,
    ground: Slopes,
    rules: StabilityRules,
    *,
    machine_kpa: float | None = None,
) -> list[Found]:
    """Check items where they stand now, so that a moved item is checked at its new place.

    The pond is the one of the rules, or the crest above the ground where that is more.

    Args:
        items: rows of `ITEMS`, or some of them.
        depth: peat depth, m.
        error: its standard error, m.
        ground: slopes.
        rules: stability rules.
        machine_kpa: pressure of the machine; the rules' by default.

    """
    if not len(items):
        return []
    x, y = items["x_m"].to_numpy(np.float64), items["y_m"].to_numpy(np.float64)
    z, e, b = sample(depth, x, y), sample(error, x, y), ground.slope_at(x, y)
    crest = np.nan_to_num(items["crest_above_ground_m"].to_numpy(np.float64))
    pond = np.maximum(rules.pond_m, crest)
    q = rules.machine_kpa if machine_kpa is None else machine_kpa
    got = factors.factors_at(z, e, b, rules, machine_kpa=q, pond_m=pond)
    convex = ground.convex_at(x, y)
    found: list[Found] = []
    for k, (item, drain) in enumerate(zip(items["item_id"], items["drain_id"], strict=True)):
        at = Where(f"item {item} on drain {drain}", str(drain), str(item), float(x[k]), float(y[k]))
        if not np.isfinite(got.factor[0, k]):
            found.append(
                Found(
                    "look", "stability", at, what="peat depth or slope is not known here",
                    rule="stability needs peat depth and ground", source="judgement",
                    to_do="Probe the peat and look at the slope before a machine goes there.",
                )
            )  # fmt: skip
            continue
        found += _item_found(at, got, k, (z[k], e[k], b[k], q, pond[k], convex[k]), rules)
    return found


def _item_found(
    at: Where,
    got: factors.PointFactors,
    k: int,
    here: tuple[float, float, float, float, float, float],
    rules: StabilityRules,
) -> Iterator[Found]:
    z, e, b, q, pond, convex = (float(v) for v in here)
    slope = float(np.degrees(np.arctan(b)))
    worst = int(np.argmin(got.factor[:, k]))
    factor, share = float(got.factor[worst, k]), float(got.share_ratio[:, k].max())
    stopping = stopping_cases(rules)
    lasting = stopping[int(np.argmin(got.factor[stopping, k]))]
    severity = _severity(float(got.factor[lasting, k]), factor, share, rules)
    peat = f"peat {z:.1f} m" + (f" (± {e:.1f})" if np.isfinite(e) else "")
    if severity:
        rule, source = _rule(severity, factor, rules)
        bare = min(float(got.factor[c, k]) for c in (0, 4))
        rest = (
            "" if lasting == worst else f"{got.factor[lasting, k]:.2f} ({CASES[lasting]}), "
        )  # fmt: skip
        yield Found(
            severity=severity, topic="stability", where=at,
            what=f"{peat} on a slope of {slope:.1f}°: factor of safety {factor:.2f} "
            f"({CASES[worst]}; machine {q:.0f} kPa, pond {pond:.1f} m), {rest}"
            f"{bare:.2f} as it is now; {100 * share:.0f} % of draws under {rules.factor_look:g}",
            rule=rule, source=source, to_do=TO_DO[severity], key="factor", badness=-factor,
        )  # fmt: skip
    if slope > rules.steep_deg:
        yield Found(
            severity="look", topic="stability", where=at, what=f"slope {slope:.1f}°",
            rule=f"stability.steep_deg = {rules.steep_deg:g}: steeper ground is avoided",
            source=source_words(citations(StabilityRules)["steep_deg"]), to_do=TO_DO["look"],
            key="steep", badness=slope,
        )  # fmt: skip
    if z >= rules.thinnest_m and convex >= rules.convex_deg:
        yield Found(
            severity="look", topic="stability", where=at,
            what=f"convex break: the slope steepens downhill by {convex:.0f}° within "
            f"{rules.slope_over_m:g} m, {peat}",
            rule=f"stability.convex_deg = {rules.convex_deg:g}",
            source=source_words(citations(StabilityRules)["convex_deg"]), to_do=TO_DO["look"],
            key="convex", badness=convex,
        )  # fmt: skip


def area_findings(screening: Screening, depth: Raster, rules: StabilityRules) -> list[Found]:
    """Name patches of ground whose lowest factor is under the limits; see `area_patches`."""
    rows, cols = _block_cells(screening.slopes, depth.grid)
    picked = screening.factor[:, rows[:, None], cols[None, :]]
    patches = area_patches(picked, screening.slopes, depth, rules)
    return [patch.found for patch in patches]


@dataclass(frozen=True)
class Patch:
    """A patch of ground with a low factor; `shape` is None for all the small ones together."""

    found: Found
    area_m2: float
    shape: shapely.Geometry | None


def area_patches(picked: F32, held: Slopes, depth: Raster, rules: StabilityRules) -> list[Patch]:
    """Name patches of ground whose lowest factor is under the limits, as for items.

    `picked` (8, blocks) holds the factors of one cell a block of the slopes `held`. Each patch
    gives one finding, at its worst place.
    """
    grid = depth.grid
    rows, cols = _block_cells(held, grid)
    picked = np.where(np.isnan(picked), np.inf, picked)
    lowest, lasting = picked.min(axis=0), picked[stopping_cases(rules)].min(axis=0)
    stops = lasting < rules.factor_stop
    block_m2 = held.by * held.bx * grid.cell_area_m2
    patches: list[Patch] = []
    looks = (lowest < rules.factor_look) & ~stops
    for severity, under, which, by in (
        ("stop", rules.factor_stop, stops, lasting), ("look", rules.factor_look, looks, lowest)
    ):  # fmt: skip
        label, count = ndimage.label(which, np.ones((3, 3)))
        sizes = np.bincount(label.reshape(-1), minlength=count + 1)[1:] * block_m2
        big = np.nonzero(sizes >= float(SMALLEST_M2.value))[0]
        named = big[np.argsort(-sizes[big], kind="stable")][: int(MOST_NAMED.value)]
        rule, source = _rule(severity, under - 1e-9, rules)
        windows = ndimage.find_objects(label)
        places = ndimage.minimum_position(by, label, named + 1) if len(named) else []
        for n, (i, j) in zip(named, places, strict=True):
            case = int(np.argmin(picked[:, i, j]))
            x, y = grid.to_metres(np.float64(rows[i]), np.float64(cols[j]))  # type: ignore[arg-type]
            z = float(depth.values[rows[i], cols[j]])
            slope = float(np.degrees(np.arctan(held.slope_ratio[i, j])))
            found = Found(
                severity, "stability",
                Where(f"ground around x {x:.0f}, y {y:.0f}", x_m=float(x), y_m=float(y)),
                f"{sizes[n]:.0f} m² with a factor of safety under {under:g}; lowest "
                f"{lowest[i, j]:.2f} ({CASES[case]}) in {z:.1f} m of peat on {slope:.1f}°, "
                f"{min(picked[0, i, j], picked[4, i, j]):.2f} as it is now",
                rule, source, TO_DO[severity], key="patch factor",
            )  # fmt: skip
            window = windows[n]
            shape = _outline(label[window] == n + 1, window, grid, held.by, held.bx)
            patches.append(Patch(found, float(sizes[n]), shape))
        if len(big) > len(named):
            found = Found(
                severity, "stability", Where(),
                f"{len(big) - len(named)} more patches with a factor under {under:g}, "
                f"{sizes[big].sum() - sizes[named].sum():.0f} m² together",
                rule, source, TO_DO[severity], key="more patches",
            )  # fmt: skip
            patches.append(Patch(found, float(sizes[big].sum() - sizes[named].sum()), None))
    return patches


def _outline(
    inside: NDArray[np.bool_], window: tuple[slice, slice], grid: Grid, by: int, bx: int
) -> shapely.Geometry:
    """Outline of the blocks of a patch in a window; blocks that meet at a corner are joined."""
    from rasterio.features import shapes  # noqa: PLC0415 - loads slowly
    from rasterio.transform import Affine  # noqa: PLC0415

    wide, high = bx * grid.dx_m, by * grid.dy_m
    step = Affine(
        wide, 0.0, grid.x_left_m + window[1].start * wide,
        0.0, -high, grid.y_top_m - window[0].start * high,
    )  # fmt: skip
    drawn = [
        shapely.Polygon(held["coordinates"][0], held["coordinates"][1:])
        for held, _ in shapes(inside.astype(np.uint8), mask=inside, connectivity=4, transform=step)
    ]
    return shapely.buffer(shapely.union_all(drawn), 0.1 * min(wide, high), quad_segs=1)


def drains_across_slope(
    drains: gpd.GeoDataFrame, ground: Slopes, depth: Raster, rules: StabilityRules
) -> list[Found]:
    """Mark drains that cut across the slope in peat: they part the peat above from that below.

    Args:
        drains: table with `drain_id` and LineStrings.
        ground: slopes.
        depth: peat depth, m.
        rules: stability rules.

    """
    step = float(ALONG_M.value)
    found: list[Found] = []
    cite = citations(StabilityRules)["across_slope_deg"]
    for drain, line in zip(drains["drain_id"], drains.geometry, strict=True):
        at = np.arange(0.5 * step, max(line.length, 0.6 * step), step)
        here = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
        ahead = shapely.get_coordinates(shapely.line_interpolate_point(line, at + 0.5 * step))
        back = shapely.get_coordinates(shapely.line_interpolate_point(line, at - 0.5 * step))
        way = ahead - back
        length = np.hypot(way[:, 0], way[:, 1])
        east, north = ground.rise_at(here[:, 0], here[:, 1])
        slope = np.hypot(east, north)
        z = sample(depth, here[:, 0], here[:, 1])
        with np.errstate(divide="ignore", invalid="ignore"):
            along = np.abs(way[:, 0] * east + way[:, 1] * north) / (length * slope)
        steep = slope >= np.tan(np.radians(rules.across_slope_deg))
        across = (
            steep & (along <= np.cos(np.radians(rules.across_angle_deg)))
            & (z >= rules.thinnest_m)
        )  # fmt: skip
        if not across.any():
            continue
        worst = int(np.argmax(np.where(across, slope, -1.0)))
        angle = float(np.degrees(np.arctan(slope[worst])))
        found.append(
            Found(
                "look", "stability",
                Where(
                    f"drain {drain} at {at[worst]:.0f} m", str(drain),
                    x_m=float(here[worst, 0]), y_m=float(here[worst, 1]),
                ),
                f"about {across.sum() * step:.0f} m of drain across a slope of up to "
                f"{angle:.0f}° in {z[worst]:.1f} m of peat",
                f"stability.across_slope_deg = {rules.across_slope_deg:g}", source_words(cite),
                "Look for cracks and bulges above and below the drain before it is filled. "
                + SCREENING,
                key="across",
            )
        )  # fmt: skip
    return found

"""Time and memory of all ground layers on 25 million cells: `python -m benchmarks ground_speed`.

Invented bog of 5000 × 5000 cells of 0.5 m with 900 probes, 400 drains and 2000 items, each run in
a process of its own after every loop has run once on small ground. The stability screening is
timed beside the same formulas in plain numpy on a band of the same ground, so the ratio is from
one run; plain numpy on all cells would take minutes.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

CELL_M = 0.5
BAND_ROWS = 100


def _memory_gb(key: str) -> float:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(key):
            return float(line.split()[1]) / 1024.0**2
    return float("nan")


def _all_layers(side: int, told: Callable[[str, float], None]) -> dict[str, Any]:
    """Make every ground layer of a square site of `side` cells."""
    import geopandas as gpd
    import shapely
    import shapely.affinity

    from peatwright.ground import (
        bearing,
        condition,
        depth,
        factors,
        findings,
        limits,
        probes,
        slopes,
        stability,
        stock,
    )
    from peatwright.ground.more_probes import probes_wanted
    from peatwright.model import ground_rules as r
    from peatwright.model.ground_layers import CONDITIONS
    from peatwright.model.raster import Grid, Raster

    rng = np.random.default_rng(5)
    size = side * CELL_M
    crs = "EPSG:27700"
    grid = Grid(0.0, size, CELL_M, CELL_M, side, side, crs)
    across = np.arange(side, dtype=np.float32) * np.float32(CELL_M)
    z = 300 + 0.05 * across[:, None] + 9 * np.sin(across / 90)[None, :]
    z = (z + np.float32(0.02) * rng.standard_normal((side, side), np.float32)).astype(np.float32)
    z[:, ::120] -= 0.6
    levels = Raster(z, grid)
    upslope = Raster(np.exp(3 + 2 * rng.standard_normal((side, side), np.float32)), grid)
    px, py = rng.uniform(0, size, (2, 900))
    pz = np.maximum(2 + np.sin(px / 200) * np.cos(py / 300) + rng.normal(0, 0.2, 900), 0)
    count = max(10, round(400 * (side / 5000) ** 2))
    start = rng.uniform(0, size, (count, 2))
    drains = gpd.GeoDataFrame(
        {"drain_id": [f"d{k}" for k in range(count)]},
        geometry=shapely.linestrings(
            np.stack([start, np.clip(start + rng.normal(0, 120, (count, 2)), 0, size)], axis=1)
        ),
        crs=crs,
    )
    place = rng.uniform(0, size, (2000, 2))
    north = np.array([0.0, 1.0])
    items = gpd.GeoDataFrame(
        {
            "item_id": [f"i{k:04d}" for k in range(2000)],
            "drain_id": [f"d{k // 40}" for k in range(2000)], "x_m": place[:, 0],
            "y_m": place[:, 1], "crest_above_ground_m": 0.1, "outlet_x_m": place[:, 0] + 3.0,
            "outlet_y_m": place[:, 1],
        },
        geometry=shapely.linestrings(np.stack([place - north, place + north], axis=1)), crs=crs,
    )  # fmt: skip
    kinds = rng.choice(["heritage", "watercourse", "track", "overhead line"], 100)
    held_limits = gpd.GeoDataFrame(
        {
            "given_id": [f"no-go:{k}" for k in range(100)], "name": "", "kind": kinds,
            "distance_m": 10.0, "why": "invented",
        },
        geometry=shapely.buffer(
            shapely.linestrings(rng.uniform(0, size, (100, 1, 2)) + rng.normal(0, 40, (100, 2, 2))),
            10.0,
        ),
        crs=crs,
    )  # fmt: skip
    edges = np.linspace(0, size, 6)
    mapped = gpd.GeoDataFrame(
        {"category": [CONDITIONS[k % 4] for k in range(25)]},
        geometry=[
            shapely.box(edges[a], edges[b], edges[a + 1], edges[b + 1])
            for a in range(5) for b in range(5)
        ],
        crs=crs,
    )  # fmt: skip
    site = shapely.box(*grid.bounds)
    rules = r.StabilityRules()
    begun = time.perf_counter()

    def timed(name: str, work: Callable[[], Any]) -> Any:
        at = time.perf_counter()
        got = work()
        told(name, time.perf_counter() - at)
        return got

    held = timed("probes checked", lambda: probes.check_probes(px, py, pz, r.DepthRules()))
    surface = timed(
        "peat depth, error, probed or not",
        lambda: depth.depth_surface(held, grid, r.DepthRules(), levels=levels),
    )
    timed("depth classes", lambda: depth.depth_classes(surface.depth, r.DepthRules()))
    timed("volume and carbon", lambda: stock.peat_stock(surface, r.CarbonRules()))
    timed(
        "where to probe next",
        lambda: probes_wanted(surface, r.DepthRules(), drains=drains.geometry.union_all()),
    )
    made = timed(
        "condition map",
        lambda: condition.condition_map(
            mapped, site, r.ConditionRules(), crs, drains=drains.geometry.union_all()
        ),
    )
    cells = timed(
        "condition on cells", lambda: condition.condition_cells(made.polygons, grid, CONDITIONS)
    )
    ground = timed("slopes and convex breaks", lambda: slopes.slopes(levels, rules.slope_over_m))
    screening = timed(
        "stability: 8 cases, 128 draws, marks",
        lambda: stability.screen(
            surface.depth, surface.error, levels, rules, ground=ground, upslope_area_m2=upslope
        ),
    )
    off = timed("limits on cells", lambda: limits.keep_off_cells(held_limits, grid))
    timed(
        "going map",
        lambda: bearing.going_map(
            surface.depth, ground, r.BearingRules(), weak=(cells == 3).astype(np.uint8),
            keep_off=off,
        ),
    )  # fmt: skip

    def check(some: gpd.GeoDataFrame) -> list[findings.Found]:
        return [
            *stability.item_findings(some, surface.depth, surface.error, ground, rules),
            *limits.item_findings(some, held_limits, look_m=5.0),
        ]

    def all_findings() -> Any:
        got = check(items)
        got += stability.area_findings(screening, surface.depth, rules)
        got += stability.drains_across_slope(drains, ground, surface.depth, rules)
        got += limits.overhead_findings(held_limits, r.OverheadRules())
        return findings.build(got, crs)

    table = timed("findings of 2000 items and the ground", all_findings)
    timed("forbidden stretches", lambda: limits.forbidden_stretches(drains, held_limits))
    seconds = time.perf_counter() - begun
    told("", float("nan"))
    told("all of it", seconds)
    best = _moved(items, drains, held_limits, (surface, ground), crs)

    band = slice(side // 2, side // 2 + min(BAND_ROWS, side // 2))
    part = Grid(0.0, size, CELL_M, CELL_M, band.stop - band.start, side, crs)
    cut = [
        Raster(np.ascontiguousarray(v.values[band]), part) for v in (surface.depth, surface.error)
    ]
    cut_levels = Raster(np.ascontiguousarray(levels.values[band]), part)
    low = slopes.slopes(cut_levels, rules.slope_over_m)
    ours = min(
        _seconds(lambda: stability.screen(*cut, cut_levels, rules, ground=low)) for _ in range(3)
    )
    x, y = part.to_metres(*(v.astype(np.float64) for v in np.indices((part.rows, part.cols))))
    slope = low.slope_at(x.ravel(), y.ravel())

    def plain() -> None:
        step = 20_000
        for k in range(0, slope.size, step):
            at = slice(k, k + step)
            factors.factors_at(
                cut[0].values.ravel()[at], cut[1].values.ravel()[at], slope[at], rules
            )

    numpy_s = _seconds(plain)
    return {
        "findings": len(table), "one": best, "ours": ours, "numpy": numpy_s, "cells": slope.size,
        "seconds": seconds,
    }  # fmt: skip


def _moved(items: Any, drains: Any, limits: Any, ground: tuple[Any, ...], crs: str) -> float:
    """Seconds to prove a whole layout again after one item was moved, to the table of findings."""
    import geopandas as gpd
    import shapely
    import shapely.affinity

    from peatwright.ground import findings, prove, season, stability
    from peatwright.model.rules import Rules

    surface, slopes = ground
    rules = Rules()
    here = prove.Here(
        limits, season.default_periods(rules.season), slopes, surface.depth, surface.error
    )
    summed = stability.screen_summed(surface.depth, surface.error, rules.stability, slopes)
    patches = stability.area_patches(summed.picked, slopes, surface.depth, rules.stability)
    unstable = gpd.GeoDataFrame(
        [
            {"severity": p.found.severity, "area_m2": p.area_m2, "x_m": p.found.where.x_m,
             "y_m": p.found.where.y_m, "what": p.found.what, "rule": p.found.rule,
             "source": p.found.source, "geometry": p.shape}
            for p in patches if p.shape is not None
        ],
        geometry="geometry", crs=crs,
    )  # fmt: skip
    noted = drains.assign(name="", note="")
    was = prove.prove(items, noted, here, rules, unstable=unstable)
    now = items.copy()
    now.loc[7, "geometry"] = shapely.affinity.translate(items.geometry[7], 3.0, 1.0)
    now.loc[7, ["x_m", "y_m"]] += [3.0, 1.0]

    def once() -> None:
        found = prove.again(was, now, ["d0"], here, rules, unstable=unstable)
        findings.build(found.all(), crs)

    return min(_seconds(once) for _ in range(5))


def _seconds(work: Callable[[], Any]) -> float:
    at = time.perf_counter()
    work()
    return time.perf_counter() - at


def _child(side: int) -> None:
    _all_layers(600, lambda *_: None)
    Path("/proc/self/clear_refs").write_text("5")  # Linux: the peak starts again from here

    def told(name: str, seconds: float) -> None:
        if name == "all of it":
            print(f"{name:42s} {seconds:8.2f} s, peak memory {_memory_gb('VmHWM'):.2f} GB")
        elif name:
            print(f"{name:42s} {seconds:8.2f} s")

    got = _all_layers(side, told)
    print(f"findings: {got['findings']}; a moved item proved again in {1000 * got['one']:.1f} ms")
    print(
        f"stability screening of {got['cells']:,} cells (slopes given): {got['ours']:.3f} s, plain "
        f"numpy {got['numpy']:.2f} s, ratio {got['numpy'] / got['ours']:.0f}"
    )


def run(side: int = 5000) -> None:
    """Print the table. Memory counts the interpreter, its libraries and the given ground."""
    print(f"{side} × {side} cells")
    sys.stdout.flush()
    code = f"from benchmarks import ground_speed as g; g._child({side})"
    subprocess.run([sys.executable, "-c", code], check=True)


if __name__ == "__main__":
    run()

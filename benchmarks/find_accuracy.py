"""How well the search finds drains: `python -m benchmarks.find_accuracy [--judge FILE]`.

Length-based precision, recall and F1 with a 2 m buffer, and the median offset of the centreline,
on the demo site and on real terrain against two readings by eye (LiDAR © Kartverket,
hoydedata.no, CC BY 4.0). Ditches of certainty 1 and 2 count; other kinds and certainty 3 are left
out of both sides. `strict` counts found drains on lines of other kinds as false.

`--left-out FOLDER` scores each real tile under the judge that never saw it (`FOLDS` of
tools/find_train.py), with the shipped confidence, and nothing else.
"""

from __future__ import annotations

import os
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import rasterio
import shapely

from peatwright.drains.find import judge as judges
from peatwright.drains.find.score import match_lines
from peatwright.drains.find.tiles import find_drains
from peatwright.model.find_rules import FindRules
from peatwright.model.raster import Grid, Raster

HERE = Path(__file__).resolve().parents[1]
GROUND = Path(os.environ.get("PEATWRIGHT_GROUND", HERE.parent / "shared" / "ground"))
LEARNT = "drained_basin, two_drained_plots, invented ground of tools/find_ground.py"


def read_dtm(path: Path) -> Raster:
    """Read a terrain model."""
    with rasterio.open(path) as r:
        z = r.read(1, masked=True).filled(np.nan).astype(np.float32)
        t = r.transform
        return Raster(z, Grid(t.c, t.f, t.a, -t.e, *z.shape, f"EPSG:{r.crs.to_epsg()}"))


def reading(name: str, who: str) -> tuple[Any, Any, Any]:
    """Ditches, other lines and searched area of a reading."""
    g = gpd.read_file(GROUND / name / f"lines_{who}.geojson")
    area = gpd.read_file(GROUND / name / f"area_{who}.geojson").union_all()
    ditch = (g.kind == "ditch") & (g.certainty <= 2)
    return g[ditch].union_all(), g[~ditch].union_all(), area


def drains_of(lines: gpd.GeoDataFrame, least: float = 0.5) -> Any:
    """Drains of at least the given confidence as one geometry."""
    return lines[(lines.kind == "drain") & (lines.confidence >= least)].union_all()


def calibration(cases: list[tuple[Any, Any, Any]]) -> list[tuple[float, float, float, float]]:
    """Metres of found drain by confidence, and the share that is real."""
    rows = []
    for lo, hi in ((0.3, 0.5), (0.5, 0.65), (0.65, 0.75), (0.75, 0.85), (0.85, 0.95), (0.95, 1.01)):
        total = real = mean = 0.0
        for lines, known, area in cases:
            d = lines[(lines.kind == "drain") & (lines.confidence >= lo) & (lines.confidence < hi)]
            part = shapely.intersection(d.geometry.to_numpy(), area)
            m = shapely.length(part)
            total += m.sum()
            mean += (m * d.confidence.to_numpy()).sum()
            real += shapely.length(shapely.intersection(part, shapely.buffer(known, 2.0))).sum()
        if total > 0:
            rows.append((lo, mean / total, real / total, total))
    return rows


def demo_score(rules: FindRules) -> None:
    """Score the demo site's drains against its truth; other kinds left out of both sides."""
    from peatwright.demo import write_demo

    with tempfile.TemporaryDirectory() as folder:
        site = write_demo(Path(folder))
        raster = read_dtm(site.dtm)
        true = gpd.read_file(site.truth, layer="centrelines")
    found = find_drains(raster, rules)
    known = true[true.kind == "drain"].union_all()
    other = true[true.kind != "drain"].union_all()
    area = shapely.box(*raster.grid.bounds)
    m = match_lines(drains_of(found.lines), known, area, other)
    strict = match_lines(drains_of(found.lines), known, area)
    print(
        f"{'demo site (invented)':28s} {m.precision_ratio:6.3f} {m.recall_ratio:6.3f} "
        f"{m.f1_ratio:6.3f} {m.offset_m:9.2f} {strict.f1_ratio:9.3f}"
    )
    print("confidence said, share real, metres (demo)")
    for lo, said, real, total in calibration([(found.lines, known, area)]):
        print(f"  from {lo:.2f}: {said:.2f} {real:.2f} {total:7.0f}")


def left_out(folder: Path) -> None:
    """Print the score and calibration of tiles under judges trained without them."""
    from peatwright.drains.find import finder

    ship = judges.shipped()["second"]
    cases = []
    for name in ("drained_basin", "two_drained_plots"):
        held = judges.parse((folder / f"without_{name}.txt").read_text())
        held["second"] = replace(held["second"], heat=ship.heat, line=ship.line)
        finder.shipped = lambda held=held: held
        found = find_drains(read_dtm(GROUND / name / "dtm.tif"), FindRules())
        scores = []
        for who in "ab":
            known, other, area = reading(name, who)
            scores.append(match_lines(drains_of(found.lines), known, area, other).f1_ratio)
            cases.append((found.lines, known, area))
        print(f"{name} left out: mean F1 {np.mean(scores):.3f}")
    print("confidence said, share real, metres (left out)")
    for lo, said, real, total in calibration(cases):
        print(f"  from {lo:.2f}: {said:.2f} {real:.2f} {total:7.0f}")


def run() -> None:
    """Print the table."""
    if "--left-out" in sys.argv:
        left_out(Path(sys.argv[sys.argv.index("--left-out") + 1]))
        return
    if "--judge" in sys.argv:
        held = judges.parse(Path(sys.argv[sys.argv.index("--judge") + 1]).read_text())
        from peatwright.drains.find import finder

        finder.shipped = lambda: held
    rules = FindRules()
    cases: list[tuple[Any, Any, Any]] = []
    print(f"learnt from: {LEARNT}")
    print("not learnt from, but looked at while the last steps were chosen: no_drains, the demo")
    print(f"{'ground':28s} {'P':>6s} {'R':>6s} {'F1':>6s} {'offset m':>9s} {'strict F1':>9s}")
    for name in ("drained_basin", "two_drained_plots"):
        found = find_drains(read_dtm(GROUND / name / "dtm.tif"), rules)
        got = drains_of(found.lines)
        scores = []
        for who in "ab":
            known, other, area = reading(name, who)
            m = match_lines(got, known, area, other)
            strict = match_lines(got, known, area)
            scores.append((m.f1_ratio, strict.f1_ratio))
            print(
                f"{name + ' ' + who:28s} {m.precision_ratio:6.3f} {m.recall_ratio:6.3f} "
                f"{m.f1_ratio:6.3f} {m.offset_m:9.2f} {strict.f1_ratio:9.3f}"
            )
            cases.append((found.lines, known, area))
        mean = np.mean(scores, 0)
        print(f"{name + ' mean':28s} {'':6s} {'':6s} {mean[0]:6.3f} {'':9s} {mean[1]:9.3f}")
    demo_score(rules)
    name = "no_drains"
    found = find_drains(read_dtm(GROUND / name / "dtm.tif"), rules)
    known, other, area = reading(name, "a")
    sure = shapely.intersection(drains_of(found.lines, 0.8), area).length
    whole = drains_of(found.lines, 0.8).length
    likely = shapely.intersection(drains_of(found.lines, 0.5), area).length
    print(
        f"{name}: confident drain {sure / area.area * 1e4:.1f} m/ha in the searched area, "
        f"{whole / found.area_ha:.1f} on the whole tile; "
        f"of 0.5 and more {likely / area.area * 1e4:.1f}"
    )
    cases.append((found.lines, known, area))
    print("confidence said, share real, metres (real tiles, all readings)")
    for lo, said, real, total in calibration(cases):
        print(f"  from {lo:.2f}: {said:.2f} {real:.2f} {total:7.0f}")


if __name__ == "__main__":
    run()

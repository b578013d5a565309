"""Time of measuring 100 km of drains, beside a plain script of general-purpose libraries.

Run: .venv/bin/python benchmarks/measure_speed.py
"""

from __future__ import annotations

import resource
import time

import geopandas as gpd
import numpy as np
import shapely
from scipy import ndimage, stats

from peatwright.drains.measure import measure
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import MeasureRules

CRS = "EPSG:27700"
WIDTH_M, SPACING_M, CELL_M = 1000.0, 20.0, 0.5


def _bend(x: np.ndarray, k: np.ndarray) -> np.ndarray:
    return 3.0 * np.sin(x / 60.0 + k)


def ground(drains: int) -> tuple[Raster, gpd.GeoDataFrame]:
    """Make a hillside with bent drains 20 m apart, each 1 km long, and lines drawn beside them."""
    rows, cols = round(drains * SPACING_M / CELL_M), round(WIDTH_M / CELL_M)
    grid = Grid(0.0, rows * CELL_M, CELL_M, CELL_M, rows, cols, CRS)
    x = (np.arange(cols) + 0.5) * CELL_M
    y = grid.y_top_m - (np.arange(rows) + 0.5) * CELL_M
    rng = np.random.default_rng(1)
    z = 0.04 * y[:, None] - 0.01 * x[None, :] + rng.normal(0.0, 0.02, (rows, cols))
    k = np.floor(y[:, None] / SPACING_M)
    off = np.abs(y[:, None] - (k + 0.5) * SPACING_M - _bend(x[None, :], k))
    z -= 0.2 * np.clip(1.0 - (off - 0.6) / 2.5, 0.0, 1.0)  # sag
    z -= 0.6 * np.clip((0.6 - off) / 0.3, 0.0, 1.0)  # drain
    x_line = np.arange(3.0, WIDTH_M - 3.0, 7.0)
    lines = [
        shapely.LineString(
            np.stack([x_line, (i + 0.5) * SPACING_M + _bend(x_line, np.float64(i)) + 0.6], axis=1)
        )
        for i in range(drains)
    ]
    given = gpd.GeoDataFrame(
        {"given_id": [f"line {i}" for i in range(drains)], "name": "", "kind": ""},
        geometry=lines,
        crs=CRS,
    )
    return Raster(z.astype(np.float32), grid), given


def plain(dtm: Raster, line: shapely.LineString) -> list[tuple[float, float, float]]:
    """Measure one line the plain way: bed, depth and width at each metre.

    Less than the whole job: no pulling, joining, averaging, sag, spoil or falls.
    """
    offsets = np.arange(-12.0, 12.01, 0.25)
    outer = np.abs(offsets) > 4.5
    out = []
    for s in np.arange(0.0, line.length, 1.0):
        here = line.interpolate(s)
        a, b = line.interpolate(max(0.0, s - 2.0)), line.interpolate(min(line.length, s + 2.0))
        way = np.array([b.x - a.x, b.y - a.y])
        way /= np.hypot(*way)
        x, y = here.x + offsets * way[1], here.y - offsets * way[0]
        row, col = dtm.grid.to_cells(x, y)
        z = ndimage.map_coordinates(dtm.values, [row, col], order=1, mode="nearest")
        fit = stats.theilslopes(z[outer], offsets[outer])
        r = z - fit.slope * offsets
        mid = len(r) // 2
        bed = mid - 10 + int(np.argmin(r[mid - 10 : mid + 11]))
        edges = []
        for side in (r[bed::-1], r[bed:]):
            c = min(12, len(side) - 1)
            j = np.arange(c + 1)
            edges.append(int(np.argmax(side[: c + 1] - side[0] - (side[c] - side[0]) * j / c)))
        depth = min(r[bed - edges[0]], r[bed + edges[1]]) - r[bed]
        out.append((float(z[bed]), float(depth), sum(edges) * 0.25))
    return out


def run(drains: int = 100) -> None:
    """Print both times, their ratio and the memory used."""
    dtm, given = ground(drains)
    rules = MeasureRules()
    small, few = ground(5)
    measure(small, few, rules)  # compiled before the clock starts
    clock = time.perf_counter()
    done = measure(dtm, given, rules, upslope=False)
    took_s = time.perf_counter() - clock
    clock = time.perf_counter()
    measure(dtm, given, rules)
    whole_s = time.perf_counter() - clock
    km = done.report.length_m / 1000.0
    sample_of = 2
    clock = time.perf_counter()
    for line in given.geometry[:sample_of]:
        plain(dtm, line)
    plain_s = (time.perf_counter() - clock) * km / (given.geometry[:sample_of].length.sum() / 1000)
    table = done.stations[done.stations["measured"]]
    print(f"terrain {dtm.values.size / 1e6:.0f} million cells, drains {km:.1f} km")
    print(f"measure, every column but upslope area  {took_s:6.2f} s")
    print(f"measure with water routed over terrain  {whole_s:6.2f} s")
    print(f"plain script, {sample_of} km done and scaled up {plain_s:7.1f} s")
    print(f"ratio {plain_s / took_s:.0f} times; with routing {plain_s / whole_s:.0f} times")
    print(f"median depth {table['airborne_depth_m'].median():.3f} m (made 0.6)")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")


if __name__ == "__main__":
    run()

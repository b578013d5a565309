"""Time filling, directions and accumulation beside pyflwdir, each in a process of its own.

    python benchmarks/terrain_routing.py [rows] [cols]

Each line of the table is one task on the same invented ground: our seconds, pyflwdir's, the ratio,
and the peak memory of each process beyond the interpreter with its libraries and the ground. Every
task is run once on small ground first, so that no compile time counts. The two sides take turns,
and the best time of each counts, since other work on the machine only ever adds.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from peatwright.model.raster import Grid, Raster

CELL_M = 0.5
REPEATS = 3
TURNS = 2


def ground(rows: int, cols: int, seed: int = 7) -> NDArray[np.float32]:
    """Make invented bog: a tilted hillside with swells, hags, drains, cell noise and some holes."""
    from scipy.ndimage import gaussian_filter, zoom

    rng = np.random.default_rng(seed)
    z = np.zeros((rows, cols), np.float32)
    z += 350.0 - 0.04 * CELL_M * np.arange(rows, dtype=np.float32)[:, None]
    for step, height_m in ((256, 12.0), (32, 0.6), (6, 0.08)):
        coarse = rng.normal(0.0, height_m, (rows // step + 3, cols // step + 3))
        z += zoom(coarse, step, order=1, output=np.float32)[:rows, :cols]
    z += gaussian_filter(rng.normal(0.0, 0.05, z.shape).astype(np.float32), 0.8)
    z[:, ::60] -= 0.5
    z[::400, :] -= 0.5
    z[rng.random(z.shape, np.float32) < 1e-5] = np.nan
    z[rows // 3 : rows // 3 + rows // 50, cols // 2 : cols // 2 + cols // 20] = np.nan
    return z


def _memory_mb(key: str) -> float:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(key):
            return float(line.split()[1]) / 1024.0
    return float("nan")


def _measured(work: Callable[[], Any]) -> tuple[float, float, Any]:
    """Return the best seconds, the greatest memory in MB beyond the start, and the last result."""
    before = _memory_mb("VmRSS")
    Path("/proc/self/clear_refs").write_text("5")  # Linux: the peak starts again from here
    best = float("inf")
    result = None
    for _ in range(REPEATS):
        result = None
        start = time.perf_counter()
        result = work()
        best = min(best, time.perf_counter() - start)
    return best, _memory_mb("VmHWM") - before, result


def _ours(rows: int, cols: int) -> dict[str, Any]:
    from peatwright.terrain import routing, warm

    warm()
    raster = Raster(ground(rows, cols), Grid(0.0, 0.0, CELL_M, CELL_M, rows, cols, ""))
    out: dict[str, Any] = {}

    def fill_and_direct() -> tuple[Raster, routing.Directions]:
        filled = routing.fill(raster)
        return filled, routing.flow_directions(raster, filled)

    out["fill"] = _measured(lambda: routing.fill(raster))[:2]
    *figures, (filled, ways) = _measured(fill_and_direct)
    out["fill + directions"] = figures
    *figures, area = _measured(lambda: routing.accumulate(ways))
    out["accumulation"] = figures
    leaves = ways.codes == 0
    cells = int(np.isfinite(raster.values).sum())
    out["sum"] = float(np.nansum(filled.values, dtype=np.float64))
    out["mass"] = float(area[leaves].sum()) / (cells * CELL_M * CELL_M)
    out["filled share"] = float((filled.values > raster.values).mean())
    del area
    for scheme in ("quinn", "freeman"):
        out[f"spreading, {scheme}"] = _measured(
            lambda scheme=scheme: routing.multiple_flow_accumulation(ways, scheme=scheme)
        )[:2]
    return out


def _theirs(rows: int, cols: int) -> dict[str, Any]:
    import pyflwdir

    small = ground(64, 64)
    _, d8 = pyflwdir.dem.fill_depressions(small, nodata=np.nan)
    pyflwdir.from_array(d8, ftype="d8").upstream_area("cell")
    values = ground(rows, cols)
    out: dict[str, Any] = {}
    *figures, (filled, d8) = _measured(lambda: pyflwdir.dem.fill_depressions(values, nodata=np.nan))
    out["fill"] = out["fill + directions"] = figures
    out["sum"] = float(np.nansum(filled, dtype=np.float64))
    del filled
    flow = pyflwdir.from_array(d8, ftype="d8")
    # The order of cells is kept between calls; it is made here, so that only adding up is timed.
    _ = flow.idxs_seq
    out["accumulation"] = _measured(lambda: flow.upstream_area("cell"))[:2]

    def from_codes() -> Any:
        return pyflwdir.from_array(d8, ftype="d8").upstream_area("cell")

    out["accumulation with its order"] = _measured(from_codes)[:2]
    return out


def run(rows: int = 5000, cols: int = 5000) -> list[dict[str, Any]]:
    """Time both sides, print a table and return its rows."""
    sides: dict[str, dict[str, Any]] = {}
    for side in ("ours", "theirs") * TURNS:
        done = subprocess.run(
            [sys.executable, __file__, f"--{side}", str(rows), str(cols)],
            check=True,
            capture_output=True,
            text=True,
        )
        got = json.loads(done.stdout)
        for task, figure in sides.setdefault(side, got).items():
            if isinstance(figure, list):
                got[task] = min(figure, got[task])
        sides[side] = got
    ours, theirs = sides["ours"], sides["theirs"]
    pairs = (
        ("fill", "fill + directions"),
        ("fill + directions", "fill + directions"),
        ("accumulation", "accumulation"),
        ("accumulation", "accumulation with its order"),
        ("spreading, quinn", None),
        ("spreading, freeman", None),
    )
    table: list[dict[str, Any]] = []
    print(f"{rows} x {cols} cells; share of cells raised {ours['filled share']:.1%}")
    for task, other in pairs:
        seconds, mb = ours[task]
        row: dict[str, Any] = {"task": task, "seconds": seconds, "peak_mb": mb}
        text = f"{task:20s} ours {seconds:7.3f} s {mb:6.0f} MB"
        if other is not None:
            row |= {
                "against": other,
                "their_seconds": theirs[other][0],
                "their_peak_mb": theirs[other][1],
                "ratio": theirs[other][0] / seconds,
            }
            text += (
                f"   pyflwdir {theirs[other][0]:7.3f} s {theirs[other][1]:6.0f} MB"
                f"   {row['ratio']:5.1f} times as fast   ({other})"
            )
        print(text)
        table.append(row)
    print(f"water that leaves over water that falls: {ours['mass']:.12f}")
    print(f"sum of filled levels, ours over pyflwdir's: {ours['sum'] / theirs['sum']:.12f}")
    return table


if __name__ == "__main__":
    if len(sys.argv) > 1 and sys.argv[1] in {"--ours", "--theirs"}:
        side = _ours if sys.argv[1] == "--ours" else _theirs
        print(json.dumps(side(int(sys.argv[2]), int(sys.argv[3]))))
    else:
        run(*(int(a) for a in sys.argv[1:3]))

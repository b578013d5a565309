"""Speed and memory of the search: `python -m benchmarks.find_speed [million cells ...]`.

Prints cells a second of the whole stage on two threads, the growth of cost with area, peak memory,
and ratios in the same run: line filters against the same filters in scikit-image and scipy, the
stage against a memory copy of its cells. Each size runs in a process of its own.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np
from scipy import ndimage

SIZES = (4, 25, 100)


def ground(side: int, seed: int = 1) -> np.ndarray:
    """Invented bog with drains about 18 m apart on a third of it, at 0.5 m; float32."""
    rng = np.random.default_rng(seed)
    tile = 1000
    y, x = np.mgrid[:tile, :tile].astype(np.float32) * 0.5
    base = ndimage.gaussian_filter(rng.standard_normal((tile, tile)), 12, mode="wrap") * 2.0
    base += ndimage.gaussian_filter(rng.standard_normal((tile, tile)), 1, mode="wrap") * 0.22
    drained = base.copy()
    drained -= 0.45 * np.exp(-0.5 * (((x + 0.2 * y) % 18 - 9) / 0.7) ** 2) * (np.abs(y - 250) < 200)
    drained -= 0.7 * np.exp(-0.5 * ((y - 50) / 0.9) ** 2)
    z = np.empty((side, side), np.float32)
    for i in range(0, side, tile):
        for j in range(0, side, tile):
            part = (drained if (i // tile + j // tile) % 3 == 0 else base).astype(np.float32)
            h, w = min(tile, side - i), min(tile, side - j)
            z[i : i + h, j : j + w] = part[:h, :w]
    z += np.float32(300)
    z += (np.arange(side, dtype=np.float32) * np.float32(0.004))[:, None]
    return z


def best(call: Callable[[], object], times: int = 3) -> float:
    """Shortest of a few runs (s)."""
    took = []
    for _ in range(times):
        t = time.perf_counter()
        call()
        took.append(time.perf_counter() - t)
    return min(took)


def one(million: float) -> None:
    """Measure one size and print it as JSON."""
    from peatwright.drains.find.tiles import find_drains
    from peatwright.model.find_rules import FindRules
    from peatwright.model.raster import Grid, Raster

    rules = FindRules()

    def search(z: np.ndarray) -> object:
        grid = Grid(0.0, 1e5, 0.5, 0.5, *z.shape, "EPSG:27700")
        return find_drains(Raster(z, grid), rules, workers=2)

    search(ground(600))  # compiled loops are loaded
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    z = ground(round((million * 1e6) ** 0.5))
    cpu = time.process_time()
    wall = best(lambda: search(z), 3 if million <= 25 else 1)
    cpu = (time.process_time() - cpu) / (3 if million <= 25 else 1)
    out = np.empty_like(z)
    copy = best(lambda: np.copyto(out, z), 5)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(
        json.dumps({
            "cells": z.size, "wall_s": wall, "cpu_s": cpu, "copy_s": copy, "peak_mb": peak / 1024,
            "before_mb": before / 1024,
        })
    )  # fmt: skip


def filters(million: float = 25) -> None:
    """Line filters at two widths: ours on one thread, scikit-image, scipy; same array."""
    from skimage.feature import hessian_matrix, hessian_matrix_eigvals

    from peatwright.drains.find import _kernels as k
    from peatwright.drains.find.local import depth_norm, taps

    z = ground(round((million * 1e6) ** 0.5))
    sigmas = (0.75, 1.4)
    held = [np.empty_like(z) for _ in range(4)]

    def ours() -> np.ndarray:
        for i, s in enumerate(sigmas):
            k.hessian(
                z, taps(s, 0.5), taps(s, 0.5), np.float32(depth_norm(s)), i == 0, *held
            )  # fmt: skip
        return held[3]

    def skimage() -> np.ndarray:
        top = None
        for s in sigmas:
            h = hessian_matrix(z, sigma=s / 0.5, order="rc", use_gaussian_derivatives=True)
            lam = hessian_matrix_eigvals(h)[0] * np.float32(depth_norm(s) / 0.25)
            top = lam if top is None else np.maximum(top, lam)
        return top

    def scipy() -> np.ndarray:
        low = z - z.mean()  # scipy rounds to float32 between its two passes
        top = None
        for s in sigmas:
            c = s / 0.5
            hrr = ndimage.gaussian_filter(low, c, (2, 0))
            hcc = ndimage.gaussian_filter(low, c, (0, 2))
            hrc = ndimage.gaussian_filter(low, c, (1, 1))
            d = (hrr - hcc) / 2
            lam = ((hrr + hcc) / 2 + np.sqrt(d * d + hrc * hrc)) * (depth_norm(s) / 0.25)
            top = lam if top is None else np.maximum(top, lam)
        return top

    ours()
    a = best(ours, 3)
    mine = held[3].copy()
    t = time.perf_counter()
    ref = scipy()
    c = time.perf_counter() - t
    t = time.perf_counter()
    sk = skimage()
    b = time.perf_counter() - t
    inner = (slice(20, -20), slice(20, -20))
    r1 = np.corrcoef(mine[inner].ravel()[::7], ref[inner].ravel()[::7])[0, 1]
    r2 = np.corrcoef(mine[inner].ravel()[::7], sk[inner].ravel()[::7])[0, 1]
    print(f"line filters at two widths, {z.size / 1e6:.0f} M cells, one thread each:")
    m = z.size / 1e6
    print(f"  ours         {m / a:7.1f} M cells/s")
    print(f"  scikit-image {m / b:7.1f} M cells/s: ours {b / a:.1f} times faster (r {r2:.4f})")
    print(f"  scipy        {m / c:7.1f} M cells/s: ours {c / a:.1f} times faster (r {r1:.4f})")


def run() -> None:
    """Run each size apart and print the table."""
    if "--one" in sys.argv:
        one(float(sys.argv[-1]))
        return
    named = sys.argv[1:] if sys.argv[0].endswith("find_speed.py") else []
    sizes = [float(v) for v in named] or list(SIZES)
    rows = []
    print(f"load average at the start: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    print("  M cells  wall s  M cells/s  CPU s  peak MB  times a memory copy")
    for size in sizes:
        got = subprocess.run(
            [sys.executable, "-m", "benchmarks.find_speed", "--one", str(size)],
            check=True, capture_output=True, text=True,
        )  # fmt: skip
        r = json.loads(got.stdout.splitlines()[-1])
        rows.append(r)
        print(
            f"  {r['cells'] / 1e6:7.1f} {r['wall_s']:7.2f} {r['cells'] / r['wall_s'] / 1e6:10.2f} "
            f"{r['cpu_s']:6.1f} {r['peak_mb']:8.0f} {r['wall_s'] / r['copy_s']:10.0f}"
        )
    if len(rows) > 1:
        n = np.log([r["cells"] for r in rows])
        for name in ("wall_s", "cpu_s"):
            power = np.polyfit(n, np.log([r[name] for r in rows]), 1)[0]
            print(f"growth with area, {name}: cells^{power:.2f}")
    filters()


if __name__ == "__main__":
    run()

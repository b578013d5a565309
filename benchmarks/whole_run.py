"""The whole chain on the invented site: seconds of each stage the second time, and peak memory.

    python -m benchmarks whole_run

The first run compiles the kernels; the second is counted. A site of about 20 million cells follows,
for its memory. Memory is the largest resident set of the process, as the kernel accounts it.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from peatwright.demo.site import make_demo_site
from peatwright.packs.drawing.overview import draw_overview
from peatwright.packs.drawing.sections import section_files
from peatwright.packs.geopackage import write_layers
from peatwright.packs.handset import write_dams, write_drains
from peatwright.packs.schedule import write_csv, write_xlsx
from peatwright.site import rule_sheet
from peatwright.site.folder import open_site
from peatwright.site.store import Store
from peatwright.stages import pack_info

LARGE_SCALE = 2.0


def _timed(folder: Path) -> tuple[float, float, dict[str, float]]:
    start = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "peatwright", "run", str(folder)],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stderr is not None
    said = process.stderr.read()
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - start
    if status:
        raise RuntimeError(said)
    stages = {name: float(s) for name, s in re.findall(r"(\w+) +done in ([\d.]+) s", said)}
    return seconds, usage.ru_maxrss / 1024, stages


def _first_pack(folder: Path) -> float:
    """Return the seconds for map, long sections, schedule, layers and handset files alone."""
    site, store = open_site(folder), Store(folder)
    start = time.perf_counter()
    tables, dtm, rules = store.tables(), store.raster("dtm"), rule_sheet.read(folder)
    info = pack_info(site, store, "2026-01-01")
    with tempfile.TemporaryDirectory() as held:
        out = Path(held)
        sheet = draw_overview(tables, dtm, rules, info)
        (out / "overview.pdf").write_bytes(sheet.pdf())
        for k, made in enumerate(section_files(tables, rules, info)):
            (out / f"{k}.pdf").write_bytes(made)
        write_xlsx(out / "schedule.xlsx", tables, rules, info)
        write_csv(out / "schedule.csv", tables["items"])
        write_layers(out / "layers.gpkg", tables, dtm.grid.crs)
        write_dams(out / "dams.gpx", tables["items"], dtm.grid.crs, info)
        write_drains(out / "drains.gpx", tables["drains"], dtm.grid.crs, info)
    return time.perf_counter() - start


def run() -> list[dict[str, Any]]:
    """Run both sites, print what they took and return the rows."""
    rows = []
    with tempfile.TemporaryDirectory() as held:
        for name, scale, turns in (("demo", 1.0, 2), ("20 million cells", LARGE_SCALE, 1)):
            folder = Path(held) / f"site-{scale:g}"
            make_demo_site(folder, scale=scale)
            for turn in range(turns):
                shutil.rmtree(folder / "made", ignore_errors=True)
                shutil.rmtree(folder / "pack", ignore_errors=True)
                seconds, megabytes, stages = _timed(folder)
                row = {"site": name, "turn": turn + 1, "seconds": seconds, "peak_mb": megabytes}
                rows.append({**row, **stages})
                told = ", ".join(f"{stage} {s:.1f}" for stage, s in stages.items())
                print(f"{name}, run {turn + 1}: {seconds:.1f} s, {megabytes:.0f} MB ({told})")
            if scale == 1.0:
                first = _first_pack(folder)
                shared = sum(stages[n] for n in ("take", "find", "measure", "lay", "price"))
                print(
                    f"of that, take, find, measure, lay and price: {shared:.1f} s; map, long "
                    f"sections, schedule, layers and handset files alone: {first:.1f} s"
                )
        print(f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    return rows


if __name__ == "__main__":
    run()

"""Speed of spill paths on a site that has been laid out.

    python benchmarks/spill_speed.py FOLDER

prints the time of the whole, and of routing again after the works on each drain are taken away,
with a check that the result is that of routing everything.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

from peatwright.site.store import Store
from peatwright.water.prove_water import change_drain, prove_water
from peatwright.water.spill.route import route
from peatwright.water.spill.works import cut


def main(folder: Path) -> None:
    """Print the times of one site."""
    store = Store(folder)
    tables, dtm = store.tables(), store.raster("dtm")
    got = prove_water(dtm, tables)
    began, busy = time.perf_counter(), time.process_time()
    got = prove_water(dtm, tables)
    print(
        f"whole: {time.perf_counter() - began:.2f} s "
        f"({time.process_time() - busy:.2f} s of processors), {dtm.values.size / 1e6:.1f} M cells, "
        f"{got.summary.dams} dams, terrain moved {got.summary.range_from.split()[0]} times"
    )
    began = time.perf_counter()
    route(got.after.ground)
    print(f"routing everything: {time.perf_counter() - began:.3f} s")
    none = tables["items"].iloc[:0]
    change_drain(got, str(got.drains.ids[0]), none)
    taken, used, cells, same, whole = [], [], [], 0, 0
    for name in got.drains.ids:
        began, busy = time.perf_counter(), time.process_time()
        again, works = change_drain(got, str(name), none)
        taken.append(time.perf_counter() - began)
        used.append(time.process_time() - busy)
        cells.append(again.cells)
        whole += again.whole
        full = route(cut(got.before.ground, works))
        same += (
            np.array_equal(full.levels, again.routed.levels, equal_nan=True)
            and np.array_equal(full.codes, again.routed.codes)
            and np.allclose(full.upslope_m2, again.routed.upslope_m2, rtol=1e-12, equal_nan=True)
        )
    taken_ms, used_ms = 1e3 * np.array(taken), 1e3 * np.array(used)
    print(
        f"after a change to one of {len(taken)} drains: median {np.median(taken_ms):.0f} ms, "
        f"nine in ten {np.quantile(taken_ms, 0.9):.0f} ms, most {taken_ms.max():.0f} ms; "
        f"of the processor {np.median(used_ms):.0f}, {np.quantile(used_ms, 0.9):.0f} and "
        f"{used_ms.max():.0f} ms; {np.median(cells):.0f} cells (median); "
        f"everything routed {whole} times; the same as routing everything {same} of "
        f"{len(taken)} times"
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]))

"""Time and memory of a whole pack for 100 drains and 3,000 items, and of one drain's card.

Run: .venv/bin/python -m benchmarks pack_speed
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

LAYOUT = Path(__file__).parent.parent / "tests" / "contract"
DRAINS, LENGTH_M = 100, 240.0
CODE = "import json; from benchmarks.pack_speed import measured; print(json.dumps(measured()))"
GOAL_S, GOAL_MB, GOAL_CARD_S = 60.0, 2048.0, 2.0


def measured() -> dict[str, float]:
    """Make the pack in this process and return what it took."""
    sys.path.insert(0, str(LAYOUT))
    from packs_layout import make

    from peatwright.model.rules import Rules
    from peatwright.packs.cards.cards import Cards
    from peatwright.packs.info import PackInfo
    from peatwright.packs.pack import write_pack
    from peatwright.packs.version import next_issue
    from peatwright.packs.words import words

    info = PackInfo("Bench Moss", True, "Made by a formula", "2031-03-03", "0" * 8, "0")
    tables, dtm = make(DRAINS, LENGTH_M)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    with tempfile.TemporaryDirectory() as held:
        folder = Path(held)
        start, used = time.perf_counter(), time.process_time()
        write_pack(folder, tables, dtm, Rules(), info)
        pack_s, cpu_s = time.perf_counter() - start, time.process_time() - used
        size = sum(p.stat().st_size for p in folder.rglob("*") if p.is_file()) / 1e6
    issue, _ = next_issue([], tables, info.date)
    start = time.perf_counter()
    cards = Cards(tables, dtm.grid.crs, Rules(), info, issue, words())
    cards.pdf("D002")
    card_s = time.perf_counter() - start
    return {
        "drains": DRAINS, "items": len(tables["items"]),
        "pack_s": pack_s, "cpu_s": cpu_s, "card_s": card_s,
        "before_mb": before, "pack_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "size_mb": size,
    }  # fmt: skip


def run() -> None:
    """Print the figures of a fresh process, which so holds nothing else in memory."""
    made = subprocess.run(
        [sys.executable, "-c", CODE],
        capture_output=True, text=True, check=True, cwd=LAYOUT.parent.parent,
    )  # fmt: skip
    f = json.loads(made.stdout.splitlines()[-1])
    print(f"{f['drains']} drains, {f['items']} items")
    print(f"whole pack      {f['pack_s']:7.1f} s    (goal {GOAL_S:.0f} s)")
    print(f"of that, reckoning {f['cpu_s']:4.1f} s on one core; the rest is waiting for other work")
    print(f"peak memory     {f['pack_mb']:7.0f} MB   (goal {GOAL_MB:.0f} MB; "
          f"{f['before_mb']:.0f} MB before it)")  # fmt: skip
    print(f"one drain card  {f['card_s']:7.2f} s    (goal {GOAL_CARD_S:.0f} s)")
    print(f"files           {f['size_mb']:7.0f} MB")


if __name__ == "__main__":
    run()

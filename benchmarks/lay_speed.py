"""Time laying out 100 km of invented drains, one drain again, and placing beside HiGHS.

Placing by HiGHS (through SciPy) is the same task as least-cost flow over allowed pairs of places,
with the rules that give way as weights. Only the solver's own time counts on that side, and both
sides get the same stretches in the same run.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from benchmarks.drain_tables import Drain, tables
from peatwright.model.rules import Rules
from peatwright.works import dams, lay, placement, price
from peatwright.works import methods as mt
from peatwright.works.sections import gather

DRAINS = 250
LENGTH_M = 400
SAMPLE = 5
REPEATS = 5


def invented() -> Any:
    """250 drains of 400 m at 1 m stations: falls of 0.5 to 8 %, depths that wander, some spoil."""
    rng = np.random.default_rng(1)
    drains = []
    for _ in range(DRAINS):
        n = LENGTH_M + 1
        walk = 0.015 * np.cumsum(rng.normal(0, 1, n))
        drains.append(
            Drain(
                length=LENGTH_M,
                gradient=rng.uniform(0.005, 0.08),
                depth=np.clip(rng.uniform(0.3, 1.1) + walk, 0.15, 2.0),
                sag=rng.uniform(0.3, 2.0),
                sag_depth=0.1 + 0.02 * rng.normal(0, 1, n),
                set_={
                    "spoil_right_height_m": np.full(n, 0.3 * (rng.random() < 0.6)),
                    "spoil_right_width_m": 1.0,
                },
            )
        )
    return tables(drains)


def best(work: Callable[[], Any]) -> tuple[float, Any]:
    """Least seconds of several runs, and the last result."""
    least, out = float("inf"), None
    for _ in range(REPEATS):
        start = time.perf_counter()
        out = work()
        least = min(least, time.perf_counter() - start)
    return least, out


def places_of(made: Any, rules: Rules) -> placement.Places:
    """Where dams may stand, as `lay` lists them."""
    s = dams.steadied(gather(made[0], made[2]), dams.SAG, rules)
    choice = mt.choose(dams.steadied(s, dams.SECTION, rules), rules)
    reach = mt.reaches(s, choice, rules)
    sized = dams.size(s, reach.method[reach.of_station], rules)
    return placement.places(s, reach, choice, sized, lay._ends(made[0], made[1], rules), rules)


def by_solver(h: placement.Places, w: placement.Weights, g: int) -> float:
    """Seconds that HiGHS takes for one stretch."""
    own = slice(h.off[g], h.off[g + 1])
    pos, pool, toe, head, cost = (v[own] for v in (h.pos, h.pool, h.toe, h.head, h.cost))
    n = pos.size
    a, b = np.nonzero(np.triu(np.ones((n, n), dtype=bool), 1))
    far = pos[b] - pos[a]
    keep = (far >= h.sep[g]) & (far <= w.max_mm)
    a, b, far = a[keep], b[keep], far[keep]
    over = np.maximum(0, pool[a] - np.maximum(pool[b], toe[a]) - head[a])
    short = np.maximum(0, toe[a] - pool[b])
    money = cost[b] + w.off_cost * (far - w.target_mm) ** 2 // 1_000_000
    arc = money + 100.0 * over**2 + 10.0 * short**2
    first = cost + np.maximum(0, pos - h.start[g] - h.first_max[g]) ** 2
    last = w.close_cost * np.maximum(0, h.end[g] - pos) // 1000
    ends = np.arange(n)
    tail = np.r_[a, np.full(n, n), ends]
    front = np.r_[b, ends, np.full(n, n + 1)]
    columns = np.arange(tail.size)
    balance = sparse.csr_array(
        (
            np.r_[-np.ones(tail.size), np.ones(tail.size)],
            (np.r_[tail, front], np.r_[columns, columns]),
        ),
        shape=(n + 2, tail.size),
    )
    need = np.zeros(n + 2)
    need[n], need[n + 1] = -1.0, 1.0
    start = time.perf_counter()
    found = milp(
        np.r_[arc, first, last], constraints=LinearConstraint(balance, need, need),
        bounds=Bounds(0, 1), integrality=np.ones(tail.size),
    )  # fmt: skip
    seconds = time.perf_counter() - start
    return seconds if found.success else float("nan")


def run() -> None:
    """Print the table."""
    rules = Rules()
    made = invented()
    km = float(made[0]["length_m"].sum()) / 1000.0
    start = time.perf_counter()
    lay.lay(*made, rules)
    print(f"first call, with loading compiled loops    {time.perf_counter() - start:8.3f} s")
    seconds, laid = best(lambda: lay.lay(*made, rules))
    print(f"lay {km:.0f} km, {len(laid.items)} items            {seconds:14.3f} s")
    one, _ = best(lambda: lay.lay_drain(*made, "D007", rules))
    print(f"lay one drain of {LENGTH_M} m again            {one * 1000:14.1f} ms")
    priced, _ = best(lambda: price.price(laid.items, laid.reaches, made[0], rules))
    print(f"price {km:.0f} km                            {priced:14.3f} s")

    held, weights = places_of(made, rules), placement.Weights.of(rules)
    every, _ = best(lambda: placement.place(held, weights))
    stretches = np.flatnonzero(np.diff(held.off) > 20)[:SAMPLE]
    solver = [by_solver(held, weights, int(g)) for g in stretches]
    solved = [k for k, t in enumerate(solver) if np.isfinite(t)]
    theirs = float(np.sum([solver[k] for k in solved]))
    count = int(np.diff(held.off)[stretches[solved]].sum())
    ours = every * count / held.row.size
    print(f"place dams on {km:.0f} km                    {every:14.3f} s")
    print(
        f"of these {len(solved)} stretches with {count} places: ours {ours * 1000:.2f} ms, "
        f"HiGHS {theirs * 1000:.0f} ms, {theirs / ours:.0f} times"
    )


if __name__ == "__main__":
    run()

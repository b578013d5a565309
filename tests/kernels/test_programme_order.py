"""The order of drains beside exact solvers on small cases: every order, and HiGHS."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from peatwright.model.programme_rules import ProgrammeRules
from peatwright.works.programme import order as od
from peatwright.works.programme.travel import Table

RULES = ProgrammeRules(far_first_ratio=0.0)


def case(seed: int, n: int, crossings: float = 0.0, above: float = 0.0):
    """Random drains in the plane, straight ways, random crossings, some that flow into others."""
    rng = np.random.default_rng(seed)
    head = rng.uniform(0, 1000, (n, 2))
    ends = np.stack([head, head + rng.normal(0, 120, (n, 2))], axis=1).reshape(-1, 2)
    xy = np.vstack([rng.uniform(0, 1000, 2), ends])
    cost = np.hypot(*(xy[:, None] - xy[None, :]).transpose(2, 0, 1))
    p = len(xy)
    held = [[[] for _ in range(p)] for _ in range(p)]
    for a, b in itertools.combinations(range(p), 2):
        held[a][b] = held[b][a] = np.flatnonzero(rng.random(n) < crossings).tolist()
    flat = [d for row in held for lot in row for d in lot]
    ptr = np.concatenate([[0], np.cumsum([len(lot) for row in held for lot in row])])
    table = Table(cost, cost, ptr.astype(np.int64), np.array(flat, dtype=np.int64))
    low = np.arange(n)[rng.random(n) < above]
    down = np.array([rng.integers(k + 1, n) if k + 1 < n else -1 for k in low], dtype=np.int64)
    return table, (low[down >= 0].astype(np.int64), down[down >= 0])


def plain_cost(table: Table, order, mode, rules: ProgrammeRules) -> float:
    """The cost as its words say it, written without haste."""
    p = table.cost_m.shape[0]
    total, here, done = 0.0, 0, []
    for k, d in enumerate([*order, None]):
        there = 0 if d is None else 1 + 2 * d + mode[d]
        total += table.cost_m[here, there]
        over = table.crossed[table.ptr[here * p + there] : table.ptr[here * p + there + 1]]
        total += rules.crossing_m * sum(x in done[:-1] for x in over)
        if d is not None:
            total += rules.far_first_ratio * table.cost_m[0, there] * (k + 1) / len(order)
            done.append(d)
            here = 2 + 2 * d - mode[d]
    return total


def allowed(order, pairs) -> bool:
    where = {d: k for k, d in enumerate(order)}
    return all(where[a] < where[b] for a, b in zip(*pairs, strict=True))


def best_of_all(table: Table, pairs, rules: ProgrammeRules, n: int) -> float:
    modes = (
        itertools.product((0, 1), repeat=n)
        if rules.direction == "either"
        else [(int(rules.direction == "upstream"),) * n]
    )
    return min(
        plain_cost(table, order, mode, rules)
        for mode in modes
        for order in itertools.permutations(range(n))
        if allowed(order, pairs)
    )


def best_by_solver(table: Table, pairs, n: int) -> float:
    """HiGHS: one way in and out of each drain, positions that rise (Miller, Tucker & Zemlin)."""
    size = n + 1
    end = np.array([0, *(2 + 2 * np.arange(n))])
    begin = np.array([0, *(1 + 2 * np.arange(n))])
    cost = table.cost_m[np.ix_(end, begin)]
    arcs = size * size
    rows, low, high = [], [], []

    def add(x: dict[int, float], lo: float, hi: float) -> None:
        row = np.zeros(arcs + size)
        for k, v in x.items():
            row[k] = v
        rows.append(row)
        low.append(lo)
        high.append(hi)

    for i in range(size):
        add({i * size + j: 1 for j in range(size)}, 1, 1)
        add({j * size + i: 1 for j in range(size)}, 1, 1)
        add({i * size + i: 1}, 0, 0)
    for i in range(1, size):
        for j in range(1, size):
            if i != j:
                add({arcs + i: 1, arcs + j: -1, i * size + j: n}, -np.inf, n - 1)
    for a, b in zip(*pairs, strict=True):
        add({arcs + b + 1: 1, arcs + a + 1: -1}, 1, np.inf)
    found = milp(
        np.concatenate([cost.ravel(), np.zeros(size)]),
        integrality=np.concatenate([np.ones(arcs), np.zeros(size)]),
        bounds=Bounds(np.zeros(arcs + size), np.concatenate([np.ones(arcs), np.full(size, n)])),
        constraints=LinearConstraint(np.array(rows), low, high),
        options={"mip_rel_gap": 0.0},
    )
    assert found.status == 0
    return float(found.fun)


@pytest.mark.parametrize("seed", range(25))
def test_order_is_the_best_of_all_orders(seed: int) -> None:
    n = 2 + seed % 5
    table, pairs = case(seed, n, crossings=0.25, above=0.4)
    rules = dataclasses.replace(RULES, crossing_m=300.0, far_first_ratio=0.02 * (seed % 2))
    made = od.best_order(table, pairs, rules)
    assert sorted(made.drain) == list(range(n))
    assert allowed(made.drain.tolist(), pairs)
    assert made.cost_m == pytest.approx(plain_cost(table, made.drain, made.mode, rules))
    assert made.cost_m == pytest.approx(best_of_all(table, pairs, rules, n))


@pytest.mark.parametrize("direction", ["upstream", "either"])
@pytest.mark.parametrize("seed", range(6))
def test_other_directions_are_best_too(seed: int, direction: str) -> None:
    table, pairs = case(100 + seed, 5, crossings=0.2, above=0.3)
    rules = dataclasses.replace(RULES, direction=direction, crossing_m=200.0)
    made = od.best_order(table, pairs, rules)
    assert made.cost_m == pytest.approx(plain_cost(table, made.drain, made.mode, rules))
    assert made.cost_m == pytest.approx(best_of_all(table, pairs, rules, 5))


@pytest.mark.parametrize("seed", range(5))
def test_tracking_is_that_of_an_exact_solver(seed: int) -> None:
    table, pairs = case(200 + seed, 8, above=0.3)
    made = od.best_order(table, pairs, RULES)
    assert made.cost_m == pytest.approx(best_by_solver(table, pairs, 8), rel=1e-7)


def test_better_than_nearest_neighbour_and_the_same_each_time() -> None:
    table, pairs = case(7, 80, crossings=0.01, above=0.3)
    made, again = (od.best_order(table, pairs, RULES) for _ in range(2))
    assert np.array_equal(made.drain, again.drain)
    mode = np.zeros(80, dtype=np.int64)
    near = od.greedy(table, mode, *pairs, np.zeros(80))
    assert allowed(near.tolist(), pairs)
    assert made.cost_m < 0.95 * od.cost_of(table, near, mode, RULES)


def test_far_end_comes_first() -> None:
    """Drains in a row away from the access: with equal tracking, the furthest is worked first."""
    x = np.array([0.0, 100, 100, 200, 200, 300, 300])
    cost = np.abs(x[:, None] - x[None, :])
    table = Table(cost, cost, np.zeros(50, dtype=np.int64), np.zeros(0, dtype=np.int64))
    none = (np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    made = od.best_order(table, none, ProgrammeRules())
    assert made.drain.tolist() == [2, 1, 0]


def test_precedence_passes_over_drains_without_work() -> None:
    (first, second), loops = od.before(
        ["a", "c", "x", "y"], {"a": "b", "b": "c", "c": "", "x": "y", "y": "x"}
    )
    assert list(zip(first.tolist(), second.tolist(), strict=True)) == [(0, 1)]
    assert loops == [["x", "y"]]


def test_some_drains_alone_are_ordered_as_if_there_were_no_others() -> None:
    table, pairs = case(11, 9, crossings=0.2)
    some = np.array([1, 3, 4, 6, 8])
    made = od.best_order(table, pairs, RULES, some)
    assert sorted(made.drain) == some.tolist()
    best = min(
        plain_cost(table, o, np.zeros(9, int), RULES) for o in itertools.permutations(some.tolist())
    )
    assert made.cost_m == pytest.approx(best)

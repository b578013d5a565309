"""Placing dams against a general integer solver and against trying every set, exactly."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from peatwright.works.placement import Places, Weights, place

SLOTS = 5


def random_case(rng: np.random.Generator, places: int, fixed: float) -> tuple[Places, Weights]:
    """One stretch with `places` possible dams; all numbers whole."""
    step = int(rng.choice([500, 1000]))
    gaps = rng.choice([1, 2, 5, 20], places, p=[0.7, 0.2, 0.07, 0.03]) * step
    pos = np.cumsum(gaps) + int(rng.integers(0, 3)) * step
    gradient = rng.uniform(-0.01, 0.15)
    depth = rng.uniform(0.2, 1.2)
    noise = rng.normal(0, 0.08, places)
    pool = np.rint(400_000 - pos * gradient + noise * 1000).astype(np.int64)
    toe = np.rint(pool - depth * 1000 - rng.uniform(0, 100, places)).astype(np.int64)
    junction = np.where(pos > pos[places // 2], pos[places // 2] - 300, -1)
    held = Places(
        off=np.array([0, places]), start=np.array([int(rng.integers(0, 2)) * 500]),
        end=np.array([int(pos[-1]) + int(rng.integers(0, 7)) * 1000]),
        first_max=np.array([int(rng.integers(1, 30)) * 1000]),
        sep=np.array([int(rng.choice([1, 2, 3, 4]) * 1000)]),
        row=np.arange(places), pos=pos, pool=pool, toe=toe,
        head=rng.choice([200, 500], places),
        cost=rng.integers(500, 9000, places),
        junction=junction if rng.random() < 0.5 else np.full(places, -1),
        must=rng.random(places) < fixed,
    )  # fmt: skip
    weights = Weights(
        max_mm=int(rng.choice([4, 6, 10])) * 1000, target_mm=int(rng.choice([3, 4, 8])) * 1000,
        drop_mm=int(rng.choice([-1, 200])), pool_rule=bool(rng.random() < 0.8),
        off_cost=int(rng.integers(0, 800)), close_cost=int(rng.integers(0, 400)),
    )  # fmt: skip
    return held, weights


class Written:
    """The same task written out pair by pair from its words, for a solver and for counting."""

    def __init__(self, h: Places, w: Weights) -> None:
        self.n = h.pos.size
        self.must = [bool(m) for m in h.must]
        pos, pool, toe = ([int(v) for v in a] for a in (h.pos, h.pool, h.toe))
        sep, start, end = int(h.sep[0]), int(h.start[0]), int(h.end[0])
        n = self.n

        def room(a: int, b: int) -> bool:
            return pos[b] - pos[a] >= sep

        self.pair: dict[tuple[int, int], tuple[int, ...] | None] = {}
        for a, b in itertools.combinations(range(n), 2):
            far = pos[b] - pos[a]
            could = any(room(a, k) and room(k, b) for k in range(a + 1, b))
            if (not room(a, b) and not (self.must[a] and self.must[b])) or (
                far > w.max_mm and could
            ):
                self.pair[a, b] = None
            else:
                head = pool[a] - max(pool[b], toe[a]) - int(h.head[a])
                short = toe[a] - pool[b] if w.pool_rule else 0
                drop = pool[a] - pool[b] - w.drop_mm if w.drop_mm >= 0 else 0
                money = (w.off_cost * (far - w.target_mm) ** 2) // 1_000_000
                if int(h.junction[b]) > pos[a]:
                    money += (w.close_cost * (pos[b] - int(h.junction[b]))) // 1000
                self.pair[a, b] = (
                    max(0, head) ** 2, max(0, short) ** 2, max(0, drop) ** 2,
                    max(0, far - w.max_mm) ** 2, money,
                )  # fmt: skip
        self.own = [int(c) for c in h.cost]
        self.first: list[tuple[int, ...] | None] = []
        self.last: list[tuple[int, ...] | None] = []
        for k in range(n):
            ahead = pos[k] - start
            if ahead > w.max_mm and any(room(i, k) for i in range(k)):
                self.first.append(None)
            else:
                money = 0
                if int(h.junction[k]) >= start:
                    money = (w.close_cost * (pos[k] - int(h.junction[k]))) // 1000
                over = max(0, ahead - int(h.first_max[0]))
                self.first.append((0, 0, 0, over**2, money))
            tail = end - pos[k]
            if tail > w.max_mm and any(room(k, i) for i in range(k + 1, n)):
                self.last.append(None)
            else:
                over = max(0, tail - w.max_mm)
                levels = (0, 0, 0)
                if room(k, n - 1):
                    # As if the next dam stood at the last place.
                    head = pool[k] - max(pool[n - 1], toe[k]) - int(h.head[k])
                    short = toe[k] - pool[n - 1] if w.pool_rule else 0
                    drop = pool[k] - pool[n - 1] - w.drop_mm if w.drop_mm >= 0 else 0
                    levels = (max(0, head) ** 2, max(0, short) ** 2, max(0, drop) ** 2)
                money = (w.close_cost * max(0, tail)) // 1000
                self.last.append((*levels, over**2, money))

    def cost(self, dams: list[int]) -> tuple[int, ...] | None:
        """Cost of a set of dams, slot by slot; None when it is not allowed."""
        if not dams or any(m and k not in dams for k, m in enumerate(self.must)):
            return None
        parts = [self.first[dams[0]], self.last[dams[-1]]]
        parts += [self.pair[a, b] for a, b in itertools.pairwise(dams)]
        if any(p is None for p in parts):
            return None
        total = [sum(p[s] for p in parts if p) for s in range(SLOTS)]
        total[4] += sum(self.own[k] for k in dams)
        return tuple(total)

    def solve(self) -> tuple[int, ...]:
        """Least cost by HiGHS: one yes-or-no for each dam, slot after slot.

        A pair is next to each other when both stand and none between does:
        y_ab >= x_a + x_b - 1 - sum of x between. No path or flow is used.
        """
        n = self.n
        names = [("pair", a, b) for a, b in self.pair]
        names += [("first", k, k) for k in range(n)] + [("last", k, k) for k in range(n)]
        width = n + len(names)
        rows, low = [], []
        coefficient = np.zeros((SLOTS, width))
        coefficient[4, :n] = self.own
        for j, (kind, a, b) in enumerate(names):
            row = np.zeros(width)
            if kind == "pair":
                held, need = self.pair[a, b], -1.0
                row[a + 1 : b] = 1.0
                row[a] = row[b] = -1.0
            else:
                held = (self.first if kind == "first" else self.last)[a]
                need = 0.0
                row[a] = -1.0
                row[slice(0, a) if kind == "first" else slice(a + 1, n)] = 1.0
            if held is not None:
                row[n + j] = 1.0
                coefficient[:, n + j] = held
            rows.append(row)
            low.append(need)
        rows.append(np.r_[np.ones(n), np.zeros(len(names))])
        low.append(1.0)
        at_least = np.r_[np.array(self.must, float), np.zeros(len(names))]
        limits = [LinearConstraint(np.array(rows), lb=np.array(low))]
        best: tuple[int, ...] = ()
        for slot in range(SLOTS):
            if not coefficient[slot].any():
                best = (*best, 0)
                continue
            found = milp(
                coefficient[slot], constraints=limits, bounds=Bounds(at_least, 1.0),
                integrality=np.r_[np.ones(n), np.zeros(len(names))],
                options={"mip_rel_gap": 0.0},
            )  # fmt: skip
            assert found.success, found.message
            dams = [k for k in range(n) if found.x[k] > 0.5]
            cost = self.cost(dams)
            assert cost is not None
            best = (*best, cost[slot])
            limits.append(LinearConstraint(coefficient[slot], ub=cost[slot] + 0.5))
        return best


def tried(task: Written) -> tuple[int, ...]:
    """Least cost by trying every set."""
    costs = (
        task.cost([k for k in range(task.n) if bits >> k & 1]) for bits in range(1, 1 << task.n)
    )
    return min(c for c in costs if c is not None)


@pytest.mark.parametrize("block", range(10))
def test_least_cost_equals_integer_solver(block: int) -> None:
    """250 random stretches of 4 to 12 places: all five slots equal those of HiGHS."""
    rng = np.random.default_rng(1000 + block)
    for _ in range(25):
        held, weights = random_case(rng, int(rng.integers(4, 13)), 0.0)
        task = Written(held, weights)
        mine = task.cost(place(held, weights).tolist())
        assert mine == task.solve()


@pytest.mark.parametrize("fixed", [0.0, 0.2])
def test_least_cost_equals_trying_every_set(fixed: float) -> None:
    """150 random stretches of up to 9 places, also with dams already fixed."""
    rng = np.random.default_rng(5)
    for _ in range(150):
        held, weights = random_case(rng, int(rng.integers(1, 10)), fixed)
        task = Written(held, weights)
        dams = place(held, weights).tolist()
        assert task.cost(dams) == tried(task)


def test_random_cases_exercise_every_rule() -> None:
    """The cases above are worth something: each slot is above 0 in many and 0 in many."""
    rng = np.random.default_rng(1000)
    costs = []
    for _ in range(200):
        held, weights = random_case(rng, int(rng.integers(4, 13)), 0.0)
        costs.append(Written(held, weights).cost(place(held, weights).tolist()))
    table = np.array(costs)
    assert ((table[:, :4] > 0).sum(axis=0) >= 15).all()
    assert ((table[:, :4] == 0).sum(axis=0) >= 15).all()


def test_stretches_do_not_touch_each_other() -> None:
    """Many stretches at once give what each gives alone."""
    rng = np.random.default_rng(9)
    cases = [random_case(rng, int(rng.integers(1, 9)), 0.0)[0] for _ in range(12)]
    weights = random_case(rng, 4, 0.0)[1]
    sizes = [c.pos.size for c in cases]
    off = np.concatenate([[0], np.cumsum(sizes)])

    def joined(name: str) -> np.ndarray:
        return np.concatenate([getattr(c, name) for c in cases])

    names = ("start", "end", "first_max", "sep", "row", "pos", "pool", "toe", "head", "cost",
             "junction", "must")  # fmt: skip
    together = place(Places(off=off, **{n: joined(n) for n in names}), weights)
    alone = [place(c, weights) + off[k] for k, c in enumerate(cases)]
    np.testing.assert_array_equal(together, np.concatenate(alone))

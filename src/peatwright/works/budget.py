"""Which drains to close first when there is less money than the whole layout needs.

The choice is exact: a knapsack with precedence, given to the open solver HiGHS (`scipy.optimize`).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array, csr_array, hstack, vstack
from scipy.sparse.csgraph import connected_components

from peatwright.model import columns
from peatwright.model.errors import Fault, RuleError
from peatwright.model.layers import QUANTITIES
from peatwright.model.programme_layers import BENEFIT_CURVE, PHASES
from peatwright.model.programme_rules import BudgetRules
from peatwright.model.rules import Rules
from peatwright.works.sections import Bools, Floats, Ints

KINDS = ("area_m2", "carbon_t", "flow_m3")
WEIGHTS = ("weight_area", "weight_carbon", "weight_flow")
_TINY = 1e-9


@dataclass(frozen=True, eq=False)
class Case:
    """What there is to choose from: N drains in M sets that are closed whole.

    `cost` (money), `benefit` (ratio of the site's), by drain; `set_of` (N) the set of each drain;
    `before` pairs (first, second) of sets: second is closed only with or after first. `patch` pairs
    (drain, patch) and `patch_benefit` hold what neighbouring drains share; it counts once.
    """

    ids: tuple[str, ...]
    block: tuple[str, ...]
    cost: Floats
    amount: Floats
    benefit: Floats
    set_of: Ints
    before: tuple[Ints, Ints]
    patch: tuple[Ints, Ints]
    patch_benefit: Floats

    @property
    def sets(self) -> int:
        """Number of sets."""
        return int(self.set_of.max()) + 1 if self.set_of.size else 0

    def set_sum(self, value: Floats) -> Floats:
        """Sum a value of each drain over the sets (M)."""
        return np.asarray(np.bincount(self.set_of, value, self.sets), dtype=np.float64)

    def worth(self, drains: Bools) -> float:
        """Benefit of a set of drains (N), shared patches counted once."""
        shared = np.zeros(self.patch_benefit.size, dtype=bool)
        shared[self.patch[1][drains[self.patch[0]]]] = True
        return float(self.benefit[drains].sum() + self.patch_benefit[shared].sum())


@dataclass(frozen=True, eq=False)
class Choice:
    """Drains chosen (N), their cost and benefit, what no choice can beat, and whether proved."""

    drains: Bools
    cost: float
    benefit: float
    bound: float
    proved: bool


@dataclass(frozen=True, eq=False)
class Phased:
    """PHASES and BENEFIT_CURVE tables, drain ids of each phase and of what is left, faults."""

    table: pd.DataFrame
    curve: pd.DataFrame
    phases: tuple[tuple[str, ...], ...]
    left: tuple[str, ...]
    money_spent: tuple[float, ...]
    faults: tuple[Fault, ...]
    words: str


def drain_costs(quantities: pd.DataFrame, rules: Rules) -> pd.DataFrame:
    """Return drain_id and cost (likely, with supervision and contingency) from a QUANTITIES table.

    Moving in is left out: it is paid once for each phase, not by drain.
    """
    quantities = columns.checked(quantities, QUANTITIES)
    rows = quantities[quantities["scope"] == "drain"]
    share = 1.0 + rules.rates.supervision_ratio + rules.rates.contingency_ratio
    return pd.DataFrame(
        {"drain_id": rows["drain_id"].to_numpy(), "cost": rows["cost"].to_numpy() * share}
    )


def case(
    drains: pd.DataFrame,
    benefits: pd.DataFrame,
    rules: BudgetRules,
    *,
    patches: pd.DataFrame | None = None,
) -> tuple[Case, list[Fault]]:
    """Return the case to choose from, with faults that a person should look at.

    `drains` holds drain_id, flows_into and cost (money), and block if blocks are closed as a whole
    (empty for none). `benefits` holds drain_id and any of area_m2, carbon_t, flow_m3; a drain that
    is not in it gives nothing. `patches` (drain_id, patch_id, area_m2) lists ground that several
    drains rewet: each patch counts once, by the weight of area. Benefits become shares of the
    site's totals, weighed by the officer's weights. Drains in a loop, and blocks that need each
    other, make one set. Raises `RuleError` for costs or benefits that are not numbers of 0 or more.
    """
    ids = [str(d) for d in drains["drain_id"]]
    n = len(ids)
    _unique(ids)
    given = benefits.drop_duplicates("drain_id").set_index("drain_id")
    amount = np.zeros((n, len(KINDS)))
    for k, kind in enumerate(KINDS):
        if kind in given.columns:
            amount[:, k] = given[kind].reindex(ids).fillna(0.0).to_numpy(dtype=np.float64)
    cost = drains["cost"].to_numpy(dtype=np.float64)
    _real(cost, ids, "cost")
    for k, kind in enumerate(KINDS):
        _real(amount[:, k], ids, kind)
    weight = np.array([getattr(rules, w) for w in WEIGHTS])
    place = {d: k for k, d in enumerate(ids)}
    pair, patch_area = _patches(patches, place)
    total = amount.sum(axis=0)
    total[0] += patch_area.sum()
    weight = np.where(total > 0, weight, 0.0)
    faults = []
    if weight.sum() <= 0:
        faults.append(
            Fault("budget", "", "no benefit that counts", "an area, carbon or flow with a weight",
                "Without it no drain is better than another: give benefits or weights.", "look")
        )  # fmt: skip
    share = weight / max(weight.sum(), _TINY) / np.maximum(total, _TINY)
    block = [str(b) if b else "" for b in drains["block"]] if "block" in drains else [""] * n
    flows = [str(f) if f else "" for f in drains["flows_into"]]
    first, second = _order(ids, flows, place) if rules.upslope_first else _none()
    set_of, before = _sets(n, block if rules.whole_blocks else [""] * n, first, second)
    held = Case(
        tuple(ids), tuple(block), cost, amount, amount @ share, set_of, before, pair,
        patch_area * share[0],
    )  # fmt: skip
    return held, faults


def _none() -> tuple[Ints, Ints]:
    return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)


def _unique(ids: Sequence[str]) -> None:
    twice = sorted({d for d in ids if ids.count(d) > 1}) if len(set(ids)) < len(ids) else []
    if twice:
        raise RuleError(
            Fault("budget", ", ".join(twice[:5]), "a drain more than once", "each drain once",
                "Look at the table of drains.")
        )  # fmt: skip


def _real(value: Floats, ids: Sequence[str], name: str) -> None:
    bad = ~(np.isfinite(value) & (value >= 0))
    if bad.any():
        raise RuleError([
            Fault("budget", f"drain {ids[int(k)]}", f"{name} {value[k]:g}", "a number of 0 or more",
                "Look at the rates and benefits.")
            for k in np.flatnonzero(bad)[:20]
        ])  # fmt: skip


def _patches(
    patches: pd.DataFrame | None, place: dict[str, int]
) -> tuple[tuple[Ints, Ints], Floats]:
    if patches is None or not len(patches):
        return _none(), np.zeros(0)
    known = patches[patches["drain_id"].isin(list(place))]
    code, names = pd.factorize(known["patch_id"], sort=True)
    area = known.groupby("patch_id", sort=True)["area_m2"].max().reindex(names)
    drain = np.array([place[d] for d in known["drain_id"]], dtype=np.int64)
    return (drain, code.astype(np.int64)), area.to_numpy(dtype=np.float64)


def _order(ids: Sequence[str], flows: Sequence[str], place: dict[str, int]) -> tuple[Ints, Ints]:
    known = [(k, place[f]) for k, f in enumerate(flows) if f in place and f != ids[k]]
    if not known:
        return _none()
    held = np.array(known, dtype=np.int64)
    return held[:, 0], held[:, 1]


def _sets(
    n: int, block: Sequence[str], first: Ints, second: Ints
) -> tuple[Ints, tuple[Ints, Ints]]:
    """Join drains of a block, then whatever needs each other in a ring, into sets."""
    lead: dict[str, int] = {}
    a, b = [first], [second]
    for k, name in enumerate(block):
        if name and lead.setdefault(name, k) != k:
            a.append(np.array([k, lead[name]]))
            b.append(np.array([lead[name], k]))
    one, two = np.concatenate(a), np.concatenate(b)
    if n == 0:
        return np.zeros(0, dtype=np.int64), _none()
    graph = coo_array((np.ones(one.size), (one, two)), shape=(n, n)).tocsr()
    _, group = connected_components(graph, directed=True, connection="strong")
    # sets are numbered by their first drain, so that the solver meets them in the given order
    _, start = np.unique(group, return_index=True)
    rank = np.empty(start.size, dtype=np.int64)
    rank[np.argsort(start)] = np.arange(start.size)
    set_of = rank[group]
    pairs = np.column_stack([set_of[first], set_of[second]])
    pairs = np.unique(pairs[pairs[:, 0] != pairs[:, 1]], axis=0)
    return set_of, (pairs[:, 0], pairs[:, 1])


def choose(
    held: Case,
    money: float,
    rules: BudgetRules,
    *,
    done: Bools | None = None,
    never: Bools | None = None,
    first_cost: float = 0.0,
) -> Choice:
    """Return the drains that give the most benefit for `money`, exactly.

    `done` (N) are closed already: they cost nothing and count as there; `never` (N) may not be
    chosen. `first_cost` (moving in) is paid once if anything is chosen. The solver stops after
    `nodes_max` branches; then `proved` is False and `bound` says what no choice can beat.
    """
    n, m = len(held.ids), held.sets
    closed = np.zeros(n, dtype=bool) if done is None else done
    banned = np.zeros(n, dtype=bool) if never is None else never
    nothing = Choice(np.zeros(n, dtype=bool), 0.0, 0.0, 0.0, True)
    room = money - first_cost
    if m == 0 or room < 0:
        return nothing
    ready = held.set_sum(closed.astype(float)) == np.bincount(held.set_of, minlength=m)
    cost = held.set_sum(np.where(closed, 0.0, held.cost))
    gain = held.set_sum(np.where(closed, 0.0, held.benefit))
    low = ready.astype(float)
    high = np.where(held.set_sum(banned.astype(float)) > 0, low, 1.0)
    picked, bound, proved = _solve(held, cost, gain, low, high, room, closed, rules)
    drains = picked[held.set_of] & ~closed
    paid = float(held.cost[drains].sum())
    got = held.worth(drains | closed) - held.worth(closed)
    if not drains.any():
        return nothing
    top = max(bound - held.worth(closed), got) if not proved else got
    return Choice(drains, paid + first_cost, got, top, proved)


def _solve(
    held: Case, cost: Floats, gain: Floats, low: Floats, high: Floats, room: float, closed: Bools,
    rules: BudgetRules,
) -> tuple[Bools, float, bool]:  # fmt: skip
    """Give the sets to HiGHS: which are picked (M), the bound, and whether it is proved."""
    m, p = held.sets, held.patch_benefit.size
    first, second = held.before
    k = first.size
    row = np.tile(np.arange(k), 2)
    ahead = coo_array(
        (np.repeat([1.0, -1.0], k), (row, np.concatenate([second, first]))), shape=(k, m)
    ).tocsr()
    money = csr_array(cost[None, :])
    # in units of a mean set, which keeps the solver's tolerance far below a penny
    unit = max(float(cost.mean()), _TINY)
    parts = [hstack([money / unit, csr_array((1, p))]), hstack([ahead, csr_array((k, p))])]
    upper = [np.array([room / unit]), np.zeros(k)]
    if p:
        # a patch is there when any of its drains is
        sets = coo_array(
            (np.ones(held.patch[0].size), (held.patch[1], held.set_of[held.patch[0]])), shape=(p, m)
        )
        parts.append(hstack([-sets.tocsr(), csr_array(np.eye(p))]))
        upper.append(np.zeros(p))
    old = held.worth(closed)
    worth = np.concatenate([gain, held.patch_benefit])
    most = float(worth.max(initial=0.0))
    if most <= 0:
        return low > 0, old, True
    kept = room
    for _ in range(20):
        upper[0] = np.array([kept / unit])
        found = milp(
            -worth / most,
            integrality=np.concatenate([np.ones(m), np.zeros(p)]),
            bounds=Bounds(np.concatenate([low, np.zeros(p)]), np.concatenate([high, np.ones(p)])),
            constraints=LinearConstraint(csr_array(vstack(parts)), -np.inf, np.concatenate(upper)),
            options={"mip_rel_gap": 0.0, "node_limit": rules.nodes_max},
        )
        if found.x is None:
            return low > 0, old + float(worth.sum()), False
        picked: Bools = np.asarray(found.x[:m] > 0.5)
        over = float(cost[picked].sum()) - room
        if over <= _TINY * max(room, 1.0):
            break
        kept -= over  # the solver's tolerance had let it spend a little more
    picked = _dropped(held, picked, cost, gain, low > 0)
    bound = float(found.mip_dual_bound) if found.mip_dual_bound is not None else -np.inf
    patched = old - float(held.benefit[closed].sum())
    top = -bound * most + old - patched
    return picked, top, found.status == 0


def _dropped(held: Case, picked: Bools, cost: Floats, gain: Floats, ready: Bools) -> Bools:
    """Leave out sets that cost money, give nothing, and that nothing picked needs."""
    out = picked.copy()
    shared = np.zeros(held.sets, dtype=bool)
    shared[held.set_of[held.patch[0]]] = True
    first, second = held.before
    while True:
        needed = np.zeros(held.sets, dtype=bool)
        needed[first[out[second]]] = True
        idle = out & ~needed & ~ready & ~shared & (gain <= 0) & (cost > 0)
        if not idle.any():
            return out
        out &= ~idle


def greedy(held: Case, money: float, *, first_cost: float = 0.0) -> Choice:
    """Return a plain choice: always the set, with all it needs, that gives most for its money.

    For comparison. With equal costs and nothing shared it is the best; with shared ground and equal
    costs it reaches at least 1 - 1/e (63 %) of the best (Nemhauser, Wolsey & Fisher 1978,
    Math. Programming 14:265, memory); with unequal costs it can be much worse.
    """
    need = _needs(held)
    chosen = np.zeros(len(held.ids), dtype=bool)
    room = money - first_cost
    while True:
        best: tuple[float, float, Bools] | None = None
        for m in range(held.sets):
            add = need[m][held.set_of] & ~chosen
            if not add.any():
                continue
            cost = float(held.cost[add].sum())
            if cost > room + _TINY:
                continue
            gain = held.worth(chosen | add) - held.worth(chosen)
            rate = gain / cost if cost > 0 else np.inf
            if gain > 0 and (best is None or rate > best[0] + _TINY):
                best = (rate, cost, add)
        if best is None:
            break
        room -= best[1]
        chosen |= best[2]
    paid = float(held.cost[chosen].sum()) + (first_cost if chosen.any() else 0.0)
    got = held.worth(chosen)
    return Choice(chosen, paid, got, np.inf, False)


def _needs(held: Case) -> Bools:
    """Sets (M, M) that must be closed with each set, itself among them."""
    m = held.sets
    need = np.eye(m, dtype=bool)
    above: list[list[int]] = [[] for _ in range(m)]
    for a, b in zip(*(x.tolist() for x in held.before), strict=True):
        above[b].append(a)
    for k in range(m):
        todo = list(above[k])
        while todo:
            a = todo.pop()
            if not need[k, a]:
                need[k, a] = True
                todo += above[a]
    return need


def curve(held: Case, rules: BudgetRules, *, first_cost: float = 0.0) -> pd.DataFrame:
    """Return the BENEFIT_CURVE table: the best choice at `curve_points` budgets, 0 to the whole."""
    whole = float(held.cost.sum()) + first_cost
    rows = []
    for money in np.linspace(0.0, whole, rules.curve_points):
        # the last budget pays for everything, whatever the rounding of its sum
        made = choose(held, float(money) * (1 + 1e-12), rules, first_cost=first_cost)
        rows.append(
            (float(money), made.cost, min(made.benefit, 1.0), made.bound, int(made.drains.sum()),
             made.proved)
        )  # fmt: skip
    return columns.checked(pd.DataFrame(rows, columns=list(BENEFIT_CURVE.names)), BENEFIT_CURVE)


def phase(
    drains: pd.DataFrame,
    benefits: pd.DataFrame,
    rules: BudgetRules,
    *,
    money: Sequence[float] | None = None,
    first_cost: float = 0.0,
    done: Collection[str] = (),
    never: Collection[str] = (),
    patches: pd.DataFrame | None = None,
) -> Phased:
    """Return what to close in each phase, and what is left, with the curve.

    `drains`, `benefits` and `patches` as for `case`; `money` of each phase (default: of the rules;
    none there means one phase with all it needs). Each phase in turn takes what gives most for its
    own money, with all that it needs upslope; money that is left is not carried over. `done` and
    `never` are drain ids. Items and drains of a phase are found by its ids, and so is what is left:
    it can be priced and planned as a layout of its own.
    """
    held, faults = case(drains, benefits, rules, patches=patches)
    n = len(held.ids)
    given = list(money) if money is not None else [rules.money] * rules.phases
    if money is None and rules.money <= 0:
        given = [float(held.cost.sum()) * (1 + 1e-12) + first_cost]
    ban = np.array([d in set(never) for d in held.ids], dtype=bool)
    closed = np.array([d in set(done) for d in held.ids], dtype=bool)
    before = closed.copy()
    number = np.zeros(n, dtype=np.int64)
    phases, spent = [], []
    for k, amount in enumerate(given, start=1):
        made = choose(held, amount, rules, done=closed, never=ban, first_cost=first_cost)
        number[made.drains] = k
        closed = closed | made.drains
        phases.append(tuple(held.ids[int(i)] for i in np.flatnonzero(made.drains)))
        spent.append(made.cost)
        if not made.proved:
            faults.append(
                Fault("budget", f"phase {k}", f"benefit {made.benefit:.1%} found, "
                    f"{made.bound:.1%} not ruled out", "a proved best choice",
                    "Raise nodes_max for a longer search; the choice can be used.", "look")
            )  # fmt: skip
        if not made.drains.any() and not closed.all():
            faults.append(
                Fault("budget", f"phase {k}", f"nothing that {amount:g} can pay for",
                    "money for moving in and at least one whole set of drains",
                    "Give more money, or let blocks be parted.", "look")
            )  # fmt: skip
    left = tuple(held.ids[int(i)] for i in np.flatnonzero(~closed))
    table = _table(held, number, before, ban)
    lines = curve(held, rules, first_cost=first_cost)
    words = (
        "benefits are shares of the site's totals, weighed "
        + ", ".join(f"{w.removeprefix('weight_')} {getattr(rules, w):g}" for w in WEIGHTS)
        + f"; {first_cost:g} of each phase is moving in"
    )
    return Phased(table, lines, tuple(phases), left, tuple(spent), tuple(faults), words)


def _table(held: Case, number: Ints, before: Bools, ban: Bools) -> pd.DataFrame:
    rows = []
    downs: list[list[int]] = [[] for _ in range(held.sets)]
    for a, b in zip(*(x.tolist() for x in held.before), strict=True):
        downs[a].append(b)
    members = [np.flatnonzero(held.set_of == s) for s in range(held.sets)]
    own_patch = np.zeros(len(held.ids))
    np.add.at(own_patch, held.patch[0], held.patch_benefit[held.patch[1]])
    for k, d in enumerate(held.ids):
        gain = float(held.benefit[k] + own_patch[k])
        rate = gain / held.cost[k] if held.cost[k] > 0 else np.nan
        if before[k]:
            why = "closed before"
        elif ban[k]:
            why = "may not be chosen"
        elif number[k]:
            why = f"phase {number[k]}: {gain:.1%} of the site's benefit for {held.cost[k]:,.0f}"
            for_ = [held.ids[int(i)] for s in downs[held.set_of[k]] for i in members[s]
                    if number[i] == number[k]]  # fmt: skip
            if for_:
                why += f"; it lies upslope of {', '.join(for_[:3])}"
        else:
            why = "left over: other sets give more for the money there is"
        rows.append(
            (d, held.block[k], int(number[k]), bool(number[k] > 0), float(held.cost[k]),
             *(float(x) for x in held.amount[k]), min(gain, 1.0), rate, why)
        )  # fmt: skip
    table = pd.DataFrame(rows, columns=list(PHASES.names))
    kinds = {"float": "float64", "int": "int64", "bool": "bool", "text": "str"}
    typed = table.astype({c.name: kinds[c.kind] for c in PHASES.columns})
    return columns.checked(typed, PHASES)

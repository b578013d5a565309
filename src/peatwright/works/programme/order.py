"""In which order drains are worked, so that no finished ground is crossed and tracking is short."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from peatwright.model.cited import Cited
from peatwright.model.programme_rules import ProgrammeRules
from peatwright.works.programme import _kernels as kn
from peatwright.works.programme.travel import Table
from peatwright.works.sections import Floats, Ints

NEIGHBOURS = Cited(16, "drains", "neighbours beside which a drain is tried", 4, 100)
FEW = Cited(60, "drains", "beyond so many drains there are fewer fresh starts", 10, 1000)

UPSTREAM, DOWNSTREAM = 1, 0


@dataclass(frozen=True, eq=False)
class Order:
    """Drains (N) in working order, `mode` (by drain) 1 for upstream, and the search's cost (m)."""

    drain: Ints
    mode: Ints
    cost_m: float


def before(
    drain_ids: Sequence[str], flows_into: dict[str, str]
) -> tuple[tuple[Ints, Ints], list[list[str]]]:
    """Return pairs (first, second) of drains, by position: first is closed before second.

    A drain comes before the nearest drain downstream that is in `drain_ids`, even past others that
    are not. Drains in a loop come in no order to each other; the loops are returned too.
    """
    place = {d: k for k, d in enumerate(drain_ids)}
    n = len(drain_ids)
    first, second = [], []
    for k, d in enumerate(drain_ids):
        seen = {d}
        to = flows_into.get(d, "")
        while to and to not in place and to not in seen:
            seen.add(to)
            to = flows_into.get(to, "")
        if to in place and to != d:
            first.append(k)
            second.append(place[to])
    a, b = np.array(first, dtype=np.int64), np.array(second, dtype=np.int64)
    if not a.size:
        return (a, b), []
    graph = coo_array((np.ones(a.size), (a, b)), shape=(n, n)).tocsr()
    _, group = connected_components(graph, directed=True, connection="strong")
    keep = group[a] != group[b]
    loops = [
        [drain_ids[int(k)] for k in np.flatnonzero(group == g)] for g in np.unique(group[a[~keep]])
    ]
    return (a[keep], b[keep]), loops


def greedy(
    table: Table, mode: Ints, first: Ints, second: Ints, far: Floats, some: Ints | None = None
) -> Ints:
    """Return an order by always taking the cheapest drain that may come next.

    `far` (N) is taken off a drain's cost, so that far ones can be made to come early. `some` are
    the drains to order (all if None); the order holds positions among all.
    """
    n = len(mode)
    left = np.zeros(n, dtype=bool)
    left[np.arange(n) if some is None else some] = True
    wait = np.zeros(n, dtype=np.int64)
    inside = left[first] & left[second]
    np.add.at(wait, second[inside], 1)
    begin = 1 + 2 * np.arange(n) + mode
    out, here = [], 0
    while left.any():
        may = np.flatnonzero(left & (wait == 0))
        cost = table.cost_m[here, begin[may]] - far[may]
        take = int(may[np.argmin(cost)])
        left[take] = False
        out.append(take)
        np.subtract.at(wait, second[(first == take) & inside], 1)
        here = 2 + 2 * take - int(mode[take])
    return np.array(out, dtype=np.int64)


def best_order(
    table: Table,
    pairs: tuple[Ints, Ints],
    rules: ProgrammeRules,
    some: Ints | None = None,
) -> Order:
    """Return a good order of drains: each worked once, from the access and back to it.

    Cost is tracking (m as if dry), plus `crossing_m` for each finished drain crossed, plus
    `far_first_ratio` times the distance from the access of drains left late. `table` holds the
    access as place 0 and head and outfall of drain i as 1 + 2i and 2 + 2i. `pairs` are from
    `before`. Starts from nearest-neighbour orders; moves of up to three drains, turned stretches
    and shakes follow (2-opt and or-opt; Croes 1958 and Or 1976, memory). Deterministic. The
    optimum is not proved; tests hold it against an exact solver on small cases.
    """
    n_all = (table.cost_m.shape[0] - 1) // 2
    chosen = np.arange(n_all) if some is None else np.asarray(some, dtype=np.int64)
    n = chosen.size
    upstream = rules.direction == "upstream"
    mode = np.full(n_all, UPSTREAM if upstream else DOWNSTREAM, dtype=np.int64)
    if n == 0:
        return Order(chosen, mode, 0.0)
    inside = np.zeros(n_all, dtype=bool)
    inside[chosen] = True
    keep = inside[pairs[0]] & inside[pairs[1]]
    first, second = pairs[0][keep], pairs[1][keep]
    to_access = table.cost_m[0, 1 + 2 * np.arange(n_all)]
    begins = [
        greedy(table, mode, first, second, np.zeros(n_all), chosen),
        greedy(table, mode, first, second, to_access, chosen),
        greedy(table, mode, first, second, 2.0 * to_access, chosen),
    ]
    # own numbering of the drains at hand, so that the compiled loops hold no others
    place = np.full(n_all, -1, dtype=np.int64)
    place[chosen] = np.arange(n)
    small = _part(table, chosen, place)
    few_first, few_second = place[first], place[second]
    near = _near(small, n)
    spare = np.zeros((7, n), dtype=np.int64)
    kicks = int(rules.kicks * min(1.0, (int(FEW.value) / n) ** 2))

    def search(order: Ints, way: Ints, shakes: int) -> float:
        return kn.search(
            order, way, small.cost_m, small.ptr, small.crossed, rules.crossing_m,
            rules.far_first_ratio, few_first, few_second, near, rules.direction == "either",
            shakes, rules.seed, spare,
        )  # fmt: skip

    best: tuple[float, Ints, Ints] | None = None
    for begin in begins:
        order, way = place[begin], mode[chosen].copy()
        cost = search(order, way, 0)
        if best is None or cost < best[0] - 1e-9:
            best = (cost, order.copy(), way)
    assert best is not None
    cost = search(best[1], best[2], kicks)
    out_mode = mode.copy()
    out_mode[chosen] = best[2]
    return Order(chosen[best[1]], out_mode, cost)


def cost_of(table: Table, order: Ints, mode: Ints, rules: ProgrammeRules) -> float:
    """Return what the search holds an order of all drains to cost (m as if dry)."""
    pos = np.zeros(len(order), dtype=np.int64)
    return kn.order_cost(
        order, mode, table.cost_m, table.ptr, table.crossed, rules.crossing_m,
        rules.far_first_ratio, pos, np.inf,
    )  # fmt: skip


def _part(table: Table, chosen: Ints, place: Ints) -> Table:
    """The table of some drains alone, in their own numbering."""
    if chosen.size == place.size:
        return table
    at = np.concatenate([[0], np.column_stack([1 + 2 * chosen, 2 + 2 * chosen]).ravel()])
    n_all = table.cost_m.shape[0]
    ptr, held = [0], []
    for p in at:
        for q in at:
            own = place[table.crossed[table.ptr[p * n_all + q] : table.ptr[p * n_all + q + 1]]]
            own = own[own >= 0]
            held.append(own)
            ptr.append(ptr[-1] + own.size)
    flat = np.concatenate(held) if held else np.zeros(0, dtype=np.int64)
    pick = np.ix_(at, at)
    return Table(
        np.ascontiguousarray(table.cost_m[pick]), np.ascontiguousarray(table.length_m[pick]),
        np.array(ptr, dtype=np.int64), flat.astype(np.int64),
    )  # fmt: skip


def _near(table: Table, n: int) -> Ints:
    """The nearest other drains of each drain (N, K), by the ways between their ends."""
    if n < 2:
        return np.zeros((n, 0), dtype=np.int64)
    ends = table.cost_m[1:, 1:].reshape(n, 2, n, 2).min(axis=(1, 3)).copy()
    np.fill_diagonal(ends, np.inf)
    k = min(int(NEIGHBOURS.value), n - 1)
    out: Ints = np.ascontiguousarray(np.argsort(ends, axis=1, kind="stable")[:, :k], dtype=np.int64)
    return out

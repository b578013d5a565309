"""The machines, and which of them works which drains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from peatwright.model.errors import Fault, RuleError
from peatwright.model.programme_rules import ProgrammeRules
from peatwright.works.sections import Bools, Floats, Ints


@dataclass(frozen=True)
class Machine:
    """One machine. `size` names the going map it uses; `output_ratio` is against the rates."""

    name: str
    size: str
    output_ratio: float
    reach_m: float
    track_m_per_hour: float


def machines(rules: ProgrammeRules) -> tuple[Machine, ...]:
    """Return the machines of the rules, large ones first.

    Raises `RuleError` when there is none, or one that does nothing in an hour.
    """
    out = []
    for size in ("large", "small"):
        count = getattr(rules, f"{size}_machines")
        out += [
            Machine(
                f"{size} {k + 1}" if count > 1 else size,
                size,
                getattr(rules, f"{size}_output_ratio"),
                getattr(rules, f"{size}_reach_m"),
                getattr(rules, f"{size}_track_m_per_hour"),
            )
            for k in range(count)
        ]
    check(out)
    return tuple(out)


def check(crew: Sequence[Machine]) -> None:
    """Raise `RuleError` for a crew that can do no work."""
    if not crew:
        raise RuleError(
            Fault(
                "rules",
                "programme",
                "no machine",
                "one or more",
                "Set large_machines or small_machines.",
            )
        )
    faults = [
        Fault("rules", f"programme, machine {m.name}",
            f"output {m.output_ratio:g}, tracking {m.track_m_per_hour:g} m/h", "more than 0",
            "A machine that does nothing never ends: set its output and speed.")
        for m in crew
        if not (m.output_ratio > 0 and m.track_m_per_hour > 0)
    ]  # fmt: skip
    if faults:
        raise RuleError(faults)


def split(
    order: Ints, hours: Floats, need_m: Floats, crew: Sequence[Machine], comes: Bools
) -> tuple[list[Ints], Ints]:
    """Share drains among machines; return each one's drains in order, and the drains too deep.

    `order` is the order of one machine for all, `hours` (by drain) at the output of the rates,
    `need_m` the deepest dig of each drain, `comes` (M, N) whether a machine can get to a drain. The
    order is cut into one stretch for each machine, so that each keeps to its own ground, with the
    last to finish as early as can be (exact, by trying every cut); then a drain too deep for its
    machine, or that it cannot get to, goes to the least busy that can. Drains too deep for all that
    get there go to the deepest-reaching of these and are returned as well.
    """
    reach = np.array([m.reach_m for m in crew])
    m, n = len(crew), order.size
    fit = comes & (need_m[None, :] <= reach[:, None] + 1e-9)
    too_deep = order[~fit[:, order].any(axis=0)]
    if m == 1:
        return [order], too_deep
    speed = np.array([c.output_ratio for c in crew])
    total = np.concatenate([[0.0], np.cumsum(hours[order])])
    best = np.full((m + 1, n + 1), np.inf)
    cut = np.zeros((m + 1, n + 1), dtype=np.int64)
    best[0, 0] = 0.0
    for k in range(1, m + 1):
        for e in range(n + 1):
            each = np.maximum(best[k - 1, : e + 1], (total[e] - total[: e + 1]) / speed[k - 1])
            cut[k, e] = int(np.argmin(each))
            best[k, e] = each[cut[k, e]]
    owner = np.zeros(n, dtype=np.int64)
    e = n
    for k in range(m, 0, -1):
        owner[cut[k, e] : e] = k - 1
        e = int(cut[k, e])
    load = np.array([hours[order[owner == k]].sum() / speed[k] for k in range(m)])
    for at in range(n):
        d = order[at]
        if fit[owner[at], d]:
            continue
        able = np.flatnonzero(fit[:, d])
        deepest = int(np.argmax(np.where(comes[:, d], reach, -1.0)))
        to = int(able[np.argmin(load[able])]) if able.size else deepest
        load[owner[at]] -= hours[d] / speed[owner[at]]
        load[to] += hours[d] / speed[to]
        owner[at] = to
    return [order[owner == k] for k in range(m)], too_deep


def can_wait(parts: Sequence[Ints], pairs: tuple[Ints, Ints], n: int) -> bool:
    """Say whether machines that work `parts` in order never wait for each other for ever."""
    a = [pairs[0], *(p[:-1] for p in parts)]
    b = [pairs[1], *(p[1:] for p in parts)]
    first, second = np.concatenate(a), np.concatenate(b)
    if not first.size:
        return True
    graph = coo_array((np.ones(first.size), (first, second)), shape=(n, n)).tocsr()
    groups, _ = connected_components(graph, directed=True, connection="strong")
    return bool(groups == n)

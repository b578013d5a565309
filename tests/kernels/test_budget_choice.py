"""The choice within a budget beside every choice there is, and the bounds that are known."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pandas as pd
import pytest

from peatwright.model.errors import RuleError
from peatwright.model.programme_rules import BudgetRules
from peatwright.works import budget

RULES = BudgetRules()
AREA = BudgetRules(weight_carbon=0.0, weight_flow=0.0)


def site(seed: int, n: int, *, equal: bool = False, above: float = 0.0, blocks: int = 0):
    rng = np.random.default_rng(seed)
    ids = [f"D{k:02d}" for k in range(n)]
    into = [ids[rng.integers(k)] if k and rng.random() < above else "" for k in range(n)]
    drains = pd.DataFrame({
        "drain_id": ids, "flows_into": into,
        "cost": np.full(n, 100.0) if equal else np.round(rng.uniform(50, 500, n), 2),
    })  # fmt: skip
    if blocks:
        drains["block"] = [f"B{b}" if b < blocks else "" for b in rng.integers(0, blocks + 2, n)]
    benefits = pd.DataFrame({"drain_id": ids, "area_m2": rng.uniform(0, 900, n),
        "carbon_t": rng.uniform(0, 9, n), "flow_m3": rng.uniform(0, 90, n)})  # fmt: skip
    return drains, benefits


def every_choice(drains, benefits, rules, money, patches=None, first_cost=0.0):
    """Try all choices of drains; the rules are told again here in plain words."""
    n = len(drains)
    ids = drains["drain_id"].tolist()
    flows = drains["flows_into"].tolist()
    block = drains["block"].tolist() if "block" in drains else [""] * n
    value = benefits.set_index("drain_id").reindex(ids)
    patch = {} if patches is None else dict(tuple(patches.groupby("patch_id")))
    total = {k: value[k].sum() for k in budget.KINDS}
    total["area_m2"] += sum(p["area_m2"].iloc[0] for p in patch.values())
    weight = dict(
        zip(budget.KINDS, (rules.weight_area, rules.weight_carbon, rules.weight_flow), strict=True)
    )
    all_weight = sum(weight.values())
    best = 0.0
    for pick in itertools.product((False, True), repeat=n):
        chosen = {d for d, p in zip(ids, pick, strict=True) if p}
        if not chosen or drains["cost"][list(pick)].sum() + first_cost > money:
            continue
        if any(f in chosen and d not in chosen for d, f in zip(ids, flows, strict=True)):
            continue
        held = [b for b, p in zip(block, pick, strict=True) if p and b]
        if any(b in held and not p for b, p in zip(block, pick, strict=True)):
            continue
        got = {k: value[k][list(pick)].sum() for k in budget.KINDS}
        got["area_m2"] += sum(
            p["area_m2"].iloc[0] for p in patch.values() if chosen & set(p["drain_id"])
        )
        best = max(best, sum(weight[k] * got[k] / total[k] for k in budget.KINDS) / all_weight)
    return best


@pytest.mark.parametrize("seed", range(12))
def test_choice_is_the_best_of_all_choices(seed: int) -> None:
    drains, benefits = site(seed, 6 + seed % 5, above=0.5 * (seed % 2), blocks=seed % 3)
    money = float(drains["cost"].sum()) * (0.2 + 0.05 * seed)
    held, _ = budget.case(drains, benefits, RULES)
    made = budget.choose(held, money, RULES, first_cost=40.0)
    assert made.proved
    assert made.cost <= money
    assert made.benefit == pytest.approx(
        every_choice(drains, benefits, RULES, money, first_cost=40.0), rel=1e-9
    )


@pytest.mark.parametrize("seed", range(5))
def test_ground_shared_by_drains_counts_once(seed: int) -> None:
    drains, benefits = site(50 + seed, 8, above=0.3)
    rng = np.random.default_rng(seed)
    patches = pd.DataFrame(
        [(f"D{d:02d}", f"P{p}", 100.0 + 10 * p) for p in range(6) for d in rng.choice(8, 3, False)],
        columns=["drain_id", "patch_id", "area_m2"],
    )
    money = float(drains["cost"].sum()) * 0.5
    held, _ = budget.case(drains, benefits, RULES, patches=patches)
    made = budget.choose(held, money, RULES)
    assert made.benefit == pytest.approx(
        every_choice(drains, benefits, RULES, money, patches), rel=1e-9
    )


@pytest.mark.parametrize("n", range(1, 16))
def test_greedy_is_best_when_benefits_are_independent_and_costs_equal(n: int) -> None:
    """Science notes, section 9: independent benefits, N <= 15: greedy must equal the best."""
    drains, benefits = site(n, n, equal=True)
    held, _ = budget.case(drains, benefits, RULES)
    money = 100.0 * (n // 2 + 1)
    made, plain = budget.choose(held, money, RULES), budget.greedy(held, money)
    best = np.sort(held.benefit)[::-1][: int(money // 100)].sum()
    assert made.benefit == pytest.approx(best)
    assert plain.benefit == pytest.approx(best)


@pytest.mark.parametrize("seed", range(10))
def test_greedy_cover_reaches_its_known_share(seed: int) -> None:
    """Submodular cover: at least 1 - 1/e of the best (Nemhauser et al. 1978, memory)."""
    rng = np.random.default_rng(seed)
    ids = [f"D{k:02d}" for k in range(12)]
    drains = pd.DataFrame({"drain_id": ids, "flows_into": "", "cost": 100.0})
    patches = pd.DataFrame(
        [(d, f"P{p}", 50.0) for d in ids for p in rng.choice(25, 5, replace=False)],
        columns=["drain_id", "patch_id", "area_m2"],
    )
    held, _ = budget.case(drains, pd.DataFrame({"drain_id": ids}), AREA, patches=patches)
    best, plain = budget.choose(held, 400.0, AREA), budget.greedy(held, 400.0)
    cover = [set(patches["patch_id"][patches["drain_id"] == d]) for d in ids]
    most = max(len(set().union(*lot)) for lot in itertools.combinations(cover, 4))
    assert best.benefit == pytest.approx(most / patches["patch_id"].nunique())
    assert (1 - 1 / np.e) * best.benefit <= plain.benefit <= best.benefit + 1e-12


def test_plain_ranking_can_be_much_worse() -> None:
    """Worked by hand: a cheap drain of high rate shuts out the one that is worth most."""
    drains = pd.DataFrame({"drain_id": ["a", "b"], "flows_into": "", "cost": [1.0, 100.0]})
    benefits = pd.DataFrame({"drain_id": ["a", "b"], "area_m2": [2.0, 98.0]})
    held, _ = budget.case(drains, benefits, AREA)
    assert budget.choose(held, 100.0, AREA).benefit == pytest.approx(0.98)
    assert budget.greedy(held, 100.0).benefit == pytest.approx(0.02)


def test_phases_take_upslope_drains_first_and_leave_the_rest() -> None:
    """a and b flow into c, which gives most: by hand, 250 pays for a and c only with b."""
    drains = pd.DataFrame(
        {"drain_id": list("abcd"), "flows_into": ["c", "c", "", ""], "cost": [100.0, 100, 100, 90]}
    )
    benefits = pd.DataFrame({"drain_id": list("abcd"), "area_m2": [1.0, 2.0, 90.0, 7.0]})
    made = budget.phase(drains, benefits, AREA, money=[250.0, 150.0, 150.0])
    assert made.phases == (("b", "d"), ("a",), ("c",))
    assert made.left == ()
    assert made.money_spent == (190.0, 100.0, 100.0)
    rich = budget.phase(drains, benefits, AREA, money=[300.0])
    assert rich.phases == (("a", "b", "c"),)
    assert rich.left == ("d",)
    assert rich.table.set_index("drain_id")["phase"].to_dict() == {"a": 1, "b": 1, "c": 1, "d": 0}


def test_curve_rises_and_ends_with_the_whole() -> None:
    drains, benefits = site(3, 30, above=0.4, blocks=4)
    held, _ = budget.case(drains, benefits, RULES)
    curve = budget.curve(held, RULES, first_cost=50.0)
    assert (np.diff(curve["benefit_ratio"]) >= -1e-12).all()
    assert (curve["cost"] <= curve["money"] + 1e-6).all()
    assert curve["benefit_ratio"].iloc[-1] == pytest.approx(1.0)
    assert curve["drains"].iloc[-1] == 30
    assert curve["drains"].iloc[0] == 0
    assert curve["proved"].all()


def test_weights_are_the_officers() -> None:
    drains = pd.DataFrame({"drain_id": ["wet", "flow"], "flows_into": "", "cost": [100.0, 100.0]})
    benefits = pd.DataFrame(
        {"drain_id": ["wet", "flow"], "area_m2": [900.0, 100.0], "flow_m3": [10.0, 90.0]}
    )
    for weights, best in (((2.0, 0.0, 1.0), "wet"), ((1.0, 0.0, 2.0), "flow")):
        area, carbon, flow = weights
        rules = BudgetRules(weight_area=area, weight_carbon=carbon, weight_flow=flow)
        assert budget.phase(drains, benefits, rules, money=[100.0]).phases == ((best,),)


def test_done_and_never_are_kept_to() -> None:
    drains, benefits = site(5, 10, above=0.6)
    made = budget.phase(drains, benefits, RULES, money=[1e6], done=["D00"], never=["D03"])
    number = made.table.set_index("drain_id")["phase"]
    assert number["D00"] == 0
    assert number["D03"] == 0
    assert "D03" in made.left
    assert "D00" not in made.left
    below = drains.set_index("drain_id")["flows_into"]["D03"]
    assert not below or below == "D00" or number[below] == 0


def test_two_thousand_four_hundred_drains_stay_inside_the_money() -> None:
    drains, benefits = site(1, 2400, above=0.6)
    held, _ = budget.case(drains, benefits, RULES)
    money = float(drains["cost"].sum()) * 0.35
    made = budget.choose(held, money, RULES)
    assert made.cost <= money
    assert made.proved
    chosen = set(np.array(held.ids)[made.drains])
    for d, to in zip(drains["drain_id"], drains["flows_into"], strict=True):
        assert to not in chosen or d in chosen
    assert np.isclose(made.benefit, held.benefit[made.drains].sum())


def test_odd_input_is_told_plainly() -> None:
    drains, benefits = site(2, 3)
    drains.loc[0, "drain_id"] = "=HYPERLINK(1) ✓ " + "x" * 200
    assert budget.phase(drains, benefits, RULES, money=[0.0]).phases == ((),)
    said = budget.phase(drains, benefits, RULES, money=[10.0]).faults
    assert any("nothing that 10 can pay for" in f.line() for f in said)
    nothing = budget.phase(drains.iloc[:0], benefits, RULES)
    assert nothing.phases == ((),)
    assert len(nothing.table) == 0
    with pytest.raises(RuleError, match="more than once"):
        budget.case(pd.concat([drains, drains]), benefits, RULES)
    with pytest.raises(RuleError, match="a number of 0 or more"):
        budget.case(drains.assign(cost=[1.0, np.nan, -2.0]), benefits, RULES)
    _, faults = budget.case(drains, benefits[["drain_id"]], RULES)
    assert any("no benefit that counts" in f.line() for f in faults)


def test_drains_in_a_ring_and_blocks_that_need_each_other_are_one_set() -> None:
    drains = pd.DataFrame({"drain_id": list("abcd"), "flows_into": ["b", "a", "", ""],
        "cost": 10.0, "block": ["", "x", "x", ""]})  # fmt: skip
    benefits = pd.DataFrame({"drain_id": list("abcd"), "area_m2": 1.0})
    held, _ = budget.case(drains, benefits, AREA)
    assert held.set_of.tolist() == [0, 0, 0, 1]
    assert budget.choose(held, 29.0, AREA).drains.tolist() == [False, False, False, True]
    loose = dataclasses.replace(AREA, whole_blocks=False, upslope_first=False)
    held, _ = budget.case(drains, benefits, loose)
    assert held.set_of.tolist() == [0, 1, 2, 3]

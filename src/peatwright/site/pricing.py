"""The price of a layout with its range, from what the store holds."""

from __future__ import annotations

from peatwright.model.rules import Rules
from peatwright.site.store import Made, Store


def money_words(rules: Rules) -> str:
    """Say what the money is and what is in it."""
    r, tax = rules.rates, rules.spread.tax_ratio
    taxed = f"with tax of {tax:.0%}" if tax else "without tax"
    return (
        f"{r.currency} {taxed}, in the prices of the rates table; moving in and out, supervision "
        f"({r.supervision_ratio:.0%}) and contingency ({r.contingency_ratio:.0%}) are in it"
    )


def priced(store: Store, rules: Rules) -> Made:
    """Return quantities with their ranges, and the cost with its range, drivers and sense check.

    Raises `RuleError` for rates that cannot be used.
    """
    from peatwright.works.counted import area_counted
    from peatwright.works.price import price
    from peatwright.works.programme.hours import usable
    from peatwright.works.ranges import quantity_ranges
    from peatwright.works.sense import sense
    from peatwright.works.spread import spread

    usable(rules.rates)  # before the first division by an output
    items, drains, stations = (store.table(n) for n in ("items", "drains", "stations"))
    quantities = price(items, store.table("reaches"), drains, rules)
    ranges = quantity_ranges(items, drains, stations, rules, rules.spread)
    area = area_counted(drains, store.area("boundary"), rules.condition.drained_m)
    made = spread(
        items, rules, rules.spread, ranges=ranges.ratio,
        drain_m=float(drains["length_m"].sum()), area_m2=area.area_m2,
    )  # fmt: skip
    tables = {
        "quantities": quantities,
        "quantity_ranges": ranges.table,
        "cost": made.cost,
        "cost_drivers": made.drivers,
        "cost_sense": sense(made.cost, rules.rates.currency),
    }
    report = {
        "p10": made.p10, "p50": made.p50, "p90": made.p90, "drawn": made.words,
        "money": money_words(rules), "area_m2": area.area_m2, "area": area.words,
    }  # fmt: skip
    return Made(tables, {}, report)

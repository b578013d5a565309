"""The programme and the phases of a layout, from what the store holds and people said."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from peatwright.model.errors import Fault, GivenError
from peatwright.model.progress import Progress, part, silent
from peatwright.model.rules import Rules
from peatwright.site import said
from peatwright.site.store import Made, Store

if TYPE_CHECKING:
    import pandas as pd

    from peatwright.works.programme.plan import Summary

SAID = "phases"
MONEY_MOST = 1e9
PHASES_MOST = 30
CROSSING = {
    "overhead line": "Agree one place and its clearance with the owner; set height posts.",
    "buried service": "Agree one place with the owner; find its depth; plates or a ramp over it.",
    "watercourse": "Use a bridge or ford that is there and bears the machine; never its banks.",
}


def programmed(store: Store, rules: Rules, progress: Progress = silent) -> Made:
    """Return order, calendar and ways, with what they come to and what to look at.

    The going map of the ground stage is used when it was made. Raises `RuleError` for rates, dates
    or machines that cannot be used.
    """
    from peatwright.works.programme.access import access_point, crossed_services, going_cost
    from peatwright.works.programme.plan import plan

    items, drains = store.table("items"), store.table("drains")
    limits = store.table("limits")
    access = access_point(
        drains, store.table("nodes"), limits, store.area("boundary"), rules.programme
    )
    rasters = {name for state in store.states().values() for name in state.rasters}
    going = None
    if "going" in rasters:
        unstable = store.raster("factor_standing") if "factor_standing" in rasters else None
        going = going_cost(
            store.raster("going"), rules.programme, limits=limits, unstable=unstable,
            factor_stop=rules.stability.factor_stop,
        )  # fmt: skip
    made = plan(
        items, drains, rules, rules.programme, going=going,
        access=(access.x_m, access.y_m) if access else None, progress=part(progress, 0.1, 1.0),
    )  # fmt: skip
    faults = list(made.faults)
    if access is not None and not access.given:
        faults.append(
            Fault("programme", "access", f"not given: {access.words} was taken, "
                  f"at {access.x_m:.0f}, {access.y_m:.0f}", "where the machines come in",
                  "Set access_x_m and access_y_m in [programme].", "look")
        )  # fmt: skip
    faults += [
        Fault("programme", f"{kind} {name}".strip(),
              f"crossed by {ways} way{'s' if ways > 1 else ''}, about {x:.0f}, {y:.0f}",
              "a crossing agreed with its owner, marked and made safe", CROSSING[kind], "look")
        for kind, name, ways, x, y in crossed_services(made.trips, limits)
    ]  # fmt: skip
    if going is None:
        faults.append(
            Fault("programme", "going", "not known: all ground counts as dry and open, no-go areas "
                  "too", "a going map, made from peat probes",
                  "Give probes, and walk every way before a machine takes it.", "look")
        )  # fmt: skip
    faults += _season_faults(made.days, drains, store, rules)
    tables = {
        "programme": made.programme,
        "programme_items": made.items,
        "programme_days": made.days,
        "trips": made.trips,
        "programme_sums": _sums(made.summary, access.words if access else ""),
        "programme_looks": _looks(faults),
    }
    return Made(tables, {}, {"faults": [f.line() for f in faults]})


def _season_faults(days: pd.DataFrame, drains: Any, store: Store, rules: Rules) -> list[Fault]:
    """Say which planned days fall into days closed for the site, a nest or a given area."""
    import datetime as dt

    import shapely

    from peatwright.ground import season, season_notes

    crs = store.states()["take"].report["crs"]
    periods = (
        *season.default_periods(rules.season, season_notes.nests(store.table("limits"))),
        *season.from_table(store.table("given_closed"), crs),
    )
    shape = dict(zip(drains["drain_id"], drains.geometry, strict=True))
    planned = [(d, dt.date.fromisoformat(t)) for d, t in zip(days["drain_id"], days["date"],
                                                              strict=True)]  # fmt: skip
    faults = []
    for p in periods:
        hit = [
            (d, t) for d, t in planned
            if p.closed(t) and (p.area is None or shapely.intersects(shape[d], p.area))
        ]  # fmt: skip
        if hit:
            names = list(dict.fromkeys(d for d, _ in hit))
            more = f" and {len(names) - 6} more" if len(names) > 6 else ""
            faults.append(
                Fault("programme", f"drain {', '.join(names[:6])}{more}",
                      f"{len({t for _, t in hit})} days of work from {min(t for _, t in hit)} "
                      f"within days closed for {p.name}, {p.days_words()}",
                      "days outside it, or the adviser's word for them",
                      "Move them: a closed season in [programme], or an earlier start.", "look")
            )  # fmt: skip
    return faults


def _sums(s: Summary, access: str) -> pd.DataFrame:
    import pandas as pd

    from peatwright.model import columns
    from peatwright.model.programme_layers import PROGRAMME_SUMS

    nan = float("nan")
    rows = [
        ("tracked", "m", s.travel_m, s.plain_travel_m, "between drains, from the access and back"),
        ("tracked, as if dry", "m", s.travel_cost_m, s.plain_travel_cost_m,
         "each metre by what the ground makes it cost"),
        ("tracked over wet ground", "m", s.wet_m, nan, "mats or another way"),
        ("finished drains crossed", "times", float(s.finished_crossed),
         float(s.plain_finished_crossed), "each spoils what was built"),
        ("machine hours of work", "h", s.hours, nan, ""),
        ("days of work", "days", float(s.work_days), nan,
         f"{s.first_date} to {s.last_date}" if s.first_date and s.last_date else ""),
        ("waiting", "h", s.wait_hours, nan, "for another machine or the season"),
        ("drains outside the first season", "drains", float(s.later_drains), nan, ""),
        ("hours outside the first season", "h", s.later_hours, nan, ""),
        ("access", "", nan, nan, access),
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=list(PROGRAMME_SUMS.names))
    kinds = {c.name: "float64" if c.kind == "float" else "str" for c in PROGRAMME_SUMS.columns}
    return columns.checked(table.astype(kinds), PROGRAMME_SUMS)


def _looks(faults: Sequence[Fault]) -> pd.DataFrame:
    import pandas as pd

    from peatwright.model import columns
    from peatwright.model.programme_layers import PROGRAMME_LOOKS

    if not faults:
        return columns.empty(PROGRAMME_LOOKS, "")
    rows = [(f.place, f.found, f.allowed, f.fix) for f in faults]
    table = pd.DataFrame(rows, columns=list(PROGRAMME_LOOKS.names)).astype("str")
    return columns.checked(table, PROGRAMME_LOOKS)


def wish_of(folder: Path) -> dict[str, Any]:
    """Return the last wish for phases: money of each, drains done and never to be chosen."""
    entries = said.heard(folder, SAID)
    held: dict[str, Any] = {"money": [], "done": [], "never": []}
    if entries:
        held |= {k: json.loads(entries[-1][k]) for k in held if k in entries[-1]}
    return held


def say_wish(
    folder: Path, money: Sequence[float], done: Sequence[str], never: Sequence[str], on: str
) -> None:
    """Keep a wish for phases. Raises `GivenError` for money or drains that make no sense."""
    faults = [
        Fault("--money", "", f"{m:g}", f"more than 0 and up to {MONEY_MOST:g}",
              "Give the money of each phase as plain numbers, such as --money 30000 20000.")
        for m in money if not (math.isfinite(m) and 0 < m <= MONEY_MOST)
    ]  # fmt: skip
    if len(money) > PHASES_MOST:
        faults.append(
            Fault("--money", "", f"{len(money)} phases", f"{PHASES_MOST} or fewer",
                  "Join some of them.")
        )  # fmt: skip
    store = Store(folder)
    known = set(store.table("drains")["drain_id"]) if "measure" in store.states() else set()
    for option, ids in (("--done", done), ("--never", never)):
        faults += [
            Fault(option, "", repr(d), "the id of a drain of this site",
                  "`peatwright show DIR` and the overview name the drains, such as D001.")
            for d in ids if d not in known
        ]  # fmt: skip
    faults += [
        Fault("--done, --never", "", repr(d), "a drain in one of the two", "Strike it from one.")
        for d in sorted(set(done) & set(never))
    ]
    if faults:
        raise GivenError(faults)
    entry = {"money": list(money), "done": sorted(set(done)), "never": sorted(set(never))}
    said.say(folder, SAID, {k: json.dumps(v) for k, v in entry.items()} | {"on": on})


def asked_for(wish: Mapping[str, Any], rules: Rules) -> bool:
    """Say whether phases are wanted at all: nobody pays for a choice that is not asked for."""
    return bool(wish["money"] or wish["done"] or wish["never"] or rules.budget.money > 0)


def phased(store: Store, rules: Rules, folder: Path, progress: Progress = silent) -> Made:
    """Return the choice of drains for each phase, with the curve of benefit against money.

    With nothing said and no money in the rule sheet there are no phases, and both layers are
    empty. Benefit is the area rewetted; carbon and flow count once they are known by drain.
    """
    from peatwright.model.columns import empty
    from peatwright.model.programme_layers import BENEFIT_CURVE, PHASES
    from peatwright.works.budget import case, drain_costs, phase
    from peatwright.works.counted import rewetted

    wish = wish_of(folder)
    if not asked_for(wish, rules):
        return Made({"phases": empty(PHASES, ""), "benefit_curve": empty(BENEFIT_CURVE, "")})
    drains, reaches = store.table("drains"), store.table("reaches")
    progress(0.1, "counting the ground that each drain rewets")
    wet = rewetted(drains, reaches, rules.condition.drained_m, boundary=store.area("boundary"))
    cost = drain_costs(store.table("quantities"), rules).set_index("drain_id")["cost"]
    table = drains[["drain_id", "flows_into"]].copy()
    table["cost"] = cost.reindex(table["drain_id"]).fillna(0.0).to_numpy(dtype=np.float64)
    here = set(table["drain_id"])
    progress(0.4, "choosing")
    made = phase(
        table, wet.benefits, rules.budget, money=wish["money"] or None,
        first_cost=rules.rates.move_in_out, done=[d for d in wish["done"] if d in here],
        never=[d for d in wish["never"] if d in here], patches=wet.patches,
    )  # fmt: skip
    held, _ = case(table, wet.benefits, rules.budget, patches=wet.patches)
    ids = np.array(held.ids, dtype=object)
    closed = np.isin(ids, wish["done"])
    gains = []
    for chosen in made.phases:
        now = closed | np.isin(ids, chosen)
        gains.append(held.worth(now) - held.worth(closed))
        closed = now
    shown = made.table.copy()
    shown["area_m2"] = wet.area_m2
    shown[["carbon_t", "flow_m3"]] = np.nan  # not known drain by drain
    shown.loc[shown["cost"] <= 0, "why"] = "nothing to build"
    faults = list(made.faults)
    faults += [
        Fault("phases", f"drain {d}", "no drain of that name any more", "a drain of this layout",
              "It was passed over: say the phases again.", "look")
        for d in (*wish["done"], *wish["never"]) if d not in here
    ]  # fmt: skip
    report = {
        "phases": [list(p) for p in made.phases], "left": list(made.left),
        "money": wish["money"] or [rules.budget.money] * rules.budget.phases,
        "spent": list(made.money_spent), "gains": gains, "words": made.words,
        "area_m2": wet.total_m2,
        "faults": [f.line() for f in faults],
    }  # fmt: skip
    progress(1.0, "phases chosen")
    return Made({"phases": shown, "benefit_curve": made.curve}, {}, report)

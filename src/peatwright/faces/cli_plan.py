"""Commands for money: which drains to close first when there is not enough for all."""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from peatwright.model.errors import Fault, GivenError

if TYPE_CHECKING:
    from peatwright.model.rules import Rules
    from peatwright.site.store import Store

WIDE = 88
BAR = 30


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add these commands to the command line."""
    phases = commands.add_parser(
        "phases", help="choose the drains that give most for the money of each year"
    )
    phases.add_argument("folder", type=Path, metavar="DIR")
    phases.add_argument(
        "--money", nargs="+", default=[], metavar="AMOUNT",
        help="money of each phase, all included, in the currency of the rates table",
    )  # fmt: skip
    phases.add_argument("--done", nargs="+", default=[], metavar="DRAIN", help="closed already")
    phases.add_argument("--never", nargs="+", default=[], metavar="DRAIN", help="not to be closed")
    phases.add_argument("--off", action="store_true", help="forget the phases")
    phases.set_defaults(call=_phases)

    code = commands.add_parser("code", help="tell whether a printed page is still good")
    code.add_argument("folder", type=Path, metavar="DIR")
    code.add_argument("code", metavar="CODE", help="the short code printed on the page")
    code.add_argument("--drain", default="", help="the drain on the card")
    code.set_defaults(call=_code)


def _money(said: list[str]) -> list[float]:
    money, faults = [], []
    for text in said:
        try:
            money.append(float(text.replace("_", "")))
        except ValueError:
            faults.append(
                Fault("--money", "", repr(text), "a plain number",
                      "Give the money of each phase, such as --money 30000 20000.")
            )  # fmt: skip
    if faults:
        raise GivenError(faults)
    return money


def _phases(asked: argparse.Namespace) -> int:
    from peatwright.faces.progress_bar import bar
    from peatwright.faces.stray import without_stray_lines
    from peatwright.site import lock, rule_sheet
    from peatwright.site.folder import open_site
    from peatwright.site.planning import say_wish, wish_of
    from peatwright.site.store import Store
    from peatwright.stages import run

    money = _money(asked.money)
    site = open_site(asked.folder)
    store, rules = Store(site.folder), rule_sheet.read(site.folder)
    if "price" not in store.states():
        raise GivenError(
            Fault(site.folder.name, "", "no price yet", "a site that has been run",
                  f"First: peatwright run {site.folder} --to price")
        )  # fmt: skip
    if asked.off and (money or asked.done or asked.never):
        raise GivenError(
            Fault("--off", "", "--off with other options", "--off alone", "Leave one out.")
        )
    if money or asked.done or asked.never or asked.off:
        wish = wish_of(site.folder)
        with lock.held(site.folder):
            say_wish(
                site.folder,
                [] if asked.off else money or wish["money"],
                [] if asked.off else asked.done or wish["done"],
                [] if asked.off else asked.never or wish["never"],
                _now(),
            )
    elif not wish_of(site.folder)["money"] and rules.budget.money <= 0:
        raise GivenError(
            Fault("--money", "", "no money was named", "the money of each phase",
                  "For example --money 30000 20000, or set money in [budget].")
        )  # fmt: skip
    with bar("choosing phases") as progress, without_stray_lines():
        for _ in run(site, today=_now()[:10], to="phases", listen=lambda _: progress):
            pass
    _tell(store, rules, print)
    return 0


def _now() -> str:
    import datetime

    return datetime.datetime.now().astimezone().isoformat(timespec="seconds")


def _tell(store: Store, rules: Rules, say: Callable[[str], None]) -> None:
    from peatwright.packs.wording import count, number

    table, curve = store.table("phases"), store.table("benefit_curve")
    report: dict[str, Any] = dict(store.states()["phases"].report)
    if not len(table):
        say("No phases: the whole layout is one.")
        return
    money = rules.rates.currency
    works = table[table["cost"] > 0]
    drains = store.table("drains").set_index("drain_id")["length_m"]

    def told(ids: list[str]) -> str:
        return f"{count(len(ids), 'drain')}, {number(drains.reindex(ids).sum() / 1000, 2, 'km')}"

    each = zip(report["money"], report["spent"], report["gains"], strict=True)
    for k, (budget, spent, gain) in enumerate(each, 1):
        mine = works[works["phase"] == k]
        shown = f"of {number(budget)} {money}" if budget else f"{money}, no limit"
        say(f"Phase {k}   {number(spent)} {shown}: {told(list(mine['drain_id']))}, {gain:.0%} of "
            "the benefit")  # fmt: skip
        _wrap(say, ", ".join(mine["drain_id"]) or "nothing")
    done = works[works["why"] == "closed before"]
    if len(done):
        say(f"Closed    {told(list(done['drain_id']))}")
    left = works[(works["phase"] == 0) & (works["why"] != "closed before")]
    say(f"Left over {told(list(left['drain_id']))}, {number(left['cost'].sum())} {money} "
        "and moving in")  # fmt: skip
    _wrap(say, ", ".join(left["drain_id"]) or "nothing")
    say("")
    say(f"Most benefit for one budget ({money}, moving in included)")
    for row in curve.itertuples():
        bar = "█" * round(BAR * row.benefit_ratio)
        sure = "" if row.proved else f"  up to {row.bound_ratio:.0%} not ruled out"
        say(f"{number(row.money):>10}  {bar:<{BAR}} {row.benefit_ratio:4.0%}  "
            f"{row.drains} drains{sure}")  # fmt: skip
    say("")
    wide = rules.condition.drained_m
    _wrap(say, f"Benefit is area rewetted: {number(report['area_m2'] / 1e4, 1)} ha within "
          f"{wide:g} m of closed drain, ground shared by drains counted once, inside the boundary "
          "where there is one. Carbon and flow are not known drain by drain yet, so their weights "
          f"do not count. {report['words'][:1].upper()}{report['words'][1:]}.", "")  # fmt: skip
    for line in report["faults"]:
        _wrap(say, f"LOOK  {line}", "")


def _wrap(say: Callable[[str], None], text: str, indent: str = "          ") -> None:
    for line in textwrap.wrap(text, WIDE, initial_indent=indent, subsequent_indent=indent):
        say(line)


def _code(asked: argparse.Namespace) -> int:
    from peatwright.packs.version import check_code
    from peatwright.site.folder import open_site
    from peatwright.site.pack_folder import PACK_FOLDER

    site = open_site(asked.folder)
    checked = check_code(site.folder / PACK_FOLDER, asked.code, asked.drain)
    print(checked.words)
    return 0 if checked.state == "current" else 1

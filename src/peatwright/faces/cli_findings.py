"""Commands for findings: list them in plain words, and answer them."""

from __future__ import annotations

import argparse
import sys
import textwrap
from pathlib import Path

WIDE = 96
MARKS = {"stop": "STOP", "look": "LOOK", "note": "note"}


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add these commands to the command line."""
    findings = commands.add_parser("findings", help="list what the checks of the layout found")
    findings.add_argument("folder", type=Path, metavar="DIR")
    findings.add_argument("--open", action="store_true", help="only those that need an answer")
    findings.add_argument("--severity", choices=tuple(MARKS), help="only of this severity")
    findings.set_defaults(call=_findings)

    answer = commands.add_parser("answer", help="answer findings with a reason, in your name")
    answer.add_argument("folder", type=Path, metavar="DIR")
    answer.add_argument("finding_id", nargs="+", metavar="FINDING_ID")
    answer.add_argument("--by", required=True, metavar="NAME", help="your name")
    answer.add_argument("--reason", required=True, metavar="TEXT", help="why work may go on")
    answer.set_defaults(call=_answer)


def _findings(asked: argparse.Namespace) -> int:
    from peatwright.ground.findings import still_open
    from peatwright.site import answers, rule_sheet
    from peatwright.site.folder import open_site
    from peatwright.site.store import Store
    from peatwright.stages import stale

    site = open_site(asked.folder)
    store = Store(site.folder)
    everything = answers.current(store)
    unanswered = still_open(everything)
    held = unanswered if asked.open else everything
    if asked.severity:
        held = held[held["severity"] == asked.severity]
    for row in held.to_dict("records"):
        print(f"{MARKS[row['severity']]}  {row['finding_id']}  {row['topic']}: {row['place']}")
        _told("", f"{row['what']}.")
        if row["severity"] != "note":
            _told("rule: ", f"{row['rule']} ({row['source']})")
            _told("do: ", row["to_do"])
        if row["answer"]:
            _told("answered: ", f"{row['answered_on']} {row['answered_by']}: {row['answer']}")
        if row["answered_before"]:
            _told("answered before, for other facts: ", row["answered_before"])
        print()
    stops = int((unanswered["severity"] == "stop").sum())
    print(
        f"{len(held)} shown of {len(everything)}; without an answer: {stops} stop, "
        f"{len(unanswered) - stops} look."
    )
    if {"take", "ground", "measure", "lay"} & set(stale(site, store, rule_sheet.read(site.folder))):
        print(
            "What was given or a rule has changed since; peatwright run checks again.",
            file=sys.stderr,
        )
    return 0


def _told(label: str, text: str) -> None:
    print(
        textwrap.fill(
            f"{label}{text}", WIDE, initial_indent="      ", subsequent_indent="      ",
            break_long_words=False, break_on_hyphens=False,
        )
    )  # fmt: skip


def _answer(asked: argparse.Namespace) -> int:
    import datetime

    from peatwright.site import answers
    from peatwright.site.folder import open_site

    site = open_site(asked.folder)
    today = datetime.datetime.now().astimezone().date()
    kept = answers.give(site.folder, asked.finding_id, reason=asked.reason, by=asked.by, on=today)
    for finding_id, what in kept.items():
        _told(f"{finding_id}: ", what)
    print(
        f"Answer kept for {len(kept)} of the findings, by {asked.by.strip()} on "
        f"{today.isoformat()}. It holds until the facts change.\n"
        f"Next: peatwright run {site.folder} puts it into the pack."
    )
    return 0

"""The command line: parse, one call, show the result. Heavy imports stand where they are used."""

from __future__ import annotations

import argparse
import os
import sys
import textwrap
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path

from peatwright import __version__
from peatwright.faces import cli_find, cli_findings, cli_plan, cli_water
from peatwright.model.errors import Fault, PeatwrightError
from peatwright.model.progress import Progress

ROLE_HELP = {
    "dtm": "terrain: GeoTIFF, ASCII grid, VRT, LAS/LAZ points, or a folder of tiles",
    "drains": "drain lines",
    "boundary": "site boundary",
    "probes": "peat depth probes",
    "nogo": "what must not be touched: a `kind` column says what it is",
    "depths": "drain depths measured by hand",
    "condition": "condition of the ground: polygons with a `category` of the rule sheet's scheme",
    "bare": "bare peat: polygons",
    "closed": "areas closed in a season: polygons with `from_day` and `to_day` as month-day",
}
# The summary counts what this stage made.
SUMMED_UP = "price"


def parser() -> argparse.ArgumentParser:
    """Return the command line's parser."""
    top = argparse.ArgumentParser(
        prog="peatwright",
        description="From a terrain model of a drained bog to a layout of dams and zipped drain.",
    )
    top.add_argument("--version", action="version", version=f"peatwright {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)

    new = commands.add_parser("new", help="make a site folder from given files")
    new.add_argument("folder", type=Path, metavar="DIR")
    for role, words in ROLE_HELP.items():
        new.add_argument(
            f"--{role}", type=Path, nargs="+", action="extend", default=[], metavar="FILE",
            required=role == "dtm", help=words,
        )  # fmt: skip
    new.add_argument("--name", help="the site's name on every page (default: the folder's name)")
    new.add_argument("--attribution", default="", help="credit that the terrain's licence asks for")
    new.add_argument(
        "--crs", default="", help="CRS of given files that carry none, such as EPSG:27700"
    )
    new.add_argument(
        "--columns", action="append", default=[], metavar="ROLE:x=NAME,y=NAME,value=NAME",
        help="columns of a CSV file whose names are not recognised",
    )  # fmt: skip
    new.add_argument("--in-place", action="store_true", help="leave the given files where they are")
    new.set_defaults(call=_new)

    run = commands.add_parser("run", help="bring whatever is stale up to date")
    run.add_argument("folder", type=Path, metavar="DIR")
    run.add_argument("--to", default="brief", metavar="STAGE", help="stop after this stage")
    run.add_argument(
        "--cluster", default="", metavar="ADDRESS",
        help="a Dask scheduler for work by tiles, or `local` for processes on this machine",
    )  # fmt: skip
    run.set_defaults(call=_run)

    brief = commands.add_parser(
        "brief", help="make the whole pack, bringing up to date what it needs"
    )
    brief.add_argument("folder", type=Path, metavar="DIR")
    brief.set_defaults(call=_run, to="brief", cluster="")

    check = commands.add_parser("check", help="list every fault in what was given")
    check.add_argument("folder", type=Path, metavar="DIR")
    check.set_defaults(call=_check)

    rules = commands.add_parser("rules", help="print the rule sheet with its sources")
    rules.add_argument("folder", type=Path, metavar="DIR")
    rules.add_argument("--section", default="", help="only this section")
    rules.add_argument("--changed", action="store_true", help="only what the site has set itself")
    rules.set_defaults(call=_rules)

    show = commands.add_parser("show", help="print the summary of the last run")
    show.add_argument("folder", type=Path, metavar="DIR")
    show.set_defaults(call=_show)

    cli_find.add_commands(commands)
    cli_water.add_commands(commands)
    cli_findings.add_commands(commands)
    cli_plan.add_commands(commands)

    demo = commands.add_parser("demo", help="make an invented site to try everything on")
    demo.add_argument("folder", type=Path, metavar="DIR")
    demo.add_argument("--run", action="store_true", help="run it too")
    demo.add_argument("--seed", type=int, default=7, help="another seed makes another bog")
    demo.set_defaults(call=_demo)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code."""
    asked = parser().parse_args(argv)
    # Compiled kernels are kept in the user's cache: the package's own folder may be read-only.
    os.environ.setdefault("NUMBA_CACHE_DIR", str(_cache_folder()))
    call: Callable[[argparse.Namespace], int] = asked.call
    try:
        return call(asked)
    except PeatwrightError as error:
        for fault in error.faults:
            _say(fault)
        return error.code
    except KeyboardInterrupt:
        print("\nStopped. What was complete is kept; run again to go on.", file=sys.stderr)
        return 130
    except BrokenPipeError:
        sys.stderr.close()
        return 141


def _cache_folder() -> Path:
    base = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    return (Path(base) if base else Path.home() / ".cache") / "peatwright"


def _say(fault: Fault) -> None:
    mark = "STOP" if fault.severity == "stop" else "LOOK"
    text = textwrap.fill(
        fault.line(), 96, initial_indent=f"{mark}  ", subsequent_indent="      ",
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip
    print(text, file=sys.stderr)


def _columns(said: Sequence[str]) -> dict[str, dict[str, str]]:
    from peatwright.model.errors import GivenError

    columns: dict[str, dict[str, str]] = {}
    for text in said:
        role, _, pairs = text.partition(":")
        names = dict(pair.partition("=")[::2] for pair in pairs.split(","))
        if role not in ROLE_HELP or not pairs or set(names) - {"x", "y", "value", "id"}:
            raise GivenError(
                Fault(
                    "--columns", "", repr(text), "ROLE:x=NAME,y=NAME,value=NAME",
                    "For example --columns probes:x=East,y=North,value=Peat",
                )
            )  # fmt: skip
        columns[role] = names
    return columns


def _new(asked: argparse.Namespace) -> int:
    from peatwright.site.folder import SiteInfo, create
    from peatwright.site.given import Given

    files = {role: tuple(getattr(asked, role)) for role in ROLE_HELP}
    given = Given(**files, crs=asked.crs, columns=_columns(asked.columns))
    info = SiteInfo(asked.name or asked.folder.resolve().name, attribution=asked.attribution)
    site = create(asked.folder, given, info, copy=not asked.in_place)
    print(f"Made the site {site.folder}. Its settings are in {site.folder / 'rules.toml'}.")
    print(f"Next: peatwright check {site.folder}, then peatwright run {site.folder}")
    return 0


def _run(asked: argparse.Namespace) -> int:
    from peatwright.faces.stray import without_stray_lines
    from peatwright.site.folder import open_site
    from peatwright.stages import Stage, run

    site = open_site(asked.folder)
    with without_stray_lines(), ExitStack() as bars:
        start = time.perf_counter()

        def listen(stage: Stage) -> Progress:
            from peatwright.faces.progress_bar import bar

            bars.close()
            return bars.enter_context(bar(stage.doing))

        for told in run(site, today=_today(), to=asked.to, cluster=asked.cluster, listen=listen):
            bars.close()
            now = time.perf_counter()
            words = f"done in {now - start:.1f} s" if told.fresh else "up to date"
            start = now
            print(f"{told.stage:8} {words}", file=sys.stderr)
    return _show(asked)


def _today() -> str:
    import datetime

    return datetime.datetime.now().astimezone().date().isoformat()


def _check(asked: argparse.Namespace) -> int:
    from peatwright.faces.progress_bar import bar
    from peatwright.model.errors import GivenError, RuleError
    from peatwright.model.rules import Rules
    from peatwright.site import rule_sheet
    from peatwright.site.folder import open_site
    from peatwright.site.take import inspect

    site = open_site(asked.folder)
    faults: list[Fault] = []
    try:
        rules = rule_sheet.read(site.folder)
    except RuleError as error:
        faults += error.faults
        rules = Rules()
    with bar("checking what is given") as progress:
        faults += inspect(site.given, rules, progress=progress)
    for fault in sorted(faults, key=lambda f: f.severity != "stop"):
        _say(fault)
    stops = sum(f.severity == "stop" for f in faults)
    looks = len(faults) - stops
    print(f"{stops} to mend before a run, {looks} to look at.")
    return GivenError.code if stops else 0


def _rules(asked: argparse.Namespace) -> int:
    from peatwright.site import rule_sheet
    from peatwright.site.folder import open_site

    site = open_site(asked.folder)
    held = [
        row
        for row in rule_sheet.rows(rule_sheet.read(site.folder))
        if asked.section in {"", row.section} and (row.changed or not asked.changed)
    ]
    section = ""
    for row in held:
        if row.section != section:
            section = row.section
            print(f"\n[{section}]")
        default = f"  (default {row.cited.value})" if row.changed else ""
        print(f"{row.key} = {row.value} {row.cited.unit}{default}".rstrip())
        print(f"    {row.cited.means}; allowed {rule_sheet.range_text(row.cited)}")
        print(f"    source: {rule_sheet.source_text(row.cited)}")
    if not held:
        print("Nothing: the site keeps every default.")
    return 0


def _show(asked: argparse.Namespace) -> int:
    from peatwright.packs.summary import summary_lines
    from peatwright.site import rule_sheet
    from peatwright.site.folder import open_site
    from peatwright.site.store import Store
    from peatwright.stages import pack_info

    site = open_site(asked.folder)
    store = Store(site.folder)
    states = store.states()
    if SUMMED_UP not in states:
        made = f"Made so far: {', '.join(states)}" if states else "Nothing has been made yet"
        print(f"{made}. Next: peatwright run {site.folder}")
        return 0
    info = pack_info(site, store, _today())
    for line in summary_lines(store.tables(), rule_sheet.read(site.folder), info):
        print(line)
    return 0


def _demo(asked: argparse.Namespace) -> int:
    from peatwright.demo.site import make_demo_site

    site = make_demo_site(asked.folder, asked.seed)
    print(f"Made the invented site {site.folder}.")
    if not asked.run:
        print(f"Next: peatwright run {site.folder}")
        return 0
    asked.to, asked.cluster = "brief", ""
    return _run(asked)

"""Commands for the water: its figures, one dam's flows, and a storm over the surface."""

from __future__ import annotations

import argparse
import textwrap
from pathlib import Path
from typing import Any

from peatwright.model.errors import Fault, GivenError

WIDE = 96


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add these commands to the command line."""
    water = commands.add_parser("water", help="print where the water goes, before and after")
    water.add_argument("folder", type=Path, metavar="DIR")
    water.add_argument("--dam", default="", metavar="ID", help="all that is known of one dam")
    water.set_defaults(call=_water)

    storm = commands.add_parser(
        "storm", help="run a storm over the surface, before and after the works"
    )
    storm.add_argument("folder", type=Path, metavar="DIR")
    storm.add_argument("--hours", type=float, help="length of the rain")
    storm.add_argument("--mm", type=float, help="depth of the rain, before the climate uplift")
    storm.add_argument("--cell", type=float, help="cell size in m: half of it takes 8 times longer")
    storm.add_argument(
        "--line", action="append", default=[], metavar="NAME:x1,y1,x2,y2",
        help="a line over which the flow is recorded; the largest outfalls where none is given",
    )  # fmt: skip
    storm.set_defaults(call=_storm)


def _say(text: str) -> None:
    print(textwrap.fill(text, WIDE))


def _water(asked: argparse.Namespace) -> int:
    from peatwright.packs.water_words import dam_lines, figure_lines
    from peatwright.site.folder import open_site
    from peatwright.site.store import Store

    store = Store(open_site(asked.folder).folder)
    if "water" not in store.states():
        print(f"The water has not been followed yet. Next: peatwright run {asked.folder}")
        return 0
    if not asked.dam:
        lines = figure_lines(store.table("water_figures"))
    else:
        spills = store.table("spills")
        row = spills[spills["item_id"] == asked.dam]
        if not len(row):
            raise GivenError(
                Fault("--dam", "", repr(asked.dam), "the id of a dam", "Look it up in the cards.")
            )
        lines = dam_lines(row.iloc[0], store.table("spill_flows"))
    for line in lines:
        print(line)
    return 0


def _storm(asked: argparse.Namespace) -> int:
    from peatwright.faces.progress_bar import bar
    from peatwright.packs.water_words import peak_lines
    from peatwright.site.folder import open_site
    from peatwright.site.store import Store
    from peatwright.site.storming import kept_storm, run_storm

    site = open_site(asked.folder)
    with bar("a storm, before and after") as progress:
        run_storm(
            site, hours=asked.hours, mm=asked.mm, cell_m=asked.cell, lines=asked.line,
            progress=progress,
        )  # fmt: skip
    store = Store(site.folder)
    report: dict[str, Any] = kept_storm(store)
    for line in peak_lines(store.table("storm_peaks"), report):
        print(line)
    for when in ("before", "after"):
        _say(f"Water, {when}: {report[f'balance_{when}']}")
    _say(f"Caution: {report['caution']}")
    print(f"Next: peatwright run {asked.folder} puts it into the pack.")
    return 0

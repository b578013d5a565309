"""Commands for found drains: list, accept, refuse, redraw; and the search of a whole region."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from peatwright.model.errors import Fault, GivenError


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add these commands to the command line."""
    found = commands.add_parser("found", help="list the lines that the terrain shows")
    found.add_argument("folder", type=Path, metavar="DIR")
    found.add_argument("--above", type=float, default=0.0, help="only from this confidence on")
    found.add_argument("--new", action="store_true", help="only lines that nobody gave or decided")
    found.set_defaults(call=_found)

    for word, done in (("accept", "accepted"), ("refuse", "refused"), ("undecide", "")):
        verb = commands.add_parser(word, help=f"{word} found lines")
        verb.add_argument("folder", type=Path, metavar="DIR")
        verb.add_argument("found_id", nargs="*", metavar="ID")
        verb.add_argument("--above", type=float, help="all drains of this confidence or more")
        verb.add_argument("--by", default="", help="your name, kept with the decision")
        verb.set_defaults(call=_decide, decision=done)

    redraw = commands.add_parser("redraw", help="take your own line for a found one")
    redraw.add_argument("folder", type=Path, metavar="DIR")
    redraw.add_argument("found_id", metavar="ID")
    redraw.add_argument("--line", type=Path, required=True, help="a file with one line")
    redraw.add_argument("--by", default="", help="your name, kept with the decision")
    redraw.set_defaults(call=_redraw)

    region = commands.add_parser("region", help="look for drains over a whole region, by tiles")
    region.add_argument("folder", type=Path, metavar="OUT")
    region.add_argument(
        "--dtm", type=Path, nargs="+", required=True, metavar="FILE",
        help="terrain: rasters, a folder of tiles or a VRT",
    )  # fmt: skip
    region.add_argument("--crs", default="", help="CRS of files that carry none")
    region.add_argument(
        "--cluster", default="", metavar="ADDRESS",
        help="a Dask scheduler, or `local` for worker processes on this machine",
    )  # fmt: skip
    region.add_argument("--tile-cells", type=int, default=3072, help="cells along a tile's side")
    region.set_defaults(call=_region)


def _found(asked: argparse.Namespace) -> int:
    from peatwright.site.folder import open_site
    from peatwright.site.store import Store

    table = Store(open_site(asked.folder).folder).table("found_drains")
    table = table[table["confidence"] >= asked.above]
    if asked.new:
        table = table[(table["decision"] == "") & (table["given_id"] == "")]
    for row in table.sort_values("confidence", ascending=False).itertuples():
        state = row.decision or (f"given as {row.given_id}" if row.given_id else "new")
        print(
            f"{row.found_id:18} {row.confidence:4.2f}  {row.kind:16} {row.length_m:6.0f} m  {state}"
        )
        print(f"    {row.rests_on}")
    print(f"{len(table)} lines, {table['length_m'].sum() / 1000:.2f} km")
    return 0


def _decide(asked: argparse.Namespace) -> int:
    from peatwright.site.deciding import decide

    count = decide(
        asked.folder, asked.decision, asked.found_id, above=asked.above, by=asked.by, on=_now()
    )
    word = asked.decision or "put back to undecided"
    print(f"{count} lines {word}. Next: peatwright run {asked.folder}")
    return 0


def _redraw(asked: argparse.Namespace) -> int:
    from peatwright.site.deciding import redraw

    redraw(asked.folder, asked.found_id, asked.line, by=asked.by, on=_now())
    print(f"{asked.found_id} redrawn. Next: peatwright run {asked.folder}")
    return 0


def _now() -> str:
    import datetime

    return datetime.datetime.now().astimezone().isoformat(timespec="seconds")


def _region(asked: argparse.Namespace) -> int:
    from peatwright.faces.progress_bar import bar
    from peatwright.site.region import search_region

    if not 256 <= asked.tile_cells <= 20000:
        raise GivenError(
            Fault("--tile-cells", "", str(asked.tile_cells), "256 to 20000", "Leave it out.")
        )
    with bar("looking for drains") as progress:
        done = search_region(
            asked.folder, asked.dtm, crs=asked.crs, cluster=asked.cluster,
            tile_cells=asked.tile_cells, progress=progress,
        )  # fmt: skip
    for fault in done.messages:
        print(fault.line(), file=sys.stderr)
    for line in done.report:
        print(line)
    return 0

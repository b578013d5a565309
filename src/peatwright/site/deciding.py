"""Keeping a person's decisions about found lines."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import shapely

from peatwright.model.errors import Fault, GivenError
from peatwright.site import lock, said
from peatwright.site.fault_book import Book
from peatwright.site.folder import open_site
from peatwright.site.store import Store

if TYPE_CHECKING:
    import pandas as pd


def decide(
    folder: Path, decision: str, ids: Sequence[str], *, above: float | None, by: str, on: str
) -> int:
    """Keep one decision (`accepted`, `refused` or nothing) for found lines; return how many.

    With `above`, all drains of that confidence or more are meant that nobody has given or decided.
    Raises `GivenError` when an id is not known, with the nearest ones.
    """
    site = open_site(folder)
    table = _found(site.folder)
    chosen = set(ids)
    if above is not None:
        fresh = (table["decision"] == "") & (table["given_id"] == "") & (table["kind"] == "drain")
        chosen |= set(table.loc[fresh & (table["confidence"] >= above), "found_id"])
    unknown = sorted(chosen - set(table["found_id"]))
    if unknown:
        raise GivenError([_not_known(name, table["found_id"].tolist()) for name in unknown])
    rows = table[table["found_id"].isin(chosen)]
    with lock.held(site.folder):
        shapes = shapely.to_wkt(rows.geometry.to_numpy(), rounding_precision=-1)
        for found_id, shape in zip(rows["found_id"], shapes, strict=True):
            entry = {"found_id": found_id, "decision": decision, "shape": shape,
                     "by": by, "on": on}  # fmt: skip
            said.say(site.folder, "drain", entry)
    return len(rows)


def redraw(folder: Path, found_id: str, line_file: Path, *, by: str, on: str) -> None:
    """Keep a line drawn by a person in place of a found one.

    Raises `GivenError` when the file does not hold exactly one line, or the id is not known.
    """
    from peatwright.site import read_vector
    from peatwright.site.crs import parsed
    from peatwright.site.features import LINE, moved, only

    site = open_site(folder)
    store = Store(site.folder)
    table = _found(site.folder)
    if found_id not in set(table["found_id"]):
        raise GivenError(_not_known(found_id, table["found_id"].tolist()))
    book = Book()
    crs = parsed(store.states()["take"].report["crs"])
    held = read_vector.read(line_file, line_file.name, "drains", LINE, None, book)
    if held is not None and crs is not None:
        at_site = moved(held, crs, book)
        held = None if at_site is None else only(at_site, LINE, book)
    if book.stops:
        raise GivenError(book.stops)
    count = 0 if held is None else len(held.rows)
    if held is None or count != 1:
        raise GivenError(
            Fault(line_file.name, "", f"{count} lines", "exactly one line", "Save just that line.")
        )
    row = table[table["found_id"] == found_id].iloc[0]
    entry = {
        "found_id": found_id, "decision": "redrawn", "by": by, "on": on,
        "shape": shapely.to_wkt(row.geometry, rounding_precision=-1),
        "drawn": shapely.to_wkt(held.shapes[0], rounding_precision=-1),
    }  # fmt: skip
    with lock.held(site.folder):
        said.say(site.folder, "drain", entry)


def _found(folder: Path) -> pd.DataFrame:
    store = Store(folder)
    if "find" not in store.states():
        raise GivenError(
            Fault(folder.name, "", "no search yet", "a site that has been run to `find`",
                  f"Run `peatwright run {folder} --to find` first.")
        )  # fmt: skip
    table: pd.DataFrame = store.table("found_drains")
    return table


def _not_known(name: str, ids: list[str]) -> Fault:
    import difflib

    near = difflib.get_close_matches(name, ids, 3, 0.4)
    fix = f"Nearest: {', '.join(near)}." if near else "`peatwright found DIR` lists them."
    return Fault("found lines", "", f"no line {name!r}", "an id of a found line", fix)

"""Which layout a printed sheet belongs to, and whether a newer one has taken its place.

Every page carries two short codes: one of the whole layout and one of its drain. A drain that a
new layout leaves as it was keeps its code, so its card stays good. `VERSION.txt` and `codes.csv`
in the pack hold all packs that were made of the site.
"""

from __future__ import annotations

import csv
import hashlib
import io
import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
import shapely

from peatwright.packs.wording import plain

LETTERS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Crockford's base 32: no letter is taken for a digit (I, L, O and U are left out)."""
CODE_LETTERS = 6
HISTORY, CODES = "VERSION.txt", "codes.csv"
NOT_BUILT_FROM = frozenset({"why", "spacing_rule", "spacing_others", "spacing_m"})
"""Columns of an item that nobody builds by: a new reason alone makes no new card."""
MM = 1000


@dataclass(frozen=True)
class Issue:
    """One pack that was made: its number, date, layout code and the code of each drain."""

    number: int
    date: str
    code: str
    cards: Mapping[str, str] = field(default_factory=dict)


def _short(digest: bytes) -> str:
    value = int.from_bytes(digest[:8], "big")
    return "".join(LETTERS[(value >> (5 * k)) & 31] for k in range(CODE_LETTERS))


def _said(table: pd.DataFrame, names: list[str]) -> list[str]:
    """Return one line a row: numbers to the millimetre, so that the last bit does not count."""
    parts = []
    for name in names:
        column = table[name]
        if pd.api.types.is_float_dtype(column):
            held = np.round(column.to_numpy(np.float64) * MM)
            parts.append([f"{v:.0f}" if v == v else "" for v in held + 0.0])  # noqa: PLR0124
        else:
            parts.append(column.astype(str).tolist())
    shapes = table.geometry.to_numpy()
    flat, owner = shapely.get_coordinates(shapes, return_index=True)
    flat = np.round(flat * MM).astype(np.int64)
    cuts = np.searchsorted(owner, np.arange(len(table) + 1))
    at = [flat[a:b].tobytes().hex() for a, b in itertools.pairwise(cuts.tolist())]
    return ["\x1f".join(row) for row in zip(*parts, at, strict=True)]


def layout_codes(tables: Mapping[str, pd.DataFrame]) -> tuple[str, dict[str, str]]:
    """Return the code of the layout and of each drain, from what is built and where.

    Args:
        tables: the `drains` and `items` layers.

    Returns:
        Six letters and digits for the layout, and by drain id the same for its items.

    """
    items, drains = tables["items"], tables["drains"]
    names = [n for n in items.columns if n not in {"geometry", *NOT_BUILT_FROM}]
    lines = pd.Series(_said(items, names), dtype=object) if len(items) else pd.Series(dtype=object)
    of_drain = items["drain_id"].to_numpy(dtype=object)
    by_drain = {str(k): list(v) for k, v in lines.groupby(of_drain)} if len(items) else {}
    facts = ["drain_id", "name", "flows_into", "outfall_kind", "length_m"]
    heads = _said(drains, facts) if len(drains) else []
    cards: dict[str, str] = {}
    whole = hashlib.blake2b(digest_size=16)
    for drain_id, head in zip(drains["drain_id"].astype(str), heads, strict=True):
        said = "\x1e".join([head, *by_drain.get(drain_id, [])]).encode()
        digest = hashlib.blake2b(said, digest_size=16).digest()
        cards[drain_id] = _short(digest)
        whole.update(digest)
    return _short(whole.digest()), cards


def read_history(pack: Path | None) -> list[Issue]:
    """Return the packs that `codes.csv` of an earlier pack's folder tells of, oldest first."""
    path = pack / CODES if pack is not None else None
    if path is None or not path.is_file():
        return []
    issues: dict[int, Issue] = {}
    text = path.read_text(encoding="utf-8-sig")
    for row in csv.DictReader(io.StringIO(text)):
        try:
            number = int(row["pack"])
            date, code, drain, card = row["date"], row["layout"], row["drain"], row["card"]
        except (KeyError, TypeError, ValueError):
            continue  # a line that someone has edited: the others still count
        issue = issues.setdefault(number, Issue(number, date, code, {}))
        if drain:
            issues[number] = Issue(number, issue.date, issue.code, {**issue.cards, drain: card})
    return [issues[n] for n in sorted(issues)]


def next_issue(
    history: list[Issue], tables: Mapping[str, pd.DataFrame], date: str
) -> tuple[Issue, list[Issue]]:
    """Return the issue that a pack of these tables is, and the whole history with it.

    A pack of the same layout as the last keeps that one's number and date: nothing was
    superseded.
    """
    code, cards = layout_codes(tables)
    if history and history[-1].code == code and dict(history[-1].cards) == cards:
        return history[-1], history
    number = history[-1].number + 1 if history else 1
    issue = Issue(number, plain(date, 40), code, cards)
    return issue, [*history, issue]


def write_history(folder: Path, history: list[Issue]) -> list[Path]:
    """Write `VERSION.txt` for people and `codes.csv` for `check_code`; return their paths."""
    now = history[-1]
    lines = [f"This is pack {now.number}, layout code {now.code}, {now.date}.", ""]
    lines += [
        "A printed page is good while its code stands in this file's last line, or, for the card",
        "of one drain, while the drain's newest code in codes.csv is the one on the card.", "",
        "pack  layout  date               drains changed",
    ]  # fmt: skip
    before: Mapping[str, str] = {}
    for issue in history:
        changed = [d for d, c in issue.cards.items() if before.get(d) != c]
        gone = [d for d in before if d not in issue.cards]
        if not before:
            told = f"all {len(changed)}"
        else:
            shown = ", ".join(changed[:12]) + (" …" if len(changed) > 12 else "")
            told = f"{len(changed)}: {shown}" if changed else "none"
            told += f"; gone: {', '.join(gone[:12])}" if gone else ""
        lines.append(f"{issue.number:<5} {issue.code}  {issue.date:<18} {told}")
        before = issue.cards
    text, table = folder / HISTORY, folder / CODES
    text.write_text("\n".join(lines) + "\n", encoding="utf-8")
    with table.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["pack", "date", "layout", "drain", "card"])
        for issue in history:
            writer.writerow([issue.number, issue.date, issue.code, "", ""])
            writer.writerows(
                [issue.number, issue.date, issue.code, d, c] for d, c in issue.cards.items()
            )
    return [text, table]


@dataclass(frozen=True)
class Checked:
    """What a code stands for: `state` is current, superseded or unknown."""

    state: str
    words: str


def check_code(pack: Path, code: str, drain_id: str = "") -> Checked:
    """Tell whether a page with this code is still good, from the newest pack's folder.

    Args:
        pack: folder of the newest pack.
        code: the code printed on the page, in any case, with or without spaces and dashes.
        drain_id: the drain on the card, where codes of several drains should not be mixed up.

    """
    history = read_history(pack)
    wanted = "".join(c for c in code.upper() if c.isalnum())
    wanted = wanted.translate(str.maketrans("OIL", "011"))
    if not history:
        return Checked("unknown", f"There is no history of packs in {pack}.")
    now = history[-1]
    for issue in reversed(history):
        drains = [d for d, c in issue.cards.items() if c == wanted and drain_id in {"", d}]
        if issue.code == wanted and not drain_id:
            if issue is now:
                return Checked("current", f"Layout {wanted} is that of pack {now.number}, "
                               f"{now.date}: current.")  # fmt: skip
            words = (
                f"Layout {wanted} of pack {issue.number}, {issue.date}, is superseded by pack "
                f"{now.number}, {now.date}: destroy the page."
            )
            return Checked("superseded", words)
        if drains:
            if any(now.cards.get(d) == wanted for d in drains):
                return Checked("current", f"Card {wanted} of {', '.join(drains)} is current "
                               f"(pack {now.number}, {now.date}).")  # fmt: skip
            return Checked("superseded", f"Card {wanted} of {', '.join(drains)}, pack "
                           f"{issue.number}, {issue.date}, is superseded by pack {now.number}, "
                           f"{now.date}: destroy the card.")  # fmt: skip
    return Checked("unknown", f"No pack of this site has the code {wanted}: do not build from it.")

"""The register of hazards and limits: every finding with its answer, as PDF and workbook."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xlsxwriter

from peatwright.ground.findings import still_open
from peatwright.ground.season import CAUTION as SEASON_CAUTION
from peatwright.packs.drawing.pages import set_pages
from peatwright.packs.info import PackInfo
from peatwright.packs.schedule import INK, MADE, MOSS, RULE
from peatwright.packs.stops import order
from peatwright.packs.wording import SAFETY, count, number, plain

INTRO = (
    "What the checks of this layout found, by the rules of the site. It is screening: a finding "
    "that is not here is no proof of safe ground. Stability is decided by a competent engineer; "
    "services, heritage, birds and water by those who answer for them; local rules come first. "
    "Findings marked stop or look want an answer by a person, with name and reason; an answer "
    "holds until the facts change."
)
HEADS = ("No", "Severity", "Topic", "Place", "What was found", "Rule and source", "What to do",
         "Answer", "By", "On")  # fmt: skip
WIDTHS = (6, 9, 13, 28, 62, 42, 48, 40, 18, 12)
FOOT_CAUTION = "Screening: a competent engineer and local rules decide. "


NOT_PROVED = "The layout has not been proved: nothing was checked, so nothing is listed here."


def _counts(findings: pd.DataFrame, *, proved: bool) -> str:
    if not proved:
        return NOT_PROVED
    unanswered = still_open(findings)
    said = []
    for severity in ("stop", "look"):
        all_of = int((findings["severity"] == severity).sum())
        left = int((unanswered["severity"] == severity).sum())
        said.append(f"{number(all_of)} {severity}, {number(left)} of them without an answer")
    return "; ".join([*said, count(int((findings["severity"] == "note").sum()), "note")]) + "."


def _answer_words(row: Mapping[Any, Any]) -> tuple[str, str, str]:
    text = str(row["answer"])
    if row["answered_before"]:
        before = f"Earlier, for other facts: {row['answered_before']}"
        text = f"{text} {before}".strip()
    return text, str(row["answered_by"]), str(row["answered_on"])


def _periods(closed: pd.DataFrame) -> list[list[str]]:
    held = closed.drop_duplicates(["name", "from_day", "to_day", "severity"])
    return [
        [plain(r["name"], 80), f"{r['from_day']} to {r['to_day']}",
         "closed" if r["severity"] == "stop" else "case by case", plain(r["why"], 300)]
        for r in held.to_dict("records")
    ]  # fmt: skip


def _windows(table: pd.DataFrame) -> list[list[str]]:
    return [
        [plain(r["place"], 80), r["from_date"], r["to_date"], number(r["days"]),
         plain(r["ends_for"], 80)]
        for r in table.to_dict("records")
    ]  # fmt: skip


def _limits(limits: pd.DataFrame) -> list[list[str]]:
    held = limits.drop_duplicates(["given_id", "kind", "name"])
    return [
        [plain(r["kind"]), plain(r["name"], 80), f"{r['distance_m']:g} m", plain(r["why"], 300),
         plain(r["given_id"], 80)]
        for r in held.to_dict("records")
    ]  # fmt: skip


def register_pdf(
    tables: Mapping[str, pd.DataFrame], info: PackInfo, *, proved: bool = True
) -> bytes:
    """Return the register on A4 landscape.

    Args:
        tables: layers by name, with `findings`, `limits`, `closed_periods`, `working_windows`.
        info: what each page says of the site and the run.
        proved: whether the layout has been checked at all.

    """
    findings = order(tables["findings"])
    rows = []
    before: tuple[str, ...] = ()
    for n, row in enumerate(findings.to_dict("records"), start=1):
        text, by, on = _answer_words(row)
        # Rule and advice are said once for all findings that share them.
        shared = (row["severity"], row["topic"], row["rule"], row["source"], row["to_do"])
        rows.append(
            {
                "first": shared != before,
                "no": str(n), "id": row["finding_id"], "severity": row["severity"],
                "topic": plain(row["topic"], 40), "place": plain(row["place"], 200),
                "what": plain(row["what"], 600),
                "rule": plain(f"{row['rule']} ({row['source']})", 320),
                "do": plain(row["to_do"], 400), "answer": plain(text, 600),
                "by": plain(f"{by}, {on}", 120) if by else "",
                "wants": row["severity"] != "note",
            }
        )  # fmt: skip
        before = shared
    data = {
        "title": plain(info.title, 90), "date": plain(info.date), "origin": plain(info.origin),
        "attribution": plain(info.attribution, 300), "invented": info.invented,
        "intro": INTRO, "safety": SAFETY, "counts": _counts(findings, proved=proved), "rows": rows,
        "limits": _limits(tables["limits"]), "periods": _periods(tables["closed_periods"]),
        "windows": _windows(tables["working_windows"]), "season": SEASON_CAUTION,
        "foot": FOOT_CAUTION,
    }  # fmt: skip
    return set_pages("register.typ", data, {})[0]


def write_register(
    path: Path, tables: Mapping[str, pd.DataFrame], info: PackInfo, *, proved: bool = True
) -> None:
    """Write the register as a workbook: findings to filter, limits, seasons, answers."""
    options = {
        "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
        "in_memory": True,
    }  # fmt: skip
    with xlsxwriter.Workbook(path, options) as book:
        book.set_properties(
            {"title": plain(f"{info.title}: register", 200), "comments": info.origin,
             "created": MADE}
        )  # fmt: skip
        sheets = _Book(book, info)
        findings = order(tables["findings"])
        rows = []
        for n, row in enumerate(findings.to_dict("records"), start=1):
            text, by, on = _answer_words(row)
            rows.append(
                [str(n), row["severity"], row["topic"], row["place"], row["what"],
                 f"{row['rule']} ({row['source']})", row["to_do"], text, by, on,
                 row["finding_id"], *_place(row["geometry"])]
            )  # fmt: skip
        sheets.table("Findings", (*HEADS, "Id", "Easting [m]", "Northing [m]"), rows,
                     (*WIDTHS, 15, 12, 12))  # fmt: skip
        sheets.table("Limits", ("Kind", "Name", "Distance kept", "Rule", "Given as"),
                     _limits(tables["limits"]), (22, 34, 14, 80, 24))  # fmt: skip
        sheets.table("Closed periods", ("Name", "Days (month-day)", "How", "Rule and source"),
                     _periods(tables["closed_periods"]), (34, 22, 14, 100))  # fmt: skip
        sheets.table("Working windows", ("Where", "From", "To", "Days", "Ends for"),
                     _windows(tables["working_windows"]), (34, 14, 14, 8, 34))  # fmt: skip
        given = tables["answers"]
        sheets.table(
            "All answers", ("Finding", "What had been found", "Answer", "By", "On"),
            given[["finding_id", "what", "answer", "answered_by", "answered_on"]].to_numpy(),
            (15, 80, 60, 24, 14),
        )  # fmt: skip
        sheets.read_me(_counts(findings, proved=proved))


def _place(point: Any) -> tuple[str, str]:
    if point is None or point.is_empty or not np.isfinite(point.x):
        return "", ""
    return f"{point.x:.1f}", f"{point.y:.1f}"


class _Book:
    """Writes the sheets in one hand."""

    def __init__(self, book: Any, info: PackInfo) -> None:
        font = {"font_name": "Calibri", "font_size": 10, "font_color": INK, "valign": "top"}
        self.book, self.info = book, info
        self.wrap = book.add_format({**font, "text_wrap": True})
        self.stop = book.add_format(
            {**font, "text_wrap": True, "bold": True, "font_color": "#A33B2E"}
        )
        self.head = book.add_format(
            {**font, "bold": True, "text_wrap": True, "bg_color": MOSS, "font_color": "#FFFFFF",
             "valign": "vcenter", "border": 1, "border_color": RULE}
        )  # fmt: skip
        self.title = book.add_format({**font, "font_size": 17, "bold": True})

    def _sheet(self, name: str) -> Any:
        sheet = self.book.add_worksheet(name)
        sheet.set_landscape()
        sheet.set_paper(8)
        sheet.fit_to_pages(1, 0)
        sheet.set_margins(left=0.4, right=0.4, top=0.6, bottom=0.6)
        sheet.hide_gridlines(2)
        site = plain(self.info.title, 80).replace("&", "&&")
        sheet.set_header(f"&L&9{site}&R&9{name}")
        origin = plain(self.info.origin).replace("&", "&&")
        sheet.set_footer(f"&L&8{FOOT_CAUTION}{origin}&R&8&P of &N")
        return sheet

    def table(
        self, name: str, heads: Sequence[str], rows: Any, widths: Sequence[float]
    ) -> None:  # fmt: skip
        sheet = self._sheet(name)
        sheet.set_row(0, 24)
        sheet.freeze_panes(1, 0)
        sheet.repeat_rows(0)
        for k, (head, width) in enumerate(zip(heads, widths, strict=True)):
            sheet.write_string(0, k, head, self.head)
            sheet.set_column(k, k, width)
        for r, row in enumerate(rows, start=1):
            loud = "stop" in [str(v) for v in row[:2]]
            for k, value in enumerate(row):
                text = plain(str(value), 2000)
                if text:
                    sheet.write_string(r, k, text, self.stop if loud and k == 1 else self.wrap)
        if len(rows):
            sheet.autofilter(0, 0, len(rows), len(heads) - 1)
        else:
            sheet.write_string(1, 0, "none", self.wrap)

    def read_me(self, counts: str) -> None:
        sheet = self._sheet("Read me")
        sheet.set_column(0, 0, 110)
        sheet.write_string(0, 0, f"Register of hazards and limits: {plain(self.info.title, 90)}",
                           self.title)  # fmt: skip
        attribution = plain(self.info.attribution) or "none given"
        for r, text in enumerate((plain(self.info.origin), counts, INTRO, SAFETY, SEASON_CAUTION,
                                  f"Attribution: {attribution}"), start=2):  # fmt: skip
            sheet.write_string(r, 0, text, self.wrap)
            sheet.set_row(r, 15 * (1 + len(text) // 110))

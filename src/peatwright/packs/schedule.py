"""The schedule of works: one CSV row an item, and a workbook to print and to reckon with."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xlsxwriter

from peatwright.model.cited import citations
from peatwright.model.columns import Column
from peatwright.model.layers import ITEMS, QUANTITIES
from peatwright.model.rules import Rules
from peatwright.packs.costing import driver_rows, figures
from peatwright.packs.info import PackInfo
from peatwright.packs.planned_sheets import planned_sheets
from peatwright.packs.summary import cost_drivers, looks, method_rows, site_row
from peatwright.packs.wording import SAFETY, SCREENING, digits_for, heading, plain

INK, PALE, RULE, MOSS = "#22313A", "#EEF2EE", "#B9C4BC", "#3F6250"
MADE = dt.datetime(2000, 1, 1, tzinfo=dt.UTC).replace(tzinfo=None)
"""Written as the time of making, so that the same layout gives the same bytes."""
BY_NAME = {c.name: c for c in (*ITEMS.columns, *QUANTITIES.columns)}
DAM_COLUMNS = (
    "item_id", "drain_id", "chainage_m", "method", "x_m", "y_m", "width_m", "buckets",
    "height_m", "dig_depth_m", "key_m", "crest_level_m", "bed_level_m", "pool_level_m",
    "pool_depth_m", "pool_length_m", "head_m", "outlet_side", "outlet_bearing_deg", "outlet_x_m",
    "outlet_y_m", "outlet_level_m", "gap_width_m", "gap_height_m", "gap_m3", "fill_m3",
    "hollow_m3", "spacing_m", "note", "spacing_rule", "spacing_others", "why",
)  # fmt: skip
RUN_COLUMNS = (
    "item_id", "drain_id", "kind", "method", "from_m", "to_m", "length_m", "x_m", "y_m",
    "width_m", "block_pairs", "first_cut_m", "second_cut_m", "zip_m3", "gap_width_m",
    "gap_height_m", "gap_m3", "note", "why",
)  # fmt: skip
SUMS = tuple(c.name for c in QUANTITIES.columns if c.kind == "float")
WIDE = {"why": 90, "note": 44, "spacing_others": 60, "spacing_rule": 30, "method": 11, "kind": 11}
PLANNED = {
    "Cost": "Total with its range, what drives it, and our figures beside published ones.",
    "Programme": "One row each time that a machine works on a drain, in working order.",
    "Items by day": "When and by which machine each item is built.",
    "Calendar": "What each machine does on each day of work.",
    "Ways": "Ways between drains, and finished drains crossed where there is no other.",
    "Phases": "Which drains are closed for the money of each phase, and what is left over.",
}
PRINTED_TO = "note"
"""Reasons stand to the right of this column: for the screen, not for paper."""


def guarded(text: str) -> str:
    """Return text that no spreadsheet takes for a formula when it opens a CSV."""
    line = plain(text)
    return f"'{line}" if line.startswith(("=", "+", "-", "@", "|", "%")) else line


def write_csv(path: Path, items: pd.DataFrame) -> None:
    """Write all items with all their columns, units in the header, UTF-8 with its mark."""
    out = {}
    for column in ITEMS.columns:
        values = items[column.name]
        if column.kind == "text":
            shown = values.map(guarded)
        elif column.kind == "float":
            digits = digits_for(column)
            shown = values.map(lambda v, d=digits: "" if np.isnan(v) else f"{v:.{d}f}")
        else:
            shown = values
        out[heading(column)] = shown
    # The mark makes spreadsheets read the file as UTF-8; the line end is the one of RFC 4180.
    pd.DataFrame(out).to_csv(path, index=False, encoding="utf-8-sig", lineterminator="\r\n")


def write_xlsx(
    path: Path, tables: Mapping[str, pd.DataFrame], rules: Rules, info: PackInfo
) -> None:
    """Write the workbook: summary, dams, runs, sums by drain and method, rules, read me."""
    options = {
        "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
        "in_memory": True,
    }  # fmt: skip
    with xlsxwriter.Workbook(path, options) as book:
        book.set_properties(
            {"title": plain(info.title, 200), "comments": plain(info.origin, 200), "created": MADE}
        )
        sheets = Sheets(book, rules.rates.currency, info)
        sheets.summary(tables, rules)
        items = tables["items"]
        is_dam = items["kind"] == "dam"
        sheets.table("Dams", items[is_dam], DAM_COLUMNS, paper_a3=True)
        sheets.table("Zips and runs", items[~is_dam], RUN_COLUMNS, paper_a3=True)
        sums = tables["quantities"]
        by_drain = sums[sums["scope"] == "drain"]
        by_method = sums[sums["scope"] == "method"]
        sheets.table("By drain", by_drain, ("drain_id", *SUMS), total=True)
        sheets.table("By method", by_method, ("method", *SUMS), total=True)
        planned = planned_sheets(sheets, tables, rules)
        sheets.rules(rules)
        sheets.read_me(planned)


class Sheets:
    """Writes sheets in one hand."""

    def __init__(self, book: Any, currency: str, info: PackInfo) -> None:
        self.book, self.currency, self.info = book, currency, info
        font = {"font_name": "Calibri", "font_size": 10, "font_color": INK, "valign": "top"}
        self.font = font
        self.text = book.add_format(font)
        self.wrap = book.add_format({**font, "text_wrap": True})
        self.indented = book.add_format({**font, "text_wrap": True, "indent": 1})
        self.unit = book.add_format({**font, "indent": 1})
        self.head = book.add_format(
            {**font, "bold": True, "text_wrap": True, "bg_color": MOSS, "font_color": "#FFFFFF",
             "valign": "vcenter", "border": 1, "border_color": RULE}
        )  # fmt: skip
        self.title = book.add_format({**font, "font_size": 17, "bold": True})
        self.under = book.add_format({**font, "font_color": "#5B6B70", "italic": True})
        self.label = book.add_format({**font, "bold": True, "bottom": 1, "bottom_color": RULE})
        self.section = book.add_format({**font, "bold": True, "font_size": 12, "font_color": MOSS})
        self.numbers: dict[tuple[int, bool], Any] = {}

    def number(self, digits: int, *, bold: bool = False) -> Any:
        key = (digits, bold)
        if key not in self.numbers:
            shown = "# ##0" + ("." + "0" * digits if digits else "")
            top = {"top": 1, "bold": True} if bold else {}
            self.numbers[key] = self.book.add_format({**self.font, "num_format": shown, **top})
        return self.numbers[key]

    def new(self, name: str, *, paper_a3: bool = False, one_page: bool = False) -> Any:
        sheet = self.book.add_worksheet(name)
        sheet.set_landscape()
        sheet.set_paper(8 if paper_a3 else 9)
        sheet.fit_to_pages(1, 1 if one_page else 0)
        sheet.set_margins(left=0.4, right=0.4, top=0.6, bottom=0.6)
        sheet.hide_gridlines(2)
        # Ampersands start codes in headers, so a name's own are doubled.
        site = plain(self.info.title, 80).replace("&", "&&")
        sheet.set_header(f"&L&9{site}&R&9{name}")
        sheet.set_footer(f"&L&8{plain(self.info.origin, 120).replace('&', '&&')}&R&8&P of &N")
        return sheet

    def table(
        self,
        name: str,
        rows: pd.DataFrame,
        names: Sequence[str],
        *,
        paper_a3: bool = False,
        total: bool = False,
    ) -> None:
        sheet = self.new(name, paper_a3=paper_a3)
        sheet.set_row(0, 44)
        sheet.freeze_panes(1, 1)
        sheet.repeat_rows(0)
        columns = [BY_NAME[n] for n in names]
        for k, column in enumerate(columns):
            sheet.write_string(0, k, heading(column, self.currency), self.head)
            sheet.set_column(k, k, self._width(column, rows), None)
            self._fill(sheet, k, column, rows[column.name])
        last = len(rows)
        if last:
            sheet.autofilter(0, 0, last, len(columns) - 1)
            if PRINTED_TO in names:
                sheet.print_area(0, 0, last, names.index(PRINTED_TO))
        else:
            sheet.write_string(1, 0, "none", self.under)
        if total and last:
            bold = self.number(0, bold=True)
            sheet.write_string(last + 1, 0, "all", bold)
            for k, column in enumerate(columns[1:], start=1):
                top = xlsxwriter.utility.xl_rowcol_to_cell(1, k)
                foot = xlsxwriter.utility.xl_rowcol_to_cell(last, k)
                shown = self.number(digits_for(column), bold=True)
                value = float(rows[column.name].sum())
                sheet.write_formula(last + 1, k, f"=SUM({top}:{foot})", shown, value)

    def _fill(self, sheet: Any, k: int, column: Column, values: pd.Series) -> None:
        if column.kind == "text":
            shown = self.wrap if column.name == "note" else self.unit
            for r, text in enumerate(values, start=1):
                if text:
                    sheet.write_string(r, k, plain(text, 2000), shown)
            return
        shown = self.number(digits_for(column))
        for r, value in enumerate(values.tolist(), start=1):
            if value == value:  # noqa: PLR0124 - unknown numbers stay empty cells
                sheet.write_number(r, k, value, shown)

    def _width(self, column: Column, rows: pd.DataFrame) -> float:
        if column.name in WIDE:
            return WIDE[column.name]
        if column.kind == "text":
            longest = max((len(plain(t)) for t in rows[column.name]), default=8)
            return min(max(longest + 3, 8), 24)
        return 11 if column.name in {"x_m", "y_m", "outlet_x_m", "outlet_y_m"} else 8.5

    def _cover(self, sheet: Any, title: str) -> int:
        sheet.set_column(0, 0, 30)
        sheet.set_row(0, 26)
        sheet.write_string(0, 0, title, self.title)
        sheet.write_string(1, 0, plain(self.info.origin), self.under)
        return 3

    def summary(self, tables: Mapping[str, pd.DataFrame], rules: Rules) -> None:
        sheet = self.new("Summary", one_page=True)
        row = self._cover(sheet, plain(self.info.title, 90))
        sheet.set_column(1, 4, 14)
        site, drains, items = site_row(tables), tables["drains"], tables["items"]
        row = self._heads(sheet, row, ("Method", "Drain [m]", "Dams"))
        for method, length, dams in method_rows(tables):
            sheet.write_string(row, 0, method, self.text)
            sheet.write_number(row, 1, length, self.number(0))
            sheet.write_number(row, 2, dams, self.number(0))
            row += 1
        row = self._heads(sheet, row + 1, ("Quantity", "Likely", "Low", "High", "Unit"))
        money = self.currency
        facts = [
            ("Drains", len(drains), None, None, ""),
            ("Length of drain", drains["length_m"].sum(), None, None, "m"),
            ("Dams", (items["kind"] == "dam").sum(), None, None, ""),
            ("Zipped", site["zip_m"], None, None, "m"),
            ("Reprofiled", site["reprofile_m"], None, None, "m"),
            ("Peat in dams", site["fill_m3"], None, None, "m³"),
            ("Peat moved in zipping", site["zip_m3"], None, None, "m³"),
            ("Spoil moved", site["spoil_m3"], None, None, "m³"),
            ("Machine hours", site["hours"], site["hours_low"], site["hours_high"], "h"),
            (
                "Cost, all rates likely, low, high",
                site["cost"],
                site["cost_low"],
                site["cost_high"],
                money,
            ),
            ("Could not be measured", drains["unmeasured_m"].sum(), None, None, "m"),
            ("No drain visible", drains["unseen_m"].sum(), None, None, "m"),
        ]
        for name, likely, low, high, unit in facts:
            sheet.write_string(row, 0, name, self.text)
            for k, value in enumerate((likely, low, high), start=1):
                if value is not None:
                    sheet.write_number(row, k, float(value), self.number(0))
            sheet.write_string(row, 4, unit, self.unit)
            row += 1
        total = figures(tables).get("total")
        if total is not None:
            row = self._heads(sheet, row + 1, ("Cost with its range", "P50", "P10", "P90", "Unit"))
            for name, held in figures(tables).items():
                sheet.write_string(row, 0, f"Cost {name}" if name != "total" else "Cost, total",
                                   self.text)  # fmt: skip
                for k, level in enumerate(("p50", "p10", "p90"), start=1):
                    sheet.write_number(row, k, held[level], self.number(0))
                sheet.write_string(row, 4, held["unit"], self.unit)
                row += 1
        drivers = [(name, worth) for name, worth, _ in driver_rows(tables)][:8]
        head = f"P10 to P90, {money}" if drivers else f"By, {money}"
        row = self._heads(sheet, row + 1, ("What spreads the cost", head))
        for name, worth in drivers or cost_drivers(site, rules):
            sheet.write_string(row, 0, name, self.text)
            sheet.write_number(row, 1, worth, self.number(0))
            row += 1
        self._say(sheet, row + 1, [
            ("Look at", "; ".join(looks(tables, rules)) or "nothing was marked"),
            ("Screening", SCREENING), ("Safety", SAFETY),
            ("Attribution", plain(self.info.attribution) or "none given"),
        ])  # fmt: skip

    def _heads(self, sheet: Any, row: int, heads: Sequence[str]) -> int:
        sheet.set_row(row, 18)
        for k, head in enumerate(heads):
            sheet.write_string(row, k, head, self.head)
        return row + 1

    def _say(self, sheet: Any, row: int, said: Sequence[tuple[str, str]]) -> None:
        for name, text in said:
            sheet.write_string(row, 0, name, self.label)
            sheet.merge_range(row, 1, row, 7, "", self.wrap)
            sheet.write_string(row, 1, text, self.wrap)
            sheet.set_row(row, 15 * (1 + len(text) // 95))
            row += 1

    def rules(self, rules: Rules) -> None:
        sheet = self.new("Rules used", paper_a3=True)
        heads = ("Section", "Rule", "Value", "Unit", "Default", "Changed", "Low", "High", "Means",
                 "Source", "Read")  # fmt: skip
        sheet.set_row(0, 30)
        sheet.freeze_panes(1, 2)
        sheet.repeat_rows(0)
        widths = (11, 28, 12, 11, 12, 9, 8, 10, 62, 62, 16)
        for k, (head, width) in enumerate(zip(heads, widths, strict=True)):
            sheet.write_string(0, k, head, self.head)
            sheet.set_column(k, k, width)
        row = 1
        for part in dataclasses.fields(rules):
            section = getattr(rules, part.name)
            for key, held in citations(type(section)).items():
                value = getattr(section, key)
                changed = "changed" if value != held.value else ""
                cells = (part.name, key, value, held.unit, held.value, changed, held.low,
                         held.high, held.means, held.source, held.read)  # fmt: skip
                for k, cell in enumerate(cells):
                    if isinstance(cell, bool):
                        sheet.write_string(row, k, "yes" if cell else "no", self.text)
                    elif isinstance(cell, int | float):
                        sheet.write_number(row, k, cell, self.text)
                    elif cell:
                        sheet.write_string(row, k, plain(str(cell)), self.indented)
                row += 1
        sheet.autofilter(0, 0, row - 1, len(heads) - 1)

    def read_me(self, planned: Sequence[str] = ()) -> None:
        sheet = self.new("Read me", one_page=True)
        row = self._cover(sheet, "How to read this workbook")
        sheet.set_column(1, 7, 14)
        self._say(sheet, row, [
            ("Summary", "The layout at a glance, with ranges and what spreads the cost."),
            ("Dams", ("One row a dam, from head to outfall of each drain. Left and right are as "
             "seen facing downstream. An empty cell means not known, never nought. The rules and "
                    "reasons to the right of the notes are not printed.")),
            ("Zips and runs", "Zipped and reprofiled runs, and gaps and breaks in old spoil."),
            ("By drain, By method", ("Sums. The last row is a formula that sums the rows above. "
             "Bringing the machine in and out, supervision and contingency may stand only in "
             "the site's sum on the first sheet.")),
            *[(name, PLANNED[name]) for name in planned],
            ("Rules used", ("Every rule with its value on this site, its default and range, where "
             "it comes from and how that source was read.")),
            ("Levels and places", ("Metres; eastings and northings in the site's CRS, levels above "
             "the terrain model's datum.")),
            ("Screening", SCREENING), ("Safety", SAFETY),
            ("Attribution", plain(self.info.attribution) or "none given"),
        ])  # fmt: skip

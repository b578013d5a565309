"""Sheets of the workbook on money and time: cost with its range, programme, calendar, phases."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from peatwright.model.columns import Layer
from peatwright.model.programme_layers import PROGRAMME_LAYERS
from peatwright.model.rules import Rules
from peatwright.packs.costing import RANGE_WORDS, SENSE_WORDS, area_words, figures
from peatwright.packs.wording import digits_for, heading, plain

if TYPE_CHECKING:
    from peatwright.packs.schedule import Sheets

MOST_ROWS = 20000
PLAIN = {"ratio": 2, "money": 0, "1/money": 6}
QUANTITY_WORDS = {
    "zip_m": "zipped", "reprofile_m": "reprofiled", "fill_m3": "peat in dams",
    "zip_m3": "peat moved in zipping", "spoil_gaps": "spoil gaps",
}  # fmt: skip
WIDTHS = {
    "why": 64, "note": 60, "published": 90, "what": 40, "found": 70, "allowed": 50, "fix": 70,
    "words": 60, "figure": 30, "place": 34, "basis": 24, "driver": 26, "quantity": 16,
    "direction": 12, "unit": 12, "verdict": 13, "item_id": 12,
}  # fmt: skip


def planned_sheets(sheets: Sheets, tables: Mapping[str, pd.DataFrame], rules: Rules) -> list[str]:
    """Write the sheets for which there is something to show; return their names."""
    made = []
    if figures(tables):
        _cost(sheets, tables, rules)
        made.append("Cost")
    for name, layer in (
        ("Programme", "programme"), ("Items by day", "programme_items"),
        ("Calendar", "programme_days"), ("Ways", "trips"), ("Phases", "phases"),
    ):  # fmt: skip
        table = tables.get(layer)
        if table is not None and len(table):
            _whole(sheets, name, table, PROGRAMME_LAYERS[layer])
            made.append(name)
    looks = tables.get("programme_looks")
    if looks is not None and len(looks):
        _whole(sheets, "Programme, look at", looks, PROGRAMME_LAYERS["programme_looks"])
    return made


def _cost(sheets: Sheets, tables: Mapping[str, pd.DataFrame], rules: Rules) -> None:
    """Write total, drivers, published figures and quantity ranges on one sheet."""
    sheet = sheets.new("Cost")
    sheet.set_column(0, 0, 30)
    sheet.set_column(1, 7, 13)
    sheet.set_column(8, 8, 84)
    tax = f"with tax of {rules.spread.tax_ratio:.0%}" if rules.spread.tax_ratio else "without tax"
    r = rules.rates
    money = (
        f"{r.currency} {tax}, in the prices of the rates table, with moving in and out, "
        f"supervision ({r.supervision_ratio:.0%}) and contingency ({r.contingency_ratio:.0%}). "
        f"Per hectare: {area_words(tables, rules)}."
    )
    row = 0
    for text in (money, RANGE_WORDS):
        sheet.merge_range(row, 0, row, 8, "", sheets.wrap)
        sheet.write_string(row, 0, text, sheets.wrap)
        sheet.set_row(row, 15 * (1 + len(text) // 170))
        row += 1
    parts: Sequence[tuple[str, str, tuple[str, ...]]] = (
        ("cost", "Cost", ("figure", "p10", "p50", "p90", "mean", "likely", "unit")),
        ("cost_sense", "Beside published figures",
         ("basis", "p10", "p50", "p90", "published_low", "published_high", "unit", "verdict",
          "published")),
        ("cost_drivers", "What drives the range",
         ("driver", "low", "likely", "high", "swing", "share_ratio", "unit")),
        ("quantity_ranges", "Quantities, from how well the ground is known",
         ("quantity", "low", "likely", "high", "unit")),
    )  # fmt: skip
    for layer, title, names in parts:
        table = tables.get(layer)
        if table is None or not len(table):
            continue
        if layer == "quantity_ranges":
            table = table[table["scope"] == "site"].replace({"quantity": QUANTITY_WORDS})
        row = _block(sheets, sheet, row + 1, title, table, names)
        if layer == "cost_sense":
            sheet.write_string(row, 0, SENSE_WORDS, sheets.under)
            row += 1
            for r_ in table.to_dict("records"):
                if r_["why"] and r_["verdict"] != "within":
                    said = f"{r_['basis']}: {r_['verdict']}, as {plain(str(r_['why']), 400)}"
                    sheet.merge_range(row, 0, row, 8, "", sheets.wrap)
                    sheet.write_string(row, 0, said, sheets.wrap)
                    sheet.set_row(row, 14 * (1 + len(said) // 190))
                    row += 1


def _block(
    sheets: Sheets, sheet: Any, row: int, title: str, table: pd.DataFrame, names: Sequence[str]
) -> int:
    sheet.write_string(row, 0, title, sheets.section)
    row += 1
    heads = {"swing": "Total moves by", "share_ratio": "Share of the variance",
             "p10": "P10", "p50": "P50", "p90": "P90"}  # fmt: skip
    for k, name in enumerate(names):
        shown = heads.get(name, name.replace("_", " ").capitalize())
        sheet.write_string(row, k, shown, sheets.head)
    sheet.set_row(row, 30)
    row += 1
    for held in table[list(names)].to_dict("records"):
        for k, name in enumerate(names):
            value = held[name]
            if isinstance(value, str):
                shown = sheets.text if k == 0 else sheets.wrap
                sheet.write_string(row, k, plain(value, 2000), shown)
                if name == "published":
                    sheet.set_row(row, 14 * (1 + len(value) // 88))
            elif value == value:  # noqa: PLR0124 - unknown numbers stay empty cells
                digits = 2 if abs(value) < 10 else 1 if abs(value) < 100 else 0
                sheet.write_number(row, k, float(value), sheets.number(digits))
        row += 1
    return row


def _whole(sheets: Sheets, name: str, table: pd.DataFrame, layer: Layer) -> None:
    """Write all columns of a layer; a table too long for a sheet is cut, and says so."""
    sheet = sheets.new(name, paper_a3=True)
    sheet.set_row(0, 44)
    sheet.freeze_panes(1, 0)
    sheet.repeat_rows(0)
    shown = table.iloc[:MOST_ROWS]
    for k, column in enumerate(layer.columns):
        sheet.write_string(0, k, heading(column, sheets.currency), sheets.head)
        sheet.set_column(k, k, WIDTHS.get(column.name, 11))
        values = shown[column.name].tolist()
        if column.kind == "text":
            for r, text in enumerate(values, start=1):
                if text:
                    sheet.write_string(r, k, plain(str(text), 2000), sheets.unit)
        elif column.kind == "bool":
            for r, value in enumerate(values, start=1):
                sheet.write_string(r, k, "yes" if value else "no", sheets.unit)
        else:
            form = sheets.number(PLAIN.get(column.unit, digits_for(column)))
            for r, value in enumerate(values, start=1):
                if value == value:  # noqa: PLR0124 - unknown numbers stay empty
                    sheet.write_number(r, k, value, form)
    if len(table) > MOST_ROWS:
        sheet.write_string(len(shown) + 1, 0, f"+{len(table) - MOST_ROWS} more", sheets.under)
    sheet.autofilter(0, 0, len(shown), len(layer.columns) - 1)

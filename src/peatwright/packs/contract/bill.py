"""Bill of quantities as a workbook with live formulas: blank for tenderers, and priced."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xlsxwriter
from xlsxwriter.utility import xl_rowcol_to_cell as cell

from peatwright.model.rules import Rules
from peatwright.packs.info import PackInfo
from peatwright.packs.schedule import MADE
from peatwright.packs.version import Issue
from peatwright.packs.wording import plain
from peatwright.packs.words import Words
from peatwright.works import methods as mt
from peatwright.works import rating

INK, MOSS, PALE, YELLOW = "#22313A", "#3F6250", "#EEF2EE", "#FFF6C9"


@dataclass(frozen=True)
class Line:
    """One line of the bill: words, unit and the rate's formula in the names of the inputs."""

    key: str
    unit: str
    rate: str


LINES: dict[str, tuple[Line, ...]] = {
    "dams": (
        Line("wave", "no", "({minutes_wave}+{minutes_move})/60*{hour}"),
        Line("wave_extra", "bucket", "{minutes_extra}/60*{hour}"),
        Line("peat", "no", "({minutes_peat}+{minutes_move})/60*{hour}"),
        Line("peat_extra", "bucket", "{minutes_extra}/60*{hour}"),
        Line("timber", "no", "({hours_timber}+{minutes_move}/60)*{hour}"),
        Line("stone", "no", "({hours_stone}+{minutes_move}/60)*{hour}"),
        Line("piling", "no", "({hours_piling}+{minutes_move}/60)*{hour}"),
    ),
    "runs": (
        Line("zip", "m", "{hour}/{zip_rate}"),
        Line("reprofile", "m", "{hours}*{hour}/{reprofile_rate}"),
        Line("gap", "no", "{minutes_gap}/60*{hour}"),
        Line("run", "no", "{minutes_move}/60*{hour}"),
    ),
    "materials": (
        Line("timbers", "no", "{timber_rate}"),
        Line("stones", "t", "{stone_rate}"),
        Line("sheets", "m2", "{piling_rate}"),
    ),
}
QUANTITIES = tuple(line.key for group in LINES.values() for line in group)


def quantities_by_drain(tables: Mapping[str, pd.DataFrame], rules: Rules) -> pd.DataFrame:
    """Return a row for each drain with every quantity of the bill, in the bill's order."""
    items = tables["items"]
    kind = items["kind"].to_numpy(dtype=object)
    names = items["method"].to_numpy(dtype=object)
    dam = kind == "dam"
    code = np.array([mt.METHOD_CODE[m] for m in names], dtype=np.int64)
    held = np.where(dam, code, 0)

    def number(name: str) -> Any:
        return np.nan_to_num(items[name].to_numpy(dtype=np.float64))

    need = rating.stuff(held, number("width_m"), number("height_m"), rules)
    extra = np.maximum(number("buckets") - rules.dam.buckets_min, 0.0)
    length = number("length_m")
    run = np.isin(kind, ("zip", "reprofile"))
    out: dict[str, Any] = {"drain_id": items["drain_id"].to_numpy(dtype=object)}
    for key, method in (("wave", "wave dam"), ("peat", "peat dam")):
        here = dam & (names == method)
        out[key] = here.astype(float)
        out[f"{key}_extra"] = np.where(here, extra, 0.0)
    for key in ("timber", "stone", "piling"):
        out[key] = (dam & (names == f"{key} dam")).astype(float)
    out["zip"] = np.where(kind == "zip", length, 0.0)
    out["reprofile"] = np.where(kind == "reprofile", length, 0.0)
    out["gap"] = np.isin(kind, ("spoil gap", "spoil break")).astype(float)
    out["run"] = run.astype(float)
    for key, values in (
        ("timbers", need.timbers), ("stones", need.stone_t), ("sheets", need.piling_m2),
    ):  # fmt: skip
        out[key] = np.where(dam, values, 0.0)
    sums = pd.DataFrame(out).groupby("drain_id", sort=False)[list(QUANTITIES)].sum()
    order = tables["drains"]["drain_id"].astype(str).tolist()
    return sums.reindex(order, fill_value=0.0).astype(float)


def inputs_of(rules: Rules) -> list[tuple[str, float, str]]:
    """Return the inputs of the rates: key, likely value and unit."""
    r = rules.rates
    money = r.currency
    return [
        ("day", r.day_likely, f"{money}/d"), ("hours", r.hours_per_day, "h"),
        ("minutes_wave", r.minutes_wave_dam_likely, "min"),
        ("minutes_extra", r.minutes_extra_bucket, "min"),
        ("minutes_peat", r.minutes_peat_dam_likely, "min"),
        ("hours_timber", r.hours_timber_dam_likely, "h"),
        ("hours_stone", r.hours_stone_dam_likely, "h"),
        ("hours_piling", r.hours_piling_dam_likely, "h"),
        ("zip_rate", r.zip_m_per_hour_likely, "m/h"),
        ("reprofile_rate", r.reprofile_m_per_day_likely, "m/d"),
        ("minutes_gap", r.minutes_spoil_gap_likely, "min"),
        ("minutes_move", r.move_minutes, "min"),
        ("timber_rate", r.timber_likely, money), ("stone_rate", r.stone_likely, f"{money}/t"),
        ("piling_rate", r.piling_likely, f"{money}/m²"), ("move_rate", r.move_in_out, money),
        ("supervision_rate", r.supervision_ratio, ""),
        ("contingency_rate", r.contingency_ratio, ""), ("tax_rate", 0.0, ""),
    ]  # fmt: skip


def write_bill(
    path: Path, tables: Mapping[str, pd.DataFrame], rules: Rules, info: PackInfo, issue: Issue,
    w: Words, *, priced: bool,
) -> None:  # fmt: skip
    """Write the bill: sheets for the bill, the quantities behind it, the rates and notes.

    Every quantity, amount and total is a formula. The blank bill has empty rates and no sheet of
    rates; in the priced one the rates are formulas of the inputs on that sheet.
    """
    options = {
        "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
        "in_memory": True,
    }  # fmt: skip
    with xlsxwriter.Workbook(path, options) as book:
        title = w("bill.priced_title" if priced else "bill.blank_title")
        book.set_properties({"title": title, "comments": plain(info.origin, 200), "created": MADE})
        _Bill(book, quantities_by_drain(tables, rules), rules, info, issue, w, tables).write(
            title, priced=priced
        )


class _Bill:
    def __init__(
        self, book: Any, quantities: pd.DataFrame, rules: Rules, info: PackInfo, issue: Issue,
        w: Words, tables: Mapping[str, pd.DataFrame],
    ) -> None:  # fmt: skip
        self.book, self.quantities, self.rules = book, quantities, rules
        self.info, self.issue, self.w, self.tables = info, issue, w, tables
        font = {"font_name": "Calibri", "font_size": 11, "font_color": INK, "valign": "vcenter"}
        made = book.add_format
        self.text = made({**font, "text_wrap": True})
        self.soft = made({**font, "italic": True, "font_color": "#5B6B70"})
        self.title = made({**font, "bold": True, "font_size": 17})
        self.group = made({**font, "bold": True, "font_size": 12, "bg_color": PALE, "bottom": 1})
        self.head = made({**font, "bold": True, "bg_color": MOSS, "font_color": "#FFFFFF",
                          "text_wrap": True, "border": 1})  # fmt: skip
        self.count = made({**font, "num_format": "#,##0.0"})
        self.money = made({**font, "num_format": "#,##0.00"})
        self.fill = made({**font, "num_format": "#,##0.00", "bg_color": YELLOW, "border": 1})
        self.share = made({**font, "num_format": "0.0%", "bg_color": YELLOW, "border": 1})
        self.bold = made({**font, "bold": True, "num_format": "#,##0.00", "top": 1})
        self.strong = made({**font, "bold": True, "top": 1})

    def write(self, title: str, *, priced: bool) -> None:
        w = self.w
        bill = self._new(w("bill.sheet_bill"), landscape=False)
        counts = self._new(w("bill.sheet_quantities"), landscape=True)
        rates = self._new(w("bill.sheet_rates"), landscape=False) if priced else None
        notes = self._new(w("bill.sheet_notes"), landscape=False)
        totals = self._quantities(counts)
        inputs = self._inputs(rates) if rates is not None else {}
        self._bill(bill, title, totals, inputs)
        self._notes(notes)

    def _new(self, name: str, *, landscape: bool) -> Any:
        sheet = self.book.add_worksheet(name)
        if landscape:
            sheet.set_landscape()
        sheet.set_paper(9)
        sheet.fit_to_pages(1, 0)
        sheet.hide_gridlines(2)
        site = plain(self.info.title, 70).replace("&", "&&")
        code = f"{self.w('common.pack', number=self.issue.number)} · {self.issue.code}"
        sheet.set_header(f"&L&9{site}&R&9{code}")
        sheet.set_footer(f"&L&8{plain(self.info.origin, 120).replace('&', '&&')}&R&8&P / &N")
        return sheet

    def _quantities(self, sheet: Any) -> dict[str, tuple[str, float]]:
        """Write the quantities by drain; return for each the cell of its sum and its value."""
        w, name = self.w, self.w("bill.sheet_quantities")
        last = 1 + len(self.quantities)
        sheet.set_row(0, 66)
        sheet.freeze_panes(1, 1)
        sheet.repeat_rows(0)
        sheet.set_column(0, 0, 14)
        sheet.set_column(1, len(QUANTITIES), 12)
        sheet.write_string(0, 0, w("bill.drain"), self.head)
        sheet.write_string(last, 0, w("bill.total"), self.strong)
        for r, drain_id in enumerate(self.quantities.index, start=1):
            sheet.write_string(r, 0, plain(drain_id, 40), self.text)
        out = {}
        units = {line.key: line.unit for group in LINES.values() for line in group}
        for k, key in enumerate(QUANTITIES, start=1):
            words = w(f"bill.{key}", n=self.rules.dam.buckets_min)
            sheet.write_string(0, k, f"{words} [{w('bill.unit_' + units[key])}]", self.head)
            values = self.quantities[key].tolist()
            for r, value in enumerate(values, start=1):
                if value:
                    sheet.write_number(r, k, round(value, 6), self.count)
            total = float(np.sum(np.round(values, 6))) if values else 0.0
            end = cell(max(last - 1, 1), k)
            sheet.write_formula(last, k, f"=SUM({cell(1, k)}:{end})" if values else "=0",
                                self.bold, total)  # fmt: skip
            out[key] = (f"'{name}'!{cell(last, k, True, True)}", total)
        return out

    def _inputs(self, sheet: Any) -> dict[str, tuple[str, float]]:
        w, name = self.w, self.w("bill.sheet_rates")
        sheet.set_column(0, 0, 48)
        sheet.set_column(1, 2, 14)
        for k, head in enumerate(w.each("bill.rate_head")):
            sheet.write_string(0, k, head, self.head)
        out: dict[str, tuple[str, float]] = {}
        for r, (key, value, unit) in enumerate(inputs_of(self.rules), start=1):
            sheet.write_string(r, 0, w(f"bill.{key}"), self.text)
            sheet.write_number(r, 1, value, self.share if not unit else self.fill)
            sheet.write_string(r, 2, unit, self.text)
            out[key] = (f"'{name}'!{cell(r, 1, True, True)}", value)
        row = len(out) + 2
        hour = out["day"][1] / out["hours"][1]
        sheet.write_string(row, 0, w("bill.hour"), self.strong)
        sheet.write_formula(row, 1, f"={out['day'][0]}/{out['hours'][0]}", self.bold, hour)
        out["hour"] = (f"'{name}'!{cell(row, 1, True, True)}", hour)
        return out

    def _bill(
        self, sheet: Any, title: str, totals: Mapping[str, tuple[str, float]],
        inputs: Mapping[str, tuple[str, float]],
    ) -> None:  # fmt: skip
        w = self.w
        for k, wide in enumerate((7, 62, 9, 13, 13, 16)):
            sheet.set_column(k, k, wide)
        sheet.set_row(0, 26)
        sheet.write_string(0, 0, title, self.title)
        sheet.write_string(1, 0, f"{plain(self.info.title, 80)} · {self.rules.rates.currency}",
                           self.soft)  # fmt: skip
        for k, head in enumerate(w.each("bill.head")):
            sheet.write_string(3, k, head, self.head)
        sheet.repeat_rows(3)
        sheet.freeze_panes(4, 0)
        row = 4
        sums: list[tuple[str, float]] = []
        for n, (group, lines) in enumerate(LINES.items()):
            letter = "ABC"[n]
            sheet.merge_range(row, 0, row, 5, w(f"bill.{group}"), self.group)
            first = row = row + 1
            held = 0.0
            for k, line in enumerate(lines, start=1):
                where, amount = totals[line.key]
                words = w(f"bill.{line.key}", n=self.rules.dam.buckets_min)
                rate = None
                if inputs:
                    rate = _value(line.rate, {i: v for i, (_, v) in inputs.items()})
                    formula = "=" + line.rate.format(**{i: c for i, (c, _) in inputs.items()})
                self._head(sheet, row, f"{letter}{k}", words, w(f"bill.unit_{line.unit}"))
                sheet.write_formula(row, 3, f"={where}", self.count, amount)
                if rate is None:
                    sheet.write_blank(row, 4, None, self.fill)
                else:
                    sheet.write_formula(row, 4, formula, self.money, rate)
                value = amount * (rate or 0.0)
                held += value
                sheet.write_formula(row, 5, f"={cell(row, 3)}*{cell(row, 4)}", self.money, value)
                row += 1
            sheet.write_string(row, 1, w("bill.total"), self.strong)
            sheet.write_formula(
                row, 5, f"=SUM({cell(first, 5)}:{cell(row - 1, 5)})", self.bold, held
            )
            sums.append((cell(row, 5), held))
            row += 2
        self._totals(sheet, row, sums, inputs)

    def _head(self, sheet: Any, row: int, ref: str, words: str, unit: str) -> None:
        sheet.write_string(row, 0, ref, self.text)
        sheet.write_string(row, 1, words, self.text)
        sheet.write_string(row, 2, unit, self.text)

    def _totals(
        self, sheet: Any, row: int, sums: Sequence[tuple[str, float]],
        inputs: Mapping[str, tuple[str, float]],
    ) -> None:  # fmt: skip
        w = self.w
        sheet.merge_range(row, 0, row, 5, w("bill.general"), self.group)
        first = row = row + 1
        general = 0.0
        busy = bool(self.quantities.to_numpy().sum() > 0)
        for k, key in enumerate(("move", "mats", "survey"), start=1):
            own = key == "move"
            words = w(f"bill.{key}")
            if inputs and not own:
                words += f" ({w('bill.not_priced')})"
            self._head(sheet, row, f"D{k}", words, w("bill.unit_sum"))
            sheet.write_number(row, 3, 1 if busy else 0, self.count)
            rate = inputs["move_rate"][1] if inputs and own else 0.0
            if inputs and own:
                sheet.write_formula(row, 4, f"={inputs['move_rate'][0]}", self.money, rate)
            elif inputs:
                sheet.write_number(row, 4, 0, self.fill)
            else:
                sheet.write_blank(row, 4, None, self.fill)
            value = rate if busy else 0.0
            general += value
            sheet.write_formula(row, 5, f"={cell(row, 3)}*{cell(row, 4)}", self.money, value)
            row += 1
        general_cells = f"SUM({cell(first, 5)}:{cell(row - 1, 5)})"
        row += 1

        def total(key: str, formula: str, value: float, share: str = "") -> str:
            nonlocal row
            sheet.write_string(row, 1, w(f"bill.{key}"), self.strong)
            if share and inputs:
                sheet.write_formula(row, 4, f"={inputs[share][0]}", self.share, inputs[share][1])
            elif share:
                sheet.write_number(row, 4, 0, self.share)
            sheet.write_formula(row, 5, formula.replace("{share}", cell(row, 4)), self.bold, value)
            row += 1
            return str(cell(row - 1, 5))

        held = sum(v for _, v in sums)
        works = total("works", "=" + "+".join(c for c, _ in sums), held)
        plus = total("general_sum", f"={general_cells}", general)
        shares = {k: inputs[f"{k}_rate"][1] if inputs else 0.0
                  for k in ("supervision", "contingency", "tax")}  # fmt: skip
        watch = total("supervision", f"={works}*{{share}}", held * shares["supervision"],
                      "supervision_rate")  # fmt: skip
        spare = total("contingency", f"={works}*{{share}}", held * shares["contingency"],
                      "contingency_rate")  # fmt: skip
        net_value = held * (1 + shares["supervision"] + shares["contingency"]) + general
        net = total("net", f"={works}+{plus}+{watch}+{spare}", net_value)
        tax = total("tax", f"={net}*{{share}}", net_value * shares["tax"], "tax_rate")
        total("gross", f"={net}+{tax}", net_value * (1 + shares["tax"]))
        if inputs:
            for text in self._ranges():
                sheet.merge_range(row + 1, 0, row + 1, 5, text, self.soft)
                row += 1

    def _ranges(self) -> list[str]:
        w, money = self.w, self.rules.rates.currency
        sums = self.tables["quantities"]
        site = sums[sums["scope"] == "site"]
        out = []
        if len(site):
            row = site.iloc[-1]
            low, likely, high = (w.number(row[n]) for n in ("cost_low", "cost", "cost_high"))
            out.append(w("bill.range", low=low, likely=likely, high=high, currency=money))
        cost = self.tables.get("cost")
        if cost is not None and len(cost):
            row = cost.iloc[0]
            out.append(w("bill.range_p", p10=w.number(row["p10"]), p90=w.number(row["p90"]),
                         currency=money))  # fmt: skip
        return out

    def _notes(self, sheet: Any) -> None:
        w = self.w
        sheet.set_column(0, 0, 100)
        said = [*w.each("bill.notes"), w("common.screening"), plain(self.info.attribution, 300)]
        for r, text in enumerate(said):
            sheet.write_string(r, 0, text, self.text)
            sheet.set_row(r, 16 * (1 + len(text) // 100))


def _value(formula: str, values: Mapping[str, float]) -> float:
    """Return what a rate's formula comes to: products, quotients, one bracket and sums."""
    filled = formula.format(**{k: repr(float(v)) for k, v in values.items()})
    return _sum(filled)


def _sum(text: str) -> float:
    while "(" in text:
        start = text.rindex("(")
        end = text.index(")", start)
        text = text[:start] + repr(_sum(text[start + 1 : end])) + text[end + 1 :]
    total = 0.0
    for part in text.split("+"):
        product = 1.0
        for n, factor in enumerate(part.split("*")):
            top, *below = factor.split("/")
            value = float(top)
            for divisor in below:
                # A nought in the rates is shown by the sheet as it shows it; here it counts nought.
                value = value / float(divisor) if float(divisor) else 0.0
            product = value if n == 0 else product * value
        total += product
    return total

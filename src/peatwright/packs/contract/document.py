"""A Word document in one hand: headings, tables, lists, and the pack's code on every page."""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from collections.abc import Sequence
from typing import Any

import docx
from docx.enum.section import WD_ORIENT
from docx.enum.table import WD_TABLE_ALIGNMENT
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from docx.shared import Mm, Pt, RGBColor

from peatwright.packs.info import PackInfo
from peatwright.packs.version import Issue
from peatwright.packs.wording import plain
from peatwright.packs.words import Words

ZIP_DAY = (1980, 1, 1, 0, 0, 0)
INK, MOSS, PALE = RGBColor(0x22, 0x31, 0x3A), RGBColor(0x3F, 0x62, 0x50), "E9EFEA"


class Paper:
    """Collects the document; `save` gives the file, the same bytes for the same content."""

    def __init__(
        self, title: str, info: PackInfo, issue: Issue, w: Words, *, landscape: bool = False
    ) -> None:
        self.doc = docx.Document()
        self.w = w
        core = self.doc.core_properties
        core.title, core.author, core.comments = title, "", plain(info.origin, 200)
        core.created = core.modified = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
        core.language = w.language
        self._styles()
        section = self.doc.sections[0]
        wide, high = (Mm(297), Mm(210)) if landscape else (Mm(210), Mm(297))
        section.page_width, section.page_height = wide, high
        section.orientation = WD_ORIENT.LANDSCAPE if landscape else WD_ORIENT.PORTRAIT
        section.left_margin = section.right_margin = Mm(18)
        section.top_margin, section.bottom_margin = Mm(20), Mm(18)
        self.width = wide - Mm(36)
        code = w("common.layout_code", code=issue.code)
        pack = w("common.pack", number=issue.number)
        section.header.paragraphs[
            0
        ].text = f"{plain(info.title, 80)} · {title} · {pack}, {code}, {w.date(issue.date)}"
        section.footer.paragraphs[
            0
        ].text = f"{w('common.stale')} {plain(info.origin, 120)}. {plain(info.attribution, 160)}"
        for part in (section.header, section.footer):
            for run in part.paragraphs[0].runs:
                run.font.size = Pt(8.5)
        head = self.doc.add_paragraph(title, style="Title")
        head.paragraph_format.space_after = Pt(2)
        under = self.doc.add_paragraph(plain(info.title, 200))
        under.runs[0].font.size = Pt(14)
        if info.invented:
            self.text(w("common.invented"))

    def _styles(self) -> None:
        normal = self.doc.styles["Normal"]
        normal.font.name, normal.font.size, normal.font.color.rgb = "Calibri", Pt(11), INK
        normal.paragraph_format.space_after = Pt(5)
        for name, size in (("Title", 24), ("Heading 1", 14), ("Heading 2", 12)):
            style = self.doc.styles[name]
            style.font.name, style.font.size, style.font.bold = "Calibri", Pt(size), True
            style.font.color.rgb = MOSS if name != "Title" else INK
            fonts = style.element.get_or_add_rPr().get_or_add_rFonts()
            for which in ("w:asciiTheme", "w:hAnsiTheme", "w:eastAsiaTheme", "w:cstheme"):
                fonts.attrib.pop(qn(which), None)
            fonts.set(qn("w:hAnsi"), "Calibri")
            for border in style.element.iter(qn("w:pBdr")):
                border.getparent().remove(border)
                break

    def head(self, text: str, level: int = 1) -> None:
        """Add a heading."""
        self.doc.add_heading(text, level)

    def text(self, text: str, *, bold: bool = False) -> None:
        """Add a paragraph."""
        line = self.doc.add_paragraph()
        line.add_run(plain(text)).bold = bold
        line.paragraph_format.keep_with_next = text.endswith(":")

    def points(self, texts: Sequence[str], *, numbered: bool = False) -> None:
        """Add a list."""
        for k, text in enumerate(texts, start=1):
            style = "Normal" if numbered else "List Bullet"
            line = self.doc.add_paragraph(
                f"{k}.  {plain(text)}" if numbered else plain(text), style
            )
            line.paragraph_format.space_after = Pt(2)
            if numbered:
                line.paragraph_format.left_indent = Mm(6)
                line.paragraph_format.first_line_indent = Mm(-6)

    def table(
        self, heads: Sequence[str], rows: Sequence[Sequence[str]], shares: Sequence[float],
        *, blank_rows: int = 0,
    ) -> None:  # fmt: skip
        """Add a table whose head repeats on every page; `shares` are widths of its columns."""
        count = 1 + len(rows) + blank_rows
        table = self.doc.add_table(rows=count, cols=len(heads), style="Table Grid")
        table.alignment = WD_TABLE_ALIGNMENT.CENTER
        table.autofit = False
        total = sum(shares)
        widths = [int(self.width * s / total) for s in shares]
        for column, wide in zip(table.columns, widths, strict=True):
            column.width = wide
        everything = [list(heads), *(list(r) for r in rows), *([""] * len(heads),) * blank_rows]
        # Cells are taken once: asking the table for each is slow on long ones.
        for r, (line, texts) in enumerate(zip(table.rows, everything, strict=True)):
            for c, (cell, text) in enumerate(zip(line.cells, texts, strict=True)):
                cell.width = widths[c]
                paragraph = cell.paragraphs[0]
                paragraph.paragraph_format.space_before = Pt(2)
                paragraph.paragraph_format.space_after = Pt(2)
                run = paragraph.add_run(plain(text, 600))
                run.font.size = Pt(9.5)
                if r == 0:
                    run.bold = True
                    _shade(cell)
            _mark_row(line, "w:cantSplit")
            if r == 0:
                _mark_row(line, "w:tblHeader")
            elif r > len(rows):
                line.height = Mm(9)
        self.doc.add_paragraph().paragraph_format.space_after = Pt(2)

    def save(self) -> bytes:
        """Return the file, written without the time of day."""
        held, out = io.BytesIO(), io.BytesIO()
        self.doc.save(held)
        with zipfile.ZipFile(held) as given, zipfile.ZipFile(out, "w") as fixed:
            for name in sorted(given.namelist()):
                fixed.writestr(
                    zipfile.ZipInfo(name, ZIP_DAY), given.read(name), zipfile.ZIP_DEFLATED
                )
        return out.getvalue()


def _mark_row(line: Any, name: str) -> None:
    mark = OxmlElement(name)
    mark.set(qn("w:val"), "true")
    line._tr.get_or_add_trPr().append(mark)


def _shade(cell: Any) -> None:
    shade = OxmlElement("w:shd")
    shade.set(qn("w:val"), "clear")
    shade.set(qn("w:color"), "auto")
    shade.set(qn("w:fill"), PALE)
    cell._tc.get_or_add_tcPr().append(shade)

"""The pack: every file that people take away from a laid-out site, in one folder and one ZIP."""

from __future__ import annotations

import textwrap
import zipfile
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyproj

from peatwright.model.columns import empty
from peatwright.model.ground_layers import GROUND_LAYERS
from peatwright.model.layers import LAYERS
from peatwright.model.programme_layers import PROGRAMME_LAYERS
from peatwright.model.progress import Progress, part, silent
from peatwright.model.raster import Raster
from peatwright.model.rules import Rules
from peatwright.model.water_layers import WATER_LAYERS
from peatwright.packs.cards.cards import Cards
from peatwright.packs.cards.guide import guide_pdf
from peatwright.packs.cards.site_page import site_pdf
from peatwright.packs.drawing.found import draw_found
from peatwright.packs.drawing.overview import draw_overview
from peatwright.packs.drawing.programme import can_draw, programme_pdf
from peatwright.packs.drawing.sections import section_files
from peatwright.packs.drawing.tiles import map_files, sheets_of
from peatwright.packs.geopackage import write_layers
from peatwright.packs.ground_pages import ground_pdf
from peatwright.packs.handset import write_dams, write_drains
from peatwright.packs.info import PackInfo
from peatwright.packs.register import register_pdf, write_register
from peatwright.packs.schedule import write_csv, write_xlsx
from peatwright.packs.stops import open_stops
from peatwright.packs.summary import method_rows, summary_lines
from peatwright.packs.version import Issue, next_issue, read_history, write_history
from peatwright.packs.water_pages import water_pdf
from peatwright.packs.wording import plain
from peatwright.packs.words import Words, words

__all__ = ["PackInfo", "write_pack"]

OPTIONAL = {**PROGRAMME_LAYERS, **GROUND_LAYERS, **WATER_LAYERS}
"""Layers that a site may have beside those of the layout; shown where they are given."""
SOMETIMES = ("README.txt", "found.pdf", "programme.pdf", "water.pdf")
"""Files told of elsewhere, or made only where there is something to show."""
PURPOSES = {
    name: str(text)
    for name, text in (
        (key.removeprefix("purposes."), text)
        for key, text in words().texts().items()
        if key.startswith("purposes.")
    )
    if name not in SOMETIMES
}
"""What each file of a pack is for, in English."""
STOPS_SHOWN = 8
"""Unanswered stops that the read-me names one by one."""
ZIP_NAME, ZIP_DAY = "pack.zip", (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True)
class _Making:
    """What every part of the pack needs."""

    folder: Path
    tables: Mapping[str, pd.DataFrame]
    dtm: Raster
    rules: Rules
    info: PackInfo
    issue: Issue
    w: Words
    paper: str
    rasters: Mapping[str, Raster]
    surveyed: Mapping[str, Any]
    storm: Mapping[str, Any]
    proved: bool

    @property
    def crs(self) -> str:
        return self.dtm.grid.crs

    def at(self, name: str) -> Path:
        path = self.folder / name
        path.parent.mkdir(exist_ok=True)
        return path


def write_pack(
    folder: Path,
    tables: Mapping[str, pd.DataFrame],
    dtm: Raster,
    rules: Rules,
    info: PackInfo,
    progress: Progress | None = None,
    *,
    rasters: Mapping[str, Raster] | None = None,
    surveyed: Mapping[str, Any] | None = None,
    storm: Mapping[str, Any] | None = None,
    language: str = "en",
    previous: Path | None = None,
    paper: str = "A3",
) -> list[Path]:
    """Write all files of the pack into an existing, empty folder and return their paths.

    Args:
        folder: where to write; whoever calls makes it and swaps it in whole.
        tables: layers by name; one that is missing counts as empty. Programme, costs, findings
            and seasons are shown where they are given.
        dtm: ground that the map shades, in the site's CRS.
        rules: rule sheet that the layout was made with.
        info: what each file says of the site and the run.
        progress: told how far the work is.
        rasters: peat depth, stability and going, as the ground survey made them, flow and depth
            to water before and after, and a storm's depths; None without.
        surveyed: report of the ground survey.
        storm: report of a storm run over the surface for this layout; None without.
        language: catalogue of words, one of `words.LANGUAGES`.
        previous: folder of the pack before this one, whose history goes on; none begins anew.
        paper: size of the map sheets, A3 or A4.

    Raises:
        ColumnError: a table breaks its declared columns.
        RuleError: there is no catalogue of that language.
        StoreError: the GeoPackage cannot be written.
        OSError: another file cannot be written.

    """
    told = progress or silent
    w = words(language)
    crs = dtm.grid.crs
    held = {
        n: tables[n] if n in tables else empty(layer, crs)
        for n, layer in LAYERS.items() if n not in OPTIONAL
    }  # fmt: skip
    extra = {n: tables[n] for n in OPTIONAL if n in tables}
    issue, history = next_issue(read_history(previous), held, info.date)
    m = _Making(
        folder, {**held, **extra}, dtm, rules, info, issue, w, paper, rasters or {},
        surveyed or {}, storm or {}, "findings" in tables,
    )  # fmt: skip
    made = write_history(folder, history)
    # The files for machines are written while pages are being set in a process of their own.
    with ThreadPoolExecutor(1) as beside:
        exchanged = beside.submit(_exchange, m)
        made += _drawings(m, part(told, 0.0, 0.4))
        made += _cards(m, part(told, 0.4, 0.75))
        told(0.75, "writing the schedule and the contract papers")
        made += _papers(m, made)
        told(0.84, "drawing the ground and writing the register")
        made += _ground(m)
        made += _water(m)
        told(0.9, "writing the layers and files for machines and handsets")
        more, said = exchanged.result()
    made += more
    read_me = folder / "README.txt"
    read_me.write_text(_read_me(m, said, made), encoding="utf-8")
    made = [read_me, *made]
    told(0.97, "zipping the pack")
    made.append(_zipped(folder))
    told(1.0, "the pack is written")
    return made


def _numbered(m: _Making, name: str, parts: Iterable[bytes]) -> list[Path]:
    """Write parts as `name.pdf`, `name-2.pdf` and so on."""
    made = []
    for n, content in enumerate(parts, start=1):
        stem, dot, ending = name.rpartition(".")
        path = m.at(name if n == 1 else f"{stem}-{n}{dot}{ending}")
        path.write_bytes(content)
        made.append(path)
    return made


def _drawings(m: _Making, told: Progress) -> list[Path]:
    summary = m.at("summary.txt")
    lines = summary_lines(m.tables, m.rules, m.info)
    summary.write_text("\n".join(lines) + "\n", encoding="utf-8")
    told(0.05, "drawing the overview")
    sheet = draw_overview(m.tables, m.dtm, m.rules, m.info)
    pdf, png = m.at("overview.pdf"), m.at("overview.png")
    pdf.write_bytes(sheet.pdf())
    png.write_bytes(sheet.png())
    found = _found(m)
    maps = map_files(m.tables, m.dtm, m.info, m.issue, m.w, m.paper, part(told, 0.2, 0.4))
    planned = _planned(m)
    sections = section_files(m.tables, m.rules, m.info, part(told, 0.4, 1.0))
    return [
        summary, pdf, png, *found, *_numbered(m, "maps.pdf", maps), *planned,
        *_numbered(m, "long-sections.pdf", sections),
    ]  # fmt: skip


def _ground(m: _Making) -> list[Path]:
    """Draw what is known of the ground, and list what its checks found."""
    tables = {**{n: empty(layer, m.crs) for n, layer in GROUND_LAYERS.items()}, **m.tables}
    pages, register, book = (m.at(n) for n in ("ground.pdf", "register.pdf", "register.xlsx"))
    pages.write_bytes(ground_pdf(tables, m.dtm, m.rasters, m.surveyed, m.rules, m.info)[0])
    register.write_bytes(register_pdf(tables, m.info, proved=m.proved))
    write_register(book, tables, m.info, proved=m.proved)
    return [pages, register, book]


def _water(m: _Making) -> list[Path]:
    """Draw where the water goes, and a storm where one was run for this layout."""
    pages = water_pdf(m.tables, m.dtm, m.rasters, m.storm, m.rules, m.info)
    if not pages:
        return []
    path = m.at("water.pdf")
    path.write_bytes(pages[0])
    return [path]


def _found(m: _Making) -> list[Path]:
    """Draw the lines that the terrain shows, where a search has been made."""
    found = m.tables["found_drains"]
    if not len(found):
        return []
    area_ha = float(np.isfinite(m.dtm.values).sum()) * m.dtm.grid.cell_area_m2 / 1e4
    sheet = draw_found(
        found, m.tables["furrow_ground"], m.tables["boundary"], m.dtm, area_ha, m.info
    )
    path = m.at("found.pdf")
    path.write_bytes(sheet.pdf())
    return [path]


def _planned(m: _Making) -> list[Path]:
    """Draw order, ways and calendar, where there is a programme."""
    if not can_draw(m.tables, m.rules):
        return []
    path = m.at("programme.pdf")
    path.write_bytes(programme_pdf(m.tables, m.dtm, m.rules, m.info, m.issue, m.w))
    return [path]


def _cards(m: _Making, told: Progress) -> list[Path]:
    cards = Cards(m.tables, m.crs, m.rules, m.info, m.issue, m.w)
    made = _numbered(m, "cards/cards.pdf", cards.files(part(told, 0.0, 0.95)))
    used = [method for method, _, _ in method_rows(m.tables)]
    if (m.tables["items"]["kind"] == "zip").any():
        used.append("zip")
    guide, site = m.at("cards/how-to-build.pdf"), m.at("cards/site.pdf")
    guide.write_bytes(guide_pdf(used, m.rules, m.info, m.issue, m.w))
    site.write_bytes(site_pdf(m.tables, m.crs, m.info, m.issue, m.w))
    return [*made, guide, site]


def _papers(m: _Making, drawn: list[Path]) -> list[Path]:
    # The libraries for documents are needed here alone and slow to import.
    from peatwright.packs.contract.bill import write_bill
    from peatwright.packs.contract.papers import Papers

    book, table = m.at("schedule.xlsx"), m.at("schedule.csv")
    write_xlsx(book, m.tables, m.rules, m.info)
    write_csv(table, m.tables["items"])
    made = [book, table]
    for name, priced in (("bill.xlsx", False), ("bill-priced.xlsx", True)):
        path = m.at(f"contract/{name}")
        write_bill(path, m.tables, m.rules, m.info, m.issue, m.w, priced=priced)
        made.append(path)
    papers = Papers(m.tables, m.crs, m.rules, m.info, m.issue, m.w)
    for name, content in (
        ("method-statement.docx", papers.method_statement()),
        ("hazard-register.docx", papers.hazard_register()),
        ("hand-back.docx", papers.hand_back()),
        ("drawings.docx", papers.drawings(_listed(m, drawn))),
    ):
        path = m.at(f"contract/{name}")
        path.write_bytes(content)
        made.append(path)
    return made


def _listed(m: _Making, drawn: list[Path]) -> list[list[str]]:
    """Return file, purpose, scale and sheets of each drawing."""
    sheets = sheets_of(m.tables, m.paper)
    scale = f"1:{m.w.number(sheets[0].frame.scale)}" if sheets else ""
    out = []
    for path in drawn:
        name = path.relative_to(m.folder).as_posix()
        if path.suffix != ".pdf":
            continue
        marked = m.w("papers.not_to_scale" if "how-to" in name else "papers.as_marked")
        pages = str(_pages(path))
        out.append([name, _purpose(m.w, name), scale if "maps" in name else marked, pages])
    return out


def _pages(path: Path) -> int:
    """Return the number of pages of a PDF of ours, from its page tree."""
    return path.read_bytes().count(b"/Type /Page\n") or path.read_bytes().count(b"/Type/Page/")


def _exchange(m: _Making) -> tuple[list[Path], str]:
    from peatwright.packs.exchange.dxf import write_dxf
    from peatwright.packs.exchange.kml import kml_bytes, write_kml
    from peatwright.packs.exchange.shapes import works_of
    from peatwright.packs.exchange.tables import write_points
    from peatwright.packs.exchange.vectors import write_all_geojson, write_shapefiles

    layers = m.at("layers.gpkg")
    known = {**LAYERS, **OPTIONAL}
    write_layers(layers, {n: m.tables[n] for n in m.tables}, m.crs, known)
    dams, drains = m.at("handset/dams.gpx"), m.at("handset/drains.gpx")
    said = write_dams(dams, m.tables["items"], m.crs, m.info)
    write_drains(drains, m.tables["drains"], m.crs, m.info)
    works = works_of(m.tables["items"], m.crs)
    kml = kml_bytes(works, m.tables, m.crs, m.info, m.issue, m.w)
    drawing, points = m.at("machine/layout.dxf"), m.at("machine/points.csv")
    write_dxf(drawing, works, m.tables)
    write_points(points, works)
    gis = m.at("gis/items.geojson").parent
    made = [
        layers, dams, drains, *write_kml(m.at("handset/site.kml"), kml), drawing, points,
        *write_all_geojson(gis, works, m.tables, m.crs),
        *write_shapefiles(gis, works, m.tables, m.crs),
    ]  # fmt: skip
    return made, said


def _zipped(folder: Path) -> Path:
    """Zip all that is in the folder, in order of name and without the time of day."""
    path = folder / ZIP_NAME
    files = sorted(p for p in folder.rglob("*") if p.is_file() and p != path)
    with zipfile.ZipFile(path, "w") as archive:
        for file in files:
            entry = zipfile.ZipInfo(file.relative_to(folder).as_posix(), ZIP_DAY)
            # Pictures and PDFs are packed already.
            packed = file.suffix in {".png", ".kmz", ".docx", ".xlsx"}
            how = zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED
            archive.writestr(entry, file.read_bytes(), how, 5)
    return path


def _purpose(w: Words, name: str) -> str:
    return w.said("purposes", name)


def _read_me(m: _Making, said: str, made: list[Path]) -> str:
    w, info = m.w, m.info
    title = plain(info.title, 300)
    parts = [title, "=" * min(len(title), 79), ""]
    if info.invented:
        parts += [w("readme.invented"), ""]
    date = w.date(m.issue.date)
    parts += _stops(m)
    parts += textwrap.wrap(w("readme.start"), 79)
    parts.append("")
    names = [p.relative_to(m.folder).as_posix() for p in made]
    told = w.texts()
    for name in ["README.txt", *names, ZIP_NAME]:
        if f"purposes.{name}" in told:
            parts += _wrapped(f"{name:<31}", _purpose(w, name), 31)
    for key, stem in (("cards_more", "cards/cards"), ("sections_more", "long-sections"),
                      ("maps_more", "maps")):  # fmt: skip
        n = sum(name.startswith(stem) for name in names)
        if n > 1:
            parts += _wrapped("", w(f"readme.{key}", n=n), 31)
    parts += _wrapped("", w("readme.shapefile"), 31)
    parts.append("")
    system = w("readme.coordinates", name=pyproj.CRS(m.crs).name)
    for label, text in (
        ("pack", w("readme.pack", number=m.issue.number, code=m.issue.code, date=date)),
        ("old", w("readme.old")),
        ("coordinates", system),
        ("handset", said),
        ("sides", w("readme.sides")),
        ("screening", w("common.screening")),
        ("safety", w("common.safety")),
        ("attribution", plain(info.attribution) or w("readme.no_attribution")),
        ("made", info.origin),
    ):
        parts += _wrapped(f"{w('readme.labels.' + label):<20}", text, 20)
    return "\n".join(parts) + "\n"


def _stops(m: _Making) -> list[str]:
    """Return the findings that must stop the work and have no answer, loudly."""
    stops = open_stops(m.tables)
    if not stops:
        return []
    parts = ["!" * 79, *textwrap.wrap(m.w("readme.stops", n=m.w.number(len(stops))), 79), ""]
    for text in stops[:STOPS_SHOWN]:
        parts += textwrap.wrap(f"* {text}", 79, subsequent_indent="  ")
    if len(stops) > STOPS_SHOWN:
        parts.append("* " + m.w("readme.more_stops", n=m.w.number(len(stops) - STOPS_SHOWN)))
    return [*parts, "!" * 79, ""]


def _wrapped(label: str, text: str, indent: int) -> list[str]:
    first = label if label else " " * indent
    return textwrap.wrap(text, 79, initial_indent=first, subsequent_indent=" " * indent)

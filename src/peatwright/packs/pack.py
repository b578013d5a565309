"""The pack: every file that people take away from a laid-out site, in one folder."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from pathlib import Path

import pandas as pd
import pyproj

from peatwright.model.columns import empty
from peatwright.model.layers import LAYERS
from peatwright.model.progress import Progress, part, silent
from peatwright.model.raster import Raster
from peatwright.model.rules import Rules
from peatwright.packs.drawing.overview import draw_overview
from peatwright.packs.drawing.sections import section_files
from peatwright.packs.geopackage import write_layers
from peatwright.packs.handset import write_dams, write_drains
from peatwright.packs.info import PackInfo
from peatwright.packs.schedule import write_csv, write_xlsx
from peatwright.packs.summary import summary_lines
from peatwright.packs.wording import SAFETY, SCREENING, plain

__all__ = ["PackInfo", "write_pack"]

PURPOSES = {
    "summary.txt": "The layout on one screen.",
    "overview.pdf": "Map of the whole site to print on A3: methods, dams and outlets, limits.",
    "overview.png": "The same map as a picture, for a screen or a letter.",
    "long-sections.pdf": "Long section of every drain on A4: ground, bed, dams, pools, zip runs.",
    "schedule.xlsx": "Workbook: dams, zips and runs, sums by drain and method, rules used.",
    "schedule.csv": "Every item with every column, for other programs. Units in the header.",
    "layers.gpkg": "All layers for a GIS; each column carries its meaning and unit.",
    "handset/dams.gpx": "Dams as waypoints: short name, method and outlet side in the comment.",
    "handset/drains.gpx": "Drains as tracks, from head to outfall.",
}


def write_pack(
    folder: Path,
    tables: Mapping[str, pd.DataFrame],
    dtm: Raster,
    rules: Rules,
    info: PackInfo,
    progress: Progress | None = None,
) -> list[Path]:
    """Write all files of the pack into an existing, empty folder and return their paths.

    Args:
        folder: where to write; whoever calls makes it and swaps it in whole.
        tables: layers by name; one that is missing counts as empty.
        dtm: ground that the map shades, in the site's CRS.
        rules: rule sheet that the layout was made with.
        info: what each file says of the site and the run.
        progress: told how far the work is.

    Raises:
        ColumnError: a table breaks its declared columns.
        StoreError: the GeoPackage cannot be written.
        OSError: another file cannot be written.

    """
    told = progress or silent
    crs = dtm.grid.crs
    held = {n: tables[n] if n in tables else empty(layer, crs) for n, layer in LAYERS.items()}
    lines = "\n".join(summary_lines(held, rules, info)) + "\n"
    (folder / "summary.txt").write_text(lines, encoding="utf-8")
    told(0.02, "drawing the overview")
    sheet = draw_overview(held, dtm, rules, info)
    (folder / "overview.pdf").write_bytes(sheet.pdf())
    (folder / "overview.png").write_bytes(sheet.png())
    sections = _sections(folder, held, rules, info, part(told, 0.2, 0.8))
    told(0.8, "writing the schedule")
    write_xlsx(folder / "schedule.xlsx", held, rules, info)
    write_csv(folder / "schedule.csv", held["items"])
    told(0.9, "writing the layers and handset files")
    write_layers(folder / "layers.gpkg", held, crs)
    handset = folder / "handset"
    handset.mkdir(exist_ok=True)
    said = write_dams(handset / "dams.gpx", held["items"], crs, info)
    write_drains(handset / "drains.gpx", held["drains"], crs, info)
    readme = folder / "README.txt"
    readme.write_text(_read_me(info, crs, said, sections), encoding="utf-8")
    told(1.0, "the pack is written")
    names = [n for n in PURPOSES if n != "long-sections.pdf"]
    return [readme, *(folder / n for n in names), *(folder / n for n in sections)]


def _sections(
    folder: Path,
    tables: Mapping[str, pd.DataFrame],
    rules: Rules,
    info: PackInfo,
    progress: Progress,
) -> list[str]:
    names: list[str] = []
    for made in section_files(tables, rules, info, progress):
        name = f"long-sections-{len(names) + 1}.pdf" if names else "long-sections.pdf"
        (folder / name).write_bytes(made)
        names.append(name)
    return names


def _read_me(info: PackInfo, crs: str, said: str, sections: list[str]) -> str:
    parts = [plain(info.title, 300), "=" * min(len(plain(info.title, 300)), 79), ""]
    if info.invented:
        parts += ["This site is invented: nothing in it is a real place.", ""]
    for name, purpose in PURPOSES.items():
        parts += _wrapped(f"{name:<20}", purpose)
    if len(sections) > 1:
        parts += _wrapped("", f"The long sections fill {len(sections)} files.")
    system = f"{pyproj.CRS(crs).name}; levels are those of the terrain model."
    parts.append("")
    for label, text in (
        ("Coordinates", system),
        ("Handset", said),
        ("Left and right", "As seen facing downstream."),
        ("Screening", SCREENING),
        ("Safety", SAFETY),
        ("Attribution", plain(info.attribution) or "none given"),
        ("Made by", info.origin),
    ):
        parts += _wrapped(f"{label:<20}", text)
    return "\n".join(parts) + "\n"


def _wrapped(label: str, text: str) -> list[str]:
    return textwrap.wrap(text, 79, initial_indent=label, subsequent_indent=" " * 20)

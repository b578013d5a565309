"""The pack's files, opened again by readers that know nothing of peatwright."""

from __future__ import annotations

import csv
import io
import shutil
import subprocess
import zipfile
from pathlib import Path

import docx
import numpy as np
import openpyxl
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely
import xmlschema
from packs_layout import ODD_NAME, make
from PIL import Image
from pypdf import PdfReader

from peatwright.model.cited import citations
from peatwright.model.layers import ITEMS, LAYERS
from peatwright.model.raster import Raster
from peatwright.model.rules import Rules, SpacingRules
from peatwright.packs.drawing.tiles import sheet_name, sheets_of
from peatwright.packs.handset import LONGEST_NAME, short_names
from peatwright.packs.pack import PURPOSES, PackInfo, write_pack
from peatwright.packs.summary import summary_lines
from peatwright.packs.version import check_code, layout_codes

INFO = PackInfo("Test Moss", True, "Ground made by a formula.", "3 March 2031", "a1b2c3d4e5", "0.1")
ODD_INFO = PackInfo(ODD_NAME, False, ODD_NAME, "3 March 2031", "a1b2c3d4e5", "0.1")
SCHEMA = Path(__file__).parent.parent / "data" / "gpx" / "gpx-1.1.xsd"
Tables = dict[str, pd.DataFrame]
Made = tuple[Path, Tables, list[Path]]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """A pack of seven drains in the Irish grid, for which PROJ needs no grid file."""
    folder = tmp_path_factory.mktemp("pack")
    tables, dtm = make(7, crs="EPSG:2157")
    return folder, tables, write_pack(folder, tables, dtm, Rules(), INFO)


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """A pack whose every name is long, odd and tries to be taken for a command."""
    folder = tmp_path_factory.mktemp("odd")
    tables, dtm = make(2, 60.0, names=(ODD_NAME,) * 2)
    tables["items"]["note"] = ODD_NAME
    return folder, tables, write_pack(folder, tables, dtm, Rules(), ODD_INFO)


def text_of(path: Path) -> str:
    """All text of a PDF on one line."""
    pages = PdfReader(path).pages
    return " ".join(" ".join(page.extract_text().split()) for page in pages)


def test_all_files_are_there_and_told_of(made: Made) -> None:
    folder, _, paths = made
    assert {p.relative_to(folder).as_posix() for p in paths} == {"README.txt", *PURPOSES}
    assert all(p.stat().st_size > 200 for p in paths)
    read_me = (folder / "README.txt").read_text(encoding="utf-8")
    for name in PURPOSES:
        assert name in read_me
    assert INFO.attribution in read_me
    said = " ".join(read_me.split())
    assert "to WGS 84 by PROJ" in said
    assert "accuracy" in said
    assert "competent person" in said


def test_tables_stay_as_they_were() -> None:
    tables, dtm = make(2, 60.0)
    before = {n: t.copy() for n, t in tables.items()}
    summary_lines(tables, Rules(), INFO)
    for name, table in tables.items():
        pd.testing.assert_frame_equal(pd.DataFrame(table), pd.DataFrame(before[name]))
    assert isinstance(dtm, Raster)


def test_same_layout_same_bytes(tmp_path: Path) -> None:
    tables, dtm = make(2, 60.0)
    folders = [tmp_path / "one", tmp_path / "two"]
    for folder in folders:
        folder.mkdir()
        paths = write_pack(folder, tables, dtm, Rules(), INFO)
    for path in paths:
        name = path.relative_to(folders[1])
        assert (folders[0] / name).read_bytes() == path.read_bytes(), name


def test_csv_has_units_and_a_row_an_item(made: Made) -> None:
    folder, tables, _ = made
    with (folder / "schedule.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    items = tables["items"]
    assert [r["Item id"] for r in rows] == items["item_id"].tolist()
    assert len(rows[0]) == len(ITEMS.columns)
    crest = np.array([float(r["Crest level [m]"] or "nan") for r in rows])
    np.testing.assert_allclose(crest, items["crest_level_m"], atol=0.005001)


def test_no_spreadsheet_takes_a_name_for_a_formula(odd: Made) -> None:
    """OWASP, CSV Injection (read from memory): cells that begin with = + - @ tab or return."""
    folder, _, _ = odd
    with (folder / "schedule.csv").open(encoding="utf-8-sig", newline="") as file:
        cells = [cell for row in list(csv.reader(file))[1:] for cell in row]
    risky = [c for c in cells if c[:1] in "=+-@\t\r" and c[:1] and not _is_number(c)]
    assert not risky
    assert any(c.startswith("'=HYPERLINK") for c in cells)
    book = openpyxl.load_workbook(folder / "schedule.xlsx")
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    assert str(cell.value).startswith("=SUM("), (sheet.title, cell.coordinate)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def test_workbook(made: Made) -> None:
    folder, tables, _ = made
    book = openpyxl.load_workbook(folder / "schedule.xlsx")
    values = openpyxl.load_workbook(folder / "schedule.xlsx", data_only=True)
    assert book.sheetnames == [
        "Summary", "Dams", "Zips and runs", "By drain", "By method", "Rules used", "Read me",
    ]  # fmt: skip
    items = tables["items"]
    dams = items[items["kind"] == "dam"]
    sheet = book["Dams"]
    assert sheet.max_row == len(dams) + 1
    assert sheet.freeze_panes == "B2"
    assert sheet.page_setup.orientation == "landscape"
    assert sheet.page_setup.paperSize == 8  # A3
    assert book["By drain"].page_setup.paperSize == 9  # A4
    heads = [c.value for c in sheet[1]]
    assert "Pool level [m]" in heads
    column = heads.index("Height [m]") + 1
    held = [sheet.cell(r, column).value for r in range(2, sheet.max_row + 1)]
    np.testing.assert_allclose(held, dams["height_m"])
    for name, scope in (("By drain", "drain"), ("By method", "method")):
        sums = tables["quantities"]
        rows = sums[sums["scope"] == scope]
        last = values[name].max_row
        assert last == len(rows) + 2
        at = [c.value for c in values[name][1]].index("Zipped [m]") + 1
        assert values[name].cell(last, at).value == pytest.approx(rows["zip_m"].sum())
    rules = {row[1]: row for row in values["Rules used"].iter_rows(min_row=2, values_only=True)}
    target = citations(SpacingRules)["target_m"]
    assert rules["target_m"][2:4] == (target.value, "m")


def test_gpx_holds_to_its_schema(made: Made, odd: Made) -> None:
    schema = xmlschema.XMLSchema(SCHEMA)
    for folder, _, _ in (made, odd):
        for name in ("dams.gpx", "drains.gpx"):
            schema.validate(folder / "handset" / name)


def test_gpx_as_gdal_reads_it(made: Made) -> None:
    folder, tables, _ = made
    items = tables["items"]
    dams = items[items["kind"] == "dam"].reset_index()
    points = pyogrio.read_dataframe(folder / "handset" / "dams.gpx", layer="waypoints")
    assert len(points) == len(dams)
    back = pyproj.Transformer.from_crs(4326, 2157, always_xy=True)
    x, y = back.transform(points.geometry.x, points.geometry.y)
    assert np.hypot(x - dams["x_m"], y - dams["y_m"]).max() < 0.005
    assert points["name"].is_unique
    assert points["name"].str.len().max() <= LONGEST_NAME
    for comment, side in zip(points["cmt"], dams["outlet_side"], strict=True):
        assert f"outlet {side}" in comment
    assert points["desc"].str.contains("Why: ").all()
    tracks = pyogrio.read_dataframe(folder / "handset" / "drains.gpx", layer="tracks")
    assert tracks["name"].tolist() == tables["drains"]["drain_id"].tolist()


def test_short_names_never_clash() -> None:
    names = short_names(["D001-001", "D001-001", "Łąka", "a very long id " * 3, "=x", "x"])
    assert len(set(names)) == 6
    assert all(0 < len(n) <= LONGEST_NAME and n.isascii() for n in names)


def test_geopackage_of_the_pack(made: Made) -> None:
    folder, tables, _ = made
    listed = dict(pyogrio.list_layers(folder / "layers.gpkg"))
    assert set(listed) == set(LAYERS)
    info = pyogrio.read_info(folder / "layers.gpkg", layer="items")
    assert info["features"] == len(tables["items"])


def test_overview_says_what_it_must(made: Made) -> None:
    folder, _, _ = made
    reader = PdfReader(folder / "overview.pdf")
    assert len(reader.pages) == 1
    box = reader.pages[0].mediabox
    # ISO 216: A3 is 297 mm × 420 mm; a point is 1/72 inch.
    assert [float(box.width) * 25.4 / 72, float(box.height) * 25.4 / 72] == pytest.approx(
        [420, 297], abs=0.5
    )
    text = text_of(folder / "overview.pdf")
    for words in (
        "Test Moss (invented site)", "3 March 2031", "grid north", "1:1 500 at A3", "D004",
        "wave dam", "timber dam", "leave alone", "heritage", "overhead line", "263100",
        INFO.attribution, "competent person", "Safety.", "IRENET95",
    ):  # fmt: skip
        assert words in text, words


def test_long_sections_name_every_drain(made: Made) -> None:
    folder, tables, _ = made
    text = text_of(folder / "long-sections.pdf")
    for drain in tables["drains"]["drain_id"]:
        assert drain in text
    for words in ("levels drawn ×", "D002 joins", "outfall into D001", "heritage", "chainage",
                  "not measured", "competent person"):  # fmt: skip
        assert words in text, words


def test_odd_names_are_shown_not_obeyed(odd: Made) -> None:
    folder, _, _ = odd
    for name in ("overview.pdf", "long-sections.pdf"):
        text = text_of(folder / name)
        assert "#panic() *Łąka* <b>&amp;</b> $x^2$" in text
        assert "\u202e" not in text


def test_pages_are_not_blank(made: Made, tmp_path: Path) -> None:
    folder, _, _ = made
    picture = np.asarray(Image.open(folder / "overview.png").convert("L"))
    assert picture.shape[1] > 1500
    assert 0.02 < (picture < 128).mean() < 0.5
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm is not installed")
    subprocess.run(
        ["pdftoppm", "-r", "30", "-png", folder / "long-sections.pdf", tmp_path / "p"], check=True
    )
    pages = sorted(tmp_path.glob("p*.png"))
    assert len(pages) == len(PdfReader(folder / "long-sections.pdf").pages)
    for page in pages:
        grey = np.asarray(Image.open(io.BytesIO(page.read_bytes())).convert("L"))
        assert (grey < 200).mean() > 0.01


@pytest.mark.parametrize("drains", [0, 1, 7])
def test_summary_fits_one_screen(drains: int) -> None:
    tables, _ = make(drains, 60.0) if drains else make(0)
    for info in (INFO, ODD_INFO):
        lines = summary_lines(tables, Rules(), info)
        assert len(lines) <= 24
        assert max(len(line) for line in lines) <= 80
        said = " ".join(" ".join(lines).split())
        assert "competent person" in said
        assert "README.txt" in said


@pytest.mark.parametrize("case", ["nothing", "one drain", "no dams"])
def test_small_sites(tmp_path: Path, case: str) -> None:
    tables, dtm = make(1, 30.0, dams=case != "no dams")
    paths = write_pack(tmp_path, {} if case == "nothing" else tables, dtm, Rules(), INFO)
    assert len(paths) == len(PURPOSES) + 1
    xmlschema.XMLSchema(SCHEMA).validate(tmp_path / "handset" / "dams.gpx")
    openpyxl.load_workbook(tmp_path / "schedule.xlsx")
    text = text_of(tmp_path / "long-sections.pdf")
    assert ("No drain has been measured" in text) == (case == "nothing")


def test_the_zip_holds_all_and_says_which_pack(made: Made) -> None:
    folder, tables, paths = made
    with zipfile.ZipFile(folder / "pack.zip") as archive:
        assert archive.testzip() is None
        held = set(archive.namelist())
        names = {p.relative_to(folder).as_posix() for p in paths} - {"pack.zip"}
        assert names <= held
        assert archive.read("schedule.csv") == (folder / "schedule.csv").read_bytes()
        # A Shapefile is of use only with its other files.
        assert {"gis/dams.dbf", "gis/dams.shx", "gis/dams.prj"} <= held
    code, cards = layout_codes(tables)
    for name in ("README.txt", "VERSION.txt"):
        assert code in (folder / name).read_text(encoding="utf-8")
    for name in ("maps.pdf", "cards/how-to-build.pdf", "cards/site.pdf"):
        for page in PdfReader(folder / name).pages:
            assert code in page.extract_text(), name
    seen = text_of(folder / "cards" / "cards.pdf")
    assert all(card in seen for card in cards.values())


def test_a_new_pack_supersedes_the_one_before(tmp_path: Path) -> None:
    tables, dtm = make(2, 60.0)
    old, new = tmp_path / "old", tmp_path / "new"
    for folder in (old, new):
        folder.mkdir()
    write_pack(old, tables, dtm, Rules(), INFO)
    before, _ = layout_codes(tables)
    tables["items"].loc[tables["items"]["drain_id"] == "D001", "dig_depth_m"] = 1.4
    write_pack(new, tables, dtm, Rules(), INFO, previous=old)
    assert check_code(old, before).state == "current"
    assert check_code(new, before).state == "superseded"
    assert "pack 2" in text_of(new / "cards" / "cards.pdf")


def test_the_pack_in_another_language(tmp_path: Path) -> None:
    tables, dtm = make(2, 60.0)
    write_pack(tmp_path, tables, dtm, Rules(), INFO, language="de", paper="A4")
    text = text_of(tmp_path / "cards" / "cards.pdf")
    for said in ("Wellendamm", "rechts", "Seite 1 von 1", "Von Pflock 0"):
        assert said in text, said
    assert "wave dam" not in text
    assert "0,80" in text
    page = PdfReader(tmp_path / "maps.pdf").pages[0].mediabox
    # ISO 216: A4 is 210 mm × 297 mm.
    assert [float(page.width) * 25.4 / 72, float(page.height) * 25.4 / 72] == pytest.approx(
        [297, 210], abs=0.5
    )


def test_map_sheets_cover_every_drain(made: Made) -> None:
    folder, tables, _ = made
    sheets = sheets_of(tables, "A3")
    shown = shapely.union_all([shapely.box(*s.frame.bounds) for s in sheets])
    assert all(shown.contains(d) for d in tables["drains"].geometry)
    assert len({s.name for s in sheets}) == len(sheets)
    pages = PdfReader(folder / "maps.pdf").pages
    assert len(pages) == 1 + len(sheets)
    for page, sheet in zip(pages[1:], sheets, strict=False):
        text = " ".join(page.extract_text().split())
        for words in (f"Sheet {sheet.name}", "grid north", INFO.attribution, "Legend", "1:500"):
            assert words in text, words
    assert [sheet_name(0, c) for c in (0, 25, 26, 51, 52)] == ["A1", "Z1", "AA1", "AZ1", "BA1"]


def test_the_list_of_drawings_counts_their_pages(made: Made) -> None:
    folder, _, _ = made
    table = docx.Document(str(folder / "contract" / "drawings.docx")).tables[0]
    rows = [[cell.text for cell in row.cells] for row in table.rows[1:]]
    assert len(rows) >= 5
    for name, _, _, pages in rows:
        assert int(pages) == len(PdfReader(folder / name).pages), name

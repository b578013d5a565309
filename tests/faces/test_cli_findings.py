"""Findings on the command line: listed in plain words, answered by a person, kept."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import openpyxl
import pytest
from pypdf import PdfReader

from peatwright.faces.cli import main
from peatwright.site.store import Store

REASON = "Line is dead for the weeks of the work (permit 12)"


class Done(NamedTuple):
    returncode: int
    stdout: str
    stderr: str


Call = Callable[..., Done]


@pytest.fixture
def peatwright(capsys: pytest.CaptureFixture[str]) -> Call:
    """The command line in this process: it starts once for many calls."""

    def call(*words: object) -> Done:
        code = main([str(w) for w in words])
        return Done(code, *capsys.readouterr())

    return call


@pytest.fixture
def site(run_demo: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "site"
    shutil.copytree(run_demo, folder)
    return folder


def listed(peatwright: Call, *words: object) -> str:
    done = peatwright("findings", *words)
    assert done.returncode == 0, done.stderr
    return done.stdout


def overhead(text: str) -> str:
    """The id of the finding of the overhead line."""
    found = re.search(r"STOP +(f[0-9a-f]{12}) +limits: overhead line", text)
    assert found, text
    return found[1]


def part_of(text: str, finding_id: str) -> str:
    return " ".join(text[text.index(finding_id) :].split("\n\n", maxsplit=1)[0].split())


def test_an_answer_survives_a_run_and_lapses_when_the_facts_change(
    peatwright: Call, site: Path
) -> None:
    finding = overhead(listed(peatwright, site, "--severity", "stop"))
    unknown = peatwright("answer", site, "f000", "--by", "A. Person", "--reason", REASON)
    assert unknown.returncode == 3
    assert "no finding of this id" in unknown.stderr
    nameless = peatwright("answer", site, finding, "--by", " ", "--reason", "")
    assert nameless.returncode == 3
    assert "no name" in nameless.stderr
    assert "no reason" in nameless.stderr
    assert not (site / "said.jsonl").exists()

    done = peatwright("answer", site, finding, "--by", "A. Person", "--reason", REASON)
    assert done.returncode == 0, done.stderr
    shown = listed(peatwright, site)
    assert f"A. Person: {REASON}" in part_of(shown, finding)
    assert finding not in listed(peatwright, site, "--open")

    assert peatwright("run", site, "--to", "prove").returncode == 0
    table = Store(site).table("findings").set_index("finding_id")
    assert table.loc[finding, "answer"] == REASON
    assert table.loc[finding, "answered_by"] == "A. Person"
    assert len(Store(site).table("answers")) == 1
    assert finding not in listed(peatwright, site, "--open")

    rules = site / "rules.toml"
    text = rules.read_text("utf-8").replace("[overhead]\n", "[overhead]\nlowest_m = 5.0\n", 1)
    rules.write_text(text, "utf-8")
    assert peatwright("run", site, "--to", "prove").returncode == 0
    again = part_of(listed(peatwright, site, "--open"), finding)
    assert "answered before, for other facts" in again
    assert REASON in again
    assert Store(site).table("findings").set_index("finding_id").loc[finding, "answer"] == ""


def test_stops_are_loud_in_summary_read_me_overview_and_register(
    peatwright: Call, run_demo: Path
) -> None:
    finding = overhead(listed(peatwright, run_demo))
    pack = run_demo / "pack"
    show = peatwright("show", run_demo).stdout
    assert show.splitlines()[2].startswith("STOP ")
    assert "STOP." in (pack / "README.txt").read_text("utf-8").split("Start here")[0]
    sheet = PdfReader(pack / "overview.pdf")
    assert len(sheet.pages) == 1
    assert "without an answer" in " ".join(sheet.pages[0].extract_text().split())
    register = " ".join(p.extract_text() for p in PdfReader(pack / "register.pdf").pages)
    table = Store(run_demo).table("findings")
    book = openpyxl.load_workbook(pack / "register.xlsx")
    ids = {row[10].value for row in list(book["Findings"].rows)[1:]}
    assert ids == set(table["finding_id"])
    assert finding in register
    assert all(i in register for i in table["finding_id"])
    assert "competent engineer" in register
    assert {"Limits", "Closed periods", "Working windows", "All answers"} <= set(book.sheetnames)


def test_pages_of_the_ground_are_drawn_and_say_screening(run_demo: Path, tmp_path: Path) -> None:
    pages = PdfReader(run_demo / "pack" / "ground.pdf").pages
    said = [" ".join(p.extract_text().split()) for p in pages]
    for title in ("Peat depth", "standard error", "Condition", "stability: screening", "Going",
                  "Limits and seasons"):  # fmt: skip
        assert any(title in text for text in said), title
    for text in said:
        assert "Caution." in text
        assert "grid north" in text
        assert "Invented ground, made by peatwright" in text
    assert "competent engineer decides" in said[3]


def test_a_layout_that_was_not_proved_has_no_findings_to_list(
    peatwright: Call, unrun_demo: Path
) -> None:
    early = peatwright("findings", unrun_demo)
    assert early.returncode == 3
    assert "Run it first" in " ".join(early.stderr.split())

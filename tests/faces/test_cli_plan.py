"""The command `phases` and the settings of time and money, as a user meets them."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pyogrio
import pytest

from peatwright.faces.cli import main

Call = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def done(run_demo: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(run_demo, tmp_path / "site"))


def _set(site: Path, section: str, *lines: str) -> None:
    sheet = site / "rules.toml"
    head, found, rest = sheet.read_text().partition(f"\n[{section}]\n")
    assert found
    sheet.write_text(head + found + "\n".join(lines) + "\n" + rest)


def test_phases_are_told_kept_and_forgotten(done: Path, peatwright: Call) -> None:
    out = peatwright("phases", done, "--money", "6000", "4_000")
    assert out.returncode == 0, out.stderr
    told = re.findall(r"^Phase \d +([\d ]+?) of", out.stdout, re.M)
    spent = [int(s.replace(" ", "")) for s in told]
    assert 2500 < spent[0] <= 6000
    assert 2500 < spent[1] <= 4000
    assert re.search(r"^Left over \d+ drains", out.stdout, re.M)
    assert "Most benefit for one budget (GBP" in out.stdout
    assert "Carbon and flow are not known" in out.stdout
    table = pyogrio.read_dataframe(done / "made/site.gpkg", layer="phases", use_arrow=False)
    assert {1, 2} <= set(table["phase"])
    curve = pyogrio.read_dataframe(done / "made/site.gpkg", layer="benefit_curve")
    assert len(curve) == 12
    again = peatwright("phases", done)
    assert again.stdout == out.stdout, "asked again, it tells the same"
    assert "No phases" in peatwright("phases", done, "--off").stdout
    bare = peatwright("phases", done)
    assert bare.returncode == 3
    assert "no money was named" in bare.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--money", "lots"), "'lots'"), (("--money", "-3"), "-3"), (("--money", "nan"), "nan"),
        (("--money", "1000", "--never", "X1"), "'X1'"),
        (("--off", "--money", "5"), "--off alone"),
    ],
)  # fmt: skip
def test_nonsense_is_refused_in_plain_words(
    done: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    assert main(["phases", str(done), *words]) == 3
    out = capsys.readouterr()
    assert said in out.err
    assert out.out == ""


def test_phases_want_a_price_first(unrun_demo: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["phases", str(unrun_demo), "--money", "100"]) == 3
    assert "no price yet" in capsys.readouterr().err


def test_outputs_and_days_that_cannot_be_are_refused(done: Path, peatwright: Call) -> None:
    before = (done / "made/site.gpkg").read_bytes()
    _set(done, "rates", "zip_m_per_hour_low = 0")
    out = peatwright("run", done)
    assert out.returncode == 4
    assert "zip_m_per_hour_low" in out.stderr
    (done / "rules.toml").write_text("[programme]\nstart_month = 2\nstart_day = 30\n")
    out = peatwright("run", done)
    assert out.returncode == 4
    assert "2026-02-30" in out.stderr
    assert "Traceback" not in out.stderr
    assert (done / "made/site.gpkg").read_bytes() == before


def test_a_season_that_leaves_no_day_still_gives_a_pack_that_says_so(
    done: Path, peatwright: Call
) -> None:
    _set(done, "programme", "closed_from_month = 1", "closed_to_month = 12")
    out = peatwright("run", done)
    assert out.returncode == 0, out.stderr
    assert "no day for it" in out.stdout
    assert (done / "pack/programme.pdf").exists()


def test_what_a_library_writes_past_python_stays_out() -> None:
    code = (
        "import ctypes; from peatwright.faces.stray import without_stray_lines;"
        "print('before');\n"
        "with without_stray_lines(): ctypes.CDLL(None).printf(b'stray\\n')\n"
        "print('after')"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout == "before\nafter\n"

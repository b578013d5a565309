"""The command line as a user meets it: quick to answer, clear when refused, safe to stop."""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pyogrio
import pytest

from peatwright.stages import STAGE_NAMES

Call = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def site(unrun_demo: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(unrun_demo, tmp_path / "site"))


@pytest.fixture
def done(run_demo: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(run_demo, tmp_path / "site"))


def test_help_imports_nothing_heavy(peatwright: Call) -> None:
    heavy = ("numpy", "pandas", "numba", "geopandas", "rasterio", "shapely", "scipy", "tomlkit")
    code = (
        "import sys; from peatwright.faces.cli import parser; parser().format_help();"
        f"print([m for m in {heavy!r} if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"
    assert "run" in peatwright("--help").stdout


def test_a_whole_run_then_nothing_to_do(site: Path, peatwright: Call) -> None:
    first = peatwright("run", site)
    assert first.returncode == 0, first.stderr
    assert first.stderr.count("done in") == len(STAGE_NAMES)
    again = peatwright("run", site)
    assert again.stderr.count("up to date") == len(STAGE_NAMES)
    assert again.stdout == first.stdout
    assert all(len(line) <= 80 for line in first.stdout.splitlines())
    assert len(first.stdout.splitlines()) <= 24


def test_a_changed_rule_makes_only_what_depends_on_it_stale(done: Path, peatwright: Call) -> None:
    sheet = done / "rules.toml"
    sheet.write_text(sheet.read_text() + "\n[rates]\nday_likely = 700.0\n")
    text = sheet.read_text().replace("[rates]\n#", "[ratesx]\n#", 1)
    assert text.count("[rates]") == 1
    sheet.write_text(text.replace("[ratesx]\n", "", 1))
    out = peatwright("run", done)
    assert out.returncode == 0, out.stderr
    assert "measure  up to date" in out.stderr
    assert "price    done" in out.stderr


def test_a_misspelt_rule_stops_the_run_and_harms_nothing(done: Path, peatwright: Call) -> None:
    before = (done / "made/site.gpkg").read_bytes()
    (done / "rules.toml").write_text("[spacing]\ntarget = 8\n")
    out = peatwright("run", done)
    assert out.returncode == 4
    assert "'target_m'" in out.stderr
    assert "Traceback" not in out.stderr
    assert (done / "made/site.gpkg").read_bytes() == before


def test_rules_are_printed_with_their_sources(done: Path, peatwright: Call) -> None:
    out = peatwright("rules", done)
    assert "GOV.UK Countryside Stewardship, WN1" in out.stdout
    assert "common practice" in out.stdout
    assert out.stdout.count("source:") > 80
    assert "keeps every default" in peatwright("rules", done, "--changed").stdout


def test_check_finds_nothing_to_stop_in_the_demo(site: Path, peatwright: Call) -> None:
    out = peatwright("check", site)
    assert out.returncode == 0, out.stderr
    assert out.stdout.startswith("0 to mend")


def test_no_site_is_said(tmp_path: Path, peatwright: Call) -> None:
    out = peatwright("run", tmp_path)
    assert out.returncode == 5
    assert "peatwright new" in out.stderr


def test_a_run_may_stop_at_any_stage(site: Path, peatwright: Call) -> None:
    for stage in STAGE_NAMES:
        out = peatwright("run", site, "--to", stage)
        assert out.returncode == 0, out.stderr
        assert f"{stage:8} done" in out.stderr
        assert out.stdout


def test_an_unknown_stage_is_said(site: Path, peatwright: Call) -> None:
    out = peatwright("run", site, "--to", "brif")
    assert out.returncode == 2
    assert "brief" in out.stderr


def test_new_refuses_a_folder_in_use_and_missing_files(tmp_path: Path, peatwright: Call) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full/kept.txt").write_text("kept")
    dtm = tmp_path / "x.tif"
    dtm.write_bytes(b"")
    used = peatwright("new", tmp_path / "full", "--dtm", dtm)
    assert used.returncode == 5
    assert (tmp_path / "full/kept.txt").read_text() == "kept"
    missing = peatwright("new", tmp_path / "site", "--dtm", tmp_path / "no.tif")
    assert missing.returncode == 3
    assert "no.tif" in missing.stderr
    assert not (tmp_path / "site").exists()


def test_new_from_files_then_check_names_every_fault_at_once(
    tmp_path: Path, peatwright: Call
) -> None:
    (tmp_path / "empty.tif").write_bytes(b"")
    (tmp_path / "probes.csv").write_text("east,north,depth_m\n1,2,deep\n")
    made = peatwright(
        "new", tmp_path / "site", "--dtm", tmp_path / "empty.tif",
        "--probes", tmp_path / "probes.csv",
    )  # fmt: skip
    assert made.returncode == 0, made.stderr
    out = peatwright("check", tmp_path / "site")
    assert out.returncode == 3
    assert "empty.tif" in out.stderr
    assert "probes.csv" in out.stderr
    assert peatwright("run", tmp_path / "site").returncode == 3
    assert not list((tmp_path / "site").glob("made/*.gpkg"))


def test_two_runs_at_once(site: Path, peatwright: Call) -> None:
    from peatwright.site import lock

    with lock.held(site):
        out = peatwright("run", site)
    assert out.returncode == 6
    assert "another run" in out.stderr


@pytest.mark.parametrize("sign", [signal.SIGKILL, signal.SIGINT])
def test_a_run_stopped_at_any_moment_goes_on_to_the_same_end(
    sign: signal.Signals, site: Path, run_demo: Path, peatwright: Call
) -> None:
    """Kill the run again and again, each time later; then let it end and compare."""
    words = [sys.executable, "-m", "peatwright", "run", str(site)]
    for wait in (0.4, 0.9, 1.5, 2.2, 3.0):
        process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        time.sleep(wait)
        os.kill(process.pid, sign)
        _, said = process.communicate(timeout=60)
        assert b"Traceback" not in said or process.returncode != 130, said.decode()
        if (site / "made/site.gpkg").exists():
            with sqlite3.connect(site / "made/site.gpkg") as base:
                assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert peatwright("run", site).returncode == 0
    for layer in ("stations", "items", "quantities"):
        ours = pyogrio.read_dataframe(site / "made/site.gpkg", layer=layer)
        whole = pyogrio.read_dataframe(run_demo / "made/site.gpkg", layer=layer)
        assert ours.equals(whole), layer
    assert not list(site.glob(".pack*"))
    assert not list((site / "made").glob(".*"))

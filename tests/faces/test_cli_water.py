"""The water as a user meets it: figures, one dam, a storm that is kept until the layout changes."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from peatwright.model.errors import GivenError
from peatwright.site.folder import open_site
from peatwright.site.rule_sheet import read
from peatwright.site.store import Store
from peatwright.site.storming import STORM, STORM_LAYERS, kept_storm, lines_of, run_storm
from peatwright.stages import run, stale

Call = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def done(run_demo: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(run_demo, tmp_path / "site"))


def test_figures_and_one_dam(run_demo: Path, peatwright: Call) -> None:
    shown = peatwright("water", run_demo)
    assert shown.returncode == 0, shown.stderr
    store = Store(run_demo)
    mean = store.table("water_figures").set_index("figure").loc["mean depth to water"]
    assert f"{mean['before'] * 100:.1f} cm" in shown.stdout
    dam = store.table("spills").sort_values("flow_m3s").iloc[-1]
    told = peatwright("water", run_demo, "--dam", dam["item_id"])
    assert told.returncode == 0, told.stderr
    for method in ("rational", "IH124", "FEH QMED 2008", "FEH QMED 1999"):
        assert method in told.stdout
    assert f"head {dam['head_m']:.2f} m" in told.stdout
    assert "competent person" in told.stdout
    wrong = peatwright("water", run_demo, "--dam", "nothing")
    assert wrong.returncode == GivenError.code
    assert "nothing" in wrong.stderr
    assert "Traceback" not in wrong.stderr


def test_a_storm_is_told_kept_and_shown(run_demo: Path, done: Path, peatwright: Call) -> None:
    ran = peatwright("storm", done, "--cell", "8", "--hours", "0.5", "--mm", "20")
    assert ran.returncode == 0, ran.stderr
    assert "26 mm of rain in 0.5 h, with 30% climate uplift; cells of 8 m" in ran.stdout
    assert "all that leaves the terrain" in ran.stdout
    assert ran.stdout.count("relative error") == 2
    assert "nothing here may be carried over to flood risk" in " ".join(ran.stdout.split())
    store = Store(done)
    assert set(STORM_LAYERS) <= set(store.tables())
    report = kept_storm(store)
    assert report["error_before_ratio"] < 1e-6
    assert report["error_after_ratio"] < 1e-6
    assert store.raster("storm_depth_after").grid.dx_m == 8.0
    site = open_site(done)
    assert stale(site, store, read(done)) == ["brief"]
    for _ in run(site, today="2026-01-01"):
        pass
    assert set(STORM_LAYERS) <= set(Store(done).tables())
    assert (done / "pack/water.pdf").stat().st_size > (run_demo / "pack/water.pdf").stat().st_size
    sheet = done / "rules.toml"
    text = sheet.read_text("utf-8")
    sheet.write_text(text.replace("[spacing]\n", "[spacing]\ntarget_m = 9.0\n"), "utf-8")
    for _ in run(site, today="2026-01-01", to="lay"):
        pass
    assert kept_storm(Store(done)) == {}, "that storm ran over another layout"


def test_a_stopped_storm_leaves_no_trace(done: Path) -> None:
    def stopped(share: float, words: str) -> None:
        if share > 0.6:
            raise KeyboardInterrupt

    site = open_site(done)
    files = sorted(p.name for p in (done / "made").iterdir())
    with pytest.raises(KeyboardInterrupt):
        run_storm(site, cell_m=10.0, hours=0.1, progress=stopped)
    assert STORM not in Store(done).states()
    assert sorted(p.name for p in (done / "made").iterdir()) == files
    assert stale(site, Store(done), read(done)) == []


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--mm", "-3"), "--mm"),
        (("--hours", "0"), "--hours"),
        (("--cell", "0.01"), "--cell"),
        (("--mm", "nan"), "--mm"),
        (("--line", "culvert:1,2"), "--line"),
        (("--line", "edges:268100,512950,268150,512950"), "edges"),
        (("--line", "far:0,0,5,5", "--cell", "10"), "far"),
    ],
)
def test_bad_options_are_told_in_words(
    run_demo: Path, peatwright: Call, words: tuple[str, ...], told: str
) -> None:
    ran = peatwright("storm", run_demo, *words)
    assert ran.returncode not in {0, 1}
    assert told in ran.stderr
    assert "Traceback" not in ran.stderr
    assert STORM not in Store(run_demo).states()


def test_a_storm_wants_a_layout(unrun_demo: Path, peatwright: Call) -> None:
    ran = peatwright("storm", unrun_demo)
    assert ran.returncode == GivenError.code
    assert "no layout yet" in ran.stderr


def test_lines_are_read_as_they_are_written() -> None:
    assert lines_of([]) is None
    (line,) = lines_of(["culvert: 1, 2 ,3,4,5,6"]) or ()
    assert (line.name, line.x_m, line.y_m) == ("culvert", (1, 3, 5), (2, 4, 6))

"""Shared ground for tests: the invented site, small, made and run once."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

SMALL = 0.3


@pytest.fixture(scope="session")
def peatwright() -> Callable[..., subprocess.CompletedProcess[str]]:
    """Call the command line as a user does, in a process of its own."""

    def call(*words: object, timeout: float = 300) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "peatwright", *map(str, words)],
            capture_output=True, text=True, timeout=timeout, check=False,
        )  # fmt: skip

    return call


@pytest.fixture(scope="session")
def unrun_demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a small invented site that nothing has been run on. Copy it before changing it."""
    from peatwright.demo.site import make_demo_site

    return make_demo_site(tmp_path_factory.mktemp("unrun") / "site", scale=SMALL).folder


@pytest.fixture(scope="session")
def run_demo(unrun_demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the small invented site after a whole run. Copy it before changing it."""
    from peatwright.site.folder import open_site
    from peatwright.stages import run

    folder = tmp_path_factory.mktemp("run") / "site"
    shutil.copytree(unrun_demo, folder)
    for _ in run(open_site(folder), today="2026-01-01"):
        pass
    return folder


@pytest.fixture(scope="session")
def real_ground() -> Callable[[str], Path]:
    """Give a folder of real terrain by name, or skip the test with a clear word."""
    base = Path(os.environ.get("PEATWRIGHT_GROUND", Path(__file__).parents[2] / "shared/ground"))

    def folder(name: str) -> Path:
        if not (base / name).is_dir():
            pytest.skip(f"real terrain {name} is not here (set PEATWRIGHT_GROUND to its folder)")
        return base / name

    return folder

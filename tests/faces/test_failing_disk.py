"""Disks that fill up and folders that may not be written: one clear word, and an unharmed site."""

import multiprocessing
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from peatwright.model.errors import StoreError
from peatwright.site.store import Store

Call = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Callable[[int], Path]]:
    """Give a disk of so many megabytes, or skip where none can be mounted."""
    mounted: list[Path] = []

    def made(megabytes: int) -> Path:
        folder = tmp_path / f"disk-{megabytes}"
        folder.mkdir()
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "none", str(folder)],
            capture_output=True, check=False,
        ) if shutil.which("mount") and os.geteuid() == 0 else None  # fmt: skip
        if done is None or done.returncode:
            pytest.skip("a small disk can only be mounted by root on Linux")
        mounted.append(folder)
        return folder

    yield made
    for folder in mounted:
        subprocess.run(["umount", str(folder)], check=False)


@pytest.mark.parametrize("megabytes", [9, 17, 26])
def test_a_disk_that_fills_up(
    megabytes: int, unrun_demo: Path, tmp_path: Path, peatwright: Call,
    small_disk: Callable[[int], Path],
) -> None:  # fmt: skip
    """Whichever stage meets the full disk, it says so, and the run goes on when there is room."""
    site = Path(shutil.copytree(unrun_demo, small_disk(megabytes) / "site"))
    out = peatwright("run", site)
    assert out.returncode == 5, out.stderr
    assert out.stderr.count("STOP") == 1
    assert "Traceback" not in out.stderr
    assert "disk" in out.stderr or "space" in out.stderr
    complete = set(Store(site).states())
    moved = Path(shutil.copytree(site, tmp_path / "roomy"))
    again = peatwright("run", moved)
    assert again.returncode == 0, again.stderr
    for stage in complete:
        assert f"{stage:8} up to date" in again.stderr


def _try_to_lock(folder: str, answers: "multiprocessing.Queue[str]") -> None:
    from peatwright.site import lock

    if os.geteuid() == 0:
        os.setgid(65534)
        os.setuid(65534)
    try:
        with lock.held(Path(folder)):
            answers.put("held")
    except StoreError as error:
        answers.put(str(error))


@pytest.mark.skipif(os.name == "nt", reason="rights work otherwise on Windows")
def test_a_folder_that_may_not_be_written(tmp_path: Path) -> None:
    folder = tmp_path / "site"
    folder.mkdir()
    for above in (tmp_path, *tmp_path.parents[:3]):
        if above.is_relative_to(tmp_path.parents[2]):
            above.chmod(0o755)
    folder.chmod(0o555)
    context = multiprocessing.get_context("fork")
    answers = context.Queue()
    process = context.Process(target=_try_to_lock, args=(str(folder), answers))
    process.start()
    said = answers.get(timeout=60)
    process.join()
    folder.chmod(0o755)
    assert "cannot be written" in said or "read-only" in said
    assert "write rights" in said

"""The pack's folder: a new pack takes the place of the old one as a whole."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from peatwright.site.store import saying_what_failed

PACK_FOLDER = "pack"
_MAKING = ".pack-making.tmp"
_OLD = ".pack-old.tmp"


def restore(site_folder: Path) -> None:
    """Mend what a run left that was killed while it put a new pack in place of the old one."""
    pack, old = site_folder / PACK_FOLDER, site_folder / _OLD
    if old.exists() and not pack.exists():
        old.replace(pack)
    shutil.rmtree(old, ignore_errors=True)
    shutil.rmtree(site_folder / _MAKING, ignore_errors=True)


@contextmanager
def replaced(site_folder: Path) -> Iterator[Path]:
    """Give a fresh folder to write into; it becomes the pack when the block ends well."""
    with saying_what_failed(site_folder):
        restore(site_folder)
        making = site_folder / _MAKING
        making.mkdir()
        try:
            yield making
        except BaseException:
            shutil.rmtree(making, ignore_errors=True)
            raise
        pack, old = site_folder / PACK_FOLDER, site_folder / _OLD
        if pack.exists():
            pack.replace(old)
        making.replace(pack)
        shutil.rmtree(old, ignore_errors=True)

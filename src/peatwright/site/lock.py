"""One run at a time on a site. The lock falls with the process that held it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from peatwright.model.errors import Fault, LockedError, StoreError

LOCK_FILE = ".lock"


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """Hold the site for as long as the block runs.

    Raises `LockedError` at once when another run holds it, `StoreError` when the folder cannot be
    written.
    """
    path = folder / LOCK_FILE
    lock = FileLock(path, timeout=0)
    try:
        lock.acquire()
    except Timeout:
        raise LockedError(
            Fault(
                folder.name,
                LOCK_FILE,
                "another run at work on this site",
                "one run at a time",
                "Wait until it has ended, or stop it; nothing has been changed.",
            )
        ) from None
    except OSError as error:
        raise StoreError(
            Fault(
                folder.name,
                "",
                f"a folder that cannot be written ({error.strerror or error})",
                "a folder that you may write to",
                "Give yourself write rights, or copy the site elsewhere.",
            )
        ) from error
    if not os.access(folder, os.W_OK):
        lock.release()
        raise StoreError(
            Fault(
                folder.name, "", "a read-only folder", "a folder that you may write to",
                "Give yourself write rights, or copy the site elsewhere.",
            )
        )  # fmt: skip
    try:
        yield
    finally:
        lock.release()

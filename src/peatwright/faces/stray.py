"""Keeps lines that a compiled library writes past Python out of what the command line says."""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
from collections.abc import Iterator


@contextlib.contextmanager
def without_stray_lines() -> Iterator[None]:
    """Send what is written to the process's output meanwhile to nowhere.

    The solver of phases now and then writes a line of its own from C, where it would stand amid
    what a script reads. Python's own output must wait until after; errors are not touched.
    """
    sys.stdout.flush()
    _flush_c()
    try:
        number = sys.stdout.fileno()
    except (OSError, ValueError):  # no real file: nothing written from C arrives there
        yield
        return
    kept = os.dup(number)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, number)
        yield
    finally:
        sys.stdout.flush()
        _flush_c()
        os.dup2(kept, number)
        os.close(kept)
        os.close(nowhere)


def _flush_c() -> None:
    """Have the C library write what it still holds, which it else does at the very end."""
    with contextlib.suppress(OSError, AttributeError, TypeError):  # no such library by that way
        ctypes.CDLL(None).fflush(None)

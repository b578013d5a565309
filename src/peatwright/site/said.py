"""What people said: answers to findings, drains accepted or refused. Only ever added to.

One JSON object a line in `said.jsonl`, written to disk before it is acknowledged. A line that a
killed process left half written is passed over; everything before it holds.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from pathlib import Path

from peatwright.model.errors import Fault, StoreError

SAID_FILE = "said.jsonl"


def say(folder: Path, kind: str, entry: Mapping[str, str]) -> None:
    """Add one entry of a kind (such as `answer` or `drain`); it is on disk when this returns.

    The caller holds the site's lock. Raises `StoreError` when it cannot be written.
    """
    line = json.dumps({"kind": kind, **entry}, ensure_ascii=False, sort_keys=True) + "\n"
    path = folder / SAID_FILE
    try:
        start = "" if _ends_well(path) else "\n"
        with path.open("a", encoding="utf-8") as out:
            out.write(start + line)
            out.flush()
            os.fsync(out.fileno())
    except OSError as error:
        raise StoreError(
            Fault(
                folder.name, SAID_FILE, str(error.strerror or error), "a file that can be written",
                "Free space or mend the rights and say it again; it was not kept.",
            )
        ) from error  # fmt: skip


def _ends_well(path: Path) -> bool:
    if not path.exists() or path.stat().st_size == 0:
        return True
    with path.open("rb") as held:
        held.seek(-1, os.SEEK_END)
        return held.read(1) == b"\n"


def heard(folder: Path, kind: str) -> list[dict[str, str]]:
    """Return all whole entries of a kind, in the order in which they were said."""
    path = folder / SAID_FILE
    if not path.exists():
        return []
    try:
        lines = path.read_text("utf-8", errors="replace").splitlines()
    except OSError as error:
        raise StoreError(
            Fault(folder.name, SAID_FILE, str(error), "a readable file", "Mend or restore it.")
        ) from error
    entries = []
    for line in lines:
        try:
            entry = json.loads(line)
        except json.JSONDecodeError:
            continue
        if isinstance(entry, dict) and entry.pop("kind", None) == kind:
            entries.append({str(k): str(v) for k, v in entry.items()})
    return entries


def fingerprint(folder: Path, kind: str) -> str:
    """Return a fingerprint of all that was said of a kind."""
    said = json.dumps(heard(folder, kind), sort_keys=True)
    return hashlib.blake2b(said.encode(), digest_size=16).hexdigest()

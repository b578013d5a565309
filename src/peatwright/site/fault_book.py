"""Collecting every fault of every file before anything is raised."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from peatwright.model.errors import Fault, Severity

# So many places are named in one message; the rest are counted.
NAMED = 5


class Book:
    """The faults found so far, each once, in the order they were found."""

    def __init__(self) -> None:
        self._faults: dict[Fault, None] = {}

    @property
    def faults(self) -> tuple[Fault, ...]:
        """All faults."""
        return tuple(self._faults)

    @property
    def stops(self) -> tuple[Fault, ...]:
        """The faults that must be mended before work can go on."""
        return tuple(f for f in self._faults if f.severity == "stop")

    def _add(
        self, file: str, place: str, found: str, allowed: str, fix: str, severity: Severity
    ) -> None:
        self.add(Fault(file, place, found, allowed, fix, severity))

    def add(self, fault: Fault) -> None:
        """Note a fault that was found elsewhere."""
        said = Fault(
            plain(fault.file), plain(fault.place), plain(fault.found), plain(fault.allowed),
            plain(fault.fix), fault.severity,
        )  # fmt: skip
        self._faults[said] = None

    def stop(self, file: str, place: str, found: str, allowed: str, fix: str) -> None:
        """Note a fault that must be mended."""
        self._add(file, place, found, allowed, fix, "stop")

    def look(self, file: str, place: str, found: str, allowed: str, fix: str) -> None:
        """Note something that a person must look at; work can go on."""
        self._add(file, place, found, allowed, fix, "look")


def plain(text: str, longest: int = 600) -> str:
    """Return a text without control characters or endless length: it may come from a bad file."""
    clean = "".join(c if c.isprintable() else " " for c in text)
    return clean if len(clean) <= longest else clean[: longest - 1] + "…"


def rows_said(rows: Sequence[int]) -> str:
    """Name the first few rows and count the others."""
    if len(rows) == 1:
        return f"row {rows[0]}"
    named = ", ".join(str(r) for r in rows[:NAMED])
    more = f" and {len(rows) - NAMED} more" if len(rows) > NAMED else ""
    return f"rows {named}{more}"


def place_said(x: float, y: float) -> str:
    """Name a coordinate."""
    digits = 5 if abs(x) <= 360 and abs(y) <= 90 else 1
    return f"at {x:.{digits}f}, {y:.{digits}f}"


def count_said(number: int, one: str, many: str = "") -> str:
    """Say how many."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def file_said(path: Path) -> str:
    """Return a file's name as a user knows it, without the machine's path."""
    return path.name or str(path)


def head_of(path: Path, size: int = 64) -> bytes:
    """Return the first bytes of a file."""
    with path.open("rb") as held:
        return held.read(size)

"""Every error a user can meet: what, where, what is allowed, what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Literal

Severity = Literal["stop", "look"]


@dataclass(frozen=True)
class Fault:
    """One thing wrong with what was given.

    `stop` means the file cannot be used until mended; `look` means that work can go on, but a
    person must look. `place` is a row, layer, column or coordinate inside the file.
    """

    file: str
    place: str
    found: str
    allowed: str
    fix: str
    severity: Severity = "stop"

    def line(self) -> str:
        """Say the fault in one line."""
        where = f"{self.file}, {self.place}" if self.place else self.file
        return f"{where}: found {self.found}; allowed: {self.allowed}. {self.fix}"


class PeatwrightError(Exception):
    """Base of all errors that are meant for the user. `code` is the command's exit code."""

    code: ClassVar[int] = 2

    def __init__(self, faults: Sequence[Fault] | Fault) -> None:
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__("\n".join(f.line() for f in self.faults))


class GivenError(PeatwrightError):
    """A given file cannot be used."""

    code = 3


class RuleError(PeatwrightError):
    """The rule sheet holds a value or key that is not allowed."""

    code = 4


class StoreError(PeatwrightError):
    """The site folder cannot be read or written."""

    code = 5


class LockedError(PeatwrightError):
    """Another run is at work on this site."""

    code = 6


class ColumnError(PeatwrightError):
    """A table between two stages breaks its declared columns: a fault of ours, not the user's."""

    code = 70

"""A physical number that says where it comes from."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, Literal, cast

Read = Literal["original", "via", "memory", "common practice", "judgement"]
Value = float | int | bool | str


@dataclass(frozen=True)
class Cited:
    """A value with its unit, allowed range, source and the way the source was read.

    `read` is `original` (seen in the published page), `via` (seen quoted by another source, which
    `source` names), `memory` (not checked against the source yet), `common practice` (known to the
    trade, no source) or `judgement` (ours, to be changed by whoever knows better).
    """

    value: Value
    unit: str
    means: str
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    source: str = ""
    read: Read = "judgement"

    def __post_init__(self) -> None:
        if self.read in {"original", "via"} and not self.source:
            msg = f"{self.means!r} is said to be read in a source but names none"
            raise ValueError(msg)
        if isinstance(self.value, int | float) and not isinstance(self.value, bool):
            if self.low is None or self.high is None:
                msg = f"{self.means!r} needs a range"
                raise ValueError(msg)
            if not self.low <= self.value <= self.high:
                msg = f"{self.means!r}: {self.value} lies outside {self.low} to {self.high}"
                raise ValueError(msg)


def cited(
    value: Value,
    unit: str,
    means: str,
    low: float | None = None,
    high: float | None = None,
    *,
    choices: tuple[str, ...] = (),
    source: str = "",
    read: Read = "judgement",
) -> Any:
    """Declare a dataclass field whose default is a `Cited` value."""
    held = Cited(value, unit, means, low, high, choices, source, read)
    return cast("Any", dataclasses.field(default=value, metadata={"cited": held}))


def citations(rules: type[Any]) -> dict[str, Cited]:
    """Return the `Cited` behind each field of a rules dataclass, in order of declaration."""
    return {f.name: f.metadata["cited"] for f in dataclasses.fields(rules) if "cited" in f.metadata}

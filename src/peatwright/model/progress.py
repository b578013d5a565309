"""How long work tells how far it is, without knowing who listens."""

from __future__ import annotations

from collections.abc import Callable

# Called with the share done (0 to 1) and a few plain words on what is being done.
Progress = Callable[[float, str], None]


def silent(share: float, words: str) -> None:
    """Listen to nothing."""


def part(progress: Progress, start: float, stop: float) -> Progress:
    """Return a progress whose 0 to 1 is `start` to `stop` of the given one."""

    def told(share: float, words: str) -> None:
        progress(start + (stop - start) * share, words)

    return told

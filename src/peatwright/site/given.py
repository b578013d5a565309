"""Which files a user gave, and what they said about them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

ROLES = ("dtm", "drains", "boundary", "probes", "nogo", "depths", "condition", "bare", "closed")


@dataclass(frozen=True)
class Given:
    """The given files by role.

    `crs` is the user's answer to "which CRS" for files that carry none. `columns` says, by role,
    which column of a file holds `x`, `y`, `value` or `id`, where the names are not recognised.
    """

    dtm: tuple[Path, ...]
    drains: tuple[Path, ...] = ()
    boundary: tuple[Path, ...] = ()
    probes: tuple[Path, ...] = ()
    nogo: tuple[Path, ...] = ()
    depths: tuple[Path, ...] = ()
    condition: tuple[Path, ...] = ()
    bare: tuple[Path, ...] = ()
    closed: tuple[Path, ...] = ()
    crs: str = ""
    columns: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

"""What every file of a pack says of itself."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class PackInfo:
    """Site and run that a pack belongs to.

    `date` is the text to print; `invented` marks a made-up site; `fingerprint` names the state of
    the site that the pack was made from.
    """

    site_name: str
    invented: bool
    attribution: str
    date: str
    fingerprint: str
    version: str

    @property
    def title(self) -> str:
        """Site name, marked when the site is invented."""
        said = "invented" in self.site_name.lower()
        return f"{self.site_name} (invented site)" if self.invented and not said else self.site_name

    @property
    def origin(self) -> str:
        """What made the pack, from which state, on which day."""
        return f"peatwright {self.version}, state {self.fingerprint[:8]}, {self.date}"

"""Notes of items as one or two short words for a card, with the sentence behind each."""

from __future__ import annotations

import re

PATTERNS = (
    # beginning of the note as the layout writes it, key in the catalogue
    (r"^Head is ", "head"),
    (r"^The next pool stays ", "base"),
    (r"^Drop to the next dam", "drop"),
    (r"^Distance to the next dam", "far"),
    (r"^First dam stands", "first"),
    (r"^Last dam", "last"),
    (r"^\d+ buckets wide", "wide"),
    (r"^Ground does not fall away", "back"),
    (r"^How the ground falls", "outlet"),
    (r"^Spills over its own notch", "scour"),
    (r"^Peat depth is not known", "probe"),
    (r"^Only [\d.]+ m of peat", "leak"),
    (r"^Bed falls", "steep"),
    (r"^Open pool", "pool"),
    (r"^The sag reaches ", "ends"),
    (r"^Water may pass round ", "round"),
    (r"^Sag could not be measured", "sag"),
    (r"^Section measured poorly", "check"),
    (r"^\d+ of its stations could not be measured", "check"),
)
_READY = tuple((re.compile(p), key) for p, key in PATTERNS)
OTHER = "see"


def caution_keys(note: str) -> list[tuple[str, str]]:
    """Return the key of each part of a note, with the part itself; `see` where none fits."""
    out = []
    for part in (p.strip() for p in note.split("; ")):
        if part:
            key = next((k for ready, k in _READY if ready.search(part)), OTHER)
            out.append((key, part))
    return out

"""Sets pages from a template, pictures and data; text of others never becomes markup."""

from __future__ import annotations

import json
import pickle
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
FONTS = HERE.parent / "fonts"

# The typesetter keeps what it has set for as long as its process lives, which for hundreds of
# sections comes to gigabytes. In a process of its own the memory goes with it, and other drawing
# goes on beside it.
_SETTER = """
import pickle, sys, typst
files, form, fonts, options = pickle.load(sys.stdin.buffer)
try:
    made = typst.compile(
        files, format=form, font_paths=[fonts], ignore_system_fonts=True, **options
    )
except Exception as error:
    sys.exit(str(error))
pickle.dump(made if isinstance(made, list) else [made], sys.stdout.buffer)
"""


def set_pages(
    template: str,
    data: Mapping[str, Any],
    pictures: Mapping[str, bytes],
    *,
    form: str = "pdf",
    dots_per_inch: float = 144.0,
) -> list[bytes]:
    """Return the pages of a template: one PDF, or one PNG a page.

    The template reads `data.json`, so names of others are data and cannot be taken for markup.
    Fonts are those carried by the package; nothing is fetched and no clock is read. Raises
    `RuntimeError` with the typesetter's words when a template is at fault.
    """
    files = {
        "main.typ": (HERE / template).read_bytes(),
        "data.json": json.dumps(data, ensure_ascii=False).encode(),
        **pictures,
    }
    options: dict[str, Any] = {"ppi": dots_per_inch} if form == "png" else {}
    done = subprocess.run(  # noqa: S603 - our own words, no shell
        [sys.executable, "-c", _SETTER],
        input=pickle.dumps((files, form, str(FONTS), options)),
        capture_output=True,
        check=False,
    )
    if done.returncode:
        raise RuntimeError(done.stderr.decode("utf-8", "replace"))
    made: list[bytes] = pickle.loads(done.stdout)  # noqa: S301 - from our own child process
    return made

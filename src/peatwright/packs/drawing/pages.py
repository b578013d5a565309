"""Sets pages from a template, pictures and data; text of others never becomes markup."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, cast

import typst

HERE = Path(__file__).parent
FONTS = HERE.parent / "fonts"


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
    Fonts are those carried by the package; nothing is fetched and no clock is read.
    """
    files = {
        "main.typ": (HERE / template).read_bytes(),
        "data.json": json.dumps(data, ensure_ascii=False).encode(),
        **pictures,
    }
    options: dict[str, Any] = {"ppi": dots_per_inch} if form == "png" else {}
    made = typst.compile(
        cast("Any", files),
        format=cast("Any", form),
        font_paths=[str(FONTS)],
        ignore_system_fonts=True,
        **options,
    )
    return made if isinstance(made, list) else [made]

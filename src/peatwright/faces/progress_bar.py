"""Shows how far long work is: a bar on a terminal, one line a stage elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

from peatwright.model.progress import Progress


@contextmanager
def bar(words: str) -> Iterator[Progress]:
    """Show one bar for the work in the block and give the progress that moves it."""
    from tqdm import tqdm

    shown = tqdm(
        total=100.0,
        desc=words,
        file=sys.stderr,
        disable=not sys.stderr.isatty(),
        bar_format="{desc:<36} {bar:24} {percentage:3.0f} %  {elapsed}  {postfix}",
        leave=False,
    )

    def told(share: float, now: str) -> None:
        shown.set_postfix_str(now[:40], refresh=False)
        shown.update(100.0 * min(max(share, 0.0), 1.0) - shown.n)

    try:
        yield told
    finally:
        shown.close()

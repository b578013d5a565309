"""Run a one-thread kernel over strips of rows on a few plain threads.

Kernels release the interpreter lock, so plain threads are enough: the compiler's own thread pools
stall when another process holds a core, and end the process when Dask threads call them.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TypeVar

T = TypeVar("T")

SMALL = 1 << 18
"""Below this many cells a second thread costs more than it brings."""


def threads_for(cells: int, threads: int | None) -> int:
    """Return how many threads to use: what was asked for, or the machine's cores up to four."""
    if threads is not None:
        return max(1, threads)
    return 1 if cells < SMALL else min(4, os.cpu_count() or 1)


def strips(rows: int, count: int) -> list[tuple[int, int]]:
    """Cut `rows` into at most `count` runs of rows (first, one past last), none empty."""
    count = max(1, min(count, rows))
    cuts = [rows * i // count for i in range(count + 1)]
    return [(a, b) for a, b in pairwise(cuts) if b > a]


def run_strips(rows: int, threads: int, work: Callable[[int, int], T]) -> list[T]:
    """Call `work(first, past)` for each strip of rows and return the results in order."""
    parts = strips(rows, threads)
    if len(parts) <= 1:
        return [work(a, b) for a, b in parts]
    with ThreadPoolExecutor(len(parts)) as pool:
        return list(pool.map(lambda part: work(*part), parts))

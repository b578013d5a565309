"""Compile every kernel once on tiny arrays."""

from __future__ import annotations


def warm() -> None:
    """Run each kernel on a few cells, so that the first real run does not wait for the compiler."""

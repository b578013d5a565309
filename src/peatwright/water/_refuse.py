"""One way to refuse what cannot be computed."""

from __future__ import annotations

from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from peatwright.model.cited import citations
from peatwright.model.errors import Fault, PeatwrightError


def refuse(place: str, found: str, allowed: str, fix: str) -> NoReturn:
    """Raise the error that says so."""
    raise PeatwrightError(Fault("water", place, found, allowed, fix))


def numbers(
    place: str, values: Any, low: float, high: float, *, open_low: bool = False
) -> NDArray[np.float64]:
    """Return `values` as float64, all finite and within low to high.

    Raises:
        PeatwrightError: a value is missing or outside.

    """
    out = np.asarray(values, np.float64)
    bad = ~np.isfinite(out) | (out < low) | (out > high)
    if open_low:
        bad |= out <= low
    if bad.any():
        worst = out[bad].ravel()[0]
        least = f"more than {low:g}" if open_low else f"{low:g}"
        refuse(
            place,
            f"{worst:g} ({int(bad.sum())} of {out.size} values)",
            f"{least} to {high:g}",
            "Mend the value.",
        )
    return out


def check_rules(rules: object) -> None:
    """Refuse a settings dataclass with a value outside its cited range."""
    for name, held in citations(type(rules)).items():
        if held.low is not None and held.high is not None:
            numbers(f"rule {name} ({held.unit})", getattr(rules, name), held.low, held.high)

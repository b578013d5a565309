"""A person's answers to findings: kept with name, reason and date, and laid over the findings."""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from peatwright.ground import findings
from peatwright.model.columns import checked, empty
from peatwright.model.errors import Fault, GivenError
from peatwright.model.ground_layers import ANSWERS
from peatwright.site import lock, said
from peatwright.site.store import Store

if TYPE_CHECKING:
    from collections.abc import Mapping

KIND = "answer"


def table(folder: Path) -> pd.DataFrame:
    """Return every answer given on a site, in order, as rows of `ANSWERS`."""
    held = said.heard(folder, KIND)
    rows = [{name: entry.get(name, "") for name in ANSWERS.names} for entry in held]
    whole = [row for row in rows if all(row.values())]
    return checked(pd.DataFrame(whole), ANSWERS) if whole else empty(ANSWERS, "")


def current(store: Store) -> pd.DataFrame:
    """Return the findings of the last run with every answer given so far.

    Raises `GivenError` before the layout has been proved.
    """
    if "prove" not in store.states():
        raise GivenError(
            Fault(
                store.folder.name, "findings", "a layout that was not proved yet",
                "findings of a run", f"Run it first: peatwright run {store.folder}",
            )
        )  # fmt: skip
    return findings.merge(store.table("findings"), table(store.folder))


def give(
    folder: Path, ids: Sequence[str], *, reason: str, by: str, on: dt.date
) -> Mapping[str, str]:
    """Keep one answer for findings; return what each had found, by its id.

    The site's lock is held meanwhile. Raises `GivenError` when an id is not known, or without
    reason or name, and then keeps nothing.
    """
    with lock.held(folder):
        store = Store(folder)
        now = current(store)
        known = now["finding_id"].tolist()
        unknown = [i for i in ids if i not in set(known)]
        if unknown:
            raise GivenError([_not_known(i, known) for i in unknown])
        before = table(folder)
        after = before
        for finding_id in ids:
            after = findings.answer(now, after, finding_id, reason=reason, by=by, on=on)
        new = after.iloc[len(before) :]
        for row in new.to_dict("records"):
            said.say(folder, KIND, {str(k): str(v) for k, v in row.items()})
    return dict(zip(new["finding_id"], new["what"], strict=True))


def _not_known(finding_id: str, known: Sequence[str]) -> Fault:
    near = difflib.get_close_matches(finding_id, known, 1, 0.5)
    return Fault(
        "findings", finding_id, "no finding of this id", "an id that `peatwright findings` lists",
        f"Did you mean {near[0]}?" if near else "Look it up there.",
    )  # fmt: skip

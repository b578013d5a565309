"""The invented site is ordinary good files: all is taken, nothing must be mended."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

from peatwright.demo import write_demo
from peatwright.model.columns import checked
from peatwright.model.layers import BOUNDARY, GIVEN_DRAINS, HAND_DEPTHS, LIMITS, PROBES
from peatwright.model.rules import Rules
from peatwright.site.given import Given
from peatwright.site.take import take


def test_the_demo_is_taken(tmp_path: Path) -> None:
    files = write_demo(tmp_path, seed=11, scale=0.3)
    told: list[float] = []
    given = Given(
        dtm=(files.dtm,), drains=(files.drains,), boundary=(files.boundary,),
        probes=(files.probes,), nogo=(files.nogo,), depths=(files.depths,), crs=files.crs,
    )  # fmt: skip
    taken = take(given, Rules(), progress=lambda share, words: told.append(share))
    assert {f.severity for f in taken.faults} <= {"look"}
    tables = (
        (taken.given_drains, GIVEN_DRAINS), (taken.boundary, BOUNDARY), (taken.probes, PROBES),
        (taken.hand_depths, HAND_DEPTHS), (taken.limits, LIMITS),
    )  # fmt: skip
    for table, layer in tables:
        assert len(checked(table, layer))
        assert table.crs == files.crs
    assert len(taken.given_drains) == len(gpd.read_file(files.drains))
    depths = pd.read_csv(files.probes)["Peat_depth_m"]
    assert taken.probes["peat_depth_m"].tolist() == pytest.approx(depths.tolist())
    kinds = {"heritage", "overhead line", "watercourse", "track", "buried service", "boundary"}
    assert set(taken.limits["kind"]) >= kinds
    assert told == sorted(told)
    assert 0 <= told[0] < told[-1] <= 1

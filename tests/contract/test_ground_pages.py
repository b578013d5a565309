"""Pages of the ground are pictures with something on them, with and without probes."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from peatwright.model.columns import empty
from peatwright.model.layers import LAYERS
from peatwright.packs.ground_pages import MAP_WIDE, ground_pdf
from peatwright.packs.register import NOT_PROVED, register_pdf
from peatwright.site import rule_sheet
from peatwright.site.folder import open_site
from peatwright.site.store import Store
from peatwright.stages import pack_info

PAGE_WIDE = 420.0


def drawn(folder: Path, *, probed: bool = True) -> list[np.ndarray]:
    store, site = Store(folder), open_site(folder)
    dtm = store.raster("dtm")
    held = store.tables()
    tables = {n: held.get(n, empty(layer, dtm.grid.crs)) for n, layer in LAYERS.items()}
    state = store.states()["ground"]
    rasters = {n: store.raster(n) for n in state.rasters} if probed else {}
    info = pack_info(site, store, "2026-01-01")
    pages = ground_pdf(
        tables, dtm, rasters, state.report, rule_sheet.read(folder), info, form="png"
    )
    return [np.asarray(Image.open(io.BytesIO(p)).convert("RGB"), np.float64) for p in pages]


def test_no_page_is_blank_and_each_map_has_its_colours(run_demo: Path) -> None:
    pages = drawn(run_demo)
    assert len(pages) == 6
    maps = [p[:, : int(p.shape[1] * MAP_WIDE / PAGE_WIDE)] for p in pages]
    for page, shown in zip(pages, maps, strict=True):
        assert page.std() > 15
        legend = page[:, shown.shape[1] + 20 :]
        assert (legend < 200).any(axis=2).mean() > 0.01
    # The five maps that lie over the same ground differ, and peat is brown: red over blue.
    for k in range(5):
        assert np.abs(maps[k] - maps[k + 1]).mean() > 3.0
    middle = maps[0][60:-60, 60:-60]
    assert np.median(middle[..., 0] - middle[..., 2]) > 40
    # Where machines keep off is red.
    red = (maps[4][..., 0] > 130) & (maps[4][..., 1] < 110) & (maps[4][..., 2] < 110)
    assert red.mean() > 0.003


def test_without_probes_only_condition_and_limits_are_drawn(run_demo: Path) -> None:
    assert len(drawn(run_demo, probed=False)) == 2


def test_a_layout_that_was_not_proved_is_not_called_free_of_findings(run_demo: Path) -> None:
    pypdf = pytest.importorskip("pypdf")
    tables = {n: empty(layer, "EPSG:27700") for n, layer in LAYERS.items()}
    store = Store(run_demo)
    info = pack_info(open_site(run_demo), store, "2026-01-01")
    page = pypdf.PdfReader(io.BytesIO(register_pdf(tables, info, proved=False))).pages[0]
    assert NOT_PROVED in " ".join(page.extract_text().split())

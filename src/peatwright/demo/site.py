"""The invented site as a site folder, ready to run."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from peatwright.demo import write_demo
from peatwright.demo.figures import SITE
from peatwright.site.folder import Site, SiteInfo, create
from peatwright.site.given import Given

TRUTH_FOLDER = "truth"


def make_demo_site(folder: Path, seed: int = 7, scale: float = 1.0) -> Site:
    """Make the invented site in `folder`, with its truth beside what is given.

    Raises `StoreError` when the folder is in use or cannot be written.
    """
    with tempfile.TemporaryDirectory() as made:
        files = write_demo(Path(made), seed, scale)
        given = Given(
            dtm=(files.dtm,),
            drains=(files.drains,),
            boundary=(files.boundary,),
            probes=(files.probes,),
            nogo=(files.nogo,),
            depths=(files.depths,),
            condition=(files.condition,),
            bare=(files.bare,),
            closed=(files.closed,),
            crs=files.crs,
        )
        name = SITE.removesuffix(" (invented)")  # the pages mark it themselves
        info = SiteInfo(name, invented=True, attribution="Invented ground, made by peatwright")
        site = create(folder, given, info)
        truth = folder / TRUTH_FOLDER
        truth.mkdir()
        for path in (files.truth, files.readme):
            shutil.copy2(path, truth / path.name)
    return site

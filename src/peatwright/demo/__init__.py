"""An invented drained bog, made from a seed and written as ordinary given files.

The true drains are written beside them, so that tests can tell how near the program comes.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

__all__ = ["DemoSite", "write_demo"]


@dataclass(frozen=True)
class DemoSite:
    """Where the files of an invented site were written.

    `dtm` to `closed` are given to the program; `truth` never is. `truth` is a GeoPackage with the
    layers `centrelines` and `stations`, the latter one row a metre.
    """

    folder: Path
    dtm: Path
    drains: Path
    boundary: Path
    probes: Path
    depths: Path
    nogo: Path
    condition: Path
    bare: Path
    closed: Path
    readme: Path
    truth: Path
    crs: str
    noise_m: float
    seed: int
    scale: float


def write_demo(folder: Path, seed: int = 7, scale: float = 1.0) -> DemoSite:
    """Write the invented site's given files, and its truth, into `folder`.

    `scale` shrinks the site (1 is about 1.2 km by 1 km) but not its drains: at 0.3 there are fewer
    and shorter ones. The same seed and scale give the same levels, value for value. Existing files
    of the same names are replaced. Raises ValueError for a scale outside 0.25 to 2.
    """
    if not 0.25 <= scale <= 2.0:
        msg = f"the demo's scale is {scale}; allowed is 0.25 to 2"
        raise ValueError(msg)
    from peatwright.demo.write import make  # noqa: PLC0415 - heavy libraries load only when used

    return make(Path(folder), seed, scale)

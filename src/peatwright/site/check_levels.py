"""Checking levels: what nobody's ground looks like is found and taken out, or refused."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from peatwright.model.progress import Progress
from peatwright.model.raster import FloatRaster, Grid
from peatwright.model.rules import TakeRules
from peatwright.site.fault_book import Book, count_said, place_said
from peatwright.site.figures import FILL_CELLS, ZERO_BELOW_M, ZERO_RATIO, number
from peatwright.site.read_raster import NO_LEVEL

Bools = NDArray[np.bool_]
Cells = tuple[NDArray[np.int64], NDArray[np.int64]]
STRIP = 512
SMALLEST = 3


def check(
    levels: FloatRaster, grid: Grid, rules: TakeRules, file: str, book: Book, progress: Progress
) -> bool:
    """Take levels that cannot be ground out of a new array of ours, in place; say if it is usable.

    Undeclared no-data values, filling at one level and spikes become NaN and are told of; levels
    outside the believed range, or all alike, are refused.
    """
    if min(levels.shape) < SMALLEST:
        book.stop(file, "", f"{grid.cols} by {grid.rows} cells", "3 by 3 cells or more",
                  "Give the whole terrain.")  # fmt: skip
        return False
    levels[~np.isfinite(levels)] = np.nan
    _undeclared(levels, grid, file, book)
    low, high = np.nanmin(levels, initial=np.inf), np.nanmax(levels, initial=-np.inf)
    if low > high:
        book.stop(file, "", "no cell with data", "levels of the ground",
                  "Check that this is the right file and the right place.")  # fmt: skip
        return False
    if low == high:
        book.stop(file, "", f"one level, {low:g}, in every cell", "levels of the ground",
                  "Export the terrain anew: this file holds no ground.")  # fmt: skip
        return False
    sample = levels[:: 1 + levels.shape[0] // 500, :: 1 + levels.shape[1] // 500]
    sample = sample[~np.isnan(sample)]
    middle = float(np.median(sample)) if len(sample) else float(low)
    if not rules.level_low_m <= middle <= rules.level_high_m:
        # Most of it is in another unit or another place: spikes and fills would say nothing.
        return _range(levels, grid, rules, file, book)
    progress(0.3, "checking levels")
    _zeros(levels, grid, file, book)
    progress(0.5, "checking levels")
    steep = _steep(levels, rules.spike_m)
    if len(steep[0]):
        _spikes(levels, steep, grid, rules, file, book)
        progress(0.7, "checking levels")
        _fills(levels, steep, grid, rules, file, book)
    _rounded(levels, file, book)
    progress(0.9, "checking levels")
    return _range(levels, grid, rules, file, book)


def _at(grid: Grid, row: int, col: int) -> str:
    x, y = grid.to_metres(np.array([row], np.float64), np.array([col], np.float64))
    return place_said(float(x[0]), float(y[0]))


def _first(mask: Bools, grid: Grid) -> str:
    row, col = divmod(int(mask.argmax()), mask.shape[1])
    return _at(grid, row, col)


def _undeclared(levels: FloatRaster, grid: Grid, file: str, book: Book) -> None:
    for value in NO_LEVEL:
        found = levels == np.float32(value)
        if found.any():
            book.look(
                file, _first(found, grid),
                f"{count_said(int(found.sum()), 'cell')} of {value:g}, which is not declared as "
                "no data",
                "levels of the ground, or a declared no-data value",
                "Taken as no data here; set the no-data value in the file.",
            )  # fmt: skip
            levels[found] = np.nan


def _zeros(levels: FloatRaster, grid: Grid, file: str, book: Book) -> None:
    zero = levels == 0
    count = int(zero.sum())
    if count < max(number(FILL_CELLS), number(ZERO_RATIO) * levels.size):
        return
    rest = levels[~zero]
    lowest = np.nanmin(np.abs(rest)) if np.isfinite(rest).any() else 0.0
    if lowest < number(ZERO_BELOW_M):
        return
    book.look(
        file, _first(zero, grid),
        f"{count_said(count, 'cell')} at exactly 0, while all other ground is {lowest:.0f} m or "
        "more away from 0",
        "levels of the ground, or a declared no-data value",
        "Taken as no data here: it is probably filling. Set the no-data value in the file.",
    )  # fmt: skip
    levels[zero] = np.nan


def _steep(levels: FloatRaster, jump_m: float) -> Cells:
    """Return cells that differ from a neighbour by more than `jump_m`, searched in strips."""
    rows, cols = [], []
    for top in range(0, levels.shape[0], STRIP):
        strip = levels[max(0, top - 1) : top + STRIP + 1]
        mask = np.zeros(strip.shape, np.bool_)
        with np.errstate(invalid="ignore", over="ignore"):
            down = np.abs(np.diff(strip, axis=0)) > jump_m
            right = np.abs(np.diff(strip, axis=1)) > jump_m
        mask[1:] |= down
        mask[:-1] |= down
        mask[:, 1:] |= right
        mask[:, :-1] |= right
        own = mask[top - max(0, top - 1) :][:STRIP]
        r, c = np.nonzero(own)
        rows.append(r + top)
        cols.append(c)
    return np.concatenate(rows), np.concatenate(cols)


def _spikes(
    levels: FloatRaster,
    steep: Cells,
    grid: Grid,
    rules: TakeRules,
    file: str,
    book: Book,
) -> None:
    r, c = steep
    own = levels[r, c]
    alone = np.ones(len(r), np.bool_)
    near = np.zeros(len(r), np.int64)
    with np.errstate(invalid="ignore", over="ignore"):
        for dr in (-1, 0, 1):
            for dc in (-1, 0, 1):
                if dr == dc == 0:
                    continue
                rr, cc = r + dr, c + dc
                inside = (rr >= 0) & (rr < levels.shape[0]) & (cc >= 0) & (cc < levels.shape[1])
                other = np.where(
                    inside,
                    levels[
                        np.clip(rr, 0, levels.shape[0] - 1), np.clip(cc, 0, levels.shape[1] - 1)
                    ],
                    np.nan,
                )
                far = np.abs(own - other) > rules.spike_m
                alone &= far | np.isnan(other)
                near += far
    # A neighbour that is a spike itself is far from everything too, hence three suffice.
    spike = alone & (near >= SMALLEST)
    if not spike.any():
        return
    first = int(spike.argmax())
    book.look(
        file, _at(grid, int(r[first]), int(c[first])),
        f"{count_said(int(spike.sum()), 'spike')}, the first at {own[first]:.1f} m, more than "
        f"{rules.spike_m:g} m from every neighbour",
        f"ground within {rules.spike_m:g} m of a neighbour (take.spike_m)",
        "Taken as no data here; look whether it is a mast, a post or a fault of the survey.",
    )  # fmt: skip
    levels[r[spike], c[spike]] = np.nan


def _fills(
    levels: FloatRaster, steep: Cells, grid: Grid, rules: TakeRules, file: str, book: Book
) -> None:
    """Find patches at exactly one level with a step all round: filled water or holes."""
    flat: Bools = np.zeros(levels.shape, np.bool_)
    same_right = levels[:, 1:] == levels[:, :-1]
    square = same_right[1:] & same_right[:-1] & (levels[1:, 1:] == levels[:-1, 1:])
    for dr in (0, 1):
        for dc in (0, 1):
            flat[dr : flat.shape[0] - 1 + dr, dc : flat.shape[1] - 1 + dc] |= square
    del same_right, square
    # Only patches with a step at their edge are looked at, each level in them by itself.
    met = flat[steep]
    rows, cols = steep[0][met], steep[1][met]
    patches, _ = ndimage.label(flat)
    del flat
    boxes = ndimage.find_objects(patches)
    filled: list[tuple[int, str, float, float]] = []
    edges = {
        (int(k), float(v)) for k, v in zip(patches[rows, cols], levels[rows, cols], strict=True)
    }
    for k, level in sorted(edges, key=str):
        box = boxes[k - 1] if k else None
        if box is None:
            continue
        r0, c0 = max(0, box[0].start - 1), max(0, box[1].start - 1)
        window = levels[r0 : box[0].stop + 1, c0 : box[1].stop + 1]
        inside = window == np.float32(level)
        ring = ndimage.binary_dilation(inside, np.ones((3, 3), np.bool_)) & ~inside
        around = window[ring & ~np.isnan(window)]
        if not len(around) or inside.sum() < number(FILL_CELLS):
            continue
        step = float(np.median(level - around))
        if abs(step) > rules.spike_m:
            r, c = np.nonzero(inside)
            place = _at(grid, int(r[0]) + r0, int(c[0]) + c0)
            filled.append((int(inside.sum()), place, level, step))
            window[inside] = np.nan
    if filled:
        cells, place, level, step = max(filled)
        other = f" (and {count_said(len(filled) - 1, 'smaller patch', 'smaller patches')})"
        book.look(
            file, place,
            f"{count_said(cells, 'cell')} at exactly {level:g} m, {abs(step):.1f} m "
            f"{'above' if step > 0 else 'below'} the ground around{other if filled[1:] else ''}",
            f"ground without steps over {rules.spike_m:g} m (take.spike_m)",
            "Taken as no data here: it is probably water or a hole that was filled.",
        )  # fmt: skip


def _rounded(levels: FloatRaster, file: str, book: Book) -> None:
    step = max(1, int(np.sqrt(levels.size / 1e6)))
    sample = levels[::step, ::step].astype(np.float64)
    sample = sample[~np.isnan(sample)]
    if len(sample) < 9:
        return
    for unit_m, words in ((1.0, "whole metres"), (0.1, "steps of 0.1 m")):
        if np.abs(sample / unit_m - np.round(sample / unit_m)).max() < 1e-3:
            book.look(
                file, "levels", f"levels in {words}", "levels to 0.01 m",
                "Drains hardly show in such levels: export the terrain with two decimals.",
            )  # fmt: skip
            return


def _range(levels: FloatRaster, grid: Grid, rules: TakeRules, file: str, book: Book) -> bool:
    with np.errstate(invalid="ignore"):
        bad = (levels < rules.level_low_m) | (levels > rules.level_high_m)
    count = int(bad.sum())
    if not count:
        return True
    row, col = divmod(int(bad.argmax()), levels.shape[1])
    book.stop(
        file, _at(grid, row, col),
        f"{count_said(count, 'cell')} outside the believed range, this one at "
        f"{levels[row, col]:g} m",
        f"{rules.level_low_m:g} to {rules.level_high_m:g} m (take.level_low_m, take.level_high_m)",
        "Are the levels in feet, centimetres or millimetres, or is a no-data value not declared? "
        "Mend the terrain; where such ground exists, widen the range in the rule sheet.",
    )  # fmt: skip
    return False


def check_holes(
    levels: FloatRaster, inside: Bools | None, share: float, file: str, book: Book
) -> None:
    """Note when more of the ground than `share` has no level."""
    if inside is None:
        holes, cells = int(np.isnan(levels).sum()), levels.size
        where = "the terrain"
    else:
        holes, cells = int((np.isnan(levels) & inside).sum()), int(inside.sum())
        where = "the boundary"
    if cells and holes / cells > share:
        book.look(
            file, "", f"{holes / cells:.1%} of {where} without data",
            f"{share:.1%} or less (take.hole_look_ratio)",
            "Drains there cannot be measured from the terrain: look at the map.",
        )  # fmt: skip

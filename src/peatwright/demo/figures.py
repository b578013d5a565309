"""The invented site's sizes, each with its range and where it comes from."""

from __future__ import annotations

from dataclasses import dataclass

from peatwright.model.cited import cited

CRS = "EPSG:27700"
# Lower left corner: open sea, far from any shore, so that nobody takes the site for a real place.
SEA_X_M = 268_000.0
SEA_Y_M = 512_000.0

SITE = "Thrumwick Moss (invented)"
OWNER = "Quillorn Estate (invented)"
NEIGHBOUR = "Fallowick Holding (invented)"
BURN = "Nettrick Burn (invented)"


@dataclass(frozen=True)
class Figures:
    """Sizes of the invented ground and its drains. Lengths in metres, gradients in degrees."""

    width_m: float = cited(1200.0, "m", "site width, west to east, at scale 1", 100, 5000)
    height_m: float = cited(1000.0, "m", "site height, south to north, at scale 1", 100, 5000)
    cell_m: float = cited(0.5, "m", "cell size of the terrain model", 0.25, 2.0)
    noise_m: float = cited(0.025, "m", "standard deviation of terrain noise", 0.0, 0.1)
    noise_length_cells: float = cited(0.8, "cells", "smoothing of terrain noise", 0.0, 5.0)
    contour_spacing_m: float = cited(
        24.0,
        "m",
        "spacing of contour drains",
        8,
        60,
        source="Game & Wildlife Conservation Trust, Erosion and moorland drainage: 22 m apart",
        read="via",
    )
    lateral_spacing_m: float = cited(20.0, "m", "spacing of herringbone laterals", 15, 25)
    lateral_angle_deg: float = cited(55.0, "deg", "angle of a lateral to its collector", 30, 90)
    grade_low_deg: float = cited(0.6, "deg", "least gradient of contour drains", 0.1, 5)
    grade_high_deg: float = cited(1.7, "deg", "greatest gradient of contour drains", 0.1, 5)
    min_fall_ratio: float = cited(0.0006, "ratio", "least fall of any bed", 0.0, 0.01)
    depth_low_m: float = cited(0.5, "m", "shallow end of drain depths as dug", 0.1, 2)
    depth_high_m: float = cited(1.0, "m", "deep end of drain depths as dug", 0.1, 2)
    top_low_m: float = cited(0.65, "m", "narrowest top width", 0.3, 3)
    top_high_m: float = cited(1.6, "m", "widest top width", 0.3, 3)
    sag_width_low_m: float = cited(0.5, "m", "narrowest sag beside a drain, per side", 0.2, 8)
    sag_width_high_m: float = cited(3.0, "m", "widest sag beside a drain, per side", 0.2, 8)
    sag_depth_low_m: float = cited(0.05, "m", "shallowest sag", 0.0, 1)
    sag_depth_high_m: float = cited(0.40, "m", "deepest sag", 0.0, 1)
    sag_per_peat_ratio: float = cited(0.16, "ratio", "deepest sag as part of peat depth", 0.0, 0.5)
    spoil_low_m: float = cited(0.2, "m", "lowest spoil bank", 0, 1, read="memory")
    spoil_high_m: float = cited(0.5, "m", "highest spoil bank", 0, 1, read="memory")
    spoil_width_m: float = cited(1.0, "m", "width of the spoil bank", 0.3, 3, read="memory")
    spoil_gap_m: float = cited(0.2, "m", "ledge between shoulder and spoil", 0, 2)
    fill_low_m: float = cited(0.05, "m", "least water and heather over the dug bed", 0, 1)
    fill_high_m: float = cited(0.25, "m", "most water and heather over the dug bed", 0, 1)
    gully_top_low_m: float = cited(3.0, "m", "narrowest gully", 1, 20)
    gully_top_high_m: float = cited(8.0, "m", "widest gully", 1, 20)
    gully_depth_low_m: float = cited(1.0, "m", "shallowest gully", 0.3, 5)
    gully_depth_high_m: float = cited(2.0, "m", "deepest gully", 0.3, 5)
    peat_low_m: float = cited(0.2, "m", "thinnest peat", 0, 10)
    peat_high_m: float = cited(4.0, "m", "deepest peat", 0, 10)
    drawn_off_low_m: float = cited(0.3, "m", "least offset of a drawn line", 0, 5)
    drawn_off_high_m: float = cited(1.2, "m", "greatest offset of a drawn line", 0, 5)
    hand_error_m: float = cited(0.02, "m", "standard deviation of a hand-measured depth", 0, 0.2)
    probe_grid_m: float = cited(
        100.0,
        "m",
        "peat probe grid",
        10,
        200,
        source="Scottish Government, Peat Survey Guidance 1.5",
        read="via",
    )
    probe_offset_m: float = cited(
        10.0,
        "m",
        "probe offsets on transects",
        2,
        50,
        source="Scottish Government, Peat Survey Guidance 1.5",
        read="via",
    )

"""Lettered references against published tables and worked examples."""

from __future__ import annotations

import pytest

from peatwright.packs.national_grid import Places, grid_of, grid_reference

# The squares of 100 km from the north-west, as an encyclopedia's article on the National Grid
# prints them (National grid, encyclopedia.codeboy.net).
SQUARES = """
HL HM HN HO HP JL JM
HQ HR HS HT HU JQ JR
HV HW HX HY HZ JV JW
NA NB NC ND NE OA OB
NF NG NH NJ NK OF OG
NL NM NN NO NP OL OM
NQ NR NS NT NU OQ OR
NV NW NX NY NZ OV OW
SA SB SC SD SE TA TB
SF SG SH SJ SK TF TG
SL SM SN SO SP TL TM
SQ SR SS ST SU TQ TR
SV SW SX SY SZ TV TW
"""


def test_every_square_has_its_letters() -> None:
    rows = [line.split() for line in SQUARES.split("\n") if line]
    for up, row in enumerate(reversed(rows)):
        for right, letters in enumerate(row):
            x, y = right * 100_000 + 12_345.9, up * 100_000 + 67_890.9
            assert grid_reference(x, y, "british") == f"{letters} 12345 67890"


@pytest.mark.parametrize(
    ("x_m", "y_m", "digits", "told"),
    [
        # support.landmark.co.uk, National Grid Reference Coordinate Conversion: TQ is 51.
        (530_040.0, 179_950.0, 4, "TQ 3004 7995"),
        # landis.org.uk, Work out a grid reference: NS 306834 is 2306, 6834.
        (230_600.0, 683_400.0, 3, "NS 306 834"),
        # trikeshed.blogspot.com 2012/03: SU takes 400 km east and 100 km north.
        (473_100.0, 118_900.0, 3, "SU 731 189"),
        # ladybird-survey.org, grid_ref: TL 69154 37872 becomes TL691378, so figures are cut off.
        (569_154.0, 237_872.0, 5, "TL 69154 37872"),
        (569_154.0, 237_872.0, 3, "TL 691 378"),
        # Ordnance Survey, A guide to coordinate systems in Great Britain, worked example of the
        # annexes (memory): 651409.903, 313177.270 lies in TG.
        (651_409.903, 313_177.270, 5, "TG 51409 13177"),
    ],
)
def test_published_references(x_m: float, y_m: float, digits: int, told: str) -> None:
    assert grid_reference(x_m, y_m, "british", digits) == told


def test_irish_grid() -> None:
    """Spire of Dublin, O 15904 34671 (memory)."""
    assert grid_reference(315_904, 234_671, "irish") == "O 15904 34671"


def test_which_crs_has_letters() -> None:
    assert grid_of("EPSG:27700") == "british"
    assert grid_of("EPSG:29903") == "irish"
    assert grid_of("EPSG:7405") == "british"  # the same grid with levels above Newlyn
    assert grid_of("EPSG:2157") == ""
    assert grid_of("EPSG:25832") == ""


def test_places_fall_back_to_site_coordinates() -> None:
    assert Places("EPSG:25832")(412_345.4, 5_912_345.6) == "412345 5912346"
    assert Places("EPSG:27700")(651_409.9, 313_177.3) == "TG 51409 13177"
    assert Places("EPSG:27700")(-5.0, 10.0) == "-5 10"
    assert Places("EPSG:27700")(float("nan"), 10.0) == "–"

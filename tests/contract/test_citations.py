"""Every setting says its unit, range and source, and no source is claimed without a name."""

import dataclasses

import pytest

from peatwright.model.cited import Cited, citations
from peatwright.model.rules import Rules

FREE_TEXTS = {"scheme", "drained_as", "eroding_as"}
ALL = [
    (f"{section.name}.{key}", cite)
    for section in dataclasses.fields(Rules)
    for key, cite in citations(type(getattr(Rules(), section.name))).items()
]


def test_every_setting_is_cited() -> None:
    for section in dataclasses.fields(Rules):
        held = getattr(Rules(), section.name)
        assert [f.name for f in dataclasses.fields(held)] == list(citations(type(held)))


@pytest.mark.parametrize(("key", "cite"), ALL, ids=[key for key, _ in ALL])
def test_setting_explains_itself(key: str, cite: Cited) -> None:
    assert cite.means
    if isinstance(cite.value, str) and key.rpartition(".")[2] not in FREE_TEXTS:
        assert cite.value in cite.choices
    if isinstance(cite.value, float):
        assert cite.unit, "a number has a unit, be it `ratio`"
        suffix = {"m": "_m", "m²": "_m2"}.get(cite.unit)
        assert suffix is None or key.endswith(suffix)


def test_a_claimed_source_must_be_named() -> None:
    with pytest.raises(ValueError, match="names none"):
        Cited(1.0, "m", "a width", 0, 2, read="original")


def test_a_default_lies_in_its_range() -> None:
    with pytest.raises(ValueError, match="outside"):
        Cited(3.0, "m", "a width", 0, 2)


def test_trade_facts_are_the_defaults() -> None:
    """Common practice: 8 m apart, 3 to 5 buckets, 1 m untouched, second cut at about half depth."""
    rules = Rules()
    assert rules.spacing.target_m == 8.0
    assert (rules.dam.buckets_min, rules.dam.buckets_usual_max) == (3, 5)
    assert rules.dam.untouched_below_m == 1.0
    assert rules.zip.second_cut_ratio == 0.5


def test_published_limits_are_the_defaults() -> None:
    """GOV.UK WN1: never over 10 m. Fen Management Handbook: 1.5 m wide and 1.2 m deep at most."""
    rules = Rules()
    assert rules.spacing.max_m == 10.0
    assert rules.method.peat_width_max_m == 1.5
    assert rules.method.wave_depth_max_m == 1.2
    assert rules.limits.heritage_m == 20.0  # Historic England 2025, quoting ALGAO 2022

"""Every number of the water package says what it is and where it comes from."""

import dataclasses
import importlib
import pkgutil

import pytest

import peatwright.water
from peatwright.model.cited import Cited, citations
from peatwright.model.water_rules import WaterRules

RULES = [
    (f"{section.name}.{key}", cite)
    for section in dataclasses.fields(WaterRules)
    for key, cite in citations(type(getattr(WaterRules(), section.name))).items()
]


def constants() -> list[tuple[str, Cited]]:
    found = []
    for info in pkgutil.walk_packages(peatwright.water.__path__, "peatwright.water."):
        if info.name.endswith("_kernels"):
            continue
        module = importlib.import_module(info.name)
        found += [(f"{info.name}.{k}", c) for k, c in vars(module).items() if isinstance(c, Cited)]
    return found


@pytest.mark.parametrize(("key", "cite"), RULES, ids=[key for key, _ in RULES])
def test_setting_explains_itself(key: str, cite: Cited) -> None:
    assert cite.means
    suffix = {"m": "_m", "m²": "_m2", "s": "_s", "m/s": "_mps", "1/m": "_per_m"}.get(cite.unit)
    assert suffix is None or key.endswith(suffix)


def test_every_setting_is_cited() -> None:
    for section in dataclasses.fields(WaterRules):
        held = getattr(WaterRules(), section.name)
        assert [f.name for f in dataclasses.fields(held)] == list(citations(type(held)))


def test_constants_name_their_unit_and_meaning() -> None:
    found = constants()
    assert len(found) > 40
    assert [name for name, cite in found if not cite.means or not cite.unit] == []

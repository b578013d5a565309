"""Every setting of spill paths says what it is; every layer says what its columns are."""

import dataclasses

import pytest

from peatwright.model.cited import citations
from peatwright.model.spill_rules import SpillRules
from peatwright.model.water_layers import WATER_LAYERS


def test_every_setting_is_cited_with_its_unit_in_its_name() -> None:
    held = citations(SpillRules)
    assert [f.name for f in dataclasses.fields(SpillRules)] == list(held)
    for key, cite in held.items():
        suffix = {"m": "_m", "m²": "_m2", "ratio": "_ratio", "m/m": "_ratio", "years": "_years"}
        assert cite.means
        assert key.endswith(suffix.get(cite.unit, ""))


@pytest.mark.parametrize("name", list(WATER_LAYERS))
def test_layers_name_unit_and_meaning(name: str) -> None:
    layer = WATER_LAYERS[name]
    assert layer.name == name
    assert layer.means
    units = {"_m": "m", "_m2": "m²", "_m3s": "m³/s", "_mps": "m/s", "_pa": "Pa", "_years": "years"}
    for column in layer.columns:
        assert column.means
        if column.kind == "float":
            suffix = "_" + column.name.rsplit("_", 1)[-1]
            assert column.unit == units.get(suffix, column.unit)
            assert column.unit

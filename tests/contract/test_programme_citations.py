"""Every setting of price range, programme and budget says its unit, range and source."""

import dataclasses

import pytest

from peatwright.model import programme_layers, programme_rules
from peatwright.model.cited import Cited, citations

SECTIONS = (
    programme_rules.SpreadRules,
    programme_rules.ProgrammeRules,
    programme_rules.BudgetRules,
)
ALL = [(f"{s.__name__}.{key}", cite) for s in SECTIONS for key, cite in citations(s).items()]


@pytest.mark.parametrize("section", SECTIONS)
def test_every_setting_is_cited(section: type) -> None:
    assert [f.name for f in dataclasses.fields(section)] == list(citations(section))


@pytest.mark.parametrize(("key", "cite"), ALL, ids=[key for key, _ in ALL])
def test_setting_explains_itself(key: str, cite: Cited) -> None:
    assert cite.means
    if isinstance(cite.value, str):
        assert cite.value in cite.choices
    if isinstance(cite.value, float):
        assert cite.unit, "a number has a unit, be it `ratio`"
        suffix = {"m": "_m", "m²": "_m2", "ratio": "_ratio"}.get(cite.unit)
        assert suffix is None or key.endswith((suffix, "correlation"))


def test_columns_of_every_layer_explain_themselves() -> None:
    assert len(programme_layers.PROGRAMME_LAYERS) == 12
    for layer in programme_layers.PROGRAMME_LAYERS.values():
        assert layer.means
        assert len(set(layer.names)) == len(layer.names)
        for column in layer.columns:
            assert column.means, (layer.name, column.name)
            if column.kind == "float":
                assert column.unit, (layer.name, column.name)

"""The rule sheet reads back, and refuses what it cannot mean with the nearest right word."""

import re
import tomllib

import pytest

from peatwright.model.errors import RuleError
from peatwright.model.rules import Rules
from peatwright.site import rule_sheet


def refused(text: str) -> list[str]:
    with pytest.raises(RuleError) as caught:
        rule_sheet.parse(text)
    return [fault.line() for fault in caught.value.faults]


def test_the_template_sets_nothing() -> None:
    assert rule_sheet.parse(rule_sheet.template()) == Rules()


def test_the_template_with_every_line_freed_gives_the_defaults() -> None:
    freed = re.sub(r"^# (\w+ = )", r"\1", rule_sheet.template(), flags=re.MULTILINE)
    held = tomllib.loads(freed)
    assert sum(len(v) for v in held.values()) == sum(1 for _ in rule_sheet.rows(Rules()))
    assert rule_sheet.parse(freed) == Rules()


def test_a_set_value_is_taken_and_the_rest_stays() -> None:
    rules = rule_sheet.parse("[spacing]\ntarget_m = 6\n")
    assert rules.spacing.target_m == 6.0
    assert rules.spacing.max_m == Rules().spacing.max_m
    assert [r.key for r in rule_sheet.rows(rules) if r.changed] == ["target_m"]


def test_a_misspelt_key_is_met_with_the_nearest() -> None:
    (line,) = refused("[spacing]\ntargt_m = 6\n")
    assert "rules.toml, line 2" in line
    assert "'target_m'" in line


def test_a_misspelt_section_is_met_with_the_nearest() -> None:
    (line,) = refused("[spaceing]\ntarget_m = 6\n")
    assert "line 1" in line
    assert "'spacing'" in line


def test_a_value_out_of_range_names_the_range_and_the_default() -> None:
    (line,) = refused("[dam]\n\nkey_m = 7.5\n")
    for part in ("line 3", "7.5", "0 to 1 m", "0.3"):
        assert part in line


@pytest.mark.parametrize("value", ['"8"', "true", "nan", "inf", "[8]", "1979-05-27"])
def test_a_value_of_another_kind_is_refused(value: str) -> None:
    assert len(refused(f"[spacing]\ntarget_m = {value}\n")) == 1


def test_a_fraction_of_a_bucket_is_refused() -> None:
    assert len(refused("[dam]\nbuckets_min = 3.5\n")) == 1


def test_an_unknown_choice_is_met_with_the_nearest() -> None:
    (line,) = refused('[method]\npreferred = "wave dams"\n')
    assert "nearest: 'wave dam'" in line


def test_all_faults_come_at_once() -> None:
    assert len(refused("[dam]\nkey_m = 9\nfoo = 1\n[x]\na = 1\n")) == 3


def test_low_above_high_is_refused() -> None:
    (line,) = refused("[spacing]\nmin_m = 9.0\n")
    assert "min_m = 9.0 above target_m = 8.0" in line
    assert len(refused("[rates]\nday_low = 700\n")) == 1


def test_a_file_that_is_not_toml_names_the_line() -> None:
    (line,) = refused("[spacing]\ntarget_m = = 6\n")
    assert "line 2" in line

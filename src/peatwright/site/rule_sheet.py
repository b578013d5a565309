"""The rule sheet as TOML: reading with every fault named, writing with every source shown."""

from __future__ import annotations

import calendar
import dataclasses
import difflib
import math
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from peatwright.model.cited import Cited, Value, citations
from peatwright.model.errors import Fault, RuleError
from peatwright.model.ground_rules import scheme
from peatwright.model.rules import Rules

RULES_FILE = "rules.toml"


@dataclasses.dataclass(frozen=True)
class RuleRow:
    """One setting as it stands: its default with source, and the value in force."""

    section: str
    key: str
    value: Value
    cited: Cited

    @property
    def changed(self) -> bool:
        """Whether the site has set another value than the default."""
        return self.value != self.cited.value


def rows(rules: Rules) -> Iterator[RuleRow]:
    """Yield every setting of the rule sheet in order."""
    for section in dataclasses.fields(rules):
        held = getattr(rules, section.name)
        for key, cite in citations(type(held)).items():
            yield RuleRow(section.name, key, getattr(held, key), cite)


def range_text(cite: Cited) -> str:
    """Say what is allowed, in words."""
    if cite.choices:
        return " or ".join(repr(c) for c in cite.choices)
    if isinstance(cite.value, bool):
        return "true or false"
    if isinstance(cite.value, str):
        return "text"
    return f"{cite.low:g} to {cite.high:g}"


def source_text(cite: Cited) -> str:
    """Say where a default comes from and how the source was read."""
    return f"{cite.read}: {cite.source}" if cite.source else cite.read


def template() -> str:
    """Return a rule sheet that sets nothing and explains everything."""
    lines = [
        "# The site's rule sheet. Every line below shows a default; take away the # before the",
        "# key and change the value to set your own. `peatwright rules DIR` prints all in force.",
        "",
    ]
    section = ""
    for row in rows(Rules()):
        if row.section != section:
            section = row.section
            lines += [f"[{section}]"]
        unit = f" [{row.cited.unit}]" if row.cited.unit else ""
        lines += [
            f"# {row.cited.means}{unit}; allowed: {range_text(row.cited)}",
            f"#   source: {source_text(row.cited)}",
            f"# {row.key} = {_toml(row.cited.value)}",
            "",
        ]
    return "\n".join(lines)


def _toml(value: Value) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"'
    return repr(value)


def _nearest(word: str, words: list[str]) -> str:
    close = difflib.get_close_matches(word, words, 1, 0.5)
    return f"Did you mean {close[0]!r}?" if close else f"Known: {', '.join(words)}."


def _line_of(text: str, section: str, key: str) -> str:
    """Say the line on which a key stands, for the reader to find it."""
    here = ""
    for number, line in enumerate(text.splitlines(), 1):
        head = re.match(r"\s*\[\s*([^\]]+?)\s*\]", line)
        if head:
            here = head[1]
            if not key and here == section:
                return f"line {number}"
        elif here == section and re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=", line):
            return f"line {number}"
    return f"[{section}]"


def _value_fault(value: object, cite: Cited) -> str:
    """Return what is wrong with a value, or nothing."""
    allowed_type: tuple[type, ...]
    if isinstance(cite.value, bool):
        allowed_type = (bool,)
    elif isinstance(cite.value, str):
        allowed_type = (str,)
    elif isinstance(cite.value, int):
        allowed_type = (int,)
    else:
        allowed_type = (int, float)
    if not isinstance(value, allowed_type) or (
        isinstance(value, bool) and bool not in allowed_type
    ):
        return f"{value!r}"
    if isinstance(value, str) and cite.choices and value not in cite.choices:
        close = difflib.get_close_matches(value, cite.choices, 1, 0.5)
        return f"{value!r}" + (f" (nearest: {close[0]!r})" if close else "")
    if isinstance(value, int | float) and not isinstance(value, bool):
        low, high = cite.low, cite.high
        if not math.isfinite(value) or (
            low is not None and high is not None and not low <= value <= high
        ):
            return f"{value}"
    return ""


ORDERED = (
    ("take", "level_low_m", "level_high_m"),
    ("spacing", "min_m", "target_m"),
    ("spacing", "target_m", "max_m"),
    ("dam", "buckets_min", "buckets_usual_max"),
    ("dam", "buckets_usual_max", "buckets_most"),
    ("method", "gradient_dam_max_ratio", "gradient_hard_max_ratio"),
    ("depth", "class_shallow_m", "class_peat_m"),
    ("depth", "class_peat_m", "class_deep_m"),
    ("depth", "class_deep_m", "class_thick_m"),
    ("depth", "class_thick_m", "class_very_thick_m"),
    ("depth", "thin_reach_m", "reach_m"),
    ("stability", "factor_stop", "factor_look"),
    ("bearing", "careful_factor", "easy_factor"),
    ("bearing", "careful_deg", "steepest_deg"),
    ("season", "raptor_none_m", "raptor_look_m"),
    ("storm", "rain_2y_m", "rain_10y_m"),
    ("storm", "rain_10y_m", "rain_30y_m"),
    ("storm", "rain_30y_m", "rain_100y_m"),
    ("storm", "runoff_low_ratio", "runoff_ratio"),
    ("storm", "runoff_ratio", "runoff_high_ratio"),
    ("storm", "curve_number_low", "curve_number"),
    ("storm", "curve_number", "curve_number_high"),
    ("surface_storm", "roughness_low", "roughness_high"),
)
RANGED = ("carbon", "stability")
"""Sections whose values have a low and a high, such as weight_low_kn_m3 and weight_high_kn_m3."""


def _order_faults(rules: Rules, name: str) -> list[Fault]:
    pairs = list(ORDERED)
    for key in citations(type(rules.rates)):
        if key.endswith("_low"):
            stem = key.removesuffix("_low")
            pairs += [
                ("rates", key, f"{stem}_likely"),
                ("rates", f"{stem}_likely", f"{stem}_high"),
            ]
    for section in RANGED:
        keys = citations(type(getattr(rules, section)))
        for key in keys:
            middle = key.replace("_low_", "_")
            if "_low_" in key and middle in keys:
                pairs += [(section, key, middle), (section, middle, key.replace("_low_", "_high_"))]
    return [
        Fault(
            name,
            f"[{section}]",
            f"{low} = {getattr(getattr(rules, section), low)} above "
            f"{high} = {getattr(getattr(rules, section), high)}",
            f"{low} no greater than {high}",
            "Change one of the two.",
        )
        for section, low, high in pairs
        if getattr(getattr(rules, section), low) > getattr(getattr(rules, section), high)
    ]


def _meaning_faults(rules: Rules, name: str) -> list[Fault]:
    """Return what is wrong with days of the year, and with the scheme of conditions."""
    faults = []
    for key, cite in citations(type(rules.season)).items():
        value = getattr(rules.season, key)
        month, day = divmod(value, 100) if cite.unit == "mmdd" else (1, 1)
        # A leap year, so that 229 is a day.
        if not 1 <= month <= 12 or not 1 <= day <= calendar.monthrange(2000, month)[1]:
            faults.append(
                Fault(name, "[season]", f"{key} = {value}", "month × 100 + day, such as 731",
                      "Write a day that is in the calendar.")
            )  # fmt: skip
    held = scheme(rules.condition)
    for key in ("drained_as", "eroding_as"):
        value = getattr(rules.condition, key)
        if value not in held:
            faults.append(
                Fault(name, "[condition]", f"{key} = {value!r}", ", ".join(held) or "a scheme",
                      "Name a category of the scheme, or add this one to it.")
            )  # fmt: skip
    if len(set(held)) < len(held):
        faults.append(
            Fault(name, "[condition]", f"scheme = {rules.condition.scheme!r}",
                  "each category once", "Strike out the double.")
        )  # fmt: skip
    return faults


def parse(text: str, name: str = RULES_FILE) -> Rules:
    """Return the rules that a TOML text sets, defaults elsewhere.

    Raises `RuleError` with every misspelt key and every value out of range.
    """
    try:
        given = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RuleError(
            Fault(name, "", str(error), "a TOML file", "Mend the line that is named.")
        ) from error
    sections = {f.name: getattr(Rules(), f.name) for f in dataclasses.fields(Rules)}
    faults: list[Fault] = []
    made: dict[str, Any] = dict(sections)
    for section, values in given.items():
        if section not in sections or not isinstance(values, dict):
            place = _line_of(text, section, "")
            nearest = _nearest(section, list(sections))
            faults.append(Fault(name, place, f"[{section}]", "a section that is known", nearest))
            continue
        cites = citations(type(sections[section]))
        good: dict[str, Value] = {}
        for key, value in values.items():
            place = _line_of(text, section, key)
            if key not in cites:
                nearest = _nearest(key, list(cites))
                faults.append(Fault(name, place, f"{section}.{key}", "a known key", nearest))
                continue
            wrong = _value_fault(value, cites[key])
            if wrong:
                unit = f" {cites[key].unit}" if cites[key].unit else ""
                faults.append(
                    Fault(
                        name,
                        place,
                        f"{section}.{key} = {wrong}",
                        f"{range_text(cites[key])}{unit}",
                        f"The default is {_toml(cites[key].value)} ({source_text(cites[key])}).",
                    )
                )
            else:
                good[key] = float(value) if isinstance(cites[key].value, float) else value
        made[section] = dataclasses.replace(sections[section], **good)
    rules = Rules(**made)
    faults += _order_faults(rules, name)
    faults += _meaning_faults(rules, name)
    if faults:
        raise RuleError(faults)
    return rules


def read(folder: Path) -> Rules:
    """Return the rules of a site folder; a missing sheet means all defaults."""
    path = folder / RULES_FILE
    try:
        text = path.read_text("utf-8")
    except FileNotFoundError:
        return Rules()
    except (OSError, UnicodeDecodeError) as error:
        raise RuleError(
            Fault(RULES_FILE, "", str(error), "a readable UTF-8 text", "Save it again as UTF-8.")
        ) from error
    return parse(text)

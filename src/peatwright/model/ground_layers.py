"""Layers of the ground: findings and their answers, condition, probes wanted, seasons."""

from __future__ import annotations

from peatwright.model.columns import Layer, f, g, i, t

SEVERITIES = ("stop", "look", "note")
CONDITIONS = ("near-natural", "modified", "drained", "actively eroding")
GOING = ("easy", "careful", "mats", "keep off")

FINDINGS = Layer(
    "findings",
    "Point",
    "Results of checks. A finding of the whole site has an empty point.",
    (
        t("finding_id", "Stable id: the same rule at the same place keeps it"),
        t("severity", "stop: must not go ahead; look: a person must look; note", SEVERITIES),
        t("topic", "What it is about"),
        t("place", "Where, in words"),
        t("drain_id", "Drain, if any", empty=True),
        t("item_id", "Item, if any", empty=True),
        t("what", "What was found, with the numbers"),
        t("rule", "The rule that it breaks"),
        t("source", "Source of the rule and how it was read"),
        t("to_do", "What to do"),
        t("facts", "Fingerprint of the facts; an answer holds while it stays the same"),
        t("answer", "Reason given by a person", empty=True),
        t("answered_by", "Name typed by that person", empty=True),
        t("answered_on", "Date, year-month-day", empty=True),
        t("answered_before", "Earlier answers, given for other facts", empty=True),
    ),
)
ANSWERS = Layer(
    "answers",
    "none",
    "Every answer given to a finding, in order; nothing is struck out.",
    (
        t("finding_id", "Finding"),
        t("facts", "Fingerprint of the facts that were answered"),
        t("what", "What had been found"),
        t("answer", "Reason given"),
        t("answered_by", "Name typed by the person"),
        t("answered_on", "Date, year-month-day"),
    ),
)
GIVEN_CONDITION = Layer(
    "given_condition",
    "Polygon",
    "Condition of the ground as given.",
    (t("given_id", "File and row"), t("category", "Category of the site's scheme")),
)
GIVEN_BARE = Layer(
    "given_bare",
    "Polygon",
    "Bare peat as given.",
    (t("given_id", "File and row"), t("name", "Name in the given file", empty=True)),
)
UNSTABLE = Layer(
    "unstable",
    "Polygon",
    "Patches of ground with a low factor of safety. Screening: a competent engineer decides.",
    (
        t("severity", "By the rules alone, whatever is planned there", ("stop", "look")),
        f("area_m2", "m²", "Area", 0),
        f("x_m", "m", "Easting of its worst place"),
        f("y_m", "m", "Northing of its worst place"),
        t("what", "What was found, with the numbers"),
        t("rule", "The rule that it breaks"),
        t("source", "Source of the rule and how it was read"),
    ),
)
CONDITION = Layer(
    "condition",
    "Polygon",
    "Condition of the ground before the work, without overlaps.",
    (
        t("category", "Category of the site's scheme"),
        t("taken_from", "What it rests on", ("given", "drains", "bare peat", "not mapped")),
        f("area_m2", "m²", "Area", 0),
    ),
)
CONDITION_FAULTS = Layer(
    "condition_faults",
    "Polygon",
    "Gaps in the given condition map, and ground that it names twice.",
    (
        t("kind", "What is wrong", ("gap", "overlap")),
        t("said", "What was given there"),
        f("area_m2", "m²", "Area", 0),
    ),
)
PROBES_WANTED = Layer(
    "probes_wanted",
    "Point",
    "Places where more probes would help most, best first.",
    (
        i("order", "", "1 helps most", 1),
        f("peat_depth_m", "m", "Depth as it is thought to be", 0),
        f("error_m", "m", "Standard error of that depth", 0),
        g("from_probe_m", "m", "Distance to the nearest probe", 0),
        t("why", "Why here"),
    ),
)
PERIOD_COLUMNS = (
    t("name", "Species or designation"),
    t("from_day", "First closed day, month-day"),
    t("to_day", "Last closed day, month-day; before the first it lies in the next year"),
    t("severity", "stop: closed; look: case by case", ("stop", "look")),
    t("why", "The rule and its source"),
)
GIVEN_CLOSED = Layer(
    "given_closed", "Polygon", "Areas closed on some days of the year, as given.", PERIOD_COLUMNS
)
CLOSED_PERIODS = Layer(
    "closed_periods",
    "Polygon",
    "Areas and the days on which no work may be done there.",
    PERIOD_COLUMNS,
)
WORKING_WINDOWS = Layer(
    "working_windows",
    "none",
    "Spells in which work may be done.",
    (
        t("place", "Where, in words"),
        t("from_date", "First day, year-month-day"),
        t("to_date", "Last day, year-month-day"),
        i("days", "days", "Length, both ends counted", 1),
        t("ends_for", "What ends it", empty=True),
    ),
)
GROUND_LAYERS = {
    layer.name: layer
    for layer in (
        GIVEN_CONDITION, GIVEN_BARE, GIVEN_CLOSED, UNSTABLE, FINDINGS, ANSWERS, CONDITION,
        CONDITION_FAULTS, PROBES_WANTED, CLOSED_PERIODS, WORKING_WINDOWS,
    )
}  # fmt: skip

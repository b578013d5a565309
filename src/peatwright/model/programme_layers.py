"""Layers of the price's spread, the programme of work and its phases."""

from __future__ import annotations

from peatwright.model.columns import Layer, b, f, g, i, t

PROGRAMME = Layer(
    "programme",
    "none",
    "Order of work: one row for each time that a machine works on a drain without a closed season "
    "between.",
    (
        t("machine", "Machine"),
        i("visit", "", "Position in this machine's order", 1),
        t("drain_id", "Drain"),
        t("direction", "Way along the drain", ("downstream", "upstream")),
        i("item_from", "", "First item worked, by its position on the drain", 1),
        i("item_to", "", "Last item worked, by its position on the drain", 1),
        i("items", "items", "Number of items", 1),
        f("hours", "h", "Working hours on the drain", 0),
        f("wait_hours", "h", "Hours that the machine waits before it, for another or the season",
          0),
        f("travel_m", "m", "Tracking from the place before to this drain", 0),
        f("travel_hours", "h", "Hours of that tracking", 0),
        t("start_date", "First day of work, year-month-day", empty=True),
        t("end_date", "Last day of work, year-month-day", empty=True),
        i("season", "", "Open season in which it falls, 1 is the first; 0 = not within reach", 0),
        t("note", "What a person should look at", empty=True),
    ),
)  # fmt: skip
PROGRAMME_ITEMS = Layer(
    "programme_items",
    "none",
    "When and by which machine each item is built, in working order.",
    (
        t("item_id", "Item"),
        t("drain_id", "Drain"),
        t("machine", "Machine"),
        i("order_of_work", "", "Position in this machine's order", 1),
        f("hours", "h", "Machine hours with this machine", 0),
        t("start_date", "Day on which it is begun", empty=True),
        t("end_date", "Day on which it is finished", empty=True),
    ),
)
PROGRAMME_DAYS = Layer(
    "programme_days",
    "none",
    "The calendar: what each machine does on each day of work.",
    (
        t("machine", "Machine"),
        t("date", "Day, year-month-day"),
        t("drain_id", "Drain"),
        i("item_from", "", "First item of the day, by its position on the drain", 1),
        i("item_to", "", "Last item of the day, by its position on the drain", 1),
        f("hours", "h", "Working hours on this drain", 0),
        f("open_hours", "h", "Hours that the day has after the time lost to weather", 0),
    ),
)
TRIPS = Layer(
    "trips",
    "LineString",
    "Ways that the machines track between drains, from the access and back to it.",
    (
        t("machine", "Machine"),
        i("visit", "", "Position of the drain it leads to; the way out comes last", 1),
        t("from_drain", "Drain it leaves; empty for the access", empty=True),
        t("to_drain", "Drain it leads to; empty for the access", empty=True),
        f("travel_m", "m", "Length", 0),
        f("cost_m", "m", "Length as if on dry ground", 0),
        f("wet_m", "m", "Length over wet ground", 0),
        i("open_crossed", "drains", "Drains crossed that are not yet worked", 0),
        i("finished_crossed", "drains", "Finished drains crossed: there was no other way", 0),
        t("crossed", "Finished drains crossed, separated by ;", empty=True),
    ),
)
PHASES = Layer(
    "phases",
    "none",
    "Which drains are closed in which phase, for the money there is.",
    (
        t("drain_id", "Drain"),
        t("block", "Block that is closed as a whole", empty=True),
        i("phase", "", "Phase, 1 is the first; 0 = left over", 0),
        b("chosen", "Whether it is in any phase"),
        f("cost", "money", "Cost with its share of supervision and contingency", 0),
        f("area_m2", "m²", "Area rewetted", 0),
        g("carbon_t", "t", "Carbon kept; empty where it is not known", 0),
        g("flow_m3", "m³", "Flow held back; empty where it is not known", 0),
        f("benefit_ratio", "ratio", "Benefit as share of the whole site's, by the weights", 0, 1),
        g("benefit_per_money", "1/money", "Benefit ratio for each unit of money", 0),
        t("why", "Why it is where it is"),
    ),
)
BENEFIT_CURVE = Layer(
    "benefit_curve",
    "none",
    "The most benefit that each budget can buy.",
    (
        f("money", "money", "Budget", 0),
        f("cost", "money", "Cost of the best choice within it", 0),
        f("benefit_ratio", "ratio", "Benefit as share of the whole site's", 0, 1),
        f("bound_ratio", "ratio", "No choice can give more than this", 0),
        i("drains", "drains", "Drains closed", 0),
        b("proved", "Whether the choice is proved best"),
    ),
)
COST = Layer(
    "cost",
    "none",
    "Total cost with its range.",
    (
        t("figure", "What it is"),
        t("unit", "Unit"),
        f("p10", "unit", "One chance in ten of less", 0),
        f("p50", "unit", "As likely more as less", 0),
        f("p90", "unit", "One chance in ten of more", 0),
        f("mean", "unit", "Mean", 0),
        f("likely", "unit", "With every rate at its likely figure", 0),
    ),
)
COST_DRIVERS = Layer(
    "cost_drivers",
    "none",
    "What drives the range of the cost, the greatest first.",
    (
        t("driver", "Rate or quantity"),
        t("unit", "Unit"),
        f("low", "unit", "Low"),
        f("likely", "unit", "Likely"),
        f("high", "unit", "High"),
        f("cost_at_p10", "money", "Total with this at its P10 and all else likely", 0),
        f("cost_at_p90", "money", "Total with this at its P90 and all else likely", 0),
        f("swing", "money", "Difference of the two", 0),
        f("share_ratio", "ratio", "Share of the total's variance"),
    ),
)
SENSE = Layer(
    "cost_sense",
    "none",
    "Our cost beside published figures.",
    (
        t("basis", "What is compared"),
        t("unit", "Unit"),
        g("p10", "unit", "Ours, one chance in ten of less", 0),
        g("p50", "unit", "Ours, as likely more as less", 0),
        g("p90", "unit", "Ours, one chance in ten of more", 0),
        f("published_low", "unit", "Lowest published figure", 0),
        f("published_high", "unit", "Highest published figure", 0),
        t("published", "The published figures, with their sources"),
        t("verdict", "How ours lies to them", ("within", "below", "above", "not compared")),
        t("why", "Why, where it lies outside", empty=True),
    ),
)
QUANTITY_RANGES = Layer(
    "quantity_ranges",
    "none",
    "Range of each quantity that comes from how well the ground is known.",
    (
        t("scope", "What the row sums", ("drain", "site")),
        t("drain_id", "Drain", empty=True),
        t("quantity", "Quantity"),
        t("unit", "Unit"),
        f("low", "unit", "One chance in ten of less", 0),
        f("likely", "unit", "As laid out", 0),
        f("high", "unit", "One chance in ten of more", 0),
        t("why", "What the range rests on"),
    ),
)
PROGRAMME_SUMS = Layer(
    "programme_sums",
    "none",
    "What the programme comes to, beside a plain order: drains by name, straight from each to the "
    "next.",
    (
        t("figure", "What it is"),
        t("unit", "Unit", empty=True),
        g("ours", "unit", "In the order of this programme", 0),
        g("plain", "unit", "In the plain order, where it is known", 0),
        t("words", "What it says, in words", empty=True),
    ),
)
PROGRAMME_LOOKS = Layer(
    "programme_looks",
    "none",
    "What a person should look at in the programme: seasons, ways, access, what is left out.",
    (
        t("place", "Where", empty=True),
        t("found", "What was found"),
        t("allowed", "What is allowed"),
        t("fix", "What to do"),
    ),
)
PROGRAMME_LAYERS = {
    layer.name: layer
    for layer in (
        PROGRAMME, PROGRAMME_ITEMS, PROGRAMME_DAYS, TRIPS, PHASES, BENEFIT_CURVE, COST,
        COST_DRIVERS, SENSE, QUANTITY_RANGES, PROGRAMME_SUMS, PROGRAMME_LOOKS,
    )
}  # fmt: skip

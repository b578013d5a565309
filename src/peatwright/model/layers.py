"""Every layer of the site, with its columns."""

from __future__ import annotations

from peatwright.model.columns import Layer, b, f, g, i, t
from peatwright.model.found_layers import FOUND_DRAINS, FURROW_GROUND
from peatwright.model.ground_layers import GROUND_LAYERS
from peatwright.model.programme_layers import PROGRAMME_LAYERS
from peatwright.model.water_layers import WATER_LAYERS

SIDES = ("left", "right")
DAM_METHODS = ("wave dam", "peat dam", "timber dam", "stone dam", "piling dam")
RUN_METHODS = ("zip", "reprofile", "leave alone")
METHODS = (*DAM_METHODS, *RUN_METHODS)
ITEM_KINDS = ("dam", "zip", "spoil gap", "spoil break", "reprofile")
LIMIT_KINDS = (
    "heritage", "overhead line", "watercourse", "water supply", "buried service", "track",
    "boundary", "nest", "sett", "unexploded ordnance", "forest edge", "other",
)  # fmt: skip

# --- given, checked and in the site's CRS -------------------------------------------------------

GIVEN_DRAINS = Layer(
    "given_drains",
    "LineString",
    "Drain lines as given, one part a row.",
    (
        t("given_id", "File and row the line came from"),
        t("name", "Name in the given file", empty=True),
        t("kind", "Kind in the given file", empty=True),
    ),
)
BOUNDARY = Layer("boundary", "Polygon", "Site boundary as given.", (t("name", "Name", empty=True),))
PROBES = Layer(
    "probes",
    "Point",
    "Peat depth probes.",
    (t("given_id", "File and row"), f("peat_depth_m", "m", "Peat depth", 0, 20)),
)
HAND_DEPTHS = Layer(
    "hand_depths",
    "Point",
    "Drain depths measured by hand, from the shoulder to the firm bed.",
    (t("given_id", "File and row"), f("hand_depth_m", "m", "Depth by hand", 0, 10)),
)
LIMITS = Layer(
    "limits",
    "Polygon",
    "Ground that must not be touched: each given feature with the distance kept from it.",
    (
        t("given_id", "File and row"),
        t("name", "Name in the given file", empty=True),
        t("kind", "What it is", LIMIT_KINDS),
        f("distance_m", "m", "Distance kept, from the rule sheet", 0),
        t("why", "The rule behind the distance"),
    ),
)
FAULTS = Layer(
    "faults",
    "none",
    "Everything wrong with what was given.",
    (
        t("file", "File"),
        t("place", "Place in the file", empty=True),
        t("found", "What was found"),
        t("allowed", "What is allowed"),
        t("fix", "What to do"),
        t("severity", "stop or look", ("stop", "look")),
    ),
)

# --- measured -----------------------------------------------------------------------------------

DRAINS = Layer(
    "drains",
    "LineString",
    "Drains on their bed, each running from head to outfall.",
    (
        t("drain_id", "Stable id"),
        t("name", "Name in the given file", empty=True),
        t("given_ids", "Given lines it was made from, separated by ;"),
        t("head_node", "Node at the head"),
        t("outfall_node", "Node at the outfall"),
        t("flows_into", "Drain it joins, if any", empty=True),
        g("flows_into_chainage_m", "m", "Chainage on that drain", 0),
        t("outfall_kind", "Where it ends", ("junction", "watercourse", "edge", "open ground")),
        t("direction_from", "What the flow direction rests on", ("levels", "network", "as given")),
        f("direction_sure_ratio", "ratio", "How sure the direction is", 0, 1),
        f("length_m", "m", "Length", 0),
        g("fall_m", "m", "Bed level at the head less that at the outfall"),
        g("gradient_ratio", "m/m", "Mean bed gradient, positive downstream"),
        g("depth_m", "m", "Median depth", 0),
        g("top_width_m", "m", "Median width at the shoulders", 0),
        g("shift_mean_m", "m", "Mean sideways shift from the given line to the bed", 0),
        g("shift_max_m", "m", "Largest sideways shift", 0),
        f("unseen_m", "m", "Length over which no drain is visible", 0),
        f("unmeasured_m", "m", "Length over which nothing could be measured", 0),
        t("note", "What a person should know", empty=True),
    ),
)
NODES = Layer(
    "nodes",
    "Point",
    "Heads, junctions and outfalls of the drain network.",
    (
        t("node_id", "Id"),
        t("kind", "What it is", ("head", "junction", "outfall")),
        i("drains", "drains", "Drains that meet here", 1),
        g("level_m", "m", "Bed level"),
    ),
)
STATIONS = Layer(
    "stations",
    "Point",
    "Cross-sections of the drains. Left and right are as seen facing downstream.",
    (
        t("drain_id", "Drain"),
        f("chainage_m", "m", "Distance from the head along the drain", 0),
        f("bearing_deg", "°", "Direction downstream, clockwise from grid north", 0, 360),
        b("seen", "Whether a drain is visible here"),
        b("measured", "Whether the section could be measured"),
        t("unmeasured_why", "Why not", empty=True),
        g("bed_level_m", "m", "Bed level, corrected by hand depths where there are any"),
        g("airborne_bed_level_m", "m", "Bed level as the terrain model shows it"),
        g("bed_error_m", "m", "Standard error of the bed level", 0),
        g("left_level_m", "m", "Level of the left shoulder"),
        g("right_level_m", "m", "Level of the right shoulder"),
        g("left_offset_m", "m", "Distance from the bed to the left shoulder", 0),
        g("right_offset_m", "m", "Distance from the bed to the right shoulder", 0),
        g("depth_m", "m", "Lower shoulder above the corrected bed", 0),
        g("airborne_depth_m", "m", "Lower shoulder above the bed as the terrain shows it", 0),
        g("top_width_m", "m", "Width at the shoulders", 0),
        g("bottom_width_m", "m", "Width of the bed", 0),
        g("ground_level_m", "m", "Ground fitted outside the sag, at the drain's centre"),
        g(
            "sag_left_width_m",
            "m",
            "From the left shoulder out to where ground is sunk no more than measure.sag_depth_m "
            "or measure.sag_edge_ratio of the deepest, whichever is more: about two thirds of the "
            "way to wholly unsunk ground. Fitted over measure.sag_average_m of drain",
            0,
        ),
        g("sag_left_depth_m", "m", "Sinking at the left shoulder below unsunk ground", 0),
        g(
            "sag_right_width_m",
            "m",
            "From the right shoulder out to where ground is sunk no more than measure.sag_depth_m "
            "or measure.sag_edge_ratio of the deepest, whichever is more: about two thirds of the "
            "way to wholly unsunk ground. Fitted over measure.sag_average_m of drain",
            0,
        ),
        g("sag_right_depth_m", "m", "Sinking at the right shoulder below unsunk ground", 0),
        g("left_edge_level_m", "m", "Ground level at the left edge of the sag, spoil left out"),
        g("right_edge_level_m", "m", "Ground level at the right edge of the sag, spoil left out"),
        g("left_fall_m", "m", "Fall of the ground from the left sag edge outwards; + is away"),
        g("right_fall_m", "m", "Fall of the ground from the right sag edge outwards; + is away"),
        t("spoil_side", "Where old spoil lies", ("left", "right", "both", "none"), empty=True),
        g("spoil_left_height_m", "m", "Height of the left spoil bank above its foot", 0),
        g("spoil_left_width_m", "m", "Width of the left spoil bank", 0),
        g("spoil_right_height_m", "m", "Height of the right spoil bank above its foot", 0),
        g("spoil_right_width_m", "m", "Width of the right spoil bank", 0),
        g("cross_slope_ratio", "m/m", "Slope of fitted ground across the drain; + falls right"),
        t("downhill_side", "Lower side", ("left", "right", "level"), empty=True),
        g("bed_gradient_ratio", "m/m", "Smoothed bed gradient, positive downstream"),
        g("upslope_area_m2", "m²", "Ground that drains to this station", 0),
        g("peat_depth_m", "m", "Peat depth beside the drain, from probes", 0),
        g("peat_below_bed_m", "m", "Peat left below the bed; negative means cut into mineral"),
        g("peat_error_m", "m", "Standard error of the peat depth", 0),
        g("fit_rms_m", "m", "Root mean square misfit of the fitted ground", 0),
        g("fit_quality_ratio", "ratio", "Quality of the section, 1 is best", 0, 1),
        t("forbidden_why", "Why nothing may be built here", empty=True),
    ),
)

# --- laid ---------------------------------------------------------------------------------------

REACHES = Layer(
    "reaches",
    "LineString",
    "Stretches of drain with one method each.",
    (
        t("reach_id", "Id"),
        t("drain_id", "Drain"),
        f("from_m", "m", "Chainage of its upper end", 0),
        f("to_m", "m", "Chainage of its lower end", 0),
        f("length_m", "m", "Length", 0),
        t("method", "How it is closed", METHODS),
        t("why", "The rule that chose it, with the measured values that met it"),
    ),
)
ITEMS = Layer(
    "items",
    "LineString",
    "All things to build. A dam is drawn as its crest, a run along the drain, an outlet gap "
    "across the spoil.",
    (
        t("item_id", "Stable id"),
        t("drain_id", "Drain"),
        t("reach_id", "Reach"),
        i("order_on_drain", "", "Position on the drain, from the head", 1),
        t("kind", "What it is", ITEM_KINDS),
        t("method", "Method", METHODS),
        t("why", "Why it is here, in words an officer can repeat to an owner"),
        f("chainage_m", "m", "Chainage of its centre", 0),
        f("from_m", "m", "Chainage of its upper end", 0),
        f("to_m", "m", "Chainage of its lower end", 0),
        f("x_m", "m", "Easting of its centre"),
        f("y_m", "m", "Northing of its centre"),
        g("length_m", "m", "Length along the drain", 0),
        g("width_m", "m", "Width across the drain, in whole buckets for dams of peat", 0),
        g("buckets", "buckets", "Width in buckets", 0),
        g("dig_depth_m", "m", "How deep the bucket goes below the lower shoulder", 0),
        g("bed_level_m", "m", "Bed level at its centre"),
        g("crest_level_m", "m", "Crest level"),
        g("height_m", "m", "Crest above the bed", 0),
        g("crest_above_ground_m", "m", "Crest above the fitted ground at the drain"),
        g("key_m", "m", "Key into each side and the base", 0),
        g("pool_level_m", "m", "Level at which the pool spills at its outlet"),
        g("pool_depth_m", "m", "Depth of the pool at the dam", 0),
        g("pool_length_m", "m", "How far the pool reaches up the drain", 0),
        g("head_m", "m", "Pool level above the water or bed below the dam", 0),
        g("fill_m3", "m³", "Peat in the dam", 0),
        g("hollow_m3", "m³", "Peat dug from the bevelled hollow behind the dam", 0),
        t("outlet_side", "Side on which the pool spills, facing downstream", SIDES, empty=True),
        g("outlet_bearing_deg", "°", "Direction of the outlet, clockwise from grid north", 0, 360),
        g("outlet_x_m", "m", "Easting of the outlet"),
        g("outlet_y_m", "m", "Northing of the outlet"),
        g("outlet_level_m", "m", "Level of the outlet's sill"),
        g("outlet_fall_m", "m", "Fall of the ground beyond the outlet, away from the drain"),
        g("gap_width_m", "m", "Width of a gap through spoil", 0),
        g("gap_height_m", "m", "Height of spoil to be lowered", 0),
        g("gap_m3", "m³", "Spoil to be moved", 0),
        g("spacing_m", "m", "Distance to the next dam downstream on this drain", 0),
        t("spacing_rule", "The rule that governs the spacing here", empty=True),
        t("spacing_others", "What the other published rules would give here", empty=True),
        g("block_pairs", "pairs", "Pairs of blocks to zip, one from each side", 0),
        g("first_cut_m", "m", "Depth of the first cut", 0),
        g("second_cut_m", "m", "Depth of the second cut, further out", 0),
        g("zip_m3", "m³", "Peat moved into the drain", 0),
        t("note", "What a person should look at", empty=True),
    ),
)
QUANTITIES = Layer(
    "quantities",
    "none",
    "Counts, lengths, volumes, hours and cost by drain and method; the last rows sum the site.",
    (
        t("scope", "What the row sums", ("drain and method", "drain", "method", "site")),
        t("drain_id", "Drain", empty=True),
        t("method", "Method", empty=True),
        f("dams", "dams", "Number of dams", 0),
        f("zip_m", "m", "Length zipped", 0),
        f("reprofile_m", "m", "Length reprofiled", 0),
        f("left_m", "m", "Length left alone", 0),
        f("drain_m", "m", "Length of drain", 0),
        f("fill_m3", "m³", "Peat in dams", 0),
        f("zip_m3", "m³", "Peat moved in zipping", 0),
        f("spoil_m3", "m³", "Spoil moved at gaps and breaks", 0),
        f("timbers", "timbers", "Timbers", 0),
        f("stone_t", "t", "Stone", 0),
        f("piling_m2", "m²", "Piling", 0),
        f("hours_low", "h", "Machine hours, low", 0),
        f("hours", "h", "Machine hours, likely", 0),
        f("hours_high", "h", "Machine hours, high", 0),
        f("cost_low", "money", "Cost, low", 0),
        f("cost", "money", "Cost, likely", 0),
        f("cost_high", "money", "Cost, high", 0),
    ),
)
LAYERS = {
    layer.name: layer
    for layer in (
        GIVEN_DRAINS, BOUNDARY, PROBES, HAND_DEPTHS, LIMITS, FAULTS, FOUND_DRAINS,
        FURROW_GROUND, DRAINS, NODES, STATIONS,
        REACHES, ITEMS, QUANTITIES, *GROUND_LAYERS.values(), *PROGRAMME_LAYERS.values(),
        *WATER_LAYERS.values(),
    )
}  # fmt: skip

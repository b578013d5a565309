"""Layers of the water: spills of dams, their paths, storm flows and outfalls."""

from __future__ import annotations

from peatwright.model.columns import Layer, f, g, i, t
from peatwright.model.ground_layers import FINDINGS

SPILL_PLACES = ("outlet", "other side", "over its notch", "over the dam", "past the dam", "unknown")
PATH_ENDS = (
    "drain left open", "watercourse", "existing flow line", "edge of the terrain", "unknown",
)  # fmt: skip

SPILLS = Layer(
    "spills",
    "Point",
    "Every dam: what reaches it, what its outlet stands, where it spills and where that runs. "
    "Screening on a terrain model; a competent person decides.",
    (
        t("item_id", "Dam"),
        t("drain_id", "Drain"),
        t("method", "Method"),
        f("chainage_m", "m", "Chainage of the dam", 0),
        g("upslope_m2", "m²", "Ground that drains to it before the works", 0),
        g("upslope_low_m2", "m²", "The least, with the terrain moved within its error", 0),
        g("upslope_high_m2", "m²", "The greatest, with the terrain moved within its error", 0),
        t("range_from", "What the range rests on"),
        g("upslope_after_m2", "m²", "Ground that drains to its spill after the works", 0),
        t("place", "Where the routed water leaves the pool", SPILL_PLACES),
        g("spill_x_m", "m", "Easting of that place"),
        g("spill_y_m", "m", "Northing of that place"),
        g("spill_level_m", "m", "Level at which the pool spills on the terrain as built"),
        g("over_sill_m", "m", "That level above the sill of the outlet"),
        g("below_crest_m", "m", "That level below the crest"),
        t("path_end", "What the spilled water meets first", PATH_ENDS),
        g("over_bog_m", "m", "How far it travels over bog before that", 0),
        g("back_in_drain_m", "m", "Way after which it is in its own drain again; empty if not", 0),
        g("back_at_chainage_m", "m", "Chainage at which it is back", 0),
        t("back_into", "State of the drain there", ("open", "dammed", "closed"), empty=True),
        t("enters_drains", "Other drains that it crosses or enters, separated by ;", empty=True),
        g("return_period_years", "years", "Return period of the storm below", 1),
        g("flow_m3s", "m³/s", "Storm flow, greatest of the methods, to the ground before", 0),
        g("flow_low_m3s", "m³/s", "Low end over methods and catchment", 0),
        g("flow_high_m3s", "m³/s", "High end over methods and catchment", 0),
        t("flow_method", "Method that gives the greatest flow", empty=True),
        g("flow_after_m3s", "m³/s", "Storm flow to the ground that drains to its spill after", 0),
        g("outlet_width_m", "m", "Width over which it spills", 0),
        g("head_m", "m", "Head over the outlet, all water coming down the drain as before", 0),
        g("freeboard_m", "m", "Crest above the water then; below 0 it runs over the dam"),
        g("head_after_m", "m", "Head over the outlet with the water as routed after", 0),
        g("freeboard_after_m", "m", "Crest above the water then"),
        g("face_slope_ratio", "m/m", "Fall of the ground below the spill", 0),
        t("ground_below", "Ground that the spill runs over"),
        g("speed_mps", "m/s", "Speed below the outlet with the water as routed after", 0),
        g("shear_pa", "Pa", "Shear below the outlet with the water as routed after", 0),
        g("shear_stands_pa", "Pa", "Shear that this ground stands", 0),
    ),
)
SPILL_PATHS = Layer(
    "spill_paths",
    "LineString",
    "The way of each dam's water from its pool to the first channel.",
    (
        t("item_id", "Dam"),
        t("drain_id", "Drain"),
        t("place", "Where the water leaves the pool", SPILL_PLACES),
        t("path_end", "What it meets first", PATH_ENDS),
        f("over_bog_m", "m", "Way over bog", 0),
        f("upslope_after_m2", "m²", "Ground whose water it carries at the spill", 0),
    ),
)
SPILL_FLOWS = Layer(
    "spill_flows",
    "none",
    "Storm flow to every dam by every method, side by side, with the climate uplift.",
    (
        t("item_id", "Dam"),
        t("method", "Method"),
        f("return_period_years", "years", "Return period", 1),
        f("flow_m3s", "m³/s", "Peak flow", 0),
        f("low_m3s", "m³/s", "Low end of the method's own range", 0),
        f("high_m3s", "m³/s", "High end of the method's own range", 0),
        f("area_low_m3s", "m³/s", "Flow for the least catchment", 0),
        f("area_high_m3s", "m³/s", "Flow for the greatest catchment", 0),
        t("in_range", "Whether the method is meant for so small a catchment", ("yes", "no")),
    ),
)
OUTFALLS = Layer(
    "outfalls",
    "Point",
    "Outfalls of drains, and the open ground as a whole: whose water they carry.",
    (
        t("drain_id", "Drain that ends here; empty for the open ground", empty=True),
        f("before_m2", "m²", "Ground that drains here before", 0),
        f("after_m2", "m²", "Ground that drains here after", 0),
        f("lost_m2", "m²", "Ground whose water goes elsewhere after", 0),
        f("gained_m2", "m²", "Ground whose water came out elsewhere before", 0),
        t("gives_to", "Where most of the lost water goes", empty=True),
    ),
)
ARRIVALS = Layer(
    "arrivals",
    "Point",
    "Places at which more water arrives than before.",
    (
        t("kind", "What it arrives at"),
        t("name", "Its name", empty=True),
        f("before_m2", "m²", "Ground whose water arrived at the whole thing before", 0),
        f("after_m2", "m²", "Ground whose water arrives at the whole thing after", 0),
        f("more_here_m2", "m²", "Ground whose water arrives here and did not before", 0),
        f("flow_more_m3s", "m³/s", "Storm flow from so much ground, greatest of the methods", 0),
        i("order", "", "1 is the most", 1),
    ),
)
WATER_FINDINGS = Layer(
    "water_findings",
    "Point",
    "Findings of the water. They stand among all findings too, and are answered there.",
    FINDINGS.columns,
)
WATER_FIGURES = Layer(
    "water_figures",
    "none",
    "What becomes of the water of the site, before and after the works.",
    (
        t("figure", "What is told"),
        g("before", "see unit", "Before the works; empty where it has no sense"),
        g("after", "see unit", "After the works"),
        t("unit", "Unit of both", empty=True),
        t("words", "What to know about it", empty=True),
    ),
)
HYDROGRAPHS = Layer(
    "hydrographs",
    "none",
    "A storm run over the surface: flow over lines, before and after the works.",
    (
        t("line", "Line; `edges` is all that leaves the terrain"),
        f("time_s", "s", "End of the interval, from the start of the rain", 0),
        f("rain_mps", "m/s", "Rain in the interval", 0),
        f("before_m3s", "m³/s", "Mean flow before the works"),
        f("after_m3s", "m³/s", "Mean flow after the works"),
    ),
)
STORM_PEAKS = Layer(
    "storm_peaks",
    "none",
    "A storm run over the surface: peaks before and after. For this ground and this storm alone.",
    (
        t("line", "Line"),
        f("peak_before_m3s", "m³/s", "Peak before", 0),
        f("peak_after_m3s", "m³/s", "Peak after", 0),
        g("peak_change_ratio", "ratio", "Change of the peak over the peak before"),
        f("time_before_s", "s", "Time of the peak before", 0),
        f("time_after_s", "s", "Time of the peak after", 0),
        f("delay_s", "s", "Peak later by"),
        f("volume_before_m3", "m³", "Water that passed before"),
        f("volume_after_m3", "m³", "Water that passed after"),
        t("words", "The change in words, with the caution that goes with it"),
    ),
)
STORM_LINES = Layer(
    "storm_lines",
    "LineString",
    "Lines over which the flow of a storm was recorded.",
    (t("line", "Line"),),
)
WATER_LAYERS = {
    layer.name: layer
    for layer in (
        SPILLS,
        SPILL_PATHS,
        SPILL_FLOWS,
        OUTFALLS,
        ARRIVALS,
        WATER_FINDINGS,
        WATER_FIGURES,
        HYDROGRAPHS,
        STORM_PEAKS,
        STORM_LINES,
    )
}

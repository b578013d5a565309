"""Layers of the search: lines that the terrain shows, furrow ground."""

from __future__ import annotations

from peatwright.model.columns import Layer, b, f, g, i, t

FOUND_KINDS = ("drain", "roadside ditch", "natural channel", "furrow", "rut", "gully")
DECISIONS = ("accepted", "refused", "redrawn")

FOUND_DRAINS = Layer(
    "found_drains",
    "LineString",
    "Lines that the terrain shows, from head to outfall, for a person to accept or refuse.",
    (
        t("found_id", "Stable id"),
        t("kind", "What it probably is", FOUND_KINDS),
        f("confidence", "ratio", "Chance that it is there and of its kind", 0, 1),
        t("decision", "What a person decided", DECISIONS, empty=True),
        t("given_id", "Given drain line that it lies on, if any", empty=True),
        f("depth_m", "m", "Median depth of the trough", 0),
        f("width_m", "m", "Median width at half depth", 0),
        f("continuity_ratio", "ratio", "Share of its length over which it is seen", 0, 1),
        f("straightness_ratio", "ratio", "Straight distance over length, by stretches", 0, 1),
        f("length_m", "m", "Length", 0),
        i("beside_count", "lines", "Lines that run beside it", 0),
        g("fall_m", "m", "Bed level at the head less that at the outfall"),
        f("flow_sure_ratio", "ratio", "How sure the direction is", 0, 1),
        i("head_node", "", "Node at the head", 0),
        i("end_node", "", "Node at the outfall", 0),
        t("flows_into", "Line that it joins, if any", empty=True),
        b("too_wide_to_dam", "Whether it is too wide for a dam"),
        t("rests_on", "What the line rests on, in words"),
    ),
)
FURROW_GROUND = Layer(
    "furrow_ground",
    "Polygon",
    "Ground with parallel plough lines, as in felled plantations.",
    (
        t("found_id", "Stable id"),
        f("direction_deg", "°", "Direction of the furrows, clockwise from grid north", 0, 180),
        f("spacing_m", "m", "Distance between furrows", 0),
        f("area_m2", "m²", "Area", 0),
        f("confidence", "ratio", "Chance that it is furrow ground", 0, 1),
        t("rests_on", "What it rests on, in words"),
    ),
)
FOUND_LAYERS = {layer.name: layer for layer in (FOUND_DRAINS, FURROW_GROUND)}

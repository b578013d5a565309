"""The usual names of columns and of things to keep clear of, as files have them."""

from __future__ import annotations

import re
from collections.abc import Iterable

X = ("x", "easting", "eastings", "east", "e", "xcoord", "x_coord", "x_coordinate", "coord_x",
     "point_x", "grid_e", "osgb_e", "e_m", "rechtswert")  # fmt: skip
Y = ("y", "northing", "northings", "north", "n", "ycoord", "y_coord", "y_coordinate", "coord_y",
     "point_y", "grid_n", "osgb_n", "n_m", "hochwert")  # fmt: skip
LON = ("lon", "long", "lng", "longitude", "lon_dd", "long_dd", "longitude_dd")
LAT = ("lat", "latitude", "lat_dd", "latitude_dd")
WKT = ("wkt", "geom", "geometry", "the_geom", "shape", "wkt_geom")
LINE_ID = ("line_id", "line", "drain_id", "drain", "grip_id", "grip", "ditch_id", "ditch", "id",
           "name", "fid", "part", "track")  # fmt: skip
ORDER = ("order", "seq", "sequence", "vertex", "vertex_index", "vertex_id", "point_no", "point_nr",
         "nr", "no", "number", "index", "point", "point_id", "chainage")  # fmt: skip
NAME = ("name", "drain", "drain_name", "grip", "grip_name", "ditch", "label", "title", "id", "ref",
        "line_id")  # fmt: skip
KIND = ("kind", "type", "class", "category", "feature", "feature_type", "featuretype", "constraint",
        "constraint_type", "theme", "nogo", "what")  # fmt: skip
PEAT = ("peat_depth", "peatdepth", "depth_of_peat", "peat_thickness", "peat_d", "peat",
        "probe_depth", "probedepth", "probe", "depth", "thickness", "value")  # fmt: skip
HAND = ("hand_depth", "depth_by_hand", "drain_depth", "draindepth", "grip_depth", "ditch_depth",
        "measured_depth", "depth_to_bed", "bed_depth", "depth_dug", "depth", "value")  # fmt: skip
CATEGORY = ("category", "condition", "condition_category", "class", "state", "status", "kind",
            "type")  # fmt: skip
FROM_DAY = ("from_day", "from", "closed_from", "first_day", "first", "start", "start_day", "begin",
            "from_date", "start_date")  # fmt: skip
TO_DAY = ("to_day", "to", "closed_to", "last_day", "last", "end", "end_day", "until", "to_date",
          "end_date")  # fmt: skip
SPECIES = ("name", "species", "designation", "label", "title", "ref", "id")
VALUE = {"probes": PEAT, "depths": HAND}

UNITS = {
    "m": 1.0, "metre": 1.0, "metres": 1.0, "meter": 1.0, "meters": 1.0,
    "cm": 0.01, "centimetre": 0.01, "centimetres": 0.01, "centimeters": 0.01,
    "mm": 0.001, "millimetres": 0.001, "millimeters": 0.001,
    "dm": 0.1, "ft": 0.3048, "feet": 0.3048, "foot": 0.3048, "in": 0.0254, "inches": 0.0254,
}  # fmt: skip

# Names of layers that say what they hold.
LAYER_WORDS = {
    "drains": ("drain", "grip", "ditch", "line", "centreline"),
    "boundary": ("boundary", "site", "extent", "outline", "area"),
    "probes": ("probe", "peat", "depth"),
    "nogo": ("nogo", "no_go", "no-go", "constraint", "limit", "exclusion", "avoid"),
    "depths": ("depth", "hand", "staff"),
    "condition": ("condition", "category", "state"),
    "bare": ("bare", "erosion", "eroding"),
    "closed": ("closed", "season", "nest", "bird"),
}

KIND_WORDS = {
    "heritage": ("heritage", "archaeology", "archaeological", "monument", "scheduled", "cairn",
                 "historic", "listed", "antiquity", "barrow", "ruin", "sm", "her"),
    "overhead line": ("overhead", "powerline", "power line", "pylon", "electricity line", "ohl",
                      "transmission line", "telephone line", "wire", "cable overhead"),
    "water supply": ("water supply", "supply", "borehole", "well", "spring", "abstraction", "pws",
                     "intake", "water intake"),
    "buried service": ("buried", "service", "pipe", "pipeline", "water pipe", "cable",
                       "underground", "gas", "fibre", "sewer", "water main", "main"),
    "watercourse": ("watercourse", "burn", "river", "stream", "beck", "brook", "loch", "lake",
                    "lough", "pond", "pool", "water", "afon", "nant", "gill", "tarn"),
    "track": ("track", "road", "path", "footpath", "bridleway", "railway", "trackway", "way"),
    "boundary": ("boundary", "fence", "wall", "march", "march fence", "dyke", "hedge", "neighbour"),
    "nest": ("nest", "nests", "nesting", "eyrie", "raptor", "bird of prey"),
    "sett": ("sett", "badger", "badger sett", "den", "holt", "burrow"),
    "unexploded ordnance": ("unexploded ordnance", "uxo", "ordnance", "explosive", "range"),
    "forest edge": ("forest edge", "forest", "woodland", "plantation", "trees", "wood"),
    "other": ("other", "habitat", "wildlife", "species", "building", "house", "no go",
              "nogo", "mast", "turbine", "instrument", "dipwell", "plot"),
}  # fmt: skip


def plain_name(name: str) -> str:
    """Return a column name in lower case with single underscores."""
    return re.sub(r"[^0-9a-zà-ÿ]+", "_", name.strip().lower()).strip("_")


def split_unit(name: str) -> tuple[str, float | None]:
    """Return a column's plain name without its unit, and that unit in metres if it names one."""
    held = plain_name(name)
    stem, _, last = held.rpartition("_")
    if stem and last in UNITS:
        return stem, UNITS[last]
    glued = re.fullmatch(r"(.*depth|.*thickness)(cm|mm|m|ft)", held)
    if glued:
        return glued[1], UNITS[glued[2]]
    return held, None


def find(columns: Iterable[str], usual: Iterable[str]) -> str | None:
    """Return the column whose plain name comes first among the usual ones."""
    held = {plain_name(c): c for c in reversed(list(columns))}
    return next((held[u] for u in usual if u in held), None)


def find_value(columns: Iterable[str], usual: Iterable[str]) -> list[str]:
    """Return the columns that share the first usual name, unit aside: more than one is unclear."""
    columns = list(columns)
    for name in usual:
        found = [c for c in columns if split_unit(c)[0] == name]
        if found:
            return found
    return []


def kind_of(words: str) -> str | None:
    """Return which of the kinds of limit a text means, or None."""
    held = plain_name(words).replace("_", " ")
    if not held:
        return None
    for kind, known in KIND_WORDS.items():
        if held == kind or held in known:
            return kind
    # Longer phrases first, so that "water supply pipe" is not taken for water.
    phrases = sorted(
        ((w, kind) for kind, known in KIND_WORDS.items() for w in (kind, *known)),
        key=lambda p: -len(p[0]),
    )
    padded = f" {held} "
    return next((kind for w, kind in phrases if f" {w} " in padded or f" {w}s " in padded), None)

"""Making the invented site and writing it as ordinary given files."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import shapely
from numpy.typing import NDArray
from rasterio.transform import Affine
from scipy import ndimage

from peatwright.demo import DemoSite, mapped
from peatwright.demo.carve import (
    JUNCTION,
    OPEN,
    Channel,
    channel,
    cut,
    stations_table,
    track_on,
)
from peatwright.demo.figures import (
    BURN,
    CRS,
    NEIGHBOUR,
    OWNER,
    SEA_X_M,
    SEA_Y_M,
    SITE,
    Figures,
)
from peatwright.demo.ground import Frame, Land, frame_of, undrained, wander
from peatwright.demo.lines import BURN_ID, Plan, lay_out, metred

F64 = NDArray[np.float64]
F32 = NDArray[np.float32]

NODATA = -9999.0
FENCE_U = 0.925
NAMES = {BURN_ID: BURN}


def make(folder: Path, seed: int, scale: float) -> DemoSite:
    """Make the site and write its files; see `peatwright.demo.write_demo`."""
    figures = Figures()
    frame = frame_of(figures, scale)
    rng = np.random.default_rng(seed)
    land = undrained(rng, frame, figures)
    plans, track = lay_out(rng, frame, land.broad_m, figures)
    fence = _fence(frame)
    cairn = _cairn(plans)
    pipe = _pipe(frame)
    ground = _marks(land, fence, cairn, pipe)
    ground = track_on(frame, ground, track, 0.28, 1.9)
    channels = _channels(rng, plans, land, ground, figures, track)
    dtm = cut(frame, ground, channels, figures)
    dtm = _as_flown(rng, frame, dtm, figures, channels)

    folder.mkdir(parents=True, exist_ok=True)
    site = DemoSite(
        folder=folder,
        dtm=folder / "dtm.tif",
        drains=folder / "drains.gpkg",
        boundary=folder / "boundary.gpkg",
        probes=folder / "probes.csv",
        depths=folder / "depths.csv",
        nogo=folder / "nogo.gpkg",
        condition=folder / "condition.gpkg",
        bare=folder / "bare.gpkg",
        closed=folder / "closed.gpkg",
        readme=folder / "README.txt",
        truth=folder / "truth.gpkg",
        crs=CRS,
        noise_m=figures.noise_m,
        seed=seed,
        scale=scale,
    )
    _write_dtm(site.dtm, frame, dtm)
    _write_layer(site.drains, "drains", _drawn(rng, channels, figures))
    boundary = _boundary(frame, fence)
    _write_layer(site.boundary, "boundary", boundary)
    _write_layer(site.condition, "condition", mapped.condition(frame, boundary))
    _write_layer(site.bare, "bare", mapped.bare_peat(channels, boundary))
    _write_layer(site.closed, "closed", mapped.closed(frame))
    _probes(rng, frame, land, figures).to_csv(site.probes, index=False)
    table = stations_table(channels, NAMES)
    _hand_depths(rng, table, figures, scale).to_csv(site.depths, index=False)
    _write_layer(site.nogo, "nogo", _nogo(frame, channels, track, cairn, pipe))
    site.readme.write_text(_readme(), encoding="utf-8")
    site.truth.unlink(missing_ok=True)
    lines = gpd.GeoDataFrame(
        {
            "name": [NAMES.get(c.plan.name, c.plan.name) for c in channels],
            "kind": [c.plan.kind for c in channels],
            "system": [c.plan.system for c in channels],
            "runs_into": [NAMES.get(c.plan.into, c.plan.into) for c in channels],
            "given": [c.plan.given for c in channels],
            "length_m": [float(c.s_m[-1]) for c in channels],
        },
        geometry=[shapely.LineString(c.plan.xy) for c in channels],
        crs=CRS,
    )
    lines.to_file(site.truth, layer="centrelines", driver="GPKG", engine="pyogrio")
    points = gpd.GeoDataFrame(
        table, geometry=gpd.points_from_xy(table["x_m"], table["y_m"]), crs=CRS
    )
    points.to_file(site.truth, layer="stations", driver="GPKG", engine="pyogrio")
    return site


def _channels(
    rng: np.random.Generator,
    plans: list[Plan],
    land: Land,
    ground: F32,
    figures: Figures,
    track: F64,
) -> list[Channel]:
    done: dict[str, Channel] = {}
    for plan in plans:
        if plan.into and plan.into not in done:
            continue
        made = channel(rng, plan, land, ground, figures, done.get(plan.into), track)
        if made is not None:
            done[plan.name] = made
    out = []
    for c in done.values():
        # Where another channel's cross-section reaches, the shape is neither one's alone.
        receiver = done.get(c.plan.into)
        if receiver is not None:
            gap = np.hypot(*(c.plan.xy[:, None] - receiver.plan.xy[None, ::2]).transpose(2, 0, 1))
            mouth = gap.min(axis=1) < 0.5 * receiver.top_m.max() + 3.0
            c.state[mouth & (c.state == OPEN)] = JUNCTION
            for_receiver = gap[-1].argmin() * 2
            span = np.abs(receiver.s_m - receiver.s_m[for_receiver]) < 3.0
            receiver.state[span & (receiver.state == OPEN)] = JUNCTION
        out.append(c)
    return out


def _fence(frame: Frame) -> F64:
    v = np.linspace(-0.02, 1.02, 9)
    return metred(frame.xy(FENCE_U + 0.012 * (v - 0.5), v))


def _cairn(plans: list[Plan]) -> tuple[float, float]:
    """Place an old ring of stones beside a contour drain."""
    middle = [p for p in plans if p.system == "contour" and p.name.startswith("W")]
    line = middle[len(middle) // 2].xy
    x, y = line[int(len(line) * 0.4)]
    return float(x), float(y + 9.0)


def _pipe(frame: Frame) -> F64:
    u = np.linspace(-0.01, 1.01, 12)
    return metred(frame.xy(u, 0.185 - 0.05 * u + 0.01 * np.sin(5.0 * u)))


def _near_line(frame: Frame, line: F64, reach_m: float) -> tuple[slice, slice, F64]:
    """Distance from a nearly straight line, in the window that holds it."""
    x = SEA_X_M + (np.arange(frame.cols) + 0.5) * frame.cell_m
    y = SEA_Y_M + frame.height_m - (np.arange(frame.rows) + 0.5) * frame.cell_m
    low, high = line.min(axis=0) - reach_m, line.max(axis=0) + reach_m
    c = slice(int(np.searchsorted(x, low[0])), int(np.searchsorted(x, high[0])))
    r = slice(int(np.searchsorted(-y, -high[1])), int(np.searchsorted(-y, -low[1])))
    X, Y = x[c][None, :], y[r][:, None]
    if np.ptp(line[:, 0]) > np.ptp(line[:, 1]):
        mid = np.interp(x[c], line[:, 0], line[:, 1])
        lean = np.cos(np.arctan(np.gradient(mid, frame.cell_m)))
        away = (Y - mid[None, :]) * lean[None, :]
    else:
        order = np.argsort(line[:, 1])
        mid = np.interp(y[r], line[order, 1], line[order, 0])
        lean = np.cos(np.arctan(np.gradient(mid, frame.cell_m)))
        away = (X - mid[:, None]) * lean[:, None]
    return r, c, np.asarray(away, np.float64)


def _marks(land: Land, fence: F64, cairn: tuple[float, float], pipe: F64) -> F32:
    """Faint old marks: a trod beside the fence, the pipe's trench, a ring of stones."""
    frame = land.frame
    ground = land.ground_m.copy()
    r, c, away = _near_line(frame, fence, 6.0)
    ground[r, c] += (
        0.07 * np.exp(-((away / 0.5) ** 2)) - 0.08 * np.exp(-(((away + 1.7) / 0.6) ** 2))
    ).astype(np.float32)
    r, c, away = _near_line(frame, pipe, 5.0)
    ground[r, c] += (
        0.09 * np.exp(-((away / 0.7) ** 2)) - 0.06 * np.exp(-((np.abs(away) - 1.6) ** 2) / 0.3)
    ).astype(np.float32)
    x = SEA_X_M + (np.arange(frame.cols) + 0.5) * frame.cell_m - cairn[0]
    y = SEA_Y_M + frame.height_m - (np.arange(frame.rows) + 0.5) * frame.cell_m - cairn[1]
    cols, rows = np.abs(x) < 12.0, np.abs(y) < 12.0
    d = np.hypot(x[cols][None, :], y[rows][:, None])
    ring = 0.38 * np.exp(-(((d - 5.0) / 0.9) ** 2)) - 0.12 * np.exp(-((d / 3.0) ** 4))
    ground[np.ix_(rows, cols)] += ring.astype(np.float32)
    return ground


def _as_flown(
    rng: np.random.Generator, frame: Frame, dtm: F32, figures: Figures, channels: list[Channel]
) -> F32:
    """Add what flying and gridding add: correlated noise, holes, a ragged edge."""
    noise = rng.standard_normal(dtm.shape, dtype=np.float32)
    noise = ndimage.gaussian_filter(noise, figures.noise_length_cells, truncate=3.0)
    out = dtm + noise * np.float32(figures.noise_m / noise.std())
    # Ragged edge in the north-west, where the flight line ended.
    rows, cols = frame.rows, frame.cols
    depth = 14.0 + 9.0 * wander(rng, cols, 40.0 * frame.scale + 5.0) + 2.0 * wander(rng, cols, 3.0)
    depth = depth * frame.scale - 26.0 * frame.scale * np.linspace(0.0, 1.0, cols)
    lost = np.maximum(depth / frame.cell_m, 0.0).astype(int)
    out[np.arange(rows)[:, None] < lost[None, :]] = np.nan
    # Holes: standing water that returned nothing, one of them across a drain.
    drain = max(
        (c for c in channels if c.plan.kind == "drain" and c.plan.given), key=lambda c: c.s_m[-1]
    )
    on_drain = drain.plan.xy[int(0.55 * len(drain.plan.xy))]
    spots = [on_drain, *frame.xy(rng.uniform(0.06, 0.9, 6), rng.uniform(0.2, 0.9, 6))]
    for k, (x, y) in enumerate(spots):
        long = rng.uniform(1.6, 2.6) if k == 0 else rng.uniform(2.0, 6.0)
        wide = long * rng.uniform(0.5, 0.9)
        row = (SEA_Y_M + frame.height_m - y) / frame.cell_m
        col = (x - SEA_X_M) / frame.cell_m
        span = int(8.0 / frame.cell_m)
        r = np.arange(max(0, int(row) - span), min(rows, int(row) + span))
        c = np.arange(max(0, int(col) - span), min(cols, int(col) + span))
        dx = (c[None, :] - col) * frame.cell_m
        dy = (r[:, None] - row) * frame.cell_m
        turn = np.arctan2(dy, dx)
        edge = 1.0 + 0.18 * np.sin(3.0 * turn + k) + 0.1 * np.sin(7.0 * turn)
        window = out[r[0] : r[-1] + 1, c[0] : c[-1] + 1]
        window[np.hypot(dx / long, dy / wide) < edge] = np.nan
    return np.asarray(out, np.float32)


def _drawn(rng: np.random.Generator, channels: list[Channel], figures: Figures) -> gpd.GeoDataFrame:
    """Return lines as an officer draws them: few points, a little off, some the wrong way."""
    names, kinds, notes, shapes = [], [], [], []
    k = 0
    for c in channels:
        if not c.plan.given:
            continue
        xy = c.plan.xy
        n = len(xy)
        at = [0]
        while at[-1] < n - 24:
            at.append(at[-1] + int(rng.uniform(12.0, 34.0)))
        at = [*at[:-1], n - 1] if n - 1 - at[-1] < 8 and len(at) > 1 else [*at, n - 1]
        along = np.gradient(xy, axis=0)[at]
        along /= np.hypot(along[:, 0], along[:, 1])[:, None]
        normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
        # Errors of hand drawing keep to one side for some way, then cross over.
        size = rng.uniform(figures.drawn_off_low_m, figures.drawn_off_high_m, len(at))
        side = np.where(rng.random(len(at)) < 0.3, -1.0, 1.0)
        off = size * np.cumprod(side) * rng.choice([-1.0, 1.0])
        line = xy[at] + normal * off[:, None]
        # Ends: some fall short of the receiver, some touch it, the odd one overshoots.
        line[-1] = xy[-1] + along[-1] * rng.choice([0.0, 0.0, -0.6, -1.3, 0.5])
        line[0] += along[0] * rng.normal(0.0, 1.0)
        line = line.round(2)
        if k % 4 == 1:
            line = line[::-1]
        k += 1
        names.append(c.plan.name)
        kinds.append(c.plan.kind)
        notes.append(
            "eroding gully" if c.plan.kind == "gully" else "overgrown" if c.plan.old else ""
        )
        shapes.append(shapely.LineString(line))
    return gpd.GeoDataFrame({"name": names, "kind": kinds, "note": notes}, geometry=shapes, crs=CRS)


def _boundary(frame: Frame, fence: F64) -> gpd.GeoDataFrame:
    """Return the site's polygon: the fence in the east, the neighbour beyond it."""
    line = fence[(fence[:, 1] > SEA_Y_M) & (fence[:, 1] < SEA_Y_M + frame.height_m)][::50]
    inner = frame.xy(np.array([0.012, 0.015, 0.4, 0.7]), np.array([0.02, 0.972, 0.985, 0.98]))
    line = line[(line[:, 1] > SEA_Y_M + 0.02 * frame.height_m)]
    line = line[line[:, 1] < SEA_Y_M + 0.975 * frame.height_m]
    ring = np.concatenate([inner, line[::-1]])
    return gpd.GeoDataFrame(
        {"name": [SITE], "owner": [OWNER], "neighbour": [f"{NEIGHBOUR}, to the east"]},
        geometry=[shapely.Polygon(ring.round(2))],
        crs=CRS,
    )


def _probes(rng: np.random.Generator, frame: Frame, land: Land, figures: Figures) -> pd.DataFrame:
    """Peat depths: a 100 m grid and three transects at 10 m."""
    grid = figures.probe_grid_m
    xs = np.arange(SEA_X_M + 0.5 * grid, SEA_X_M + FENCE_U * frame.width_m, grid)
    ys = np.arange(SEA_Y_M + 0.5 * grid, SEA_Y_M + frame.height_m, grid)
    points = [np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)]
    notes = ["grid"] * len(points[0])
    for u, v, turn in ((0.20, 0.45, 1.3), (0.72, 0.80, 0.2), (0.28, 0.83, 2.8)):
        at = np.arange(-60.0, 61.0, figures.probe_offset_m) * max(min(frame.scale, 1.0), 0.4)
        middle = frame.xy(u, v)
        points.append(middle + at[:, None] * np.array([np.cos(turn), np.sin(turn)]))
        notes += ["transect"] * len(at)
    xy = np.concatenate(points)
    xy = xy + rng.normal(0.0, 1.2, xy.shape)
    depth = frame.sample(land.peat_m, xy) + rng.normal(0.0, 0.06, len(xy))
    return pd.DataFrame(
        {
            "Probe": [f"P{k:03d}" for k in range(1, len(xy) + 1)],
            "Easting": xy[:, 0].round(1),
            "Northing": xy[:, 1].round(1),
            "Peat_depth_m": np.maximum(depth, 0.05).round(2),
            "Note": notes,
        }
    )


def _hand_depths(
    rng: np.random.Generator, table: pd.DataFrame, figures: Figures, scale: float
) -> pd.DataFrame:
    """Dug depths measured with a staff at open stations of the drains."""
    ok = table[(table["kind"] == "drain") & (table["state"] == OPEN)]
    ok = ok[ok["chainage_m"] > 10.0]
    rows = ok.iloc[np.sort(rng.choice(len(ok), max(12, int(60 * scale)), replace=False))]
    depth = rows["depth_dug_m"].to_numpy() + rng.normal(0.0, figures.hand_error_m, len(rows))
    return pd.DataFrame(
        {
            "Point": [f"D{k:02d}" for k in range(1, len(rows) + 1)],
            "Easting": (rows["x_m"].to_numpy() + rng.normal(0.0, 0.25, len(rows))).round(2),
            "Northing": (rows["y_m"].to_numpy() + rng.normal(0.0, 0.25, len(rows))).round(2),
            "Depth_m": depth.round(2),
            "Drain": rows["drain"].to_numpy(),
        }
    )


def _nogo(
    frame: Frame,
    channels: list[Channel],
    track: F64,
    cairn: tuple[float, float],
    pipe: F64,
) -> gpd.GeoDataFrame:
    """Return what must be kept clear of."""
    burn = next(c for c in channels if c.plan.kind == "burn")
    angle = np.linspace(0.0, 2.0 * np.pi, 17)[:-1]
    ring = np.array(cairn) + 15.0 * np.stack([np.cos(angle) * 1.2, np.sin(angle)], axis=1)
    wire = frame.xy(np.array([-0.01, 0.33, 0.66, 1.01]), np.array([0.28, 0.42, 0.56, 0.70]))

    def clipped(line: F64, step: int) -> shapely.Geometry:
        keep = np.concatenate([line[::step], line[-1:]])
        box = shapely.box(SEA_X_M, SEA_Y_M, SEA_X_M + frame.width_m, SEA_Y_M + frame.height_m)
        return shapely.set_precision(shapely.intersection(shapely.LineString(keep), box), 0.01)

    rows = [
        ("heritage", "Stone ring (invented)", shapely.Polygon(ring.round(2))),
        ("overhead line", "33 kV line (invented)", clipped(wire, 1)),
        ("watercourse", BURN, clipped(burn.plan.xy, 6)),
        ("track", "Moss track (invented)", clipped(track, 10)),
        ("buried service", "Water pipe (invented)", clipped(pipe, 40)),
        ("water supply", "Spring box (invented)", shapely.Point(frame.xy(0.1, 0.05).round(1))),
    ]
    return gpd.GeoDataFrame(
        {"kind": [r[0] for r in rows], "name": [r[1] for r in rows]},
        geometry=[r[2] for r in rows],
        crs=CRS,
    )


def _write_layer(path: Path, layer: str, table: gpd.GeoDataFrame) -> None:
    path.unlink(missing_ok=True)
    table.to_file(path, layer=layer, driver="GPKG", engine="pyogrio")


def _write_dtm(path: Path, frame: Frame, dtm: F32) -> None:
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=frame.cols,
        height=frame.rows,
        count=1,
        dtype="float32",
        crs=CRS,
        nodata=NODATA,
        transform=Affine(frame.cell_m, 0.0, SEA_X_M, 0.0, -frame.cell_m, SEA_Y_M + frame.height_m),
        tiled=True,
        blockxsize=256,
        blockysize=256,
        compress="deflate",
        zlevel=1,
        predictor=3,
        num_threads=2,
    ) as out:
        out.write(np.where(np.isnan(dtm), np.float32(NODATA), dtm), 1)


def _readme() -> str:
    return f"""All of this is invented: no such place, owner, neighbour, drain or peat exists.

Site:      {SITE}
Owner:     {OWNER}
Neighbour: {NEIGHBOUR}, east of the fence

The coordinates ({CRS}) lie in the open sea, so that nobody takes the site for a real place.
Every level, depth and line was made by a computer from a seed. No survey, flight or person is
behind any of it, and nothing here says anything about real ground.

dtm.tif        ground levels, 0.5 m cells, with holes and a ragged edge
drains.gpkg    drain lines as drawn by hand: a little off, some drawn against the flow
boundary.gpkg  the site
probes.csv     peat depths, m
depths.csv     drain depths measured by hand, m, from the line between both shoulders to firm bed
nogo.gpkg      heritage, overhead line, burn, track, buried service
condition.gpkg condition of the ground as walked
bare.gpkg      bare peat
closed.gpkg    an area closed in spring and summer
truth.gpkg     the true drains and their cross-sections; kept for checking, never given to a run
"""

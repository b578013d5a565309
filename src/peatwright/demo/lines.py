"""Where the invented drains, gullies, burn and track run, before they are cut into the ground."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from peatwright.demo.figures import SEA_X_M, SEA_Y_M, Figures
from peatwright.demo.ground import Frame, burn_axis, wander

F64 = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Plan:
    """One channel to be cut: its line from head to outfall, about one point a metre.

    `into` names the channel it runs into. `gaps` are overgrown stretches as (from, to) in metres of
    chainage. `old` drains are shallow and overgrown.
    """

    name: str
    kind: str
    system: str
    xy: F64
    into: str = ""
    old: bool = False
    given: bool = True
    gaps: tuple[tuple[float, float], ...] = field(default=())


def chainage(xy: F64) -> F64:
    """Distance along a line from its first point, m."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])


def metred(xy: F64, step_m: float = 1.0) -> F64:
    """Return the line with points `step_m` apart as near as whole steps allow."""
    s = chainage(xy)
    at = np.linspace(0.0, s[-1], max(2, round(s[-1] / step_m) + 1))
    return np.stack([np.interp(at, s, xy[:, 0]), np.interp(at, s, xy[:, 1])], axis=1)


def eased(xy: F64, length_m: float) -> F64:
    """Round the corners of a metred line, keeping both ends."""
    ends = xy[[0, -1]]
    t = np.linspace(0.0, 1.0, len(xy))[:, None]
    chord = ends[0] * (1 - t) + ends[1] * t
    bend = ndimage.gaussian_filter1d(
        np.concatenate([-(xy - chord)[::-1], xy - chord, -(xy - chord)[::-1]]), length_m, axis=0
    )[len(xy) : 2 * len(xy)]
    bend[[0, -1]] = 0.0
    return metred(chord + bend)


def dug_by_eye(rng: np.random.Generator, xy: F64, leg_m: float, off_m: float) -> F64:
    """Return a line dug in straight legs by eye: kinks every `leg_m` or so, ends kept."""
    line = metred(xy)
    n = len(line)
    at = [0]
    while at[-1] < n - 1.5 * leg_m:
        at.append(at[-1] + int(leg_m * rng.uniform(0.7, 1.3)))
    nodes = line[[*at, n - 1]].copy()
    nodes[1:-1] += rng.normal(0.0, off_m, (len(nodes) - 2, 2))
    return eased(metred(nodes), 3.0)


def _heading(
    slopes: tuple[F64, F64], frame: Frame, xy: F64, grade: F64, side: float
) -> tuple[F64, F64]:
    """Unit direction that climbs at `grade` while keeping the hill on one side."""
    gx, gy = frame.sample(slopes[0], xy), frame.sample(slopes[1], xy)
    steep = np.maximum(np.hypot(gx, gy), 1e-6)
    up = np.stack([gx, gy], axis=-1) / steep[..., None]
    along = np.stack([-up[..., 1], up[..., 0]], axis=-1) * side
    sin = np.minimum(1.0, grade / steep)[..., None]
    return up * sin + along * np.sqrt(1.0 - sin**2), steep


def climb(
    frame: Frame, slopes: tuple[F64, F64], start: F64, grade: F64, side: float, steps: int
) -> F64:
    """Trace lines uphill at a steady gradient; shape (lines, steps + 1, 2), 2 m a step."""
    path = np.empty((len(start), steps + 1, 2))
    path[:, 0] = start
    for i in range(steps):
        here = path[:, i]
        first, _ = _heading(slopes, frame, here, grade, side)
        second, _ = _heading(slopes, frame, here + first, grade, side)
        path[:, i + 1] = here + 2.0 * second
    return path


def slopes_of(frame: Frame, broad_m: F64) -> tuple[F64, F64]:
    """East and north slope of the broad ground, smoothed over some tens of metres."""
    # A block mean and a light filter on the coarse grid cost less than one wide filter.
    k = 8
    r, c = broad_m.shape[0] // k, broad_m.shape[1] // k
    coarse = broad_m[: r * k, : c * k].reshape(r, k, c, k).mean(axis=(1, 3))
    coarse = ndimage.gaussian_filter(coarse, 12.0 / (k * frame.cell_m), mode="nearest")
    down, east = np.gradient(coarse, k * frame.cell_m)
    return east, -down


def coarse_frame(frame: Frame) -> Frame:
    """Return a frame whose cells are those of `slopes_of`."""
    k = 8
    return Frame(frame.scale, frame.cell_m * k, frame.rows // k, frame.cols // k)


def _inside(frame: Frame, xy: F64, u0: float, u1: float, v0: float, v1: float) -> NDArray[np.bool_]:
    u = (xy[..., 0] - SEA_X_M) / frame.width_m
    v = (xy[..., 1] - SEA_Y_M) / frame.height_m
    return (u > u0) & (u < u1) & (v > v0) & (v < v1)


def _overgrown(
    rng: np.random.Generator, length_m: float, chance: float
) -> tuple[tuple[float, float], ...]:
    """Pick overgrown stretches, away from both ends."""
    gaps = []
    at = rng.uniform(25.0, 90.0)
    while at < length_m - 30.0:
        long = rng.uniform(5.0, 20.0)
        if rng.random() < chance:
            gaps.append((at, at + long))
        at += long + rng.uniform(60.0, 160.0)
    return tuple(gaps)


def contour_system(
    rng: np.random.Generator, frame: Frame, broad_m: F64, figures: Figures, burn: F64
) -> list[Plan]:
    """Long drains slightly across the slope, falling to the burn from the west and the east."""
    slopes, coarse = slopes_of(frame, broad_m), coarse_frame(frame)
    plans: list[Plan] = []
    burn_v = (burn[:, 1] - SEA_Y_M) / frame.height_m
    sides = (("W", 1.0, 0.245, 0.66, 0.035), ("E", -1.0, 0.30, 0.47, 0.62))
    for letter, side, low_v, high_v, end_u in sides:
        count = max(2, int((high_v - low_v) * frame.height_m / figures.contour_spacing_m))
        at_v = np.linspace(low_v, high_v, count) + rng.normal(0.0, 0.08 / count, count)
        mouth = np.stack([np.interp(at_v, burn_v[::-1], burn[::-1, k]) for k in (0, 1)], axis=1)
        # The last stretch runs more steeply down the burn's bank.
        back_m = max(6.0, 20.0 * frame.scale)
        shoulder = mouth + np.array([-side * back_m, back_m * 0.35])
        grade = np.tan(
            np.radians(rng.uniform(figures.grade_low_deg, figures.grade_high_deg, count))
        )
        # Neighbours were set out together, so their gradients hardly differ.
        grade = ndimage.gaussian_filter1d(grade, 2.0, mode="nearest")
        steps = int(0.5 * frame.width_m / 2.0)
        paths = climb(coarse, slopes, shoulder, grade, side, steps)
        for k in range(count):
            end = end_u + rng.uniform(0.0, 0.05) * side
            inside = _inside(
                frame,
                paths[k],
                end if side > 0 else -1.0,
                2.0 if side > 0 else end,
                0.03,
                0.745,
            )
            stop = len(inside) if inside.all() else int(np.argmin(inside))
            if stop * 2.0 < 30.0:
                continue
            line = np.concatenate([paths[k, :stop][::-1], mouth[k : k + 1]])
            line = dug_by_eye(rng, line, 38.0, 0.35)
            number = count - k
            old = number % 6 == 4
            plans.append(
                Plan(
                    f"{letter}{number:02d}",
                    "drain",
                    "contour",
                    line,
                    into=BURN_ID,
                    old=old,
                    given=not (letter == "W" and number == 3),
                    gaps=_overgrown(rng, len(line), 0.9 if old else 0.3),
                )
            )
    return plans


BURN_ID = "BURN"


def herringbone(
    rng: np.random.Generator,
    frame: Frame,
    figures: Figures,
    letter: str,
    collector: F64,
    into: str,
    straight_m: float,
    reach_m: float,
) -> list[Plan]:
    """One collector with laterals on both sides along its first, straight, stretch."""
    main = dug_by_eye(rng, collector, 60.0, 0.3)
    plans = [Plan(f"{letter} main", "drain", "herringbone", main, into=into)]
    s0, s1 = 0.06 * straight_m, 0.96 * straight_m
    for side, tag in ((1.0, "L"), (-1.0, "R")):
        at = s0 + rng.uniform(0.0, 6.0) + (0.0 if side > 0 else 0.5 * figures.lateral_spacing_m)
        k = 1
        while at < s1:
            i = min(int(at), len(main) - 3)
            ahead = collector[1] - collector[0]
            ahead = ahead / np.hypot(*ahead)
            turn = np.radians(180.0 - side * (figures.lateral_angle_deg + rng.normal(0.0, 1.2)))
            c, s = np.cos(turn), np.sin(turn)
            away = np.array([ahead[0] * c - ahead[1] * s, ahead[0] * s + ahead[1] * c])
            length = reach_m * rng.uniform(0.8, 1.12)
            lateral = np.stack([main[i] + away * length, main[i]])
            line = dug_by_eye(rng, lateral, 45.0, 0.25)
            if _inside(frame, line[0], 0.02, 0.985, 0.02, 0.985):
                old = bool(rng.random() < 0.15)
                plans.append(
                    Plan(
                        f"{letter}-{tag}{k:02d}",
                        "drain",
                        "herringbone",
                        line,
                        into=f"{letter} main",
                        old=old,
                        gaps=_overgrown(rng, len(line), 0.8 if old else 0.2),
                    )
                )
            at += figures.lateral_spacing_m * rng.uniform(0.85, 1.15)
            k += 1
    return plans


def gullies(rng: np.random.Generator, frame: Frame, burn: F64) -> list[Plan]:
    """A gully with branches, eating back into the shoulder of the hill."""
    burn_v = (burn[:, 1] - SEA_Y_M) / frame.height_m
    mouth_v = 0.15
    mouth_u = (np.interp(mouth_v, burn_v[::-1], burn[::-1, 0]) - SEA_X_M) / frame.width_m
    trunk_uv = np.array(
        [
            (0.775, 0.560),
            (0.772, 0.50),
            (0.745, 0.43),
            (0.738, 0.36),
            (0.70, 0.29),
            (0.655, 0.235),
            (0.58, 0.195),
            (0.52, 0.165),
            (mouth_u, mouth_v),
        ]
    )

    def line_of(uv: F64, rough_m: float) -> F64:
        line = metred(frame.xy(uv[:, 0], uv[:, 1]))
        line = eased(line, 8.0 * frame.scale + 2.0)
        n = len(line)
        along = np.gradient(line, axis=0)
        normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
        fade = np.minimum(1.0, np.minimum(np.arange(n), np.arange(n)[::-1]) / 12.0)
        wave = (wander(rng, n, 7.0) + 0.45 * wander(rng, n, 2.5)) * rough_m * fade
        return metred(line + normal * wave[:, None])

    trunk = line_of(trunk_uv, 1.9)
    plans = [Plan("Gully main", "gully", "gully", trunk, into=BURN_ID)]
    v = (trunk[:, 1] - SEA_Y_M) / frame.height_m
    heads = (
        ("Gully a", (0.833, 0.553), (0.805, 0.50), 0.455),
        ("Gully b", (0.722, 0.542), (0.735, 0.51), 0.465),
        ("Gully c", (0.855, 0.455), (0.80, 0.425), 0.385),
        ("Gully d", (0.795, 0.40), (0.765, 0.36), 0.325),
        ("Gully e", (0.672, 0.41), (0.69, 0.36), 0.30),
    )
    for name, head, mid, join_v in heads:
        i = int(np.argmin(np.abs(v - join_v)))
        uv = np.array([head, mid])
        xy = np.concatenate([frame.xy(uv[:, 0], uv[:, 1]), trunk[i : i + 1]])
        u2 = (xy[:, 0] - SEA_X_M) / frame.width_m
        v2 = (xy[:, 1] - SEA_Y_M) / frame.height_m
        plans.append(
            Plan(
                name,
                "gully",
                "gully",
                line_of(np.stack([u2, v2], axis=1), 1.3),
                into="Gully main",
            )
        )
    return plans + _rills(rng, frame, plans)


def _rills(rng: np.random.Generator, frame: Frame, into: list[Plan]) -> list[Plan]:
    """Short side cuts that eat back from a gully's banks."""
    rills: list[Plan] = []
    for plan in into:
        at = rng.uniform(10.0, 25.0)
        while at < 0.75 * len(plan.xy):
            i = int(at)
            ahead = plan.xy[min(i + 5, len(plan.xy) - 1)] - plan.xy[max(i - 5, 0)]
            turn = np.radians(rng.choice([-1.0, 1.0]) * rng.uniform(105.0, 150.0))
            c, s = np.cos(turn), np.sin(turn)
            away = np.array([ahead[0] * c - ahead[1] * s, ahead[0] * s + ahead[1] * c])
            away *= rng.uniform(6.0, 16.0) / np.hypot(*away)
            elbow = plan.xy[i] + 0.5 * away + rng.normal(0.0, 1.0, 2)
            line = metred(np.stack([plan.xy[i] + away, elbow, plan.xy[i]]))
            name = f"Rill {len(rills) + 1:02d}"
            rills.append(Plan(name, "rill", "gully", line, into=plan.name, given=False))
            at += rng.uniform(14.0, 45.0) * (0.6 + 0.4 * frame.scale)
    return rills


def track_line(frame: Frame) -> F64:
    """Centre of the track, west to east, running out of the terrain at both ends."""
    u = np.linspace(-0.02, 1.02, 80)
    v = 0.088 + 0.012 * np.sin(7.0 * u + 0.5) + 0.006 * np.sin(17.0 * u)
    return metred(frame.xy(u, v))


def lay_out(
    rng: np.random.Generator, frame: Frame, broad_m: F64, figures: Figures
) -> tuple[list[Plan], F64]:
    """Return every channel, receivers before what runs into them, and the track's line."""
    burn = metred(burn_axis(frame))
    plans = [Plan(BURN_ID, "burn", "burn", burn, given=False)]
    plans += gullies(rng, frame, burn)

    burn_v = (burn[:, 1] - SEA_Y_M) / frame.height_m

    def collector(head: tuple[float, float], bend: tuple[float, float], mouth_v: float) -> F64:
        """From the head straight down the slope to the bend, then at a gentle fall to the burn."""
        run = frame.xy(np.array([head[0], bend[0]]), np.array([head[1], bend[1]]))
        goal = np.array([np.interp(mouth_v, burn_v[::-1], burn[::-1, k]) for k in (0, 1)])
        part = np.linspace(0.0, 1.0, 12)[1:, None]
        belly = np.sin(np.pi * part) * np.array([0.0, -0.01 * frame.height_m])
        return np.concatenate([run, run[1] + (goal - run[1]) * part + belly])

    a = collector((0.735, 0.955), (0.715, 0.70), 0.605)
    b = collector((0.215, 0.95), (0.235, 0.775), 0.70)
    for letter, line, reach_m in (("A", a, 0.115), ("B", b, 0.10)):
        straight_m = float(np.hypot(*(line[1] - line[0])))
        plans += herringbone(
            rng, frame, figures, letter, line, BURN_ID, straight_m, reach_m * frame.width_m
        )
    plans += contour_system(rng, frame, broad_m, figures, burn)
    plans += _lone_drains(rng, frame, burn)
    track = track_line(frame)
    return [*_apart(plans), *_ditches(frame, burn, track)], track


def _lone_drains(rng: np.random.Generator, frame: Frame, burn: F64) -> list[Plan]:
    """One drain under the track, one that leaves the site, and the neighbour's that takes it."""

    def line(u: tuple[float, ...], v: tuple[float, ...]) -> F64:
        return frame.xy(np.array(u), np.array(v))

    mouth = burn[int(np.argmin(np.abs(burn[:, 1] - SEA_Y_M - 0.028 * frame.height_m)))]
    south = np.concatenate([line((0.15, 0.21, 0.29), (0.225, 0.15, 0.075)), mouth[None]])
    beyond = line((0.962, 0.966, 0.958, 0.964), (0.78, 0.45, 0.2, -0.01))
    ditch = dug_by_eye(rng, beyond, 70.0, 0.3)
    join = ditch[int(0.24 * len(ditch))]
    east = np.concatenate([line((0.805, 0.88), (0.675, 0.64)), join[None]])
    return [
        Plan("S main", "drain", "lone", dug_by_eye(rng, south, 50.0, 0.3), into=BURN_ID),
        Plan("Neighbour", "drain", "neighbour", ditch, given=False),
        Plan("K01", "drain", "lone", dug_by_eye(rng, east, 50.0, 0.3), into="Neighbour"),
    ]


def _ditches(frame: Frame, burn: F64, track: F64) -> list[Plan]:
    """Roadside ditches along the track's upper side, from both sides to the burn."""
    along = np.gradient(track, axis=0)
    along /= np.hypot(along[:, 0], along[:, 1])[:, None]
    upper = track + 3.6 * np.stack([-along[:, 1], along[:, 0]], axis=1)
    gap = cKDTree(burn).query(upper)[0]
    meet = int(np.argmin(gap))
    reach = int(0.27 * frame.width_m)
    mouth = burn[int(np.argmin(np.hypot(*(burn - upper[meet]).T)))][None]
    west = np.concatenate([upper[max(0, meet - reach) : meet - 4], mouth])
    east = np.concatenate([upper[meet + 5 : meet + reach][::-1], mouth])
    return [
        Plan("Ditch west", "ditch", "track", metred(west), into=BURN_ID, given=False),
        Plan("Ditch east", "ditch", "track", metred(east), into=BURN_ID, given=False),
    ]


def _apart(plans: list[Plan]) -> list[Plan]:
    """Leave out drains that would run into or beside another before their outfall."""
    kept: list[Plan] = []
    for plan in plans:
        own = plan.xy[:-25:2]
        clear = True
        for other in kept:
            if plan.kind != "drain" or other.kind != "drain":
                continue
            # A lateral starts to be measured well away from its collector.
            far = plan.xy[:-12:2] if plan.into == other.name else own
            if len(far) and _gap(far, other.xy[::2]) < 8.0:
                clear = False
                break
        if clear:
            kept.append(plan)
    return kept


def _gap(a: F64, b: F64) -> float:
    """Least distance between two sets of points, m."""
    if (a.min(0) > b.max(0) + 20.0).any() or (b.min(0) > a.max(0) + 20.0).any():
        return 20.0
    near, _ = cKDTree(b).query(a, distance_upper_bound=20.0)
    return float(np.min(near, initial=20.0))

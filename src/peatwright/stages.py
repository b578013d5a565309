"""The chain: each stage reads from the site, calls pure code and commits what it made.

A stage is stale when the fingerprint of what it reads has changed. `run` brings the stale ones up
to date and nothing else.
"""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from peatwright import __version__
from peatwright.model.errors import Fault, GivenError, PeatwrightError
from peatwright.model.progress import Progress, silent
from peatwright.model.rules import Rules
from peatwright.site import lock, rule_sheet, said
from peatwright.site.folder import Site, given_fingerprint
from peatwright.site.store import Made, Store

if TYPE_CHECKING:
    import pandas as pd

    from peatwright.packs.info import PackInfo


@dataclass(frozen=True)
class Work:
    """What a stage is given to work with. `today` is a date in words, for the pack's pages;
    `cluster` the address of a Dask scheduler for work by tiles, or nothing.
    """

    site: Site
    store: Store
    rules: Rules
    progress: Progress
    today: str
    cluster: str


@dataclass(frozen=True)
class Stage:
    """One step of the chain.

    `rules` are the sections of the rule sheet that it reads, `after` the stages whose results it
    needs, `said` the kinds of what people said that it heeds, `revision` a number that we raise
    when the code gives other results for the same input.
    """

    name: str
    doing: str
    after: tuple[str, ...]
    rules: tuple[str, ...]
    said: tuple[str, ...]
    revision: int
    work: Callable[[Work], Made]


@dataclass(frozen=True)
class Told:
    """What became of one stage in a run."""

    stage: str
    fresh: bool
    report: dict[str, Any]


class UnknownStageError(PeatwrightError):
    """A stage was asked for that does not exist."""

    code = 2


NO_DRAINS = Fault(
    "drains", "", "no line was given and no found line is accepted", "at least one drain",
    "Look at the found lines (`peatwright found DIR`), then accept some "
    "(`peatwright accept DIR --above 0.8`), or give lines.",
)  # fmt: skip


def _take(at: Work) -> Made:
    from peatwright.site.take import take

    taken = take(at.site.given, at.rules, progress=at.progress)
    tables = {
        "given_drains": taken.given_drains,
        "boundary": taken.boundary,
        "probes": taken.probes,
        "hand_depths": taken.hand_depths,
        "limits": taken.limits,
        "faults": _fault_table(taken.faults),
        **taken.ground,
    }
    report = {"crs": taken.crs, "vertical": taken.vertical, "looks": len(taken.faults)}
    return Made(tables, {"dtm": taken.dtm}, report)


def _find(at: Work) -> Made:
    from peatwright.drains import decisions
    from peatwright.drains.find.found import keep_ids
    from peatwright.site.search import TILES_FOLDER, search
    from peatwright.site.windows import open_terrain

    state = at.store.states()["take"]
    terrain = open_terrain([at.store.made / state.rasters["dtm"]], "", at.rules)
    found = search(
        terrain, at.rules.find, at.store.made / TILES_FOLDER, fingerprint=state.fingerprint,
        cluster=at.cluster, progress=at.progress,
    )  # fmt: skip
    if "find" in at.store.states():
        found = keep_ids(found, at.store.table("found_drains"))
    decided = decisions.heard(said.heard(at.site.folder, "drain"))
    lines, furrows = decisions.layers(found, decided, at.store.table("given_drains"))
    report = {
        "noise_m": found.noise_m,
        "area_ha": found.area_ha,
        "by_kind": found.by_kind(),
        "faults": [fault.line() for fault in found.messages],
    }
    return Made({"found_drains": lines, "furrow_ground": furrows}, {}, report)


def _ground(at: Work) -> Made:
    from peatwright.ground.survey import survey

    made = survey(
        at.store.raster("dtm"), at.store.table("probes"), at.rules,
        limits=at.store.table("limits"), boundary=at.store.area("boundary"),
        drains=at.store.area("given_drains"), bare=at.store.area("given_bare"),
        progress=at.progress,
    )  # fmt: skip
    tables = {"probes_wanted": made.probes_wanted, "unstable": made.unstable}
    return Made(tables, made.rasters, made.report)


def _measure(at: Work) -> Made:
    from peatwright.drains.decisions import to_measure
    from peatwright.drains.measure import measure
    from peatwright.ground.stations import forbid_beside_limits, forbid_unstable

    previous = at.store.table("drains") if "measure" in at.store.states() else None
    lines = to_measure(at.store.table("given_drains"), at.store.table("found_drains"))
    if not len(lines):
        raise GivenError(NO_DRAINS)
    probed = "peat_depth" in at.store.states()["ground"].rasters
    measured = measure(
        at.store.raster("dtm"),
        lines,
        at.rules.measure,
        peat=(at.store.raster("peat_depth"), at.store.raster("peat_error")) if probed else None,
        probes=at.store.table("probes"),
        hand_depths=at.store.table("hand_depths"),
        limits=at.store.table("limits"),
        previous_drains=previous,
        progress=at.progress,
    )
    half_dam_m = 0.5 * at.rules.dam.bucket_m * at.rules.dam.buckets_usual_max
    stations = forbid_beside_limits(measured.stations, at.store.table("limits"), half_dam_m)
    if probed:
        factor = at.store.raster("factor_standing")
        stations = forbid_unstable(stations, factor, at.rules.stability)
    tables = {"drains": measured.drains, "nodes": measured.nodes, "stations": stations}
    report = dataclasses.asdict(measured.report)
    report["faults"] = [fault.line() for fault in measured.faults]
    rasters = {} if measured.upslope is None else {"upslope": measured.upslope}
    return Made(tables, rasters, report)


def _lay(at: Work) -> Made:
    from peatwright.works.lay import lay

    laid = lay(
        at.store.table("drains"), at.store.table("nodes"), at.store.table("stations"), at.rules,
        progress=at.progress,
    )  # fmt: skip
    report = {"faults": [fault.line() for fault in laid.faults]}
    return Made({"reaches": laid.reaches, "items": laid.items}, {}, report)


def _water(at: Work) -> Made:
    from peatwright.water.account import account

    store = at.store
    tables = {n: store.table(n) for n in ("drains", "stations", "items", "limits", "boundary")}
    probed = "peat_depth" in store.states()["ground"].rasters
    made = account(
        store.raster("dtm"), tables, at.rules,
        peat_depth=store.raster("peat_depth") if probed else None,
        bare=store.area("given_bare"), progress=at.progress,
    )  # fmt: skip
    return Made(made.tables, made.rasters, made.report)


def _price(at: Work) -> Made:
    from peatwright.site.pricing import priced

    made = priced(at.store, at.rules)
    at.progress(1.0, "priced")
    return made


def _programme(at: Work) -> Made:
    from peatwright.site.planning import programmed

    return programmed(at.store, at.rules, at.progress)


def _phases(at: Work) -> Made:
    from peatwright.site.planning import phased

    return phased(at.store, at.rules, at.site.folder, at.progress)


def pack_info(site: Site, store: Store, today: str) -> PackInfo:
    """Return what every page of a pack says of the site and the layout behind it."""
    from peatwright.packs.info import PackInfo

    states = store.states()
    latest = next((n for n in reversed(LAYOUT_STAGES) if n in states), "")
    return PackInfo(
        site_name=site.info.name,
        invented=site.info.invented,
        attribution=site.info.attribution,
        date=today,
        fingerprint=states[latest].fingerprint[:12] if latest else "",
        version=__version__,
    )


def _brief(at: Work) -> Made:
    from peatwright.packs.pack import write_pack
    from peatwright.site.pack_folder import PACK_FOLDER, replaced
    from peatwright.site.storming import STORM, STORM_LAYERS, kept_storm

    info = pack_info(at.site, at.store, at.today)
    tables = at.store.tables()
    states, storm = at.store.states(), kept_storm(at.store)
    surveyed = states["ground"]
    rasters = {n: at.store.raster(n) for n in surveyed.rasters if n in SHOWN_RASTERS}
    rasters |= {n: at.store.raster(n) for n in states["water"].rasters}
    if storm:
        rasters |= {n: at.store.raster(n) for n in states[STORM].rasters}
    else:
        # A storm that was run for another layout would mislead.
        tables = {n: t for n, t in tables.items() if n not in STORM_LAYERS}
    with replaced(at.site.folder) as folder:
        files = write_pack(
            folder, tables, at.store.raster("dtm"), at.rules, info, progress=at.progress,
            rasters=rasters, surveyed=surveyed.report, storm=storm, paper=at.rules.brief.paper,
            language=at.rules.brief.language, previous=at.site.folder / PACK_FOLDER,
        )  # fmt: skip
        names = [path.relative_to(folder).as_posix() for path in files]
    return Made(report={"files": names})


def _prove(at: Work) -> Made:
    import datetime as dt

    from peatwright.ground import findings, season, season_notes
    from peatwright.ground.condition import condition_of
    from peatwright.ground.prove import prove
    from peatwright.site import answers
    from peatwright.site.proving import standing

    store, rules = at.store, at.rules
    crs = store.states()["take"].report["crs"]
    ground = standing(store, rules)
    at.progress(0.4, "checking the layout on its ground")
    proved = prove(
        store.table("items"), store.table("drains"), ground.here, rules,
        unstable=ground.unstable, more_patches=ground.more_patches,
    )  # fmt: skip
    found = proved.all()
    at.progress(0.7, "mapping the condition of the ground")
    condition = condition_of(
        store.table("given_condition"), ground.whole, rules.condition, crs,
        reaches=store.table("reaches"), bare=ground.here.bare,
    )  # fmt: skip
    periods, first = ground.here.periods, dt.date.fromisoformat(at.today)
    given_answers = answers.table(at.site.folder)
    tables = {
        "findings": findings.merge(
            findings.together([findings.build(found, crs), store.table("water_findings")]),
            given_answers,
        ),
        "answers": given_answers,
        "condition": condition.polygons,
        "condition_faults": condition.wrong,
        "closed_periods": season.to_table(periods, ground.whole, crs),
        "working_windows": season_notes.all_windows(periods, first, rules.season),
    }
    at.progress(1.0, "proved")
    return Made(tables, {}, {"condition_m2": condition.area_m2, "windows_from": at.today})


LAYOUT_STAGES = ("measure", "lay", "price")
SHOWN_RASTERS = (
    "peat_depth", "peat_error", "peat_state", "factor_lowest", "factor_standing", "going",
)  # fmt: skip
TAKE_RULES = ("take", "limits", "condition")
GROUND_RULES = ("depth", "carbon", "stability", "bearing")
MEASURE_RULES = ("measure", "stability", "dam")
PROVE_RULES = ("condition", "overhead", "season", "bearing")
PROGRAMME_RULES = ("programme", "rates", "season", "stability")
PRICE_RULES = ("rates", "spread", "condition")
LAY_RULES = ("method", "spacing", "dam", "zip", "rates")
WATER_RULES = ("storm", "overflow", "spill", "water_table", "dam")
STAGES = (
    Stage("take", "reading and checking what is given", (), TAKE_RULES, (), 2, _take),
    Stage("find", "looking for drains", ("take",), ("find",), ("drain",), 1, _find),
    Stage("ground", "surveying the ground", ("take",), GROUND_RULES, (), 1, _ground),
    Stage("measure", "measuring the drains", ("find", "ground"), MEASURE_RULES, (), 2, _measure),
    Stage("lay", "laying out the works", ("measure",), LAY_RULES, (), 1, _lay),
    Stage("water", "following the water", ("lay",), WATER_RULES, (), 1, _water),
    Stage("prove", "proving the layout", ("water",), PROVE_RULES, ("answer",), 1, _prove),
    Stage("price", "pricing", ("lay",), PRICE_RULES, (), 2, _price),
    Stage(
        "programme", "planning the programme", ("price", "ground"), PROGRAMME_RULES, (), 1,
        _programme,
    ),
    Stage(
        "phases", "choosing phases", ("price",), ("budget", "rates", "condition"), ("phases",), 1,
        _phases,
    ),
    Stage(
        "brief", "making the pack", ("prove", "programme", "phases"), (), ("storm",), 2, _brief
    ),
)  # fmt: skip
STAGE_NAMES = tuple(stage.name for stage in STAGES)


def _fault_table(faults: tuple[Fault, ...]) -> pd.DataFrame:
    import pandas as pd

    from peatwright.model.columns import empty
    from peatwright.model.layers import FAULTS

    if not faults:
        return empty(FAULTS, "")
    return pd.DataFrame([dataclasses.asdict(fault) for fault in faults])


def _fingerprint(stage: Stage, upstream: str, rules: Rules, folder: Path) -> str:
    held = [(name, dataclasses.astuple(getattr(rules, name))) for name in stage.rules]
    heeded = [said.fingerprint(folder, kind) for kind in stage.said]
    facts = repr((stage.name, stage.revision, upstream, held, heeded))
    return hashlib.blake2b(facts.encode(), digest_size=16).hexdigest()


def fingerprints(site: Site, rules: Rules) -> dict[str, str]:
    """Return the fingerprint that each stage has when it is up to date."""
    given = given_fingerprint(site.given)
    prints: dict[str, str] = {}
    for stage in STAGES:
        upstream = " ".join(prints[name] for name in stage.after) or given
        prints[stage.name] = _fingerprint(stage, upstream, rules, site.folder)
    return prints


def stale(site: Site, store: Store, rules: Rules) -> list[str]:
    """Return the names of the stages that `run` would run, in order."""
    states = store.states()
    wanted = fingerprints(site, rules)
    return [
        name
        for name in STAGE_NAMES
        if name not in states or states[name].fingerprint != wanted[name]
    ]


def run(
    site: Site,
    *,
    today: str,
    to: str = STAGE_NAMES[-1],
    cluster: str = "",
    listen: Callable[[Stage], Progress] | None = None,
) -> Iterator[Told]:
    """Bring every stale stage up to `to` up to date, yielding after each.

    `listen` is asked for a progress for each stage that is about to run. Holds the site's lock
    for as long as the iteration lasts. Raises a `PeatwrightError`; what was complete stays.
    """
    if to not in STAGE_NAMES:
        raise UnknownStageError(
            Fault("--to", "", repr(to), ", ".join(STAGE_NAMES), "Name one of these stages.")
        )
    rules = rule_sheet.read(site.folder)
    store = Store(site.folder)
    with lock.held(site.folder):
        wanted = fingerprints(site, rules)
        for stage in STAGES[: STAGE_NAMES.index(to) + 1]:
            state = store.states().get(stage.name)
            if state is not None and state.fingerprint == wanted[stage.name]:
                yield Told(stage.name, False, dict(state.report))
                continue
            progress = listen(stage) if listen else silent
            made = stage.work(Work(site, store, rules, progress, today, cluster))
            crs = (
                made.report["crs"] if stage.name == "take" else store.states()["take"].report["crs"]
            )
            store.commit(stage.name, wanted[stage.name], made, crs)
            yield Told(stage.name, True, dict(made.report))

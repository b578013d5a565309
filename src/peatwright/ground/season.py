"""Closed periods by species, designation and area, and the working windows they leave."""

from __future__ import annotations

import calendar
import datetime as dt
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import geopandas as gpd
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from peatwright.ground.findings import Found, Where, source_words
from peatwright.model.cited import citations
from peatwright.model.columns import checked, empty
from peatwright.model.errors import Fault, GivenError
from peatwright.model.ground_layers import CLOSED_PERIODS, WORKING_WINDOWS
from peatwright.model.ground_rules import SeasonRules

CAUTION = (
    "Dates are usual ones, not the law of the place: birds breed in other weeks from year to year. "
    "Licences, consents and the ornithologist on site come first."
)
ONE_DAY = dt.timedelta(days=1)


@dataclass(frozen=True)
class Period:
    """Days of every year, both ends counted, on which work is closed in an area.

    Days are (month, day). If the last is before the first, the period crosses the year's end. 29
    February stands for the end of February in other years. `area` None is the whole site.
    `severity` is `stop` for closed and `look` for case by case.
    """

    name: str
    first: tuple[int, int]
    last: tuple[int, int]
    severity: str
    why: str
    area: BaseGeometry | None = None

    def spells(self, year: int) -> tuple[dt.date, dt.date]:
        """Return the first and last closed date of the period that starts in a year."""
        later = year + 1 if self.last < self.first else year
        return _date(year, self.first), _date(later, self.last)

    def closed(self, day: dt.date) -> bool:
        """Say whether a date lies in the period."""
        return any(a <= day <= b for a, b in map(self.spells, (day.year - 1, day.year)))

    def days_words(self) -> str:
        """Say the days, such as `1 April to 31 July`."""
        return " to ".join(f"{d} {calendar.month_name[m]}" for m, d in (self.first, self.last))


def _date(year: int, day: tuple[int, int]) -> dt.date:
    month, at = day
    return dt.date(year, month, min(at, calendar.monthrange(year, month)[1]))


def day_of(mmdd: int) -> tuple[int, int]:
    """Return (month, day) of month × 100 + day.

    Raises:
        GivenError: no such day.

    """
    month, day = divmod(mmdd, 100)
    if not 1 <= month <= 12 or not 1 <= day <= calendar.monthrange(2000, month)[1]:
        raise GivenError(
            Fault("season", "", str(mmdd), "month × 100 + day, such as 731 for 31 July", "Mend it.")
        )
    return month, day


def read_day(text: str, file: str = "closed periods", place: str = "") -> tuple[int, int]:
    """Return (month, day) of `MM-DD` or `YYYY-MM-DD`; the year is dropped.

    Raises:
        GivenError: anything else; `03/04` is refused since it is read in two ways.

    """
    held = re.fullmatch(r"(?:\d{4}-)?(\d{1,2})-(\d{1,2})", text.strip())
    if held:
        month, day = int(held[1]), int(held[2])
        if 1 <= month <= 12 and 1 <= day <= calendar.monthrange(2000, month)[1]:
            return month, day
    raise GivenError(
        Fault(file, place, repr(text), "month-day, such as 07-31", "Write it as month-day.")
    )


def default_periods(rules: SeasonRules, nests: Iterable[BaseGeometry] = ()) -> tuple[Period, ...]:
    """Return the closed periods of the rule sheet: the site for ground-nesting birds, and nests.

    Args:
        rules: season rules.
        nests: nests of birds of prey; around each, work is closed, and further out case by case.

    """
    cites = citations(SeasonRules)
    periods = [
        Period(
            "ground-nesting birds", day_of(rules.breeding_from_mmdd),
            day_of(rules.breeding_to_mmdd), "stop",
            f"season.breeding_from_mmdd: {source_words(cites['breeding_from_mmdd'])}; "
            f"season.breeding_to_mmdd: {source_words(cites['breeding_to_mmdd'])}",
        )
    ]  # fmt: skip
    held = list(nests)
    if held:
        first, last = day_of(rules.raptor_from_mmdd), day_of(rules.raptor_to_mmdd)
        whole = shapely.union_all(held)
        inner = shapely.buffer(whole, rules.raptor_none_m)
        outer = shapely.difference(shapely.buffer(whole, rules.raptor_look_m), inner)
        for name, severity, area, key in (
            ("birds of prey", "stop", inner, "raptor_none_m"),
            ("birds of prey, further off", "look", outer, "raptor_look_m"),
        ):
            periods.append(
                Period(
                    name, first, last, severity,
                    f"season.{key} = {getattr(rules, key):g}: {source_words(cites[key])}", area,
                )
            )  # fmt: skip
    return tuple(periods)


def to_table(periods: Sequence[Period], whole: BaseGeometry, crs: str) -> pd.DataFrame:
    """Return rows of `CLOSED_PERIODS`, one for each part of an area; `whole` is the site."""
    rows = [
        {
            "name": p.name, "from_day": f"{p.first[0]:02d}-{p.first[1]:02d}",
            "to_day": f"{p.last[0]:02d}-{p.last[1]:02d}", "severity": p.severity, "why": p.why,
            "geometry": part,
        }
        for p in periods
        for part in shapely.get_parts(p.area if p.area is not None else whole)
    ]  # fmt: skip
    if not rows:
        return empty(CLOSED_PERIODS, crs)
    return checked(gpd.GeoDataFrame(rows, geometry="geometry", crs=crs), CLOSED_PERIODS)


def from_table(
    table: gpd.GeoDataFrame, crs: str, file: str = "closed periods"
) -> tuple[Period, ...]:
    """Return the periods of rows of `CLOSED_PERIODS`.

    Raises:
        GivenError: another CRS, or days that cannot be read, all at once.

    """
    faults: list[Fault] = []
    if table.crs is None or not table.crs.equals(crs):
        said = table.crs.to_string() if table.crs is not None else "no CRS"
        faults.append(Fault(file, "", said, crs, "Bring the layer into the site's CRS."))
    periods = []
    for row, held in enumerate(table.itertuples(), start=1):
        try:
            days = [read_day(str(v), file, f"row {row}") for v in (held.from_day, held.to_day)]
        except GivenError as error:
            faults += error.faults
            continue
        periods.append(
            Period(
                str(held.name), days[0], days[1], str(held.severity), str(held.why), held.geometry
            )
        )
    if faults:
        raise GivenError(faults)
    return tuple(periods)


def touching(periods: Sequence[Period], shape: BaseGeometry | None) -> tuple[Period, ...]:
    """Return the periods that hold somewhere on a shape; of the whole site where it is None."""
    if shape is None:
        return tuple(p for p in periods if p.area is None)
    return tuple(p for p in periods if p.area is None or p.area.intersects(shape))


def working_windows(
    periods: Sequence[Period],
    first: dt.date,
    last: dt.date,
    rules: SeasonRules,
    *,
    shape: BaseGeometry | None = None,
    place: str = "the whole site",
) -> pd.DataFrame:
    """Return the spells from `first` to `last`, both counted, that no `stop` period closes.

    Args:
        periods: closed periods.
        first: first date looked at.
        last: last date looked at.
        rules: season rules; spells shorter than `shortest_window_days` are left out.
        shape: where the work is; None looks only at periods of the whole site.
        place: its name in the table.

    """
    held = [p for p in touching(periods, shape) if p.severity == "stop"]
    closed: dict[dt.date, str] = {}
    for p in held:
        for year in range(first.year - 1, last.year + 1):
            a, b = p.spells(year)
            day = max(a, first)
            while day <= min(b, last):
                closed.setdefault(day, p.name)
                day += ONE_DAY
    rows: list[dict[str, object]] = []
    start: dt.date | None = None
    day = first
    while day <= last + ONE_DAY:
        shut = day > last or day in closed
        if start is None and not shut:
            start = day
        elif start is not None and shut:
            days = (day - start).days
            if days >= rules.shortest_window_days:
                rows.append(
                    {
                        "place": place, "from_date": start.isoformat(),
                        "to_date": (day - ONE_DAY).isoformat(), "days": days,
                        "ends_for": closed.get(day, ""),
                    }
                )  # fmt: skip
            start = None
        day += ONE_DAY
    if not rows:
        return empty(WORKING_WINDOWS, "")
    return checked(pd.DataFrame(rows), WORKING_WINDOWS)


def season_findings(
    items: gpd.GeoDataFrame, periods: Sequence[Period], first: dt.date, last: dt.date
) -> list[Found]:
    """Check planned dates of work (both counted) against the closed periods.

    A period of the whole site gives one finding; one with an area gives one for each item in it.
    """
    found = []
    shapes = items.geometry.to_numpy()
    for p in periods:
        meets = [
            (max(a, first), min(b, last))
            for a, b in map(p.spells, range(first.year - 1, last.year + 1))
            if a <= last and b >= first
        ]
        if not meets:
            continue
        said = ", ".join(f"{a.isoformat()} to {b.isoformat()}" for a, b in meets)
        what = f"work planned {said}, closed for {p.name} from {p.days_words()}"
        to_do = (
            "Move the work to a working window, or have the birds looked for and the licence "
            "checked first. " + CAUTION
        )
        if p.area is None:
            found.append(
                Found(p.severity, "season", Where(), what, p.name, p.why, to_do, key=p.name)
            )
            continue
        hit = items[shapely.intersects(shapes, p.area)]
        for item, drain, x, y in zip(
            hit["item_id"], hit["drain_id"], hit["x_m"], hit["y_m"], strict=True
        ):
            where = Where(
                f"item {item} on drain {drain}", str(drain), str(item), float(x), float(y)
            )
            found.append(Found(p.severity, "season", where, what, p.name, p.why, to_do, key=p.name))
    return found

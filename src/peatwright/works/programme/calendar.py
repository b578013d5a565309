"""Days on which work can go on, and the passage from working hours to dates."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from peatwright.model.errors import Fault, RuleError
from peatwright.model.programme_rules import ProgrammeRules
from peatwright.works.sections import Floats, Ints

MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_LEAP = 2000  # any leap year, so that 29 February is a day
Dates = NDArray[np.datetime64]


@dataclass(frozen=True)
class Season:
    """A closed season from one month and day to another, both closed; it may cross the new year."""

    from_month: int
    from_day: int
    to_month: int
    to_day: int

    def closed(self, day: dt.date) -> bool:
        """Say whether a day lies in it."""
        first, last = (self.from_month, self.from_day), (self.to_month, self.to_day)
        now = (day.month, day.day)
        return first <= now <= last if first <= last else now >= first or now <= last

    def words(self) -> str:
        """Say it in words."""
        a, b = self.from_month, self.to_month
        return f"{self.from_day} {MONTHS[a - 1].title()} to {self.to_day} {MONTHS[b - 1].title()}"


@dataclass(frozen=True, eq=False)
class Calendar:
    """The N days of work in order.

    `hours` are those of each day after the time lost to weather, `begin` the working hours that
    have passed before it, `season` counts the open seasons from 1.
    """

    day: Dates
    hours: Floats
    begin: Floats
    season: Ints
    seasons: tuple[Season, ...]

    @property
    def total_h(self) -> float:
        """Working hours in all."""
        return float(self.hours.sum())

    def row_begun(self, clock_h: Floats) -> Ints:
        """Return the day (row) on which something begins; N when beyond the last."""
        out: Ints = np.searchsorted(self.begin + self.hours, clock_h + 1e-9, side="right")
        return out

    def row_ended(self, clock_h: Floats) -> Ints:
        """Return the day (row) on which something that takes time ends; N when beyond the last."""
        out: Ints = np.searchsorted(self.begin + self.hours, clock_h - 1e-9, side="left")
        return out

    def season_end_h(self, clock_h: float) -> float:
        """Return the working hour at which the open season of `clock_h` ends."""
        row = int(self.row_begun(np.array([clock_h]))[0])
        if row >= len(self.day):
            return self.total_h
        last = int(np.flatnonzero(self.season == self.season[row])[-1])
        return float(self.begin[last] + self.hours[last])

    def dates(self, rows: Ints) -> list[str]:
        """Return rows as year-month-day; empty when beyond the last day."""
        n = len(self.day)
        said = [str(d) for d in self.day]
        return [said[r] if 0 <= r < n else "" for r in rows]


def _day_fault(key: str, month: int, day: int) -> Fault | None:
    try:
        dt.date(_LEAP, month, day)
    except ValueError:
        return Fault("rules", f"programme.{key}", f"day {day} of month {month}",
            "a day that the month has", "Set a day that exists.")  # fmt: skip
    return None


def seasons(rules: ProgrammeRules) -> tuple[Season, ...]:
    """Return the closed seasons of the rules. Raises `RuleError` for days that do not exist."""
    found, faults = [], []
    for prefix in ("", "second_"):
        month = getattr(rules, f"{prefix}closed_from_month")
        if month == 0:
            continue
        s = Season(*(getattr(rules, f"{prefix}closed_{k}")
                     for k in ("from_month", "from_day", "to_month", "to_day")))  # fmt: skip
        faults += [
            _day_fault(f"{prefix}closed_from_day", s.from_month, s.from_day),
            _day_fault(f"{prefix}closed_to_day", s.to_month, s.to_day),
        ]
        found.append(s)
    real = [f for f in faults if f]
    if real:
        raise RuleError(real)
    return tuple(found)


def start(rules: ProgrammeRules) -> dt.date:
    """Return the day on which the work may begin. Raises `RuleError` if there is no such day."""
    try:
        return dt.date(rules.start_year, rules.start_month, rules.start_day)
    except ValueError:
        said = f"{rules.start_year}-{rules.start_month:02d}-{rules.start_day:02d}"
        fault = Fault("rules", "programme.start_day", said, "a day of the calendar",
            "Set a day that exists.")  # fmt: skip
        raise RuleError(fault) from None


def weather_loss(rules: ProgrammeRules) -> Floats:
    """Return the share of working time lost to weather in each month (12)."""
    return np.array([getattr(rules, f"weather_loss_{m}_ratio") for m in MONTHS])


def calendar(
    first: dt.date,
    rules: ProgrammeRules,
    hours_per_day: float,
    holidays: Collection[dt.date] = (),
) -> Calendar:
    """Return the days of work from `first` on, for `years_max` years.

    A day works when it is in the working week, is no holiday, lies in no closed season and has
    hours left after the weather of its month. The weather is a mean over years: each day gives its
    share. Raises `RuleError` for days that do not exist.
    """
    closed = seasons(rules)
    left = 1.0 - weather_loss(rules)
    free = frozenset(holidays)
    days, hours, number = [], [], []
    season, shut, any_open = 0, True, False
    for k in range(int(np.ceil(rules.years_max * 365.25))):
        try:
            day = first + dt.timedelta(days=k)
        except OverflowError:
            break
        if any(s.closed(day) for s in closed):
            shut = True
            continue
        if shut:
            # two closed seasons that touch make one gap; an open stretch without a working day
            # is no season
            season += 1 if any_open or season == 0 else 0
            shut, any_open = False, False
        if day.weekday() >= rules.days_per_week or day in free or left[day.month - 1] <= 0:
            continue
        any_open = True
        days.append(np.datetime64(day, "D"))
        hours.append(hours_per_day * left[day.month - 1])
        number.append(season)
    hour = np.array(hours, dtype=np.float64)
    return Calendar(
        np.array(days, dtype="datetime64[D]"),
        hour,
        np.concatenate([[0.0], np.cumsum(hour)[:-1]]) if len(hour) else hour,
        np.array(number, dtype=np.int64),
        closed,
    )


def no_day(held: Calendar, first: dt.date, rules: ProgrammeRules) -> Fault | None:
    """Say so when no day is left to work on, and why as far as it can be told."""
    if len(held.day):
        return None
    parts = [f"closed season {s.words()}" for s in held.seasons]
    parts.append(f"{rules.days_per_week} working days a week and the time lost to weather")
    return Fault(
        "rules",
        "programme",
        f"no day of work in {rules.years_max} years from {first.isoformat()}: {'; '.join(parts)}",
        "at least one open day",
        "Shorten the closed seasons or the time lost to weather; ask the site's adviser first.",
    )

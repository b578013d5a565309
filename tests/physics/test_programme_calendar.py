"""Days of work beside NumPy's business days, and closed seasons on both sides of the new year."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pytest

from peatwright.model.errors import RuleError
from peatwright.model.programme_rules import ProgrammeRules
from peatwright.works.programme import calendar as cal

DRY = {f"weather_loss_{m}_ratio": 0.0 for m in cal.MONTHS}
OPEN = ProgrammeRules(closed_from_month=0, **DRY)


def test_dry_days_without_closed_season_are_numpys_business_days() -> None:
    first = dt.date(2027, 2, 20)
    held = cal.calendar(first, dataclasses.replace(OPEN, years_max=1), 8.0)
    days = np.arange(np.datetime64(first), np.datetime64(first) + 366)
    assert np.array_equal(held.day, days[np.is_busday(days)])
    assert (held.hours == 8.0).all()
    assert (held.season == 1).all()


def test_holidays_are_numpys_too() -> None:
    free = [dt.date(2027, 3, 26), dt.date(2027, 3, 29)]
    held = cal.calendar(dt.date(2027, 3, 1), OPEN, 8.0, free)
    nth = np.busday_offset("2027-03-01", 25, holidays=[np.datetime64(d) for d in free])
    assert held.day[25] == nth


@pytest.mark.parametrize(
    ("season", "closed", "open_"),
    [
        (cal.Season(4, 1, 8, 31), [(4, 1), (6, 6), (8, 31)], [(3, 31), (9, 1), (1, 1)]),
        (cal.Season(11, 15, 2, 29), [(11, 15), (12, 31), (1, 1), (2, 29)], [(11, 14), (3, 1)]),
        (cal.Season(5, 5, 5, 5), [(5, 5)], [(5, 4), (5, 6)]),
    ],
)
def test_first_and_last_day_are_closed(season: cal.Season, closed: list, open_: list) -> None:
    assert all(season.closed(dt.date(2028, *d)) for d in closed)
    assert not any(season.closed(dt.date(2028, *d)) for d in open_)


def test_closed_season_over_the_new_year_parts_the_open_seasons() -> None:
    rules = dataclasses.replace(OPEN, closed_from_month=11, closed_from_day=1, closed_to_month=2,
        closed_to_day=28, years_max=3)  # fmt: skip
    held = cal.calendar(dt.date(2026, 9, 1), rules, 8.0)
    for year, season in ((2026, 1), (2027, 2), (2028, 3)):
        mine = held.day[held.season == season]
        assert mine[-1] == np.busday_offset(f"{year}-10-31", 0, roll="backward")
        if season > 1:
            # 2028 is a leap year, and 29 February lies after the last closed day
            first = f"{year}-02-29" if year == 2028 else f"{year}-03-01"
            assert mine[0] == np.busday_offset(first, 0, roll="forward")


def test_two_closed_seasons_that_touch_make_one_gap() -> None:
    rules = dataclasses.replace(OPEN, closed_from_month=4, closed_to_month=7, closed_to_day=31,
        second_closed_from_month=8, second_closed_to_month=9, second_closed_to_day=30,
        years_max=2)  # fmt: skip
    held = cal.calendar(dt.date(2027, 1, 1), rules, 8.0)
    assert set(held.season.tolist()) == {1, 2, 3}
    assert held.day[held.season == 2][0] == np.datetime64("2027-10-01")


def test_weather_takes_its_share_of_each_month() -> None:
    rules = dataclasses.replace(OPEN, weather_loss_jan_ratio=0.25, weather_loss_feb_ratio=1.0)
    held = cal.calendar(dt.date(2027, 1, 1), rules, 8.0)
    month = held.day.astype("datetime64[M]").astype(int) % 12 + 1
    assert (held.hours[month == 1] == 6.0).all()
    assert not (month == 2).any()
    assert (held.hours[month == 3] == 8.0).all()


def test_hours_become_days_by_hand() -> None:
    """Fridays 8 h each: hour 8 ends on the first day and begins on the second."""
    held = cal.calendar(dt.date(2027, 1, 1), OPEN, 8.0)
    assert held.dates(held.row_ended(np.array([8.0]))) == ["2027-01-01"]
    assert held.dates(held.row_begun(np.array([8.0]))) == ["2027-01-04"]
    assert held.dates(held.row_begun(np.array([0.0, 7.9, 41.0]))) == [
        "2027-01-01", "2027-01-01", "2027-01-08",
    ]  # fmt: skip
    assert held.dates(held.row_ended(np.array([held.total_h + 1.0]))) == [""]


@pytest.mark.parametrize(
    "changed",
    [
        {"closed_from_month": 1, "closed_from_day": 1, "closed_to_month": 12, "closed_to_day": 31},
        {f"weather_loss_{m}_ratio": 1.0 for m in cal.MONTHS},
        {"closed_from_month": 6, "closed_from_day": 2, "closed_to_month": 6, "closed_to_day": 1},
    ],
)
def test_no_day_left_is_said(changed: dict) -> None:
    rules = dataclasses.replace(OPEN, **changed)
    first = dt.date(2027, 1, 1)
    held = cal.calendar(first, rules, 8.0)
    fault = cal.no_day(held, first, rules)
    assert len(held.day) == 0
    assert fault is not None
    assert "no day of work" in fault.line()
    assert fault.severity == "stop"


@pytest.mark.parametrize(
    "changed",
    [
        {"closed_from_month": 4, "closed_from_day": 31},
        {"closed_from_month": 4, "closed_to_month": 2, "closed_to_day": 30},
    ],
)
def test_a_day_that_does_not_exist_is_refused(changed: dict) -> None:
    with pytest.raises(RuleError, match="a day that the month has"):
        cal.calendar(dt.date(2027, 1, 1), dataclasses.replace(OPEN, **changed), 8.0)


def test_a_start_that_does_not_exist_is_refused() -> None:
    with pytest.raises(RuleError, match="2027-02-29"):
        cal.start(ProgrammeRules(start_year=2027, start_month=2, start_day=29))


def test_published_closed_season_is_the_default() -> None:
    """Jobs in England finish by 31 March; nature.scot: breeding ends July, some August."""
    (season,) = cal.seasons(ProgrammeRules())
    assert not season.closed(dt.date(2027, 3, 31))
    assert season.closed(dt.date(2027, 4, 1))
    assert season.closed(dt.date(2027, 8, 15))

"""Days and times of a prescription: read from its words, due by them, counted by them."""

from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from formcheck.model.schedule import Schedule, planned_schedule, schedule_of

MONDAY = date(2025, 3, 3)


def days(*numbers: int) -> frozenset[date]:
    return frozenset(MONDAY + timedelta(days=n) for n in numbers)


def of(times: int = 1, weekdays=(), week=None, every: int = 1) -> Schedule:
    return Schedule(times_a_day=times, weekdays=weekdays, days_a_week=week, every_days=every)


@pytest.mark.parametrize(
    ("words", "schedule"),
    [
        ("", of()),
        ("once a day", of()),
        ("daily", of()),
        ("every morning", of()),
        ("twice a day", of(2)),
        ("2x/day", of(2)),
        ("3 x daily", of(3)),
        ("3x per day", of(3)),
        ("morning and evening", of(2)),
        ("in the morning, noon and evening", of(3)),
        ("10 times a day", of(10)),
        ("12x daily", of(12)),
        ("every other day", of(every=2)),
        ("on alternate days", of(every=2)),
        ("every third day", of(every=3)),
        ("every 2 days", of(every=2)),
        ("twice a day, every other day", of(2, every=2)),
        ("3 times a week", of(week=(3, 3))),
        ("three times weekly", of(week=(3, 3))),
        ("2-3 times a week", of(week=(2, 3))),
        ("5 days a week, twice a day", of(2, week=(5, 5))),
        ("once a week", of(week=(1, 1))),
        ("Mon, Wed, Fri", of(weekdays=(0, 2, 4))),
        ("Monday, Wednesday and Friday", of(weekdays=(0, 2, 4))),
        ("twice a day on Tuesdays and Sundays", of(2, weekdays=(1, 6))),
        ("weekdays", of(weekdays=(0, 1, 2, 3, 4))),
        ("Mon - Fri", of(weekdays=(0, 1, 2, 3, 4))),
        ("weekends", of(weekdays=(5, 6))),
        ("every Monday", of(weekdays=(0,))),
        ("each Monday and Thursday", of(weekdays=(0, 3))),
        ("from Monday to Friday", of(weekdays=(0, 1, 2, 3, 4))),
        ("Mon/Wed/Fri", of(weekdays=(0, 2, 4))),
        ("Monday to Saturday", of(weekdays=(0, 1, 2, 3, 4, 5))),
        ("Fri - Mon, twice a day", of(2, weekdays=(0, 4, 5, 6))),
        ("Mon, Wed to Fri", of(weekdays=(0, 2, 3, 4))),
        ("every day except Sunday", of(weekdays=(0, 1, 2, 3, 4, 5))),
        ("twice a day, but not on Wednesday and Sunday", of(2, weekdays=(0, 1, 3, 4, 5))),
        ("every day except for Sunday", of(weekdays=(0, 1, 2, 3, 4, 5))),
        ("daily except weekends", of(weekdays=(0, 1, 2, 3, 4))),
        ("weekdays except Fri", of(weekdays=(0, 1, 2, 3))),
        ("3 times a week: Mon, Wed, Fri", of(weekdays=(0, 2, 4), week=(3, 3))),
    ],
)
def test_days_and_times_are_read_from_the_words(words, schedule):
    assert schedule_of(words) == schedule


@pytest.mark.parametrize(
    "words",
    [
        "as tolerated",
        "when the knee feels warm",
        "8 times a week",
        "3 to 2 times a week",
        "3 times a week, every other day",
        "3 times a week: Mon, Wed",
        "Mondays, every other day",
        "once a month",
        "twice a day after food",
        "99 times a day",
        "0 times a day",
        "not every day",
        "every day except when it hurts",
        "Monday except Monday",
        "no exercise on Sunday",
        "every day, Sunday not",
        "daily, Sundays not",
        "3 times a week after work",
    ],
)
def test_words_that_say_something_else_are_not_guessed_at(words):
    assert schedule_of(words) is None


def test_what_is_understood_of_words_counts_all_the_same():
    assert planned_schedule("twice a day after food") == of(2)
    assert planned_schedule("3 times a week after work") == of(week=(3, 3))
    assert planned_schedule("Mondays in the gym") == of(weekdays=(0,))
    assert planned_schedule("as tolerated") == of()
    assert planned_schedule("99 times a day") == of()
    assert planned_schedule("3 times a week, every other day") == of(), "a contradiction"


@pytest.mark.parametrize(
    "words",
    [
        "no exercise on Sunday",
        "every day, Sunday not",
        "every day unless on Tuesday it hurts",
        "Monday when warm",
    ],
)
def test_days_among_words_that_are_not_understood_are_no_plan(words):
    # Before: due on Sundays, Tuesdays or Mondays alone.
    assert planned_schedule(words) == of()


def due(schedule: Schedule, done: frozenset[date], n_days: int = 14) -> list[int]:
    """The days of two weeks on which it is due, when what is due is never done but as given."""
    every = (MONDAY + timedelta(days=n) for n in range(n_days))
    return [(d - MONDAY).days for d in every if schedule.is_due(d, done, MONDAY)]


def test_named_days_are_due_and_the_rest_are_not():
    assert due(of(weekdays=(0, 2, 4)), days()) == [0, 2, 4, 7, 9, 11]
    assert of(weekdays=(0, 2, 4)).next_due(MONDAY, days(), MONDAY) == MONDAY + timedelta(days=2)


def test_so_many_days_a_week_are_due_until_they_are_done_and_then_not_before_monday():
    three = of(week=(3, 3))
    assert due(three, days(0, 1, 3)) == [0, 1, 2, 3, 7, 8, 9, 10, 11, 12, 13]
    assert three.next_due(MONDAY + timedelta(days=4), days(0, 1, 3), MONDAY) == (
        MONDAY + timedelta(days=7)
    )
    assert due(of(week=(2, 3)), days(0, 1), 7) == [0, 1, 2, 3, 4, 5, 6], "up to three"


def test_every_other_day_counts_from_the_day_it_was_last_done():
    assert due(of(every=2), days(0, 2, 5)) == [0, 2, 4, 5, 7, 8, 9, 10, 11, 12, 13]


def test_nothing_is_due_before_the_programme_begins():
    assert not of().is_due(MONDAY - timedelta(days=1), days(), MONDAY)


@pytest.mark.parametrize(
    ("schedule", "n_days", "n"),
    [
        (of(), 14, 14),
        (of(2), 14, 14),
        (of(every=2), 14, 7),
        (of(every=2), 13, 7),
        (of(week=(3, 3)), 14, 6),
        (of(week=(3, 3)), 4, 1),
        (of(week=(3, 3)), 2, 0),
        (of(week=(2, 3)), 7, 2),
        (of(weekdays=(0, 2, 4)), 14, 6),
        (of(weekdays=(0, 2, 4)), 3, 2),
        (of(), 0, 0),
    ],
)
def test_the_days_planned_are_counted_by_the_schedule(schedule, n_days, n):
    assert schedule.n_planned(MONDAY, MONDAY + timedelta(days=n_days - 1)) == n


@settings(max_examples=40, deadline=None)
@given(
    words=st.sampled_from(
        ["once a day", "every other day", "every 3 days", "2 times a week", "3 times a week",
         "Mon, Thu", "5 days a week", "weekends"]
    ),
    weeks=st.integers(1, 6),
)  # fmt: skip
def test_who_does_what_is_due_has_done_what_was_planned(words, weeks):
    """Day by day, whatever is due is done: over whole weeks as many days as planned."""
    schedule = planned_schedule(words)
    done: set[date] = set()
    for n in range(7 * weeks):
        day = MONDAY + timedelta(days=n)
        if schedule.is_due(day, frozenset(done), MONDAY):
            done.add(day)
    assert len(done) == schedule.n_planned(MONDAY, MONDAY + timedelta(days=7 * weeks - 1))

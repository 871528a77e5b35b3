"""Change against measurement error, and the criteria as facts."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from formcheck.evidence.progress import (
    CriteriaSettings,
    SessionFacts,
    SessionValue,
    between_days_standard,
    change_between,
    criteria,
    standing,
)
from formcheck.model.intervals import model_parts, near_straight_part

KNEE = "knee_flexion_peak_deg"


def _value(day: int, value: float, standard: float = math.nan) -> SessionValue:
    return SessionValue(day=day, value=value, between_standard=standard)


def test_the_clinics_own_test_retest_decides_before_anything_else():
    change = change_between(KNEE, _value(0, 80, 1), _value(20, 90, 1), mdc95=12.0)
    assert change.verdict == "within_error"
    assert change.smallest == 12.0
    assert "test-retest" in change.basis
    assert change_between(KNEE, _value(0, 80), _value(20, 93), 12.0).verdict == "larger_than_error"


def test_without_it_a_published_smallest_difference_is_taken():
    change = change_between("fppa_peak_deg", _value(0, 4), _value(7, 12))
    assert change.smallest == 8.93
    assert "Munro" in change.basis
    assert change.verdict == "within_error"


def test_a_published_smallest_difference_does_not_beat_wider_intervals_of_the_two_days():
    change = change_between("fppa_peak_deg", _value(0, 5, 9.0), _value(8, 15, 9.0))
    assert change.smallest == pytest.approx(1.96 * 9 * 2**0.5)
    assert change.verdict == "within_error"
    assert "intervals" in change.basis
    assert "Munro" in change.basis
    narrow = change_between("fppa_peak_deg", _value(0, 5, 2.0), _value(8, 15, 2.0))
    assert (narrow.smallest, narrow.verdict) == (8.93, "larger_than_error")


def test_without_either_the_two_intervals_decide():
    change = change_between(KNEE, _value(0, 80, 3.0), _value(7, 90, 4.0))
    assert change.smallest == pytest.approx(1.96 * 5)
    assert change.verdict == "larger_than_error"
    assert change_between(KNEE, _value(0, 80, 3.0), _value(7, 72, 4.0)).verdict == "within_error"


def test_without_any_error_nothing_is_said():
    assert change_between(KNEE, _value(0, 80), _value(7, 120)).verdict == "not_enough_information"
    missing = change_between(KNEE, _value(0, math.nan), _value(7, 120), 5.0)
    assert missing.verdict == "not_enough_information"


def test_a_measure_outside_the_vocabulary_is_refused():
    with pytest.raises(KeyError):
        change_between("knee_happiness", _value(0, 1), _value(1, 2), 1.0)


def test_nothing_is_taken_as_the_same_on_two_days_without_test_retest_recordings():
    parts = [*model_parts("knee_flexion"), near_straight_part(0)]
    own = next(p.standard for p in parts if p.kind == "own")
    shared = math.hypot(*(p.standard for p in parts if p.kind == "shared"))
    assert between_days_standard(parts) == pytest.approx(math.hypot(own, shared))
    assert between_days_standard(parts, n=9) == pytest.approx(math.hypot(own / 3, shared))


@given(st.floats(-50, 50), st.floats(0.1, 30))
def test_a_change_and_its_opposite_get_the_same_verdict(change, mdc):
    up = change_between(KNEE, _value(0, 80), _value(1, 80 + change), mdc)
    down = change_between(KNEE, _value(0, 80 + change), _value(1, 80), mdc)
    assert up.verdict == down.verdict


# Criteria

GOOD = SessionFacts(
    day=0,
    n_done=30,
    n_prescribed=30,
    pain=1,
    is_worse_next_morning=False,
    has_new_swelling=False,
    has_giving_way=False,
    effort=5,
    are_targets_met=True,
)


def _days(*sessions: SessionFacts, every: int = 2) -> list[SessionFacts]:
    return [replace(s, day=k * every) for k, s in enumerate(sessions)]


def _outcomes(sessions, settings=None) -> dict[str, str]:
    return {c.name: c.outcome for c in criteria(sessions, settings)}


def test_three_good_sessions_fulfil_progress():
    found = _outcomes(_days(GOOD, GOOD, GOOD, every=5))
    assert found["progress"] == "fulfilled"
    assert found["hold"] == "not_fulfilled"
    assert found["ease"] == "not_fulfilled"


def test_two_good_sessions_are_not_enough_information():
    assert _outcomes(_days(GOOD, GOOD))["progress"] == "not_enough_information"


def test_three_sessions_on_one_day_are_one_day():
    assert _outcomes([GOOD, GOOD, GOOD])["progress"] == "not_enough_information"


@pytest.mark.parametrize(
    "change",
    [
        {"n_done": 29},
        {"pain": 3},
        {"is_worse_next_morning": True},
        {"has_new_swelling": True},
        {"has_giving_way": True},
        {"are_targets_met": False},
    ],
)
def test_each_thing_that_fails_once_keeps_progress_from_being_fulfilled(change):
    assert _outcomes(_days(GOOD, replace(GOOD, **change), GOOD))["progress"] == "not_fulfilled"


@pytest.mark.parametrize(
    "name",
    [
        "n_done",
        "n_prescribed",
        "pain",
        "is_worse_next_morning",
        "has_new_swelling",
        "has_giving_way",
        "are_targets_met",
    ],
)
def test_each_thing_that_nobody_said_is_not_enough_information(name):
    unsaid = replace(GOOD, **{name: None})
    progress = criteria(_days(GOOD, GOOD, unsaid))[0]
    assert progress.outcome == "not_enough_information"
    assert any(f.holds is None and "not told" in f.text for f in progress.facts)


def test_effort_is_asked_about_only_where_a_clinician_set_a_limit():
    hard = [replace(GOOD, effort=9, day=n) for n in range(3)]
    assert criteria(hard)[0].outcome == "fulfilled"
    own = CriteriaSettings(progress_effort_most=6)
    assert criteria(hard, own)[0].outcome == "not_fulfilled"
    assert criteria([replace(d, effort=None) for d in hard], own)[0].outcome == (
        "not_enough_information"
    )


def test_only_the_last_sessions_count_for_progress():
    bad = replace(GOOD, pain=6)
    assert _outcomes(_days(bad, GOOD, GOOD, GOOD))["progress"] == "fulfilled"


@pytest.mark.parametrize(
    ("pain", "outcome"),
    [(2, "not_fulfilled"), (3, "fulfilled"), (5, "fulfilled"), (6, "not_fulfilled")],
)
def test_hold_is_pain_of_3_to_5_that_settles(pain, outcome):
    assert _outcomes(_days(replace(GOOD, pain=pain)))["hold"] == outcome


def test_pain_that_does_not_settle_is_no_hold():
    assert _outcomes([replace(GOOD, pain=4, is_worse_next_morning=True)])["hold"] == "not_fulfilled"


@pytest.mark.parametrize(
    "change",
    [
        {"pain": 6},
        {"is_worse_next_morning": True},
        {"has_new_swelling": True},
        {"has_giving_way": True},
    ],
)
def test_any_one_sign_fulfils_ease_even_when_the_rest_is_unknown(change):
    assert _outcomes([SessionFacts(day=3, **change)])["ease"] == "fulfilled"


def test_a_rise_from_week_to_week_fulfils_ease():
    low, high = replace(GOOD, pain=1), replace(GOOD, pain=3)
    assert _outcomes(_days(low, low, high, high, every=4))["ease"] == "fulfilled"
    assert _outcomes(_days(low, low, low, low, every=4))["ease"] == "not_fulfilled"


def test_nothing_known_is_not_enough_information_everywhere():
    assert set(_outcomes([]).values()) == {"not_enough_information"}


def test_the_defaults_can_be_changed_and_the_source_is_named():
    settings = CriteriaSettings(progress_sessions=2, progress_pain_most=3)
    sessions = _days(replace(GOOD, pain=3), replace(GOOD, pain=3), every=9)
    assert _outcomes(sessions, settings)["progress"] == "fulfilled"
    assert _outcomes(sessions)["progress"] != "fulfilled"
    assert all("pain-monitoring" in c.source for c in criteria(sessions))


@pytest.mark.parametrize(
    ("sessions", "stands"),
    [
        ((), "hold"),
        ((GOOD, GOOD), "hold"),
        ((GOOD, GOOD, GOOD), "progress"),
        ((GOOD, GOOD, replace(GOOD, pain=None)), "hold"),
        ((GOOD, GOOD, replace(GOOD, pain=4)), "hold"),
        ((GOOD, GOOD, replace(GOOD, pain=7)), "ease"),
        ((GOOD, GOOD, replace(GOOD, is_worse_next_morning=True)), "ease"),
    ],
)
def test_it_is_hold_unless_the_facts_say_otherwise(sessions, stands):
    assert standing(criteria(_days(*sessions))) == stands

"""The patient's pages, asked as a browser asks: list, questions, ticks, result, live socket."""

import hashlib
import json
import re
import struct
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from builders import Motion, build_report
from clinic_cases import (
    VIDEO_HEAD,
    clinic_results,
    day_before,
    measured_set,
    new_clinic,
    new_patient,
    new_set,
    prescription_text,
)
from web_cases import running_site

from formcheck.clinic import answers, jobs
from formcheck.clinic.database import change, today
from formcheck.clinic.exchange import pack_plan
from formcheck.clinic.follow_up import FollowUp, MeasureSeries, Point
from formcheck.clinic.patients import current_prescription, save_prescription
from formcheck.clinic.plan_kept import history_of
from formcheck.clinic.sets import SetMean, find_set, sets_of
from formcheck.clinic.today import DayDone, change_words, next_open, recording_plan, todays_list
from formcheck.clinic.uploads import find_upload, open_uploads
from formcheck.files.exercises import list_exercises, load_exercise
from formcheck.files.question_rules import shipped_questions_text
from formcheck.files.schema import parse_questions
from formcheck.model.programme import Bound
from formcheck.model.records import AssessedRepetition, Check, Finding, Remark, Report
from formcheck.model.schedule import WEEKDAYS
from formcheck.web.patient.pages import weeks_done
from formcheck.web.patient.progress import HEIGHT, WIDTH, measured_progress
from formcheck.words.patient_result import THINGS_TO_TRY, best_repetition, patient_result

pytest.importorskip("starlette")

NOBODY = "Nobody is watching this recording and nobody is alerted."
SQUAT = "/my/do/squat/both/1"
QUESTIONS = parse_questions(shipped_questions_text(), "questions")
PAGES = {name: g.id for g in QUESTIONS.asked("day") for name in g.questions}
AFTER = {"pain_during": "2", "pain": "1", "effort": "4", "none": "yes"}


@pytest.fixture
def site(tmp_path):
    clinic = new_clinic(tmp_path)
    with running_site(clinic) as running:
        running.own = new_patient(clinic)
        yield running
    clinic.close()


@pytest.fixture
def patient(site):
    return site.patient(site.own.id)


def told(answer) -> str:
    """A page's words without its tags."""
    text = re.sub(r"<(script|style)\b.*?</\1>", "", answer.text, flags=re.S)
    return " ".join(re.sub(r"<[^>]+>", " ", text).split())


def a_day(prescription, sets=(), ticks=()):
    exercises = [load_exercise(line.exercise) for line in prescription.exercises]
    return todays_list(prescription, exercises, sets, ticks)


@pytest.fixture
def prescription(site):
    return current_prescription(site.clinic, site.own.id).record()


# -- today's list


def test_the_list_holds_every_set_of_every_side_and_says_which_to_film(prescription):
    squat, wall_sit, leg_raise = a_day(prescription)
    assert [(s.number, s.side, s.view) for s in squat.sets] == [
        (1, "both", "sagittal"),
        (2, "both", "frontal"),
        (3, "both", None),
    ]
    assert [s.view for s in wall_sit.sets] == ["sagittal", None]
    # Three sets for each leg, twice a day; the first of each round is filmed.
    assert len(leg_raise.sets) == 12
    assert [s.number for s in leg_raise.sets if s.view] == [1, 1, 4, 4]
    assert [len(r) for r in leg_raise.rounds] == [6, 6]


def test_one_leg_work_for_both_is_a_set_for_each_leg_and_two_leg_work_is_one(prescription):
    line = replace(prescription.exercises[2], sides=("both",), frequency="")
    whole = replace(prescription, exercises=(line,))
    assert [s.side for s in a_day(whole)[0].sets] == ["left", "right"] * 3


def test_nothing_recorded_is_open_and_never_not_done(site, prescription):
    day = a_day(prescription)
    assert {s.state for of in day for s in of.sets} == {"open"}
    answers.tick(
        site.clinic,
        site.own.id,
        exercise="squat",
        side="both",
        set_number=2,
        kind="not done",
        reason="pain",
    )
    answers.tick(site.clinic, site.own.id, exercise="squat", side="both", set_number=3, kind="done")
    new_set(site.clinic, site.own, side="both")
    squat = a_day(
        prescription, sets_of(site.clinic, site.own.id), answers.ticks_of(site.clinic, site.own.id)
    )[0]
    assert [(s.state, s.reason) for s in squat.sets] == [
        ("recorded", ""),
        ("not done", "pain"),
        ("done", ""),
    ]
    assert squat.is_over


def test_a_day_that_is_none_of_the_plans_shows_nothing_due(site, patient, prescription):
    """Mondays only, on any other day; and the day after an every-other-day exercise was done."""
    other_day = WEEKDAYS[(today().weekday() + 3) % 7]
    text = prescription_text().replace('"once a day"', f'"{other_day}s"', 1)
    text = text.replace('"once a day"', '"every other day"').replace(
        '"twice a day"', '"3 x a week"'
    )
    save_prescription(site.clinic, site.own, text, "M.T.")
    answers.tick(
        site.clinic,
        site.own.id,
        exercise="wall_sit",
        side="both",
        set_number=1,
        kind="done",
        day=day_before(1),
    )
    page = told(patient.get("/my"))
    squat, wall_sit = page.index("Squat"), page.index("Wall sit")
    assert f"Not due today: a day of rest. Next on {other_day}." in page[squat:wall_sit]
    assert "Not due today: a day of rest. Next on" in page[wall_sit:]
    assert "This week: 0 of 3 days done so far." in page
    day = todays_own(site)
    assert [of.is_due for of in day] == [False, False, True]
    assert next_open(day, day[2].sets[-1]).exercise == "straight_leg_raise"
    assert patient.get(SQUAT).status in (200, 303), "who wants to can do it all the same"


def test_on_a_day_of_rest_nothing_is_due_and_nothing_is_over(site, patient):
    other_day = WEEKDAYS[(today().weekday() + 3) % 7]
    text = re.sub(r'frequency = "[^"]*"', f'frequency = "{other_day}"', prescription_text())
    save_prescription(site.clinic, site.own, text, "M.T.")
    page = told(patient.get("/my"))
    assert "Nothing is due today. More is not better." in page
    assert "Done for today" not in page


def with_load(site, kg: float = 4) -> None:
    text = prescription_text().replace("load_kg = 0", f"load_kg = {kg}")
    save_prescription(site.clinic, site.own, text, "M.T.")


def test_the_weight_is_asked_for_and_kept_as_it_was_used(site, patient):
    """Ticked off: no default stands in the field, and the plan is not taken for the answer."""
    with_load(site)
    about = {"exercise": "squat", "side": "both", "number": "1", "kind": "done"}
    page = patient.get("/my").text
    assert "Weight used, kg" in page
    field = re.search(r'<input id="load-squat-both1"[^>]*>', page)[0]
    assert 'value=""' in field
    assert "required" in field
    for wrong, says in (("", "Write the weight that you used"), ("900", "from 0 to 500 kg")):
        refused = patient.post("/my/tick", {**about, "load_kg": wrong})
        assert refused.status == 400
        assert says in told(refused)
    assert patient.post("/my/tick", {**about, "load_kg": "2,5"}).status == 303
    [tick] = answers.ticks_of(site.clinic, site.own.id)
    assert tick.load_kg == 2.5
    other = {"exercise": "wall_sit", "side": "both", "number": "1", "kind": "done"}
    assert patient.post("/my/tick", other).status == 303, "no weight is planned there"
    page = told(site.clinician().get("/clinic/patients/KN-204"))
    assert "2.5 kg used; 4 kg planned" in page
    assert "done, 2.5 kg" in page


def test_the_weight_of_a_filmed_set_is_asked_for_afterwards(site, patient, squat_results, tmp_path):
    with_load(site)
    patient.before(SQUAT)
    about = re.search(r'data-about="([^"]*)"', patient.get(SQUAT + "/card").text)[1]
    assert json.loads(about.replace("&#34;", '"'))["load_kg"] is None, "not yet known"
    results = clinic_results(squat_results, tmp_path / "results")
    version = current_prescription(site.clinic, site.own.id)
    stored = measured_set(site.clinic, site.own, results, side="both", prescription_id=version.id)
    at = f"/my/sets/{stored.uid}/after"
    assert "planned: 4" in told(patient.get(at))
    refused = patient.post(at, AFTER)
    assert refused.status == 400
    assert answers.answers_of_set(site.clinic, stored.id) == (), "nothing half done"
    assert patient.post(at, {**AFTER, "load_kg": "3"}).status == 303
    assert find_set(site.clinic, stored.uid).load_kg == 3.0
    from formcheck.clinic.note import note_text

    assert "both, 3 kg" in note_text(site.clinic, find_set(site.clinic, stored.uid))


def todays_own(site):
    record = current_prescription(site.clinic, site.own.id).record()
    exercises = [load_exercise(line.exercise) for line in record.exercises]
    history = history_of(site.clinic, site.own.id)
    return todays_list(record, exercises, (), (), day=today(), history=history)


def test_what_comes_next_says_to_turn_round_or_to_move_the_camera(prescription):
    day = a_day(prescription)
    squat, _, leg_raise = day
    first, second, third = squat.sets
    assert next_open(day, first) == first, "open itself until it was recorded"
    assert change_words(first, second) == "Move the camera to the front."
    assert change_words(second, first) == "Move the camera to your side."
    assert change_words(second, third) == "The next set is not filmed. You can leave the camera."
    left, right = leg_raise.sets[:2]
    assert change_words(left, right) == "Turn round for the other leg."
    done = replace(first, state="recorded")
    other = replace(squat, sets=(done, second, third))
    assert next_open((other, *day[1:]), done) == second


def test_a_recording_ends_with_the_dose_or_at_a_limit_that_leaves_time(prescription):
    squat, wall_sit, leg_raise = a_day(prescription)
    plan = recording_plan(squat.line, squat.exercise)
    assert (plan.n, plan.hold_s) == (6, None)
    assert plan.limit_s >= 2 * 6 * 5
    assert recording_plan(wall_sit.line, wall_sit.exercise).hold_s == 5
    long = recording_plan(replace(leg_raise.line, repetitions=200), leg_raise.exercise)
    assert long.limit_s == 600
    quad_set = load_exercise("quad_set")
    timed = recording_plan(replace(squat.line, exercise="quad_set", hold_s=5), quad_set)
    assert timed.n is None, "too small to be counted live"
    lunge = load_exercise("multidirectional_lunge")
    assert recording_plan(squat.line, lunge).n == 6 * len(lunge.parts)


def test_the_first_page_shows_the_list_and_that_nobody_watches(patient):
    page = patient.get("/my")
    words = told(page)
    assert page.status == 200
    assert NOBODY in words
    assert "If you are worried, phone your clinic." in words
    assert words.count("Start") == 17
    assert "film it: camera straight ahead" in words
    assert "Done for today" not in words


def test_a_patient_is_asked_before_the_session_is_closed(site, patient):
    asked = 'data-sure="Close these pages? To come back, open formcheck again."'
    assert asked in patient.get("/my").text
    assert asked not in site.clinician().get("/clinic").text


def test_the_list_draws_every_exercise_and_says_what_is_left(patient):
    page = patient.get("/my").text
    sections = page.split('<section class="today"')[1:]
    assert len(sections) == 3
    for of in sections:
        assert of.count('<div class="drawing small"><svg') == 1
    assert "sets left" not in page, "nothing was begun"
    about = {"exercise": "squat", "side": "both", "number": "1", "kind": "done"}
    assert patient.post("/my/tick", about).status == 303
    page = patient.get("/my").text
    assert page.count("sets left") == 1
    assert "2 of 3 sets left" in page


def test_the_weeks_show_days_with_something_done_and_claim_nothing_of_the_others():
    wednesday = date(2025, 3, 19)

    def weeks(*days, begins=date(2025, 3, 1)):
        history = [DayDone(exercise="squat", side="both", day=date.fromisoformat(d)) for d in days]
        return weeks_done(history, begins, wednesday)

    assert weeks() == []
    shown = weeks("2025-03-05", "2025-03-18", "2025-03-19")
    assert [week[0][0].isoformat() for week in shown] == [
        "2025-02-24",
        "2025-03-03",
        "2025-03-10",
        "2025-03-17",
    ]
    states = dict(day for week in shown for day in week)
    assert {d.isoformat() for d, is_done in states.items() if is_done} == {
        "2025-03-05",
        "2025-03-18",
        "2025-03-19",
    }
    assert states[date(2025, 2, 28)] is None, "before the plan"
    assert states[date(2025, 3, 1)] is False
    assert states[date(2025, 3, 20)] is None, "still to come"
    assert len(weeks("2025-03-19", begins=date(2025, 3, 17))) == 1
    assert weeks("2025-02-27")[0][3] == (date(2025, 2, 27), True), "under the plan before"


def test_the_first_page_shows_the_weeks_once_something_is_done(patient):
    assert "Your last weeks" not in patient.get("/my").text
    about = {"exercise": "squat", "side": "both", "number": "1", "kind": "done"}
    assert patient.post("/my/tick", about).status == 303
    page = patient.get("/my").text
    assert page.count('class="day done"') == 1


def _course(values, *, standard=2.0, side="left", key="knee_flexion_peak_deg"):
    """A follow-up of squats: {day: value}, each with the same standard uncertainty."""
    points = tuple(
        Point(
            day=day,
            side=side,
            mean=SetMean(
                key=key, value=value, low=value - 4, high=value + 4, n=5, between_standard=standard
            ),
            uid=day,
            is_final=False,
        )
        for day, value in values.items()
    )
    series = MeasureSeries(exercise="squat", key=key, points=points)
    return FollowUp(sets=(), measures=(series,), answers=())


@pytest.mark.parametrize(
    ("last", "standard", "verdict"),
    [
        # 1.96 * sqrt(2) * 2 = 5.5 deg is what two days with a standard uncertainty of 2 differ by.
        (76.0, 2.0, "A clear change."),
        (75.0, 2.0, "No clear change: the camera is not that exact."),
        (64.0, 2.0, "A clear change."),
        (90.0, None, "It is not known how exact this is."),
    ],
)
def test_a_measured_change_is_told_as_clear_only_beyond_its_error(last, standard, verdict):
    found = _course({"2025-03-03": 70.0, "2025-03-10": 72.0, "2025-03-17": last}, standard=standard)
    (line,) = measured_progress(found, ["wall_sit", "squat", "squat"], date(2025, 3, 1))
    assert line.first == (date(2025, 3, 3), "70°")
    assert line.last == (date(2025, 3, 17), f"{last:.0f}°")
    assert line.verdict == verdict
    (x0, y0), (x1, y1), (x2, y2) = line.dots
    assert x1 - x0 == x2 - x1 > 0, "a week each"
    assert y1 < y0, "a larger number stands higher"
    assert (y2 < y0) == (last > 70)
    assert all(0 < x < WIDTH and 0 < y < HEIGHT for x, y in line.dots)


def test_a_day_counts_by_the_mean_of_its_sets():
    # Every day from 60 to 80 within its three sets: nothing changed between the days.
    points = [
        replace(p, uid=f"{day}-{n}", mean=replace(p.mean, value=60.0 + 10 * n))
        for day in ("2025-03-03", "2025-03-05")
        for p in _course({day: 0.0}).measures[0].points
        for n in range(3)
    ]
    series = MeasureSeries(exercise="squat", key="knee_flexion_peak_deg", points=tuple(points))
    found = FollowUp(sets=(), measures=(series,), answers=())
    (line,) = measured_progress(found, ["squat"], date(2025, 3, 1))
    assert (line.first[1], line.last[1]) == ("70°", "70°")
    assert line.verdict == "No clear change: the camera is not that exact."
    assert len(line.dots) == 2


def test_a_first_measure_of_one_day_hides_no_second_one():
    first = _course({"2025-03-17": 70.0}).measures
    second = _course({"2025-03-10": 10.0, "2025-03-17": 30.0}, key="thigh_inclination_deg").measures
    found = FollowUp(sets=(), measures=(*first, *second), answers=())
    (line,) = measured_progress(found, ["squat"], date(2025, 3, 1))
    assert (line.first[1], line.last[1]) == ("10°", "30°")


def test_a_change_within_the_error_does_not_fill_the_drawing():
    found = _course({"2025-03-10": 60.1, "2025-03-17": 60.2})
    (line,) = measured_progress(found, ["squat"], date(2025, 3, 1))
    assert abs(line.dots[0][1] - line.dots[1][1]) < HEIGHT / 20


def test_damaged_figures_of_error_take_no_list_away(site, patient):
    path = site.clinic.folder.root / "reliability.json"
    path.write_text("{", encoding="utf-8")
    try:
        page = patient.get("/my")
    finally:
        path.unlink()
    assert page.status == 200
    assert "Today's exercises" in page.text


def test_one_measured_day_is_no_progress_and_equal_values_lie_on_one_line():
    since = date(2025, 3, 10)
    assert not measured_progress(_course({"2025-03-17": 70.0}), ["squat"], since)
    assert not measured_progress(
        _course({"2025-03-03": 60.0, "2025-03-17": 70.0}), ["squat"], since
    ), "the first lies before the weeks shown"
    assert not measured_progress(
        _course({"2025-03-10": 60.0, "2025-03-17": 70.0}), ["bridge"], since
    ), "no longer in the plan"
    (flat,) = measured_progress(_course({"2025-03-10": 70.0, "2025-03-17": 70.0}), ["squat"], since)
    assert len({y for _, y in flat.dots}) == 1


def test_the_first_page_shows_what_was_measured_over_the_weeks(
    site, patient, squat_results, tmp_path
):
    of = site.clinic, site.own, clinic_results(squat_results, tmp_path / "results")
    measured_set(*of, side="both", day=day_before(7))
    assert "What the camera measured" not in patient.get("/my").text, "one day"
    measured_set(*of, side="both", day=day_before(1), added_deg=20)
    page = patient.get("/my").text
    shown = page[page.index('class="plain measured"') :]
    shown = shown[: shown.index("</ul>")]
    assert shown.count("<circle") == 2
    assert "A clear change." in shown
    assert re.search(r"\d+° on .*, \d+° on ", shown)


def test_a_set_is_ticked_as_done_or_not_done_with_a_reason_and_taken_back(site, patient):
    about = {"exercise": "squat", "side": "both", "number": "1"}
    assert patient.post("/my/tick", {**about, "kind": "done"}).status == 303
    assert "Done without camera" in told(patient.get("/my"))
    [tick] = answers.ticks_of(site.clinic, site.own.id)
    assert (tick.kind, tick.day) == ("done", today().isoformat())
    refused = patient.post("/my/tick", {**about, "kind": "not done"})
    assert refused.status == 400
    assert "Choose why the set was not done" in told(refused)
    with_reason = {**about, "kind": "not done", "reason": "no_time"}
    assert patient.post("/my/tick", with_reason).status == 303
    assert "Not done: no time" in told(patient.get("/my"))
    assert patient.post("/my/untick", about).status == 303
    assert answers.ticks_of(site.clinic, site.own.id) == ()


def test_only_a_set_of_the_plan_can_be_ticked_or_begun(patient):
    for about in (
        {"exercise": "squat", "side": "both", "number": "4"},
        {"exercise": "deadlift", "side": "both", "number": "1"},
        {"exercise": "squat", "side": "left", "number": "1"},
        {"exercise": "../../x", "side": "both", "number": "1"},
    ):
        assert patient.post("/my/tick", {**about, "kind": "done"}).status == 400
    assert patient.get("/my/do/squat/both/9").status == 404
    assert patient.get("/my/do/deadlift/both/1/record").status == 404


def test_after_the_last_set_the_day_is_done_and_more_is_not_better(site, patient, prescription):
    for of in a_day(prescription):
        for s in of.sets:
            answers.tick(
                site.clinic,
                site.own.id,
                exercise=s.exercise,
                side=s.side,
                set_number=s.number,
                kind="done",
            )
    assert "Done for today. More is not better." in told(patient.get("/my"))


def test_a_patient_without_a_plan_is_told_so(site):
    other = new_patient(site.clinic, "KN-300", with_plan=False)
    assert "There is no plan here yet" in told(site.patient(other.id).get("/my"))


# -- before a set


def test_the_day_begins_with_few_questions_at_a_time_and_then_each_set_with_two(patient):
    first = patient.get(SQUAT)
    assert first.header("location") == SQUAT + "/check/now", "the day's questions come first"
    for group in QUESTIONS.asked("day"):
        page = told(patient.get(f"{SQUAT}/check/{group.id}"))
        assert NOBODY in page
        assert group.legend in page
        for name in group.questions:
            words = QUESTIONS.by_id[name].words
            assert words[:1].upper() + words[1:] in page
        assert "None of these" in page
    assert patient.get(SQUAT + "/card").status == 303
    assert patient.get(SQUAT + "/record").status == 303
    done = patient.answer_the_day(SQUAT)
    assert done.header("location") == SQUAT
    short = told(patient.get(SQUAT))
    assert "How much pain do you have now?" in short
    assert "Anything new since you answered today's questions at" in short
    assert "Chest pain" not in short
    good = patient.post(SQUAT, {"pain": "3", "new": "no"})
    assert good.header("location") == SQUAT + "/card"
    assert patient.get(SQUAT + "/card").status == 200
    # The day's questions are asked once; the second set asks what is new.
    assert patient.get("/my/do/squat/both/2").status == 200
    new = patient.post("/my/do/squat/both/2", {"pain": "1", "new": "yes"})
    assert new.header("location") == "/my/do/squat/both/2/check/now"
    assert patient.answer_the_day("/my/do/squat/both/2").header("location").endswith("/2/card")


def answered(patient, symptom):
    return patient.answer_the_day(SQUAT, **{PAGES[symptom]: symptom})


def test_a_symptom_leaves_the_day_out_and_calls_the_clinic(site, patient):
    symptom = "giving_way"
    page = answered(patient, symptom)
    assert "Do no exercises now and call your clinic." in told(page)
    assert "Nobody is watching this recording" in told(page)
    assert patient.get(SQUAT + "/card").status == 303, "the camera stays closed"
    last = answers.answers_of(site.clinic, site.own.id)[-1]
    assert (last.symptoms, last.level) == ((symptom,), "call")
    assert "Get urgent medical help" not in told(page)
    assert "Start" not in told(patient.get("/my"))


def test_an_urgent_symptom_says_to_get_help_now(patient):
    page = answered(patient, "chest_pain")
    assert "Get urgent medical help now." in told(page)
    assert "phone your clinic" not in told(page), "the emergency number comes first"
    home = told(patient.get("/my"))
    assert "You said: " in home
    assert home.index("Phone the emergency number") < home.index("phone your clinic")
    assert "Start" not in home
    assert patient.get(SQUAT + "/record").status == 303


def test_a_sign_for_the_next_visit_holds_nothing_back(site, patient):
    assert answered(patient, "stiffer").header("location") == SQUAT
    assert answers.answers_of(site.clinic, site.own.id)[-1].level == "visit"
    assert "Start" in told(patient.get("/my"))


def test_pain_over_the_limit_of_the_plan_leaves_the_day_out(site, patient):
    page = patient.before(SQUAT, pain=4)
    assert "Do no exercises now and call your clinic." in told(page)
    assert "pain 4 of 10, over the 3 of your plan" in told(page)
    assert answers.answers_of(site.clinic, site.own.id)[-1].is_over_limit
    home = told(patient.get("/my"))
    assert "This stands for today." in home
    assert "Start" not in home
    left_out = patient.post(
        "/my/tick",
        {"exercise": "squat", "side": "both", "number": "1", "kind": "not done", "reason": "pain"},
    )
    assert left_out.status == 303


def test_what_asks_for_help_stands_until_the_patient_says_what_was_done(site, patient):
    answered(patient, "chest_pain")
    # The next set's questions do not clear it: they are not even asked.
    assert "Get urgent medical help now." in told(patient.before("/my/do/wall_sit/both/1"))
    assert answers.answers_of(site.clinic, site.own.id)[-1].symptoms == ("chest_pain",)
    assert patient.post("/my/done", {"acted": "well"}).status == 400
    for acted, is_held, words in (
        ("not_yet", True, "Get urgent medical help now."),
        ("told_to_wait", True, "Do no exercises until your clinic says that you may."),
        ("may_go_on", False, ""),
    ):
        assert patient.post("/my/done", {"acted": acted}).header("location").startswith("/my")
        home = told(patient.get("/my"))
        assert ("Start" not in home) == is_held
        assert words in home
    assert patient.get("/my/done").status == 303


def test_a_clinics_word_to_wait_cannot_be_taken_back(site, patient):
    answered(patient, "chest_pain")
    assert "I did not mean to answer that" in told(patient.get("/my/done"))
    patient.post("/my/done", {"acted": "told_to_wait"})
    assert "I did not mean to answer that" not in told(patient.get("/my/done"))
    assert patient.post("/my/done", {"acted": "not_meant"}).status == 400
    assert "Do no exercises until your clinic says that you may." in told(patient.get("/my"))


def test_what_hurt_in_a_set_holds_the_day_back(site, patient, measured):
    at = f"/my/sets/{measured.uid}"
    patient.post(at + "/after", {**AFTER, "pain_during": "6"})
    home = told(patient.get("/my"))
    assert "You said: pain 6 of 10, over the 3 of your plan." in home
    assert "Start" not in home


def test_giving_way_is_asked_after_a_set_too(site, patient, measured):
    at = f"/my/sets/{measured.uid}"
    assert patient.post(at + "/after", {**AFTER, "none": ""}).status == 400
    said = {k: v for k, v in AFTER.items() if k != "none"}
    patient.post(at + "/after", {**said, "symptom": "giving_way"})
    assert "Do no exercises now and call your clinic." in told(patient.get(at))
    assert "Start" not in told(patient.get("/my"))


def test_a_stop_is_kept_with_its_time_and_repetition_and_asked_after(site, patient):
    uid = begin(patient)
    send(patient, uid, 0, VIDEO_HEAD)
    body = json.dumps({"at_s": 23.4, "repetition": 4, "uid": uid}).encode()
    assert patient.call("POST", SQUAT + "/stopped", body).status == 200
    home = told(patient.get("/my"))
    assert "You stopped because it hurt. Do no more for now." in home
    assert "Start" not in home
    patient.call("POST", f"/my/uploads/{uid}/finish", b"")
    stored = find_set(site.clinic, uid)
    [stop] = answers.answers_of_set(site.clinic, stored.id)
    assert (stop.moment, stop.at_s, stop.repetition, stop.level) == (
        "stopped",
        23.4,
        4,
        "leave_out",
    )
    assert patient.get("/my/hurt").header("location") == f"/my/sets/{uid}/after"
    asked = told(patient.get(f"/my/sets/{uid}/after"))
    assert "You stopped because it hurt" in asked
    assert "That was right." in asked
    patient.post(f"/my/sets/{uid}/after", AFTER)
    assert "Leave this exercise out today." in told(patient.get(f"/my/sets/{uid}"))
    home = told(patient.get("/my"))
    assert "You pressed “It hurts, stop” at 0:23, after 4 counted." in home
    assert "Start Squat" not in home
    assert "Start Wall sit" in home, "another exercise may go on"
    assert "Leave this exercise out today." in told(patient.get("/my/do/squat/both/2"))


def test_a_stop_before_the_recording_is_asked_after_too(site, patient):
    nothing = json.dumps({"at_s": None, "repetition": None, "uid": None}).encode()
    assert patient.call("POST", SQUAT + "/stopped", nothing).status == 200
    assert "You stopped because it hurt" in told(patient.get("/my/hurt"))
    assert patient.post("/my/hurt", AFTER).status == 303
    home = told(patient.get("/my"))
    assert "before the recording began" in home
    assert "Start Wall sit" in home
    for odd in (b"", b"[]", b'{"at_s": -1}', b'{"at_s": "x"}', b'{"uid": "../x"}', b"x" * 9000):
        assert patient.call("POST", SQUAT + "/stopped", odd).status == 400


def test_pages_name_the_clinics_number_or_say_that_there_is_none(site, patient):
    assert "No phone number of your clinic has been entered here." in told(patient.get("/my"))
    clinician = site.clinician()
    assert "No phone number of the clinic has been entered" in told(clinician.get("/clinic"))
    odd = clinician.post("/clinic/settings/contact", {"phone": "call us"})
    assert odd.status == 400
    given = {"phone": "030 1234 5", "hours": "Mo to Fr, 8 to 17", "emergency": "112"}
    assert clinician.post("/clinic/settings/contact", given).status == 303
    answered(patient, "chest_pain")
    for path in ("/my", SQUAT, "/my/done"):
        words = told(patient.get(path))
        assert "Emergency number: 112." in words, path
    assert "Your clinic: 030 1234 5 (Mo to Fr, 8 to 17)." in told(patient.get("/my"))
    assert "030 1234 5" in told(patient.get("/my/sets/0")), "a page that is not there, too"


def test_a_left_out_set_is_not_called_done(site, patient):
    for number, kind in ((1, "done"), (2, "done"), (3, "not done")):
        tick = {"exercise": "squat", "side": "both", "number": number, "kind": kind}
        patient.post("/my/tick", {**tick, "reason": "pain"})
    words = told(patient.get("/my"))
    assert "That is all for today. More is not better." in words
    assert "Done for today" not in words


def test_a_page_that_is_not_there_says_too_that_nobody_watches(patient):
    assert NOBODY in told(patient.get("/my/sets/0"))


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"new": "no"}, "Choose your pain now, from 0 to 10"),
        ({"pain": "2"}, "Say whether there is anything new"),
        ({"pain": "2", "new": "perhaps"}, "Say whether there is anything new"),
        ({"pain": "2.5", "new": "no"}, "whole number"),
        ({"pain": "11", "new": "no"}, "from 0 to 10"),
        ({"pain": "-1", "new": "no"}, "from 0 to 10"),
    ],
)
def test_an_answer_that_was_not_offered_is_asked_again(site, patient, fields, says):
    patient.answer_the_day(SQUAT)
    page = patient.post(SQUAT, fields)
    assert page.status == 400
    assert says in told(page)
    assert all(a.moment == "today" for a in answers.answers_of(site.clinic, site.own.id))


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({}, "Tick what applies, or “None of these”"),
        ({"none": "yes", "symptom": "chest_pain"}, "not both"),
        ({"symptom": "<script>"}, "There is no question"),
    ],
)
def test_a_sign_that_was_not_offered_is_asked_again(site, patient, fields, says):
    page = patient.post(SQUAT + "/check/now", fields)
    assert page.status == 400
    assert says in told(page)
    assert "<script>" not in page.text
    assert patient.get(SQUAT + "/check/nothing").status == 404
    assert answers.answers_of(site.clinic, site.own.id) == ()


def test_an_answer_holds_for_its_own_exercise_and_two_hours(site, patient):
    patient.before(SQUAT)
    assert patient.get(SQUAT + "/card").status == 200
    assert patient.get("/my/do/wall_sit/both/1/card").status == 303
    with site.clinic.write() as c:
        change(c, "UPDATE answers SET at = '2020-01-01T00:00:00+00:00' WHERE moment = 'before'")
    assert patient.get(SQUAT + "/card").status == 303


def test_the_card_shows_figure_camera_dose_limits_and_cautions(patient):
    patient.before(SQUAT)
    page = patient.get(SQUAT + "/card")
    words = told(page)
    assert page.text.count("<svg") >= 2
    for expected in (
        "the camera looks at your left side",
        "6 repetitions",
        "Do not bend the knee past 90 degrees",
        "Stop on sharp or rising pain",
        "Have a firm support in reach.",
        "Sit back and down",
        NOBODY,
    ):
        assert expected in words
    patient.before("/my/do/squat/both/2")
    assert "from straight ahead" in told(patient.get("/my/do/squat/both/2/card"))


def test_the_recording_page_knows_dose_side_and_limit(patient):
    patient.before("/my/do/straight_leg_raise/right/1")
    page = patient.get("/my/do/straight_leg_raise/right/1/record").text
    found = re.search(r'data-facts="([^"]*)"', page)[1]
    facts = json.loads(found.replace("&#34;", '"'))
    assert facts["n"] == 10
    assert facts["live"]["side"] == facts["live"]["involved"] == "right"
    assert facts["upload"]["before"] > 0
    assert NOBODY in page
    assert "onclick" not in page
    assert not re.search(r"<script(?![^>]*src=)", page)


@pytest.mark.parametrize(
    ("at", "ways"),
    [
        (SQUAT, ("raise both arms", "walk up to the camera", "space bar")),
        ("/my/do/straight_leg_raise/left/1", ("raise both arms", "space bar")),
    ],
)
def test_the_recording_page_names_the_ways_to_stop_that_this_patient_has(patient, at, ways):
    patient.before(at)
    page = patient.get(at + "/record")
    words = told(page)
    assert all(way in words for way in ways)
    assert ("walk up" in words) == ("walk up to the camera" in ways), "who lies cannot walk up"


# -- recording


def begin(patient, **about):
    body = {"exercise": "squat", "side": "both", "set_number": 1, "is_recorded": True, **about}
    answer = patient.call("POST", "/my/uploads", json.dumps(body).encode())
    assert answer.status == 200, answer.text
    return json.loads(answer.text)["uid"]


def send(patient, uid, n, content, checksum=None):
    digest = checksum or hashlib.sha256(content).hexdigest()
    return patient.call(
        "PUT",
        f"/my/uploads/{uid}/pieces?n={n}&sha256={digest}",
        content,
        {"content-type": "application/octet-stream"},
    )


def test_a_recording_goes_up_in_pieces_and_is_tied_to_the_answer_before_it(site, patient):
    patient.before(SQUAT, pain=2)
    before = answers.answers_of(site.clinic, site.own.id)[-1]
    uid = begin(patient, before=before.id)
    assert send(patient, uid, 0, VIDEO_HEAD).status == 200
    assert send(patient, uid, 1, b"more").status == 200
    done = json.loads(patient.call("POST", f"/my/uploads/{uid}/finish", b"").text)
    assert done["page"] == f"/my/sets/{uid}/after"
    stored = find_set(site.clinic, uid)
    assert (stored.origin, stored.recording_bytes) == ("recorded", len(VIDEO_HEAD) + 4)
    assert [a.id for a in answers.answers_of_set(site.clinic, stored.id)] == [before.id]
    # Used once: the next set is asked anew.
    assert patient.get("/my/do/squat/both/2/card").status == 303


def test_another_patients_answer_is_not_tied_to_a_set(site, patient):
    other = new_patient(site.clinic, "KN-300")
    foreign = answers.add_answer(site.clinic, other.id, "before", pain=1, exercise="squat")
    uid = begin(patient, before=foreign)
    send(patient, uid, 0, VIDEO_HEAD)
    patient.call("POST", f"/my/uploads/{uid}/finish", b"")
    assert answers.answers_of_set(site.clinic, find_set(site.clinic, uid).id) == ()


def test_a_piece_that_was_damaged_on_its_way_is_asked_for_again(site, patient):
    uid = begin(patient)
    bad = send(patient, uid, 0, VIDEO_HEAD, checksum="0" * 64)
    assert bad.status == 400
    assert "damaged" in json.loads(bad.text)["error"]
    assert find_upload(site.clinic, uid, site.own.id).n_bytes == 0
    assert send(patient, uid, 0, VIDEO_HEAD).status == 200


def test_a_recording_that_broke_off_is_offered_and_kept_or_thrown_away(site, patient):
    kept, dropped, running = begin(patient), begin(patient, set_number=2), begin(patient)
    for uid in (kept, dropped, running):
        send(patient, uid, 0, VIDEO_HEAD + uid.encode())
    with site.clinic.write() as c:
        change(
            c, "UPDATE uploads SET last_at = '2020-01-01T00:00:00+00:00' WHERE uid != :u", u=running
        )
    page = patient.get("/my")
    assert told(page).count("A recording broke off") == 2, "not the one that still arrives"
    answer = patient.post(f"/my/unfinished/{kept}/keep")
    assert answer.header("location") == f"/my/sets/{kept}/after"
    assert patient.post(f"/my/unfinished/{dropped}/discard").status == 303
    assert [u.uid for u in open_uploads(site.clinic, site.own.id)] == [running]
    assert find_set(site.clinic, kept) is not None
    assert patient.post(f"/my/unfinished/{dropped}/keep").status == 400


def test_recordings_that_broke_off_do_not_pile_up_over_the_list(site, patient):
    # Four cards stood above today's exercises.
    halves = [begin(patient, set_number=n) for n in (1, 2, 3, 1)]
    for day, uid in enumerate(halves, start=1):
        send(patient, uid, 0, VIDEO_HEAD + uid.encode())
        with site.clinic.write() as c:
            change(
                c,
                "UPDATE uploads SET last_at = :at WHERE uid = :u",
                at=f"2020-01-0{day}T00:00:00+00:00",
                u=uid,
            )
    page = patient.get("/my").text
    shown, _, folded = page.partition("3 older recordings broke off</summary>")
    assert f"/my/unfinished/{halves[-1]}/keep" in shown
    assert shown.count("A recording broke off</h2>") == 1
    inside = folded.partition("</details>")[0]
    assert [uid for uid in halves if f"/my/unfinished/{uid}/discard" in inside] == halves[:3]
    for uid in halves[:2]:
        assert patient.post(f"/my/unfinished/{uid}/discard").status == 303
    assert "1 older recording broke off</summary>" in patient.get("/my").text


# -- after a set


@pytest.fixture
def measured(site, squat_results, tmp_path):
    results = clinic_results(squat_results, tmp_path / "results")
    version = current_prescription(site.clinic, site.own.id)
    return measured_set(site.clinic, site.own, results, side="both", prescription_id=version.id)


def test_afterwards_pain_and_effort_are_asked_and_then_the_result_shown(site, patient, measured):
    at = f"/my/sets/{measured.uid}"
    assert NOBODY in told(patient.get(at + "/after"))
    missing = patient.post(at + "/after", {"pain": "1", "none": "yes"})
    assert missing.status == 400
    assert "pain during the set, how hard was it" in told(missing)
    good = patient.post(at + "/after", AFTER)
    assert good.header("location") == at
    [answer] = answers.answers_of_set(site.clinic, measured.id)
    assert (answer.pain_during, answer.pain, answer.effort) == (2, 1, 4)
    assert not answer.is_over_limit
    assert patient.get(at + "/after").status == 303, "asked once"
    words = told(patient.get(at))
    for expected in (
        "The camera saw 2 repetitions.",
        "One thing to try",
        "What the camera could not see",
        "The shape of your back",
        NOBODY,
        "Move the camera to the front.",
        "Squat, set 2",
    ):
        assert expected in words
    assert "One thing that went well" in words
    assert words.index("Squat, set 2") < words.index("What you did"), "no way down to the next set"
    page = patient.get(at).text
    moment = re.search(rf'src="({at}/video/recording)#t=([0-9.]+)"', page)
    assert patient.get(moment[1]).status == 200
    report = json.loads((site.clinic.folder.result(measured.uid) / "report.json").read_bytes())
    turns = [round(r["turn_s"], 2) for r in report["repetitions"]]
    assert float(moment[2]) in turns
    assert "The exercise as your plan wants it: start; at least 60°" in words
    for forbidden in ("score", "grade", "well done", "great", "streak", "%"):
        assert forbidden not in words.lower()


def test_pain_over_the_limit_afterwards_gives_no_advice_but_to_call(patient, measured):
    at = f"/my/sets/{measured.uid}"
    patient.post(at + "/after", {**AFTER, "pain_during": "6"})
    words = told(patient.get(at))
    assert "pain 6 of 10, over the 3 of your plan" in words
    assert "Do no exercises now and call your clinic." in words
    assert "Nothing for now." in words
    assert "Squat, set 2" not in words


def test_a_set_that_could_not_be_measured_counts_as_done_all_the_same(site, patient):
    stored = new_set(site.clinic, site.own, side="both")
    at = f"/my/sets/{stored.uid}"
    assert "The recording is being measured" in told(patient.get(at))
    progress = json.loads(patient.get(at + "/progress").text)
    assert progress["is_over"] is False
    jobs.end_not_measured(site.clinic, jobs.claim(site.clinic, "w"), "w", "The feet are cut off.")
    assert json.loads(patient.get(at + "/progress").text)["is_over"] is True
    words = told(patient.get(at))
    assert "The camera could not measure this set" in words
    assert "You did it, and it is kept. The recording could not be used" in words
    assert "Your clinic sees the reason." in words


def test_a_patient_sees_no_other_patients_set(site, measured):
    other = new_patient(site.clinic, "KN-300")
    stranger = site.patient(other.id)
    for path in ("", "/after", "/progress", "/set.formcheck", "/video/recording"):
        assert stranger.get(f"/my/sets/{measured.uid}{path}").status == 404
    refused = stranger.post(f"/my/sets/{measured.uid}/after", {"pain": "1"})
    assert refused.status == 404
    assert stranger.get("/clinic").status == 403


def test_the_next_day_is_asked_once_and_more_pain_is_a_fact_unless_it_passes_the_limit(
    site, patient
):
    assert "How was the day after?" not in told(patient.get("/my"))
    new_set(site.clinic, site.own, day=day_before(1))
    assert "How was the day after?" in told(patient.get("/my"))
    missing = patient.post("/my/next-day", {"pain": "same", "worst": "1"})
    assert missing.status == 400
    assert "stiffness, swelling" in told(missing)
    assert patient.post("/my/next-day", {"pain": "same"}).status == 400
    same = {"worst": "2", "pain": "same", "stiffness": "less", "swelling": "same"}
    assert patient.post("/my/next-day", same).header("location").startswith("/my")
    [answer] = answers.answers_of(site.clinic, site.own.id)
    assert (answer.moment, answer.pain_change, answer.stiffness_change) == (
        "next day",
        "same",
        "less",
    )
    assert answer.day == today().isoformat()
    assert "How was the day after?" not in told(patient.get("/my"))
    more = patient.post("/my/next-day", {**same, "swelling": "more"})
    assert "Your clinic sees this and speaks of it at your next visit." in told(more)
    assert "Start" in told(patient.get("/my")), "more swelling is a fact for the next visit"
    over = patient.post("/my/next-day", {**same, "worst": "4"})
    assert "Do no exercises now and call your clinic." in told(over)
    assert "Start" not in told(patient.get("/my"))
    assert patient.post("/my/next-day", {**same, "pain": "awful"}).status == 400


# -- files


def test_a_set_is_saved_as_a_file_and_the_clinics_file_is_taken_in(site, patient, tmp_path):
    stored = new_set(site.clinic, site.own, side="both")
    saved = patient.get(f"/my/sets/{stored.uid}/set.formcheck")
    assert saved.status == 200
    assert saved.body[:2] == b"PK"
    assert "attachment" in saved.header("content-disposition")
    pack_plan(site.clinic, "KN-204", tmp_path / "plan.formcheck")
    kind = {"content-type": "application/octet-stream"}
    content = (tmp_path / "plan.formcheck").read_bytes()
    taken = patient.call("PUT", "/my/plan/file", content, kind)
    assert json.loads(taken.text)["page"].startswith("/my?said=")
    tampered = patient.call("PUT", "/my/plan/file", content[:-40] + bytes(40), kind)
    assert tampered.status == 400
    new_patient(site.clinic, "KN-300")
    pack_plan(site.clinic, "KN-300", tmp_path / "other.formcheck")
    other = (tmp_path / "other.formcheck").read_bytes()
    foreign = patient.call("PUT", "/my/plan/file", other, kind)
    assert foreign.status == 400, "a patient's pages take in that patient's plan alone"
    assert list(site.clinic.folder.uploads.iterdir()) == []


# -- the result in words


def a_report(*repetitions, findings=(), prescribed=5) -> Report:
    made = build_report()
    n = sum(r.repetition.is_complete for r in repetitions)
    codes = {m.code for r in repetitions for m in r.remarks}
    return replace(
        made,
        clip=replace(made.clip, duration_s=30.0),
        findings=tuple(findings),
        repetitions=repetitions,
        exercise_words=replace(
            made.exercise_words, remarks=tuple((c, f"It was {c}.") for c in codes)
        ),
        whole=replace(made.whole, dose_prescribed=prescribed, dose_done=n),
    )


def a_repetition(*codes, complete=True, checks=()) -> AssessedRepetition:
    return AssessedRepetition(
        repetition=Motion().repetition(0, is_complete=complete),
        measures=(),
        checks=tuple(checks),
        remarks=tuple(Remark(code=c, at_s=1.0) for c in codes),
    )


def a_check(kind, outcome, **bound) -> Check:
    ends = bound or {"at_most": 90}
    return Check(kind=kind, bound=Bound(measure="knee_flexion_peak_deg", **ends), outcome=outcome)


def test_every_thing_that_is_looked_for_has_something_to_try():
    codes = {look.code for e in list_exercises() for look in e.look_for}
    assert codes <= THINGS_TO_TRY.keys()


def test_the_thing_to_try_is_a_passed_limit_first_then_what_keeps_happening():
    squat = load_exercise("squat")
    passed = a_repetition("heel_lifts", checks=[a_check("limit", "passed")])
    lifted = a_repetition("heel_lifts", checks=[a_check("limit", "kept")])
    seen, to_try = patient_result(a_report(passed, lifted, lifted), squat).one_thing
    assert seen.startswith("Your plan says: how far the knee bends, at most 90°. 1 of 3 went past")
    assert to_try == "Stay clearly inside this limit next time."
    seen, to_try = patient_result(a_report(lifted, lifted, a_repetition()), squat).one_thing
    assert seen == "It was heel_lifts. (2 of 3)"
    assert to_try.startswith("Keep the heels on the floor")
    assert patient_result(a_report(lifted, a_repetition(), a_repetition()), squat).one_thing is None
    short = a_repetition(checks=[a_check("target", "not_reached", at_least=60)])
    seen, to_try = patient_result(a_report(short, short, a_repetition()), squat).one_thing
    assert "2 of 3 did not reach it" in seen
    assert "only as far as it is comfortable" in to_try
    assert patient_result(a_report(a_repetition()), squat).one_thing is None


def test_what_went_well_is_a_target_reached_then_a_limit_kept_then_the_dose():
    squat = load_exercise("squat")

    def went_well(*repetitions, prescribed=5):
        return patient_result(a_report(*repetitions, prescribed=prescribed), squat).went_well

    reached = a_repetition(checks=[a_check("target", "reached", at_least=60)])
    short = a_repetition(checks=[a_check("target", "not_reached", at_least=60)])
    assert went_well(reached, reached, short).endswith(
        "at least 60°. 2 of 3 reached it, as far as the camera can tell."
    )
    assert went_well(reached, short) is None, "half is not most"
    kept, past = (a_repetition(checks=[a_check("limit", o)]) for o in ("kept", "possibly_passed"))
    assert "All 2 stayed inside it" in went_well(kept, kept)
    assert went_well(kept, past) is None
    plain = a_repetition()
    assert went_well(plain, plain, prescribed=2) == "You did all that your plan says, and no more."
    assert went_well(plain, plain, prescribed=1) is None
    assert went_well(a_repetition(complete=False)) is None


def test_the_repetition_that_is_shown_keeps_limits_then_reaches_targets_then_has_no_remark():
    both = [a_check("limit", "kept"), a_check("target", "reached", at_least=60)]
    past = [a_check("limit", "passed"), a_check("target", "reached", at_least=60)]
    short = [a_check("limit", "kept"), a_check("target", "not_reached", at_least=60)]
    of_past, of_short, of_both = (a_repetition(checks=c) for c in (past, short, both))
    lifted = a_repetition("heel_lifts", checks=both)
    assert best_repetition([of_past, of_short]) is of_short
    assert best_repetition([of_past, of_short, lifted]) is lifted
    assert best_repetition([lifted, of_both, of_past]) is of_both
    assert best_repetition([a_repetition(complete=False)]) is None


def test_left_out_and_cut_repetitions_are_told_apart():
    squat = load_exercise("squat")
    out = a_repetition("heel_lifts")
    cut = a_repetition("heel_lifts", complete=False)
    report = a_report(out, a_repetition(), a_repetition(), cut)
    result = patient_result(report, squat, is_left_out=(True, False, False, False))
    assert result.one_thing is None
    assert result.done[-1] == "1 more was not seen from start to end."


def test_what_was_not_seen_names_the_moment_and_what_no_camera_sees():
    squat = load_exercise("squat")
    findings = [
        Finding(code="person_leaves", from_s=3.0, to_s=5.0),
        Finding(code="noisy", from_s=0.0, to_s=30.0),
        Finding(code="rotated", values=(("rotation_deg", 90),)),
    ]
    hidden = a_repetition(checks=[a_check("target", "not_visible")])
    lines = patient_result(a_report(hidden, findings=findings), squat).not_seen
    assert lines[:3] == (
        "From 3.0 to 5.0 s: No person was found in this stretch, so nothing in it is measured. "
        "Stay in the picture until the set is done.",
        "The picture is grainy, which makes angles less certain. Turn on more light.",
        "How far the knee bends: could not be told this time.",
    )
    assert set(squat.cannot_tell) <= set(lines)
    # Two bounds on one measure are one thing that was not seen; a repetition counts once.
    twice = a_repetition(checks=[a_check("target", "not_visible"), a_check("limit", "not_visible")])
    seen = a_repetition(checks=[a_check("target", "reached"), a_check("limit", "kept")])
    lines = patient_result(a_report(twice, twice, seen), squat).not_seen
    assert lines[0] == "How far the knee bends: could not be told in 2 of 3 repetitions."


def test_a_set_without_a_repetition_blames_nobody():
    squat = load_exercise("squat")
    none = Finding(
        code="no_repetition_found", values=(("least_range", 0.05), ("unit", "leg_length"))
    )
    result = patient_result(a_report(findings=[none]), squat)
    assert result.done[0] == "The camera could not count any repetition."
    assert result.not_seen[0] == "No movement was seen that was large enough to be counted."


# -- the live look


def socket_of(
    site, cookie, query="exercise=squat&side=both&plane=sagittal&involved=left", origin=None
):
    from websockets.sync.client import connect

    return connect(
        f"ws://127.0.0.1:{site.port}/my/live?{query}",
        origin=origin or site.origin,
        additional_headers={"Cookie": cookie} if cookie else {},
        open_timeout=20,
        compression=None,
        max_size=None,
    )


def as_message(rgb: np.ndarray, time_ms: float) -> bytes:
    rgba = np.concatenate([rgb, np.full((*rgb.shape[:2], 1), 255, np.uint8)], axis=2)
    return struct.pack("<dHH", time_ms, rgb.shape[1], rgb.shape[0]) + rgba.tobytes()


@pytest.fixture(scope="module")
def standing_picture():
    from conftest import SAMPLES

    from formcheck.video import open_video

    with open_video(SAMPLES / "squat_side.mp4") as reader:
        return next(iter(reader.frames())).rgb()


def test_the_live_socket_answers_pictures_with_words_and_counts_once_started(
    site, patient, standing_picture
):
    pytest.importorskip("websockets")
    with socket_of(site, patient.cookie) as socket:
        assert json.loads(socket.recv(timeout=60)) == {"ready": True}
        for k in range(4):
            socket.send(as_message(standing_picture, 1000 + 200 * k))
            answer = json.loads(socket.recv(timeout=30))
        assert answer["isGood"]
        assert answer["say"] == "Good. Stay there."
        assert answer["count"] is None
        socket.send(json.dumps({"do": "start"}))
        for k in range(4, 8):
            socket.send(as_message(standing_picture, 1000 + 200 * k))
            answer = json.loads(socket.recv(timeout=30))
        assert answer["count"] == {"n": 0, "isAway": False, "holdS": 0.0}
        assert answer["left"] is None


@pytest.mark.parametrize(
    "message",
    [
        b"",
        b"short",
        struct.pack("<dHH", 0.0, 160, 120),
        struct.pack("<dHH", 0.0, 9999, 9999),
        struct.pack("<dHH", float("nan"), 64, 64) + bytes(64 * 64 * 4),
        '{"do": "dance"}',
        "[[[",
    ],
)
def test_what_is_no_picture_closes_the_socket(site, patient, message):
    websockets = pytest.importorskip("websockets")
    with socket_of(site, patient.cookie) as socket:
        socket.recv(timeout=60)
        socket.send(message)
        with pytest.raises(websockets.exceptions.ConnectionClosed) as closed:
            socket.recv(timeout=20)
        assert closed.value.rcvd.code == 1003
    assert patient.get("/my").status == 200


def test_the_live_socket_is_for_the_patients_own_page_only(site, patient):
    websockets = pytest.importorskip("websockets")
    for attempt in (
        {"cookie": ""},
        {"cookie": site.clinician().cookie},
        {"cookie": patient.cookie, "origin": "http://evil.example"},
        {"cookie": patient.cookie, "query": "exercise=../x&side=both&plane=sagittal"},
        {"cookie": patient.cookie, "query": "exercise=squat&side=both&plane=under"},
    ):
        with pytest.raises(websockets.exceptions.InvalidStatus), socket_of(site, **attempt):
            pass


def test_the_page_of_today_reads_one_state_of_the_database(site, patient):
    from sqlalchemy import event

    patient.get("/my")
    begun = []
    event.listen(site.clinic.engine, "begin", begun.append)
    assert patient.get("/my").status == 200
    # The session's own question comes first; the page is one transaction.
    assert len(begun) <= 2

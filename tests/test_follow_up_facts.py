"""What is known of a patient's days, and what a change between two sets may be said of."""

from dataclasses import replace
from types import SimpleNamespace

import pytest
from builders import build_report
from clinic_cases import day_before, measured_set, new_patient, prescription_text

from formcheck.clinic import note
from formcheck.clinic.answers import add_answer, tick
from formcheck.clinic.database import change
from formcheck.clinic.follow_up import series_of, session_facts_by_exercise, unlike_words
from formcheck.clinic.patients import current_prescription, prescriptions_of, save_prescription
from formcheck.clinic.reviews import outcome_of
from formcheck.evidence.progress import SessionFacts, criteria, standing
from formcheck.model.intervals import decide, measured
from formcheck.model.programme import Bound
from formcheck.model.records import Check, Part, SetMeasure
from formcheck.motion.set_facts import set_facts
from formcheck.report.corrections import corrected
from formcheck.words.first_line import set_sentence

SIGNS = ("new_swelling", "giving_way")


@pytest.fixture
def patient(clinic):
    return new_patient(clinic)


def plan_of(clinic, patient):
    return current_prescription(clinic, patient.id).record()


def done(clinic, patient, *days, exercise="squat", pain=1):
    for n in days:
        tick(
            clinic,
            patient.id,
            exercise=exercise,
            side="both",
            set_number=1,
            kind="done",
            day=day_before(n),
            pain=pain,
        )
        add_answer(clinic, patient.id, "today", day=day_before(n), asked=SIGNS)


def fact(found, name):
    return next(f.holds for c in found for f in c.facts if f.name == name)


def facts_of(clinic, patient, exercise="squat"):
    return session_facts_by_exercise(clinic, patient.id, plan_of(clinic, patient))[exercise]


def test_a_sign_that_kept_a_patient_from_training_is_of_the_last_day_with_it(clinic, patient):
    done(clinic, patient, 6, 4, 2)
    before = facts_of(clinic, patient)
    assert (before[-1].has_new_swelling, before[-1].has_giving_way) == (False, False)
    add_answer(clinic, patient.id, "today", day=day_before(0), asked=SIGNS, symptoms=SIGNS)
    found = facts_of(clinic, patient)
    assert len(found) == 3
    assert (found[-1].has_new_swelling, found[-1].has_giving_way) == (True, True)
    assert (found[0].has_new_swelling, found[1].has_new_swelling) == (False, False)
    judged = criteria(found)
    assert fact(judged, "new swelling") is True
    assert fact(judged, "no new swelling or giving way") is False
    assert standing(judged) == "ease"
    # Of an exercise that was never done nothing is known by it.
    assert facts_of(clinic, patient, "wall_sit") == ()


def test_the_worst_pain_of_the_day_after_is_pain_of_the_session(clinic, patient):
    done(clinic, patient, 1)
    same = {f"{what}_change": "same" for what in ("pain", "stiffness", "swelling")}
    add_answer(clinic, patient.id, "next day", day=day_before(0), pain=8, **same)
    (found,) = facts_of(clinic, patient)
    assert found.pain == 8
    assert fact(criteria([found]), "pain 6 or more in the last session") is True


def test_a_worse_morning_holds_until_the_next_one_is_told():
    one = SessionFacts(day=1, pain=1, is_worse_next_morning=False)
    two = SessionFacts(day=2, pain=1, is_worse_next_morning=True)
    three = SessionFacts(day=3, pain=1)
    assert standing(criteria([one, two])) == "ease"
    assert standing(criteria([one, two, three])) == "ease"
    better = replace(three, is_worse_next_morning=False)
    assert standing(criteria([one, two, better])) != "ease"


def test_a_step_up_is_not_earned_on_the_step_below_it(clinic, patient):
    text = prescription_text()
    done(clinic, patient, 6, 4, 2)
    assert all(f.is_as_asked_now for f in facts_of(clinic, patient))
    raised = text.replace("repetitions = 6", "repetitions = 8", 1)
    assert raised != text
    save_prescription(clinic, patient, raised, "M.T.")
    with clinic.write() as c:  # in force since yesterday
        newest = prescriptions_of(clinic, patient.id)[0]
        change(
            c,
            "UPDATE prescriptions SET saved_at = :at WHERE version = :v",
            at=f"{day_before(1)}T08:00:00+00:00",
            v=newest.version,
        )
        change(
            c, "UPDATE prescriptions SET saved_at = '2025-01-01T08:00:00+00:00' WHERE version = 1"
        )
    done(clinic, patient, 0)
    found = facts_of(clinic, patient)
    assert [f.is_as_asked_now for f in found] == [False, False, False, True]
    days = next(f for f in criteria(found)[0].facts if f.name == "sessions on different days")
    assert days.text == "1 of 3"


def test_a_change_names_what_else_changed(clinic, patient, results):
    for n, load in ((5, 5.0), (0, 20.0)):
        stored = measured_set(clinic, patient, results, day=day_before(n), added_deg=float(n))
        with clinic.write() as c:
            change(c, "UPDATE sets SET load_kg = :kg WHERE id = :s", kg=load, s=stored.id)
    first, last = series_of(clinic, patient.id, "squat", stored.side)["knee_flexion_peak_deg"]
    assert unlike_words(first, last) == "load 5 kg, then 20 kg"
    assert "(load 5 kg, then 20 kg)" in note.change_words("knee_flexion_peak_deg", first, last)
    assert unlike_words(first, replace(last, load_kg=5.0)) == ""
    assert unlike_words(first, replace(last, load_kg=5.0, support="chair")) == (
        "support not stated, then chair"
    )


def test_the_range_of_another_height_is_no_series(clinic, patient, results):
    """A calf raise's range is the heel's from the side and the hips' from the front."""
    stored = measured_set(clinic, patient, results)
    assert "range_deg" in series_of(clinic, patient.id, "squat", stored.side)
    with clinic.write() as c:
        change(c, "UPDATE set_measures SET key = 'range_share' WHERE key = 'range_deg'")
    assert "range_share" in series_of(clinic, patient.id, "squat", stored.side)
    with clinic.write() as c:
        change(c, "UPDATE sets SET exercise = 'calf_raise'")
    assert "range_share" not in series_of(clinic, patient.id, "calf_raise", stored.side)


def test_the_result_of_a_chair_test_is_kept_with_the_set():
    report = build_report()
    stands = SetMeasure(key="n_in_30_s", mean=11.0, sd=None, first=11.0, last=11.0)
    five = SetMeasure(key="time_for_five_s", mean=12.0, sd=None, first=12.0, last=12.0)
    whole = replace(report.whole, measures=(*report.whole.measures, stands, five))
    means = {m.key: m for m in outcome_of(corrected(replace(report, whole=whole), ())).means}
    assert (means["n_in_30_s"].value, means["n_in_30_s"].low, means["n_in_30_s"].n) == (11, 11, 1)
    assert means["time_for_five_s"].low < 12.0 < means["time_for_five_s"].high


def pelvis_told(*values_deg):
    """The first line of a one-leg set whose pelvic obliquity is to stay within 5 deg."""
    report, key = build_report(), "pelvic_obliquity_peak_deg"
    bound = Bound(measure=key, at_least=-5, at_most=5)
    part = Part(name="a", standard=2.0, kind="own", source="s")
    made = []
    for n, value_deg in enumerate(values_deg):
        found = measured(key, value_deg, (part,), 1.0)
        check = Check(kind="target", bound=bound, outcome=decide("target", found, -5, 5))
        one = report.repetitions[n % len(report.repetitions)]
        rep = replace(one.repetition, number=n + 1, is_complete=True)
        made.append(replace(one, repetition=rep, measures=(found,), checks=(check,), remarks=()))
    facts = set_facts(
        made,
        list(range(1, len(made) + 1)),
        is_hold=False,
        bounds=(("target", bound),),
        measure_of_remark={},
        is_left_out=[False] * len(made),
    )
    whole = replace(report.whole, facts=facts, measures=(), checks=())
    told = replace(report, repetitions=tuple(made), bounds=(("target", bound),), whole=whole)
    return set_sentence(told, "clinician")


def test_a_mean_drop_and_a_mean_hike_are_told_apart():
    assert "mean pelvic hike 8°" in pelvis_told(-8, -7, -9, -8)
    assert "mean pelvic drop 8°" in pelvis_told(8, 7, 9, 8)


def outcomes_told(report):
    found = corrected(report, ())
    stored = outcome_of(found)
    names = ("n_passed", "n_doubtful", "n_not_met", "n_open", "n_limit_unseen")
    return note._outcomes(SimpleNamespace(**{n: getattr(stored, n) for n in names}), found)


def test_the_note_tells_borderline_and_not_measured_apart():
    report = build_report()
    depth, inward = (
        Check(kind="target", bound=Bound(measure=m, at_least=60), outcome=o)
        for m, o in (("knee_flexion_peak_deg", "borderline"), ("fppa_peak_deg", "not_visible"))
    )
    both = tuple(replace(r, checks=(depth, inward)) for r in report.repetitions)
    n = sum(r.repetition.is_complete for r in both)
    (told, *_) = outcomes_told(replace(report, repetitions=both))
    assert told == f"Target borderline in {n}; target not measured in {n}."
    stands = Bound(measure="n_in_30_s", at_least=8)
    whole = replace(
        report.whole, checks=(Check(kind="target", bound=stands, outcome="not_visible"),)
    )
    none = tuple(replace(r, checks=()) for r in report.repetitions)
    (told, *_) = outcomes_told(replace(report, repetitions=none, whole=whole))
    assert told == "Target not measured in 1."

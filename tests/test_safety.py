"""One rule for who must stop, who must call and what is to be looked at, and all that shows it."""

import json
import re
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from builders import Motion, build_report
from clinic_cases import new_clinic, new_set, prescription_text
from hypothesis import given, settings
from hypothesis import strategies as st
from safety_cases import CASES, PLANS, SOURCES
from web_cases import running_site

from formcheck.clinic import answers, jobs
from formcheck.clinic.database import change, one, today
from formcheck.clinic.note import note_text
from formcheck.clinic.patients import add_patient, current_prescription, save_prescription
from formcheck.clinic.reviews import corrected_report, outcome_of, review_sets
from formcheck.clinic.safety import (
    Answer,
    KnownSet,
    SetFacts,
    is_over,
    level_of,
    pain_rule,
    set_reasons,
    standing,
    to_ask_today,
)
from formcheck.clinic.sets import find_set, keep_outcome
from formcheck.clinic.settings import checked_contact, keep_contact
from formcheck.clinic.worklist import work_list
from formcheck.files.question_rules import shipped_questions_text
from formcheck.files.report_file import report_mapping
from formcheck.files.schema import parse_prescription, parse_questions
from formcheck.model.programme import Bound
from formcheck.model.records import AssessedRepetition, Check, Remark
from formcheck.model.safety import LEVELS, Standing
from formcheck.report.corrections import corrected
from formcheck.words.safety_words import SET_REASON_WORDS, TOLD_WORDS, standing_words

pytest.importorskip("starlette")

QUESTIONS = parse_questions(shipped_questions_text(), "questions")
PAGE_OF = {name: g.id for g in QUESTIONS.asked("day") for name in g.questions}
DO = {"squat": "/my/do/squat/both/1", "wall_sit": "/my/do/wall_sit/both/1"}
NAMES = {"squat": "Squat", "wall_sit": "Wall sit"}
EVERY = pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)


def plan_text(plan: str, code: str = "KN-204") -> str:
    text = prescription_text(code)
    if plan.startswith("limit"):
        return text.replace("pain_limit = 3", f"pain_limit = {plan.split()[1]}")
    text = text.replace("pain_limit = 3\n", "")
    return text if plan.startswith("operated") else re.sub(r"surgery_on = .*\n", "", text)


def day_of(offset: int) -> str:
    return (today() + timedelta(days=offset)).isoformat()


# -- the module


def answers_of_case(case) -> list[Answer]:
    """What was said as records, made here by hand."""
    prescription = parse_prescription(plan_text(case.plan), "plan")
    rule = pain_rule(prescription, prescription.exercises[:2])
    made = []
    for n, (day, moment, values) in enumerate(case.said):
        if moment == "filmed":
            continue
        a = Answer(
            id=n + 1,
            set_id=None,
            day=day_of(day),
            at=f"{day_of(day)}T12:00:{n:02d}+00:00",
            moment=moment,
            pain_limit=rule.limit,
            pain_origin=rule.origin,
            **values,
        )
        a = replace(a, is_over_limit=is_over(a.most_pain, rule))
        made.append(replace(a, level=level_of(a, QUESTIONS)))
    return made


def unseen_of_case(case) -> list[KnownSet]:
    return [
        KnownSet(day=day_of(day), exercise="squat", attention=("limit_passed",))
        for day, moment, values in case.said
        if moment == "filmed" and not values["is_seen"]
    ]


def is_held(case) -> bool:
    return case.level in ("call", "urgent") or case.until == "asked"


def may_start(case, exercise: str) -> bool:
    return not is_held(case) and exercise not in case.left_out


def test_there_are_sixty_cases_and_each_names_a_source():
    assert len(CASES) >= 60
    assert len({c.name for c in CASES}) == len(CASES)
    assert {c.source for c in CASES} == SOURCES.keys()
    assert {c.plan for c in CASES} == set(PLANS)


@EVERY
def test_the_rule_gives_the_answer_that_was_written_by_hand(case):
    found = standing(answers_of_case(case), day_of(0), QUESTIONS, unseen_of_case(case))
    assert (found.level, found.until) == (case.level, case.until)
    assert Counter((r.code, r.what) for r in found.reasons) == Counter(case.reasons)
    for exercise in DO:
        assert found.may_start(exercise) == may_start(case, exercise)


# -- every place that shows it


@pytest.fixture(scope="module")
def everybody(tmp_path_factory):
    """A site with a patient for each case, who went the way of the pages; and each one's set of
    today, where one was filmed."""
    clinic = new_clinic(tmp_path_factory.mktemp("cases"))
    keep_contact(clinic, checked_contact("030 1234", "8 to 17", "112"))
    with running_site(clinic) as site:
        site.people = {}
        for n, case in enumerate(CASES):
            patient = add_patient(clinic, f"C-{n:03}")
            save_prescription(clinic, patient, plan_text(case.plan, patient.code), "M.T.")
            browser = site.patient(patient.id)
            site.people[case.name] = (patient, browser, _go(site, patient, browser, case))
        site.doctor = site.clinician()
        yield site
    clinic.close()


def _go(site, patient, browser, case):
    """Says what the case says through the pages, each on its day; gives the set of today."""
    stored = {}
    for n, (day, moment, values) in enumerate(case.said):
        with site.clinic.read() as c:
            last = one(c, "SELECT coalesce(max(id), 0) AS n FROM answers")["n"]
        exercise = values.get("exercise", "squat")
        if moment == "filmed":
            made = _filmed(site.clinic, patient, "squat", ("limit", "passed"))
            if values["is_seen"]:
                review_sets(site.clinic, [made.uid], "M.T.")
            stored["squat"] = find_set(site.clinic, made.uid)
        if moment == "after" and exercise not in stored:
            stored[exercise] = _filmed(site.clinic, patient, exercise)
        is_asked_after = any(m == "after" for _, m, _ in case.said[n:])
        if moment == "stopped" and is_asked_after:
            stored[exercise] = _filmed(site.clinic, patient, exercise)
        if moment != "filmed":
            _say(browser, moment, values, stored.get(exercise))
        if day:
            moved = {"d": day_of(day), "p": patient.id}
            at = (datetime.now(UTC) + timedelta(days=day)).isoformat(timespec="seconds")
            with site.clinic.write() as c:
                change(
                    c,
                    """UPDATE answers SET day = :d, at = :at
                              WHERE patient_id = :p AND id > :last""",
                    at=at,
                    last=last,
                    **moved,
                )
                change(c, "UPDATE sets SET day = :d WHERE patient_id = :p", **moved)
            stored.clear()
    return stored.get("squat")


def _filmed(clinic, patient, exercise: str, *checks):
    """A measured set of today with these outcomes; without, there is nothing to look at."""
    version = current_prescription(clinic, patient.id)
    stored = new_set(clinic, patient, exercise=exercise, side="both", prescription_id=version.id)
    report = a_report(a_repetition(*checks))
    folder = clinic.folder.result(stored.uid)
    folder.mkdir()
    (folder / "report.json").write_text(json.dumps(report_mapping(report)), encoding="utf-8")
    job = jobs.claim(clinic, "test")
    jobs.end_measured(clinic, job, "test", outcome_of(corrected_report(clinic, stored)))
    jobs.end_drawn(clinic, jobs.claim(clinic, "test"), "test", "not drawn")
    return find_set(clinic, stored.uid)


def _say(browser, moment: str, values: dict, stored) -> None:
    exercise = values.get("exercise", "squat")
    at, signs = DO[exercise], values.get("symptoms", ())
    told = {"symptom": list(signs)} if signs else {"none": "yes"}
    if moment == "today" and signs:
        done = browser.post(f"{at}/check/{PAGE_OF[signs[0]]}", told)
    elif moment == "today":
        done = browser.answer_the_day(at)
    elif moment == "before":
        done = browser.before(at, pain=values["pain"])
    elif moment == "after":
        scales = {"pain_during": values["pain_during"], "pain": values["pain"], "effort": 3}
        done = browser.post(f"/my/sets/{stored.uid}/after", {**scales, **told})
    elif moment == "stopped":
        about = {"at_s": values["at_s"], "repetition": 2, "uid": stored.uid if stored else None}
        done = browser.call("POST", f"{at}/stopped", json.dumps(about).encode())
    elif moment == "next day":
        said = {"worst": values["pain"], "stiffness": "same"}
        said |= {"pain": values["pain_change"], "swelling": values["swelling_change"]}
        done = browser.post("/my/next-day", said)
    else:
        done = browser.post("/my/done", values)
    assert done.status in (200, 303), done.text


def words_of(text: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", text).split())


def marks(text: str) -> set[str]:
    return set(re.findall(r'data-standing="(\w+)"', text))


def expected_marks(case, exercise: str | None = None) -> set[str]:
    is_out = bool(case.left_out) if exercise is None else exercise in case.left_out
    return {case.level} if is_held(case) or is_out else set()


@EVERY
def test_no_place_that_shows_it_says_otherwise(everybody, case):
    patient, browser, stored = everybody.people[case.name]
    home = browser.get("/my")
    assert marks(home.text) == expected_marks(case)
    for exercise, at in DO.items():
        starts = f"Start {NAMES[exercise]}" in words_of(home.text)
        assert starts == may_start(case, exercise), exercise
        page = browser.get(at)
        assert marks(page.text) == expected_marks(case, exercise), exercise
        if not may_start(case, exercise):
            assert "<h1" in page.text
            assert {browser.get(f"{at}/{p}").status for p in ("card", "record")} == {303}
    said = words_of(home.text)
    # Who was told to wait has spoken with the clinic; a symptom or pain on top of it is new.
    decides = answers.standing_of(everybody.clinic, patient.id)
    codes = {r.code for r in decides.reasons if r.level == decides.level}
    is_closed_told = case.level == "call" and codes != {"told_to_wait"}
    assert ("phone your doctor or the medical service that is open" in said) == is_closed_told
    assert ("Emergency number: 112." in said) == (case.level == "urgent" or is_closed_told)
    assert "Your clinic: 030 1234 (8 to 17)." in said
    if stored is not None:
        result = browser.get(f"/my/sets/{stored.uid}").text
        assert marks(result) == expected_marks(case, "squat")
        note = note_text(everybody.clinic, stored)
        if ("limit_passed", "") in case.reasons:
            assert "Past a limit in 1" in note
        is_said_today = any(day == 0 and what != "filmed" for day, what, _ in case.said)
        if is_said_today and {code for code, _ in case.reasons} - {"limit_passed"}:
            assert TOLD_WORDS[case.level] in note
        elif all(moment != "acted" for _, moment, _ in case.said):
            assert not [w for w in TOLD_WORDS.values() if w and w in note]
    found = answers.standing_of(everybody.clinic, patient.id)
    why = standing_words(found, QUESTIONS)
    for page in ("", "/summary"):
        text = everybody.doctor.get(f"/clinic/patients/{patient.code}{page}").text
        assert marks(text) == {case.level}, page
        assert why in words_of(text).replace("&#34;", '"')


@EVERY
def test_the_work_list_has_each_answer_under_its_patient_and_says_what_it_is(everybody, case):
    patient, *_ = everybody.people[case.name]
    page = everybody.doctor.get(f"/clinic?code={patient.code}").text
    entries = re.findall(r'<li class="waits.*?</li>', page, flags=re.S)
    parts = {re.search(r'data-part="(\w+)"', e)[1] for e in entries}
    assert parts & {"symptoms", "pains", "stops", "facts"} == set(case.waits)
    assert all(patient.code in e for e in entries)
    if case.waits:
        assert marks(page) == {case.level} - {"start"}


def test_where_all_patients_stand_is_where_each_one_stands(everybody):
    """One reading for all of them gives what is read for each alone, with the rule's own order."""
    found = answers.standings(everybody.clinic, day_of(0))
    for patient, *_ in everybody.people.values():
        alone = answers.standing_of(everybody.clinic, patient.id, day_of(0))
        assert found.get(patient.id, Standing(level="start")) == alone
    work = work_list(everybody.clinic, today())
    must_stop = [p.standing.level in ("leave_out", "call", "urgent") for p in work.patients]
    assert must_stop[0]
    assert work.patients[0].standing.level == "urgent"


def test_the_questions_of_the_day_are_asked_once_and_each_until_it_was_answered():
    said = [Answer(id=1, set_id=None, day=day_of(0), at="1", moment="today", asked=("chest_pain",))]
    every = QUESTIONS.asked("day")
    assert to_ask_today(said, day_of(0), QUESTIONS) == every, "one of its questions is not a page"
    whole = [replace(said[0], asked=every[0].questions)]
    assert to_ask_today(whole, day_of(0), QUESTIONS) == every[1:]
    assert to_ask_today(whole, day_of(1), QUESTIONS) == every
    # A question that the clinic adds later is asked on the same day.
    more = replace(every[0], questions=(*every[0].questions, "locking"))
    changed = replace(QUESTIONS, groups=(more, *QUESTIONS.groups[1:]))
    assert to_ask_today(whole, day_of(0), changed)[0] == more


def test_a_sign_that_is_no_longer_asked_goes_on_to_ask_for_a_call():
    said = Answer(id=1, set_id=None, day=day_of(0), at="1", moment="today", symptoms=("old_sign",))
    assert standing([said], day_of(0), QUESTIONS).level == "call"
    assert standing([replace(said, level="urgent")], day_of(0), QUESTIONS).level == "urgent"


@given(st.data())
@settings(max_examples=60)
def test_what_was_asked_for_is_never_ended_by_an_answer_that_asks_for_nothing(data):
    """Whatever is said later, but for what was done about it, a hold stays or grows."""
    case = data.draw(st.sampled_from([c for c in CASES if c.until == "told"]))
    said = answers_of_case(case)
    level = standing(said, day_of(0), QUESTIONS).level
    for n in range(data.draw(st.integers(1, 5))):
        moment = data.draw(st.sampled_from(["today", "before", "after", "next day"]))
        said.append(
            Answer(
                id=100 + n,
                set_id=None,
                day=day_of(n // 2),
                at=f"{day_of(n // 2)}T23:00:{n:02d}+00:00",
                moment=moment,
                pain=data.draw(st.integers(0, 10)),
                pain_limit=3,
                pain_origin="plan",
            )
        )
        later = standing(said, day_of(n // 2), QUESTIONS)
        assert later.is_held
        assert LEVELS.index(later.level) >= LEVELS.index(level)


# -- sets: what is to be looked at


def a_repetition(*checks: tuple[str, str], remarks: tuple[str, ...] = (), complete: bool = True):
    bounds = {"target": Bound(measure="knee_flexion_peak_deg", at_least=60.0)}
    bounds["limit"] = Bound(measure="knee_flexion_peak_deg", at_most=90.0)
    return AssessedRepetition(
        repetition=Motion().repetition(0, is_complete=complete),
        measures=(),
        checks=tuple(Check(kind=k, bound=bounds[k], outcome=o) for k, o in checks),
        remarks=tuple(Remark(code=c, at_s=1.0) for c in remarks),
    )


def a_report(*repetitions, prescribed: int | None = None, done: int | None = None, whole=()):
    made = build_report()
    codes = {m.code for r in repetitions for m in r.remarks}
    n = sum(r.repetition.is_complete for r in repetitions)
    of_set = a_repetition(*whole).checks
    return replace(
        made,
        repetitions=tuple(repetitions),
        findings=(),
        exercise_words=replace(made.exercise_words, remarks=tuple((c, "A word.") for c in codes)),
        whole=replace(
            made.whole,
            checks=of_set,
            facts=replace(made.whole.facts, observed=()),
            dose_prescribed=n if prescribed is None else prescribed,
            dose_done=n if done is None else done,
        ),
    )


GOOD = (("target", "reached"), ("limit", "kept"))
BAD = (
    ("target", "not_reached"),
    ("target", "borderline"),
    ("target", "not_visible"),
    ("limit", "passed"),
    ("limit", "possibly_passed"),
    ("limit", "not_visible"),
)
OUTCOMES = st.sampled_from([*GOOD, *BAD])


AMISS = ("outcomes", "remarks", "dose", "prescription", "said")


@st.composite
def sets(draw):
    """A report with what else belongs to its set: a prescription or none, a dose, what was said.

    In most of them one thing alone may be amiss: each must be enough by itself.
    """
    amiss = draw(st.sampled_from([*AMISS, "any"]))

    def of(what: str, quiet, *others):
        return draw(st.sampled_from([quiet, *others] if amiss in (what, "any") else [quiet]))

    one = of("outcomes", GOOD[0], *BAD)
    outcomes = OUTCOMES if amiss == "any" else st.sampled_from([*GOOD, one])
    repetitions = [
        a_repetition(
            *draw(st.lists(outcomes, max_size=2)), remarks=of("remarks", (), ("heel_lift",))
        )
        for _ in range(draw(st.integers(1, 3)))
    ]
    n = len(repetitions)
    return (
        a_report(
            *repetitions,
            done=of("dose", n, n - 1, n + 1),
            whole=draw(st.lists(outcomes, max_size=1)),
        ),
        of("prescription", True, False),
        of("said", "", "stop", "sign", "pain", "visit"),
    )


def has_nothing_to_look_at(report, is_prescribed: bool, said: str) -> bool:
    """The same, read straight from the report and what was said, by no code of ours."""
    outcomes = {(c.kind, c.outcome) for r in report.repetitions for c in r.checks}
    outcomes |= {(c.kind, c.outcome) for c in report.whole.checks}
    return (
        outcomes <= set(GOOD)
        and not any(r.remarks for r in report.repetitions)
        and is_prescribed
        and report.whole.dose_done == report.whole.dose_prescribed
        and not said
    )


@pytest.fixture(scope="module")
def list_of_sets(tmp_path_factory):
    clinic = new_clinic(tmp_path_factory.mktemp("sets"))
    patient = add_patient(clinic, "KN-204")
    stored = new_set(clinic, patient)
    yield clinic, patient, stored
    clinic.close()


@given(made=sets())
@settings(max_examples=200)
def test_only_a_set_with_nothing_to_look_at_is_unremarkable(list_of_sets, made):
    clinic, patient, stored = list_of_sets
    report, is_prescribed, said = made
    if not is_prescribed:
        report = replace(report, whole=replace(report.whole, dose_prescribed=None))
    outcome = outcome_of(corrected(report, ()))
    with clinic.write() as c:
        keep_outcome(c, stored.id, outcome)
        change(c, "UPDATE sets SET state = 'measured' WHERE id = :s", s=stored.id)
        change(c, "DELETE FROM answers")
    values = {
        "stop": {"moment": "stopped"},
        "sign": {"moment": "after", "symptoms": ("locking",)},
        "pain": {"moment": "after", "pain_during": 9},
        "visit": {"moment": "after", "symptoms": ("stiffer",)},
        "": {"moment": "after", "pain_during": 2},
    }[said]
    moment = values.pop("moment")
    answers.add_answer(clinic, patient.id, moment, set_id=stored.id, **values)
    work = work_list(clinic, today())
    is_quiet = has_nothing_to_look_at(report, is_prescribed, said)
    assert work.counts["unremarkable"] == is_quiet
    assert work.counts["past_limit"] + work.counts["to_look_at"] == (not is_quiet)
    if outcome.n_passed or outcome.n_doubtful:
        assert work.counts["past_limit"] == 1
    assert all(r in SET_REASON_WORDS for r in outcome.attention)


def test_each_thing_to_look_at_has_its_reason():
    quiet = SetFacts(dose_prescribed=6, dose_done=6)
    assert set_reasons(quiet) == ()
    for values, reason in (
        ({"n_passed": 1}, "limit_passed"),
        ({"n_doubtful": 1}, "limit_possibly_passed"),
        ({"n_limit_unseen": 1}, "limit_unseen"),
        ({"n_not_met": 1}, "target_not_reached"),
        ({"n_open": 1}, "target_open"),
        ({"dose_done": 5}, "dose_short"),
        ({"dose_done": 7}, "dose_over"),
        ({"n_remarked": 1}, "remark"),
        ({"dose_prescribed": None}, "no_prescription"),
    ):
        assert set_reasons(replace(quiet, **values)) == (reason,)


def test_a_set_measured_before_this_was_kept_is_to_be_looked_at(list_of_sets):
    clinic, _, stored = list_of_sets
    with clinic.write() as c:
        change(c, "DELETE FROM answers")
        change(c, "UPDATE sets SET state = 'measured', attention = NULL WHERE id = :s", s=stored.id)
    work = work_list(clinic, today())
    assert [e.stored.attention for _, e in work.of("to_look_at")] == [("not_counted",)]

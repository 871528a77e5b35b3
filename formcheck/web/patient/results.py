"""After a set: pain and effort, the result on one plain screen, and what comes next."""

from datetime import date

from formcheck.clinic import jobs
from formcheck.clinic.answers import answers_of_set
from formcheck.clinic.database import today
from formcheck.clinic.patients import current_prescription, prescription_by_id
from formcheck.clinic.reviews import corrected_report, corrections_of
from formcheck.clinic.safety import reasons_of
from formcheck.clinic.sets import StoredSet, set_load
from formcheck.clinic.settings import questions_for
from formcheck.clinic.today import TodaySet, change_words, find_today, next_open
from formcheck.model.programme import Exercise
from formcheck.model.records import AssessedRepetition
from formcheck.model.safety import LEVELS, PainRule
from formcheck.web.pages import first, get, go, post, render, site_of, telling
from formcheck.web.patient.holds import (
    AFTER,
    after_groups,
    hold_of,
    keep_after,
    own_standing,
    rule_of_line,
    values_of,
)
from formcheck.web.patient.own import own_patient, own_set
from formcheck.web.patient.pages import over_words, set_path, set_words, todays_own_list, used_kg
from formcheck.words.languages import gettext, marked
from formcheck.words.safety_words import LEVEL_WORDS, why_words


def routes() -> list:
    at = "/my/sets/{uid}"
    return [
        get(at, _result),
        get(at + "/progress", _progress),
        get(at + "/after", _after),
        post(at + "/after", _keep_after),
    ]


def _after(request, faults=(), values=None, status: int = 200):
    stored = own_set(request)
    if not faults and _after_answer(request, stored) is not None:
        return go(request, f"/my/sets/{stored.uid}")
    said = answers_of_set(site_of(request).clinic, stored.id)
    groups, by_id = after_groups(request, stored.patient_id)
    return render(
        request,
        "my_after.html.j2",
        status=status,
        action=f"/my/sets/{stored.uid}/after",
        exercise=stored.exercise,
        side=stored.side,
        number=stored.set_number,
        asked=AFTER,
        groups=groups,
        questions=by_id,
        values=values or {},
        faults=faults,
        planned_kg=_planned_kg(request, stored),
        is_hurt=any(a.moment == "stopped" for a in said),
    )


def _after_answer(request, stored: StoredSet):
    found = answers_of_set(site_of(request).clinic, stored.id)
    return next((a for a in reversed(found) if a.moment == "after"), None)


def _rule_of(request, stored: StoredSet) -> PainRule:
    """The rule for pain of the set's own prescription line, or of the one in force now."""
    clinic = site_of(request).clinic
    version = prescription_by_id(clinic, stored.prescription_id) if stored.prescription_id else None
    day = date.fromisoformat(stored.day)
    version = version or current_prescription(clinic, stored.patient_id, day)
    return rule_of_line(version.record() if version else None, stored.exercise, stored.side)


def _planned_kg(request, stored: StoredSet) -> float | None:
    """The weight that the plan of the set names; None where it names none, or says no load."""
    clinic = site_of(request).clinic
    version = prescription_by_id(clinic, stored.prescription_id) if stored.prescription_id else None
    lines = version.record().exercises if version else ()
    own = [x for x in lines if x.exercise == stored.exercise and x.load_kg]
    sided = [x for x in own if stored.side in x.sides or "both" in (stored.side, *x.sides)]
    return sided[0].load_kg if sided else None


def _keep_after(request, fields):
    stored, clinic = own_set(request), site_of(request).clinic
    with telling() as faults, clinic.one_change():
        if _planned_kg(request, stored):
            set_load(clinic, stored.id, used_kg(fields))
        keep_after(
            request,
            fields,
            stored.patient_id,
            stored.exercise,
            _rule_of(request, stored),
            set_id=stored.id,
        )
    if faults:
        values = {**values_of(fields), "load_kg": first(fields, "load_kg")}
        return _after(request, faults, values, 400)
    return go(request, f"/my/sets/{stored.uid}")


def _told_then(request, stored: StoredSet) -> str:
    """What the patient was told with this set, on its day; empty where nothing was."""
    clinic = site_of(request).clinic
    questions = questions_for(clinic, stored.patient_id)
    said = answers_of_set(clinic, stored.id)
    reasons = [r for a in said for r in reasons_of(a, questions) if r.level in HOLDING]
    if not reasons:
        return ""
    level = max((r.level for r in reasons), key=LEVELS.index)
    return f"{gettext(LEVEL_WORDS[level])} {why_words(reasons, questions)}"


HOLDING = ("leave_out", "call", "urgent")


def _result(request):
    from formcheck.clinic.exchange import comments_received
    from formcheck.files.exercises import load_exercise
    from formcheck.words.first_line import why_not_measured
    from formcheck.words.patient_result import NOT_USED, best_repetition, patient_result

    clinic, stored = site_of(request).clinic, own_set(request)
    patient, is_today = own_patient(request), stored.day == today().isoformat()
    found = corrected_report(clinic, stored)
    exercise = load_exercise(stored.exercise)
    answer = _after_answer(request, stored)
    comments = [
        (k.correction.words, k.correction.made_at)
        for k in corrections_of(clinic, stored.id)
        if k.correction.kind == "comment" and k.withdrawn_at is None
    ]
    comments += [
        (c.words, c.day)
        for c in comments_received(clinic, stored.patient_id)
        if c.set_uid == stored.uid
    ]
    return render(
        request,
        "my_result.html.j2",
        stored=stored,
        exercise=exercise,
        answer=answer,
        is_waiting=stored.state in ("recorded", "analysing"),
        result=patient_result(
            found.report, exercise, is_left_out=[out is not None for out in found.left_out]
        )
        if found
        else None,
        best=_best(
            best_repetition(
                [
                    r
                    for r, out in zip(found.report.repetitions, found.left_out, strict=True)
                    if out is None
                ]
            )
        )
        if found
        else None,
        **_target_drawing(request, stored, exercise),
        why_not=why_not_measured(found.report, "patient") if found else gettext(NOT_USED),
        comments=comments,
        hold=hold_of(request, patient, stored.exercise) if is_today else None,
        told_then="" if is_today else _told_then(request, stored),
        is_today=is_today,
        set_path=set_path,
        set_words=set_words,
        **_what_next(request, stored),
    )


def _best(repetition: AssessedRepetition | None) -> tuple[int, float] | None:
    """(number, moment of the end range in seconds) of the repetition that is shown."""
    if repetition is None:
        return None
    return repetition.repetition.number, round(repetition.repetition.turn_s, 2)


def _target_drawing(request, stored: StoredSet, exercise: Exercise) -> dict[str, str]:
    """The exercise as the set's plan wants it, the working side nearer: SVG, and its poses in
    words."""
    from formcheck.words.drawn_poses import drawn_poses
    from formcheck.words.figures import poses_svg

    plan_id, clinic = stored.prescription_id, site_of(request).clinic
    version = prescription_by_id(clinic, plan_id) if plan_id else None
    lines = version.record().exercises if version else ()
    line = next((x for x in lines if x.exercise == stored.exercise), None)
    near = stored.side if stored.side in ("left", "right") else "none"
    return {
        "target_drawing": poses_svg(exercise, line=line, near=near),
        "target_words": "; ".join(p.label for p in drawn_poses(exercise, line)),
    }


def _what_next(request, stored: StoredSet) -> dict:
    """The next open set of today, what to change for it, and whether something is done."""
    nothing = {
        "next_set": None,
        "change": "",
        "rest_s": None,
        "is_exercise_over": False,
        "is_day_over": False,
        "here": None,
        "exercise_words": "",
        "day_words": "",
        "standing": own_standing(request, own_patient(request)),
    }
    if stored.day != today().isoformat():
        return nothing
    day = todays_own_list(request, own_patient(request))
    found = find_today(day, stored.exercise, stored.side, stored.set_number)
    if found is None:
        return nothing
    of, here = found
    standing = nothing["standing"]
    open_to = [o for o in day if standing.may_start(o.line.exercise)]
    following: TodaySet | None = next_open(open_to, here)
    is_same = following is not None and following.exercise == here.exercise
    return {
        "here": here,
        "next_set": following,
        "change": change_words(here, following) if following else "",
        "rest_s": of.line.rest_s if is_same else None,
        "is_exercise_over": of.is_over,
        "is_day_over": all(o.is_over for o in day),
        "exercise_words": over_words(of.sets),
        "day_words": over_words([s for o in day if o.is_due for s in o.sets]),
        "standing": standing,
    }


_STARTING = marked("Starting")
_STAGES = {"pose": marked("The computer looks at each picture of your recording")}


def _progress(request):
    """How far the measuring is, as JSON for the page."""
    from starlette.responses import JSONResponse

    clinic, stored = site_of(request).clinic, own_set(request)
    job = jobs.progress_of(clinic, stored.id)
    is_over = stored.state not in ("recorded", "analysing")
    words, share = gettext("Done"), None
    if not is_over:
        words = gettext("Waiting for its turn")
        if job is not None and job.state == "running":
            words = gettext(_STAGES.get(job.stage, _STARTING))
            share = min(1.0, job.done / job.total) if job.total else None
    return JSONResponse({"state": stored.state, "is_over": is_over, "words": words, "share": share})

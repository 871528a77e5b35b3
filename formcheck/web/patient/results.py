"""After a set: pain and effort, the result on one plain screen, and what comes next."""

from formcheck.clinic import jobs
from formcheck.clinic.answers import DEFAULT_PAIN_LIMIT, add_answer, answers_of_set
from formcheck.clinic.database import today
from formcheck.clinic.patients import prescription_by_id
from formcheck.clinic.reviews import corrected_report, corrections_of
from formcheck.clinic.sets import StoredSet
from formcheck.clinic.today import TodaySet, change_words, find_today, next_open
from formcheck.model.errors import UsageError
from formcheck.web.pages import first, get, go, post, render, site_of, telling, whole
from formcheck.web.patient.pages import (
    over_words,
    own_patient,
    own_set,
    set_path,
    set_words,
    todays_own_list,
)


def routes() -> list:
    at = "/my/sets/{uid}"
    return [
        get(at, _result),
        get(at + "/progress", _progress),
        get(at + "/after", _after),
        post(at + "/after", _keep_after),
    ]


_ASKED = (
    ("pain_during", "Pain during the set", "no pain", "worst pain"),
    ("pain", "Pain now", "no pain", "worst pain"),
    ("effort", "How hard was it?", "no effort", "as hard as possible"),
)


def _after(request, faults=(), values=None, status: int = 200):
    stored = own_set(request)
    if not faults and _after_answer(request, stored) is not None:
        return go(request, f"/my/sets/{stored.uid}")
    return render(
        request,
        "my_after.html.j2",
        status=status,
        stored=stored,
        asked=_ASKED,
        values=values or {},
        faults=faults,
        is_hurt=request.query_params.get("hurt") == "1",
    )


def _after_answer(request, stored: StoredSet):
    found = answers_of_set(site_of(request).clinic, stored.id)
    return next((a for a in reversed(found) if a.moment == "after"), None)


def _limit_of(request, stored: StoredSet) -> int | None:
    """The pain limit of the set's own prescription line; None where it names none."""
    from formcheck.files.prescriptions import prescribed_line

    clinic = site_of(request).clinic
    version = prescription_by_id(clinic, stored.prescription_id) if stored.prescription_id else None
    if version is None:
        return None
    try:
        line = prescribed_line(version.record(), stored.exercise, stored.side)
    except UsageError:
        return None
    return line.pain_limit


def _keep_after(request, fields):
    stored = own_set(request)
    values = {name: first(fields, name) for name, *_ in _ASKED}
    with telling() as faults:
        given = {name: whole(fields, name, words) for name, words, *_ in _ASKED}
        missing = [words.rstrip("?").lower() for name, words, *_ in _ASKED if given[name] is None]
        if missing:
            raise UsageError(f"choose a number from 0 to 10 for: {', '.join(missing)}")
        add_answer(
            site_of(request).clinic,
            stored.patient_id,
            "after",
            set_id=stored.id,
            exercise=stored.exercise,
            pain_limit=_limit_of(request, stored),
            **given,
        )
    if faults:
        return _after(request, faults, values, 400)
    return go(request, f"/my/sets/{stored.uid}")


def _result(request):
    from formcheck.clinic.exchange import comments_received
    from formcheck.files.exercises import load_exercise
    from formcheck.words.first_line import why_not_measured
    from formcheck.words.patient_result import NOT_USED, patient_result

    clinic, stored = site_of(request).clinic, own_set(request)
    limit = _limit_of(request, stored)
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
        why_not=why_not_measured(found.report, "patient") if found else NOT_USED,
        comments=comments,
        limit=DEFAULT_PAIN_LIMIT if limit is None else limit,
        has_plan_limit=limit is not None,
        is_today=stored.day == today().isoformat(),
        set_path=set_path,
        set_words=set_words,
        **_what_next(request, stored),
    )


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
    }
    if stored.day != today().isoformat():
        return nothing
    day = todays_own_list(request, own_patient(request))
    found = find_today(day, stored.exercise, stored.side, stored.set_number)
    if found is None:
        return nothing
    of, here = found
    following: TodaySet | None = next_open(day, here)
    is_same = following is not None and following.exercise == here.exercise
    return {
        "here": here,
        "next_set": following,
        "change": change_words(here, following) if following else "",
        "rest_s": of.line.rest_s if is_same else None,
        "is_exercise_over": of.is_over,
        "is_day_over": all(o.is_over for o in day),
        "exercise_words": over_words(of.sets),
        "day_words": over_words([s for o in day for s in o.sets]),
    }


_STAGES = {"pose": "The computer looks at each picture of your recording"}


def _progress(request):
    """How far the measuring is, as JSON for the page."""
    from starlette.responses import JSONResponse

    clinic, stored = site_of(request).clinic, own_set(request)
    job = jobs.progress_of(clinic, stored.id)
    is_over = stored.state not in ("recorded", "analysing")
    words, share = "Done", None
    if not is_over:
        words = "Waiting for its turn"
        if job is not None and job.state == "running":
            words = _STAGES.get(job.stage, "Starting")
            share = min(1.0, job.done / job.total) if job.total else None
    return JSONResponse({"state": stored.state, "is_over": is_over, "words": words, "share": share})

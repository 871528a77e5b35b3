"""One set of today: the questions before it, the set-up card, the recording, a clip dropped in."""

import json
from datetime import UTC, datetime, timedelta

from formcheck.clinic.answers import REASONS, add_answer, answers_of
from formcheck.clinic.database import today
from formcheck.clinic.folder import UID
from formcheck.clinic.patients import Patient, current_prescription
from formcheck.clinic.safety import Answer, to_ask_today
from formcheck.clinic.settings import questions_for
from formcheck.clinic.today import TodayExercise, TodaySet, recording_plan
from formcheck.files.strict_json import read_json
from formcheck.model.errors import UsageError
from formcheck.model.programme import Prescription
from formcheck.model.safety import PainRule
from formcheck.motion.depth_cue import cue_point, is_cued_from
from formcheck.web.pages import (
    PageError,
    call,
    first,
    get,
    go,
    moment_words,
    post,
    render,
    site_of,
    telling,
    whole,
)
from formcheck.web.patient.holds import hold_of, own_standing, rule_of_line, ticked
from formcheck.web.patient.own import own_patient
from formcheck.web.patient.pages import listed_set, set_path, set_words
from formcheck.web.security import permissions
from formcheck.words.languages import gettext

ANSWER_HOLDS = timedelta(hours=2)
"""Answers before a set are asked again after so long (common practice)."""
MOST_JSON_BYTES = 2000


def routes() -> list:
    at = "/my/do/{exercise}/{side}/{number:int}"
    return [
        get(at, _before),
        post(at, _keep_before),
        get(at + "/check/{group}", _check),
        post(at + "/check/{group}", _keep_check),
        get(at + "/card", _card),
        get(at + "/record", _record),
        call(at + "/stopped", _stopped, "POST"),
    ]


def _about(request, of: TodayExercise, s: TodaySet) -> dict:
    return {"of": of, "s": s, "name": set_words(s), "at": set_path(s)}


def _rule(request, patient: Patient, s: TodaySet) -> PainRule:
    version = current_prescription(site_of(request).clinic, patient.id)
    return rule_of_line(version.record() if version else None, s.exercise, s.side)


# -- before


def _held(request, patient: Patient, of: TodayExercise, s: TodaySet):
    """The page that says to leave this set out, or None where it may start."""
    hold = hold_of(request, patient, s.exercise)
    if hold is None:
        return None
    return render(request, "my_stop.html.j2", **_about(request, of, s), hold=hold)


def _asked_today(request, patient: Patient) -> list[Answer]:
    day = today().isoformat()
    said = answers_of(site_of(request).clinic, patient.id)
    return [a for a in said if a.day == day and a.moment == "today"]


def _open_groups(request, patient: Patient):
    clinic = site_of(request).clinic
    questions = questions_for(clinic, patient.id)
    return to_ask_today(answers_of(clinic, patient.id), today().isoformat(), questions)


def _before(request, faults=(), values=None, status: int = 200):
    patient = own_patient(request)
    of, s = listed_set(request, patient)
    held = _held(request, patient, of, s)
    if held is not None:
        return held
    groups = _open_groups(request, patient)
    if groups:
        return go(request, f"{set_path(s)}/check/{groups[0].id}")
    return render(
        request,
        "my_before.html.j2",
        status=status,
        **_about(request, of, s),
        asked_at=moment_words(_asked_today(request, patient)[-1].at).rpartition(", ")[2],
        has_limit=_rule(request, patient, s).origin != "none",
        values=values or {},
        faults=faults,
    )


def _keep_before(request, fields):
    patient = own_patient(request)
    of, s = listed_set(request, patient)
    if _held(request, patient, of, s) is not None or _open_groups(request, patient):
        return _before(request)
    values = {"pain": first(fields, "pain"), "new": first(fields, "new")}
    with telling() as faults:
        pain = whole(fields, "pain", gettext("pain"))
        if pain is None:
            raise UsageError(gettext("choose your pain now, from 0 to 10"))
        if values["new"] not in ("no", "yes"):
            raise UsageError(gettext("say whether there is anything new"))
        add_answer(
            site_of(request).clinic,
            patient.id,
            "before",
            exercise=s.exercise,
            side=s.side,
            set_number=s.number,
            pain=pain,
            rule=_rule(request, patient, s),
        )
    if faults:
        return _before(request, faults, values, 400)
    held = _held(request, patient, of, s)
    if held is not None:
        return held
    if values["new"] == "yes":
        questions = questions_for(site_of(request).clinic, patient.id)
        return go(request, f"{set_path(s)}/check/{questions.asked('day')[0].id}")
    return go(request, f"{set_path(s)}/card")


# -- the questions of the day


def _group(request, patient: Patient):
    """(the group of the address, the one after it or None, the questions)."""
    questions = questions_for(site_of(request).clinic, patient.id)
    groups = questions.asked("day")
    at = next((n for n, g in enumerate(groups) if g.id == request.path_params["group"]), None)
    if at is None:
        raise PageError(404, gettext("There is no such page of questions."))
    return groups[at], groups[at + 1] if at + 1 < len(groups) else None, questions


def _check(request, faults=(), values=None, status: int = 200):
    patient = own_patient(request)
    of, s = listed_set(request, patient)
    held = _held(request, patient, of, s)
    if held is not None:
        return held
    group, _, questions = _group(request, patient)
    every = questions.asked("day")
    return render(
        request,
        "my_check.html.j2",
        status=status,
        **_about(request, of, s),
        group=group,
        number=every.index(group) + 1,
        most=len(every),
        questions=questions.by_id,
        values=values or {},
        faults=faults,
    )


def _keep_check(request, fields):
    patient = own_patient(request)
    of, s = listed_set(request, patient)
    group, following, _ = _group(request, patient)
    with telling() as faults:
        add_answer(
            site_of(request).clinic,
            patient.id,
            "today",
            symptoms=ticked(fields),
            asked=group.questions,
        )
    if faults:
        values = {"symptom": fields.get("symptom", []), "none": first(fields, "none")}
        return _check(request, faults, values, 400)
    held = _held(request, patient, of, s)
    if held is not None:
        return held
    if following is not None:
        return go(request, f"{set_path(s)}/check/{following.id}")
    return go(request, f"{set_path(s)}/card" if answer_in_force(request, of, s) else set_path(s))


def answer_in_force(request, of: TodayExercise, s: TodaySet) -> Answer | None:
    """The answer that lets this set begin: of this exercise, of the last two hours, not used for
    another set; None when there is none, when the day's questions were not all asked, or when
    anything that was said holds the set back."""
    clinic, patient = site_of(request).clinic, own_patient(request)
    if not own_standing(request, patient).may_start(s.exercise) or _open_groups(request, patient):
        return None
    since = (datetime.now(UTC) - ANSWER_HOLDS).isoformat(timespec="seconds")
    found = [
        a
        for a in answers_of(clinic, patient.id)
        if a.moment == "before" and a.exercise == s.exercise and a.at >= since
    ]
    last = max(found, key=lambda a: a.id, default=None)
    return last if last is not None and last.pain is not None and last.set_id is None else None


# -- "It hurts, stop"


async def _stopped(request):
    """Keeps that the patient pressed "It hurts, stop": when, after how many repetitions, in which
    recording. Sent by the page at once, before the recording is whole."""
    from starlette.concurrency import run_in_threadpool
    from starlette.responses import JSONResponse

    body = await request.body()
    try:
        values = read_json(body) if len(body) <= MOST_JSON_BYTES else None
    except ValueError:
        values = None
    about = _stop_from(values)
    if about is None:
        return JSONResponse({"error": "that cannot be read"}, status_code=400)

    def keep() -> None:
        patient = own_patient(request)
        p = request.path_params
        clinic = site_of(request).clinic
        # It is kept whether or not the set is still on today's list: midnight may have passed.
        add_answer(
            clinic,
            patient.id,
            "stopped",
            exercise=p["exercise"][:60],
            side=p["side"] if p["side"] in ("left", "right", "both") else "",
            set_number=p["number"] if 1 <= p["number"] <= 20 else None,
            set_id=_finished_set(clinic, patient.id, about["set_uid"]),
            **about,
        )

    await run_in_threadpool(keep)
    return JSONResponse({})


def _finished_set(clinic, patient_id: int, uid: str | None) -> int | None:
    """The set that a recording has become already."""
    from formcheck.clinic.sets import find_set

    stored = find_set(clinic, uid, patient_id=patient_id) if uid else None
    return stored.id if stored else None


def _stop_from(values: object) -> dict | None:
    """What the page says of a stop, checked; None when it is not what our page sends."""
    if not isinstance(values, dict):
        return None
    at_s, repetition, uid = (values.get(k) for k in ("at_s", "repetition", "uid"))
    is_time = at_s is None or (type(at_s) in (int, float) and 0 <= at_s < 100_000)
    is_count = repetition is None or (type(repetition) is int and 0 <= repetition <= 1000)
    is_uid = uid is None or (isinstance(uid, str) and UID.fullmatch(uid) is not None)
    if not (is_time and is_count and is_uid):
        return None
    return {"at_s": at_s, "repetition": repetition, "set_uid": uid}


# -- the card, and the recording


def _card(request):
    from formcheck.words import patient_words
    from formcheck.words.figures import camera_svg, exercise_svg

    of, s = listed_set(request, own_patient(request))
    if answer_in_force(request, of, s) is None:
        return go(request, set_path(s))
    plane, near = s.view or of.exercise.figure.plane, _near_side(request, s)
    return render(
        request,
        "my_card.html.j2",
        **_about(request, of, s),
        reasons=REASONS,
        figure=exercise_svg(of.exercise, plane, name="figure", line=of.line, near=near, columns=2),
        camera=camera_svg(of.exercise, plane, name="camera", near=near),
        camera_words=camera_words(_near_side(request, s), plane),
        dose=patient_words.dose_words(of.line, of.exercise),
        targets=[patient_words.bound_words(b) for b in of.line.targets],
        limits=[patient_words.limit_words(b) for b in of.line.limits],
        cue=patient_words.cue_words(of.line, of.exercise, [plane]),
        set_up=patient_words.set_up_words(of.exercise),
        cautions=patient_words.cautions(of.exercise),
        sides=_clip_sides(of),
        about=json.dumps(_upload_facts(request, of, s)),
    )


def _clip_sides(of: TodayExercise) -> tuple[tuple[str, str], ...]:
    if of.exercise.working_leg == "both":
        return (("both", gettext("Both legs")),)
    return (("left", gettext("My left leg")), ("right", gettext("My right leg")))


def _near_side(request, s: TodaySet) -> str:
    """The side that should be nearer to a camera at the side: the working leg's, or, where both
    work, the involved one; `none` where either will do."""
    version = current_prescription(site_of(request).clinic, own_patient(request).id)
    return near_side(version.record() if version else None, s)


def near_side(prescription: Prescription | None, s: TodaySet) -> str:
    """The side of a set that should be nearer to a camera at the side, `none` for either."""
    if s.side != "both":
        return s.side
    involved = prescription.involved_side if prescription else "none"
    return involved if involved in ("left", "right") else "none"


def camera_words(near: str, plane: str) -> str:
    """From where the camera looks in a set, to the patient."""
    if plane == "sagittal":
        return {
            "left": gettext("For this set: the camera looks at your left side."),
            "right": gettext("For this set: the camera looks at your right side."),
        }.get(near, gettext("For this set: the camera looks at one of your sides."))
    if plane == "frontal":
        return gettext("For this set: the camera looks at you from straight ahead.")
    return gettext("For this set: the camera stands half way between front and side.")


def _upload_facts(request, of: TodayExercise, s: TodaySet) -> dict:
    answer = answer_in_force(request, of, s)
    return {
        "exercise": s.exercise,
        "side": s.side,
        "set_number": s.number,
        # A weight that is planned is asked for after the set, as it was used.
        "load_kg": None if of.line.load_kg else of.line.load_kg,
        "support": of.line.support_allowed,
        "before": answer.id if answer else None,
        "day": today().isoformat(),
    }


def _record(request):
    from formcheck.words import patient_words
    from formcheck.words.figures import camera_svg

    of, s = listed_set(request, own_patient(request))
    if answer_in_force(request, of, s) is None:
        return go(request, set_path(s))
    plan = recording_plan(of.line, of.exercise)
    plane = s.view or of.exercise.figure.plane
    point = cue_point(of.line, of.exercise) if is_cued_from(plane, of.exercise) else None
    facts = {
        "stopped": f"{set_path(s)}/stopped",
        "upload": _upload_facts(request, of, s),
        "live": {
            "exercise": s.exercise,
            "side": s.side,
            "plane": plane,
            "involved": _near_side(request, s),
            **({"cue": point.at_deg} if point else {}),
        },
        "n": plan.n,
        "holdS": plan.hold_s,
        "limitS": plan.limit_s,
        "isHold": of.exercise.kind == "hold",
        "isLying": of.exercise.position in patient_words.LYING_POSITIONS,
        "isProne": of.exercise.position == "prone",
        "repetitions": of.line.repetitions,
        "restS": of.line.rest_s,
    }
    page = render(
        request,
        "my_record.html.j2",
        **_about(request, of, s),
        facts=json.dumps(facts),
        camera_words=camera_words(_near_side(request, s), plane),
        plan=plan,
        cue=patient_words.cue_words(of.line, of.exercise, [plane]),
        is_lying=of.exercise.position in patient_words.LYING_POSITIONS,
        can_raise_arms=of.exercise.position != "prone",
        camera=camera_svg(of.exercise, plane, name="camera", near=_near_side(request, s)),
    )
    # The one page where a patient may ask for the microphone, to stop by voice.
    page.headers["permissions-policy"] = permissions("camera", "microphone")
    return page

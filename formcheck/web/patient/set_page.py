"""One set of today: the questions before it, the set-up card, the recording, a clip dropped in."""

import json
from datetime import UTC, datetime, timedelta

from formcheck.clinic.answers import (
    DEFAULT_PAIN_LIMIT,
    REASONS,
    SYMPTOMS,
    URGENT,
    Answer,
    add_answer,
    answers_of,
)
from formcheck.clinic.database import today
from formcheck.clinic.patients import current_prescription
from formcheck.clinic.today import TodayExercise, TodaySet, recording_plan
from formcheck.model.errors import UsageError
from formcheck.web.pages import first, get, go, post, render, site_of, telling, whole
from formcheck.web.patient.pages import listed_set, own_patient, set_path, set_words

ANSWER_HOLDS = timedelta(hours=2)
"""Answers before a set are asked again after so long (common practice)."""
LEAVE_OUT = "Leave this set out and call your clinic."
URGENT_HELP = "Get urgent medical help now."


def routes() -> list:
    at = "/my/do/{exercise}/{side}/{number:int}"
    return [
        get(at, _before),
        post(at, _keep_before),
        get(at + "/card", _card),
        get(at + "/record", _record),
    ]


def pain_limit(of: TodayExercise) -> int:
    """Pain over this and the set is left out."""
    limit = of.line.pain_limit
    return DEFAULT_PAIN_LIMIT if limit is None else limit


def _about(request, of: TodayExercise, s: TodaySet) -> dict:
    return {"of": of, "s": s, "name": set_words(s), "at": set_path(s)}


# -- before


def _before(request, faults=(), values=None, status: int = 200):
    of, s = listed_set(request, own_patient(request))
    return render(
        request,
        "my_before.html.j2",
        status=status,
        **_about(request, of, s),
        symptoms=SYMPTOMS,
        urgent=URGENT,
        values=values or {},
        faults=faults,
    )


def _keep_before(request, fields):
    patient = own_patient(request)
    of, s = listed_set(request, patient)
    told = fields.get("symptom", [])
    values = {"pain": first(fields, "pain"), "symptom": told, "none": first(fields, "none")}
    with telling() as faults:
        pain = whole(fields, "pain", "pain")
        if pain is None:
            raise UsageError("choose your pain now, from 0 to 10")
        if not told and not values["none"]:
            raise UsageError("tick what applies, or “None of these”")
        if told and values["none"]:
            raise UsageError("tick what applies, or “None of these”, not both")
        add_answer(
            site_of(request).clinic,
            patient.id,
            "before",
            exercise=s.exercise,
            pain=pain,
            symptoms=tuple(told),
            pain_limit=of.line.pain_limit,
        )
    if faults:
        return _before(request, faults, values, 400)
    is_urgent = any(name in URGENT for name in told)
    if is_urgent or told or pain > pain_limit(of):
        return render(
            request,
            "my_stop.html.j2",
            **_about(request, of, s),
            is_urgent=is_urgent,
            words=URGENT_HELP if is_urgent else LEAVE_OUT,
            pain=pain,
            limit=pain_limit(of),
            told=[{**SYMPTOMS, **URGENT}[name] for name in told],
            reason="swelling" if "new_swelling" in told else "unsure" if told else "pain",
            has_plan_limit=of.line.pain_limit is not None,
        )
    return go(request, f"{set_path(s)}/card")


def answer_in_force(request, of: TodayExercise, s: TodaySet) -> Answer | None:
    """The answer that lets this set begin: of this exercise, of the last two hours, not used for
    another set; None when there is none, or it says that the set is to be left out."""
    clinic, patient = site_of(request).clinic, own_patient(request)
    since = (datetime.now(UTC) - ANSWER_HOLDS).isoformat(timespec="seconds")
    found = [
        a
        for a in answers_of(clinic, patient.id)
        if a.moment == "before" and a.exercise == s.exercise and a.at >= since
    ]
    if not found:
        return None
    last = max(found, key=lambda a: a.id)
    is_fit = not last.symptoms and last.pain is not None and last.pain <= pain_limit(of)
    return last if is_fit and last.set_id is None else None


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
        camera_words=_camera_words(request, of, s, plane),
        dose=patient_words.dose_words(of.line, of.exercise),
        targets=[patient_words.bound_words(b) for b in of.line.targets],
        limits=[patient_words.limit_words(b) for b in of.line.limits],
        set_up=patient_words.set_up_words(of.exercise),
        cautions=patient_words.cautions(of.exercise),
        sides=_clip_sides(of),
        about=json.dumps(_upload_facts(request, of, s)),
    )


def _clip_sides(of: TodayExercise) -> tuple[tuple[str, str], ...]:
    if of.exercise.working_leg == "both":
        return (("both", "Both legs"),)
    return (("left", "My left leg"), ("right", "My right leg"))


def _near_side(request, s: TodaySet) -> str:
    """The side that should be nearer to a camera at the side: the working leg's, or, where both
    work, the involved one; `none` where either will do."""
    if s.side != "both":
        return s.side
    version = current_prescription(site_of(request).clinic, own_patient(request).id)
    involved = version.record().involved_side if version else "none"
    return involved if involved in ("left", "right") else "none"


def _camera_words(request, of: TodayExercise, s: TodaySet, plane: str) -> str:
    if plane == "sagittal":
        near = _near_side(request, s)
        side = f"your {near} side" if near != "none" else "one of your sides"
        return f"For this set: the camera looks at {side}."
    if plane == "frontal":
        return "For this set: the camera looks at you from straight ahead."
    return "For this set: the camera stands half way between front and side."


def _upload_facts(request, of: TodayExercise, s: TodaySet) -> dict:
    answer = answer_in_force(request, of, s)
    return {
        "exercise": s.exercise,
        "side": s.side,
        "set_number": s.number,
        "load_kg": of.line.load_kg,
        "support": of.line.support_allowed,
        "before": answer.id if answer else None,
        "day": today().isoformat(),
    }


def _record(request):
    from formcheck.words.figures import camera_svg

    of, s = listed_set(request, own_patient(request))
    if answer_in_force(request, of, s) is None:
        return go(request, set_path(s))
    plan = recording_plan(of.line, of.exercise)
    plane = s.view or of.exercise.figure.plane
    facts = {
        "upload": _upload_facts(request, of, s),
        "live": {
            "exercise": s.exercise,
            "side": s.side,
            "plane": plane,
            "involved": _near_side(request, s),
        },
        "n": plan.n,
        "holdS": plan.hold_s,
        "limitS": plan.limit_s,
        "isHold": of.exercise.kind == "hold",
        "restS": of.line.rest_s,
    }
    return render(
        request,
        "my_record.html.j2",
        **_about(request, of, s),
        facts=json.dumps(facts),
        camera_words=_camera_words(request, of, s, plane),
        plan=plan,
        camera=camera_svg(of.exercise, plane, name="camera", near=_near_side(request, s)),
    )

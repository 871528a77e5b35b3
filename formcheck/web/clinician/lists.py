"""The list of patients and what was deleted; a set, an answer and a standing in a line."""

from formcheck.clinic.answers import standing_of
from formcheck.clinic.deletion import delete_patient, deletions
from formcheck.clinic.patients import (
    Patient,
    add_patient,
    find_patient,
    list_patients,
    set_language,
    set_silent_days,
)
from formcheck.clinic.pictures import picture_path
from formcheck.clinic.retention import confirm, due_sets, take_back
from formcheck.clinic.safety import Answer, reasons_of
from formcheck.clinic.sets import STATE_WORDS, StoredSet
from formcheck.clinic.settings import questions_for
from formcheck.files.exercises import load_exercise
from formcheck.model.errors import UsageError
from formcheck.model.safety import Questions, Standing
from formcheck.web.pages import PageError, first, get, go, post, render, site_of, telling, whole
from formcheck.words import wording
from formcheck.words.languages import DEFAULT
from formcheck.words.safety_words import (
    ACTED_TOLD,
    SET_REASON_WORDS,
    TOLD_WORDS,
    UNTIL_TOLD,
    reason_words,
    standing_words,
    symptom_words,
)
from formcheck.words.work_words import picture_words


def routes() -> list:
    return [
        get("/clinic/patients", _patients),
        post("/clinic/patients", _add),
        post("/clinic/due", _say_due),
        post("/clinic/patients/{code}/delete", _delete),
        post("/clinic/patients/{code}/silent", _silent),
        post("/clinic/patients/{code}/language", _language),
    ]


def patient_of(request) -> Patient:
    """The patient that a clinician's page is about. Raises PageError when there is none."""
    patient = find_patient(site_of(request).clinic, request.path_params["code"])
    if patient is None:
        raise PageError(404, "There is no such patient.")
    return patient


def set_facts(stored: StoredSet) -> str:
    """What a set comes to, in a line: counts and facts, no verdict."""
    if stored.reason:
        return f"could not be measured: {stored.reason}" if stored.is_final else stored.reason
    if stored.state in ("recorded", "analysing"):
        return STATE_WORDS[stored.state]
    noun = {"hold": "hold", "sequence": "sequence"}.get(
        load_exercise(stored.exercise).kind, "repetition"
    )
    if stored.dose_prescribed:
        parts = [wording.dose_done(stored.dose_done, stored.dose_prescribed, noun)]
    else:
        n, s = stored.dose_done, "" if stored.dose_done == 1 else "s"
        parts = [f"{n} {noun}{s}" if n else f"no {noun} counted"]
    parts += [
        f"{n} {'with ' if words.startswith(('a ', 'an ')) else ''}{words}"
        for n, words in _of(stored)
    ]
    return "; ".join(parts + _other_reasons(stored, _TOLD_IN_WORDS))


def set_concerns(stored: StoredSet) -> str:
    """Why a measured set is to be looked at, in a line to stand beside its first line: what, and
    in how many repetitions."""
    parts = [f"{words} in {n}" for n, words in _of(stored)]
    return "; ".join(parts + _other_reasons(stored, ("dose_short", "dose_over", *_TOLD_IN_WORDS)))


def _of(stored: StoredSet) -> list[tuple[int, str]]:
    counted = (
        (stored.n_passed, "past a limit"),
        (stored.n_doubtful, "possibly past a limit"),
        (stored.n_limit_unseen, "a limit not measured"),
        (stored.n_not_met, "a target not reached"),
        (stored.n_open, "a target borderline or not measured"),
        (stored.n_remarked, "an observation"),
    )
    return [(n, words) for n, words in counted if n]


def _other_reasons(stored: StoredSet, told: tuple[str, ...]) -> list[str]:
    """What counts do not tell: a set without a prescription, say."""
    return [SET_REASON_WORDS[r] for r in stored.attention if r in told]


_TOLD_IN_WORDS = ("no_prescription", "not_counted")


def picture_of(clinic, stored: StoredSet) -> tuple[str, str] | None:
    """(address, words) of the small picture of a set; None where it has none."""
    if not picture_path(clinic.folder, stored.uid).is_file():
        return None
    words = picture_words(
        wording.exercise_name(stored.exercise),
        stored.side,
        wording.day_words(stored.day),
        is_measured=stored.n_repetitions > 0,
    )
    return f"/clinic/sets/{stored.uid}/picture", words


def answer_words(answer: Answer, questions: Questions) -> str:
    """An answer in a line: what was said, and what the patient was told to do."""
    reasons = reasons_of(answer, questions)
    codes = {r.code for r in reasons}
    parts = []
    if answer.symptoms:
        parts.append(symptom_words(answer.symptoms, questions))
    if answer.acted is not None:
        parts.append(ACTED_TOLD[answer.acted])
    parts += [reason_words(r, questions, "clinician") for r in reasons if r.code == "stopped"]
    if answer.pain is not None:
        when = "worst pain since" if answer.moment == "next day" else "pain"
        parts.append(f"{when} {answer.pain} of 10")
    if answer.pain_during is not None:
        parts.append(f"pain during {answer.pain_during} of 10")
    if "pain_over_limit" in codes:
        limit = "" if answer.pain_limit is None else f" of {answer.pain_limit}"
        parts.append(f"over the limit{limit}")
    if codes & {"severe_pain", "pain_without_limit"}:
        parts.append("no pain limit chosen after surgery")
    if answer.effort is not None:
        parts.append(f"effort {answer.effort} of 10")
    for name, value in (
        ("pain", answer.pain_change),
        ("stiffness", answer.stiffness_change),
        ("swelling", answer.swelling_change),
    ):
        if value:
            parts.append(f"{name} {value}{' than usual' if value != 'same' else ' as usual'}")
    said = "; ".join(parts) or ("none of what was asked" if answer.asked else "nothing answered")
    told = TOLD_WORDS[answer.level]
    return f"{said} ({told})" if told else said


MOMENT_WORDS = {
    "today": "questions of the day",
    "before": "before a set",
    "after": "after a set",
    "next day": "the day after",
    "stopped": "“It hurts, stop”",
    "acted": "what was done about it",
}


def standing_line(clinic, patient_id: int) -> tuple[str, str]:
    """(level, words) of where a patient stands today, as a clinician reads it."""
    found, questions = standing_of(clinic, patient_id), questions_for(clinic, patient_id)
    return standing_told(found, questions)


def standing_told(found: Standing, questions: Questions) -> tuple[str, str]:
    """(level, words) of a standing, as a clinician reads it."""
    if found.level == "start":
        return found.level, "may exercise, by what was said so far"
    words = f"{standing_words(found, questions)} ({TOLD_WORDS[found.level]})"
    parts = [words, UNTIL_TOLD[found.until]]
    return found.level, "; ".join(filter(None, parts))


def _patients(request, faults=(), code: str = "", status: int = 200, tag: str = DEFAULT):
    clinic = site_of(request).clinic
    return render(
        request,
        "patients.html.j2",
        status=status,
        patients=list_patients(clinic),
        code=code,
        tag=tag,
        deletions=deletions(clinic),
        due=due_sets(clinic),
        faults=faults,
    )


def _say_due(request, fields):
    """A clinician's word on sets older than the limit: they go in a day, or they stay."""
    clinic, uids = site_of(request).clinic, fields.get("uid", [])
    with telling() as faults:
        if first(fields, "word") == "stay":
            take_back(clinic, uids)
        else:
            confirm(clinic, uids, first(fields, "by"))
    return (
        _patients(request, faults, status=400)
        if faults
        else go(request, "/clinic/patients", "kept")
    )


def _add(request, fields):
    code, tag = first(fields, "code"), first(fields, "language", DEFAULT)
    with telling() as faults:
        patient = add_patient(site_of(request).clinic, code, language=tag)
    if faults:
        return _patients(request, faults, code, 400, tag)
    return go(request, f"/clinic/patients/{patient.code}/prescription", "added")


def _delete(request, fields):
    patient = patient_of(request)
    site = site_of(request)
    with telling() as faults:
        if first(fields, "code") != patient.code:
            raise UsageError("write the code of the patient to be deleted")
        delete_patient(
            site.clinic, patient.code, by=first(fields, "by"), reason=first(fields, "reason")
        )
        site.sessions.end_patient(patient.id)
        if site.phone:
            site.phone.pairings.end_patient(patient.id)
    if faults:
        return _patients(request, faults, status=400)
    return go(request, "/clinic/patients", "deleted")


def _silent(request, fields):
    patient = patient_of(request)
    with telling() as faults:
        days = whole(fields, "days", "days")
        set_silent_days(site_of(request).clinic, patient.id, days or 0)
    if faults:
        return _patients(request, faults, status=400)
    return go(request, f"/clinic/patients/{patient.code}", "kept")


def _language(request, fields):
    patient = patient_of(request)
    with telling() as faults:
        set_language(site_of(request).clinic, patient.id, first(fields, "language"))
    if faults:
        return _patients(request, faults, status=400)
    return go(request, f"/clinic/patients/{patient.code}", "kept")

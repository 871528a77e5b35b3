"""What holds a patient back, on every page that shows it; and what the patient did about it."""

from dataclasses import dataclass

from formcheck.clinic.answers import add_answer, answers_of, standing_of
from formcheck.clinic.database import today
from formcheck.clinic.patients import Patient, current_prescription
from formcheck.clinic.safety import pain_rule
from formcheck.clinic.sets import StoredSet, set_by_id
from formcheck.clinic.settings import questions_for
from formcheck.files.prescriptions import prescribed_line
from formcheck.model.errors import UsageError
from formcheck.model.programme import Prescription
from formcheck.model.safety import Acted, Level, PainRule, Standing
from formcheck.web.pages import first, get, go, post, render, site_of, telling, whole
from formcheck.web.patient.own import own_patient
from formcheck.words.languages import gettext, marked
from formcheck.words.safety_words import ACTED_WORDS, UNTIL_WORDS, standing_title, why_words


def routes() -> list:
    return [
        get("/my/done", _done),
        post("/my/done", _keep_done),
        get("/my/hurt", _hurt),
        post("/my/hurt", _keep_hurt),
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """That something is left out today, in words: what to do, why, for how long."""

    level: Level
    words: str
    why: str
    until: str
    way: str
    """The page on which the patient says what was done, or how it is; empty where there is none."""
    way_words: str
    may_be_taken_back: bool
    """Whether it comes of an answer that may have been given without meaning to."""
    tick_reason: str
    """Why a set that is left out for it is ticked off as not done."""


def own_standing(request, patient: Patient) -> Standing:
    """Where the patient of these pages stands today."""
    return standing_of(site_of(request).clinic, patient.id)


def hold_of(
    request, patient: Patient, exercise: str | None = None, found: Standing | None = None
) -> Hold | None:
    """What holds every exercise back, or this one; None where nothing does."""
    found = found or own_standing(request, patient)
    is_left_out = exercise is not None and exercise in found.left_out
    if not found.is_held and not is_left_out:
        return None
    way, way_words = "", ""
    if found.until == "asked":
        way, way_words = "/my/hurt", gettext("Say how it is now")
    elif found.level in ("call", "urgent"):
        way, way_words = "/my/done", gettext("Say what was done about it")
    return Hold(
        level=found.level,
        words=standing_title(found),
        why=why_words(
            [r for r in found.reasons if r.level == found.level],
            questions_for(site_of(request).clinic, patient.id),
        ),
        until=gettext(UNTIL_WORDS[found.until]),
        way=way,
        way_words=way_words,
        may_be_taken_back=found.may_be_taken_back,
        tick_reason=_tick_reason(found),
    )


def _tick_reason(found: Standing) -> str:
    mine = [r for r in found.reasons if r.level == found.level]
    if any(r.what == "new_swelling" for r in mine):
        return "swelling"
    pains = ("pain_over_limit", "severe_pain", "stopped")
    return "pain" if any(r.code in pains for r in mine) else "unsure"


def rule_of_line(prescription: Prescription | None, exercise: str, side: str) -> PainRule:
    """The rule for pain of one line of a prescription."""
    try:
        lines = [prescribed_line(prescription, exercise, side)] if prescription else []
    except UsageError:
        lines = []
    return pain_rule(prescription, lines)


# -- what was done about it


def _done(request, patient: Patient | None = None, faults=(), status: int = 200):
    patient = patient or own_patient(request)
    hold = hold_of(request, patient)
    if hold is None or hold.way != "/my/done":
        return go(request, "/my")
    choices = _choices(own_standing(request, patient))
    return render(
        request, "my_done.html.j2", status=status, hold=hold, choices=choices, faults=faults
    )


def _choices(found: Standing) -> dict[Acted, str]:
    return {k: w for k, w in ACTED_WORDS.items() if k != "not_meant" or found.may_be_taken_back}


def _keep_done(request, fields):
    patient = own_patient(request)
    acted = first(fields, "acted")
    with telling() as faults:
        if acted not in _choices(own_standing(request, patient)):
            raise UsageError(gettext("choose what was done about it"))
        add_answer(site_of(request).clinic, patient.id, "acted", acted=acted)
    if faults:
        return _done(request, patient, faults, 400)
    return go(request, "/my", "kept")


# -- after "It hurts, stop", where no recording came of it


AFTER = (
    ("pain_during", marked("Pain during the set"), marked("no pain"), marked("worst pain")),
    ("pain", marked("Pain now"), marked("no pain"), marked("worst pain")),
    ("effort", marked("How hard was it?"), marked("no effort"), marked("as hard as possible")),
)


def after_groups(request, patient_id: int):
    """(groups of questions after a set, questions by id)."""
    questions = questions_for(site_of(request).clinic, patient_id)
    return questions.asked("set"), questions.by_id


def keep_after(
    request,
    fields,
    patient_id: int,
    exercise: str,
    rule: PainRule,
    set_id: int | None = None,
    **about,
) -> None:
    """Keeps what was answered after a set. Raises UsageError for what is missing."""
    given = {name: whole(fields, name, gettext(words)) for name, words, *_ in AFTER}
    missing = [
        gettext(words).strip("¿?").lower() for name, words, *_ in AFTER if given[name] is None
    ]
    if missing:
        raise UsageError(
            gettext("choose a number from 0 to 10 for: %(what)s", what=", ".join(missing))
        )
    groups, _ = after_groups(request, patient_id)
    add_answer(
        site_of(request).clinic,
        patient_id,
        "after",
        set_id=set_id,
        exercise=exercise,
        rule=rule,
        symptoms=ticked(fields),
        asked=tuple(name for g in groups for name in g.questions),
        **given,
        **about,
    )


def ticked(fields) -> tuple[str, ...]:
    """The signs that were ticked; none, where "None of these" was. Raises UsageError."""
    told, none = fields.get("symptom", []), first(fields, "none")
    if not told and not none:
        raise UsageError(gettext("tick what applies, or “None of these”"))
    if told and none:
        raise UsageError(gettext("tick what applies, or “None of these”, not both"))
    return tuple(told)


def _unasked_stop(request, patient: Patient):
    """(the stop after which nothing was asked, its set where one came of it)."""
    clinic = site_of(request).clinic
    found = own_standing(request, patient).unasked_stop
    stop = next((a for a in answers_of(clinic, patient.id) if a.id == found), None)
    stored: StoredSet | None = set_by_id(clinic, stop.set_id) if stop and stop.set_id else None
    return stop, stored


def _hurt(request, faults=(), values=None, status: int = 200):
    patient = own_patient(request)
    stop, stored = _unasked_stop(request, patient)
    if stop is None:
        return go(request, "/my")
    if stored is not None:
        return go(request, f"/my/sets/{stored.uid}/after")
    groups, by_id = after_groups(request, patient.id)
    return render(
        request,
        "my_after.html.j2",
        status=status,
        action="/my/hurt",
        exercise=stop.exercise,
        side=stop.side or "both",
        number=stop.set_number or 1,
        asked=AFTER,
        groups=groups,
        questions=by_id,
        values=values or {},
        faults=faults,
        is_hurt=True,
        planned_kg=None,
    )


def _keep_hurt(request, fields):
    patient = own_patient(request)
    stop, _ = _unasked_stop(request, patient)
    if stop is None:
        return go(request, "/my")
    version = current_prescription(site_of(request).clinic, patient.id)
    rule = rule_of_line(version.record() if version else None, stop.exercise, stop.side or "both")
    with telling() as faults:
        keep_after(
            request,
            fields,
            patient.id,
            stop.exercise,
            rule,
            side=stop.side,
            set_number=stop.set_number,
            day=today().isoformat(),
        )
    if faults:
        return _hurt(request, faults, values_of(fields), 400)
    return go(request, "/my", "kept")


def values_of(fields) -> dict:
    """What was chosen after a set, to be shown again."""
    return {
        **{name: first(fields, name) for name, *_ in AFTER},
        "symptom": fields.get("symptom", []),
        "none": first(fields, "none"),
    }

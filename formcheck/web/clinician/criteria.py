"""Criteria on the follow-up page: facts for the clinician, never shown to the patient."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

from formcheck.clinic import Clinic
from formcheck.clinic.follow_up import session_facts, session_facts_by_exercise
from formcheck.clinic.patients import Patient, save_criteria
from formcheck.evidence.progress import (
    ONE_AT_A_TIME,
    CriteriaSettings,
    Criterion,
    Fact,
    SessionFacts,
    criteria,
    standing,
)
from formcheck.model.errors import UsageError
from formcheck.model.programme import Prescription
from formcheck.web.clinician.lists import patient_of
from formcheck.web.pages import go, number, post, site_of

_TITLES = {"progress": "Progress", "hold": "Hold", "ease": "Ease"}
_ANSWERS = {
    "fulfilled": "fulfilled",
    "not_fulfilled": "not fulfilled",
    "not_enough_information": "not enough information",
}
_TOLD = ("yes", "no", "not told")
_FIELDS = {
    "progress_sessions": ("Sessions on different days", 1, 20),
    "progress_pain_most": ("Progress: most pain, 0 to 10", 0, 9),
    "progress_effort_most": ("Progress: most effort, 0 to 10 (empty: not asked)", 0, 10),
    "hold_pain_most": ("Hold: most pain, 0 to 10", 1, 10),
    "weekly_rise_least": ("Ease: rise of pain from week to week", 0.1, 10),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CriterionLine:
    """One criterion in words: fulfilled, not fulfilled, or not enough information, and why."""

    title: str
    answer: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ExerciseCriteria:
    """Progress, hold and ease of one exercise ("": of all that was done), and where it stands."""

    exercise: str
    stands: str
    """One of "progress", "hold", "ease"."""
    words: str
    facts: tuple[CriterionLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CriteriaField:
    name: str
    words: str
    value: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CriteriaView:
    """The criteria with their facts, their source, and the fields that change them."""

    exercises: tuple[ExerciseCriteria, ...]
    source: str
    fields: tuple[CriteriaField, ...]


def routes() -> list:
    return [post("/clinic/patients/{code}/criteria", _save)]


def settings_of(patient: Patient) -> CriteriaSettings:
    """The criteria's settings of a patient: the defaults with what was changed."""
    changed = json.loads(patient.criteria or "{}")
    names = {f.name for f in fields(CriteriaSettings)}
    return CriteriaSettings(**{k: v for k, v in changed.items() if k in names})


def _line(criterion: Criterion) -> CriterionLine:
    told = {True: "yes", False: "no", None: "not told"}
    return CriterionLine(
        title=_TITLES[criterion.name],
        answer=_ANSWERS[criterion.outcome],
        reasons=tuple(
            f"{f.name[:1].upper()}{f.name[1:]}: {told[f.holds]}"
            + (f" ({f.text})" if f.text not in _TOLD else "")
            for f in criterion.facts
        ),
    )


def _fact_words(fact: Fact) -> str:
    return fact.name + (f", {fact.text}" if fact.text not in _TOLD else "")


def _of_exercise(
    exercise: str, sessions: Sequence[SessionFacts], settings: CriteriaSettings
) -> ExerciseCriteria:
    found = criteria(sessions, settings)
    progress, _, ease = found
    stands = standing(found)
    if stands == "ease":
        reasons = [_fact_words(f) for f in ease.facts if f.holds]
        words = f"criteria for easing fulfilled ({'; '.join(reasons)})"
    elif stands == "progress":
        words = "criteria for progressing fulfilled"
    elif not sessions:
        words = "hold; nothing is known of it yet"
    else:
        against = [_fact_words(f) for f in progress.facts if f.holds is False]
        untold = [f.name for f in progress.facts if f.holds is None]
        parts = [f"against progressing: {'; '.join(against)}"] if against else []
        parts += [f"not told: {'; '.join(untold)}"] if untold else []
        words = f"hold ({'. '.join(part[:1].upper() + part[1:] for part in parts)})"
    return ExerciseCriteria(
        exercise=exercise, stands=stands, words=words, facts=tuple(_line(c) for c in found)
    )


def criteria_view(
    clinic: Clinic, patient: Patient, prescription: Prescription | None
) -> CriteriaView:
    """The criteria of a patient as the page shows them: by exercise, where one is prescribed."""
    settings = settings_of(patient)
    if prescription is None:
        sessions = {"": session_facts(clinic, patient.id)}
    else:
        sessions = session_facts_by_exercise(clinic, patient.id, prescription)
    return CriteriaView(
        exercises=tuple(_of_exercise(name, of, settings) for name, of in sessions.items()),
        source=f"Source: {settings.source}. {ONE_AT_A_TIME}",
        fields=tuple(
            CriteriaField(name=name, words=words, value=_shown(getattr(settings, name)))
            for name, (words, _, _) in _FIELDS.items()
        ),
    )


def _shown(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def changed_criteria(sent: Mapping[str, list[str]]) -> dict[str, float | int]:
    """The fields that differ from the defaults. Raises UsageError for one out of bounds."""
    out = {}
    for name, (words, least, most) in _FIELDS.items():
        value = number(sent, name, words)
        default = getattr(CriteriaSettings(), name)
        if value is None:
            continue
        is_whole = not isinstance(default, float)
        if not least <= value <= most or (is_whole and value != int(value)):
            raise UsageError(f"{words}: write a number from {least:g} to {most:g}")
        if value != default:
            out[name] = int(value) if is_whole else value
    made = CriteriaSettings(**out)
    if made.hold_pain_most <= made.progress_pain_most:
        raise UsageError("the pain to hold at lies above the pain to progress at")
    return out


def _save(request, fields):
    patient = patient_of(request)
    save_criteria(site_of(request).clinic, patient.id, changed_criteria(fields))
    return go(request, f"/clinic/patients/{patient.code}#h-criteria", "kept")

"""A patient's sets as FHIR Observations, in the R4B model.

Of an Observation only elements are used that R4 (4.0.1) and R4B (4.3.0) define alike, so the
bundle is read by both. Status is `preliminary` until a clinician reviewed the set, `final` then,
`amended` when it was opened again and reviewed anew. Units are UCUM. Pain carries its LOINC code;
everything else is told in text beside our own key, since no published code means a measure taken
from video of a loaded movement.
"""

import json
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from functools import lru_cache
from typing import Annotated, Any
from uuid import NAMESPACE_URL, uuid5

from formcheck import __version__
from formcheck.clinic import Clinic
from formcheck.clinic.answers import answers_of
from formcheck.clinic.patients import find_patient
from formcheck.clinic.reviews import corrected_report, reviews_of
from formcheck.clinic.safety import Answer
from formcheck.clinic.sets import SetMean, StoredSet, means_of, sets_of
from formcheck.clinic.settings import questions_for
from formcheck.model.errors import FileError, UsageError
from formcheck.model.measures import MEASURES
from formcheck.model.records import NotMeasurable, Report
from formcheck.model.safety import Questions
from formcheck.words import wording
from formcheck.words.refusal_words import refusal_words
from formcheck.words.safety_words import symptom_words

STATUSES = ("preliminary", "final", "amended")
"""Of the codes that an Observation's status may have, those that we ever write."""
UCUM = "http://unitsofmeasure.org"
UNITS = {
    "deg": ("°", "deg", 1.0),
    "s": ("s", "s", 1.0),
    "cm": ("cm", "cm", 1.0),
    "share": ("%", "%", 100.0),
    "deg/min": ("°/min", "deg/min", 1.0),
    "1": ("ratio", "1", 1.0),
}
"""Unit of a measure -> (as shown, UCUM code, factor)."""
OWN_UNITS = {"n_in_30_s": ("repetitions", "{reps}", 1.0)}
"""A measure whose number without a unit counts something."""
OWN_SYSTEM = "urn:x-formcheck:measure"
_CATEGORY = {
    "coding": [
        {
            "system": "http://terminology.hl7.org/CodeSystem/observation-category",
            "code": "activity",
            "display": "Activity",
        }
    ],
    "text": "video-derived",
}
_PAIN = {
    "system": "http://loinc.org",
    "code": "72514-3",
    "display": "Pain severity - 0-10 verbal numeric rating [Score] - Reported",
}


def status_of(stored: StoredSet, n_reviews: int) -> str:
    """The status of a set's observations."""
    if not stored.is_final:
        return "preliminary"
    return "amended" if n_reviews > 1 else "final"


def _id(*parts: object) -> str:
    return str(uuid5(NAMESPACE_URL, "urn:x-formcheck:" + ":".join(map(str, parts))))


def _quantity(value: float, shown: str, code: str) -> dict[str, Any]:
    return {"value": round(value, 4), "unit": shown, "system": UCUM, "code": code}


def _own_code(key: str, text: str) -> dict[str, Any]:
    return {"coding": [{"system": OWN_SYSTEM, "code": key}], "text": text}


def _components(
    stored: StoredSet, means: Mapping[str, SetMean], report: Report
) -> list[dict[str, Any]]:
    out = [
        {
            "code": _own_code("n_repetitions_done", "Complete repetitions done"),
            "valueQuantity": _quantity(stored.dose_done, "repetitions", "{reps}"),
        }
    ]
    if stored.dose_prescribed is not None:
        out.append(
            {
                "code": _own_code("n_repetitions_prescribed", "Repetitions prescribed"),
                "valueQuantity": _quantity(stored.dose_prescribed, "repetitions", "{reps}"),
            }
        )
    for key, mean in means.items():
        value, n = mean.value, mean.n
        if key not in MEASURES:
            continue
        shown, code, factor = OWN_UNITS.get(key) or UNITS[MEASURES[key].unit]
        label = MEASURES[key].label
        of = f"mean of {n} repetition{'' if n == 1 else 's'}"
        out.append(
            {
                "code": _own_code(key, label if MEASURES[key].at == "set" else f"{label}, {of}"),
                "valueQuantity": _quantity(value * factor, shown, code),
            }
        )
        out.append(
            {
                "code": _own_code(f"{key}.interval", f"{label}, 95 % interval of the mean"),
                "valueRange": {
                    "low": _quantity(mean.low * factor, shown, code),
                    "high": _quantity(mean.high * factor, shown, code),
                },
            }
        )
    missing = {
        m.key: m
        for r in report.repetitions
        for m in r.measures
        if isinstance(m, NotMeasurable) and m.key not in means
    }
    for key, refusal in missing.items():
        out.append(
            {
                "code": _own_code(key, MEASURES[key].label),
                "dataAbsentReason": {
                    "coding": [
                        {
                            "system": "http://terminology.hl7.org/CodeSystem/data-absent-reason",
                            "code": "unknown",
                        }
                    ],
                    "text": refusal_words(refusal, "note"),
                },
            }
        )
    return out


def set_observation(
    stored: StoredSet, means: Mapping[str, SetMean], report: Report, n_reviews: int
) -> dict[str, Any]:
    """The Observation of one measured set."""
    name = wording.exercise_name(stored.exercise)
    observation = {
        "resourceType": "Observation",
        "id": _id("set", stored.uid),
        "status": status_of(stored, n_reviews),
        "category": [_CATEGORY],
        "code": {"text": f"{name}, one filmed set at home, measured from video"},
        "subject": {"identifier": {"value": stored.patient_code}},
        "effectiveDateTime": stored.day,
        "issued": _instant(stored.received_at),
        "bodySite": {"text": "both legs" if stored.side == "both" else f"{stored.side} leg"},
        "method": {
            "text": "joint angles and times from single-camera video by pose estimation; "
            f"pose model {report.source.model}"
        },
        "device": {"display": f"formcheck {__version__}"},
        "component": _components(stored, means, report),
    }
    if stored.summary:
        observation["note"] = [{"text": stored.summary}]
    return observation


def _instant(text: str) -> str:
    return datetime.fromisoformat(text).astimezone(UTC).isoformat(timespec="seconds")


def answer_observations(
    answer: Answer, code: str, status: str, questions: Questions
) -> list[dict[str, Any]]:
    """The Observations of what a patient stated at one moment: pain, effort, symptoms."""
    out = []
    base = {
        "resourceType": "Observation",
        "status": status,
        "subject": {"identifier": {"value": code}},
        "effectiveDateTime": answer.day,
        "issued": _instant(answer.at),
        "method": {"text": "stated by the patient"},
    }
    moments = {"before": "before a set", "after": "after a set", "next day": "the day after"}
    for name, value, words in (
        ("pain", answer.pain, f"Pain {moments.get(answer.moment, answer.moment)}"),
        ("pain_during", answer.pain_during, "Pain during a set"),
    ):
        if value is not None:
            out.append(
                {
                    **base,
                    "id": _id("answer", code, answer.at, answer.moment, name),
                    "code": {"coding": [_PAIN], "text": words},
                    "valueQuantity": _quantity(value, "score", "{score}"),
                }
            )
    if answer.effort is not None:
        out.append(
            {
                **base,
                "id": _id("answer", code, answer.at, answer.moment, "effort"),
                "code": _own_code("effort", "Effort of a set, 0 to 10, as stated"),
                "valueQuantity": _quantity(answer.effort, "score", "{score}"),
            }
        )
    if answer.symptoms:
        out.append(
            {
                **base,
                "id": _id("answer", code, answer.at, answer.moment, "symptoms", *answer.asked[:1]),
                "code": _own_code("symptoms", "Symptoms answered with yes"),
                "valueString": symptom_words(answer.symptoms, questions),
            }
        )
    return out


def patient_bundle(clinic: Clinic, code: str) -> dict[str, Any]:
    """The bundle of a patient: an Observation a measured set, and those of the answers.

    Sets that were not measured are left out: there is nothing observed. Raises UsageError.
    """
    patient = find_patient(clinic, code)
    if patient is None:
        raise UsageError(f"there is no patient {code}")
    means = means_of(clinic, patient.id)
    observations, status_of_set = [], {}
    for stored in reversed(sets_of(clinic, patient.id)):
        n_reviews = sum(r.kind == "reviewed" for r in reviews_of(clinic, stored.id))
        status_of_set[stored.id] = status_of(stored, n_reviews)
        found = corrected_report(clinic, stored)
        if found is not None and stored.is_measured:
            observations.append(
                set_observation(stored, means.get(stored.id, {}), found.report, n_reviews)
            )
    questions = questions_for(clinic, patient.id)
    for answer in answers_of(clinic, patient.id):
        status = status_of_set.get(answer.set_id) or ("final" if answer.seen_at else "preliminary")
        observations += answer_observations(answer, code, status, questions)
    return {
        "resourceType": "Bundle",
        "id": _id("bundle", code),
        "type": "collection",
        "timestamp": datetime.now(UTC).isoformat(timespec="seconds"),
        "entry": [
            {"fullUrl": f"urn:uuid:{o['id']}", "resource": o} for o in _each_once(observations)
        ],
    }


def _each_once(observations: Iterable[Mapping[str, Any]]) -> Iterable[Mapping[str, Any]]:
    """Each observation once, under an id of its own: two answers may be of one second."""
    found: dict[str, Mapping[str, Any]] = {}
    for o in observations:
        while o["id"] in found and found[o["id"]] != o:
            o = {**o, "id": _id("another", o["id"])}
        found[o["id"]] = o
    return found.values()


@lru_cache
def _bundle_model():
    """The pydantic model of what we write: of the R4B model only our own elements and codes."""
    from typing import Literal

    from pydantic import AfterValidator, BaseModel, ConfigDict, Field, create_model

    class Ours(BaseModel):
        model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    def element(name: str, **fields):
        return create_model(name, __base__=Ours, **fields)

    # The kinds of text that FHIR knows: string, code, id, uri, date, instant.
    text = Annotated[str, Field(pattern=r"^[ \r\n\t\S]*\S[ \r\n\t\S]*$")]
    code = Annotated[str, Field(pattern=r"^\S+( \S+)*$")]
    identity = Annotated[str, Field(pattern=r"^[A-Za-z0-9.-]{1,64}$")]
    uri = Annotated[str, Field(pattern=r"^\S+$")]

    def dated(text: str) -> str:  # the pattern lets a thirtieth of February through
        datetime.fromisoformat(text)
        return text

    there = AfterValidator(dated)
    day = Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$"), there]
    instant = Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00$"), there]
    units = Literal[tuple({c for _, c, _ in UNITS.values()} | {"{reps}", "{score}"})]
    words = element("Words", text=(text, ...))
    coding = element("Coding", system=(uri, ...), code=(code, ...), display=(text | None, None))
    concept = element("Concept", coding=(list[coding] | None, None), text=(text, ...))
    quantity = element(
        "Quantity",
        value=(float | int, ...),
        unit=(text, ...),
        system=(Literal[UCUM], ...),
        code=(units, ...),
    )
    span = element("Range", low=(quantity, ...), high=(quantity, ...))
    component = element(
        "Component",
        code=(concept, ...),
        valueQuantity=(quantity | None, None),
        valueRange=(span | None, None),
        dataAbsentReason=(concept | None, None),
    )
    subject = element("Subject", identifier=(element("Identifier", value=(text, ...)), ...))
    observation = element(
        "Observation",
        resourceType=(Literal["Observation"], ...),
        id=(identity, ...),
        status=(Literal[STATUSES], ...),
        category=(list[concept] | None, None),
        code=(concept, ...),
        subject=(subject, ...),
        effectiveDateTime=(day, ...),
        issued=(instant, ...),
        bodySite=(words | None, None),
        method=(words, ...),
        device=(element("Device", display=(text, ...)) | None, None),
        component=(list[component] | None, None),
        note=(list[words] | None, None),
        valueQuantity=(quantity | None, None),
        valueString=(text | None, None),
    )
    entry = element("Entry", fullUrl=(uri, ...), resource=(observation, ...))
    return element(
        "Bundle",
        resourceType=(Literal["Bundle"], ...),
        id=(identity, ...),
        type=(Literal["collection"], ...),
        timestamp=(instant, ...),
        entry=(list[entry], ...),
    )


def check_bundle(bundle: Mapping[str, Any]) -> None:
    """Checks a bundle against our own model, which is narrower than R4B (tests hold it to that).

    Raises FileError with every fault.
    """
    from pydantic import ValidationError

    try:
        _bundle_model().model_validate(bundle)
    except ValidationError as error:
        faults = [f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors()]
        raise FileError(f"the FHIR bundle is not valid: {faults[0]}", tuple(faults)) from None
    urls = [entry["fullUrl"] for entry in bundle["entry"]]
    if len(set(urls)) < len(urls):  # R4B, invariant bdl-7
        raise FileError("the FHIR bundle is not valid: two entries have one fullUrl")


def bundle_json(clinic: Clinic, code: str) -> str:
    """The checked bundle of a patient as JSON text. Raises UsageError, FileError."""
    bundle = patient_bundle(clinic, code)
    check_bundle(bundle)
    return json.dumps(bundle, ensure_ascii=False, indent=1, allow_nan=False) + "\n"

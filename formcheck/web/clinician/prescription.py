"""A patient's prescription: a form with the patient's card beside it, the file's text, history."""

import contextlib
import difflib
from collections.abc import Iterator
from dataclasses import dataclass

from formcheck.clinic.database import today
from formcheck.clinic.patients import (
    ChangedMeanwhile,
    Patient,
    PrescriptionVersion,
    course_of,
    newest_prescription,
    prescriptions_of,
    save_prescription,
)
from formcheck.clinic.settings import contact_for
from formcheck.files.exercises import list_exercises, load_exercise
from formcheck.files.templates import NamedTemplate, load_templates
from formcheck.model.errors import FormcheckError
from formcheck.model.programme import Prescription
from formcheck.web.clinician.lists import patient_of
from formcheck.web.clinician.prescription_edits import edited
from formcheck.web.clinician.prescription_faults import FormFault, form_faults
from formcheck.web.clinician.prescription_form import Form, form_from, form_of, new_form
from formcheck.web.clinician.prescription_view import (
    FREQUENCIES,
    beside,
    line_views,
    picture_groups,
    precaution_choices,
)
from formcheck.web.pages import HERE, PageError, first, get, go, post, render, site_of, telling
from formcheck.words import patient_words
from formcheck.words.languages import use
from formcheck.words.prescription_changes import prescription_changes, prescription_summary
from formcheck.words.sheet import sheet_body

MOST_TOLD = 12
"""Versions whose changes the page of the prescription tells."""


def routes() -> list:
    at = "/clinic/patients/{code}/prescription"
    return [
        get(at, _page),
        post(at, _save_form),
        post(at + "/beside", _beside),
        post(at + "/text", _save_text),
        get(at + "/paper", _paper),
        get("/clinic/sheet.css", _sheet_style),
        get(at + "/{version:int}", _version),
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryLine:
    """One version, and what it changed; of old ones that stands on the version's own page."""

    version: PrescriptionVersion
    changes: tuple[str, ...]


def _templates(request) -> tuple[tuple[NamedTemplate, ...], tuple[str, ...]]:
    return load_templates(site_of(request).clinic.folder.templates)


def _show(
    request,
    patient: Patient,
    *,
    form: Form | None = None,
    text: str | None = None,
    based_on: int | None = None,
    faults=(),
    done: str = "",
    status: int = 200,
):
    """The page; what was typed stays in it, with the version that it was begun from."""
    versions = prescriptions_of(site_of(request).clinic, patient.id)
    current = versions[0] if versions else None
    if form is None:
        form = form_of(current.record()) if current else new_form("", today())
    found = beside(form, patient.code)
    templates, template_faults = _templates(request)
    return render(
        request,
        "prescription.html.j2",
        status=status,
        patient=patient,
        form=form,
        views=line_views(form),
        groups=picture_groups(form),
        precaution_choices=precaution_choices(form),
        frequencies=FREQUENCIES,
        templates=templates,
        template_faults=template_faults,
        begun_from=next((t for t in templates if t.id == form.template), None),
        exercises=list_exercises(),
        beside=found,
        file_text=found.text if text is None else text,
        is_text_open=text is not None,
        history=_history(versions),
        current=current,
        course=course_of(versions, today()),
        today=today(),
        based_on=based_on if based_on is not None else (current.version if current else 0),
        done=done,
        faults=faults,
        wrong={f.field for f in faults if isinstance(f, FormFault)},
        cautions=patient_words.CAUTIONS_FOR_ALL,
    )


def _history(versions: tuple[PrescriptionVersion, ...]) -> list[HistoryLine]:
    records = [_record(v) for v in versions[: MOST_TOLD + 1]]
    lines = []
    for n, version in enumerate(versions):
        is_first = n + 1 == len(versions)
        told: tuple[str, ...] = ()
        if n < MOST_TOLD:
            told = _changes(None if is_first else records[n + 1], records[n])
        lines.append(HistoryLine(version=version, changes=told))
    return lines


def _record(version: PrescriptionVersion) -> Prescription | None:
    """The version as a record; None where its text cannot be read any more."""
    try:
        return version.record()
    except FormcheckError:
        return None


def _changes(before: Prescription | None, after: Prescription | None) -> tuple[str, ...]:
    if after is None:
        return ("The text of this version cannot be read by this version of formcheck.",)
    if before is None:
        return prescription_summary(after)
    return prescription_changes(before, after) or ("Only what the programme does not show.",)


def _page(request):
    return _show(request, patient_of(request))


def _save_form(request, fields):
    patient = patient_of(request)
    do, form = first(fields, "do") or "save", form_from(fields)
    based_on = _based_on(fields)
    if do not in ("save", "paper"):
        with telling() as faults:
            current = newest_prescription(site_of(request).clinic, patient.id)
            last = _record(current) if current else None
            form, done = edited(do, form, _templates(request)[0], last)
        if faults:
            return _show(request, patient, form=form, based_on=based_on, faults=faults, status=400)
        return _show(request, patient, form=form, based_on=based_on, done=done)
    text = beside(form, patient.code).text
    with telling() as faults, _telling_of_change() as change:
        save_prescription(
            site_of(request).clinic, patient, text, form.values["prescribed_by"], based_on=based_on
        )
    if faults:
        told = form_faults(faults, form)
        base = None if change else based_on
        return _show(request, patient, form=form, based_on=base, faults=told, status=400)
    at = f"/clinic/patients/{patient.code}/prescription"
    return go(request, at + "/paper" if do == "paper" else at, "kept")


def _beside(request, fields):
    """What stands beside the form, anew while it is being typed in. Nothing is saved."""
    patient = patient_of(request)
    found = beside(form_from(fields), patient.code)
    return render(
        request,
        "prescription_beside.html.j2",
        patient=patient,
        beside=found,
        cautions=patient_words.CAUTIONS_FOR_ALL,
    )


def _save_text(request, fields):
    patient = patient_of(request)
    text = (fields.get("text") or [""])[0]
    based_on = _based_on(fields)
    with telling() as faults, _telling_of_change() as change:
        save_prescription(
            site_of(request).clinic, patient, text, first(fields, "by"), based_on=based_on
        )
    if faults:
        told = [_line_fault(f) for f in faults]
        base = None if change else based_on
        return _show(request, patient, text=text, based_on=base, faults=told, status=400)
    return go(request, f"/clinic/patients/{patient.code}/prescription", "kept")


def _based_on(fields) -> int | None:
    """The version that a form was begun from; None where it does not say."""
    text = first(fields, "based_on")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 9 else None


@contextlib.contextmanager
def _telling_of_change() -> Iterator[list[ChangedMeanwhile]]:
    """Collects that somebody else saved meanwhile: whoever was told may save on top of it."""
    found: list[ChangedMeanwhile] = []
    try:
        yield found
    except ChangedMeanwhile as error:
        found.append(error)
        raise


def _line_fault(fault: str) -> str:
    """A fault of the text as it is told beside it: `Line 5: ...`."""
    fault = fault.removeprefix("prescription:").strip()
    return f"Line {fault}" if fault[:1].isdigit() else fault


def _paper(request):
    """The patient's page on paper, of the version that was saved last."""
    patient = patient_of(request)
    current = newest_prescription(site_of(request).clinic, patient.id)
    if current is None:
        raise PageError(404, "There is no prescription yet.")
    is_large = request.query_params.get("print") == "large"
    record = current.record()
    exercises = [load_exercise(line.exercise) for line in record.exercises]
    with use(patient.language) as told:
        body = sheet_body(
            record, exercises, is_large=is_large, contact=contact_for(site_of(request).clinic)
        )
    return render(
        request,
        "prescription_paper.html.j2",
        patient=patient,
        version=current.version,
        body=body,
        told=told,
        is_large=is_large,
    )


def _sheet_style(request):
    from starlette.responses import FileResponse

    return FileResponse(HERE.parent / "assets" / "sheet.css", media_type="text/css")


def _version(request):
    patient = patient_of(request)
    versions = prescriptions_of(site_of(request).clinic, patient.id)
    number = request.path_params["version"]
    found = next((v for v in versions if v.version == number), None)
    if found is None:
        raise PageError(404, "There is no such version.")
    before = next((v for v in versions if v.version == number - 1), None)
    return render(
        request,
        "prescription_version.html.j2",
        patient=patient,
        found=found,
        is_first=before is None,
        changes=_changes(_record(before) if before else None, _record(found)),
        lines=_text_changes(before.text if before else found.text, found.text),
        in_force_from=next((day for day, v in course_of(versions, today()) if v is found), None),
        today=today(),
    )


def _text_changes(before: str, after: str) -> list[tuple[str, str]]:
    """(what, line) of a text against the one before: `added`, `removed` or empty."""
    words = {"+": "added", "-": "removed", " ": ""}
    return [
        (words[line[0]], line[2:])
        for line in difflib.ndiff(before.splitlines(), after.splitlines())
        if line[0] in words
    ]

"""A patient's prescription: as a form or as the file's text, with every earlier version."""

import difflib

from formcheck.clinic.database import today
from formcheck.clinic.patients import (
    Patient,
    current_prescription,
    new_prescription_text,
    prescriptions_of,
    save_prescription,
)
from formcheck.files.exercises import list_exercises
from formcheck.files.schema import prescription_advice
from formcheck.model.measures import MEASURES, PLANES
from formcheck.web.clinician.lists import patient_of
from formcheck.web.clinician.prescription_form import (
    Form,
    FormFault,
    form_fault,
    form_from,
    form_of,
    new_form,
    prescription_text_of,
)
from formcheck.web.pages import PageError, first, get, go, post, render, site_of, telling


def routes() -> list:
    at = "/clinic/patients/{code}/prescription"
    return [
        get(at, _page),
        post(at, _save_form),
        post(at + "/text", _save_text),
        get(at + "/{version:int}", _version),
    ]


def _show(
    request,
    patient: Patient,
    *,
    form: Form | None = None,
    text: str | None = None,
    faults=(),
    status: int = 200,
):
    versions = prescriptions_of(site_of(request).clinic, patient.id)
    current = versions[0] if versions else None
    if form is None:
        form = form_of(current.record()) if current else new_form("", today())
    if text is None:
        text = current.text if current else new_prescription_text(patient.code, today())
    return render(
        request,
        "prescription.html.j2",
        status=status,
        patient=patient,
        form=form,
        file_text=text,
        versions=versions,
        current=current,
        exercises=list_exercises(),
        measures=MEASURES,
        planes=PLANES,
        faults=faults,
        advice=_advice(current.text) if current and not faults else [],
        wrong={f.field for f in faults if isinstance(f, FormFault)},
        is_text_open=request.url.path.endswith("/text"),
    )


def _advice(text: str) -> list[str]:
    """What a colleague would ask about the version in force, in the form's words."""
    told = prescription_advice(text, "prescription")
    return [form_fault(t.removeprefix("prescription:").strip()).words for t in told]


def _page(request):
    return _show(request, patient_of(request))


def _save_form(request, fields):
    patient = patient_of(request)
    do = first(fields, "do")
    form = form_from(fields, with_new_line=do == "line")
    if do in ("line", "row"):
        return _show(request, patient, form=form)
    text = prescription_text_of(form, patient.code)
    with telling() as faults:
        save_prescription(site_of(request).clinic, patient, text, form.values["prescribed_by"])
    if faults:
        told = [form_fault(f.removeprefix("prescription:").strip()) for f in faults]
        return _show(request, patient, form=form, text=text, faults=told, status=400)
    return go(request, f"/clinic/patients/{patient.code}/prescription", "kept")


def _save_text(request, fields):
    patient = patient_of(request)
    text = (fields.get("text") or [""])[0]
    with telling() as faults:
        save_prescription(site_of(request).clinic, patient, text, first(fields, "by"))
    if faults:
        told = [_line_fault(f) for f in faults]
        return _show(request, patient, text=text, faults=told, status=400)
    return go(request, f"/clinic/patients/{patient.code}/prescription", "kept")


def _line_fault(fault: str) -> str:
    """A fault of the text as it is told beside it: `Line 5: ...`."""
    fault = fault.removeprefix("prescription:").strip()
    return f"Line {fault}" if fault[:1].isdigit() else fault


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
        changes=_changes(before.text if before else found.text, found.text),
        is_current=found.id == current_prescription(site_of(request).clinic, patient.id).id,
    )


def _changes(before: str, after: str) -> list[tuple[str, str]]:
    """(what, line) of a text against the one before: `added`, `removed` or empty."""
    words = {"+": "added", "-": "removed", " ": ""}
    return [
        (words[line[0]], line[2:])
        for line in difflib.ndiff(before.splitlines(), after.splitlines())
        if line[0] in words
    ]

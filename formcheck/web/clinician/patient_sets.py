"""All sets of a patient, by session."""

from urllib.parse import urlencode

from formcheck.clinic.session_list import STATES, session_list
from formcheck.clinic.sets import STATE_WORDS
from formcheck.web.clinician.lists import patient_of, picture_of, set_facts
from formcheck.web.pages import get, render, site_of

STATE_CHOICES = {
    "": "In any state",
    "open": "To be reviewed",
    "reviewed": "Reviewed",
    "measuring": "Being measured",
}


def routes() -> list:
    return [get("/clinic/patients/{code}/sets", _sets)]


def _sets(request):
    patient, clinic = patient_of(request), site_of(request).clinic
    asked = {n: request.query_params.get(n, "").strip() for n in ("exercise", "state", "page")}
    state = asked["state"] if asked["state"] in STATES else ""
    page = asked["page"] if asked["page"].isascii() and asked["page"].isdigit() else "1"
    found = session_list(
        clinic, patient.id, exercise=asked["exercise"], state=state, page=int(page[:6])
    )

    def address(n: int) -> str:
        values = {"exercise": asked["exercise"], "state": state, "page": str(n) if n > 1 else ""}
        query = urlencode({name: v for name, v in values.items() if v})
        return f"/clinic/patients/{patient.code}/sets{'?' if query else ''}{query}"

    return render(
        request,
        "sets.html.j2",
        patient=patient,
        found=found,
        exercise=asked["exercise"],
        state=state,
        choices=STATE_CHOICES,
        pages=[address(n) for n in range(1, found.n_pages + 1)],
        facts=set_facts,
        states=STATE_WORDS,
        picture_of=lambda stored: picture_of(clinic, stored),
    )

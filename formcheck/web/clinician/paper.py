"""The week on paper: a grid of days by exercises, filled in from the patient's tick list."""

from datetime import date, timedelta

from formcheck.clinic.database import today
from formcheck.clinic.paper import DAYS, Written, keep_paper, monday_of, paper_week
from formcheck.model.errors import UsageError
from formcheck.web.clinician.lists import patient_of
from formcheck.web.pages import first, get, go, post, render, site_of, telling, whole


def routes() -> list:
    at = "/clinic/patients/{code}/paper"
    return [get(at, _week), get(at + "/{week}", _week), post(at, _keep)]


def _monday(text: str) -> date:
    try:
        day = date.fromisoformat(text) if text else today()
    except ValueError:
        day = today()
    return monday_of(min(max(day, date(2000, 1, 3)), today()))


def _week(request, faults=(), monday: date | None = None, status: int = 200):
    patient = patient_of(request)
    monday = monday or _monday(request.path_params.get("week", ""))
    after = monday + timedelta(days=DAYS)
    return render(
        request,
        "paper.html.j2",
        status=status,
        patient=patient,
        monday=monday,
        days=[monday + timedelta(days=n) for n in range(DAYS)],
        before=monday - timedelta(days=DAYS),
        after=after if after <= today() else None,
        lines=paper_week(site_of(request).clinic, patient, monday),
        faults=faults,
    )


def _keep(request, fields):
    patient, monday = patient_of(request), _monday(first(fields, "week"))
    with telling() as faults:
        written = {}
        names = [name for name in fields if name.startswith("n.")]
        for name in names:
            line, day = _cell(name)
            at = f".{line}.{day.isoformat()}"
            effort = whole(fields, "effort" + at, "effort")
            pain = whole(fields, "pain" + at, "pain")
            n = first(fields, name).lower()
            if not n and effort is None and pain is None:
                written[line, day] = None
                continue
            count = None if n in _ALL else whole(fields, name, "sets done") or 0
            written[line, day] = Written(n_ticked=count, effort=effort, pain=pain)
        keep_paper(site_of(request).clinic, patient, monday, written, first(fields, "by"))
    if faults:
        return _week(request, faults, monday, 400)
    at = f"/clinic/patients/{patient.code}/paper"
    return go(request, f"{at}/{monday.isoformat()}", "kept")


_ALL = ("x", "all")
"""What says that every box was ticked."""


def _cell(name: str) -> tuple[int, date]:
    """(number of the line, day) of a field's name. Raises UsageError."""
    try:
        _, line, day = name.split(".")
        return int(line), date.fromisoformat(day)
    except ValueError:
        raise UsageError("this form cannot be read; load the page again") from None

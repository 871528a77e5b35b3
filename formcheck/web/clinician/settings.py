"""What the clinic sets once: how patients reach it, and the questions that they are asked."""

from formcheck.clinic.settings import (
    checked_contact,
    contact_for,
    has_own_questions,
    keep_contact,
    keep_questions,
    own_questions_text,
)
from formcheck.web.pages import first, get, go, post, render, site_of, telling

_FIELDS = ("phone", "hours", "emergency")


def routes() -> list:
    return [
        get("/clinic/settings", _settings),
        post("/clinic/settings/contact", _keep_contact),
        post("/clinic/settings/questions", _keep_questions),
        get("/clinic/settings/questions.toml", _file),
    ]


def _settings(request, faults=(), values=None, text=None, status: int = 200):
    clinic = site_of(request).clinic
    contact = contact_for(clinic)
    return render(
        request,
        "settings.html.j2",
        status=status,
        values=values or {name: getattr(contact, name) for name in _FIELDS},
        text=own_questions_text(clinic) if text is None else text,
        is_own=has_own_questions(clinic),
        faults=faults,
    )


def _keep_contact(request, fields):
    values = {name: first(fields, name) for name in _FIELDS}
    with telling() as faults:
        keep_contact(site_of(request).clinic, checked_contact(**values))
    if faults:
        return _settings(request, faults, values=values, status=400)
    return go(request, "/clinic/settings", "kept")


def _keep_questions(request, fields):
    text = "" if first(fields, "shipped") else (fields.get("text") or [""])[0]
    with telling() as faults:
        keep_questions(site_of(request).clinic, text)
    if faults:
        return _settings(request, faults, text=text, status=400)
    return go(request, "/clinic/settings#h-questions", "kept")


def _file(request):
    """The questions as a file, for an editor and `formcheck check`."""
    from starlette.responses import Response

    return Response(
        own_questions_text(site_of(request).clinic),
        media_type="application/toml",
        headers={"content-disposition": 'attachment; filename="questions.toml"'},
    )

"""Help: the documents that come with the program, for whoever has the session."""

from formcheck.web.documents import DOCS, MOST_QUESTION, find_page, html_of, parts, search
from formcheck.web.pages import PageError, get, render, session_of
from formcheck.words.languages import current


def routes(part: str) -> list:
    """The routes of Help below a part of the site (`/clinic` or `/my`)."""
    return [
        get(f"{part}/help", _contents),
        get(f"{part}/help/pictures/{{name}}", _picture),
        get(f"{part}/help/{{name:path}}", _page),
    ]


def _base(request) -> str:
    return "/clinic/help" if session_of(request).role == "clinician" else "/my/help"


def _own_parts(request) -> list:
    reader = session_of(request).role
    return [part for part in parts() if reader in part.readers]


def _render(request, **values):
    listed = _own_parts(request)
    return render(
        request,
        "help.html.j2",
        base=_base(request),
        listed=listed,
        is_partly_english=any(p.language != current() for part in listed for p in part.pages),
        **values,
    )


def _contents(request):
    question = request.query_params.get("q", "").strip()[:MOST_QUESTION]
    return _render(
        request,
        page=None,
        question=question,
        found=search(question, session_of(request).role) if question else None,
    )


def _page(request):
    reader = session_of(request).role
    page = find_page(request.path_params["name"], reader)
    if page is None:
        raise PageError(404, "There is no such page.")
    return _render(
        request, page=page, question="", found=None, text=html_of(page, reader, _base(request))
    )


def _picture(request):
    """One of the documents' pictures: by a listed name, never by a path."""
    from starlette.responses import FileResponse

    name = request.path_params["name"]
    for path in (DOCS / "pictures").glob("*.png"):
        if path.name == name:
            return FileResponse(path, media_type="image/png")
    raise PageError(404, "There is no such picture.")

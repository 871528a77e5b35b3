"""The work list: what waits, by patient, the most pressing first."""

from urllib.parse import urlencode

from formcheck.clinic import worklist
from formcheck.clinic.answers import mark_seen
from formcheck.clinic.database import today
from formcheck.clinic.patients import find_patient, list_patients
from formcheck.clinic.reviews import review_sets
from formcheck.clinic.sets import StoredSet
from formcheck.clinic.settings import contact_for, questions_for
from formcheck.clinic.worklist import Waiting, WaitingPatient
from formcheck.model.errors import UsageError
from formcheck.model.safety import Questions
from formcheck.web.clinician.lists import (
    MOMENT_WORDS,
    answer_words,
    picture_of,
    set_concerns,
    set_facts,
    standing_told,
)
from formcheck.web.pages import first, get, go, post, render, site_of, telling
from formcheck.words.wording import exercise_name
from formcheck.words.work_words import PART_WORDS, SHOWN_WORDS

_AT = "/clinic"
_MOST_CODE = 32


def routes() -> list:
    return [
        get(_AT, _page),
        post("/clinic/review", _review_several),
        post("/clinic/answers/{id:int}/seen", _seen),
    ]


def _asked(values) -> dict[str, str]:
    """What is chosen, as it may stand in an address: the parts shown, a code, a page."""
    shown, code, page = (values.get(name, "").strip() for name in ("show", "code", "page"))
    return {
        "show": shown if shown in SHOWN_WORDS else "",
        "code": code[:_MOST_CODE],
        "page": str(int(page)) if page.isascii() and page.isdigit() and len(page) < 6 else "1",
    }


def _address(asked: dict[str, str], **changed: str) -> str:
    """The list's address with what is chosen; what is usual is left out of it."""
    values = {name: v for name, v in {**asked, **changed}.items() if v and (name, v) != _FIRST}
    return f"{_AT}?{urlencode(values)}" if values else _AT


_FIRST = ("page", "1")


def _page(request, faults=(), status: int = 200, asked: dict[str, str] | None = None):
    day, clinic = today(), site_of(request).clinic
    asked = asked or _asked(request.query_params)
    work = worklist.work_list(
        clinic,
        day,
        parts=SHOWN_WORDS[asked["show"]][1],
        code=asked["code"],
        page=int(asked["page"]),
    )
    usual = questions_for(clinic)
    return render(
        request,
        "work_list.html.j2",
        status=status,
        work=work,
        today=day,
        asked=asked,
        choices=[
            (
                _address(asked, show=name, page="1"),
                words,
                sum(work.counts[part] for part in parts or work.counts),
                name == asked["show"],
            )
            for name, (words, parts) in SHOWN_WORDS.items()
        ],
        pages=[_address(asked, page=str(n)) for n in range(1, work.n_pages + 1)],
        here=_address(asked),
        of_code=lambda code: _address(asked, code=code, page="1"),
        people=[(p, standing_told(p.standing, usual)) for p in work.patients],
        entry_words=lambda entry: _entry_words(entry, usual),
        summary_of=_summary,
        part_words=PART_WORDS,
        moments=MOMENT_WORDS,
        picture_of=lambda stored: picture_of(clinic, stored),
        more_sets=_more_sets,
        has_patients=any(work.counts.values()) or bool(list_patients(clinic)),
        no_contact=not contact_for(clinic).phone,
        faults=faults,
    )


def _entry_words(entry: Waiting, questions: Questions) -> str:
    """The fact of an entry about a set or an answer, in a line."""
    if entry.answer is not None:
        return answer_words(entry.answer, questions)
    stored = entry.stored
    has_first_line = stored.state == "measured" and stored.summary
    parts = [set_concerns(stored) if has_first_line else set_facts(stored)]
    words = "; ".join(filter(None, (*parts, *(answer_words(a, questions) for a in entry.said))))
    return words[:1].upper() + words[1:]


def _summary(stored: StoredSet) -> str:
    """The first line of a set without the exercise and the leg, which stand beside it."""
    name = exercise_name(stored.exercise)
    start = f"{name}: " if stored.side == "both" else f"{name}, {stored.side}: "
    words = stored.summary.removeprefix(start)
    return words[:1].upper() + words[1:]


def _more_sets(p: WaitingPatient) -> str:
    """Where the sets of a patient stand that are not on this page."""
    return f"/clinic/patients/{p.code}/sets?state=open" if p.n_more else ""


def _back(request, fields, said: str):
    """To the list as it was when the form was sent, at the patient whose entry it was about."""
    asked = _asked_in(fields)
    at = first(fields, "at")
    patient = find_patient(site_of(request).clinic, at) if at else None
    return go(request, _address(asked) + (f"#p-{patient.id}" if patient else ""), said)


def _asked_in(fields) -> dict[str, str]:
    return _asked({name: first(fields, name) for name in ("show", "code", "page")})


def _review_several(request, fields):
    clinic = site_of(request).clinic
    with telling() as faults:
        uids = fields.get("uid", [])
        if not uids:
            raise UsageError("choose the sets that you have seen")
        # A set with anything remarkable is reviewed on its own page, whatever the form says.
        if not all(worklist.is_unremarkable(clinic, uid) for uid in uids):
            raise UsageError("one of these sets is no longer unremarkable; look at it by itself")
        review_sets(clinic, uids, first(fields, "by"))
    if faults:
        return _page(request, faults, 400, _asked_in(fields))
    return _back(request, fields, "reviewed")


def _seen(request, fields):
    with telling() as faults:
        mark_seen(site_of(request).clinic, request.path_params["id"], first(fields, "by"))
    if faults:
        return _page(request, faults, 400, _asked_in(fields))
    return _back(request, fields, "kept")

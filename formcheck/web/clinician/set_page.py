"""One set: looked at, corrected, reviewed."""

from formcheck.clinic import jobs
from formcheck.clinic.answers import answers_of_set
from formcheck.clinic.database import today
from formcheck.clinic.deletion import delete_set
from formcheck.clinic.follow_up import series_of
from formcheck.clinic.patients import prescription_by_id
from formcheck.clinic.pictures import picture_path
from formcheck.clinic.reviews import (
    corrected_report,
    corrections_of,
    open_again,
    review_sets,
    reviews_of,
)
from formcheck.clinic.sets import (
    STATE_WORDS,
    SetMean,
    StoredSet,
    find_set,
    stored_report,
    stored_trace,
)
from formcheck.clinic.settings import questions_for
from formcheck.model.errors import UsageError
from formcheck.report.corrections import Correction
from formcheck.web.clinician.lists import MOMENT_WORDS, answer_words, set_facts
from formcheck.web.clinician.set_beside import Neighbours, neighbours, next_words, starts_of
from formcheck.web.clinician.set_view import set_view
from formcheck.web.media import video_response
from formcheck.web.pages import (
    PageError,
    first,
    get,
    go,
    number,
    post,
    render,
    site_of,
    telling,
    whole,
)

_STAGES = {"pose": "Looking for the body in each picture", "video": "Drawing the video"}
_FILES = {
    "report.json": "application/json",
    "reps.csv": "text/csv",
    "report.html": "text/html",
    "track.parquet": "application/octet-stream",
}


def routes() -> list:
    at = "/clinic/sets/{uid}"
    return [
        get(at, _page),
        get(at + "/progress", _progress),
        get(at + "/trace", _trace),
        get(at + "/starts", _starts),
        get(at + "/video/{which}", lambda request: video_response(request, set_of(request))),
        get(at + "/picture", _picture),
        get(at + "/files/{name}", _file),
        post(at + "/corrections", _correct),
        post(at + "/corrections/{id:int}/withdraw", _withdraw),
        post(at + "/review", _review),
        post(at + "/open", _open_again),
        post(at + "/again", _measure_again),
        post(at + "/delete", _delete),
    ]


def set_of(request) -> StoredSet:
    """The set that a clinician's page is about. Raises PageError when there is none."""
    stored = find_set(site_of(request).clinic, request.path_params["uid"])
    if stored is None:
        raise PageError(404, "There is no such set. It may have been deleted.")
    return stored


def _page(request, faults=(), status: int = 200):
    from formcheck.clinic.note import note_text

    clinic, stored = site_of(request).clinic, set_of(request)
    corrected, found = corrected_report(clinic, stored), stored_report(clinic, stored.uid)
    view = None
    if corrected is not None and found is not None:
        view = set_view(corrected, found, _means(clinic, stored))
    kept = corrections_of(clinic, stored.id)
    version = prescription_by_id(clinic, stored.prescription_id) if stored.prescription_id else None
    next_href, next_name = next_words(clinic, stored)
    return render(
        request,
        "set.html.j2",
        status=status,
        stored=stored,
        view=view,
        facts=set_facts(stored),
        state=STATE_WORDS[stored.state],
        is_waiting=stored.state in ("recorded", "analysing"),
        kept=kept,
        comments=[k for k in kept if k.correction.kind == "comment" and k.withdrawn_at is None],
        reviews=reviews_of(clinic, stored.id),
        version=version,
        answers=[
            (a, answer_words(a, questions_for(clinic, stored.patient_id)))
            for a in answers_of_set(clinic, stored.id)
        ],
        moments=MOMENT_WORDS,
        note=note_text(clinic, stored) if view else "",
        near=neighbours(clinic, stored) if view else Neighbours(),
        next_href=next_href,
        next_name=next_name,
        faults=faults,
        today=today(),
        correction_words=correction_words,
    )


def _means(clinic, stored: StoredSet) -> dict[str, SetMean]:
    """measure -> its mean over the set with its 95 % interval."""
    series = series_of(clinic, stored.patient_id, stored.exercise, stored.side)
    return {key: p.mean for key, of in series.items() for p in of if p.uid == stored.uid}


def correction_words(c: Correction, rows) -> str:
    """A correction in a line."""
    from formcheck.model.measures import MEASURES
    from formcheck.words import wording

    label = ""
    if c.repetition is not None:
        label = rows[c.repetition].label if c.repetition < len(rows) else str(c.repetition + 1)
        label = f"Repetition {label}: "
    if c.kind == "left out":
        return f"{label}left out"
    if c.kind == "limits":
        return f"{label}limits moved to {c.start_s:.2f} to {c.end_s:.2f} s"
    if c.kind == "outcome":
        words = wording.outcome_words(c.outcome, c.check_kind).words
        return f"{label}{MEASURES[c.measure].label}: {words}"
    at = f" at {wording.clock(c.at_s)}" if c.at_s is not None else ""
    return f"Comment{at}: {c.words}"


def _progress(request):
    from starlette.responses import JSONResponse

    clinic, stored = site_of(request).clinic, set_of(request)
    job = jobs.progress_of(clinic, stored.id)
    is_over = stored.state not in ("recorded", "analysing")
    words, share = STATE_WORDS[stored.state], None
    if job is not None and not is_over:
        if job.state == "waiting":
            words = f"Waiting; {job.n_before} before it" if job.n_before else "Next in line"
        else:
            words = _STAGES.get(job.stage, "Starting")
            share = min(1.0, job.done / job.total) if job.total else None
    return JSONResponse({"state": stored.state, "is_over": is_over, "words": words, "share": share})


def _trace(request):
    from starlette.responses import JSONResponse

    trace = stored_trace(site_of(request).clinic, set_of(request).uid)
    if trace is None:
        raise PageError(404, "There is no trace of this set.")
    return JSONResponse(trace)


def _picture(request):
    from starlette.responses import FileResponse

    path = picture_path(site_of(request).clinic.folder, set_of(request).uid)
    if not path.is_file():
        raise PageError(404, "There is no picture of this set.")
    return FileResponse(path, media_type="image/jpeg")


def _starts(request):
    from starlette.responses import JSONResponse

    return JSONResponse(starts_of(site_of(request).clinic, set_of(request)))


def _file(request):
    from starlette.responses import FileResponse

    stored, name = set_of(request), request.path_params["name"]
    if name not in _FILES:
        raise PageError(404, "There is no such file.")
    path = site_of(request).clinic.folder.result(stored.uid) / name
    if not path.exists():
        raise PageError(404, "There is no such file (yet).")
    # To be saved, never shown here: a report's own page would run under our address.
    return FileResponse(
        path, media_type=_FILES[name], filename=f"{stored.patient_code}_{stored.day}_{name}"
    )


def _correction_from(fields) -> Correction:
    kind = first(fields, "kind")
    made = {"kind": kind, "made_by": first(fields, "by"), "reason": first(fields, "reason")}
    if kind == "comment":
        return Correction(
            **made, at_s=number(fields, "at_s", "moment"), words=first(fields, "words")
        )
    if kind == "outcome":
        parts = first(fields, "check").split(" ")
        if len(parts) != 4 or not parts[0].isdigit():
            raise UsageError("choose what to overrule")
        return Correction(
            **made,
            repetition=int(parts[0]),
            measure=parts[1],
            check_kind=parts[2],
            outcome=parts[3],
        )
    if kind == "limits":
        return Correction(
            **made,
            repetition=whole(fields, "repetition", "repetition"),
            start_s=number(fields, "start_s", "start"),
            end_s=number(fields, "end_s", "end"),
        )
    if kind == "left out":
        return Correction(**made, repetition=whole(fields, "repetition", "repetition"))
    raise UsageError("choose what to correct")


def _correct(request, fields):
    from formcheck.clinic.work import make_correction

    clinic, stored = site_of(request).clinic, set_of(request)
    with telling() as faults:
        make_correction(clinic, stored.uid, _correction_from(fields))
    if faults:
        return _page(request, faults, 400)
    return go(request, f"/clinic/sets/{stored.uid}#h-corrections", "kept")


def _withdraw(request, fields):
    from formcheck.clinic.work import take_back_correction

    clinic, stored = site_of(request).clinic, set_of(request)
    with telling() as faults:
        take_back_correction(clinic, stored.uid, request.path_params["id"], first(fields, "by"))
    if faults:
        return _page(request, faults, 400)
    return go(request, f"/clinic/sets/{stored.uid}#h-corrections", "withdrawn")


def _review(request, fields):
    clinic, stored = site_of(request).clinic, set_of(request)
    with telling() as faults:
        if not review_sets(clinic, [stored.uid], first(fields, "by")):
            raise UsageError("this set is being measured, or was reviewed already")
    return (
        _page(request, faults, 400)
        if faults
        else go(request, request.url.path.removesuffix("/review"), "reviewed")
    )


def _open_again(request, fields):
    clinic, stored = site_of(request).clinic, set_of(request)
    with telling() as faults:
        open_again(clinic, stored.uid, first(fields, "by"), first(fields, "reason"))
    return (
        _page(request, faults, 400)
        if faults
        else go(request, f"/clinic/sets/{stored.uid}", "opened")
    )


def _measure_again(request, fields):
    clinic, stored = site_of(request).clinic, set_of(request)
    with telling() as faults:
        jobs.measure_again(
            clinic,
            stored.uid,
            side=first(fields, "side"),
            is_mirrored=first(fields, "is_mirrored") == "yes",
        )
    return (
        _page(request, faults, 400)
        if faults
        else go(request, f"/clinic/sets/{stored.uid}", "again")
    )


def _delete(request, fields):
    clinic, stored = site_of(request).clinic, set_of(request)
    with telling() as faults:
        delete_set(clinic, stored.uid, by=first(fields, "by"), reason=first(fields, "reason"))
    if faults:
        return _page(request, faults, 400)
    return go(request, f"/clinic/patients/{stored.patient_code}/sets", "deleted")

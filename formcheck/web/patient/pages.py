"""The patient's part of the site: every route under /my. Here: today's list and what is ticked.

The patient is always the session's own, never one named in an address.
"""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from formcheck.clinic import Clinic
from formcheck.clinic.answers import REASONS, add_answer, answers_of, tick, ticks_of, untick
from formcheck.clinic.database import today
from formcheck.clinic.follow_up import follow_up
from formcheck.clinic.patients import Patient, current_prescription, set_language
from formcheck.clinic.plan_kept import history_of
from formcheck.clinic.safety import pain_rule
from formcheck.clinic.sets import sets_of
from formcheck.clinic.today import DayDone, TodayExercise, TodaySet, find_today, todays_list
from formcheck.clinic.uploads import find_upload, finish_upload, open_uploads, throw_away_upload
from formcheck.model.errors import FileError, UsageError
from formcheck.model.programme import PrescribedExercise
from formcheck.web.media import video_response
from formcheck.web.pages import (
    PageError,
    first,
    get,
    go,
    leg_words,
    number,
    post,
    render,
    site_of,
    telling,
    whole,
)
from formcheck.web.patient import holds
from formcheck.web.patient.holds import hold_of, own_standing
from formcheck.web.patient.own import own_patient, own_set
from formcheck.web.patient.progress import MeasuredProgress, measured_progress
from formcheck.web.uploads import upload_routes
from formcheck.words.languages import gettext, marked, weekday, weekday_letter

ROUND_NAMES = (
    marked("First time today"),
    marked("Second time today"),
    marked("Third time today"),
    marked("Fourth time today"),
    marked("Fifth time today"),
    marked("Sixth time today"),
)
BROKEN_OFF_S = 15.0
"""A recording to which nothing came for so long has broken off; pieces come every second."""


def routes() -> list:
    """The patient's routes."""
    from formcheck.web.patient import files as patient_files
    from formcheck.web.patient import live_socket
    from formcheck.web.patient import results as patient_results
    from formcheck.web.patient import set_page as patient_set

    return [
        get("/my", _home),
        post("/my/tick", _tick),
        post("/my/untick", _untick),
        post("/my/language", _choose_language),
        get("/my/next-day", _next_day),
        post("/my/next-day", _keep_next_day),
        post("/my/unfinished/{uid}/keep", _keep_unfinished),
        post("/my/unfinished/{uid}/discard", _discard_unfinished),
        get("/my/sets/{uid}/video/{which}", _video),
        *holds.routes(),
        *patient_set.routes(),
        *patient_results.routes(),
        *patient_files.routes(),
        *live_socket.routes(),
        *upload_routes("/my", own_patient, after_page, is_recorded=True),
    ]


def after_page(uid: str) -> str:
    """Where a patient goes when a recording has arrived whole."""
    return f"/my/sets/{uid}/after"


def todays_own_list(request, patient: Patient) -> tuple[TodayExercise, ...]:
    """The patient's list of today; empty where there is no plan."""
    from formcheck.files.exercises import load_exercise

    clinic, day = site_of(request).clinic, today().isoformat()
    version = current_prescription(clinic, patient.id)
    if version is None:
        return ()
    prescription = version.record()
    return todays_list(
        prescription,
        [load_exercise(line.exercise) for line in prescription.exercises],
        sets_of(clinic, patient.id, day=day),
        ticks_of(clinic, patient.id, day),
        day=today(),
        history=history_of(clinic, patient.id),
    )


def listed_set(request, patient: Patient) -> tuple[TodayExercise, TodaySet]:
    """The set of today's list that the address names. Raises PageError when it is not on it."""
    p = request.path_params
    found = find_today(todays_own_list(request, patient), p["exercise"], p["side"], p["number"])
    if found is None:
        raise PageError(404, gettext("That set is not in your plan of today."))
    return found


def set_path(s: TodaySet) -> str:
    """The address of a set of today's list."""
    return f"/my/do/{s.exercise}/{s.side}/{s.number}"


def set_words(s: TodaySet) -> str:
    """A set's name in a line: `Set 2, left leg`."""
    words = gettext("Set %(n)s", n=s.number_in_round)
    return words if s.side == "both" else f"{words}, {leg_words(s.side)}"


def over_words(sets: Sequence[TodaySet]) -> str:
    """What is said when none of these sets is open any more."""
    if not sets or all(s.state == "open" for s in sets):
        return gettext("Nothing is due today")
    is_left_out = any(s.state == "not done" for s in sets)
    return gettext("That is all for today") if is_left_out else gettext("Done for today")


def left_words(sets: Sequence[TodaySet]) -> str:
    """What is left of these sets: `2 of 3 sets left`; empty where none is, or none was begun."""
    n_left = sum(s.state == "open" for s in sets)
    if n_left in (0, len(sets)):
        return ""
    return gettext("%(n)s of %(most)s sets left", n=n_left, most=len(sets))


# -- today's list


def _home(request, faults=(), status: int = 200):
    with site_of(request).clinic.one_state():
        shown = _todays_page(request)
        return render(request, "my_home.html.j2", status=status, faults=faults, **shown)


def _todays_page(request) -> dict[str, Any]:
    """What the page of today shows."""
    from formcheck.words import patient_words
    from formcheck.words.figures import poses_svg

    patient, clinic = own_patient(request), site_of(request).clinic
    version = current_prescription(clinic, patient.id)
    sets = sets_of(clinic, patient.id, limit=30)
    day = todays_own_list(request, patient)
    standing = own_standing(request, patient)
    lines = version.record().exercises if version else ()
    return {
        "today": today(),
        "prescription": version.record() if version else None,
        "day": [(of, patient_words.dose_words(of.line, of.exercise)) for of in day],
        "drawn": {of.line.exercise: poses_svg(of.exercise, line=of.line) for of in day},
        "left_words": left_words,
        "is_all_over": bool(day) and all(of.is_over for of in day),
        "over_words": over_words,
        "day_sets": [s for of in day if of.is_due for s in of.sets],
        "hold": hold_of(request, patient, found=standing),
        "standing": standing,
        "left_out": {
            name: hold_of(request, patient, name, standing)
            for name in standing.left_out
            if not standing.is_held
        },
        "plan_day_words": patient_words.plan_day_words,
        "set_path": set_path,
        "set_words": set_words,
        "reasons": REASONS,
        "day_before": _unasked_day(request, patient),
        "unfinished": _broken_off(clinic, patient),
        "weeks": weeks_done(
            history_of(clinic, patient.id),
            version.record().valid_from if version else today(),
            today(),
        ),
        "progress": _progress(clinic, patient, lines),
        "weekdays": [(weekday(n), weekday_letter(n)) for n in range(7)],
        "round_names": ROUND_NAMES,
        "earlier": [s for s in sets if s.day < today().isoformat()][:8],
    }


WEEKS_SHOWN = 4


def _progress(
    clinic: Clinic, patient: Patient, lines: Sequence[PrescribedExercise]
) -> list[MeasuredProgress]:
    """What was measured over the weeks of the plan's exercises, what it sets a target for first."""
    judged: dict[str, tuple[str, ...]] = {}
    for line in lines:
        targets = tuple(b.measure for b in line.targets)
        judged[line.exercise] = judged.get(line.exercise, ()) + targets
    try:
        found = follow_up(clinic, patient.id, judged=judged)
    except FileError:
        # The clinic's figures of error are damaged: its own pages say so. Today's list stands.
        return []
    return measured_progress(found, list(judged), first_day_shown(today()))


def first_day_shown(day: date) -> date:
    """The Monday that the weeks shown on a day begin with."""
    return day - timedelta(days=day.weekday(), weeks=WEEKS_SHOWN - 1)


def weeks_done(
    history: Sequence[DayDone], begins: date, day: date
) -> list[list[tuple[date, bool | None]]]:
    """The latest weeks from Mondays on: each day, and whether anything was filmed or ticked on it.

    None: before the plan began, or still to come. Without anything done there are no weeks.
    """
    done = {d.day for d in history}
    monday = first_day_shown(day)
    weeks = [[monday + timedelta(weeks=n, days=k) for k in range(7)] for n in range(WEEKS_SHOWN)]
    begins = min(begins, *done) if done else begins
    shown = [
        [(d, d in done if begins <= d <= day else None) for d in week]
        for week in weeks
        if week[-1] >= begins
    ]
    return shown if done else []


def _broken_off(clinic, patient: Patient) -> list:
    """Recordings that are half here and to which nothing comes any more, the newest first."""
    from datetime import UTC, datetime, timedelta

    before = (datetime.now(UTC) - timedelta(seconds=BROKEN_OFF_S)).isoformat(timespec="seconds")
    halves = [u for u in open_uploads(clinic, patient.id) if u.last_at < before]
    return sorted(halves, key=lambda u: u.last_at, reverse=True)


def used_kg(fields) -> float:
    """The weight that was used, as it was said. Raises UsageError where it was not."""
    load = number(fields, "load_kg", gettext("the weight that you used"))
    if load is None:
        raise UsageError(gettext("write the weight that you used, in kg; 0 for none"))
    return load


def _named_set(request, patient: Patient, fields) -> tuple[TodayExercise, TodaySet]:
    number = whole(fields, "number", gettext("set"))
    found = find_today(
        todays_own_list(request, patient),
        first(fields, "exercise"),
        first(fields, "side"),
        number or 0,
    )
    if found is None:
        raise UsageError(gettext("That set is not in your plan of today."))
    return found


def _tick(request, fields):
    patient = own_patient(request)
    with telling() as faults:
        of, s = _named_set(request, patient, fields)
        is_loaded = bool(of.line.load_kg) and first(fields, "kind") == "done"
        tick(
            site_of(request).clinic,
            patient.id,
            exercise=s.exercise,
            side=s.side,
            set_number=s.number,
            kind=first(fields, "kind"),
            reason=first(fields, "reason"),
            load_kg=used_kg(fields) if is_loaded else None,
        )
    if faults:
        return _home(request, faults, 400)
    return go(request, f"/my#at-{s.exercise}", "kept")


def _untick(request, fields):
    patient = own_patient(request)
    with telling() as faults:
        _, s = _named_set(request, patient, fields)
        untick(
            site_of(request).clinic,
            patient.id,
            exercise=s.exercise,
            side=s.side,
            set_number=s.number,
            day=today().isoformat(),
        )
    if faults:
        return _home(request, faults, 400)
    return go(request, f"/my#at-{s.exercise}", "kept")


def _choose_language(request, fields):
    """Another language for the patient's own pages, chosen on any of them."""
    set_language(site_of(request).clinic, own_patient(request).id, first(fields, "language"))
    back = first(fields, "back")
    return go(request, back if back.startswith("/my/") else "/my")


# -- the day after


def _unasked_day(request, patient: Patient) -> str | None:
    """The last day before today on which something was done, if its next day was not asked."""
    clinic, day = site_of(request).clinic, today().isoformat()
    days = {s.day for s in sets_of(clinic, patient.id, limit=60)}
    days |= {t.day for t in ticks_of(clinic, patient.id) if t.kind == "done"}
    earlier = [d for d in days if d < day]
    if not earlier:
        return None
    last = max(earlier)
    asked = [a for a in answers_of(clinic, patient.id) if a.moment == "next day" and a.day > last]
    return None if asked else last


_COMPARED = (
    ("pain", marked("Pain")),
    ("stiffness", marked("Stiffness")),
    ("swelling", marked("Swelling")),
)
_WORST = marked("Worst pain in the 24 hours after")


def _next_day(request, faults=(), values=None, status: int = 200):
    patient = own_patient(request)
    return render(
        request,
        "my_next_day.html.j2",
        status=status,
        day=_unasked_day(request, patient),
        compared=_COMPARED,
        worst=_WORST,
        values=values or {},
        faults=faults,
    )


def _keep_next_day(request, fields):
    patient = own_patient(request)
    values = {name: first(fields, name) for name, _ in _COMPARED}
    values["worst"] = first(fields, "worst")
    with telling() as faults:
        worst = whole(fields, "worst", gettext(_WORST))
        if worst is None:
            raise UsageError(gettext("choose a number from 0 to 10 for the worst pain"))
        missing = [gettext(words).lower() for name, words in _COMPARED if not values[name]]
        if missing:
            raise UsageError(
                gettext("choose less, same or more for %(what)s", what=", ".join(missing))
            )
        add_answer(
            site_of(request).clinic,
            patient.id,
            "next day",
            pain=worst,
            rule=_rule_of_day(request, patient),
            **{f"{name}_change": values[name] for name, _ in _COMPARED},
        )
    if faults:
        return _next_day(request, faults, values, 400)
    hold = hold_of(request, patient)
    if hold is not None or "more" in (values["pain"], values["swelling"]):
        return render(request, "my_more.html.j2", values=values, hold=hold)
    return go(request, "/my", "kept")


def _rule_of_day(request, patient: Patient):
    """The rule for pain after the exercises that were done last: the strictest of their limits."""
    clinic, last = site_of(request).clinic, _unasked_day(request, patient)
    version = current_prescription(clinic, patient.id)
    prescription = version.record() if version else None
    lines = prescription.exercises if prescription else ()
    done = {s.exercise for s in sets_of(clinic, patient.id, day=last)} if last else set()
    done |= {t.exercise for t in ticks_of(clinic, patient.id, last) if t.kind == "done"}
    return pain_rule(prescription, [e for e in lines if e.exercise in done] or lines)


# -- recordings that broke off


def _keep_unfinished(request, fields):
    patient, uid = own_patient(request), request.path_params["uid"]
    with telling() as faults:
        stored = finish_upload(site_of(request).clinic, uid, patient.id)
    if faults:
        return _home(request, faults, 400)
    return go(request, after_page(stored.uid))


def _discard_unfinished(request, fields):
    clinic, patient = site_of(request).clinic, own_patient(request)
    upload = find_upload(clinic, request.path_params["uid"], patient.id)
    if upload is not None:
        throw_away_upload(clinic, upload.uid, patient.id)
    return go(request, "/my", "discarded")


def _video(request):
    return video_response(request, own_set(request))

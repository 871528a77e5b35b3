"""A patient over the weeks: follow-up, findings and goals, the two pages that print."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import get_args

from formcheck.clinic import findings as kept_findings
from formcheck.clinic.answers import answers_of, stated, tick_words_of, ticks_of
from formcheck.clinic.database import today
from formcheck.clinic.findings import (
    FINDINGS,
    INDEX_FACT,
    ClinicFinding,
    Entry,
    findings_of,
    goals_of,
    scores_of,
    symmetry_of_findings,
    value_words,
)
from formcheck.clinic.follow_up import change_of, follow_up, trend_of
from formcheck.clinic.note import change_words, trend_words
from formcheck.clinic.patients import Patient, current_prescription, prescriptions_of
from formcheck.clinic.plan_kept import LineKept, history_from, plan_kept
from formcheck.clinic.sets import STATE_WORDS, sets_of
from formcheck.clinic.settings import questions_for
from formcheck.model.errors import UsageError
from formcheck.model.measures import MEASURES
from formcheck.web.clinician.charts import (
    day_text,
    dose_chart,
    finding_charts,
    measure_chart,
    pain_chart,
    score_charts,
)
from formcheck.web.clinician.criteria import criteria_view
from formcheck.web.clinician.lists import (
    MOMENT_WORDS,
    answer_words,
    patient_of,
    set_facts,
    standing_line,
)
from formcheck.web.pages import first, get, go, number, post, render, site_of, telling
from formcheck.words import wording


def routes() -> list:
    at = "/clinic/patients/{code}"
    return [
        get(at, _follow_up),
        get(at + "/findings", _findings),
        post(at + "/findings", _add_finding),
        post(at + "/scores", _add_score),
        post(at + "/goals", _add_goal),
        post(at + "/goals/{id:int}/reached", _reach_goal),
        *(
            post(f"{at}/{entry}s/{{id:int}}/withdraw", _withdrawing(entry))
            for entry in get_args(Entry)
        ),
        get(at + "/summary", _summary),
        get(at + "/discharge", _discharge),
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptLine:
    """What was done of one line of a plan, in words."""

    exercise: str
    frequency: str
    days: str
    weeks: str
    sets: str
    load: str
    effort: str
    more: str


def _bounds_of(prescription) -> dict[str, list]:
    """exercise -> [(kind, Bound)] of a prescription."""
    out: dict[str, list] = {}
    for line in prescription.exercises if prescription else ():
        bounds = [("target", b) for b in line.targets] + [("limit", b) for b in line.limits]
        out.setdefault(line.exercise, []).extend(bounds)
    return out


def _drawn(clinic, patient: Patient, prescription):
    """(follow-up, charts of measures, the other charts) of a patient."""
    bounds = _bounds_of(prescription)
    judged = {e: tuple(b.measure for _, b in of) for e, of in bounds.items()}
    found = follow_up(clinic, patient.id, judged=judged)
    charts = [
        measure_chart(series, f"m{n}", bounds.get(series.exercise, ()))
        for n, series in enumerate(found.measures)
    ]
    said = stated(found.answers, ticks_of(clinic, patient.id))
    others = [dose_chart(found.sets, "dose"), pain_chart(said, "pain")]
    return found, [c for c in charts if c], [c for c in others if c]


def _changes(found) -> list[tuple[str, str, str, str, str]]:
    """(exercise and side, measure, latest mean with interval, change since the first, line
    through all days)."""
    rows = []
    for series in found.measures:
        for side in series.sides:
            points = series.of_side(side)
            last = points[-1]
            latest = (
                f"{wording.quantity(series.key, last.mean.value)} "
                f"{wording.around(series.key, last.mean.value, last.mean.low, last.mean.high)}"
            )
            rows.append(
                (
                    f"{wording.exercise_name(series.exercise)}, {side}",
                    MEASURES[series.key].label,
                    latest,
                    change_words(series.key, points[0], last)
                    if len(points) > 1
                    else "one set only",
                    trend_words(series.key, trend_of(series.key, points)),
                )
            )
    return rows


def _bases(found) -> list[str]:
    """Where the smallest detectable changes of the table come from, each once."""
    return list(
        dict.fromkeys(
            change_of(series.key, points[0], points[-1]).basis
            for series in found.measures
            for side in series.sides
            if len(points := series.of_side(side)) > 1
        )
    )


def _on(point) -> str:
    return day_text(date.fromisoformat(point.day))


def _sides(found) -> list[tuple[str, str, str]]:
    """(exercise, measure, the latest left against the latest right) where both were filmed."""
    rows = []
    for series in found.measures:
        left, right = series.of_side("left"), series.of_side("right")
        if left and right:
            a, b = left[-1], right[-1]
            change = change_of(series.key, a, b)
            error = ""
            if math.isfinite(change.smallest):
                size = wording.plus_minus(series.key, change.smallest).removeprefix("± ")
                error = f" (error alone: up to {size})"
            rows.append(
                (
                    wording.exercise_name(series.exercise),
                    MEASURES[series.key].label,
                    f"left {wording.quantity(series.key, a.mean.value)} ({_on(a)}), right "
                    f"{wording.quantity(series.key, b.mean.value)} ({_on(b)}); right minus left "
                    f"{wording.quantity(series.key, change.value)}{error}",
                )
            )
    return rows


def _follow_up(request, faults=(), status: int = 200):
    patient, clinic = patient_of(request), site_of(request).clinic
    version = current_prescription(clinic, patient.id)
    prescription = version.record() if version else None
    found, charts, others = _drawn(clinic, patient, prescription)
    since = (today() - timedelta(days=28)).isoformat()
    questions = questions_for(clinic, patient.id)
    findings = findings_of(clinic, patient.id)
    return render(
        request,
        "follow_up.html.j2",
        status=status,
        patient=patient,
        version=version,
        prescription=prescription,
        charts=charts,
        others=others,
        changes=_changes(found),
        bases=_bases(found),
        sides=_sides(found),
        n_sets=len(found.sets),
        faults=faults,
        sets=sets_of(clinic, patient.id, limit=8),
        facts=set_facts,
        states=STATE_WORDS,
        findings=findings,
        kinds=FINDINGS,
        finding_words=finding_words,
        indices=_index_rows(findings, prescription),
        index_fact=INDEX_FACT,
        finding_facts=_finding_facts(findings),
        scores=scores_of(clinic, patient.id),
        goals=goals_of(clinic, patient.id),
        answers=[
            (a, answer_words(a, questions)) for a in reversed(found.answers) if a.day >= since
        ][:30],
        moments=MOMENT_WORDS,
        standing=standing_line(clinic, patient.id),
        ticks=tuple(reversed(tick_words_of(clinic, patient.id, since)))[:40],
        criteria=criteria_view(clinic, patient, prescription),
        kept=_plan_kept(clinic, patient, prescription, found.answers),
    )


def _plan_kept(clinic, patient: Patient, prescription, answers) -> list[KeptLine]:
    """A row for each line of the prescription."""
    if prescription is None:
        return []
    sets, ticks = sets_of(clinic, patient.id), ticks_of(clinic, patient.id)
    history = history_from(sets, ticks)
    versions = prescriptions_of(clinic, patient.id)
    found = plan_kept(prescription, history, sets, ticks, today(), answers, versions)
    rows = []
    for k in found:
        more = []
        if k.n_done > k.n_planned:
            more.append(f"{k.n_done - k.n_planned} more days than planned")
        if k.n_over:
            sets = "set" if k.n_over == 1 else "sets"
            more.append(f"more repetitions than prescribed in {k.n_over} filmed {sets}")
        sides = "" if k.line.sides == ("both",) else f", {' and '.join(k.line.sides)}"
        rows.append(
            KeptLine(
                exercise=f"{wording.exercise_name(k.line.exercise)}{sides}",
                frequency=k.line.frequency or "once a day",
                days=f"{k.n_done} of {k.n_planned}"
                + ("" if k.begins == prescription.valid_from else f" since {day_text(k.begins)}"),
                weeks=", ".join(f"{done} of {planned}" for _, done, planned in k.weeks) or "–",
                sets=_filmed_or_ticked(k),
                load=_load_words(k),
                effort=_effort_words(k.efforts),
                more="; ".join(more),
            )
        )
    return rows


def _filmed_or_ticked(kept: LineKept) -> str:
    parts = ((kept.n_filmed, "filmed"), (kept.n_ticked, "ticked"))
    return ", ".join(f"{n} {words}" for n, words in parts if n) or "–"


def _load_words(kept: LineKept) -> str:
    planned = f"{kept.line.load_kg:g} kg planned" if kept.line.load_kg else ""
    used = ", then ".join(f"{x:g}" for x in kept.loads_kg[-4:])
    return "; ".join(x for x in (f"{used} kg used" if used else "", planned) if x) or "–"


def _effort_words(efforts: Sequence[int]) -> str:
    """The last stated effort, and from where to where it went."""
    if not efforts:
        return "not stated"
    low, high = min(efforts), max(efforts)
    return f"last {efforts[-1]}" + (f" ({low} to {high})" if low != high else "")


def finding_words(found: ClinicFinding) -> str:
    """The value of a finding with its unit, and what was written to it."""
    value = "" if found.value is None else value_words(found.kind, found.value)
    return " ".join(x for x in (value, found.words) if x)


def _index_rows(findings, prescription) -> list[tuple[str, str, str]]:
    """(day, kind, limb symmetry index in words), the latest first."""
    involved = prescription.involved_side if prescription else None
    rows = []
    for x in reversed(symmetry_of_findings(findings, involved)):
        other = "right" if x.side == "left" else "left"
        role = "involved" if x.is_involved else "worse"
        words = f"{x.percent:.0f} % ({x.side}, the {role} side, of {other})"
        if not x.is_same_method:
            words += "; what was written to the two sides differs: the same method?"
        rows.append((x.day, FINDINGS[x.kind].name, words))
    return rows


def _finding_facts(findings) -> list[str]:
    """What is published of the kinds that were entered."""
    entered = {f.kind for f in findings}
    return [of.fact for kind, of in FINDINGS.items() if kind in entered and of.fact]


def _findings(request, faults=(), status: int = 200, fields=None):
    patient, clinic = patient_of(request), site_of(request).clinic
    version = current_prescription(clinic, patient.id)
    every = findings_of(clinic, patient.id, with_withdrawn=True)
    findings = [f for f in every if f.withdrawal is None]
    scores = scores_of(clinic, patient.id, with_withdrawn=True)
    goals = goals_of(clinic, patient.id, with_withdrawn=True)
    return render(
        request,
        "findings.html.j2",
        status=status,
        patient=patient,
        kinds=FINDINGS,
        finding_words=finding_words,
        findings=every,
        form=_form_values(request, fields, {"finding": every, "score": scores, "goal": goals}),
        charts=(
            *finding_charts(findings),
            *score_charts([x for x in scores if x.withdrawal is None]),
        ),
        indices=_index_rows(findings, version.record() if version else None),
        index_fact=INDEX_FACT,
        finding_facts=_finding_facts(findings),
        scores=scores,
        goals=goals,
        today=today(),
        faults=faults,
    )


_FORMS: dict[str, dict[str, str]] = {
    "finding": dict.fromkeys(("day", "kind", "side", "value", "words"), ""),
    "score": dict.fromkeys(("day", "name", "value", "direction", "least_change"), ""),
    "goal": dict.fromkeys(("words", "set_on", "due_on"), ""),
}
"""The forms of the page and their fields, empty."""


def _form_values(request, fields, entries: Mapping[str, Sequence]) -> dict[str, dict[str, str]]:
    """What stands in the forms: what was typed and refused, else the withdrawn entry that the
    address names, else today's date."""
    day, path = today().isoformat(), request.url.path
    out = {name: dict(of) for name, of in _FORMS.items()}
    out["finding"]["day"] = out["score"]["day"] = out["goal"]["set_on"] = day
    again = request.query_params.get("again", "")
    for name, form in out.items():
        if fields is not None and path.endswith(f"/{name}s"):
            form |= {key: first(fields, key) for key in form}
        withdrawn = [e for e in entries[name] if e.withdrawal and again == f"{name}-{e.id}"]
        for entry in withdrawn:
            said = {key: getattr(entry, key) for key in form}
            form |= {
                key: "" if v is None else f"{v:g}" if isinstance(v, float) else v
                for key, v in said.items()
            }
    return out


def _kept(request, patient: Patient, faults, anchor: str, fields):
    if faults:
        return _findings(request, faults, 400, fields)
    return go(request, f"/clinic/patients/{patient.code}/findings#{anchor}", "kept")


def _add_finding(request, fields):
    patient = patient_of(request)
    with telling() as faults:
        kept_findings.add_finding(
            site_of(request).clinic,
            patient.id,
            day=first(fields, "day"),
            kind=first(fields, "kind"),
            side=first(fields, "side"),
            value=number(fields, "value", "value"),
            words=first(fields, "words"),
            by=first(fields, "by"),
        )
    return _kept(request, patient, faults, "h-findings", fields)


def _add_score(request, fields):
    patient = patient_of(request)
    with telling() as faults:
        value = number(fields, "value", "value")
        if value is None:
            raise UsageError("write the value of the score")
        kept_findings.add_score(
            site_of(request).clinic,
            patient.id,
            day=first(fields, "day"),
            name=first(fields, "name"),
            value=value,
            direction=first(fields, "direction"),
            least_change=number(fields, "least_change", "least change"),
            by=first(fields, "by"),
        )
    return _kept(request, patient, faults, "h-scores", fields)


def _add_goal(request, fields):
    patient = patient_of(request)
    with telling() as faults:
        kept_findings.add_goal(
            site_of(request).clinic,
            patient.id,
            words=first(fields, "words"),
            set_on=first(fields, "set_on"),
            due_on=first(fields, "due_on") or None,
            by=first(fields, "by"),
        )
    return _kept(request, patient, faults, "h-goals", fields)


def _reach_goal(request, fields):
    patient = patient_of(request)
    with telling() as faults:
        kept_findings.reach_goal(
            site_of(request).clinic, patient.id, request.path_params["id"], first(fields, "day")
        )
    return _kept(request, patient, faults, "h-goals", fields)


def _withdrawing(entry: Entry):
    """The answer to the form that takes an entry of this kind out of force."""

    def answer(request, fields):
        patient, entry_id = patient_of(request), request.path_params["id"]
        with telling() as faults:
            kept_findings.withdraw(
                site_of(request).clinic,
                patient.id,
                entry,
                entry_id,
                by=first(fields, "by"),
                why=first(fields, "why"),
            )
        if faults:
            return _findings(request, faults, 400)
        path = f"/clinic/patients/{patient.code}/findings?again={entry}-{entry_id}#h-{entry}s"
        return go(request, path, "taken_back")

    return answer


def _printed(request, template: str):
    patient, clinic = patient_of(request), site_of(request).clinic
    version = current_prescription(clinic, patient.id)
    prescription = version.record() if version else None
    found, charts, others = _drawn(clinic, patient, prescription)
    answers = answers_of(clinic, patient.id)
    all_sets = sets_of(clinic, patient.id)
    weeks = _weeks(all_sets, stated(answers, ticks_of(clinic, patient.id)))
    questions = questions_for(clinic, patient.id)
    findings = findings_of(clinic, patient.id)
    return render(
        request,
        template,
        patient=patient,
        version=version,
        prescription=prescription,
        charts=charts,
        others=others,
        changes=_changes(found),
        bases=_bases(found),
        sides=_sides(found),
        sets=all_sets,
        weeks=weeks,
        findings=findings,
        kinds=FINDINGS,
        finding_words=finding_words,
        indices=_index_rows(findings, prescription),
        index_fact=INDEX_FACT,
        finding_facts=_finding_facts(findings),
        scores=scores_of(clinic, patient.id),
        goals=goals_of(clinic, patient.id),
        today=today(),
        n_reviewed=sum(s.is_final for s in all_sets),
        symptoms=[
            (a.day, answer_words(a, questions))
            for a in answers
            if a.level in ("call", "urgent") or a.moment in ("stopped", "acted")
        ],
        standing=standing_line(clinic, patient.id),
    )


def _weeks(sets, said) -> list[tuple[str, int, str, str]]:
    """(week, filmed sets, highest pain, highest effort) of the last six weeks with anything.

    said : (day, pain, effort) as stated.
    """
    found: dict[date, list] = {}
    for s in sets:
        d = date.fromisoformat(s.day)
        found.setdefault(d - timedelta(days=d.weekday()), [0, None, None])[0] += 1
    for day, *values in said:
        d = date.fromisoformat(day)
        week = found.setdefault(d - timedelta(days=d.weekday()), [0, None, None])
        for n, value in enumerate(values, 1):
            if value is not None:
                week[n] = value if week[n] is None else max(value, week[n])
    return [
        (
            monday.isoformat(),
            n,
            "–" if pain is None else str(pain),
            "–" if effort is None else str(effort),
        )
        for monday, (n, pain, effort) in sorted(found.items())[-6:]
    ]


def _summary(request):
    return _printed(request, "summary.html.j2")


def _discharge(request):
    return _printed(request, "discharge.html.j2")

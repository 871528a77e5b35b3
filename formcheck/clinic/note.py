"""The paragraph for the clinic's own record: what a set was, what was measured, how sure it is."""

from collections.abc import Sequence

from formcheck.clinic import Clinic
from formcheck.clinic.answers import answers_of, answers_of_set
from formcheck.clinic.follow_up import Point, change_of, series_of, unlike_words
from formcheck.clinic.reviews import corrected_report, reviews_of
from formcheck.clinic.safety import Answer, reasons_of
from formcheck.clinic.sets import StoredSet
from formcheck.clinic.settings import questions_for
from formcheck.evidence.trend import Trend
from formcheck.model.measures import MEASURES
from formcheck.model.records import AssessedRepetition, AssessedSet, NotMeasurable, Report
from formcheck.report.corrections import CorrectedReport
from formcheck.words import wording
from formcheck.words.first_line import observations
from formcheck.words.safety_words import ACTED_TOLD, TOLD_WORDS, reason_words
from formcheck.words.wording import day_words

MOST_IN_NOTE = 4
"""Measures named in the note: a paragraph, not a table (common practice)."""


def note_text(clinic: Clinic, stored: StoredSet) -> str:
    """The note of a measured set, or an empty text when there is no report.

    Date, exercise, side, load, support, dose done of prescribed, limits passed and targets not
    reached, measures with their intervals, the change against the error of measurement, pain,
    what was not seen, corrections, review.
    """
    found = corrected_report(clinic, stored)
    if found is None:
        return ""
    report = found.report
    dose = _dose(report.whole)
    if stored.reason:  # nothing counted is not nothing done
        dose = f"Could not be measured: {stored.reason.rstrip('.')}."
    parts = [_what(stored, report), dose, *_outcomes(stored, found)]
    parts += _measures(clinic, stored, report)
    parts += _said(clinic, stored)
    parts += _not_seen(found.kept)
    left_out = report.whole.facts.n_left_out
    if left_out:
        parts.append(
            f"{left_out} repetition{'s' if left_out > 1 else ''} left out by the clinician."
        )
    reviews = reviews_of(clinic, stored.id)
    if stored.is_final and reviews:
        last = reviews[-1]
        parts.append(f"Reviewed by {last.initials}, {last.day} (not an electronic signature).")
    else:
        parts.append("Not yet reviewed.")
    return " ".join(parts)


def _what(stored: StoredSet, report: Report) -> str:
    context = report.context
    parts = [f"{stored.day}: {wording.exercise_name(stored.exercise).lower()}, {stored.side}"]
    # As it was done, never as it was planned.
    load = stored.load_kg
    parts.append("no load" if load == 0 else f"{load:g} kg" if load else "load not stated")
    support = stored.support or context.support
    parts.append(f"support: {support}" if support else "support not stated")
    parts.append(f"filmed from {_PLACES[report.view.plane]}")
    return ", ".join(parts) + "."


_PLACES = {
    "sagittal": "the side",
    "frontal": "the front or back",
    "oblique": "an angle",
    "unknown": "an unknown place",
}


def _dose(whole: AssessedSet) -> str:
    if whole.dose_prescribed:
        done, prescribed = whole.dose_done, whole.dose_prescribed
        if done > prescribed:
            return f"Done: {wording.dose_done(done, prescribed)}."
        return f"{done} of {prescribed} prescribed repetitions done."
    word = "repetition" if whole.dose_done == 1 else "repetitions"
    return f"{whole.dose_done} {word} done; no dose prescribed."


def _outcomes(stored: StoredSet, found: CorrectedReport) -> list[str]:
    """In how many repetitions a limit was passed or a target not reached, corrections counted, and
    what was observed."""
    of_set = [(c.kind, c.outcome) for c in found.report.whole.checks]

    def n_of(outcome: str) -> int:
        """Complete repetitions with a target of this outcome, a target of the set as one more."""
        n = sum(
            any((c.kind, c.outcome) == ("target", outcome) for c in r.checks)
            for r in found.kept
            if r.repetition.is_complete
        )
        return n + of_set.count(("target", outcome))

    parts = [
        f"{words} in {n}"
        for n, words in (
            (stored.n_passed, "past a limit"),
            (stored.n_doubtful, "possibly past a limit"),
            (stored.n_not_met, "target not reached"),
            (n_of("borderline"), "target borderline"),
            (n_of("not_visible"), "target not measured"),
            (stored.n_limit_unseen, "limit not measured"),
        )
        if n > 0
    ]
    told = "; ".join(parts)
    observed = "; ".join(observations(found.report, "clinician"))
    return [
        f"{line[:1].upper()}{line[1:]}."
        for line in (told, observed and f"observations: {observed}")
        if line
    ]


def note_keys(report: Report) -> list[str]:
    """The measures that a line about the set names: the judged ones first."""
    judged = [c.measure for r in report.repetitions for c in r.checks]
    means = {m.key for m in report.whole.measures}
    from formcheck.clinic.follow_up import FIRST_MEASURES

    told = [t.key for t in report.whole.facts.told]
    order = dict.fromkeys([*judged, *told, *FIRST_MEASURES])
    return [k for k in order if k in means][:MOST_IN_NOTE]


def change_words(key: str, earlier: Point, later: Point) -> str:
    """A change in words: by how much, against which error, since when."""
    change = change_of(key, earlier, later)
    sign = "+" if change.value >= 0 else ""
    size = f"{sign}{wording.quantity(key, change.value)} since {day_words(earlier.day)}"
    if unlike := unlike_words(earlier, later):
        size += f" ({unlike})"
    if change.verdict == "not_enough_information":
        return f"{size}; {change.basis}"
    error = wording.plus_minus(key, change.smallest).removeprefix("± ")
    told = "more than" if change.verdict == "larger_than_error" else "within"
    return f"{size}, {told} the MDC95 of {error}"


def trend_words(key: str, found: Trend | None) -> str:
    """The line through all days in words: its change with the interval, and the slope a week."""
    if found is None:
        return "too few days for a line"
    factor, decimals, sign = wording.shown(key)
    plus = "+" if found.along >= 0 else ""
    a_week = wording.number(found.per_week * factor, decimals + 1)
    of_slope = wording.number(found.half_width * factor, decimals + 1)
    weeks = wording.number(found.weeks, 0 if found.weeks >= 3 else 1)
    text = (
        f"{plus}{wording.quantity(key, found.along)} "
        f"{wording.plus_minus(key, found.along_half_width)} over {found.n_sets} sets on "
        f"{found.n} days in {weeks} weeks ({plus}{a_week} ± {of_slope}{sign} a week)"
    )
    if found.verdict == "not_enough_information":
        return f"{text}; {found.basis}"
    if abs(found.per_week) <= found.half_width:
        return f"{text}: the interval includes no change"
    told = "more than" if found.verdict == "larger_than_error" else "within"
    error = wording.plus_minus(key, found.smallest).removeprefix("± ")
    return f"{text}: {told} the MDC95 of {error}"


def _measures(clinic: Clinic, stored: StoredSet, report: Report) -> list[str]:
    history = series_of(clinic, stored.patient_id, stored.exercise, stored.side)
    out, bases = [], {}
    for key in note_keys(report):
        points = history.get(key, [])
        mine = next((p for p in points if p.uid == stored.uid), None)
        if mine is None:
            continue
        factor, decimals, _ = wording.shown(key)
        low, high = (
            wording.number(end * factor, decimals) for end in (mine.mean.low, mine.mean.high)
        )
        between = f"{low} to {high}"
        text = (
            f"{MEASURES[key].label}: mean {wording.quantity(key, mine.mean.value)} "
            f"(95 % interval {between})"
        )
        earlier = [p for p in points if p.day < stored.day]
        if earlier:
            text += f"; {change_words(key, earlier[0], mine)}"
            bases[change_of(key, earlier[0], mine).basis] = None
        out.append(text + ".")
    return out + [f"Smallest detectable change from: {basis}." for basis in bases]


def _said(clinic: Clinic, stored: StoredSet) -> list[str]:
    said = answers_of_set(clinic, stored.id)
    by_moment = {a.moment: a for a in said}
    before, after = by_moment.get("before"), by_moment.get("after")
    pains = [
        f"{words} {value}"
        for words, value in (
            ("before", before and before.pain),
            ("during", after and after.pain_during),
            ("after", after and after.pain),
        )
        if value is not None
    ]
    out = [f"Pain (0 to 10): {', '.join(pains)}." if pains else "Pain was not asked."]
    if after and after.effort is not None:
        out.append(f"Effort (0 to 10): {after.effort}.")
    return out + _told(clinic, stored, said)


def _told(clinic: Clinic, stored: StoredSet, with_set: Sequence[Answer]) -> list[str]:
    """What was said with the set and else on its day, and what the patient was told to do."""
    questions = questions_for(clinic, stored.patient_id)
    of_day = [
        a
        for a in answers_of(clinic, stored.patient_id)
        if a.day == stored.day and a.set_id is None and a.moment != "next day"
    ]
    out: dict[str, list[str]] = {}
    for a in (*with_set, *of_day):
        beside = "" if a.set_id == stored.id else "; said on the same day"
        for r in reasons_of(a, questions):
            words = reason_words(r, questions, "clinician")
            out.setdefault(f"{TOLD_WORDS[r.level]}{beside}", []).append(words)
        if a.acted is not None:
            out.setdefault("said on the same day", []).append(ACTED_TOLD[a.acted])
    lines = [(", ".join(dict.fromkeys(of)), words) for words, of in out.items()]
    return [f"{listed[:1].upper()}{listed[1:]} ({words})." for listed, words in lines]


def _not_seen(repetitions: Sequence[AssessedRepetition]) -> list[str]:
    missing = dict.fromkeys(
        wording.in_a_line(m.key)
        for r in repetitions
        for m in r.measures
        # What this camera was never meant to see is no gap, unless it was asked for.
        if isinstance(m, NotMeasurable)
        and (m.code != "view_not_fit" or m.key in {c.measure for c in r.checks})
    )
    if not missing:
        return []
    names = list(missing)[:5]
    more = f" and {len(missing) - 5} more" if len(missing) > 5 else ""
    return [f"Not measured in at least one repetition: {', '.join(names)}{more}."]

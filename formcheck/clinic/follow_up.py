"""A patient's sets over the weeks, each measure with its error; sessions as facts."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from formcheck.clinic.answers import Tick, answers_of, ticks_of
from formcheck.clinic.database import Clinic
from formcheck.clinic.patients import PrescriptionVersion, in_force_on, prescriptions_of
from formcheck.clinic.plan_kept import dose_of_day, history_from
from formcheck.clinic.safety import Answer
from formcheck.clinic.sets import SetMean, StoredSet, means_of, sets_of
from formcheck.evidence.progress import Change, SessionFacts, SessionValue, change_between
from formcheck.evidence.reliability_file import RELIABILITY_NAME, mdc95_of, read_reliability
from formcheck.evidence.trend import Trend, trend
from formcheck.files.exercises import load_exercise
from formcheck.model.measures import MEASURES
from formcheck.model.programme import Prescription
from formcheck.motion.kinematics import SIGNALS


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A set in a series: one measure's mean over its kept repetitions."""

    day: str
    side: str
    mean: SetMean
    uid: str
    is_final: bool
    load_kg: float | None = None
    support: str = ""
    mdc95: float | None = None
    """Smallest detectable change of the clinic's own test-retest recordings, where it has any."""

    @property
    def session(self) -> SessionValue:
        standard = self.mean.between_standard
        return SessionValue(
            day=date.fromisoformat(self.day).toordinal(),
            value=self.mean.value,
            between_standard=float("nan") if standard is None else standard,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureSeries:
    """One measure of one exercise over time, the oldest first, both sides together."""

    exercise: str
    key: str
    points: tuple[Point, ...]

    def of_side(self, side: str) -> tuple[Point, ...]:
        return tuple(p for p in self.points if p.side == side)

    @property
    def sides(self) -> tuple[str, ...]:
        return tuple(s for s in ("left", "right", "both") if self.of_side(s))


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowUp:
    """All that the follow-up page draws."""

    sets: tuple[StoredSet, ...]
    """Measured ones, the oldest first."""
    measures: tuple[MeasureSeries, ...]
    answers: tuple[Answer, ...]


FIRST_MEASURES = (
    "knee_flexion_peak_deg",
    "thigh_inclination_deg",
    "knee_flexion_least_deg",
    "leg_elevation_peak_deg",
    "knee_flexion_gain_deg",
    "heel_height_peak_share",
    "plateau_hold_s",
    "plateau_level_deg",
    "trunk_inclination_deg",
    "fppa_change_deg",
    "knee_separation_ratio_least",
    "pelvic_obliquity_peak_deg",
    "hip_drop_share",
    "range_deg",
    "range_share",
)
"""Depth, straightness and hold first: the order in which measures come to the page."""
MOST_MEASURES = 3


def _is_one_measure(exercise: str, key: str) -> bool:
    """Whether a measure is of one thing from whatever side an exercise is filmed: the range of a
    height is the heel's from the side and the hips' from the front."""
    if key != "range_share":
        return True
    signals = {v.driving_signal for v in load_exercise(exercise).views}
    return len({s for s in signals if SIGNALS[s][1] == "share"}) <= 1


def unlike_words(earlier: Point, later: Point) -> str:
    """What else changed between two sets, in words; empty where nothing that was stated did."""
    told = []
    if earlier.load_kg != later.load_kg:
        told.append("load " + ", then ".join(_load_words(p.load_kg) for p in (earlier, later)))
    if earlier.support != later.support:
        told.append(
            "support " + ", then ".join(p.support or "not stated" for p in (earlier, later))
        )
    return "; ".join(told)


def _load_words(load_kg: float | None) -> str:
    return "not stated" if load_kg is None else f"{load_kg:g} kg"


def change_of(key: str, earlier: Point, later: Point) -> Change:
    """The change of a measure from one set to a later one, against measurement error."""
    return change_between(key, earlier.session, later.session, later.mdc95)


def trend_of(key: str, points: Sequence[Point]) -> Trend | None:
    """The line through all days of one measure and side; None below three different days."""
    mdc95 = next((p.mdc95 for p in reversed(points) if p.mdc95 is not None), None)
    return trend(key, [p.session for p in points], mdc95)


def own_reliability(clinic: Clinic) -> dict | None:
    """The clinic's own test-retest figures: reliability.json in the data folder, where it lies.

    None without the file. Raises FileError for a damaged one: a wrong error is worse than none.
    """
    path = clinic.folder.root / RELIABILITY_NAME
    return read_reliability(path) if path.is_file() else None


def _points(clinic: Clinic, patient_id: int) -> list[tuple[StoredSet, str, Point]]:
    """(set, measure, point) of every measured set, the oldest first."""
    means = means_of(clinic, patient_id)
    mapping = own_reliability(clinic)
    return [
        (
            s,
            key,
            Point(
                day=s.day,
                side=s.side,
                mean=mean,
                uid=s.uid,
                is_final=s.is_final,
                load_kg=s.load_kg,
                support=s.support,
                mdc95=mdc95_of(mapping, s.exercise, key) if mapping else None,
            ),
        )
        for s in reversed(sets_of(clinic, patient_id))
        if s.is_measured
        for key, mean in means.get(s.id, {}).items()
        if key in MEASURES and _is_one_measure(s.exercise, key)
    ]


def follow_up(
    clinic: Clinic, patient_id: int, *, judged: Mapping[str, tuple[str, ...]] = {}
) -> FollowUp:
    """A patient's measured sets as series.

    judged : exercise -> the measures that the prescription speaks of: these come first. Per
    exercise at most MOST_MEASURES are taken. A set that could not be measured has no point: a
    gap, never a zero.
    """
    found: dict[str, dict[str, list[Point]]] = {}
    sets: dict[str, StoredSet] = {}
    for s, key, point in _points(clinic, patient_id):
        found.setdefault(s.exercise, {}).setdefault(key, []).append(point)
        sets[s.uid] = s
    series = []
    for exercise, of_key in found.items():
        first = tuple(judged.get(exercise, ())) + FIRST_MEASURES
        keys = [k for k in dict.fromkeys(first) if k in of_key][:MOST_MEASURES]
        series += [MeasureSeries(exercise=exercise, key=k, points=tuple(of_key[k])) for k in keys]
    return FollowUp(
        sets=tuple(sets.values()), measures=tuple(series), answers=answers_of(clinic, patient_id)
    )


def series_of(clinic: Clinic, patient_id: int, exercise: str, side: str) -> dict[str, list[Point]]:
    """{measure: points} of every measure of one exercise and side, the oldest first."""
    out: dict[str, list[Point]] = {}
    for s, key, point in _points(clinic, patient_id):
        if s.exercise == exercise and s.side == side:
            out.setdefault(key, []).append(point)
    return out


def session_facts(clinic: Clinic, patient_id: int) -> tuple[SessionFacts, ...]:
    """What is known of each day on which anything was filmed, ticked off or said before a set.

    The dose of a day counts the exercises that are due by the plan in force on it, and those that
    were begun. A set neither filmed nor ticked is not known, never "not
    done". What was said of the day after belongs to the last day before it on which something was
    done, however long ago that is: it is asked when the patient next opens the page.
    """
    sets, ticks = sets_of(clinic, patient_id), ticks_of(clinic, patient_id)
    answers = answers_of(clinic, patient_id)
    days = {s.day for s in sets} | {t.day for t in ticks}
    # The day's questions alone, answered with no, are no session.
    days |= {a.day for a in answers if a.moment in ("before", "after", "stopped") or a.symptoms}
    plans = _plans_of_days(prescriptions_of(clinic, patient_id), days)
    return _facts_of_days(plans, sets, ticks, answers, _done_on(sets, ticks))


def session_facts_by_exercise(
    clinic: Clinic, patient_id: int, prescription: Prescription
) -> dict[str, tuple[SessionFacts, ...]]:
    """{exercise: its facts} of every exercise of a prescription, in its order.

    A day belongs to an exercise when it was filmed, ticked off, left out or spoken of on it: its
    own dose, targets, pain and effort. What was said of no exercise, and of the day after, is of
    every exercise of its day; a symptom told on a day without the exercise is of the last day
    with it. A day on which something else was asked for, such as less load, is told as one.
    """
    sets, ticks = sets_of(clinic, patient_id), ticks_of(clinic, patient_id)
    answers = answers_of(clinic, patient_id)
    done_on = _done_on(sets, ticks)
    versions = prescriptions_of(clinic, patient_id)
    found = {}
    for exercise in dict.fromkeys(line.exercise for line in prescription.exercises):
        mine = [s for s in sets if s.exercise == exercise]
        ticked = [t for t in ticks if t.exercise == exercise]
        said = [a for a in answers if a.exercise in ("", exercise)]
        days = {s.day for s in mine} | {t.day for t in ticked}
        days |= {a.day for a in said if a.exercise}
        plans = {
            day: _of_exercise(plan, exercise)
            for day, plan in _plans_of_days(versions, days).items()
        }
        asked = _asked_for(prescription, exercise)
        found[exercise] = tuple(
            replace(f, is_as_asked_now=_asked_for(plan, exercise) == asked)
            for f, (_, plan) in zip(
                _facts_of_days(plans, mine, ticked, said, done_on),
                sorted(plans.items(), key=lambda of: of[0]),
                strict=True,
            )
        )
    return found


def _asked_for(plan: Prescription | None, exercise: str) -> tuple:
    """What a prescription asks of an exercise: dose, load and bounds of each line of it."""
    return tuple(
        (e.sides, e.sets, e.repetitions, e.hold_s, e.load_kg, e.tempo, e.targets, e.limits)
        for e in (plan.exercises if plan else ())
        if e.exercise == exercise
    )


def _plans_of_days(
    versions: Sequence[PrescriptionVersion], days: Iterable[str]
) -> dict[str, Prescription | None]:
    """{day: the prescription in force on it}: what was done is held against what was asked then."""
    in_force = {day: in_force_on(versions, date.fromisoformat(day)) for day in days}
    return {day: v.record() if v else None for day, v in in_force.items()}


def _of_exercise(plan: Prescription | None, exercise: str) -> Prescription | None:
    """A prescription's lines of one exercise alone."""
    if plan is None:
        return None
    return replace(plan, exercises=tuple(e for e in plan.exercises if e.exercise == exercise))


def _done_on(sets: Iterable[StoredSet], ticks: Iterable[Tick]) -> set[str]:
    return {s.day for s in sets} | {t.day for t in ticks if t.kind == "done"}


def _facts_of_days(
    plans: Mapping[str, Prescription | None],
    sets: Sequence[StoredSet],
    ticks: Sequence[Tick],
    answers: Sequence[Answer],
    done_on: Collection[str],
) -> tuple[SessionFacts, ...]:
    """The facts of each day, the oldest first. plans : what was prescribed on each. done_on : days
    on which anything at all was done, to which what is said of "the day after" belongs."""
    history = history_from(sets, ticks)
    facts = []
    for day, plan in sorted(plans.items(), key=lambda of: of[0]):
        exercises = [load_exercise(e.exercise) for e in plan.exercises] if plan else []
        said = [a for a in answers if a.moment != "next day" and _day_of(a, plans) == day]
        next_day = [a for a in answers if a.moment == "next day" and _about(a.day, done_on) == day]
        pains = [p for a in (*said, *next_day) for p in (a.pain, a.pain_during) if p is not None]
        efforts = [a.effort for a in said if a.effort is not None]
        ticked = [t for t in ticks if t.day == day]
        pains += [t.pain for t in ticked if t.pain is not None]
        efforts += [t.effort for t in ticked if t.effort is not None]
        compared = [
            c
            for a in next_day
            for c in (a.pain_change, a.stiffness_change, a.swelling_change)
            if c is not None
        ]
        symptoms = {s for a in said for s in a.symptoms}
        asked = {name for a in said for name in a.asked}
        filmed = [s for s in sets if s.day == day]
        done, prescribed = dose_of_day(
            plan, exercises, filmed, ticked, date.fromisoformat(day), history
        )
        facts.append(
            SessionFacts(
                day=date.fromisoformat(day).toordinal(),
                n_done=done,
                n_prescribed=prescribed,
                pain=max(pains, default=None),
                is_worse_next_morning=("more" in compared) if compared else None,
                has_new_swelling=("new_swelling" in symptoms) if "new_swelling" in asked else None,
                has_giving_way=("giving_way" in symptoms) if "giving_way" in asked else None,
                effort=max(efforts, default=None),
                are_targets_met=_are_targets_met(filmed),
            )
        )
    return tuple(facts)


def _day_of(answer: Answer, days: Collection[str]) -> str:
    """The day that an answer belongs to. A symptom that is told of no exercise on a day without one
    is of the last day before it: it may be why nothing was done."""
    if answer.day in days or answer.exercise or not answer.symptoms:
        return answer.day
    return max((d for d in days if d < answer.day), default=answer.day)


def _about(day: str, done_on: Collection[str]) -> str | None:
    """The day of which a patient was asked on a later one: the last on which something was
    done."""
    return max((d for d in done_on if d < day), default=None)


def _are_targets_met(filmed: Sequence[StoredSet]) -> bool | None:
    """Targets met and limits kept; None while a set is not measured, or one of them is too close to
    call or was not seen: a clinician who accepts it overrules its outcome."""
    if any(s.n_not_met or s.n_passed for s in filmed):
        return False
    open_ones = (s.n_open or s.n_doubtful or s.n_limit_unseen or not s.is_measured for s in filmed)
    return None if not filmed or any(open_ones) else True

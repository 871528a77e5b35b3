"""What a senior colleague would ask about a prescription that can be used as it stands.

Nothing here refuses a file: the clinician decides. Each question has its place and what to
change. Where no source is named, the reason is common practice.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import timedelta

from formcheck.files.file_rules import Fault, Path
from formcheck.model.programme import Bound, Exercise, PrescribedExercise, Prescription
from formcheck.model.rounds import MOST_SET_NUMBER, rounds_a_day
from formcheck.model.schedule import HOW_TO_SAY, WEEKDAYS, Schedule, planned_schedule, schedule_of
from formcheck.motion.assessment import quantity
from formcheck.motion.depth_cue import CUED_MEASURE, cue_point, is_cued_from

Exercises = Mapping[str, Exercise]
_PEAK, _LEAST, _LEVEL = "knee_flexion_peak_deg", "knee_flexion_least_deg", "thigh_inclination_deg"
SHANK_LEAN_DEG = 20.0
"""How far the shank leans forward in a squat or a split squat (common practice): with the thigh
level, the knee is bent by 90 deg and as much more."""
MOST_TOLERATED_PAIN = 5
"""Pain-monitoring model: more than 5 of 10 is not to be exceeded (Silbernagel 2007)."""
LONGEST_WITHOUT_REVIEW = timedelta(weeks=12)


def advice(prescription: Prescription, exercises: Exercises) -> tuple[Fault, ...]:
    """All that a colleague would ask about a prescription.

    exercises : name -> the exercise of each line and of each step named; unknown ones left out.
    """
    found = list(_of_the_whole(prescription))
    for n, line in enumerate(prescription.exercises):
        at: Path = ("exercises", n)
        for rule in _RULES:
            found += rule(prescription, line, at, exercises)
    return tuple(found)


def _of_the_whole(p: Prescription) -> Iterator[Fault]:
    if p.surgery_on and p.surgery_on > p.valid_from:
        yield Fault(
            path=("surgery_on",),
            what=f"{p.surgery_on} is after valid_from, {p.valid_from}; mend the date that is wrong",
        )
    if p.review_on and p.review_on - p.valid_from > LONGEST_WITHOUT_REVIEW:
        yield Fault(
            path=("review_on",),
            what="is more than 12 weeks after valid_from; give an earlier date, or a reason in "
            "condition",
        )


# -- limits and what goes past them


def knee_limits(limits: Iterable[Bound]) -> tuple[float | None, float | None]:
    """(least, most) knee flexion that limits allow; None on an open side."""
    limits = tuple(limits)
    least = [b.at_least for b in limits if b.measure == _LEAST and b.at_least is not None]
    most = [b.at_most for b in limits if b.measure == _PEAK and b.at_most is not None]
    return max(least, default=None), min(most, default=None)


def past_limits(exercise: Exercise, least: float | None, most: float | None) -> str | None:
    """How the usual range of an exercise passes limits of knee flexion, in words."""
    usual = exercise.usual_knee_flexion
    if usual is None:
        return None
    if most is not None and usual.most_deg > most:
        return f"usually bends the knee to about {usual.most_deg:g} deg, past the limit of {most:g}"
    if least is not None and usual.least_deg < least:
        return (
            f"usually straightens the knee to about {usual.least_deg:g} deg, past the limit of "
            f"{least:g}"
        )
    return None


def _is_bounded(p: Prescription, name: str, least: float | None, most: float | None) -> bool:
    """Whether every line of an exercise has limits at least as strict, and there is one."""
    lines = [line for line in p.exercises if line.exercise == name]
    for line in lines:
        own_least, own_most = knee_limits(line.limits)
        if most is not None and (own_most is None or own_most > most):
            return False
        if least is not None and (own_least is None or own_least < least):
            return False
    return bool(lines)


def _steps(
    p: Prescription, line: PrescribedExercise, at: Path, exercises: Exercises
) -> Iterator[Fault]:
    own, (least, most) = exercises.get(line.exercise), knee_limits(line.limits)
    for side, name in (("easier", line.easier), ("harder", line.harder)):
        step = exercises.get(name)
        if step is None:
            continue
        past = past_limits(step, least, most)
        if past and not _is_bounded(p, name, least, most):
            yield Fault(
                path=(*at, side),
                what=f"{name} {past} of this line; name another step, or give {name} a line of "
                "its own with the limit",
            )
        if own is None:
            continue
        higher = step.support_level - own.support_level
        if (side == "easier" and higher > 0) or (side == "harder" and higher < 0):
            yield Fault(
                path=(*at, side),
                what=f"{name} has support level {step.support_level} and {line.exercise} has "
                f"{own.support_level}: this does not read as the {side} step; exchange them, or "
                "name another",
            )


def _same_limit_elsewhere(
    p: Prescription, line: PrescribedExercise, at: Path, exercises: Exercises
) -> Iterator[Fault]:
    """A line without a knee limit whose exercise passes that of another line."""
    own = exercises.get(line.exercise)
    if own is None or own.usual_knee_flexion is None:
        return
    least, most = knee_limits(line.limits)
    for other in p.exercises:
        other_least, other_most = knee_limits(other.limits)
        past = past_limits(
            own, other_least if least is None else None, other_most if most is None else None
        )
        aims = [
            b.at_most + b.tolerance
            for b in line.targets
            if quantity(b.measure, own) == _PEAK and b.at_most is not None
        ]
        if other_most is not None and aims and max(aims) <= other_most:
            past = None
        if other is not line and past and _share_a_leg(p, line, other):
            yield Fault(
                path=(*at, "exercise"),
                what=f"{line.exercise} {past} that {other.exercise} has; give this line the "
                "limit too, or say in its notes why it needs none",
            )
            return


def _share_a_leg(p: Prescription, a: PrescribedExercise, b: PrescribedExercise) -> bool:
    return not {"left", "right"} <= {*a.sides, *b.sides} or bool(set(a.sides) & set(b.sides))


def _own_range(
    p: Prescription, line: PrescribedExercise, at: Path, exercises: Exercises
) -> Iterator[Fault]:
    """An exercise that cannot be done within its own limit."""
    own = exercises.get(line.exercise)
    usual = own.usual_knee_flexion if own else None
    _, most = knee_limits(line.limits)
    if usual is not None and most is not None and usual.least_deg > most:
        yield Fault(
            path=(*at, "exercise"),
            what=f"{line.exercise} never leaves {usual.least_deg:g} to {usual.most_deg:g} deg of "
            f"knee flexion, past the limit of {most:g}; choose another exercise",
        )


def _target_and_limit(
    p: Prescription, line: PrescribedExercise, at: Path, exercises: Exercises
) -> Iterator[Fault]:
    """Targets of which a part lies beyond a limit."""
    own = exercises.get(line.exercise)
    limits = {quantity(b.measure, own): b for b in line.limits}
    for n, target in enumerate(line.targets):
        path: Path = (*at, "targets", n)
        limit = limits.get(quantity(target.measure, own))
        if limit is not None:
            low, high = target.band("target")
            least, most = limit.band("limit")
            if most < high < float("inf"):
                yield Fault(
                    path=(*path, "at_most" if target.at_most is not None else "at_least"),
                    what=f"the target reaches to {high:g}, past the limit of at most {most:g}; "
                    f"end the target at {most:g} or below, tolerance counted",
                )
            elif float("-inf") < low < least:
                yield Fault(
                    path=(*path, "at_least" if target.at_least is not None else "at_most"),
                    what=f"the target reaches to {low:g}, past the limit of at least {least:g}; "
                    f"begin the target at {least:g} or above, tolerance counted",
                )
            elif target.at_least is not None and target.at_least > most:
                yield Fault(
                    path=(*path, "at_least"),
                    what=f"the target of {target.at_least:g} lies past the limit of at most "
                    f"{most:g} and is reached by its tolerance alone; aim for less than {most:g}",
                )
            elif target.at_most is not None and target.at_most < least:
                yield Fault(
                    path=(*path, "at_most"),
                    what=f"the target of {target.at_most:g} lies past the limit of at least "
                    f"{least:g} and is reached by its tolerance alone; aim for more than {least:g}",
                )
            elif target.at_least is not None and target.at_least == limit.at_most:
                yield Fault(
                    path=(*path, "at_least"),
                    what=f"the target is the limit itself, {most:g}: who reaches it for certain is "
                    "past it; aim for less, or leave the target out",
                )
        yield from _level_thigh(line, target, path)
        if (
            target.measure == _LEAST
            and target.at_most is not None
            and p.passive_extension_deg is not None
            and target.at_most + target.tolerance < p.passive_extension_deg
        ):
            yield Fault(
                path=(*path, "at_most"),
                what=f"asks for {target.at_most:g} deg, straighter than the "
                f"{p.passive_extension_deg:g} deg that the knee can be straightened for the "
                "patient; aim for that at most",
            )


def _level_thigh(line: PrescribedExercise, target: Bound, path: Path) -> Iterator[Fault]:
    _, most = knee_limits(line.limits)
    if target.measure != _LEVEL or target.at_most is None or most is None:
        return
    needs = 90 - target.at_most - target.tolerance + SHANK_LEAN_DEG
    if needs > most:
        yield Fault(
            path=(*path, "at_most"),
            what=f"a thigh at {target.at_most + target.tolerance:g} deg to level needs about "
            f"{needs:g} deg of knee flexion, past the limit of {most:g}; aim for a larger angle",
        )


_DEGREES = re.compile(r"(-?\d+(?:\.\d+)?)\s*(?:°|deg\b|degrees?\b)", re.I)
_UPSIDE_DOWN = re.compile(
    r"\b(?:stay|keep|remain)\w*\s+(?:it\s+|the knee\s+)?(?:above|over)\b|\bnot (?:go )?under\b",
    re.I,
)


def _limit_words(
    p: Prescription, line: PrescribedExercise, at: Path, exercises: Exercises
) -> Iterator[Fault]:
    """Limits without a source, and words that say another number or the other way round."""
    for n, limit in enumerate(line.limits):
        path: Path = (*at, "limits", n)
        if not limit.source.strip():
            yield Fault(
                path=path,
                what='has no source; add source = with who set it ("surgeon, until week eight")',
            )
        numbers = {x for x in (limit.at_least, limit.at_most) if x is not None}
        for key, words in (("source", limit.source), ("words", limit.words)):
            said = {float(x) for x in _DEGREES.findall(words)}
            if limit.measure.endswith("_deg") and said and not said & numbers:
                yield Fault(
                    path=(*path, key),
                    what=f"says {_list(said)} deg and the limit is {_list(numbers)}; make them "
                    "agree",
                )
        if limit.at_least is None and _UPSIDE_DOWN.search(limit.words):
            yield Fault(
                path=(*path, "words"),
                what='reads the wrong way round for a limit of at_most; write for instance "do '
                'not bend past 90 degrees"',
            )
    has_most = any(b.at_least is None and b.measure == _PEAK for b in line.limits)
    if has_most and _UPSIDE_DOWN.search(line.notes):
        yield Fault(
            path=(*at, "notes"),
            what="says to stay above where the limit is one of at_most; say what is not to be "
            'passed ("do not bend past 90 degrees")',
        )
    if line.limits and not line.film:
        yield Fault(
            path=(*at, "limits", 0),
            what="has a limit and no set to film, so that it is never looked at; add film with a "
            "set and a view",
        )


def _list(numbers: set[float]) -> str:
    return " and ".join(f"{x:g}" for x in sorted(numbers))


def _cue(
    p: Prescription, line: PrescribedExercise, at: Path, exercises: Exercises
) -> Iterator[Fault]:
    exercise = exercises.get(line.exercise)
    if not line.cue_at_limit or exercise is None:
        return
    path = (*at, "cue_at_limit")
    if cue_point(line, exercise) is None:
        yield Fault(
            path=path,
            what="asks for a cue, and no limit says how far the knee may bend; add a limit with "
            f"at_most on {CUED_MEASURE}, or leave the cue out",
        )
    elif not any(is_cued_from(film.view, exercise) for film in line.film):
        yield Fault(
            path=path,
            what="asks for a cue, and no set is filmed from where the bend of the knee is seen, so "
            "none will come; film a set from the sagittal view, or leave the cue out",
        )


# -- dose


def _counted(schedule: Schedule) -> str:
    """What a schedule comes to: `twice a day, 3 days a week`."""
    n = schedule.times_a_day
    words = {1: "once a day", 2: "twice a day"}.get(n, f"{n} times a day")
    if schedule.weekdays:
        words += f", on {', '.join(WEEKDAYS[day] for day in schedule.weekdays)}"
    elif schedule.days_a_week is not None:
        least, most = schedule.days_a_week
        words += f", {least} days a week" if least == most else f", {least} to {most} days a week"
    elif schedule.every_days > 1:
        words += f", every {schedule.every_days} days"
    return words


def _dose(
    p: Prescription, line: PrescribedExercise, at: Path, exercises: Exercises
) -> Iterator[Fault]:
    if line.hold_s is not None and line.rest_s is not None and line.hold_s > line.rest_s:
        yield Fault(
            path=(*at, "hold_s"),
            what=f"a hold of {line.hold_s:g} s is longer than the rest of {line.rest_s:g} s; rest "
            "at least as long, or hold for less",
        )
    if line.hold_while_easy and line.hold_s is None:
        yield Fault(
            path=(*at, "hold_while_easy"),
            what="says to hold while it is easy and names no most; add hold_s = with the seconds",
        )
    schedule = schedule_of(line.frequency)
    if schedule is not None and rounds_a_day(line, schedule) < schedule.times_a_day:
        yield Fault(
            path=(*at, "frequency"),
            what=f'"{line.frequency}" with {line.sets} sets is more than the {MOST_SET_NUMBER} '
            f"sets that a day's list holds: it lists {rounds_a_day(line, schedule)} times a day; "
            "give fewer sets each time, or fewer times",
        )
    if schedule is None:
        yield Fault(
            path=(*at, "frequency"),
            what=f'"{line.frequency}" names no days and times that are all understood, and counts '
            f"as {_counted(planned_schedule(line.frequency))}; write {HOW_TO_SAY}, and the rest "
            "under notes",
        )
    if line.pain_limit is not None and line.pain_limit > MOST_TOLERATED_PAIN:
        yield Fault(
            path=(*at, "pain_limit"),
            what=f"lets pain go to {line.pain_limit} of 10; the pain-monitoring model stops above "
            f"{MOST_TOLERATED_PAIN} (Silbernagel 2007): lower it",
        )
    if line.pain_limit is None and p.surgery_on is not None:
        yield Fault(
            path=at,
            what="has no pain limit after an operation; add pain_limit = with the most that you "
            "want for this patient",
        )


# -- weight on the leg, and sides

_WORDS_OF_WEIGHT = (
    ("full", r"^\s*full|\bfwb\b|\bas (?:it is )?(?:tolerated|comfortable)\b|\bwbat\b"),
    ("none", r"\bnon[ -]?weight|\bnwb\b|\bno weight\b|\bnot (?:to )?(?:bear|put)|\bnone\b|\bnil\b"),
    ("touch", r"\btouch|\bttwb\b|\btoe[ -]?touch|\bfoot flat\b|\bfeather"),
    ("partial", r"\bpartial|\bpwb\b|\bhalf\b|\d\s*(?:%|kg|per ?cent)"),
)
_HALF = 0.5
"""Both legs standing share the body's weight about equally (common practice)."""


def weight_allowed(words: str) -> str:
    """What the words of the weight-bearing line allow: none, touch, partial, or full."""
    for name, pattern in _WORDS_OF_WEIGHT:
        if re.search(pattern, words.lower()):
            return name
    return "full"


def _weight(
    p: Prescription, line: PrescribedExercise, at: Path, exercises: Exercises
) -> Iterator[Fault]:
    own, allowed = exercises.get(line.exercise), weight_allowed(p.weight_bearing)
    if own is None or allowed == "full" or own.support_level < 3:
        return
    if p.involved_side in ("left", "right") and own.support_level == 5:
        loaded = {"left", "right"} if "both" in line.sides else set(line.sides)
        if p.involved_side not in loaded:
            return
    share = 1.0 if own.support_level >= 4 else _HALF
    percent = re.search(r"(\d+)\s*(?:%|per ?cent)", p.weight_bearing)
    limit = int(percent[1]) / 100 if percent else _HALF
    if re.search(r"\d\s*kg", p.weight_bearing):
        limit = 0.0
    if allowed == "partial" and share <= limit:
        return
    yield Fault(
        path=(*at, "exercise"),
        what=f"{line.exercise} puts {_LOAD[own.support_level]} on the leg, and weight_bearing says "
        f'"{p.weight_bearing}"; choose an exercise of support level 1 or 2, or change that line',
    )


_LOAD = {
    3: "about half of the body's weight",
    4: "most of the body's weight",
    5: "all of the body's weight",
}


def _sides(
    p: Prescription, line: PrescribedExercise, at: Path, exercises: Exercises
) -> Iterator[Fault]:
    if p.involved_side not in ("left", "right"):
        return
    sides = {s for x in p.exercises if x.exercise == line.exercise for s in x.sides}
    if not sides & {p.involved_side, "both"}:
        yield Fault(
            path=(*at, "sides"),
            what=f"{line.exercise} is prescribed for the {' and '.join(line.sides)} leg only, and "
            f"the involved side is {p.involved_side}; mend the side that is wrong, or give both",
        )


_Rule = Callable[[Prescription, PrescribedExercise, Path, Exercises], Iterator[Fault]]
_RULES: tuple[_Rule, ...] = (
    _steps,
    _same_limit_elsewhere,
    _own_range,
    _target_and_limit,
    _limit_words,
    _cue,
    _dose,
    _weight,
    _sides,
)

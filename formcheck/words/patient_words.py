"""What a patient reads beside an exercise: set-up, cautions, dose, targets and limits in words.

Plain words, no blame, no grade; every page that a patient sees takes them from here and from
the exercise file.
"""

import re
from collections.abc import Iterable
from datetime import date

from formcheck.model.measures import MEASURES, Plane
from formcheck.model.programme import Bound, Exercise, Limit, PrescribedExercise
from formcheck.model.schedule import schedule_of
from formcheck.motion.depth_cue import (
    CUE_GUARD_DEG,
    CUE_MEDIAN_MS,
    CUE_MOST_MS,
    cue_point,
    is_cued_from,
)
from formcheck.words import wording
from formcheck.words.languages import DEFAULT, current, gettext, marked, ngettext, number, weekday

CAUTIONS_FOR_ALL = (
    marked(
        "Stop on sharp or rising pain, giving way, locking, dizziness, chest pain or "
        "breathlessness."
    ),
    marked("Keep breathing during holds."),
    marked(
        "Limits that your surgeon or therapist set come first: range, weight on the leg, brace."
    ),
)
NOBODY_WATCHES = marked(
    "Nobody is watching these recordings and nobody is alerted. If you are worried, phone your "
    "clinic."
)
LYING_POSITIONS = ("supine", "hook_lying", "prone", "side_lying", "long_sitting")


def measure_words(key: str) -> str:
    """A measure in a patient's words."""
    return gettext(MEASURES[key].patient_label)


def bound_words(bound: Bound) -> str:
    """A target or a limit in a patient's words: 'How far the knee bends: at least 60°'."""
    return f"{measure_words(bound.measure)}: {wording.bound_words(bound)}"


def limit_words(limit: Limit) -> str:
    """A limit in the clinic's own words where it gave any, with the figure where they name none;
    else 'How far the knee bends: no further than 90°'."""
    ends = [x for x in (limit.at_least, limit.at_most) if x is not None]
    told = f"{measure_words(limit.measure)}: {wording.bound_words(limit, is_limit=True)}"
    if not limit.words:
        return told
    factor = wording.shown(limit.measure)[0]
    names_it = any(re.search(rf"(?<![\d.]){x * factor:g}(?![\d.]\d)", limit.words) for x in ends)
    return limit.words if names_it else f"{limit.words} ({told})"


def cue_words(line: PrescribedExercise, exercise: Exercise, planes: Iterable[Plane]) -> str:
    """Of the sound near a limit: at which bend, how late, or why none will come; empty where the
    plan asks for none. `planes`: from where the camera looks."""
    if not line.cue_at_limit:
        return ""
    point = cue_point(line, exercise)
    if point is None:
        return gettext(
            "No sound near a limit will come: your plan has no limit on how far the knee bends."
        )
    if not any(is_cued_from(plane, exercise) for plane in planes):
        return gettext(
            "No sound near the limit will come: the bend of the knee is seen from the side only."
        )
    return gettext(
        "While you film from the side, a sound comes near a knee bend of %(at)s°, %(guard)s° "
        "before your limit. It comes late, mostly by %(usual)s s and up to %(most)s s, and your "
        "knee bends on meanwhile. It is no safety device: keep to your limit without waiting for "
        "it.",
        at=number(point.at_deg),
        guard=number(CUE_GUARD_DEG),
        usual=number(CUE_MEDIAN_MS / 1000),
        most=number(CUE_MOST_MS / 1000),
    )


def set_up_words(exercise: Exercise) -> tuple[str, ...]:
    """How to get ready for a recording, a sentence a line."""
    is_low = exercise.position in LYING_POSITIONS
    return (
        gettext("Wear close-fitting clothes, so that hip, knee and ankle are seen."),
        gettext("Put the camera low for floor work, about as high as your hips are then.")
        if is_low
        else gettext("Put the camera at hip height."),
        gettext("All of you must be in the picture, head to foot, with some room around."),
        gettext(
            "Light should come from the front or the side. Close the curtain of a window behind "
            "you."
        ),
        gettext("Have a firm support in reach."),
        gettext("Clear the floor. No rugs, toys or cables where you move."),
    )


def cautions(exercise: Exercise) -> tuple[str, ...]:
    """The exercise's own cautions, then those for every exercise."""
    return (*exercise.cautions, *CAUTIONS_FOR_ALL)


def dose_words(line: PrescribedExercise, exercise: Exercise) -> tuple[str, ...]:
    """The dose as short lines: sets and repetitions first, then what else was prescribed."""
    sets = ngettext("%(n)s set", "%(n)s sets", line.sets)
    of = number_of(exercise.kind, line.repetitions)
    words = [gettext("%(sets)s of %(repetitions)s", sets=sets, repetitions=of)]
    if line.sides != ("both",):
        words.append(gettext(_LEGS[line.sides]))
    elif exercise.working_leg != "both":
        words.append(gettext("each leg"))
    if line.hold_s is not None:
        held = _seconds(line.hold_s)
        words.append(
            gettext("hold as long as it is easy, up to %(time)s", time=held)
            if line.hold_while_easy
            else gettext("hold %(time)s", time=held)
        )
    if line.rest_s is not None:
        words.append(gettext("rest %(time)s between sets", time=_seconds(line.rest_s)))
    if line.frequency:
        words.append(frequency_words(line.frequency))
    if line.load_kg is not None:
        load = gettext("load %(kg)s kg", kg=number(line.load_kg))
        words.append(load if line.load_kg else gettext("no load"))
    if line.tempo is not None:
        words += _tempo(line, exercise)
    if line.step_height_cm is not None:
        words.append(gettext("step %(cm)s cm high", cm=number(line.step_height_cm)))
    if line.seat_height_cm is not None:
        words.append(gettext("seat %(cm)s cm high", cm=number(line.seat_height_cm)))
    if line.support_allowed:
        words.append(gettext("support: %(what)s", what=line.support_allowed))
    if line.effort_aim is not None:
        words.append(gettext("effort about %(n)s of 10", n=line.effort_aim))
    if line.pain_limit is not None:
        words.append(gettext("stop when pain goes over %(n)s of 10", n=line.pain_limit))
    return tuple(words)


_LEGS = {
    ("left",): marked("left leg"),
    ("right",): marked("right leg"),
    ("left", "right"): marked("left and right leg"),
    ("right", "left"): marked("right and left leg"),
}


def frequency_words(frequency: str) -> str:
    """How often, as the clinician wrote it; in another language, what the days of it are."""
    if current().tag == DEFAULT:
        return frequency
    schedule = schedule_of(frequency)
    if schedule is None:
        return frequency
    if schedule.weekdays:
        words = [gettext("on %(days)s", days=", ".join(weekday(n) for n in schedule.weekdays))]
    elif schedule.days_a_week is not None:
        least, most = schedule.days_a_week
        words = [
            ngettext("%(n)s day a week", "%(n)s days a week", most)
            if least == most
            else gettext("%(least)s to %(most)s days a week", least=least, most=most)
        ]
    elif schedule.every_days > 1:
        words = [gettext("every %(n)s days", n=schedule.every_days)]
    else:
        words = [gettext("every day")]
    if schedule.times_a_day > 1:
        words.append(ngettext("%(n)s time a day", "%(n)s times a day", schedule.times_a_day))
    return ", ".join(words)


def plan_day_words(is_due: bool, next_due: date | None, week: tuple[int, int] | None) -> str:
    """What the plan's days say of today: a day of rest, or how far the week is."""
    if is_due:
        return (
            gettext("This week: %(n)s of %(all)s days done so far.", n=week[0], all=week[1])
            if week
            else ""
        )
    is_full = week and week[0] >= week[1]
    words = [gettext("All %(n)s days of this week are done.", n=week[1])] if is_full else []
    if next_due is None:
        words.append(gettext("Not due today."))
    else:
        day = weekday(next_due.weekday())
        words.append(gettext("Not due today: a day of rest. Next on %(day)s.", day=day))
    return " ".join(words)


def filmed_words(line: PrescribedExercise) -> tuple[str, ...]:
    """Which sets to film, and from where."""
    place = {
        "sagittal": marked("Film set %(n)s with the camera at your side."),
        "frontal": marked("Film set %(n)s with the camera straight ahead of you."),
        "oblique": marked("Film set %(n)s with the camera between front and side."),
    }
    return tuple(gettext(place[film.view], n=film.set_number) for film in line.film)


def _tempo(line: PrescribedExercise, exercise: Exercise) -> list[str]:
    phases = [
        (marked("%(time)s lowering"), line.tempo.lowering_s),
        (marked("%(time)s raising"), line.tempo.raising_s),
    ]
    if exercise.first_phase == "raising":
        phases.reverse()
    parts = [phases[0], (marked("%(time)s pause"), line.tempo.pause_s), phases[1]]
    told = [
        gettext(words, time=_seconds(seconds)) for words, seconds in parts if seconds is not None
    ]
    return [", ".join(told)] if told else []


def _seconds(seconds: float) -> str:
    minutes, rest = divmod(seconds, 60)
    if seconds >= 120 and rest == 0:
        return ngettext("%(n)s minute", "%(n)s minutes", int(minutes))
    return gettext("%(n)s s", n=number(seconds))


def number_of(what: str, n: int) -> str:
    """So many holds, steps, sequences or repetitions: `10 repetitions`.

    what : the kind of an exercise, or "step" for a part of a sequence.
    """
    if what == "hold":
        return ngettext("%(n)s hold", "%(n)s holds", n)
    if what == "step":
        return ngettext("%(n)s step", "%(n)s steps", n)
    if what == "sequence":
        return ngettext("%(n)s sequence", "%(n)s sequences", n)
    return ngettext("%(n)s repetition", "%(n)s repetitions", n)


def none_counted(kind: str) -> str:
    """That nothing of an exercise of this kind could be counted."""
    if kind == "hold":
        return gettext("The camera could not count any hold.")
    return gettext("The camera could not count any repetition.")

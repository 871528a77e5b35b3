"""What a patient reads beside an exercise: set-up, cautions, dose, targets and limits in words.

Plain words, no blame, no grade; every page that a patient sees takes them from here and from
the exercise file.
"""

import re
from collections.abc import Iterable
from datetime import date

from formcheck.model.measures import MEASURES, Plane
from formcheck.model.programme import Bound, Exercise, Limit, PrescribedExercise
from formcheck.model.schedule import WEEKDAYS
from formcheck.motion.depth_cue import (
    CUE_GUARD_DEG,
    CUE_MEDIAN_MS,
    CUE_MOST_MS,
    cue_point,
    is_cued_from,
)
from formcheck.words import wording

CAUTIONS_FOR_ALL = (
    "Stop on sharp or rising pain, giving way, locking, dizziness, chest pain or breathlessness.",
    "Keep breathing during holds.",
    "Limits that your surgeon or therapist set come first: range, weight on the leg, brace.",
)
NOBODY_WATCHES = (
    "Nobody is watching these recordings and nobody is alerted. If you are worried, phone your "
    "clinic."
)
LYING_POSITIONS = ("supine", "hook_lying", "prone", "side_lying", "long_sitting")


def measure_words(key: str) -> str:
    """A measure in a patient's words."""
    return MEASURES[key].patient_label


def bound_words(bound: Bound) -> str:
    """A target or a limit in a patient's words: 'How far the knee bends: at least 60°'."""
    return f"{measure_words(bound.measure)}: {wording.bound_words(bound)}"


def limit_words(limit: Limit) -> str:
    """A limit in the clinic's own words where it gave any, with the figure where they name none;
    else 'How far the knee bends: no further than 90°'."""
    ends = [x for x in (limit.at_least, limit.at_most) if x is not None]
    told = f"{measure_words(limit.measure)}: {wording.bound_words(limit)}"
    if limit.at_least is None:
        told = told.replace("at most", "no more than")
    elif limit.at_most is None:
        told = told.replace("at least", "no less than")
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
        return "No sound near a limit will come: your plan has no limit on how far the knee bends."
    if not any(is_cued_from(plane, exercise) for plane in planes):
        return "No sound near the limit will come: the bend of the knee is seen from the side only."
    return (
        f"While you film from the side, a sound comes near a knee bend of {point.at_deg:g}°, "
        f"{CUE_GUARD_DEG:g}° before your limit. It comes late, mostly by "
        f"{CUE_MEDIAN_MS / 1000:g} s and up to {CUE_MOST_MS / 1000:g} s, and your knee bends on "
        "meanwhile. It is no safety device: keep to your limit without waiting for it."
    )


def set_up_words(exercise: Exercise) -> tuple[str, ...]:
    """How to get ready for a recording, a sentence a line."""
    is_low = exercise.position in LYING_POSITIONS
    return (
        "Wear close-fitting clothes, so that hip, knee and ankle are seen.",
        "Put the camera low for floor work, about as high as your hips as you lie."
        if is_low
        else "Put the camera at hip height.",
        "All of you must be in the picture, head to foot, with some room around.",
        "Light should come from the front or the side. Close the curtain of a window behind you.",
        "Have a firm support in reach.",
        "Clear the floor. No rugs, toys or cables where you move.",
    )


def cautions(exercise: Exercise) -> tuple[str, ...]:
    """The exercise's own cautions, then those for every exercise."""
    return (*exercise.cautions, *CAUTIONS_FOR_ALL)


def dose_words(line: PrescribedExercise, exercise: Exercise) -> tuple[str, ...]:
    """The dose as short lines: sets and repetitions first, then what else was prescribed."""
    once = {"hold": "hold", "sequence": "sequence"}.get(exercise.kind, "repetition")
    words = [f"{_count(line.sets, 'set')} of {_count(line.repetitions, once)}"]
    if line.sides != ("both",):
        words.append(" and ".join(line.sides) + " leg")
    elif exercise.working_leg != "both":
        words.append("each leg")
    if line.hold_s is not None:
        easy = "hold as long as it is easy, up to " if line.hold_while_easy else "hold "
        words.append(f"{easy}{_seconds(line.hold_s)}")
    if line.rest_s is not None:
        words.append(f"rest {_seconds(line.rest_s)} between sets")
    if line.frequency:
        words.append(line.frequency)
    if line.load_kg is not None:
        words.append(f"load {line.load_kg:g} kg" if line.load_kg else "no load")
    if line.tempo is not None:
        words += _tempo(line, exercise)
    if line.step_height_cm is not None:
        words.append(f"step {line.step_height_cm:g} cm high")
    if line.seat_height_cm is not None:
        words.append(f"seat {line.seat_height_cm:g} cm high")
    if line.support_allowed:
        words.append(f"support: {line.support_allowed}")
    if line.effort_aim is not None:
        words.append(f"effort about {line.effort_aim} of 10")
    if line.pain_limit is not None:
        words.append(f"stop when pain goes over {line.pain_limit} of 10")
    return tuple(words)


def plan_day_words(is_due: bool, next_due: date | None, week: tuple[int, int] | None) -> str:
    """What the plan's days say of today: a day of rest, or how far the week is."""
    if is_due:
        return f"This week: {week[0]} of {week[1]} days done so far." if week else ""
    done = f"All {week[1]} days of this week are done. " if week and week[0] >= week[1] else ""
    if next_due is None:
        return f"{done}Not due today."
    return f"{done}Not due today: a day of rest. Next on {WEEKDAYS[next_due.weekday()]}."


def filmed_words(line: PrescribedExercise) -> tuple[str, ...]:
    """Which sets to film, and from where."""
    place = {
        "sagittal": "with the camera at your side",
        "frontal": "with the camera straight ahead of you",
        "oblique": "with the camera between front and side",
    }
    return tuple(f"Film set {film.set_number} {place[film.view]}." for film in line.film)


def _tempo(line: PrescribedExercise, exercise: Exercise) -> list[str]:
    first, last = ("lowering", "raising")
    if exercise.first_phase == "raising":
        first, last = last, first
    parts = [(first, getattr(line.tempo, f"{first}_s")), ("pause", line.tempo.pause_s)]
    parts.append((last, getattr(line.tempo, f"{last}_s")))
    told = [f"{_seconds(seconds)} {name}" for name, seconds in parts if seconds is not None]
    return [", ".join(told)] if told else []


def _seconds(seconds: float) -> str:
    minutes, rest = divmod(seconds, 60)
    if seconds >= 120 and rest == 0:
        return f"{minutes:g} minutes"
    return f"{seconds:g} s"


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}{'' if n == 1 else 's'}"

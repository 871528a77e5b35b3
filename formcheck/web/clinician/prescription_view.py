"""What the page of a prescription shows of its form: choices, pictures, what is usual, the card."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from formcheck.clinic.patients import checked_prescription
from formcheck.files.exercises import list_exercises, load_exercise
from formcheck.files.prescription_advice import knee_limits, past_limits
from formcheck.files.schema import parse_prescription, prescription_advice
from formcheck.model.errors import FileError
from formcheck.model.measures import MEASURES
from formcheck.model.programme import Exercise, Limit, Prescription
from formcheck.motion.depth_cue import can_be_cued
from formcheck.web.clinician.prescription_edits import copy_of, sound_limits
from formcheck.web.clinician.prescription_faults import FormFault, form_fault, form_faults
from formcheck.web.clinician.prescription_form import (
    INVOLVED,
    KNEE,
    MOST_ROWS,
    Form,
    applied,
    form_with,
    gives,
    known_exercise,
    prescription_text_of,
)
from formcheck.words import patient_words, wording
from formcheck.words.exercise_words import SUPPORT_LEVELS
from formcheck.words.figures import poses_svg
from formcheck.words.sheet import SheetExercise, sheet_exercises

NOT_SAID = "X"
"""Stands for initials that are still to be written; no card shows it."""
FROM = {"sagittal": "the side", "frontal": "the front", "oblique": "an angle"}
FREQUENCIES = (
    "once a day",
    "twice a day",
    "3 times a day",
    "every other day",
    "3 times a week",
    "2 times a week",
    "Monday, Wednesday and Friday",
    "Tuesday and Thursday",
)
_SIDES = {"both": "both together", "left": "left", "right": "right", "left right": "each leg"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """An exercise to choose by its picture."""

    exercise: Exercise
    figure: str
    knee: str
    past: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureGroup:
    level: int
    words: str
    pictures: tuple[Picture, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """A usual end goal that can be taken over as a target: its number in the exercise's file."""

    n: int
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LineView:
    """What the form shows of one line beside its fields.

    measures : key -> name, of what the exercise reports from the views to be filmed; all of its
    views where none is.
    """

    exercise: Exercise | None
    name: str
    figure: str
    usual: str
    is_usual: bool
    measures: Mapping[str, str]
    planes: Mapping[str, str]
    goals: tuple[Goal, ...]
    sides: Mapping[str, str]
    copy: str
    shows: frozenset[str]


@cache
def _figure(exercise_id: str) -> str:
    return poses_svg(load_exercise(exercise_id))


@cache
def _by_provocation() -> tuple[Exercise, ...]:
    """By support level, then by how far the knee usually bends: the order of pain provocation
    that is common practice. Those whose usual range is not known come last."""

    def bend(e: Exercise) -> float:
        return e.usual_knee_flexion.most_deg if e.usual_knee_flexion else 999.0

    return tuple(sorted(list_exercises(), key=lambda e: (e.support_level, bend(e), e.id)))


def picture_groups(form: Form) -> tuple[PictureGroup, ...]:
    """The catalogue as pictures, by support level and then by pain provocation."""
    least, most = knee_limits(sound_limits(form))
    groups: dict[int, list[Picture]] = {}
    for e in _by_provocation():
        usual = e.usual_knee_flexion
        groups.setdefault(e.support_level, []).append(
            Picture(
                exercise=e,
                figure=_figure(e.id),
                knee=f"knee usually {usual.least_deg:g} to {usual.most_deg:g}°" if usual else "",
                past=past_limits(e, least, most) or "",
            )
        )
    return tuple(
        PictureGroup(level=level, words=SUPPORT_LEVELS[level], pictures=tuple(pictures))
        for level, pictures in groups.items()
    )


def line_views(form: Form) -> tuple[LineView, ...]:
    """What is shown of each line."""
    return tuple(_line_view(form, line.n) for line in form.lines)


def _line_view(form: Form, n: int) -> LineView:
    at, values = f"e{n}.", form.values
    name = values.get(at + "exercise", "")
    exercise = known_exercise(name)
    if exercise is None:
        return LineView(
            exercise=None, name=name, figure="", usual="", is_usual=False, measures={}, planes=FROM,
            goals=(), sides=_SIDES, copy="", shows=frozenset(),
        )  # fmt: skip
    filmed = {values.get(f"{at}film{k}.view", "") for k in range(MOST_ROWS)} - {""}
    targets = {values.get(f"{at}target{k}.measure", "") for k in range(MOST_ROWS)} - {""}
    dose = exercise.usual_dose
    usual = {"sets": dose.sets, "repetitions": dose.repetitions, "hold_s": dose.hold_s}
    usual["rest_s"] = dose.rest_s
    copied = known_exercise(copy_of({"harder": values.get(at + "harder", "")}, exercise))
    return LineView(
        exercise=exercise,
        name=exercise.name,
        figure=_figure(exercise.id),
        usual=f"{dose.text} ({dose.source})" if dose.text else "",
        is_usual=all(values.get(at + k, "") == f"{v:g}" for k, v in usual.items() if v is not None),
        measures=measure_choices(exercise, filmed, targets),
        planes={v.plane: FROM[v.plane] for v in exercise.views},
        goals=tuple(
            Goal(n=k, words=f"{wording.label(goal.measure)} {wording.bound_words(goal)}")
            for k, goal in enumerate(exercise.end_goal)
            if goal.measure not in targets and _is_seen(exercise, goal.measure, filmed)
        ),
        sides=_side_choices(exercise, values),
        copy=""
        if copied is None
        else "Copy for the other leg"
        if copied is exercise
        else f"Copy the dose to: {copied.name}",
        shows=_fields_shown(exercise, values, at),
    )


def measure_choices(exercise: Exercise, filmed: set[str], chosen: set[str] = frozenset()):
    """key -> name with its unit, of the measures that the exercise reports from these views, in
    the order of its file; what was chosen before stays in sight."""
    keys = [m for v in exercise.views if not filmed or v.plane in filmed for m in v.measures]
    keys += sorted(k for k in chosen if k in MEASURES)
    return {
        key: f"{wording.label(key)} ({wording.unit_as_entered(key)})" for key in dict.fromkeys(keys)
    }


def precaution_choices(form: Form) -> dict[str, str]:
    """key -> name, of what the exercises of the form can show; the knee's own always."""
    keys = list(KNEE)
    for line in form.lines:
        exercise = known_exercise(form.values.get(f"e{line.n}.exercise", ""))
        keys += [m for v in exercise.views for m in v.measures] if exercise else []
    keys += [form.values.get(f"all.limit{k}.measure", "") for k in range(MOST_ROWS)]
    return {
        key: f"{wording.label(key)} ({wording.unit_as_entered(key)})"
        for key in dict.fromkeys(keys)
        if key in MEASURES
    }


def _is_seen(exercise: Exercise, measure: str, filmed: set[str]) -> bool:
    return any(measure in v.measures for v in exercise.views if not filmed or v.plane in filmed)


def _side_choices(exercise: Exercise, values: Mapping[str, str]) -> dict[str, str]:
    if exercise.working_leg == "both":
        return _SIDES
    involved = values.get("involved_side", "")
    words = f"the involved leg ({involved})" if involved in ("left", "right") else "involved leg"
    return {INVOLVED: words, **{k: w for k, w in _SIDES.items() if k != "both"}}


def _fields_shown(exercise: Exercise, values: Mapping[str, str], at: str) -> frozenset[str]:
    """The fields that make sense for an exercise, and those in which something stands."""
    shown = set()
    if exercise.kind == "hold" or exercise.usual_dose.hold_s is not None:
        shown |= {"hold_s", "hold_while_easy"}
    if exercise.kind != "hold":
        shown.add("tempo")
    if exercise.working_leg == "on_step" or "step" in exercise.figure.props:
        shown.add("step_height_cm")
    if "chair" in exercise.figure.props:
        shown.add("seat_height_cm")
    if can_be_cued(exercise) or values.get(at + "cue_at_limit"):
        shown.add("cue_at_limit")
    names = ("hold_s", "step_height_cm", "seat_height_cm")
    shown |= {name for name in names if values.get(at + name)}
    if any(values.get(at + name) for name in ("lowering_s", "pause_s", "raising_s")):
        shown.add("tempo")
    return frozenset(shown)


# -- beside the form


@dataclass(frozen=True, slots=True, kw_only=True)
class Mend:
    """Something amiss with the button that mends it: what it does, and its words."""

    n: int
    words: str
    do: str
    button: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """What changes with the form: its faults, a colleague's questions, the patient's card, its
    text. prescription : as far as it can be shown; None while there is nothing to show.
    unseen : precautions that no set to film shows, with the button that mends it, in place of
    the fault. untold : precautions that an exercise usually passes and no view of it can show."""

    unseen: tuple[Mend, ...]
    untold: tuple[Mend, ...]
    faults: tuple[FormFault, ...]
    advice: tuple[FormFault, ...]
    prescription: Prescription | None
    card: tuple[SheetExercise, ...]
    text: str


_ELSEWHERE = re.compile(r"past the limit of .* that .* has; give this line the limit too")
_NOT_SEEN = re.compile(r"precaution \d+ of all.* is not seen from the views to be filmed")


def beside(form: Form, code: str) -> Beside:
    """What stands beside the form as it is now."""
    text = prescription_text_of(form, code)
    faults: Sequence[str] = ()
    try:
        record = checked_prescription(text, code)
    except FileError as error:
        faults = error.faults or (str(error),)
        record = _shown_in_part(form, code, faults)
    unseen, untold = _unseen(form), _untold(form)
    told = form_faults(faults, form)
    return Beside(
        unseen=unseen,
        untold=untold,
        faults=tuple(f for f in told if not (unseen and _NOT_SEEN.search(f.words))),
        advice=() if faults else advice_of(text, form),
        prescription=record,
        card=_card(record) if record else (),
        text=text,
    )


def advice_of(text: str, form: Form) -> tuple[FormFault, ...]:
    """What a colleague would ask about a sound text, in the form's words."""
    told = form_faults(prescription_advice(text, "prescription"), form)
    # What is not in the line's limits is told as what no view can show, or stands in its notes.
    numbers = {line.n for line in form.lines if _beyond(form, line.n)}
    return tuple(
        f for f in told if not (_ELSEWHERE.search(f.words) and f.field in _line_fields(numbers))
    )


def _line_fields(numbers: Iterable[int]) -> set[str]:
    return {f"e{n}.sets" for n in numbers}


def _card(record: Prescription) -> tuple[SheetExercise, ...]:
    return sheet_exercises(record, [load_exercise(line.exercise) for line in record.exercises])


def _shown_in_part(form: Form, code: str, faults: Sequence[str]) -> Prescription | None:
    """The prescription as far as it can be read: the card shows what is typed before it can be
    saved. Rules are left aside; fields that cannot be read are left out, with their line."""
    values = dict(form.values)
    fields = [form_fault(f.removeprefix("prescription:").strip(), form).field for f in faults]
    if not values.get("involved_side"):
        values["involved_side"] = "none"
    if not values.get("prescribed_by"):
        values["prescribed_by"] = NOT_SAID
    shown = _readable(form, values, code)
    if shown is not None:
        return shown
    for field in fields:
        if field.startswith("all.limit"):
            row = field.rpartition(".")[0]
            values |= {key: "" for key in values if key.startswith(f"{row}.")}
        elif field.startswith("all."):
            values[field] = ""
        elif field in values and "." not in field and field != "involved_side":
            values[field] = NOT_SAID if field == "prescribed_by" else ""
        elif field.startswith("e") and "." in field:
            values[f"{field.partition('.')[0]}.exercise"] = ""
    return _readable(form, values, code)


def _readable(form: Form, values: Mapping[str, str], code: str) -> Prescription | None:
    text = prescription_text_of(form_with(values, [(0, 0, 0)] * len(form.lines)), code)
    try:
        record = parse_prescription(text, "prescription", is_kept=True)
    except FileError:
        return None
    is_known = all(known_exercise(line.exercise) for line in record.exercises)
    return record if is_known else None


def _unseen(form: Form) -> tuple[Mend, ...]:
    """The precautions that no set to film shows, each with the view that would."""
    found: dict[tuple[int, str], Mend] = {}
    for line in form.lines:
        values, at = form.values, f"e{line.n}."
        exercise = known_exercise(values.get(at + "exercise", ""))
        filmed = {values.get(f"{at}film{k}.view", "") for k in range(MOST_ROWS)} - {""}
        for _, limit in applied(values, line.n) if filmed else ():
            if exercise is None or _is_seen(exercise, limit.measure, filmed):
                continue
            plane = next(v.plane for v in exercise.views if limit.measure in v.measures)
            label = wording.label(limit.measure)
            found[line.n, plane] = Mend(
                n=line.n,
                words=f"Exercise {line.n + 1}, {exercise.name}: no set to film shows the "
                f"{label[:1].lower()}{label[1:]}",
                do=f"film:{line.n}:{plane}",
                button=f"Film it from {FROM[plane]} too",
            )
    return tuple(found.values())


def _untold(form: Form) -> tuple[Mend, ...]:
    """The precautions that an exercise usually passes and none of its views can show, as long as
    its notes do not say them."""
    found = []
    for line in form.lines:
        notes = form.values.get(f"e{line.n}.notes", "")
        for past, limit in _beyond(form, line.n):
            if patient_words.limit_words(limit) in notes:
                continue
            name = form.values.get(f"e{line.n}.exercise", "")
            found.append(
                Mend(
                    n=line.n,
                    words=f"Exercise {line.n + 1}, {wording.exercise_name(name)}: {past}, and no "
                    "view of it shows that, so that the patient would not read of it here; say it "
                    "in its notes, or choose another exercise",
                    do=f"note:{line.n}",
                    button="Write it into its notes",
                )
            )
    return tuple(found)


def _beyond(form: Form, n: int) -> tuple[tuple[str, Limit], ...]:
    """(in words, limit) of each precaution on the knee that the exercise cannot show and whose
    number its usual range passes."""
    exercise = known_exercise(form.values.get(f"e{n}.exercise", ""))
    out = []
    for limit in sound_limits(form) if exercise else ():
        past = past_limits(exercise, *knee_limits([limit]))
        if past and not gives(exercise.id, limit.measure):
            out.append((past, limit))
    return tuple(out)

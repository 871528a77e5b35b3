"""The printable page for the patient: figures, dose, cues, camera, set-up, cautions.

One HTML file that needs no network and holds no script; every text from a file is escaped.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files

from formcheck.model.measures import PLANES
from formcheck.model.programme import Exercise, PrescribedExercise, Prescription
from formcheck.model.rounds import rounds_a_day, sides_of
from formcheck.model.safety import Contact
from formcheck.model.schedule import planned_schedule
from formcheck.words import patient_words
from formcheck.words.figures import Near, camera_svg, exercise_svg
from formcheck.words.languages import add_messages, day, gettext, weekday
from formcheck.words.safety_words import paper_lines


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetExercise:
    """One exercise as the page shows it: words and figures, ready to place."""

    name: str
    summary: str
    figure: str
    """SVG text, made here: the one thing that the page does not escape."""
    shown: str
    """Which leg the figure shows, in words; empty where either will do."""
    cameras: tuple[str, ...]
    dose: tuple[str, ...]
    cues: tuple[str, ...]
    targets: tuple[str, ...]
    limits: tuple[str, ...]
    cue: str
    """Where and how late a sound comes near a limit; empty where none is asked for."""
    camera: str
    set_up: tuple[str, ...]
    film: tuple[str, ...]
    cautions: tuple[str, ...]
    easier: str
    notes: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TickRow:
    """A row of the tick list: one side of an exercise, its boxes of a day.

    rounds : boxes of each time of the day. is_planned : for Monday to Sunday, whether it is to be
    done; where the plan names no days, every day may be right.
    """

    name: str
    dose: str
    rounds: tuple[int, ...]
    is_planned: tuple[bool, ...]


TICK_WEEKS = 2
"""Of a print: a common time between two visits."""


def sheet_html(
    prescription: Prescription,
    exercises: Sequence[Exercise],
    *,
    is_large: bool = False,
    contact: Contact | None = None,
) -> str:
    """The patient's page of a prescription with the exercise of each of its lines.

    `is_large` sets the text half as large again. `contact` : how to reach the clinic; lines to
    write on by hand where it is not known.
    """
    return _rendered("sheet.html.j2", prescription, exercises, is_large, contact)


def sheet_body(
    prescription: Prescription,
    exercises: Sequence[Exercise],
    *,
    is_large: bool = False,
    contact: Contact | None = None,
) -> str:
    """What stands on the patient's page, for a page of the clinic that links its style itself."""
    return _rendered("sheet_body.html.j2", prescription, exercises, is_large, contact)


def _rendered(
    template: str,
    prescription: Prescription,
    exercises: Sequence[Exercise],
    is_large: bool,
    contact: Contact | None,
) -> str:
    import jinja2

    environment = jinja2.Environment(
        autoescape=True,
        loader=jinja2.FunctionLoader(
            lambda name: (files("formcheck") / "assets" / name).read_text(encoding="utf-8")
        ),
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
        keep_trailing_newline=True,
    )
    add_messages(environment)
    environment.filters["day"] = day
    return environment.get_template(template).render(
        prescription=prescription,
        exercises=sheet_exercises(prescription, exercises, is_large=is_large),
        cautions=patient_words.CAUTIONS_FOR_ALL,
        nobody_watches=patient_words.NOBODY_WATCHES,
        numbers=paper_lines(contact or Contact()),
        is_large=is_large,
        rows=tick_rows(prescription, exercises),
        weekdays=[weekday(n) for n in range(7)],
        n_weeks=TICK_WEEKS,
    )


def tick_rows(prescription: Prescription, exercises: Sequence[Exercise]) -> tuple[TickRow, ...]:
    """The rows of the tick list, in the order in which the pages take them in again."""
    rows = []
    for line, exercise in zip(prescription.exercises, exercises, strict=True):
        schedule = planned_schedule(line.frequency)
        days = tuple(not schedule.weekdays or n in schedule.weekdays for n in range(7))
        for side in sides_of(line, exercise):
            rows.append(
                TickRow(
                    name=_row_name(exercise, side),
                    dose=patient_words.dose_words(line, exercise)[0],
                    rounds=(line.sets,) * rounds_a_day(line, schedule),
                    is_planned=days,
                )
            )
    return tuple(rows)


def sheet_exercises(
    prescription: Prescription, exercises: Sequence[Exercise], *, is_large: bool = False
) -> tuple[SheetExercise, ...]:
    """What the page shows of each line, in the prescription's order."""
    shown = []
    for n, (line, exercise) in enumerate(zip(prescription.exercises, exercises, strict=True)):
        planes, near = shown_planes(line, exercise), near_side(prescription, line, exercise)
        shown.append(
            SheetExercise(
                name=exercise.name,
                summary=exercise.summary,
                figure=exercise_svg(
                    exercise,
                    planes[0],
                    name=f"figure-{n}",
                    line=line,
                    near=near,
                    columns=2 if is_large else 4,
                ),
                shown=shown_side(line, exercise, near),
                cameras=tuple(
                    camera_svg(exercise, plane, name=f"camera-{n}-{plane}", line=line, near=near)
                    for plane in planes[1:]
                ),
                dose=patient_words.dose_words(line, exercise),
                cues=exercise.cues,
                targets=tuple(map(patient_words.bound_words, line.targets)),
                limits=tuple(map(patient_words.limit_words, line.limits)),
                cue=patient_words.cue_words(line, exercise, {film.view for film in line.film}),
                camera=exercise.camera,
                set_up=patient_words.set_up_words(exercise),
                film=patient_words.filmed_words(line),
                cautions=exercise.cautions,
                easier=_name(line.easier),
                notes=line.notes,
            )
        )
    return tuple(shown)


def _name(exercise_id: str) -> str:
    from formcheck.words.wording import exercise_name

    return gettext(exercise_name(exercise_id)) if exercise_id else ""


def _row_name(exercise: Exercise, side: str) -> str:
    name = gettext(exercise.name)
    if side == "both":
        return name
    return f"{name}, {gettext('left leg') if side == 'left' else gettext('right leg')}"


def near_side(prescription: Prescription, line: PrescribedExercise, exercise: Exercise) -> Near:
    """The side that a camera at the side looks at: the working leg's, the first where each leg
    works in turn, and the involved one where both work together; none where either will do."""
    involved = prescription.involved_side
    if line.sides[0] in ("left", "right"):
        return "left" if line.sides[0] == "left" else "right"
    if involved in ("left", "right"):
        return "left" if involved == "left" else "right"
    return "none"


def shown_side(line: PrescribedExercise, exercise: Exercise, near: Near) -> str:
    """Which leg a figure shows, in words."""
    if near == "none":
        return ""
    if exercise.working_leg == "both":
        return (
            gettext("Drawn with the left leg nearer.")
            if near == "left"
            else gettext("Drawn with the right leg nearer.")
        )
    if line.sides == ("both",) or len(line.sides) > 1:
        return (
            gettext("Drawn for the left leg; the right leg the same way.")
            if near == "left"
            else gettext("Drawn for the right leg; the left leg the same way.")
        )
    return (
        gettext("Drawn for the left leg.")
        if near == "left"
        else gettext("Drawn for the right leg.")
    )


def shown_planes(line: PrescribedExercise, exercise: Exercise) -> tuple[str, ...]:
    """The camera places to show for a line: those it films from, else the figure's own."""
    filmed = {film.view for film in line.film}
    return tuple(p for p in PLANES if p in filmed) or (exercise.figure.plane,)

"""Prescription files: read, written, begun by asking; the line that a set is held against."""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from typing import Literal, TypeVar

from formcheck.files.exercise_files import exercise_ids, near_ids
from formcheck.files.exercises import load_exercise, read_text
from formcheck.model.errors import FileError, UsageError
from formcheck.model.programme import (
    EXERCISE_SCHEMA,
    PRESCRIPTION_SCHEMA,
    TEMPLATE_SCHEMA,
    Bound,
    Exercise,
    FilmedSet,
    PrescribedExercise,
    Prescription,
)
from formcheck.model.safety import QUESTIONS_SCHEMA
from formcheck.words import wording


def read_prescription(path: Path) -> Prescription:
    """The prescription in a file. Raises FileError with every fault of it."""
    from formcheck.files.schema import parse_prescription

    return parse_prescription(read_text(path), str(path))


def prescription_text(prescription: Prescription) -> str:
    """The prescription as a TOML file, with a line that makes editors complete it."""
    from formcheck.files.toml_writer import to_toml

    return "#:schema ./formcheck.prescription.schema.json\n" + to_toml(prescription)


def write_prescription(prescription: Prescription, path: Path) -> None:
    """Writes the prescription's file. Raises OutputError when it cannot be written."""
    from formcheck.files.storage import write_text

    write_text(path, prescription_text(prescription))


def file_sha256(path: Path) -> str:
    """The checksum by which a report names the prescription it was judged against."""
    return hashlib.sha256(read_text(path).encode("utf-8")).hexdigest()


def prescribed_line(
    prescription: Prescription, exercise: str, side: str | None = None
) -> PrescribedExercise:
    """The line of a prescription for an exercise, and for a side where sides differ.

    Raises UsageError when there is none, or when the side is needed to tell two apart.
    """
    lines = [line for line in prescription.exercises if line.exercise == exercise]
    if not lines:
        names = ", ".join(dict.fromkeys(line.exercise for line in prescription.exercises))
        raise UsageError(
            f"{exercise} is not in the prescription of {prescription.patient}; it holds: {names}"
        )
    if side in ("left", "right"):
        fitting = [line for line in lines if side in line.sides or "both" in line.sides]
        if not fitting:
            raise UsageError(
                f"{exercise} is prescribed for the {' and '.join(lines[0].sides)} leg only; "
                "choose that side"
            )
        return fitting[0]
    if len(lines) > 1:
        raise UsageError(f"{exercise} is prescribed for each leg on its own; give the side")
    return lines[0]


def side_of(line: PrescribedExercise, side: str | None) -> str | None:
    """The side to measure: the one asked for, else the line's own where it names just one leg."""
    if side is None and len(line.sides) == 1 and line.sides[0] in ("left", "right"):
        return line.sides[0]
    return side


def exercise_of(line: PrescribedExercise, prescription_file: str | Path) -> Exercise:
    """The exercise of a line: of the catalogue, or a file beside the prescription's."""
    if line.exercise.endswith(".toml"):
        from formcheck.files.schema import exercise_path

        return load_exercise(exercise_path(line.exercise, str(prescription_file)))
    return load_exercise(line.exercise)


def exercises_of(prescription: Prescription, file: str | Path) -> tuple[Exercise, ...]:
    """The exercise of each line, in order; `file` is where the prescription was read from."""
    return tuple(exercise_of(line, file) for line in prescription.exercises)


# -- a new one, by asking


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What to ask next. `fault` says what was amiss with the answer before, or is empty."""

    text: str
    default: str = ""
    choices: tuple[str, ...] = ()
    fault: str = ""


Ask = Callable[[Question], str]
_Answer = TypeVar("_Answer")
_Word = TypeVar("_Word", bound=str)


def compose_prescription(ask: Ask, today: date) -> Prescription:
    """A prescription from the answers to questions, each asked again until it can be used.

    Raises FileError when the whole does not pass the rules of a prescription file.
    """
    from formcheck.files.schema import parse_prescription
    from formcheck.files.toml_writer import to_toml

    start = _asked(ask, "Valid from (year-month-day)", _date, today.isoformat())
    prescription = Prescription(
        schema=PRESCRIPTION_SCHEMA,
        patient=_asked(ask, "Patient code (no name, for instance KN-204)", _code),
        involved_side=_choice(ask, "Involved side", ("left", "right", "both", "none")),
        prescribed_by=_asked(ask, "Your initials", _initials),
        valid_from=start,
        review_on=_asked(
            ask, "Review on", lambda t: _later(t, start), (start + timedelta(14)).isoformat()
        ),
        condition=_asked(ask, "Condition (may be left empty)", str.strip),
        surgery_on=(
            surgery_on := _asked(ask, "Date of surgery (may be left empty)", _date_or_none)
        ),
        weight_bearing=_asked(ask, "Weight bearing (may be left empty)", str.strip),
        brace=_asked(ask, "Brace (may be left empty)", str.strip),
        goals=_asked(ask, "Goals (may be left empty)", str.strip),
        exercises=_compose_lines(ask, is_operated=surgery_on is not None),
    )
    return parse_prescription(to_toml(prescription), "the new prescription")


def _compose_lines(ask: Ask, *, is_operated: bool) -> tuple[PrescribedExercise, ...]:
    lines: list[PrescribedExercise] = []
    while True:
        taken = {line.exercise for line in lines}
        end = "; empty to end" if lines else ""
        name = _asked(ask, f"Exercise{end}", partial(_new_exercise, taken=taken))
        if not name:
            return tuple(lines)
        lines.append(_compose_line(ask, load_exercise(name), is_operated=is_operated))


def _compose_line(ask: Ask, exercise: Exercise, *, is_operated: bool) -> PrescribedExercise:
    dose = exercise.usual_dose
    targets = tuple(
        goal
        for goal in exercise.end_goal
        if _choice(ask, f"Set a target: {goal_words(goal)}?", ("yes", "no"), "no") == "yes"
    )
    hold_s = None
    if dose.hold_s is not None:
        hold_s = _asked(ask, "Seconds of each hold", _positive, f"{dose.hold_s:g}")
    sides: tuple[Literal["left", "right", "both"], ...] = ("both",)
    if exercise.working_leg != "both":
        legs: tuple[Literal["left", "right", "both"], ...] = ("left", "right", "both")
        chosen = _choice(ask, "Which leg", legs, "both")
        sides = ("left", "right") if chosen == "both" else (chosen,)
    planes: tuple[Literal["sagittal", "frontal", "oblique", "none"], ...] = (
        *(view.plane for view in exercise.views),
        "none",
    )
    view = _choice(ask, "Film the first set from which view", planes, planes[0])
    return PrescribedExercise(
        exercise=exercise.id,
        sets=_asked(ask, "Sets", lambda t: _whole(t, 1, 20), str(dose.sets or 3)),
        repetitions=_asked(
            ask, "Repetitions a set", lambda t: _whole(t, 1, 200), str(dose.repetitions or 10)
        ),
        hold_s=hold_s,
        rest_s=dose.rest_s,
        frequency=_asked(ask, "How often (for instance 3 times a week)", str.strip),
        sides=sides,
        targets=targets,
        # After surgery no number is offered: the limit is chosen for this patient.
        pain_limit=_asked(
            ask, "Stop when pain goes over (0 to 10)", _pain, "" if is_operated else "5"
        ),
        film=() if view == "none" else (FilmedSet(set_number=1, view=view),),
    )


def goal_words(goal: Bound) -> str:
    """A usual end goal in a line."""
    return f"{goal.measure} {wording.bound_words(goal)}"


def _asked(
    ask: Ask,
    text: str,
    parse: Callable[[str], _Answer],
    default: str = "",
    choices: tuple[str, ...] = (),
) -> _Answer:
    fault = ""
    while True:
        answer = ask(Question(text=text, default=default, choices=choices, fault=fault))
        try:
            return parse(answer.strip() or default)
        except ValueError as error:
            fault = str(error)


def _choice(ask: Ask, text: str, choices: tuple[_Word, ...], default: str = "") -> _Word:
    def chosen(answer: str) -> _Word:
        found = [c for c in choices if answer and c.startswith(answer.lower())]
        if len(found) != 1:
            raise ValueError(f"answer with one of: {', '.join(choices)}")
        return found[0]

    return _asked(ask, text, chosen, default, choices)


def _rule(key: str, value: str) -> str:
    """The value, when the rules of a prescription file let it stand under the key."""
    from formcheck.files.prescription_rules import prescription_faults

    if not value:
        raise ValueError("this cannot be left empty")
    faults = prescription_faults({key: value}, lambda name: None, ())
    if faults:
        raise ValueError(faults[0].what)
    return value


def _code(answer: str) -> str:
    return _rule("patient", answer)


def _initials(answer: str) -> str:
    return _rule("prescribed_by", answer)


def _date(answer: str) -> date:
    try:
        return date.fromisoformat(answer)
    except ValueError:
        raise ValueError("write the date as year-month-day, for instance 2025-03-31") from None


def _date_or_none(answer: str) -> date | None:
    return _date(answer) if answer else None


def _later(answer: str, start: date) -> date:
    day = _date(answer)
    if day <= start:
        raise ValueError(f"the review comes after the start, {start}")
    return day


def _whole(answer: str, least: int, greatest: int) -> int:
    if not answer.isascii() or not answer.isdigit() or not least <= int(answer) <= greatest:
        raise ValueError(f"write a whole number from {least} to {greatest}")
    return int(answer)


def _pain(answer: str) -> int:
    return _whole(answer, 0, 10)


def _positive(answer: str) -> float:
    try:
        seconds = float(answer)
    except ValueError:
        seconds = 0.0
    if not 0 < seconds <= 600:
        raise ValueError("write the seconds as a number from 1 to 600")
    return seconds


def _new_exercise(answer: str, taken: set[str]) -> str:
    if not answer and not taken:
        raise ValueError(
            "a prescription needs at least one exercise, by its id, for instance squat or "
            "wall_sit; formcheck exercises lists all"
        )
    if answer in taken:
        raise ValueError(f"{answer} stands in the prescription already")
    if answer and answer not in exercise_ids():
        near = near_ids(answer)
        hint = f"did you mean {' or '.join(near)}?" if near else "see: formcheck exercises"
        raise ValueError(f'there is no exercise "{answer}"; {hint}')
    return answer


# -- checking any file that a clinician writes


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedFile:
    """What a check found: the kind of file, its faults (none: it can be used), and what a
    colleague would ask about a prescription that can be used."""

    file: str
    kind: str | None
    faults: tuple[str, ...]
    advice: tuple[str, ...] = ()


def check_file(path: Path) -> CheckedFile:
    """Every fault of one exercise, prescription, template or question file, and what a colleague
    would ask about a prescription or a template; nothing is raised."""
    from formcheck.files.schema import PARSERS, file_kind, prescription_advice
    from formcheck.files.toml_lines import TomlFault, read_toml

    file, kind = str(path), None
    try:
        text = read_text(path)
        kind = file_kind(text)
        if kind is None:
            try:
                read_toml(text)
            except TomlFault as fault:
                raise FileError(
                    f"{file}:{fault.line}: (whole file): is not TOML: {fault}; mend this line first"
                ) from None
            raise FileError(
                f"{file}:1: schema: does not say what the file is; write "
                f'schema = "{EXERCISE_SCHEMA}" or schema = "{PRESCRIPTION_SCHEMA}" as the '
                f'first line (of a template: "{TEMPLATE_SCHEMA}"; of questions to patients: '
                f'"{QUESTIONS_SCHEMA}")'
            )
        PARSERS[kind](text, file)
    except FileError as error:
        return CheckedFile(file=file, kind=kind, faults=error.faults or (str(error),))
    advice = prescription_advice(text, file) if kind in ("prescription", "template") else ()
    return CheckedFile(file=file, kind=kind, faults=(), advice=advice)


def write_json_schemas(folder: Path) -> tuple[Path, ...]:
    """Writes the JSON Schemas of the kinds of file into a folder and returns their paths."""
    from formcheck.files.schema import KINDS, json_schema_text
    from formcheck.files.storage import make_folder, write_text

    make_folder(folder)
    written = []
    for kind in KINDS:
        path = folder / f"formcheck.{kind}.schema.json"
        write_text(path, json_schema_text(kind))
        written.append(path)
    return tuple(written)

"""What changed from one version of a prescription to the next, in readable lines."""

from collections.abc import Callable, Iterator
from datetime import date
from typing import Any

from formcheck.model.programme import (
    Bound,
    FilmedSet,
    Limit,
    PrescribedExercise,
    Prescription,
    Tempo,
)
from formcheck.words import wording

_HEAD = {
    "involved_side": "involved side",
    "valid_from": "valid from",
    "review_on": "review on",
    "condition": "condition",
    "surgery_on": "date of surgery",
    "weight_bearing": "weight bearing",
    "brace": "brace",
    "goals": "goals",
    "passive_extension_deg": "passive extension",
}
_LINE = {
    "sets": "sets",
    "repetitions": "repetitions",
    "hold_s": "hold",
    "hold_while_easy": "hold as long as it is easy",
    "rest_s": "rest",
    "frequency": "how often",
    "load_kg": "load",
    "tempo": "tempo",
    "effort_aim": "effort aim",
    "sides": "sides",
    "support_allowed": "support allowed",
    "step_height_cm": "step height",
    "seat_height_cm": "seat height",
    "cue_at_limit": "sound near the limit",
    "pain_limit": "pain limit",
    "easier": "easier step",
    "harder": "harder step",
    "film": "filmed",
    "notes": "notes",
}
_UNITS = {"_s": " s", "_kg": " kg", "_cm": " cm", "_deg": "°"}
_FROM = {"sagittal": "the side", "frontal": "the front", "oblique": "an angle"}


def prescription_changes(before: Prescription, after: Prescription) -> tuple[str, ...]:
    """Each change in a line: "Wall sit: hold 5 s to 10 s". Empty where nothing changed.

    Who prescribed it is no change of the programme and is told with the version.
    """
    return (*_head(before, after), *_lines(before, after))


def prescription_summary(prescription: Prescription) -> tuple[str, ...]:
    """The exercises of a first version, each with its dose in a line."""
    return tuple(f"{_title(line)}: {_dose(line)}" for line in prescription.exercises)


def _head(before: Prescription, after: Prescription) -> Iterator[str]:
    for name, words in _HEAD.items():
        told = _change(name, words, getattr(before, name), getattr(after, name))
        if told:
            yield told[:1].upper() + told[1:]


def _lines(before: Prescription, after: Prescription) -> Iterator[str]:
    old, new = list(before.exercises), list(after.exercises)
    pairs = _pairs(old, new)
    for line in old:
        if all(line is not a for a, _ in pairs):
            yield f"{_title(line)}: removed"
    for line in new:
        was = next((a for a, b in pairs if b is line), None)
        if was is None:
            yield f"{_title(line)}: added, {_dose(line)}"
        else:
            yield from (f"{_title(line)}: {told}" for told in _of_line(was, line))
    if [id(a) for a, _ in sorted(pairs, key=lambda p: _place(old, p[0]))] != [
        id(a) for a, _ in sorted(pairs, key=lambda p: _place(new, p[1]))
    ]:
        order = ", ".join(wording.exercise_name(line.exercise) for line in new)
        yield f"Order: {order}"


def _place(lines: list[PrescribedExercise], line: PrescribedExercise) -> int:
    return next(n for n, each in enumerate(lines) if each is line)


def _pairs(
    old: list[PrescribedExercise], new: list[PrescribedExercise]
) -> list[tuple[PrescribedExercise, PrescribedExercise]]:
    """(before, after) of the lines that go on: the same exercise and sides, else the exercise."""
    pairs: list[tuple[PrescribedExercise, PrescribedExercise]] = []
    same: tuple[Callable[[PrescribedExercise], object], ...] = (
        lambda line: (line.exercise, line.sides),
        lambda line: line.exercise,
    )
    for key in same:
        for a in old:
            for b in new:
                is_taken = any(a is x or b is y for x, y in pairs)
                if not is_taken and key(a) == key(b):
                    pairs.append((a, b))
    return pairs


def _of_line(before: PrescribedExercise, after: PrescribedExercise) -> Iterator[str]:
    for name, words in _LINE.items():
        told = _change(name, words, getattr(before, name), getattr(after, name))
        if told:
            yield told
    yield from _bounds("target", before.targets, after.targets)
    yield from _bounds("limit", before.limits, after.limits)


def _bounds(kind: str, before: tuple[Bound, ...], after: tuple[Bound, ...]) -> Iterator[str]:
    old, new = ({b.measure: b for b in bounds} for bounds in (before, after))
    for measure in dict.fromkeys((*old, *new)):
        was, now = old.get(measure), new.get(measure)
        what = f"{kind} of {_lower(wording.label(measure))}"
        if now is None and was is not None:
            yield f"{what} removed ({wording.bound_words(was)})"
        elif was is None and now is not None:
            yield f"{what} added, {wording.bound_words(now)}"
        elif was is not None and now is not None and was != now:
            a, b = wording.bound_words(was), wording.bound_words(now)
            if a != b:
                yield f"{what} {a} to {b}"
            if was.source != now.source:
                yield f"source of the {what} {_said(was.source)} to {_said(now.source)}"
            if isinstance(was, Limit) and isinstance(now, Limit) and was.words != now.words:
                yield f"words of the {what} {_said(was.words)} to {_said(now.words)}"


def _change(name: str, words: str, before: Any, after: Any) -> str:
    if before == after:
        return ""
    if _is_empty(before):
        return f"{words} added, {_value(name, after)}"
    if _is_empty(after):
        return f"{words} removed ({_value(name, before)})"
    return f"{words} {_value(name, before)} to {_value(name, after)}"


def _is_empty(value: Any) -> bool:
    return value is None or value == "" or value == ()


def _value(name: str, value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, date):
        return f"{value.day} {value:%B} {value.year}"
    if isinstance(value, int | float):
        unit = next((u for end, u in _UNITS.items() if name.endswith(end)), "")
        return f"{value:g}{unit}"
    if isinstance(value, Tempo):
        parts = (
            ("lowering", value.lowering_s),
            ("pause", value.pause_s),
            ("raising", value.raising_s),
        )
        return ", ".join(f"{w} {x:g} s" for w, x in parts if x is not None) or "none"
    if isinstance(value, tuple):
        return ", ".join(_film(x) if isinstance(x, FilmedSet) else str(x) for x in value)
    if name in ("easier", "harder"):
        return _lower(wording.exercise_name(value))
    return _said(value) if name in ("notes", "goals", "condition") else str(value)


def _film(film: FilmedSet) -> str:
    return f"set {film.set_number} from {_FROM[film.view]}"


def _said(text: str) -> str:
    return f'"{text}"' if text else "none"


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:] if not text[:2].isupper() else text


def _title(line: PrescribedExercise) -> str:
    name = wording.exercise_name(line.exercise)
    return name if line.sides == ("both",) else f"{name} ({', '.join(line.sides)})"


def _dose(line: PrescribedExercise) -> str:
    hold = f", hold {line.hold_s:g} s" if line.hold_s is not None else ""
    often = f", {line.frequency}" if line.frequency else ""
    return f"{line.sets} × {line.repetitions}{hold}{often}"

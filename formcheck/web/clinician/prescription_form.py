"""A prescription as the fields of a form, and the form as the text of a prescription file.

The form decides nothing: its text goes through the rules of the files, and its faults come back.
What is the same for every exercise (how often, the pain limit, the precautions) stands once in
the form, and in each line of the file.
"""

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TypeVar

from formcheck.files.exercise_files import exercise_ids
from formcheck.files.exercises import load_exercise
from formcheck.files.prescriptions import prescription_text
from formcheck.model.programme import (
    MOST_PRESCRIBED,
    PRESCRIPTION_SCHEMA,
    Bound,
    Exercise,
    FilmedSet,
    Limit,
    PrescribedExercise,
    Prescription,
    ProgrammeTemplate,
    Tempo,
)

HEAD = (
    "involved_side",
    "prescribed_by",
    "valid_from",
    "review_on",
    "condition",
    "surgery_on",
    "weight_bearing",
    "brace",
    "goals",
    "passive_extension_deg",
)
_DATES = ("valid_from", "review_on", "surgery_on")
_HEAD_NUMBERS = ("passive_extension_deg",)
LINE_TEXTS = ("exercise", "frequency", "support_allowed", "easier", "harder", "notes")
LINE_TICKS = ("hold_while_easy", "cue_at_limit")
LINE_NUMBERS = (
    "sets",
    "repetitions",
    "hold_s",
    "rest_s",
    "load_kg",
    "effort_aim",
    "step_height_cm",
    "seat_height_cm",
    "pain_limit",
)
TEMPO = ("lowering_s", "pause_s", "raising_s")
BOUND_NUMBERS = ("at_least", "at_most", "tolerance")
MOST_LINES, MOST_ROWS = MOST_PRESCRIBED, 12
COMMON = ("frequency", "pain_limit")
"""Fields of a line that the form holds once, as `all.NAME`; a line's own goes before it."""
INVOLVED = "involved"
"""Sides of a line that is for the involved leg, whichever that is."""
KNEE = ("knee_flexion_peak_deg", "knee_flexion_least_deg")
"""The measures that precautions are most often about: their rows are always shown."""
USUAL_REVIEW = timedelta(weeks=2)


def _extra(kind: str) -> tuple[str, ...]:
    return ("words",) if kind == "limit" else ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FormLine:
    """One exercise in the form: its number, and the rows that each of its lists shows."""

    n: int
    targets: tuple[int, ...]
    limits: tuple[int, ...]
    films: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """The fields of the form with what stands in them.

    precautions : the rows of limits that hold for every exercise. template : the programme that
    it was begun from, or empty. before : earlier states, the latest last, as they were sent.
    """

    values: Mapping[str, str]
    lines: tuple[FormLine, ...]
    precautions: tuple[int, ...] = (0, 1, 2)
    template: str = ""
    before: tuple[str, ...] = field(default=(), repr=False)


def _shown(value) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, tuple):
        return " ".join(value)
    return str(value)


def known_exercise(name: str) -> Exercise | None:
    """The exercise of the catalogue, or None."""
    return load_exercise(name) if name in exercise_ids() else None


def gives(name: str, measure: str) -> bool:
    """Whether an exercise reports a measure from one of its views."""
    exercise = known_exercise(name)
    return exercise is not None and any(measure in v.measures for v in exercise.views)


# -- what is common to all lines


def common_limits(lines: Sequence[PrescribedExercise]) -> tuple[Limit, ...]:
    """The limits that stand in every line whose exercise can show them, behind the line's own."""
    every = dict.fromkeys(limit for line in lines for limit in line.limits)
    found = tuple(limit for limit in every if _is_common(limit, lines))
    for line in lines:
        own = [limit for limit in line.limits if limit not in found]
        common = [limit for limit in found if gives(line.exercise, limit.measure)]
        if [*own, *common] != list(line.limits):
            return ()
    return found


def _is_common(limit: Limit, lines: Sequence[PrescribedExercise]) -> bool:
    able = [line for line in lines if gives(line.exercise, limit.measure)]
    return (len(able) > 1 or limit.measure in KNEE) and all(limit in line.limits for line in able)


def _common_value(lines: Iterable[PrescribedExercise], name: str) -> str:
    """What most lines say, when every line says something: an empty one would say it too."""
    said = [_shown(getattr(line, name)) for line in lines]
    (most, n) = Counter(said).most_common(1)[0] if said else ("", 0)
    return most if "" not in said and (n > 1 or len(said) == 1) else ""


# -- a record into fields


def form_of(prescription: Prescription) -> Form:
    """The form with a prescription in it."""
    values = {name: _shown(getattr(prescription, name)) for name in HEAD}
    return _form_of_lines(values, prescription.exercises)


def form_of_template(template: ProgrammeTemplate, name: str, values: Mapping[str, str]) -> Form:
    """The form with a programme to begin from; what was said of the patient stays."""
    head = {key: values.get(key, "") for key in HEAD}
    head["condition"] = head["condition"] or template.condition
    form = _form_of_lines(head, template.exercises)
    kept = dict(form.values)
    for line, prescribed in zip(form.lines, template.exercises, strict=True):
        exercise = known_exercise(prescribed.exercise)
        if exercise and exercise.working_leg != "both" and prescribed.sides == ("both",):
            kept[f"e{line.n}.sides"] = INVOLVED
    if _said_rows(values):
        kept = {k: v for k, v in kept.items() if not k.startswith("all.limit")}
        kept |= {k: v for k, v in values.items() if k.startswith("all.limit")}
    return form_with(kept, [_counts(kept, line.n) for line in form.lines], template=name)


def _form_of_lines(values: dict[str, str], lines: Sequence[PrescribedExercise]) -> Form:
    common = common_limits(lines)
    for name in COMMON:
        values[f"all.{name}"] = _common_value(lines, name)
    values |= _bound_fields("all.limit", "limit", common)
    counts = []
    for n, line in enumerate(lines):
        at = f"e{n}."
        for name in (*LINE_TEXTS, *LINE_NUMBERS, "sides"):
            values[at + name] = _shown(getattr(line, name))
        for name in COMMON:
            if values[at + name] == values[f"all.{name}"]:
                values[at + name] = ""
        for name in LINE_TICKS:
            values[at + name] = "yes" if getattr(line, name) else ""
        for name in TEMPO:
            values[at + name] = _shown(getattr(line.tempo, name)) if line.tempo else ""
        own = [limit for limit in line.limits if limit not in common]
        values |= _bound_fields(f"{at}target", "target", line.targets)
        values |= _bound_fields(f"{at}limit", "limit", own)
        for k, film in enumerate(line.film):
            values[f"{at}film{k}.set_number"] = str(film.set_number)
            values[f"{at}film{k}.view"] = film.view
        counts.append((len(line.targets), len(own), len(line.film)))
    return form_with(values, counts)


def _bound_fields(at: str, kind: str, bounds: Iterable[Bound]) -> dict[str, str]:
    values = {}
    for k, bound in enumerate(bounds):
        for name in ("measure", "source", *_extra(kind), *BOUND_NUMBERS):
            values[f"{at}{k}.{name}"] = _shown(getattr(bound, name))
        if values[f"{at}{k}.tolerance"] == "0":
            values[f"{at}{k}.tolerance"] = ""
    return values


def form_with(values: Mapping[str, str], counts, *, template: str = "", before=()) -> Form:
    """The form of these fields, with an empty row behind each list."""
    lines = tuple(
        FormLine(
            n=n,
            targets=tuple(range(min(t + 1, MOST_ROWS))),
            limits=tuple(range(min(m + 1, MOST_ROWS))),
            films=tuple(range(min(f + 1, MOST_ROWS))),
        )
        for n, (t, m, f) in enumerate(counts)
    )
    kept = dict(values)
    used = [k for k in range(MOST_ROWS) if kept.get(f"all.limit{k}.measure")]
    for measure in KNEE:
        free = [k for k in range(MOST_ROWS) if k not in used]
        if free and all(kept[f"all.limit{k}.measure"] != measure for k in used):
            kept[f"all.limit{free[0]}.measure"] = measure
            used.append(free[0])
    return Form(
        values=kept,
        lines=lines,
        precautions=tuple(range(min(max(used) + 2, MOST_ROWS))),
        template=template,
        before=tuple(before),
    )


def _counts(values: Mapping[str, str], n: int) -> tuple[int, int, int]:
    def used(kind: str, must: str) -> int:
        return sum(bool(values.get(f"e{n}.{kind}{k}.{must}")) for k in range(MOST_ROWS))

    return used("target", "measure"), used("limit", "measure"), used("film", "view")


# -- fields that were sent

_FIELD = re.compile(
    r"e(?P<n>\d{1,2})\.(?:(?P<kind>target|limit|film)(?P<k>\d{1,2})\.)?(?P<name>\w+)"
)
_TEMPLATE_NAME = re.compile(r"[\w-]{1,80}")


def form_from(fields: Mapping[str, list[str]]) -> Form:
    """The form as it was sent, lines without an exercise left out and the rest closed up."""
    sent = {name: (values or [""])[0].strip() for name, values in fields.items()}
    sent |= {name: " ".join(values) for name, values in fields.items() if name.endswith(".sides")}
    # Days that no choice names are written beside the choices, and go before them.
    words = {n.removesuffix("_words"): w for n, w in sent.items() if n.endswith(".frequency_words")}
    sent |= {name: said for name, said in words.items() if said}
    values = {name: sent.get(name, "") for name in HEAD}
    for name in COMMON:
        values[f"all.{name}"] = sent.get(f"all.{name}", "")
    names = ("measure", "source", "words", *BOUND_NUMBERS)
    # A row of precautions stands ready with its measure and no number: it says nothing.
    said = [
        k
        for k in range(MOST_ROWS)
        if sent.get(f"all.limit{k}.measure")
        and any(sent.get(f"all.limit{k}.{name}") for name in names[1:])
    ]
    values |= _closed_up(sent, "all.limit", "all.limit", said, names)
    kept = sorted(
        {
            int(m["n"])
            for name in sent
            if (m := _FIELD.fullmatch(name))
            and m["name"] == "exercise"
            and sent[name]
            and int(m["n"]) < MOST_LINES
        }
    )
    for n, old in enumerate(kept):
        for name in (*LINE_TEXTS, *LINE_NUMBERS, *LINE_TICKS, "sides", *TEMPO):
            values[f"e{n}.{name}"] = sent.get(f"e{old}.{name}", "")
        for kind, names, must in (
            ("target", ("measure", "source", *BOUND_NUMBERS), "measure"),
            ("limit", ("measure", "source", "words", *BOUND_NUMBERS), "measure"),
            ("film", ("set_number", "view"), "view"),
        ):
            used = [k for k in range(MOST_ROWS) if sent.get(f"e{old}.{kind}{k}.{must}")]
            values |= _closed_up(sent, f"e{old}.{kind}", f"e{n}.{kind}", used, names)
    template = sent.get("template", "")
    return form_with(
        values,
        [_counts(values, n) for n in range(len(kept))],
        template=template if _TEMPLATE_NAME.fullmatch(template) else "",
        before=fields.get("before", ()),
    )


def _closed_up(
    sent: Mapping[str, str], old: str, new: str, used: Sequence[int], names: Sequence[str]
) -> dict[str, str]:
    return {
        f"{new}{k}.{name}": sent.get(f"{old}{was}.{name}", "")
        for k, was in enumerate(used)
        for name in names
    }


def new_form(initials: str, today: date) -> Form:
    """A form without an exercise, to be reviewed after the usual time."""
    values = {
        "involved_side": "",
        "prescribed_by": initials,
        "valid_from": today.isoformat(),
        "review_on": (today + USUAL_REVIEW).isoformat(),
    }
    return form_with(values, [])


# -- fields into a text


def _number(text: str):
    """A number where the text is one, else the text itself: the rules then say what is wrong."""
    text = text.replace(",", ".")
    if not text:
        return None
    if re.fullmatch(r"[+-]?\d{1,12}", text):
        return int(text)
    try:
        return float(text) if text.isascii() and not re.search(r"[a-zA-Z_]", text) else text
    except ValueError:
        return text


def _date(text: str):
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        return text


_Bound = TypeVar("_Bound", bound=Bound)


def _bounds(values: Mapping[str, str], at: str, record: type[_Bound]) -> tuple[_Bound, ...]:
    out = []
    texts = ("source", *_extra("limit" if record is Limit else "target"))
    for k in range(MOST_ROWS):
        measure = values.get(f"{at}{k}.measure")
        if measure:
            least, most, tolerance = (
                _number(values.get(f"{at}{k}.{name}", "")) for name in BOUND_NUMBERS
            )
            out.append(
                record(
                    measure=measure,
                    at_least=least,
                    at_most=most,
                    tolerance=tolerance or 0.0,
                    **{name: values.get(f"{at}{k}.{name}", "") for name in texts},
                )
            )
    return tuple(out)


def precautions_of(values: Mapping[str, str]) -> tuple[tuple[int, Limit], ...]:
    """(row, limit) of what holds for every exercise; rows that stand ready say nothing."""
    rows = _said_rows(values)
    said = {
        f"all.limit{n}.{key}": values.get(f"all.limit{k}.{key}", "")
        for n, k in enumerate(rows)
        for key in ("measure", "source", "words", *BOUND_NUMBERS)
    }
    return tuple(zip(rows, _bounds(said, "all.limit", Limit), strict=True))


def _said_rows(values: Mapping[str, str]) -> list[int]:
    texts = ("source", "words", *BOUND_NUMBERS)
    return [
        k
        for k in range(MOST_ROWS)
        if values.get(f"all.limit{k}.measure")
        and any(values.get(f"all.limit{k}.{name}") for name in texts)
    ]


def applied(values: Mapping[str, str], n: int) -> tuple[tuple[int, Limit], ...]:
    """(row, limit) of the precautions that a line takes on: those that its exercise can show."""
    name = values.get(f"e{n}.exercise", "")
    return tuple((k, limit) for k, limit in precautions_of(values) if gives(name, limit.measure))


def _sides(values: Mapping[str, str], n: int) -> tuple[str, ...]:
    sides = values.get(f"e{n}.sides", "")
    if sides == INVOLVED:
        involved = values.get("involved_side", "")
        return (involved,) if involved in ("left", "right") else ("left", "right")
    return tuple(sides.split()) or ("both",)


def _line(values: Mapping[str, str], n: int) -> PrescribedExercise:
    at = f"e{n}."
    texts = {name: values.get(at + name, "") for name in LINE_TEXTS}
    numbers = {name: _number(values.get(at + name, "")) for name in LINE_NUMBERS}
    texts["frequency"] = texts["frequency"] or values.get("all.frequency", "")
    if numbers["pain_limit"] is None:
        numbers["pain_limit"] = _number(values.get("all.pain_limit", ""))
    tempo = [_number(values.get(at + name, "")) for name in TEMPO]
    has_tempo = any(x is not None for x in tempo)
    return PrescribedExercise(
        **texts,
        **numbers,
        **{name: bool(values.get(at + name, "")) for name in LINE_TICKS},
        tempo=Tempo(**dict(zip(TEMPO, tempo, strict=True))) if has_tempo else None,
        sides=_sides(values, n),
        targets=_bounds(values, at + "target", Bound),
        limits=(*_bounds(values, at + "limit", Limit), *(limit for _, limit in applied(values, n))),
        film=tuple(
            FilmedSet(
                set_number=_number(values.get(f"{at}film{k}.set_number", "")) or 1,
                view=values[f"{at}film{k}.view"],
            )
            for k in range(MOST_ROWS)
            if values.get(f"{at}film{k}.view")
        ),
    )


def prescription_text_of(form: Form, code: str) -> str:
    """The text of the prescription file that the form says, right or wrong."""
    values = form.values
    head = {name: values.get(name, "") for name in HEAD}
    head |= {name: _date(head[name]) for name in _DATES}
    head |= {name: _number(head[name]) for name in _HEAD_NUMBERS}
    record = Prescription(
        schema=PRESCRIPTION_SCHEMA,
        patient=code,
        exercises=tuple(
            _line(values, line.n) for line in form.lines if values.get(f"e{line.n}.exercise")
        ),
        **head,
    )
    return prescription_text(record)

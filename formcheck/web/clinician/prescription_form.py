"""A prescription as the fields of a form, and the form as the text of a prescription file.

The form decides nothing: its text goes through the rules of the files, and its faults come back.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import TypeVar

from formcheck.files.prescriptions import prescription_text
from formcheck.model.programme import (
    MOST_PRESCRIBED,
    PRESCRIPTION_SCHEMA,
    Bound,
    FilmedSet,
    Limit,
    PrescribedExercise,
    Prescription,
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
LINE_TICKS = ("hold_while_easy",)
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


def _extra(kind: str) -> tuple[str, ...]:
    return ("words",) if kind == "limit" else ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FormLine:
    """One exercise in the form: its number, and how many rows each of its lists shows."""

    n: int
    targets: tuple[int, ...]
    limits: tuple[int, ...]
    films: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """The fields of the form with what stands in them."""

    values: Mapping[str, str]
    lines: tuple[FormLine, ...]


def _shown(value) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, tuple):
        return " ".join(value)
    return str(value)


def form_of(prescription: Prescription) -> Form:
    """The form with a prescription in it."""
    values = {name: _shown(getattr(prescription, name)) for name in HEAD}
    counts = []
    for n, line in enumerate(prescription.exercises):
        for name in (*LINE_TEXTS, *LINE_NUMBERS, "sides"):
            values[f"e{n}.{name}"] = _shown(getattr(line, name))
        for name in LINE_TICKS:
            values[f"e{n}.{name}"] = "yes" if getattr(line, name) else ""
        for name in TEMPO:
            values[f"e{n}.{name}"] = _shown(getattr(line.tempo, name)) if line.tempo else ""
        for kind, bounds in (("target", line.targets), ("limit", line.limits)):
            for k, bound in enumerate(bounds):
                for name in ("measure", "source", *_extra(kind), *BOUND_NUMBERS):
                    shown = _shown(getattr(bound, name))
                    values[f"e{n}.{kind}{k}.{name}"] = "" if shown == "0" else shown
                for name in ("at_least", "at_most"):
                    values[f"e{n}.{kind}{k}.{name}"] = _shown(getattr(bound, name))
        for k, film in enumerate(line.film):
            values[f"e{n}.film{k}.set_number"] = str(film.set_number)
            values[f"e{n}.film{k}.view"] = film.view
        counts.append((len(line.targets), len(line.limits), len(line.film)))
    return _form(values, counts)


def _form(values: Mapping[str, str], counts) -> Form:
    lines = tuple(
        FormLine(
            n=n,
            targets=tuple(range(min(t + 1, MOST_ROWS))),
            limits=tuple(range(min(m + 1, MOST_ROWS))),
            films=tuple(range(min(f + 1, MOST_ROWS))),
        )
        for n, (t, m, f) in enumerate(counts)
    )
    return Form(values=values, lines=lines)


_WORDS = {
    "involved_side": "involved side",
    "prescribed_by": "your initials",
    "valid_from": "valid from",
    "review_on": "review on",
    "surgery_on": "date of surgery",
    "hold_s": "hold",
    "hold_while_easy": "as long as it is easy",
    "words": "in your words",
    "passive_extension_deg": "passive extension",
    "rest_s": "rest",
    "load_kg": "load",
    "effort_aim": "effort aim",
    "pain_limit": "pain limit",
    "lowering_s": "lowering",
    "pause_s": "pause",
    "raising_s": "raising",
    "step_height_cm": "step height",
    "seat_height_cm": "seat height",
    "frequency": "how often",
    "easier": "easier step",
    "harder": "harder step",
    "set_number": "set",
    "view": "from",
    "at_least": "at least",
    "at_most": "at most",
    "weight_bearing": "weight bearing",
    "support_allowed": "support allowed",
    "notes": "notes for the patient",
}
"""Key of the file -> the form's own word, where they differ."""

_FAULT = re.compile(r"(?:\d+: )?(?P<path>[a-z_]+(?:[.\[][\w.\[\]]*)?): (?P<words>.+)", re.S)
_PATH = re.compile(
    r"exercises\[(?P<n>\d+)\](?:\.(?P<list>target|limit|film)s?\[(?P<k>\d+)\])?"
    r"(?:\.tempo)?(?:\.(?P<name>\w+))?"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FormFault:
    """What is wrong in the form's words, and the id of the field that it is about."""

    words: str
    field: str


def form_fault(fault: str) -> FormFault:
    """A fault of the file's rules, told of the form: no line number, no key."""
    found = _FAULT.fullmatch(fault)
    if found is None:
        return FormFault(words=fault, field="")
    path = found["path"]
    words = found["words"].replace("; write one, without quotes", "").removeprefix("is ")
    words = words.replace('"" is not allowed', "nothing was chosen")
    for key in ("at_least", "at_most"):
        words = words.replace(f"{key} =", _WORDS[key]).replace(key, _WORDS[key])
    inside = _PATH.fullmatch(path)
    if inside is None:
        field = path if path in HEAD else "e0.exercise" if path == "exercises" else ""
        return FormFault(words=f"{_word(path)}: {words}", field=field)
    n, k, kind, name = inside["n"], inside["k"], inside["list"], inside["name"]
    where = [f"Exercise {int(n) + 1}"]
    field = f"e{n}."
    if kind:
        where.append(f"{'set to film' if kind == 'film' else kind} {int(k) + 1}")
        field += f"{kind}{k}."
    if name:
        where.append(_WORDS.get(name, name.replace("_", " ")))
    field += name or {"film": "view", None: "exercise"}.get(kind, "measure")
    return FormFault(words=f"{', '.join(where)}: {words}", field=field)


def _word(key: str) -> str:
    words = _WORDS.get(key, key.replace("_", " "))
    return words[:1].upper() + words[1:]


_FIELD = re.compile(
    r"e(?P<n>\d{1,2})\.(?:(?P<kind>target|limit|film)(?P<k>\d{1,2})\.)?(?P<name>\w+)"
)


def form_from(fields: Mapping[str, list[str]], *, with_new_line: bool = False) -> Form:
    """The form as it was sent, lines without an exercise left out and the rest closed up."""
    sent = {name: (values or [""])[0].strip() for name, values in fields.items()}
    sent |= {name: " ".join(values) for name, values in fields.items() if name.endswith(".sides")}
    values = {name: sent.get(name, "") for name in HEAD}
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
    counts = []
    for n, old in enumerate(kept):
        for name in (*LINE_TEXTS, *LINE_NUMBERS, *LINE_TICKS, "sides", *TEMPO):
            values[f"e{n}.{name}"] = sent.get(f"e{old}.{name}", "")
        rows = []
        for kind, names, must in (
            ("target", ("measure", "source", *BOUND_NUMBERS), "measure"),
            ("limit", ("measure", "source", "words", *BOUND_NUMBERS), "measure"),
            ("film", ("set_number", "view"), "view"),
        ):
            used = [k for k in range(MOST_ROWS) if sent.get(f"e{old}.{kind}{k}.{must}")]
            for k, was in enumerate(used):
                for name in names:
                    values[f"e{n}.{kind}{k}.{name}"] = sent.get(f"e{old}.{kind}{was}.{name}", "")
            rows.append(len(used))
        counts.append(tuple(rows))
    if (with_new_line or not counts) and len(counts) < MOST_LINES:
        counts.append((0, 0, 0))
    return _form(values, counts)


def new_form(initials: str, today: date) -> Form:
    """An empty form with one line."""
    values = {"involved_side": "", "valid_from": today.isoformat(), "prescribed_by": initials}
    return _form(values, [(0, 0, 0)])


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


def _line(values: Mapping[str, str], n: int) -> PrescribedExercise:
    at = f"e{n}."
    numbers = {name: _number(values.get(at + name, "")) for name in LINE_NUMBERS}
    tempo = [_number(values.get(at + name, "")) for name in TEMPO]
    has_tempo = any(x is not None for x in tempo)
    return PrescribedExercise(
        **{name: values.get(at + name, "") for name in LINE_TEXTS},
        **numbers,
        **{name: bool(values.get(at + name, "")) for name in LINE_TICKS},
        tempo=Tempo(**dict(zip(TEMPO, tempo, strict=True))) if has_tempo else None,
        sides=tuple(values.get(at + "sides", "").split()) or ("both",),
        targets=_bounds(values, at + "target", Bound),
        limits=_bounds(values, at + "limit", Limit),
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

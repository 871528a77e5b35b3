"""The faults of a prescription's text, told in the words of its form and led to its fields."""

import re
from collections.abc import Iterable
from dataclasses import dataclass

from formcheck.files.exercise_files import exercise_ids
from formcheck.model.measures import MEASURES
from formcheck.web.clinician.prescription_form import COMMON, HEAD, MOST_ROWS, Form, applied
from formcheck.words import wording

_WORDS = {
    "involved_side": "involved side",
    "prescribed_by": "your initials",
    "valid_from": "valid from",
    "review_on": "review on",
    "surgery_on": "date of surgery",
    "hold_s": "hold",
    "cue_at_limit": "sound near the limit",
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
    "source": "source",
}
"""Key of the file -> the form's own word, where they differ."""

_FAULT = re.compile(r"(?:\d+: )?(?P<path>[a-z_]+(?:[.\[][\w.\[\]]*)?): (?P<words>.+)", re.S)
_PATH = re.compile(
    r"exercises\[(?P<n>\d+)\](?:\.(?P<list>target|limit|film)s?\[(?P<k>\d+)\])?"
    r"(?:\.tempo)?(?:\.(?P<name>\w+))?"
)


_KEY = re.compile(r"\b[a-z]+(?:_[a-z0-9]+)+\b")


def _named(key: re.Match[str]) -> str:
    """The name of a measure or an exercise in place of its key."""
    if key[0] in MEASURES:
        return wording.label(key[0])
    return wording.exercise_name(key[0]) if key[0] in exercise_ids() else key[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class FormFault:
    """What is wrong in the form's words, and the id of the field that it is about."""

    words: str
    field: str


def form_faults(told: Iterable[str], form: Form) -> list[FormFault]:
    """The faults of a form's text; one that comes from what holds for every exercise, once."""
    faults = [form_fault(f.removeprefix("prescription:").strip(), form) for f in told]
    return list(dict.fromkeys(faults))


def form_fault(fault: str, form: Form | None = None) -> FormFault:
    """A fault of the file's rules, told of the form: no line number, no key."""
    found = _FAULT.fullmatch(fault)
    if found is None:
        return FormFault(words=fault, field="")
    path = found["path"]
    words = found["words"].replace("; write one, without quotes", "").removeprefix("is ")
    words = words.replace('"" is not allowed', "nothing was chosen")
    for key in ("at_least", "at_most", "pain_limit", "hold_s", "source"):
        words = words.replace(f"{key} =", _WORDS[key]).replace(key, _WORDS[key])
    words = _KEY.sub(_named, words)
    inside = _PATH.fullmatch(path)
    if inside is None:
        field = path if path in HEAD else "h-add" if path == "exercises" else ""
        return FormFault(words=f"{_word(path)}: {words}", field=field)
    n, k, kind, name = int(inside["n"]), inside["k"], inside["list"], inside["name"]
    if form is not None and name in COMMON and not form.values.get(f"e{n}.{name}"):
        return FormFault(
            words=f"Every exercise, {_word(name, False)}: {words}", field=f"all.{name}"
        )
    if form is not None and not name and kind is None and words.startswith("has no pain limit"):
        return FormFault(words=f"Every exercise: {words}", field="all.pain_limit")
    where, field = [f"Exercise {n + 1}"], f"e{n}."
    if kind == "limit" and (row := _precaution(form, n, int(k))) is not None:
        # Said once, unless it is about the sets to film of this exercise.
        of_all = f"Precaution {row + 1}"
        where = [f"{where[0]}, {of_all.lower()} of all"] if "film" in words else [of_all]
        field = f"all.limit{row}."
    elif kind:
        names = {"film": "set to film", "limit": "precaution"}
        where.append(f"{names.get(kind, kind)} {int(k) + 1}")
        field += f"{kind}{k}."
    if name:
        where.append(_word(name, False))
    field += name or {"film": "view", None: "sets"}.get(kind, "measure")
    if name == "exercise":
        field = f"e{n}.sets"
    return FormFault(words=f"{', '.join(where)}: {words}", field=field)


def _precaution(form: Form | None, n: int, k: int) -> int | None:
    """The row of the precautions that the k-th limit of a line comes from; None: its own."""
    if form is None:
        return None
    own = sum(bool(form.values.get(f"e{n}.limit{i}.measure")) for i in range(MOST_ROWS))
    rows = [row for row, _ in applied(form.values, n)]
    return rows[k - own] if own <= k < own + len(rows) else None


def _word(key: str, is_first: bool = True) -> str:
    words = _WORDS.get(key, key.replace("_", " "))
    return words[:1].upper() + words[1:] if is_first else words

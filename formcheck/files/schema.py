"""What clinicians write, into records: types, rules, version; and the JSON Schemas.

All faults of a file come out at once, each as `file:line: dotted.path: what is wrong; mend`.
"""

import json
from collections.abc import Callable, Hashable, Iterator, Mapping
from dataclasses import is_dataclass
from functools import cache
from pathlib import Path as FilePath
from types import UnionType
from typing import Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from formcheck.files.exercise_files import exercise_ids, exercise_text
from formcheck.files.exercise_rules import exercise_faults
from formcheck.files.file_rules import Fault, Path, did_you_mean
from formcheck.files.prescription_rules import prescription_faults
from formcheck.files.question_rules import (
    question_faults,
    shipped_questions_text,
    with_shipped_signs,
)
from formcheck.files.schema_version import is_newer_minor, schema_fault, warn_newer_minor
from formcheck.files.toml_lines import TomlFault, dotted, line_of, read_toml
from formcheck.model.errors import FileError, FormcheckError
from formcheck.model.measures import MEASURES
from formcheck.model.programme import (
    EXERCISE_SCHEMA,
    FEATURES,
    MOST_PRESCRIBED,
    PRESCRIPTION_SCHEMA,
    TEMPLATE_SCHEMA,
    Exercise,
    Prescription,
    ProgrammeTemplate,
)
from formcheck.model.safety import QUESTIONS_SCHEMA, Questions

Kind = Literal["exercise", "prescription", "template", "questions"]
KINDS: tuple[Kind, ...] = ("exercise", "prescription", "template", "questions")
_RECORD: dict[Kind, type] = {
    "exercise": Exercise,
    "prescription": Prescription,
    "template": ProgrammeTemplate,
    "questions": Questions,
}
_NEWEST: dict[Kind, str] = {
    "exercise": EXERCISE_SCHEMA,
    "prescription": PRESCRIPTION_SCHEMA,
    "template": TEMPLATE_SCHEMA,
    "questions": QUESTIONS_SCHEMA,
}

_Kind = TypeVar("_Kind")


def parse_exercise(text: str, file: str) -> Exercise:
    """The exercise that a TOML text holds; `file` names it in faults.

    Raises FileError with every fault of the file.
    """
    exercise: Exercise = _parse("exercise", text, file)
    return exercise


def parse_prescription(text: str, file: str, *, is_kept: bool = False) -> Prescription:
    """The prescription that a TOML text holds; `file` names it in faults.

    A line's exercise is an id of the catalogue, or the path of an exercise file (ending in
    .toml) from the prescription's own folder. is_kept : the text was taken in before, by the
    rules of its day, and only its form is looked at: a rule that came later locks nobody out.
    Raises FileError with every fault of the file.
    """
    prescription: Prescription = _parse("prescription", text, file, has_rules=not is_kept)
    return prescription


def parse_template(text: str, file: str) -> ProgrammeTemplate:
    """The programme to begin from that a TOML text holds; `file` names it in faults.

    Its lines follow the rules of a prescription's. Raises FileError with every fault of the file.
    """
    template: ProgrammeTemplate = _parse("template", text, file)
    return template


def parse_questions(text: str, file: str) -> Questions:
    """The questions to patients that a TOML text holds; `file` names it in faults.

    Raises FileError with every fault of the file.
    """
    questions: Questions = _parse("questions", text, file)
    return questions


def parse_kept_questions(text: str, file: str) -> Questions:
    """The questions of a text that was kept or received, whichever version checked it then: what
    the questions of this version ask besides is asked too.

    Raises FileError for a text that is none, or whose groups ask what it does not hold.
    """
    questions: Questions = _parse("questions", text, file, has_rules=False)
    known = with_shipped_signs(questions, parse_questions(shipped_questions_text(), file))
    unknown = {n for g in known.groups for n in g.questions} - set(known.by_id)
    if unknown:
        raise file_error(file, (f"{file}: there is no question {', '.join(sorted(unknown))}",))
    return known


PARSERS: Mapping[str, Callable[[str, str], Any]] = {
    "exercise": parse_exercise,
    "prescription": parse_prescription,
    "template": parse_template,
    "questions": parse_questions,
}
"""The reader of each kind of file."""


def prescription_advice(text: str, file: str) -> tuple[str, ...]:
    """What a colleague would ask about a sound prescription or template, each with its line."""
    from formcheck.files.prescription_advice import advice

    if file_kind(text) == "template":
        record = parse_template(text, file).as_prescription()
    else:
        record = parse_prescription(text, file, is_kept=True)
    named = {
        name
        for line in record.exercises
        for name in (line.exercise, line.easier, line.harder)
        if name
    }
    known = {name: _known_exercise(name, file) for name in named}
    found = advice(record, {name: e for name, e in known.items() if e is not None})
    return _told(list(found), file, read_toml(text)[1])


def _known_exercise(name: str, file: str) -> Exercise | None:
    from formcheck.files.exercises import load_exercise

    try:
        return load_exercise(exercise_path(name, file) if name.endswith(".toml") else name)
    except FormcheckError:
        return None


def file_kind(text: str) -> Kind | None:
    """Which kind of file a text says it is, or None when its schema line does not tell."""
    try:
        found = read_toml(text)[0].get("schema")
    except TomlFault:
        return None
    for kind in KINDS:
        if isinstance(found, str) and found.startswith(f"formcheck.{kind}/"):
            return kind
    return None


def file_error(file: str, faults: tuple[str, ...]) -> FileError:
    """The error that carries a file's faults, with a one-line message."""
    rest = len(faults) - 1
    more = "" if not rest else f" (and {rest} more)"
    return FileError(faults[0] + more, faults)


def exercise_path(name: str, beside: str) -> FilePath:
    """Where an exercise file named in a prescription lies: from the prescription's folder."""
    return FilePath(beside).parent / name


def _parse(kind: Kind, text: str, file: str, *, has_rules: bool = True) -> Any:
    try:
        data, lines = read_toml(text)
    except TomlFault as fault:
        what = f"{file}:{fault.line}: {dotted(())}: is not TOML: {fault}; mend this line first"
        raise file_error(file, (what,)) from None
    version = schema_fault(data.get("schema"), _NEWEST[kind])
    if version:
        raise file_error(file, (f"{file}:{line_of(lines, ('schema',))}: schema: {version}",))
    if is_newer_minor(data["schema"], _NEWEST[kind]):
        warn_newer_minor(file, data["schema"], _NEWEST[kind])
        _leave_out_unknown(data, _RECORD[kind])
    rows = data.get("exercises")
    if (
        kind in ("prescription", "template")
        and isinstance(rows, list)
        and len(rows) > MOST_PRESCRIBED
    ):
        what = f"holds {len(rows)} exercises; give at most {MOST_PRESCRIBED}"
        faults = [Fault(path=("exercises", MOST_PRESCRIBED), what=what)]
        raise file_error(file, _told(faults, file, lines))
    record, faults = _record(kind, data)
    if has_rules:
        faults += _rule_faults(kind, data, file)
    if faults:
        raise file_error(file, _told(faults, file, lines))
    return record


def _told(faults: list[Fault], file: str, lines: Mapping[Path, int]) -> tuple[str, ...]:
    placed = sorted({(line_of(lines, f.path), dotted(f.path), f.what) for f in faults})
    return tuple(f"{file}:{line}: {path}: {what}" for line, path, what in placed)


def _rule_faults(kind: Kind, data: dict[str, Any], file: str) -> list[Fault]:
    ids = exercise_ids()
    if kind == "exercise":
        return list(exercise_faults(data, ids))
    if kind == "questions":
        return list(question_faults(data))
    return list(prescription_faults(data, lambda name: _raw_exercise(name, file), ids))


def _raw_exercise(name: str, file: str) -> dict[str, Any] | None:
    """The raw mapping of an exercise that a prescription names, or None."""
    try:
        if name.endswith(".toml"):
            return read_toml(exercise_path(name, file).read_text(encoding="utf-8"))[0]
        return read_toml(exercise_text(name))[0] if name in exercise_ids() else None
    except (OSError, UnicodeDecodeError, TomlFault):
        return None


# -- types


def _record(kind: Kind, data: dict[str, Any]) -> tuple[Any, list[Fault]]:
    from pydantic import ValidationError

    faults = list(_odd_values(data, ())) + list(_unknown_keys(data, _RECORD[kind], ()))
    try:
        # JSON, strictly: a list is a tuple and 3 is 3.0, but "3" is no number.
        record = _adapter(kind).validate_json(json.dumps(data, default=_as_json), strict=True)
    except ValidationError as error:
        unknown = {f.path for f in faults}
        return None, faults + [
            Fault(path=tuple(e["loc"]), what=_plain(e))
            for e in error.errors(include_url=False)
            if tuple(e["loc"]) not in unknown and not _is_counted_short(e, data)
        ]
    return record, faults


def _adapter(kind: Kind) -> Any:
    return _adapter_of(_RECORD[kind])


def _as_json(value: Any) -> str:
    return str(value.isoformat())


def _odd_values(value: object, at: Path) -> Iterator[Fault]:
    """Values that TOML knows and no record holds: nan and inf."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _odd_values(item, (*at, key))
    elif isinstance(value, list):
        for n, item in enumerate(value):
            yield from _odd_values(item, (*at, n))
    elif isinstance(value, float) and (value != value or abs(value) == float("inf")):
        yield Fault(path=at, what=f"{value} is no number to work with; write a plain number")


def _unknown_keys(data: object, kind: object, at: Path) -> Iterator[Fault]:
    """Keys that the records do not have, each with the nearest one that they do have."""
    record = _dataclass_in(kind)
    if record is not None and isinstance(data, dict):
        hints = get_type_hints(record)
        for key, value in data.items():
            if key in hints:
                yield from _unknown_keys(value, hints[key], (*at, key))
            else:
                mend = did_you_mean(key, list(hints)) or "leave it out"
                yield Fault(path=(*at, key), what=f'there is no key "{key}" here; {mend}')
    elif isinstance(data, list):
        inner = [a for a in get_args(kind) if a is not Ellipsis]
        for n, item in enumerate(data):
            for each in inner:
                yield from _unknown_keys(item, each, (*at, n))


def _leave_out_unknown(data: dict[str, Any], record: type) -> None:
    for fault in list(_unknown_keys(data, record, ())):
        place: Any = data
        for part in fault.path[:-1]:
            place = place[part]
        del place[fault.path[-1]]


def _dataclass_in(kind: object) -> type | None:
    if get_origin(kind) in (Union, UnionType):
        return next((a for a in get_args(kind) if isinstance(a, type) and is_dataclass(a)), None)
    return kind if isinstance(kind, type) and is_dataclass(kind) else None


def _is_counted_short(error: Mapping[str, Any], data: object) -> bool:
    """Whether a list is called too short only because entries with faults were not counted."""
    if error["type"] != "too_short":
        return False
    given: Any = data
    for part in error["loc"]:
        given = given[part]
    return bool(len(given) >= error["ctx"]["min_length"])


def _plain(error: Mapping[str, Any]) -> str:
    """A type fault in plain words, with the mend."""
    given, about = error["input"], error.get("ctx", {})
    shown = json.dumps(given, ensure_ascii=False, default=str)
    shown = shown if len(shown) <= 60 else shown[:57] + "..."
    match error["type"]:
        case "missing":
            return "is missing; add it"
        case "literal_error":
            known = about["expected"].replace("'", "").replace(" or ", ", ").split(", ")
            return f"{shown} is not allowed; {did_you_mean(str(given), known)}".rstrip("; ")
        case "int_type" | "int_from_float" | "int_parsing":
            return f"{shown} is not a whole number; write one, without quotes"
        case "float_type" | "float_parsing" | "finite_number":
            return f"{shown} is not a number; write one, without quotes"
        case "bool_type" | "bool_parsing":
            return f"{shown} is neither true nor false; write true or false, without quotes"
        case "string_type":
            return f"{shown} is not text; put it in quotes"
        case "string_too_short":
            return "is empty; write some text"
        case "too_short":
            n = about["min_length"]
            return f"holds too few entries; give at least {n}"
        case "too_long":
            return f"holds too many entries; give at most {about['max_length']}"
        case "string_too_long":
            return f"{shown} is too long; write at most {about['max_length']} letters"
        case "greater_than":
            return f"{shown} is too small; give more than {about['gt']:g}"
        case "greater_than_equal":
            return f"{shown} is too small; give at least {about['ge']:g}"
        case "less_than_equal":
            return f"{shown} is too large; give at most {about['le']:g}"
        case "tuple_type" | "list_type":
            return f"{shown} is not a list; put it in square brackets"
        case "dict_type" | "dataclass_type":
            return f"{shown} is not a table; write keys with their values"
        case kind if kind.startswith("date"):
            return f"{shown} is not a date; write it as year-month-day, for instance 2025-03-31"
    return f"{error['msg'][:1].lower()}{error['msg'][1:]}; mend the value {shown}"


# -- JSON Schemas, for editors that complete the files


def json_schema(kind: Kind) -> dict[str, Any]:
    """The JSON Schema of a kind of file: closed records, measures and exercises by name."""
    schema: dict[str, Any] = _adapter(kind).json_schema()
    records = {_RECORD[kind].__name__: schema, **schema.get("$defs", {})}
    for name, record in records.items():
        _finish(record, name)
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = f"formcheck {kind} file"
    return schema


def json_schema_text(kind: Kind) -> str:
    """The JSON Schema as it is shipped."""
    return json.dumps(json_schema(kind), indent=2, ensure_ascii=False) + "\n"


def _finish(record: dict[str, Any], name: str) -> None:
    properties = record.get("properties", {})
    if record.get("type") == "object" and properties:
        record["additionalProperties"] = False
    if record.get("description"):
        record["description"] = " ".join(record["description"].split())
    for key, property_ in properties.items():
        # TOML has no null: what may be missing is left out instead.
        if "anyOf" in property_:
            kept = [p for p in property_["anyOf"] if p.get("type") != "null"]
            if len(kept) == 1:
                property_.pop("anyOf")
                property_.update(kept[0])
        if property_.get("default", "") is None:
            property_.pop("default")
        _name_choices(name, key, property_)


def _name_choices(record: str, key: str, property_: dict[str, Any]) -> None:
    if record in ("Bound", "Limit") and key == "measure":
        property_["enum"] = list(MEASURES)
    elif (record, key) == ("ExerciseView", "measures"):
        property_["items"] = {"type": "string", "enum": list(MEASURES)}
    elif (record, key) == ("LookFor", "feature"):
        property_["enum"] = [*FEATURES, *MEASURES]
    elif (record, key) == ("PrescribedExercise", "exercise"):
        property_["anyOf"] = [{"enum": list(exercise_ids())}, {"pattern": r"\.toml$"}]
    elif key == "schema":
        newest = next(_NEWEST[k] for k in KINDS if _RECORD[k].__name__ == record)
        property_["default"] = newest
        property_["pattern"] = "^" + newest.rpartition(".")[0].replace(".", r"\.") + r"\.\d+$"
    if key in ("rest", "turn") and record == "Figure":
        property_["description"] = "joint = [x, y], in a box 100 wide and 100 high, floor at 0"


# -- any record as JSON


def record_to_mapping(record: object) -> dict[str, Any]:
    """A frozen record as a mapping of plain JSON values."""
    mapping: dict[str, Any] = _adapter_of(type(record)).dump_python(record, mode="json")
    return mapping


def _adapter_of(kind: Any) -> Any:
    return _adapter_kept(kind)


@cache
def _adapter_kept(kind: Hashable) -> Any:
    from pydantic import TypeAdapter

    adapted: Any = kind
    return TypeAdapter(adapted)


def record_from_mapping(kind: type[_Kind], mapping: object, file: str) -> _Kind:
    """The record of this kind that a mapping holds.

    Raises FileError with every fault, each with its dotted path.
    """
    from pydantic import ValidationError

    try:
        record: _Kind = _adapter_of(kind).validate_json(json.dumps(mapping), strict=True)
    except ValidationError as error:
        faults = tuple(
            f"{file}: {dotted(tuple(e['loc']))}: {_plain(e)}"
            for e in error.errors(include_url=False)
            if not _is_counted_short(e, mapping)
        )
        raise file_error(file, faults) from None
    return record

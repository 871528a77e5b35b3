"""Exercise and prescription records as TOML text, the inverse of schema.py's reading."""

from collections.abc import Iterator
from dataclasses import MISSING, fields, is_dataclass
from datetime import date
from typing import Any

from formcheck.model.programme import Exercise, Prescription, SourcedNumber, Tempo, UsualRange

_INLINE = (SourcedNumber, Tempo, UsualRange)
_ESCAPES = {
    "\\": "\\\\",
    '"': '\\"',
    "\n": "\\n",
    "\t": "\\t",
    "\r": "\\r",
    "\b": "\\b",
    "\f": "\\f",
}


def to_toml(record: Exercise | Prescription) -> str:
    """The file of a record; reading it gives an equal record. Values at their default are left
    out."""
    return "\n".join(_table(record, "")).strip("\n") + "\n"


def _table(record: Any, path: str) -> list[str]:
    """Plain values first, then tables: TOML gives a key after a header to that table."""
    plain: list[str] = []
    tables: list[str] = []
    for key, value in _kept(record):
        inner = f"{path}.{key}" if path else key
        if isinstance(value, tuple) and value and is_dataclass(value[0]):
            for item in value:
                tables += ["", f"[[{inner}]]", *_table(item, inner)]
        elif is_dataclass(value) and not isinstance(value, _INLINE):
            tables += ["", f"[{inner}]", *_table(value, inner)]
        elif isinstance(value, dict):
            tables += ["", f"[{inner}]", *(f"{_key(k)} = {_value(v)}" for k, v in value.items())]
        else:
            plain.append(f"{key} = {_value(value)}")
    return plain + tables


def _kept(record: Any) -> Iterator[tuple[str, Any]]:
    for f in fields(record):
        value = getattr(record, f.name)
        default = f.default if f.default is not MISSING else MISSING
        if f.default_factory is not MISSING:
            default = f.default_factory()
        if value is not None and (default is MISSING or value != default):
            yield f.name, value


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        # repr gives the shortest digits that read back equal; 10.0 reads better as 10.
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, tuple):
        one_line = "[" + ", ".join(_value(v) for v in value) + "]"
        if len(one_line) <= 88:
            return one_line
        return "[\n" + "".join(f"  {_value(v)},\n" for v in value) + "]"
    if is_dataclass(value):
        return "{ " + ", ".join(f"{k} = {_value(v)}" for k, v in _kept(value)) + " }"
    return str(value)


def _key(key: str) -> str:
    return key if key.replace("_", "").replace("-", "").isalnum() and key.isascii() else _text(key)


def _text(text: str) -> str:
    out = "".join(
        _ESCAPES.get(c) or (f"\\u{ord(c):04x}" if ord(c) < 32 or ord(c) == 127 else c) for c in text
    )
    return f'"{out}"'

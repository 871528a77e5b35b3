"""JSON from outside: what another program or another machine wrote, read narrowly."""

import json
import math
from typing import Any, NoReturn

MOST_DEPTH = 20
"""Lists and mappings inside each other; ours go to 5."""


def _refuse(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number of JSON")


def _sound(value: Any, depth: int = 0) -> None:
    if depth > MOST_DEPTH:
        raise ValueError("nested too deeply")
    if isinstance(value, str):
        value.encode("utf-8")  # half of a pair (a surrogate) is no text
        if "\0" in value:
            raise ValueError("a text holds a NUL")
    elif isinstance(value, dict):
        for name, of in value.items():
            _sound(name, depth + 1)
            _sound(of, depth + 1)
    elif isinstance(value, list):
        for of in value:
            _sound(of, depth + 1)
    elif isinstance(value, float) and not math.isfinite(value):
        raise ValueError("a number is too large")
    elif type(value) is int and abs(value) >= 1 << 63:
        raise ValueError("a whole number is too large")


def read_json(content: bytes | str) -> Any:
    """The value of a JSON text in UTF-8.

    Raises ValueError when it is none, is nested deeper than ours, holds NaN or an infinity, a
    whole number beyond 64 bits, or text that could not be written again.
    """
    try:
        text = content if isinstance(content, str) else content.decode("utf-8")
        value = json.loads(text, parse_constant=_refuse)
        _sound(value)
    except RecursionError:
        raise ValueError("nested too deeply") from None
    return value

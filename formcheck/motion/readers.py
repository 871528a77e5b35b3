"""Which function reads which measure: each function names its measures where it is written."""

from collections.abc import Callable

from formcheck.model.codes import RefusalCode
from formcheck.model.measures import MEASURES
from formcheck.model.records import Measured
from formcheck.motion.circumstances import Setting

Read = Measured | RefusalCode
"""A measure with its interval, or the code of why it cannot be had."""
Reader = Callable[[str, Setting], Read]

READERS: dict[str, Reader] = {}


def reads(*keys: str) -> Callable[[Reader], Reader]:
    """Says of a function of (key, setting) that it reads these measures.

    Raises ValueError for a key that is not in the vocabulary, or that is read already.
    """

    def register(reader: Reader) -> Reader:
        for key in keys:
            if key not in MEASURES or key in READERS:
                raise ValueError(f"{key} is no measure, or another function reads it")
            READERS[key] = reader
        return reader

    return register

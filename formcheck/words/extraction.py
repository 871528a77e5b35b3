"""Messages that stand in files of data, for Babel's extraction: exercises, questions, measures."""

import tomllib
from collections.abc import Iterator
from typing import IO, Any

from formcheck.words.wording import exercise_name

Message = tuple[int, str, str, list[str]]
"""Line, function, message and comments, as Babel's extractors yield them."""


def exercise_messages(
    file: IO[bytes], keywords: Any, comment_tags: Any, options: Any
) -> Iterator[Message]:
    """What a patient reads of an exercise file, its id as a heading among it."""
    data = tomllib.load(file)
    texts = [exercise_name(data["id"]), data["name"], data["summary"], data["camera"]]
    for name in ("cues", "cautions", "cannot_tell", "parts"):
        texts += data.get(name, [])
    texts += [look["text"] for look in data.get("look_for", [])]
    return _messages(texts)


def question_messages(
    file: IO[bytes], keywords: Any, comment_tags: Any, options: Any
) -> Iterator[Message]:
    """The questions of the shipped file and what stands over them."""
    data = tomllib.load(file)
    texts = [g["legend"] for g in data["groups"]] + [q["words"] for q in data["questions"]]
    return _messages(texts)


def measure_messages(
    file: IO[bytes], keywords: Any, comment_tags: Any, options: Any
) -> Iterator[Message]:
    """The measures in a patient's words."""
    from formcheck.model.measures import MEASURES

    return _messages([measure.patient_label for measure in MEASURES.values()])


def _messages(texts: list[str]) -> Iterator[Message]:
    return ((1, "gettext", text, []) for text in texts if text)

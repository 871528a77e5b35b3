"""The messages that a page's scripts use, in the language of the page.

Scripts tell their words by `_("...")` (`static/words.js`) and fall back to English; a page in
another language brings what its own scripts ask for, and no more.
"""

import json
import re
from functools import cache
from pathlib import Path

from babel.messages.extract import extract_from_file

from formcheck.words.languages import DEFAULT, current, gettext

STATIC = Path(__file__).parent / "static"
_IMPORT = re.compile(r'^import [^;]*? from "(?:\./|/static/)([\w.]+)";', re.MULTILINE)


@cache
def messages_of(name: str) -> tuple[str, ...]:
    """The messages of a script and of all that it imports."""
    path = STATIC / name
    options = {"parse_template_string": True}
    read = extract_from_file("javascript", path, keywords={"_": None}, options=options)
    found = [message for _, message, _, _ in read]
    for other in _IMPORT.findall(path.read_text("utf-8")):
        found.extend(messages_of(other))
    return tuple(dict.fromkeys(str(message) for message in found))


def script_words(*names: str) -> str:
    """What the scripts of these names say, as JSON from English; empty where that is the language.

    It may stand in a page as it is: it holds no `<`.
    """
    if current().tag == DEFAULT:
        return ""
    told = {m: gettext(m) for name in names for m in messages_of(name)}
    return json.dumps(told, ensure_ascii=False).replace("<", "\\u003c")

"""Where each key of a TOML text stands: path -> line, so that a fault can name its place."""

import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping
from typing import Any

Path = tuple[str | int, ...]
"""Keys and list positions (from 0) from the top of the file down."""

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACES = re.compile(r"[ \t]*")
_SCALAR = re.compile(r"[^,\]}#\n]*")
_STRINGS = (
    re.compile(r'"""(?:\\.|[^\\])*?"{3,5}', re.DOTALL),
    re.compile(r"'''.*?'{3,5}", re.DOTALL),
    re.compile(r'"(?:\\.|[^"\\\n])*"'),
    re.compile(r"'[^'\n]*'"),
)
_PLACE = re.compile(r"^(?P<what>.*?) \(at (?:line (?P<line>\d+), column \d+|end of document)\)$")


class TomlFault(ValueError):
    """The text is not TOML; `line` is where reading stopped."""

    def __init__(self, what: str, line: int) -> None:
        super().__init__(what)
        self.line = line


def read_toml(text: str) -> tuple[dict[str, Any], dict[Path, int]]:
    """The mapping that a TOML text holds, and the line of every key and list item in it.

    Raises TomlFault where the text is not TOML.
    """
    text = text.removeprefix("\ufeff").replace("\r\n", "\n")
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise TomlFault("lists or tables are nested far too deep", 1) from None
    except ValueError as error:
        last = text.count("\n") + (0 if text.endswith("\n") else 1)
        if not isinstance(error, tomllib.TOMLDecodeError):
            raise TomlFault("a number has far too many digits", 1) from None
        place = _PLACE.match(str(error))
        if place is None:
            raise TomlFault(str(error), max(last, 1)) from None
        raise TomlFault(place["what"], int(place["line"] or max(last, 1))) from None
    return data, _Lines(text).found


def line_of(lines: Mapping[Path, int], path: Path) -> int:
    """The line of a path, or of the nearest part above it that the file holds."""
    for n in range(len(path), 0, -1):
        if path[:n] in lines:
            return lines[path[:n]]
    return 1


def dotted(path: Path) -> str:
    """A path as people write it: views[0].measures[2], positions from 0."""
    out = ""
    for part in path:
        out += f"[{part}]" if isinstance(part, int) else f".{part}" if out else part
    return out or "(whole file)"


def _end(form: re.Pattern[str], text: str, at: int) -> int:
    """Where what stands at a place ends; nothing of the form ends where it begins."""
    found = form.match(text, at)
    return found.end() if found else at


class _Lines:
    """One walk over a text that is known to be TOML."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.starts = [m.end() for m in re.finditer(r"\n", text)]
        self.found: dict[Path, int] = {}
        self.n_tables: dict[Path, int] = {}
        at = self._blank(0)
        table: Path = ()
        while at < len(text):
            if text[at] == "[":
                table, at = self._header(at)
            else:
                at = self._pair(at, table)
            at = self._blank(at)

    def _blank(self, at: int) -> int:
        return _end(_BLANK, self.text, at)

    def _spaces(self, at: int) -> int:
        return _end(_SPACES, self.text, at)

    def _note(self, path: Path, at: int) -> None:
        self.found.setdefault(path, bisect_right(self.starts, at) + 1)

    def _key(self, at: int) -> tuple[list[str], int]:
        keys = []
        while True:
            at = self._spaces(at)
            if self.text[at] in "\"'":
                end = self._string(at)
                keys.append(tomllib.loads(f"k = {self.text[at:end]}")["k"])
            else:
                end = _end(_BARE_KEY, self.text, at)
                keys.append(self.text[at:end])
            at = self._spaces(end)
            if self.text[at] != ".":
                return keys, at
            at += 1

    def _header(self, at: int) -> tuple[Path, int]:
        is_array = self.text.startswith("[[", at)
        keys, end = self._key(at + (2 if is_array else 1))
        path: Path = ()
        for n, key in enumerate(keys):
            path += (key,)
            if is_array and n == len(keys) - 1:
                index = self.n_tables.get(path, 0)
                self.n_tables[path] = index + 1
                self._note(path, at)
                path += (index,)
            elif path in self.n_tables:
                path += (self.n_tables[path] - 1,)
            self._note(path, at)
        return path, end + (2 if is_array else 1)

    def _pair(self, at: int, table: Path) -> int:
        keys, end = self._key(at)
        path = table
        for key in keys:
            path += (key,)
            self._note(path, at)
        return self._value(self._spaces(end + 1), path)

    def _string(self, at: int) -> int:
        return next(m for m in (s.match(self.text, at) for s in _STRINGS) if m).end()

    def _value(self, at: int, path: Path) -> int:
        opening = self.text[at]
        if opening in "\"'":
            return self._string(at)
        if opening == "[":
            return self._items(at + 1, path)
        if opening == "{":
            at = self._blank(at + 1)
            while self.text[at] != "}":
                at = self._blank(self._pair(at, path))
                at = self._blank(at + 1) if self.text[at] == "," else at
            return at + 1
        return _end(_SCALAR, self.text, at)

    def _items(self, at: int, path: Path) -> int:
        index, at = 0, self._blank(at)
        while self.text[at] != "]":
            self._note((*path, index), at)
            at = self._blank(self._value(at, (*path, index)))
            at = self._blank(at + 1) if self.text[at] == "," else at
            index += 1
        return at + 1

"""The documents of `formcheck/docs`: which there are and for whom, as HTML, and found by words.

All of it in the language that is told just now: a page NAME stands in English in `NAME.md`, in
another language in `TAG/NAME.md`, or there too in English.

Markdown is rendered here, on the server, with raw HTML off: a page has no script and no style of
its own. Search is a full-text index in memory, so it needs no network and no script either.
"""

import posixpath
import re
import sqlite3
import threading
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal

from formcheck.words.languages import DEFAULT, Language, current, gettext, language, use

DOCS = Path(__file__).parent.parent / "docs"
Reader = Literal["patient", "clinician"]

MOST_FOUND = 30
MOST_QUESTION = 200
"""Characters of a question that are looked at."""
_HIT, _END = "\x02", "\x03"


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """One document. `name` is its path below the documents, without suffix, and the same in every
    language; `language` is the one that it is written in."""

    name: str
    title: str
    readers: tuple[Reader, ...]
    language: Language

    @property
    def place(self) -> str:
        """Where its own text stands below the documents, without suffix."""
        return _place(self.name, self.language.tag)


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Documents for the same reader, in order. The decisions are listed by their index alone."""

    title: str
    readers: tuple[Reader, ...]
    language: Language
    pages: tuple[Page, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A section in which the words asked for stand. `excerpt` is (text, whether it was asked)."""

    page: Page
    heading: str
    anchor: str
    excerpt: tuple[tuple[str, bool], ...]


def _place(name: str, tag: str) -> str:
    return name if tag == DEFAULT else f"{tag}/{name}"


def text_of(place: str) -> str:
    """The Markdown of a page, by where it stands, without remarks to its writers."""
    text = (DOCS / f"{place}.md").read_text(encoding="utf-8")
    return re.sub(r"<!--.*?-->", "", text, flags=re.DOTALL)


def parts() -> tuple[Part, ...]:
    """All parts of the documents, for every reader, as `contents.toml` lists them."""
    return _parts(current().tag)


@cache
def _parts(tag: str) -> tuple[Part, ...]:
    listed = tomllib.loads((DOCS / "contents.toml").read_text(encoding="utf-8"))["parts"]
    found = []
    for part in listed:
        own = tag if f"title_{tag}" in part else DEFAULT
        found.append(
            Part(
                title=part.get(f"title_{own}", part["title"]),
                readers=tuple(part["readers"]),
                language=language(own),
                pages=tuple(
                    _page(path.removesuffix(".md"), part["readers"], tag) for path in part["pages"]
                ),
            )
        )
    return tuple(found)


def _page(name: str, readers: Sequence[Reader], tag: str) -> Page:
    own = tag if (DOCS / f"{_place(name, tag)}.md").exists() else DEFAULT
    title = text_of(_place(name, own)).lstrip().split("\n", 1)[0].removeprefix("# ")
    return Page(name=name, title=title, readers=tuple(readers), language=language(own))


def pages() -> dict[str, Page]:
    """Name -> page, each decision with the readers of their index."""
    return _pages(current().tag)


@cache
def _pages(tag: str) -> dict[str, Page]:
    found = {page.name: page for part in _parts(tag) for page in part.pages}
    for path in sorted((DOCS / "decisions").glob("[0-9]*.md")):
        name = f"decisions/{path.stem}"
        found[name] = _page(name, found["decisions/index"].readers, tag)
    return found


def find_page(name: str, reader: Reader) -> Page | None:
    """The page of that name, when it is there and meant for the reader."""
    page = pages().get(name)
    return page if page is not None and reader in page.readers else None


@cache
def _markdown():
    from markdown_it import MarkdownIt

    md = MarkdownIt("commonmark", {"html": False}).enable("table")
    md.renderer.rules |= {
        "table_open": lambda *_: (
            '<div class="scroll" ' + _scrolls(gettext("Table")) + ">\n<table>\n"
        ),
        "table_close": lambda *_: "</table>\n</div>\n",
        # A heading without words would be read out as one: such a corner is a plain cell.
        "th_open": lambda t, n, *_: '<th scope="col">' if t[n + 1].content else "<td>",
        "th_close": lambda t, n, *_: "</th>" if t[n - 1].content else "</td>",
    }
    fence = md.renderer.rules["fence"]
    md.renderer.rules["fence"] = lambda *given: fence(*given).replace(
        "<pre>", "<pre " + _scrolls(gettext("Lines to type or to read")) + ">", 1
    )
    return md


def _scrolls(label: str) -> str:
    """For a wide table or line of code, that scrolls by itself: also with the keys."""
    return f'tabindex="0" role="group" aria-label="{label}"'


def _tokens(page: Page) -> list:
    """The page's tokens, each heading with an id to link to."""
    tokens = _markdown().parse(text_of(page.place))
    for token, inline in zip(tokens, tokens[1:], strict=False):
        if token.type == "heading_open":
            token.attrSet("id", anchor_of(_words(inline)))
    return tokens


def anchor_of(heading: str) -> str:
    """The id of a heading, as the usual hosts of Markdown make it."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")


def _words(inline) -> str:
    """The text of a line as it is read."""
    return "".join(
        t.content if t.type in ("text", "code_inline") else " "
        for t in inline.children or ()
        if t.nesting == 0
    )


def html_of(page: Page, reader: Reader, base: str) -> str:
    """The page as HTML. `base` is the address below which the reader's documents stand; a link
    to a page that is not meant for the reader is shown as text."""
    tokens = _tokens(page)
    here = posixpath.dirname(page.place)
    for inline in tokens:
        dropped = 0
        for t in inline.children or ():
            if t.type == "image":
                path = posixpath.normpath(posixpath.join(here, str(t.attrGet("src"))))
                t.attrSet("src", f"{base}/{path}")
            elif t.type == "link_open":
                href = address(str(t.attrGet("href")), page, reader, base)
                dropped += href is None
                if href is None:
                    t.hidden, t.type = True, "text"
                else:
                    t.attrSet("href", href)
            elif t.type == "link_close" and dropped:
                dropped -= 1
                t.hidden, t.type = True, "text"
    md = _markdown()
    with use(page.language):
        return md.renderer.render(tokens, md.options, {})


def address(href: str, page: Page, reader: Reader, base: str) -> str | None:
    """Where a link of a page leads on the site, or None where the reader has no such page."""
    path, hash_sign, anchor = href.partition("#")
    if not path:
        return href
    place = posixpath.normpath(posixpath.join(posixpath.dirname(page.place), path))
    name = place.removesuffix(".md").removeprefix(f"{page.language.tag}/")
    if find_page(name, reader) is None:
        return None
    return f"{base}/{name}{hash_sign}{anchor}"


# -- search


def _sections(page: Page) -> Iterator[tuple[str, str, str]]:
    """(heading, anchor, text) of each section of a page, the text before the first heading of the
    second level with the page's title."""
    heading, anchor, lines = page.title, "", []
    tokens = _tokens(page)
    for before, token in zip([None, *tokens], tokens, strict=False):
        if before is not None and before.type == "heading_open":
            if before.tag == "h2":
                yield heading, anchor, " ".join(lines)
                heading, anchor, lines = _words(token), str(before.attrGet("id")), []
            elif before.tag != "h1":
                lines.append(_words(token))
        elif token.type == "inline":
            lines.append(_words(token))
        elif token.type == "fence":
            lines.append(token.content)
    yield heading, anchor, " ".join(lines)


class _Index:
    """The full-text index of every section of some pages. Word stems, best first (SQLite's FTS5
    and bm25). The stems are those of English; in Spanish they bring together singular and plural,
    and as all words stand in them without accents, `camara` finds `cámaras`."""

    def __init__(self, of: Sequence[Page]) -> None:
        self._lock = threading.Lock()
        self._db = sqlite3.connect(":memory:", check_same_thread=False)
        self._db.execute(
            "CREATE VIRTUAL TABLE sections USING fts5"
            "(name UNINDEXED, anchor UNINDEXED, title, heading, body, tokenize = 'porter')"
        )
        self._db.executemany(
            "INSERT INTO sections VALUES (?, ?, ?, ?, ?)",
            [
                (page.name, anchor, page.title, heading, text)
                for page in of
                for heading, anchor, text in _sections(page)
            ],
        )

    def ask(self, words: Sequence[str], how: str) -> list[tuple[str, str, str, str]]:
        """(page, anchor, heading, excerpt) of each section with all ("AND") or any ("OR") of the
        words, the last one as far as it is typed."""
        asked = [f'"{w}"' for w in words]
        asked[-1] += " *"
        with self._lock:
            return self._db.execute(
                "SELECT name, anchor, heading, snippet(sections, 4, ?, ?, '…', 26) FROM sections"
                " WHERE sections MATCH ?"
                # What to do comes before why it was decided.
                " ORDER BY name GLOB 'decisions/*', bm25(sections, 0, 0, 6, 8, 1)",
                (_HIT, _END, f" {how} ".join(asked)),
            ).fetchall()


_INDEX_LOCK = threading.Lock()


@cache
def _made_index(reader: Reader, tag: str) -> _Index:
    return _Index([page for page in _pages(tag).values() if reader in page.readers])


def search(question: str, reader: Reader) -> tuple[Found, ...]:
    """The sections that answer a question best, of the pages meant for the reader: those with all
    its words, or where there are none, those with any."""
    words = re.findall(r"\w+", question[:MOST_QUESTION].replace("\0", ""))
    if not words:
        return ()
    with _INDEX_LOCK:
        index = _made_index(reader, current().tag)
    for how in ("AND", "OR"):
        found = [
            Found(page=pages()[name], heading=heading, anchor=anchor, excerpt=_excerpt(text))
            for name, anchor, heading, text in index.ask(words, how)
        ]
        if found:
            return tuple(found[:MOST_FOUND])
    return ()


def _excerpt(text: str) -> tuple[tuple[str, bool], ...]:
    pieces = re.split(f"{_HIT}(.*?){_END}", text, flags=re.DOTALL)
    return tuple((piece, n % 2 == 1) for n, piece in enumerate(pieces) if piece)

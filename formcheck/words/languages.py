"""The languages of a patient's pages: messages, numbers and days, by the standard tools.

A message is its English text; `locale/TAG/*.po` beside this file hold the other languages, and a
message that is missing there is told in English. Messages name their values as `%(name)s` does.
"""

import io
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

from babel import Locale
from babel.dates import format_date, get_day_names
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.numbers import format_decimal, get_decimal_symbol
from babel.support import NullTranslations, Translations

LOCALE = Path(__file__).parent / "locale"
LANGUAGES = {"en": "English", "es": "Español"}
"""Tag -> the language's own name for itself, as a patient chooses it."""
DEFAULT = "en"


@dataclass(frozen=True, slots=True, kw_only=True)
class Language:
    """A language that pages are told in: its tag (BCP 47), its locale, its messages."""

    tag: str
    locale: Locale
    messages: NullTranslations

    @property
    def direction(self) -> str:
        """`ltr` or `rtl`, as HTML has it."""
        return self.locale.text_direction


@cache
def language(tag: str) -> Language:
    """The language of a tag of LANGUAGES. Raises KeyError for any other."""
    LANGUAGES[tag]
    return Language(tag=tag, locale=Locale.parse(tag), messages=_read(tag))


def _read(tag: str) -> NullTranslations:
    """The messages of all files of a language; a fuzzy one counts as missing."""
    messages = NullTranslations()
    for n, path in enumerate(sorted((LOCALE / tag).glob("*.po"))):
        with path.open("rb") as file:
            catalog = read_po(file, locale=tag)
        compiled = io.BytesIO()
        write_mo(compiled, catalog)
        compiled.seek(0)
        read = Translations(compiled)
        messages = messages.merge(read) if n else read
    return messages


_CURRENT: ContextVar[Language | None] = ContextVar("formcheck_language", default=None)


def current() -> Language:
    """The language that is told just now: English unless `use` says another."""
    return _CURRENT.get() or language(DEFAULT)


@contextmanager
def use(of: str | Language) -> Iterator[Language]:
    """Tells everything inside in this language. An unknown tag is told in English."""
    if isinstance(of, str):
        of = language(of if of in LANGUAGES else DEFAULT)
    token = _CURRENT.set(of)
    try:
        yield of
    finally:
        _CURRENT.reset(token)


def gettext(message: str, **values: Any) -> str:
    """A message in the current language; `%(name)s` in it stand for the values given."""
    told = current().messages.gettext(message) if message else ""
    return told % values if values else told


def ngettext(one: str, many: str, n: int, **values: Any) -> str:
    """A message whose wording depends on a number; `%(n)s` stands for the number."""
    return current().messages.ngettext(one, many, n) % {"n": number(n), **values}


def marked(message: str) -> str:
    """Marks a text for translation where it is only kept; it is told later, by `gettext`."""
    return message


def figure(text: str) -> str:
    """A number that is written as English writes it, with the language's own decimal sign."""
    return text.replace(".", get_decimal_symbol(current().locale))


def number(value: float, most_decimals: int = 3) -> str:
    """A number as the language writes it, without digits grouped: `1.5`, in Spanish `1,5`."""
    shown = f"#0.{'#' * most_decimals}" if most_decimals else "#0"
    return format_decimal(value, format=shown, locale=current().locale)


def day(of: date, form: str = "long") -> str:
    """A day as the language writes it; English keeps `3 March 2025`."""
    if current().tag == DEFAULT:
        return f"{of.day} {of:%B} {of.year}"
    return format_date(of, format=form, locale=current().locale)


def short_day(of: date) -> str:
    """A day without its year, short: `3 Mar`."""
    return format_date(of, format="d MMM", locale=current().locale)


def weekday(n: int) -> str:
    """The name of a day of the week, Monday 0."""
    names: Mapping[int, str] = get_day_names("wide", locale=current().locale)
    return names[n]


def weekday_letter(n: int) -> str:
    """The letter that stands for a day of the week over a column, Monday 0."""
    names: Mapping[int, str] = get_day_names("narrow", "stand-alone", locale=current().locale)
    return names[n]


def add_messages(environment: Any) -> None:
    """Lets the templates of a Jinja environment tell messages: `{{ _("Set %(n)s", n=2) }}`.

    There `%` always puts values in, so a sign of per cent is written twice.
    """
    environment.add_extension("jinja2.ext.i18n")
    environment.install_gettext_callables(
        lambda message: current().messages.gettext(message) if message else "",
        lambda one, many, n: current().messages.ngettext(one, many, n),
        newstyle=True,
    )
    environment.globals["language"] = current
    environment.filters["told"] = gettext

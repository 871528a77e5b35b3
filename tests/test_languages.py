"""The languages of a patient's pages: messages by gettext, numbers and days by locale."""

import re
from datetime import date

import pytest
from message_cases import read_catalog
from test_messages import DOMAINS, OTHERS

from formcheck.web.documents import pages, text_of
from formcheck.words import languages
from formcheck.words.languages import LANGUAGES, day, gettext, ngettext, number, use, weekday


def test_english_is_told_unless_another_language_is_used():
    assert gettext("Set %(n)s", n=3) == "Set 3"
    assert ngettext("%(n)s set", "%(n)s sets", 1) == "1 set"
    assert ngettext("%(n)s set", "%(n)s sets", 2) == "2 sets"
    assert gettext("100 % of it") == "100 % of it", "no values: nothing is put in"


def test_numbers_and_days_follow_the_locale():
    # CLDR, as Babel has it: https://cldr.unicode.org
    assert (number(1.5), day(date(2025, 3, 3)), weekday(0)) == ("1.5", "3 March 2025", "Monday")
    with use("es"):
        assert (number(1.5), number(12345)) == ("1,5", "12345")
        assert (day(date(2025, 3, 3)), weekday(0)) == ("3 de marzo de 2025", "lunes")
    assert number(2) == "2", "the language before comes back"


def test_an_unknown_tag_is_told_in_english():
    with use("zz") as told:
        assert told.tag == "en"
    with pytest.raises(KeyError):
        languages.language("zz")


@pytest.mark.parametrize("tag", LANGUAGES)
def test_every_language_names_itself_and_its_direction(tag):
    assert languages.language(tag).direction == "ltr"
    assert LANGUAGES[tag]


OF_A_PAGE = re.compile(r'\*\*(.+?)\*\*|^#+ (?:\d\. )?(.+)$|["“](.+?)["”]', flags=re.MULTILINE)
"""What Help writes as it stands on a page: in bold, as a heading, or quoted."""

NO_MESSAGE = {"English", "Español", "A patient, at home"}
"""Stands on the pages as it is, in every language."""


def _named(place: str) -> list[str]:
    return [a or b or c for a, b, c in OF_A_PAGE.findall(text_of(place))]


@pytest.mark.parametrize("tag", OTHERS)
def test_help_names_buttons_and_headings_as_the_pages_show_them(tag):
    told = {
        m.id if isinstance(m.id, str) else m.id[0]: m.string
        for domain in DOMAINS
        for m in read_catalog(domain, tag)
        if m.id
    }
    seen = set()
    for page in pages().values():
        if "patient" not in page.readers:
            continue
        english, own = _named(page.place), _named(f"{tag}/{page.place}")
        assert len(english) == len(own), page.name
        for there, here in zip(english, own, strict=True):
            whole = [there] if there in told else [m for m in told if m.startswith(f"{there}.")]
            if whole:
                seen.add(there)
                shown = [told[m] if m == there else told[m][: len(here)] for m in whole]
                assert here in shown, (page.name, there, shown)
            elif there in NO_MESSAGE:
                assert here == there, page.name
    assert len(seen) >= 35
    assert {"It hurts, stop", "Get urgent medical help now.", "Too near"} <= seen

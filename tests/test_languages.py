"""The languages of a patient's pages: messages by gettext, numbers and days by locale."""

from datetime import date

import pytest

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

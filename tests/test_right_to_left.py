"""A language that is written from right to left, and whose every message carries a mark: pages keep
their place, and what carries no mark was never given to the translators."""

import re

import pytest
from babel import Locale
from babel.support import NullTranslations
from browser_cases import page_of, running_browser
from clinic_cases import new_clinic, new_patient, new_set
from web_cases import running_site

from formcheck.clinic.patients import set_language
from formcheck.web.offline_page import offline_page
from formcheck.web.pages import HERE
from formcheck.words import languages
from formcheck.words.languages import LANGUAGES, Language

OPEN, CLOSE = "⟦", "⟧"
PHONE = {"width": 390, "height": 844}


class Marked(NullTranslations):
    """English with a mark around each message."""

    def gettext(self, message):
        return f"{OPEN}{message}{CLOSE}"

    def ngettext(self, one, many, n):
        return f"{OPEN}{one if n == 1 else many}{CLOSE}"


@pytest.fixture
def hebrew(monkeypatch):
    told = Language(tag="he", locale=Locale.parse("he"), messages=Marked())
    real = languages.language
    monkeypatch.setitem(LANGUAGES, "he", "עברית")
    monkeypatch.setattr(languages, "language", lambda tag: told if tag == "he" else real(tag))
    return told


@pytest.fixture
def site(tmp_path, hebrew):
    clinic = new_clinic(tmp_path)
    with running_site(clinic) as running:
        running.own = new_patient(clinic)
        set_language(clinic, running.own.id, "he")
        yield running
    clinic.close()


def unmarked(html: str) -> list[str]:
    """Texts of a page without a mark: the words between tags, names of things that are typed and
    names of languages left out."""
    text = re.sub(
        r"<(script|style|select|svg)\b.*?</\1>|<form[^>]*tongues.*?</form>", "", html, flags=re.S
    )
    while OPEN in text:  # a message may stand within another
        text = re.sub(rf"{OPEN}[^{OPEN}{CLOSE}]*{CLOSE}", "", text)
    found = [" ".join(t.split()) for t in re.findall(r">([^<]*)<", text, re.S)]
    return [t for t in found if re.search(r"[A-Za-z]{3}", t)]


OWN_NAME = ("formcheck", "formcheck:")


WRITTEN_BY_THE_CLINIC = (
    "Slow on the way down.",
    "Tighten the thigh before the heel leaves the floor.",
)


def test_every_word_of_every_page_is_marked_and_the_page_turned(site):
    patient = site.patient(site.own.id)
    uid = new_set(site.clinic, site.own, side="both").uid
    for path in (
        "/my",
        "/my/next-day",
        "/my/do/squat/both/1",
        "/my/do/squat/both/1/check/now",
        f"/my/sets/{uid}",
        f"/my/sets/{uid}/after",
        "/my/phone",
        "/my/none",
    ):
        page = patient.get(path).text
        if "tongues" in page:  # not where the browser is sent on
            assert '<html lang="he" dir="rtl">' in page, path
        assert set(unmarked(page)) <= {*OWN_NAME, *WRITTEN_BY_THE_CLINIC}, path


def test_the_page_for_a_phone_is_turned(site):
    page = offline_page(site.clinic, "KN-204")
    assert '<html lang="he" dir="rtl">' in page


def test_help_that_is_in_english_only_says_so_and_stays_from_left_to_right(site):
    patient = site.patient(site.own.id)
    for path in ("/my/help", "/my/help?q=camera", "/my/help/patients/camera"):
        page = patient.get(path).text
        assert '<html lang="he" dir="rtl">' in page
        assert f"{OPEN}What is in English here has not been translated yet.{CLOSE}" in page
        assert '<li lang="en" dir="ltr"><a href="/my/help/patients/camera"' in page
    article = page[page.index('<article lang="en" dir="ltr">') : page.index("</article>")]
    assert "Where to put the camera" in article
    assert OPEN not in article


def test_nothing_hangs_out_of_a_page_from_right_to_left_on_a_phone(site):
    link = site.origin + "/enter#" + site.sessions.new_link_secret("patient", site.own.id)
    with running_browser() as browser, page_of(browser, link, viewport=PHONE) as page:
        for path in ("/my", "/my/do/squat/both/1", "/my/next-day", "/my/help"):
            page.goto(site.origin + path)
            assert page.evaluate("document.documentElement.dir") == "rtl"
            width, window = page.evaluate("[document.documentElement.scrollWidth, innerWidth]")
            assert width <= window, path
            mark = page.locator("h1").first.inner_text()
            assert OPEN in mark, path


PATIENTS = sorted(
    path.name
    for path in (HERE / "templates").glob("*.j2")
    if path.name.startswith("my_")
    or path.name.partition(".")[0]
    in ("base", "enter", "error", "help", "offline_page", "refused", "start_patient")
)
FOR_CLINICIANS = {
    "Not saved",
    "The way for phones is on, at",
    "; a patient's page",
    "Phone",
    "pairs one. To turn it off, stop formcheck and start it without",
    "--phone",
}
SCRIPTS = [
    path
    for path in sorted((HERE / "static").glob("*.js"))
    if path.name.startswith(("my_", "offline_")) or path.name in ("site.js", "start.js")
]


@pytest.mark.parametrize("name", PATIENTS)
def test_no_template_of_a_patient_holds_a_text_without_a_mark(name):
    text = (HERE / "templates" / name).read_text("utf-8")
    text = re.sub(r"{% block body_class %}.*?{% endblock %}", "", text)
    text = re.sub(r"{{.*?}}|{%.*?%}", "\N{NULL}", text, flags=re.S)
    spoken = re.findall(r'(?:aria-label|title|alt|data-sure|placeholder)="([^"]*)"', text)
    spoken += re.findall(
        r"(?:^|>)([^<>]*)(?=<|$)", re.sub(r"<style.*?</style>", "", text, flags=re.S)
    )
    pieces = {p.strip() for s in spoken for p in s.split("\N{NULL}")}
    left = {p for p in pieces if re.search(r"[A-Za-z]{2}", p)}
    assert left - FOR_CLINICIANS <= {"formcheck", "formcheck:"}


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda p: p.name)
def test_no_script_of_a_patient_holds_a_sentence_without_a_mark(path):
    lines = [
        line for line in path.read_text("utf-8").split("\n") if not line.strip().startswith("//")
    ]
    code = re.sub(r'\b_\("[^"]*"', "", "\n".join(lines))
    left = re.findall(r'"[^"\n]*[a-z] [a-z][^"\n]*[.?!]"', code)
    assert left == []

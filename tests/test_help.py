"""Help: the documents as pages, each for its readers, and found by their words."""

import re

import pytest
from browser_cases import DESKTOP, page_of, running_browser, violations
from clinic_cases import new_clinic, new_patient
from conftest import ROOT
from web_cases import running_site

from formcheck.web.documents import address, find_page, html_of, pages, parts, search, text_of

PHONE = {"width": 390, "height": 844}
BASE = {"clinician": "/clinic/help", "patient": "/my/help"}


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    clinic = new_clinic(tmp_path_factory.mktemp("data"))
    new_patient(clinic)
    with running_site(clinic) as running:
        yield running
    clinic.close()


@pytest.fixture(scope="module")
def browsers(site):
    from formcheck.clinic.patients import find_patient

    patient = find_patient(site.clinic, "KN-204")
    return {"clinician": site.clinician(), "patient": site.patient(patient.id)}


def own(reader: str) -> list[str]:
    return [name for name, page in pages().items() if reader in page.readers]


def test_each_reader_has_pages_of_their_own():
    assert len(own("patient")) >= 4
    assert set(own("patient")) < set(own("clinician"))
    assert len(own("clinician")) == len(pages())


@pytest.mark.parametrize("reader", BASE)
def test_every_page_of_a_reader_is_served_without_script_or_style_of_its_own(browsers, reader):
    for name in own(reader):
        answer = browsers[reader].get(f"{BASE[reader]}/{name}")
        assert answer.status == 200, name
        assert answer.header("content-security-policy").startswith("default-src 'none'")
        text = answer.text
        assert "<h1 id=" in text, name
        assert not re.search(r"<script(?![^>]*\ssrc=)", text), name
        assert not re.search(r"<[^>]*\s(style|on\w+)=|<style|javascript:", text), name
        assert not re.search(r"(src|href|action)=\"(https?:)?//", text), name
        assert "&lt;!--" not in text, name


def test_help_lists_the_pages_of_the_reader_and_no_others(browsers):
    for reader, browser in browsers.items():
        front = browser.get(BASE[reader]).text
        for part in parts():
            for page in part.pages:
                assert (f'href="{BASE[reader]}/{page.name}"' in front) == (reader in part.readers)


def test_a_patient_does_not_reach_what_is_for_clinicians(site, browsers):
    for name in set(pages()) - set(own("patient")):
        assert browsers["patient"].get(f"/my/help/{name}").status == 404, name
        assert browsers["patient"].get(f"/clinic/help/{name}").status == 403, name
    assert site.nobody().get("/clinic/help").status == 401
    assert site.nobody().get("/my/help/patients/camera").status == 401


def test_a_name_that_is_no_page_is_not_found_and_never_a_path(browsers):
    for name in (
        "nothing",
        "contents.toml",
        "../pyproject",
        "..%2f..%2fREADME",
        "%00",
        "pictures/..%2fcontents.toml",
        "pictures/none.png",
        "security.md",
    ):
        for reader, browser in browsers.items():
            assert browser.get(f"{BASE[reader]}/{name}").status == 404, name


def test_pictures_of_the_documents_are_served(browsers):
    for path in (ROOT / "formcheck" / "docs" / "pictures").iterdir():
        answer = browsers["clinician"].get(f"/clinic/help/pictures/{path.name}")
        assert (answer.status, answer.body) == (200, path.read_bytes())
        assert answer.header("content-type") == "image/png"


@pytest.mark.parametrize("reader", BASE)
def test_every_link_of_a_page_leads_to_a_page_of_the_same_reader(browsers, reader):
    n_links = 0
    for name in own(reader):
        page = find_page(name, reader)
        for href in re.findall(r"(?<!!)\[[^\]]*\]\(([^)\s]+)\)", text_of(name)):
            n_links += 1
            assert address(href, page, reader, BASE[reader]) is not None, (name, href)
        for href in re.findall(r'href="([^"#]+)', html_of(page, reader, BASE[reader])):
            assert browsers[reader].get(href).status == 200, (name, href)
    assert n_links >= 3


def test_every_page_that_leads_to_help_leads_to_a_page_of_its_reader():
    n_links = 0
    for template in (ROOT / "formcheck" / "web" / "templates").glob("*.j2"):
        for part, name in re.findall(r'"/(clinic|my)/help/([^"{]+)"', template.read_text("utf-8")):
            n_links += 1
            reader = "clinician" if part == "clinic" else "patient"
            name, _, anchor = name.partition("#")
            page = find_page(name, reader)
            assert page is not None, (template.name, name)
            shown = html_of(page, reader, BASE[reader])
            assert not anchor or f'id="{anchor}"' in shown, (template.name, name, anchor)
            assert template.name.startswith("my_") == (reader == "patient"), template.name
    assert n_links >= 5


def test_a_link_to_a_page_for_others_is_shown_as_text():
    page = pages()["clinicians/first-day"]
    assert address("../patients/camera.md", page, "patient", "/my/help") == (
        "/my/help/patients/camera"
    )
    assert address("numbers.md#what-it-cannot-see", page, "patient", "/my/help") is None
    text = html_of(page, "patient", "/my/help")
    assert "Reviewing a set goes through it" in text
    assert 'href="/my/help/clinicians' not in text


@pytest.mark.parametrize(
    ("question", "first"),
    [
        ("goniometer reading", "clinicians/reviewing"),
        ("backup", "clinicians/records"),
        ("exit codes", "reference/commands"),
        ("how do I measure repetitions again", None),
        ("knee_flexion_peak_deg", None),
        ("Dask", "batch/cluster"),
        ("retriev", None),
        ("deleting", "clinicians/records"),
    ],
)
def test_search_finds_words_in_any_of_their_forms(question, first):
    found = search(question, "clinician")
    if first is not None:
        assert first in [f.page.name for f in found[:3]]
    if question != "retriev":
        assert found
        assert any(is_hit for f in found for _, is_hit in f.excerpt)


def test_search_finds_for_a_patient_only_what_a_patient_may_read():
    assert {f.page.name for f in search("camera", "patient")} <= set(own("patient"))
    assert search("camera", "patient")
    assert search("FHIR", "clinician")
    assert search("FHIR", "patient") == ()


@pytest.mark.parametrize(
    "question",
    [
        "",
        "   ",
        "?",
        '"',
        "a AND OR NOT",
        'x" OR "y',
        "*",
        "NEAR(",
        "col:x",
        "\0",
        "é",
        "x" * 5000,
        "<script>alert(1)</script>",
    ],
)
def test_no_question_breaks_the_search_or_the_page(browsers, question):
    from urllib.parse import quote

    search(question, "clinician")
    answer = browsers["clinician"].get(f"/clinic/help?q={quote(question)}")
    assert answer.status == 200
    assert "<script>alert" not in answer.text


def test_a_result_leads_to_its_section(browsers):
    text = browsers["clinician"].get("/clinic/help?q=test-retest+sessions").text
    path, anchor = re.search(r'<li><a href="([^"#]+)#([^"]+)"', text).groups()
    assert f'id="{anchor}"' in browsers["clinician"].get(path).text


@pytest.mark.slow
@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
@pytest.mark.parametrize("reader", BASE)
def test_no_page_of_help_has_an_accessibility_violation_or_is_wider_than_the_screen(
    site, reader, size
):
    from formcheck.clinic.patients import find_patient

    patient = find_patient(site.clinic, "KN-204")
    secret = site.sessions.new_link_secret(reader, patient.id if reader == "patient" else None)
    shown = [name for name in own(reader) if not re.match(r"decisions/\d", name)]
    paths = [BASE[reader], f"{BASE[reader]}?q=camera", f"{BASE[reader]}?q=zzzz"]
    paths += [f"{BASE[reader]}/{name}" for name in shown]
    if reader == "clinician":
        paths.append("/clinic/help/decisions/0002-pose-bundle-mode-and-rate")
    with (
        running_browser() as browser,
        page_of(browser, f"{site.origin}/enter#{secret}", viewport=size) as page,
    ):
        for path in paths:
            page.goto(site.origin + path)
            assert violations(page) == [], path
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path
        page.goto(site.origin + BASE[reader])
        page.get_by_label("Search these pages").fill("camera")
        page.keyboard.press("Enter")
        page.wait_for_url("**?q=camera")
        page.locator(".found-list a").first.click()
        assert page.locator("article h1").count() == 1

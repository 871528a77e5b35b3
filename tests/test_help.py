"""Help: the documents as pages, each for its readers, and found by their words."""

import re

import pytest
from browser_cases import DESKTOP, page_of, running_browser, violations
from clinic_cases import new_clinic, new_patient
from conftest import ROOT
from web_cases import running_site

from formcheck.clinic.patients import find_patient, set_language
from formcheck.web.documents import address, find_page, html_of, pages, parts, search, text_of
from formcheck.words.languages import gettext, use

PHONE = {"width": 390, "height": 844}
BASE = {"clinician": "/clinic/help", "patient": "/my/help"}


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    clinic = new_clinic(tmp_path_factory.mktemp("data"))
    new_patient(clinic)
    set_language(clinic, new_patient(clinic, "KN-205").id, "es")
    with running_site(clinic) as running:
        yield running
    clinic.close()


@pytest.fixture(scope="module")
def browsers(site):
    patient = find_patient(site.clinic, "KN-204")
    return {"clinician": site.clinician(), "patient": site.patient(patient.id)}


@pytest.fixture(scope="module")
def spanish(site):
    return site.patient(find_patient(site.clinic, "KN-205").id)


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


def test_a_patient_reads_help_in_the_language_of_the_pages(browsers, spanish):
    titles = {
        "at-home": ("Recording a set at home", "Grabar una serie en casa"),
        "camera": ("Where to put the camera", "Dónde poner la cámara"),
        "result": ("What the result says", "Lo que dice el resultado"),
        "helpers": ("For the person who helps", "Para la persona que ayuda"),
    }
    english = browsers["patient"].get("/my/help").text
    front = spanish.get("/my/help").text
    assert '<section lang="es" dir="ltr">\n<h2>Grabar en casa</h2>' in front
    for name, (in_english, in_spanish) in titles.items():
        listed = f'<a href="/my/help/patients/{name}">'
        assert f'<li lang="en" dir="ltr">{listed}{in_english}</a>' in english
        assert f'<li lang="es" dir="ltr">{listed}{in_spanish}</a>' in front
        page = spanish.get(f"/my/help/patients/{name}").text
        assert f"<title>{in_spanish}</title>" in page
        main = page[page.index("<main") : page.index("</main>")]
        assert '<article lang="es" dir="ltr">' in main
        assert f">{in_spanish}</h1>" in main
        assert 'lang="en"' not in main
        assert 'aria-label="Table"' not in main
        assert '<article lang="en"' in browsers["patient"].get(f"/my/help/patients/{name}").text
    assert "aún no se ha traducido" not in front + page


def test_links_and_pictures_of_a_page_in_spanish_lead_where_those_in_english_do(browsers, spanish):
    for name in own("patient"):
        there, here = (
            re.findall(
                r'(?:href|src)="([^"]+)"',
                re.search(r"<article.*</article>", b.get(f"/my/help/{name}").text, flags=re.S)[0],
            )
            for b in (browsers["patient"], spanish)
        )
        assert here == there, name
        assert all(spanish.get(path).status == 200 for path in here), name
    assert spanish.get("/my/help/pictures/patient_records.png").status == 200
    assert spanish.get("/my/help/es/patients/camera").status == 404, "a page has one name"
    assert spanish.get("/my/help/clinicians/numbers").status == 404


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
    ("question", "place"),
    [
        ("cámara", "patients/camera#lo-que-la-cámara-no-puede-ver"),
        ("camaras", "patients/camera#lo-que-la-cámara-no-puede-ver"),
        ("emergencias", "patients/helpers#lo-que-el-programa-no-hace"),
        ("límites de mi plan", "patients/result#algo-que-probar"),
        ("cuenta atras no empieza", "patients/helpers#si-algo-no-funciona"),
    ],
)
def test_search_in_spanish_finds_spanish_with_or_without_accents(spanish, question, place):
    with use("es"):
        found = search(question, "patient")
    assert place in [f"{f.page.name}#{f.anchor}" for f in found[:3]]
    assert {f.page.language.tag for f in found} == {"es"}
    path, anchor = place.partition("#")[::2]
    shown = spanish.get(f"/my/help/{path}").text
    assert f'id="{anchor}"' in shown
    assert search("emergencias", "patient") == (), "the English stays English"


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
    path, anchor = re.search(r'<li[^>]*><a href="([^"#]+)#([^"]+)"', text).groups()
    assert f'id="{anchor}"' in browsers["clinician"].get(path).text


@pytest.mark.slow
@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
@pytest.mark.parametrize(
    ("reader", "code", "tag", "word"),
    [
        ("clinician", "", "en", "camera"),
        ("patient", "KN-204", "en", "camera"),
        ("patient", "KN-205", "es", "camara"),
    ],
)
def test_no_page_of_help_has_an_accessibility_violation_or_is_wider_than_the_screen(
    site, reader, code, tag, word, size
):
    patient = find_patient(site.clinic, code) if code else None
    secret = site.sessions.new_link_secret(reader, patient.id if patient else None)
    with use(tag):
        search_label = gettext("Search these pages")
    shown = [name for name in own(reader) if not re.match(r"decisions/\d", name)]
    paths = [BASE[reader], f"{BASE[reader]}?q={word}", f"{BASE[reader]}?q=zzzz"]
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
        page.get_by_label(search_label).fill(word)
        page.keyboard.press("Enter")
        page.wait_for_url(f"**?q={word}")
        page.locator(".found-list a").first.click()
        page.locator("article h1").first.wait_for()
        assert page.locator("article h1").count() == 1

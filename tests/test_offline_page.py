"""A patient's plan as one page for a phone: in a real browser from disk, with no network at all."""

import json
import random
import re
import zipfile
from dataclasses import replace

import pytest
from browser_cases import chromium_path, violations
from clinic_cases import new_clinic, new_patient, prescription_text
from conftest import SAMPLES
from recording_cases import choose, fake_camera

from formcheck.clinic import answers, exchange
from formcheck.clinic.database import today
from formcheck.clinic.exchange_package import _seal, phone_key
from formcheck.clinic.patients import add_patient, find_patient, save_prescription
from formcheck.clinic.safety import Answer, is_over, level_of, standing
from formcheck.clinic.sets import find_set, sets_of
from formcheck.clinic.settings import questions_for
from formcheck.model.errors import FileError
from formcheck.web.offline_page import MOST_PAGE_BYTES, offline_page, write_offline_page
from formcheck.web.patient.holds import rule_of_line

pytest.importorskip("jinja2")
sync_api = pytest.importorskip("playwright.sync_api")

UPRIGHT, LYING = {"width": 390, "height": 844}, {"width": 844, "height": 390}
CAMERA = ("--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream")
CUT = "--host-resolver-rules=MAP * ~NOTFOUND"


@pytest.fixture
def clinic(tmp_path):
    made = new_clinic(tmp_path)
    yield made
    made.close()


@pytest.fixture
def page_file(clinic, tmp_path):
    new_patient(clinic)
    target = tmp_path / "KN-204_phone.html"
    write_offline_page(clinic, "KN-204", target)
    return target


class Phone:
    """A browser with a phone's size and touch, its network cut, that keeps what it was told."""

    def __init__(self, playwright, folder, *flags, **options):
        self.asked, self.told = [], []
        self.context = playwright.chromium.launch_persistent_context(
            folder,
            executable_path=chromium_path(),
            args=["--no-sandbox", "--no-first-run", CUT, *flags],
            viewport=UPRIGHT,
            has_touch=True,
            is_mobile=True,
            accept_downloads=True,
            **options,
        )
        self.context.on("request", lambda r: self.asked.append(r.url))
        self.context.on("weberror", lambda e: self.told.append(str(e.error)))
        self.context.on(
            "console", lambda m: self.told.append(m.text) if m.type == "error" else None
        )

    def open(self, path):
        page = self.context.new_page()
        page.goto(path.as_uri())
        page.get_by_role("heading", name="Your exercises").wait_for()
        return page


@pytest.fixture(scope="module")
def playwright():
    with sync_api.sync_playwright() as made:
        yield made


@pytest.fixture
def phone(playwright, tmp_path):
    made = Phone(playwright, tmp_path / "phone", *CAMERA)
    yield made
    made.context.close()
    assert made.told == [], "errors on the page"
    assert {u.split(":")[0] for u in made.asked} <= {"file", "blob"}, "a page from disk asks nobody"


def go_on(page):
    page.locator("form:visible").get_by_role("button", name="Go on").click()


def none_of_these(page):
    page.locator("form:visible").get_by_label("None of these").check()
    go_on(page)


def answer_before(page, exercise="squat", side=None, pain=1):
    where = f"[data-exercise={exercise}]" + (f"[data-side={side}]" if side else "")
    page.locator(f"button.start{where}").first.click()
    for n in (1, 2, 3):
        page.get_by_text(f"Page {n} of 3").wait_for()
        none_of_these(page)
    choose(page, "pain", pain)
    go_on(page)


def to_the_camera(page, **about):
    answer_before(page, **about)
    page.get_by_role("button", name="Go to the camera").click()


def film(page, seconds=2.5):
    page.locator("#countdown").select_option("5")
    page.get_by_role("button", name="Turn on the camera").click()
    page.get_by_role("button", name="Start the countdown").click()
    page.locator("#stage[data-state=recording]").wait_for(timeout=15_000)
    page.wait_for_timeout(1000 * seconds)


def answer_after(page, pain_during=2, pain=1, effort=4, symptom=None):
    for name, value in (("pain_during", pain_during), ("pain", pain), ("effort", effort)):
        page.locator(f"#after-{name}:not([hidden])").wait_for(timeout=20_000)
        choose(page, f"after_{name}", value)
        go_on(page)
    groups = page.locator("form[id^=signs-]").evaluate_all("forms => forms.map(f => f.id)")
    for name in groups:
        page.locator(f"#{name}:not([hidden])").wait_for()
        if symptom and page.locator(f"#{name} input[value={symptom}]").count():
            page.locator(f"#{name} input[value={symptom}]").check()
            go_on(page)
        else:
            none_of_these(page)


def saved(page, target):
    page.get_by_text("The file is ready").wait_for(timeout=30_000)
    with page.expect_download() as coming:
        page.get_by_role("link", name="Save the file").click()
    assert coming.value.suggested_filename.endswith(".formcheck")
    coming.value.save_as(target)
    return target


def test_a_set_is_filmed_without_a_network_sealed_and_taken_in(
    clinic, page_file, phone, tmp_path, run_formcheck
):
    assert page_file.stat().st_size < 400_000 < MOST_PAGE_BYTES
    page = phone.open(page_file)
    to_the_camera(page)
    film(page)
    for size in (LYING, UPRIGHT):
        page.set_viewport_size(size)
        box = page.locator("#hurts").bounding_box()
        assert box["y"] >= 0 and box["y"] + box["height"] <= size["height"], (size, box)
    page.get_by_role("button", name="Stop and keep").click()
    answer_after(page)
    file = saved(page, tmp_path / "set.formcheck")
    done = run_formcheck("import", file, "--data", clinic.folder.root)
    assert done.returncode == 0 and "taken in" in done.stdout, done.stderr
    patient = find_patient(clinic, "KN-204")
    (stored,) = sets_of(clinic, patient.id)
    assert (stored.exercise, stored.state, stored.origin) == ("squat", "recorded", "imported")
    assert stored.day == today().isoformat()
    assert stored.prescription_id is not None, "judged by the version that the page was made of"
    assert clinic.folder.recording(stored.recording).stat().st_size > 10_000
    said = answers.answers_of_set(clinic, stored.id)
    assert [(a.moment, a.pain, a.pain_during, a.effort) for a in said] == [
        ("before", 1, None, None),
        ("after", 1, 2, 4),
    ]
    of_day = [a for a in answers.answers_of(clinic, patient.id) if a.moment == "today"]
    assert len(of_day) == 3 and all(a.asked and not a.symptoms for a in of_day)

    assert exchange.import_package(clinic, file).was_known, "the same file again changes nothing"
    page.get_by_role("button", name="Back to your exercises").locator("visible=true").click()
    page.get_by_role("button", name="Send", exact=True).click()
    again = saved(page, tmp_path / "again.formcheck")
    assert exchange.import_package(clinic, again).was_known, "packed again, it is the same set"
    assert len(sets_of(clinic, patient.id)) == 1
    assert len(answers.answers_of_set(clinic, stored.id)) == 2
    refused(clinic, file, tmp_path)


def refused(clinic, file, tmp_path):
    """Whatever was done to the file, it is refused in a sentence and nothing of it is kept."""
    before = sorted(p.name for p in clinic.folder.root.rglob("*") if p.is_file())

    def changed(name, **edits):
        target = tmp_path / name
        with zipfile.ZipFile(file) as source, zipfile.ZipFile(target, "w") as out:
            for info in source.infolist():
                content = source.read(info)
                if edit := edits.get(info.filename.partition(".")[0]):
                    content = edit(content)
                out.writestr(info.filename, content)
        return target

    other = add_patient(clinic, "KN-999")
    save_prescription(clinic, other, prescription_text("KN-999"), "M.T.")

    def of_another(content):
        return json.dumps({**json.loads(content), "patient": "KN-999"}).encode()

    def as_a_plan(content):  # the page's key seals no plan
        manifest = {**json.loads(content), "kind": "plan"}
        key = phone_key(find_patient(clinic, "KN-204").exchange_key)
        return json.dumps({**manifest, "seal": _seal(manifest, key)}).encode()

    def unmarked(content):  # nor anything that does not say that a page made it
        manifest = {k: v for k, v in json.loads(content).items() if k != "made_by"}
        key = phone_key(find_patient(clinic, "KN-204").exchange_key)
        return json.dumps({**manifest, "seal": _seal(manifest, key)}).encode()

    for name, edits, words in (
        ("video.formcheck", {"recording": lambda b: b[:-1] + b"x"}, "was changed after"),
        ("said.formcheck", {"set": lambda b: b.replace(b'"effort":4', b'"effort":0')}, "changed"),
        ("other.formcheck", {"manifest": of_another}, "not packed with this patient's key"),
        ("plan.formcheck", {"manifest": as_a_plan}, "does not hold"),
        ("unmarked.formcheck", {"manifest": unmarked}, "not packed with this patient's key"),
    ):
        with pytest.raises(FileError, match=words):
            exchange.import_package(clinic, changed(name, **edits))
    half = tmp_path / "half.formcheck"
    half.write_bytes(file.read_bytes()[:-500])
    with pytest.raises(FileError):
        exchange.import_package(clinic, half)
    after = sorted(p.name for p in clinic.folder.root.rglob("*") if p.is_file())
    assert after == before

"""From an empty data folder to the first screen, and from paper to ticks, in Chromium alone."""

import contextlib
import re
from datetime import timedelta
from pathlib import Path

import pytest
from browser_cases import DESKTOP, look, page_of, running_browser
from web_cases import running_site

from formcheck.clinic import open_clinic
from formcheck.clinic.answers import ticks_of
from formcheck.clinic.database import today
from formcheck.clinic.paper import monday_of, paper_week
from formcheck.clinic.patients import find_patient
from formcheck.clinic.this_computer import is_unused, patient_here

PLAN = (Path(__file__).parent.parent / "sample_clips" / "prescription.toml").read_text("utf-8")
PLAN = PLAN.replace("review_on = 2025-03-17", "review_on = 2035-03-17")
FIRST = re.compile(r"/clinic/start$")


@pytest.fixture(scope="module")
def browser():
    with running_browser() as running:
        yield running


@contextlib.contextmanager
def computer(root: Path):
    """A computer of its own: a data folder and the pages that serve it."""
    clinic = open_clinic(root)
    try:
        with running_site(clinic) as site:
            yield site
    finally:
        clinic.close()


@contextlib.contextmanager
def opened(browser, site):
    """The page that the link of `serve` opens, with whatever it logs as an error a failure."""
    link = f"{site.origin}/enter#{site.sessions.new_link_secret('clinician')}"
    with page_of(browser, link) as page:
        yield page


def dropped(page, path: Path) -> None:
    """A file dropped on the page, as a file manager does."""
    data = page.evaluate_handle(
        """([bytes, name]) => {
            const held = new DataTransfer();
            held.items.add(new File([new Uint8Array(bytes)], name));
            return held;
        }""",
        [list(path.read_bytes()), path.name],
    )
    page.dispatch_event("main", "drop", {"dataTransfer": data})


def begin_as_clinic(page, text: str, target: Path) -> None:
    """From the first page of an empty computer to KN-204's plan, saved as the patient's file."""
    page.get_by_role("button", name="A clinic").click()
    page.wait_for_url("**/clinic/settings")
    page.get_by_role("link", name="Patients", exact=True).click()
    page.get_by_label("Patient code").fill("KN-204")
    page.get_by_role("button", name="Add").click()
    page.wait_for_url("**/prescription*")
    page.get_by_text("Show and edit the text").click()
    page.locator("textarea[name=text]").fill(text)
    form = page.locator("form", has=page.locator("textarea[name=text]"))
    form.get_by_label("Your initials").last.fill("A.B.")
    page.get_by_role("button", name="Save the text as a new version").click()
    page.get_by_text("Saved.").wait_for()
    page.get_by_role("link", name="Files and export").click()
    with page.expect_download() as download:
        page.get_by_role("link", name="File for the patient's own computer").click()
    download.value.save_as(target)


def test_a_clinic_and_a_patient_begin_and_paper_comes_back(browser, tmp_path):
    plan = tmp_path / "KN-204_plan.formcheck"
    with computer(tmp_path / "clinic") as site, opened(browser, site) as page:
        assert FIRST.search(page.url)
        look(page, "who uses this computer", is_patients=True)
        begin_as_clinic(page, PLAN, plan)

        # The plan on paper, each week of its tick list a page of its own.
        page.get_by_role("link", name="Paper", exact=True).click()
        page.get_by_role("link", name="Print the plan with its tick list").click()
        page.wait_for_selector(".ticks")
        look(page, "the plan on paper")
        page.set_viewport_size(DESKTOP)
        page.emulate_media(media="print")
        printed = page.pdf(prefer_css_page_size=True)
        boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", printed)
        n_wide = sum(float(width) > float(height) for width, height in boxes)
        assert (len(boxes), n_wide) == (6, 2), "an exercise or a week a page"
        page.emulate_media(media="screen")
        page.go_back()

        # A visit later: three boxes, effort and pain, by keyboard alone.
        week = monday_of(today()) - timedelta(days=7)
        page.get_by_role("link", name="Week before").click()
        page.wait_for_url(f"**/paper/{week}")
        look(page, "what was ticked on paper")
        page.set_viewport_size(DESKTOP)
        page.locator(f"input[name='n.0.{week}']").focus()
        for text in ("x", "6", "2", "1"):
            page.keyboard.type(text)
            page.keyboard.press("Tab")
        page.get_by_label("Your initials").fill("A.B.")
        page.keyboard.press("Enter")
        page.get_by_text("Saved.").wait_for()
        patient = find_patient(site.clinic, "KN-204")
        ticks = ticks_of(site.clinic, patient.id)
        n = paper_week(site.clinic, patient, week)[0].cells[0].n_boxes
        assert [t.day for t in ticks].count(week.isoformat()) == n
        assert {(t.effort, t.pain) for t in ticks if t.day == week.isoformat()} == {(6, 2)}
        assert all(t.paper_by == "A.B." for t in ticks)
        assert len(ticks) == n + 1

    with computer(tmp_path / "home") as site, opened(browser, site) as page:
        page.get_by_role("link", name="A patient, at home").click()
        look(page, "the file from the clinic", is_patients=True)
        photo = tmp_path / "photo.jpg"
        photo.write_bytes(b"\xff\xd8\xff\xe0" + bytes(4000))
        dropped(page, photo)
        page.get_by_text("Nothing was kept").wait_for()
        assert "is not the one from your clinic" in page.inner_text("main")
        look(page, "a wrong file", is_patients=True)
        assert is_unused(site.clinic)
        dropped(page, plan)
        page.wait_for_url("**/my?said=imported")
        assert page.inner_text("h1") == "Today's exercises"
        assert "Squat" in page.inner_text("main")
        assert page.get_by_role("link", name=re.compile("^Start")).count()
        look(page, "the first screen at home", is_patients=True)
        assert patient_here(site.clinic).code == "KN-204"


def test_the_first_file_is_taken_without_script_too(browser, tmp_path):
    from formcheck.clinic.exchange import pack_plan
    from formcheck.clinic.patients import add_patient, save_prescription

    plan = tmp_path / "plan.formcheck"
    clinic = open_clinic(tmp_path / "clinic")
    save_prescription(clinic, add_patient(clinic, "KN-204"), PLAN, "A.B.")
    pack_plan(clinic, "KN-204", plan)
    clinic.close()
    with computer(tmp_path / "home") as site:
        context = browser.new_context(java_script_enabled=False)
        page = context.new_page()
        page.goto(f"{site.origin}/enter")
        page.fill("#secret", site.sessions.new_link_secret("clinician"))
        page.click("button")
        page.click("text=A patient, at home")
        page.set_input_files("#file", plan)
        page.click("text=Open my exercises")
        assert page.inner_text("h1") == "Today's exercises"
        # What is no plan is read to its end, so that the browser shows our words.
        context.close()
    with computer(tmp_path / "other") as site:
        context = browser.new_context(java_script_enabled=False)
        page = context.new_page()
        page.goto(f"{site.origin}/enter")
        page.fill("#secret", site.sessions.new_link_secret("clinician"))
        page.click("button")
        page.click("text=A patient, at home")
        film = tmp_path / "film.mp4"
        with film.open("wb") as file:
            file.truncate(300_000_000)
        page.set_input_files("#file", film)
        page.click("text=Open my exercises", timeout=240_000)
        page.wait_for_selector("text=Nothing was kept", timeout=240_000)
        assert "This file is far too large to be your clinic's." in page.inner_text("main")
        assert is_unused(site.clinic)
        assert not list(site.clinic.folder.uploads.iterdir())
        context.close()

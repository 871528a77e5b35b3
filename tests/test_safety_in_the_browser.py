"""Ways through a browser on which something that was said could be lost: an urgent answer, a
plan with days of rest, two tabs on one prescription."""

import re
from datetime import UTC, datetime, timedelta

import pytest
from browser_cases import page_of, running_browser
from clinic_cases import day_before, new_clinic, new_patient, prescription_text
from recording_cases import shown
from web_cases import running_site

from formcheck.clinic import answers
from formcheck.clinic.database import change, today
from formcheck.clinic.patients import prescriptions_of, save_prescription
from formcheck.clinic.settings import checked_contact, keep_contact

pytest.importorskip("playwright.sync_api")
SQUAT, WALL_SIT = "/my/do/squat/both/1", "/my/do/wall_sit/both/1"


@pytest.fixture
def site(tmp_path):
    clinic = new_clinic(tmp_path)
    keep_contact(clinic, checked_contact("030 1234", "8 to 17", "112"))
    with running_site(clinic) as running:
        running.own = new_patient(clinic)
        yield running
    clinic.close()


def a_day_passes(site) -> None:
    """Everything that was said becomes a day older."""
    day = (today() - timedelta(days=1)).isoformat()
    at = (datetime.now(UTC) - timedelta(days=1)).isoformat(timespec="seconds")
    with site.clinic.write() as c:
        change(c, "UPDATE answers SET day = :d, at = :at", d=day, at=at)


def n_starts(page) -> int:
    return page.get_by_role("link", name=re.compile("^Start ")).count()


def test_an_urgent_answer_stands_over_a_second_set_and_the_next_day_until_it_is_settled(site):
    secret = site.sessions.new_link_secret("patient", site.own.id)
    with running_browser() as browser, page_of(browser, f"{site.origin}/enter#{secret}") as page:
        assert n_starts(page) > 0
        page.get_by_role("link", name=re.compile("^Start Squat")).first.click()
        page.get_by_label("Chest pain").check()
        page.get_by_role("button", name="Go on").click()
        page.get_by_role("heading", name="Get urgent medical help now.").wait_for()
        assert "Emergency number: 112." in page.inner_text("main")

        # A second set on the same day: by its address, as the first page has no Start.
        page.goto(site.origin + "/my")
        assert n_starts(page) == 0
        for path in (WALL_SIT, WALL_SIT + "/check/now", WALL_SIT + "/card", SQUAT + "/record"):
            page.goto(site.origin + path)
            page.get_by_role("heading", name="Get urgent medical help now.").wait_for()
            assert page.get_by_label("None of these").count() == 0, path

        # The next day nothing has changed.
        a_day_passes(site)
        page.goto(site.origin + "/my")
        assert "You said: chest pain." in page.inner_text("main")
        assert n_starts(page) == 0

        # Saying that nothing was done yet changes nothing; saying what was done does.
        for words, is_held in (("Not yet", True), ("I may exercise", False)):
            page.get_by_role("link", name="Say what was done about it").click()
            page.get_by_label(re.compile(words)).check()
            page.get_by_role("button", name="Save").click()
            page.get_by_role("heading", name="Today's exercises").wait_for()
            assert (n_starts(page) == 0) == is_held
        page.get_by_role("link", name=re.compile("^Start Squat")).first.click()
        page.get_by_text("Page 1 of 3").wait_for()

    clinician = site.clinician()
    work = clinician.get("/clinic").text
    assert "chest pain" in work
    assert "may exercise" in work, "what the patient says was done waits for the clinician too"


def test_on_a_plan_of_every_other_day_the_day_after_is_asked_two_days_later(site):
    text = re.sub(r'frequency = "[^"]*"', 'frequency = "every other day"', prescription_text())
    save_prescription(site.clinic, site.own, text, "M.T.")
    answers.tick(
        site.clinic,
        site.own.id,
        exercise="squat",
        side="both",
        set_number=1,
        kind="done",
        day=day_before(2),
    )
    secret = site.sessions.new_link_secret("patient", site.own.id)
    with running_browser() as browser, page_of(browser, f"{site.origin}/enter#{secret}") as page:
        page.get_by_role("heading", name="How was the day after?").wait_for()
        page.get_by_role("link", name="Answer").click()
        shown(page, page.locator("label:has(input[name=worst][value='3'])")).click()
        for name, value in (("pain", "same"), ("stiffness", "less"), ("swelling", "more")):
            shown(page, page.locator(f"label:has(input[name={name}][value={value}])")).click()
        page.get_by_role("button", name="Save").click()
        page.get_by_role("heading", name="Saved").wait_for()
        page.goto(site.origin + "/my")
        assert "How was the day after?" not in page.inner_text("main"), "asked once"
    [said] = answers.answers_of(site.clinic, site.own.id)
    assert (said.moment, said.pain, said.swelling_change) == ("next day", 3, "more")


def test_the_second_of_two_tabs_is_told_and_what_it_typed_is_there(site):
    secret = site.sessions.new_link_secret("clinician")
    with running_browser() as browser, page_of(browser, f"{site.origin}/enter#{secret}") as first:
        second = first.context.new_page()
        for tab in (first, second):
            tab.goto(f"{site.origin}/clinic/patients/KN-204/prescription")
            tab.locator("details:has(#by-text) > summary").first.click()
        for tab, words in ((first, "# the one\n"), (second, "# the other\n")):
            tab.fill("textarea[name=text]", prescription_text() + words)
            tab.fill("#by-text", "A.B.")
            tab.get_by_role("button", name="Save the text as a new version").click()
            tab.wait_for_load_state("load")
        told = second.inner_text("main")
        assert "A.B. saved version 2 while you were writing" in told
        assert "# the other" in second.input_value("textarea[name=text]")
        assert len(prescriptions_of(site.clinic, site.own.id)) == 2
        second.get_by_role("button", name="Save the text as a new version").click()
        second.wait_for_load_state("load")
    kept = [v.text for v in prescriptions_of(site.clinic, site.own.id)]
    assert ["# the other" in kept[0], "# the one" in kept[1]] == [True, True]

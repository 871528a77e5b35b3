"""The way of a patient with an urgent answer, in a browser: a second set, and the next day."""

import re
from datetime import UTC, datetime, timedelta

import pytest
from browser_cases import page_of, running_browser
from clinic_cases import new_clinic, new_patient
from web_cases import running_site

from formcheck.clinic.database import change, today
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

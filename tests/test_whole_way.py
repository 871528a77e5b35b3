"""The whole way without a terminal: a clinic begins and makes a plan, a patient begins with its
file and films a set, the set's file goes back, is measured again there and reviewed."""

import re
import time

import pytest
from recording_cases import choose, filming_browser, shown, to_the_camera, wait_for
from test_without_a_terminal import PLAN, begin_as_clinic, computer, dropped, opened

from formcheck.clinic.patients import find_patient
from formcheck.clinic.sets import find_set, sets_of
from formcheck.web.workers import Worker

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    with filming_browser(tmp_path_factory.mktemp("camera")) as made:
        yield made


def test_a_plan_goes_out_and_a_filmed_set_comes_back_and_is_reviewed(browser, tmp_path):
    plan, done = tmp_path / "plan.formcheck", tmp_path / "set.formcheck"
    with computer(tmp_path / "clinic") as clinic:
        with opened(browser, clinic) as page:
            two = re.sub(r"repetitions = \d+", "repetitions = 2", PLAN, count=1)
            begin_as_clinic(page, two, plan)

        with computer(tmp_path / "home") as home:
            with opened(browser, home) as page:
                page.get_by_role("link", name="A patient, at home").click()
                dropped(page, plan)
                page.wait_for_url("**/my?said=imported")
                to_the_camera(page)
                wait_for(page, "recording")
                page.wait_for_url("**/after", timeout=120_000)
                for name, value in (("pain_during", 2), ("pain", 1), ("effort", 4)):
                    choose(page, name, value)
                shown(page, page.get_by_label("None of these")).check()
                page.get_by_role("button", name="Go on").click()
                with page.expect_download() as download:
                    page.get_by_role("link", name="Save this set as a file").click()
                download.value.save_as(done)

        worker = Worker(clinic.clinic, "lite")
        worker.start()
        try:
            with opened(browser, clinic) as page:
                page.get_by_role("link", name="Import a file").first.click()
                page.set_input_files("#file", done)
                page.get_by_role("button", name="Import").click()
                page.wait_for_url(re.compile("/clinic/(sets|patients)/"), timeout=60_000)
                patient = find_patient(clinic.clinic, "KN-204")
                [stored] = sets_of(clinic.clinic, patient.id)
                until = time.monotonic() + 150
                while find_set(clinic.clinic, stored.uid).state in ("recorded", "analysing"):
                    assert time.monotonic() < until, "never measured"
                    page.wait_for_timeout(500)
                page.goto(f"{clinic.origin}/clinic/sets/{stored.uid}")
                words = page.inner_text("main")
                assert "Squat" in words
                assert "pain" in words.lower()
                page.locator("#by-reviewed").fill("A.B.")
                page.get_by_role("button", name="Mark as reviewed").click()
                page.get_by_text("Marked as reviewed.").wait_for()
        finally:
            worker.stop()
        [stored] = sets_of(clinic.clinic, patient.id)
        assert stored.is_final
        assert stored.dose_done >= 1

"""The whole way without a terminal, through the pages of two computers alone."""

import re

from browser_cases import page_of
from recording_cases import choose, shown, to_the_camera, wait_for
from test_without_a_terminal import PLAN, begin_as_clinic, dropped

MOST_S = 300
"""For measuring a set, on a busy machine with the default pose bundle."""


def go_the_whole_way(browser, clinic_link: str, home_link: str, folder) -> None:
    """A clinic begins and makes a plan, a patient begins with its file and films a set, the set's
    file goes back, is measured again there and reviewed.

    The links are those that `formcheck serve` prints for two unused data folders. folder : where
    the files lie on their way between the two, and pictures of what was seen.
    """
    plan, done = folder / "plan.formcheck", folder / "set.formcheck"
    with page_of(browser, clinic_link) as clinic:
        two = re.sub(r"repetitions = \d+", "repetitions = 2", PLAN, count=1)
        begin_as_clinic(clinic, two, plan)
        clinic.screenshot(path=folder / "clinic.png")

        with page_of(browser, home_link) as home:
            home.get_by_role("link", name="A patient, at home").click()
            home.wait_for_url("**/clinic/start/patient")  # and until its scripts have run
            dropped(home, plan)
            home.wait_for_url("**/my?said=imported")
            to_the_camera(home)
            wait_for(home, "recording")
            home.wait_for_url("**/after", timeout=120_000)
            for name, value in (("pain_during", 2), ("pain", 1), ("effort", 4)):
                choose(home, name, value)
            shown(home, home.get_by_label("None of these")).check()
            home.get_by_role("button", name="Go on").click()
            home.get_by_role("heading", name="What you did").wait_for(timeout=MOST_S * 1000)
            home.screenshot(path=folder / "patient.png", full_page=True)
            assert re.search(r"The camera saw [12] repetition", home.inner_text("main"))
            with home.expect_download() as download:
                home.get_by_role("link", name="Save this set as a file").click()
            download.value.save_as(done)

        clinic.get_by_role("link", name="Import a file").first.click()
        clinic.set_input_files("#file", done)
        clinic.get_by_role("button", name="Import").click()
        clinic.wait_for_url(re.compile("/clinic/sets/"), timeout=60_000)
        # The page shows what was measured once there is something, without being asked.
        clinic.locator("#by-reviewed").wait_for(timeout=MOST_S * 1000)
        words = clinic.inner_text("main")
        assert "Squat" in words
        assert "pain" in words.lower()
        clinic.screenshot(path=folder / "set.png", full_page=True)
        clinic.locator("#by-reviewed").fill("A.B.")
        clinic.get_by_role("button", name="Mark as reviewed").click()
        clinic.get_by_text("Marked as reviewed.").wait_for()

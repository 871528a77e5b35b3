"""The whole way without a terminal: two computers, a clinic's and a patient's."""

import contextlib

import pytest
from recording_cases import filming_browser
from test_without_a_terminal import computer
from whole_way import go_the_whole_way

from formcheck.clinic.patients import find_patient
from formcheck.clinic.sets import sets_of
from formcheck.web.workers import Worker

pytestmark = pytest.mark.slow


@contextlib.contextmanager
def measuring(folder):
    """A computer that measures what is recorded on it or comes in."""
    with computer(folder) as site:
        worker = Worker(site.clinic, "lite")
        worker.start()
        try:
            yield site
        finally:
            worker.stop()


def test_a_plan_goes_out_and_a_filmed_set_comes_back_and_is_reviewed(tmp_path):
    with (
        filming_browser(tmp_path) as browser,
        measuring(tmp_path / "clinic") as clinic,
        measuring(tmp_path / "home") as home,
    ):
        links = (
            f"{s.origin}/enter#{s.sessions.new_link_secret('clinician')}" for s in (clinic, home)
        )
        go_the_whole_way(browser, *links, tmp_path)
        patient = find_patient(clinic.clinic, "KN-204")
        [stored] = sets_of(clinic.clinic, patient.id)
        assert stored.is_final
        assert stored.dose_done >= 1

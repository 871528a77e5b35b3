"""A computer that sleeps while a set is measured: nobody's fault."""

import time

from clinic_cases import new_patient, new_set

from formcheck.clinic import jobs
from formcheck.clinic.database import change
from formcheck.web import workers


def test_a_sleep_is_no_worker_that_hangs(clinic, monkeypatch):
    new_set(clinic, new_patient(clinic))
    job = jobs.claim(clinic, "w")
    assert job is not None
    watch = workers.Worker(clinic)
    assert not watch._is_stuck()
    # Hours by the calendar, none by the clock that stands still in sleep.
    with clinic.write() as c:
        change(c, "UPDATE jobs SET beat_at = '2025-01-01T00:00:00+00:00'")
    assert not watch._is_stuck()
    real = time.monotonic
    monkeypatch.setattr(workers.time, "monotonic", lambda: real() + workers.STUCK_S + 1)
    assert watch._is_stuck(), "no beat for long by its own clock"
    with clinic.write() as c:
        change(c, "UPDATE jobs SET beat_at = '2025-01-01T00:00:01+00:00'")
    assert not watch._is_stuck(), "it beats"

"""The server killed at random moments: what was acknowledged is there, and nothing is stuck."""

import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from http.client import HTTPException
from pathlib import Path

import pytest
from clinic_cases import clinic_results, measured_set, new_patient, new_set, prescription_text
from web_cases import Served

from formcheck.clinic import jobs, open_clinic
from formcheck.clinic.database import is_sound
from formcheck.clinic.findings import goals_of
from formcheck.clinic.patients import find_patient, prescriptions_of
from formcheck.clinic.reviews import corrections_of
from formcheck.clinic.sets import find_set, sets_of

pytest.importorskip("starlette")

AT = "/clinic/patients/KN-204"
MOST_SETS = 5


class Acknowledged:
    """What the server said it had kept."""

    def __init__(self):
        self.goals: list[str] = []
        self.sets: dict[str, int] = {}
        self.comments: list[tuple[str, str]] = []
        self.reviewed: set[str] = set()
        self.prescriptions: list[int] = []


def _work(served: Served, clip: bytes, known: Acknowledged, stop: threading.Event) -> None:
    """Writes one thing after the other until the server is gone."""
    gone = (OSError, HTTPException, AssertionError, ValueError, TypeError, KeyError)
    with contextlib.suppress(*gone):
        browser = served.enter()
        n = 0
        while not stop.wait(0.02):
            n += 1
            words = f"goal {random.random()}"
            if (
                browser.post(
                    f"{AT}/goals", {"words": words, "set_on": "2025-03-01", "by": "M.T."}
                ).status
                == 303
            ):
                known.goals.append(words)
            if len(known.sets) < MOST_SETS:
                about = {"exercise": "squat", "side": "left", "file_name": "a.mp4"}
                begun = browser.call("POST", f"{AT}/uploads", json.dumps(about).encode())
                uid = json.loads(begun.body)["uid"]
                half = len(clip) // 2
                for k, part in enumerate((clip[:half], clip[half:])):
                    browser.call("PUT", f"{AT}/uploads/{uid}/pieces?n={k}", part)
                finished = browser.call("POST", f"{AT}/uploads/{uid}/finish", b"{}")
                if finished.status == 200:
                    known.sets[json.loads(finished.body)["set"]] = len(clip)
            for uid in list(known.sets):
                comment = f"comment {random.random()}"
                answer = browser.post(
                    f"/clinic/sets/{uid}/corrections",
                    {"kind": "comment", "at_s": "1", "words": comment, "by": "M.T."},
                )
                if answer.status == 303:
                    known.comments.append((uid, comment))
                    if n % 4 == 0 and len(known.reviewed) < 2:
                        done = browser.post(f"/clinic/sets/{uid}/review", {"by": "M.T."})
                        if done.status == 303:
                            known.reviewed.add(uid)
            if n % 5 == 0:
                text = prescription_text().replace("kneel", f"kneel {n}")
                text += f"# {random.random()}\n"
                if (
                    browser.post(f"{AT}/prescription/text", {"text": text, "by": "M.T."}).status
                    == 303
                ):
                    known.prescriptions.append(n)


def _check(data, known: Acknowledged) -> None:
    assert is_sound(data / "clinic.db")
    clinic = open_clinic(data)
    try:
        patient = find_patient(clinic, "KN-204")
        assert set(known.goals) <= {g.words for g in goals_of(clinic, patient.id)}
        for uid, n_bytes in known.sets.items():
            stored = find_set(clinic, uid)
            assert clinic.folder.recording(stored.recording).stat().st_size == n_bytes
        for uid in known.sets:
            said = {words for of, words in known.comments if of == uid}
            kept = corrections_of(clinic, find_set(clinic, uid).id)
            assert said <= {k.correction.words for k in kept}
        for uid in known.reviewed:
            assert find_set(clinic, uid).is_final
        assert len(prescriptions_of(clinic, patient.id)) >= len(known.prescriptions)
    finally:
        clinic.close()


@pytest.mark.slow
def test_nothing_acknowledged_is_lost_in_fifty_kills_and_no_job_is_stuck(
    tmp_path, short_squat, squat_results
):
    data = tmp_path / "data"
    clinic = open_clinic(data)
    patient = new_patient(clinic)
    known, clip = Acknowledged(), short_squat.read_bytes()
    results = clinic_results(squat_results, tmp_path)
    for _ in range(3):
        stored = measured_set(clinic, patient, results)
        known.sets[stored.uid] = stored.recording_bytes
    clinic.close()
    chosen = random.Random(11)
    for n in range(50):
        served = Served(data)
        stop = threading.Event()
        writer = threading.Thread(target=_work, args=(served, clip, known, stop))
        writer.start()
        time.sleep(chosen.uniform(0.2, 3.0) if n % 3 else chosen.uniform(3.0, 7.0))
        served.kill()
        stop.set()
        writer.join(timeout=40)
        assert not writer.is_alive()
        _check(data, known)
    assert len(known.sets) == MOST_SETS
    assert len(known.goals) > 50
    assert len(known.comments) > 20
    assert known.reviewed
    served = Served(data)
    try:
        clinic = open_clinic(data)
        until = time.monotonic() + 240
        while jobs.n_waiting(clinic) and time.monotonic() < until:
            time.sleep(0.5)
        assert jobs.n_waiting(clinic) == 0, "no job is stuck"
        states = {s.state for s in sets_of(clinic, find_patient(clinic, "KN-204").id)}
        assert states <= {"measured", "reviewed", "not measured"}
        clinic.close()
    finally:
        served.stop()
    _check(data, known)


def _killed_for_real(*arguments: str) -> dict:
    program = Path(__file__).with_name("killed_for_real.py")
    done = subprocess.run(
        [sys.executable, program, *arguments], capture_output=True, text=True, timeout=1800
    )
    assert done.returncode == 0, done.stderr[-2000:]
    told = json.loads(done.stdout)
    assert told["lost"] == []
    return told


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs processes that can be forked")
def test_nothing_is_lost_in_a_kill_at_the_first_call_of_every_operation():
    told = _killed_for_real("5", "7", "1")
    assert min(told["calls"].values()) >= 1
    assert told["aimed"] > len(told["calls"])
    assert told["random"] >= 5, told


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs processes that can be forked")
def test_nothing_is_lost_in_kills_at_every_writing_call_and_at_two_hundred_random_moments():
    told = _killed_for_real("200", "7")
    assert told["aimed"] >= 200, told
    assert told["random"] >= 200, told


def _children(process_id: int) -> list[int]:
    # Each thread has its own list: the one that watches the worker started it.
    lists = Path(f"/proc/{process_id}/task").glob("*/children")
    return [int(p) for path in lists for p in path.read_text(encoding="ascii").split()]


@pytest.mark.slow
@pytest.mark.skipif(not os.path.exists("/proc/self/task"), reason="needs the process table")
def test_a_worker_that_dies_is_replaced_and_its_job_is_done(tmp_path, short_squat):
    data = tmp_path / "data"
    clinic = open_clinic(data)
    stored = new_set(clinic, new_patient(clinic), clip=short_squat)
    served = Served(data)
    try:
        until = time.monotonic() + 200
        while find_set(clinic, stored.uid).state != "analysing" and time.monotonic() < until:
            time.sleep(0.1)
        (worker,) = _children(served.process.pid)
        os.kill(worker, signal.SIGKILL)
        while find_set(clinic, stored.uid).state != "measured" and time.monotonic() < until:
            time.sleep(0.2)
        assert find_set(clinic, stored.uid).state == "measured"
        (again,) = _children(served.process.pid)
        assert again != worker
    finally:
        served.stop()
        clinic.close()

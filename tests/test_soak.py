"""A day of a clinic in minutes: two clinicians, ten patients, kills; nothing lost or grown."""

import json
import random
import socket
from dataclasses import dataclass, field

import psutil
import pytest
from clinic_cases import VIDEO_HEAD, new_clinic, new_patient

pytest.importorskip("starlette")

from web_cases import Served

from formcheck.clinic import answers, backup, findings, open_clinic
from formcheck.clinic.database import is_sound
from formcheck.clinic.patients import find_patient
from formcheck.clinic.sets import find_set

CODES = [f"KN-{n}" for n in range(200, 210)]
ROUNDS = 480
"""A minute of the simulated day each: eight hours."""
KILL_EVERY = 80
WATCHED = 240
"""Rounds at the end in which memory and handles are watched, on one server."""


@dataclass
class Known:
    """What was acknowledged."""

    sets: dict[str, int] = field(default_factory=dict)
    ticks: dict[tuple, str] = field(default_factory=dict)
    goals: set[tuple[str, str]] = field(default_factory=set)


def _port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


def _film(browser, code: str, known: Known, n: int) -> None:
    at = f"/clinic/patients/{code}/uploads"
    about = {"exercise": "squat", "side": "left", "file_name": "a.mp4", "set_number": 1 + n % 3}
    uid = json.loads(browser.call("POST", at, json.dumps(about).encode()).body)["uid"]
    pieces = (VIDEO_HEAD, b"x" * (1000 + n), b"y")
    for k, piece in enumerate(pieces):
        assert browser.call("PUT", f"{at}/{uid}/pieces?n={k}", piece).status == 200
    assert browser.call("POST", f"{at}/{uid}/finish", b"{}").status == 200
    known.sets[uid] = sum(map(len, pieces))


def _tick(clinic, code: str, known: Known, n: int, chosen: random.Random) -> None:
    """As a patient at home does, whose data lies in the same folder here."""
    kind = chosen.choice(["done", "not done"])
    where = {"exercise": "squat", "side": "left", "set_number": 1 + n % 20, "day": "2025-03-01"}
    reason = "no_time" if kind == "not done" else ""
    answers.tick(clinic, find_patient(clinic, code).id, kind=kind, reason=reason, **where)
    known.ticks[(code, where["set_number"])] = kind


def _round(n: int, browsers, clinic, target, known: Known, chosen: random.Random) -> None:
    code, browser = chosen.choice(CODES), browsers[n % 2]
    if n % 6 == 0:
        _film(browser, code, known, n)
    _tick(clinic, code, known, n, chosen)
    for path in ("/clinic", f"/clinic/patients/{code}", f"/clinic/patients/{code}/sets"):
        assert browser.get(path).status in (200, 404)
    words = f"goal of minute {n}"
    fields = {"words": words, "set_on": "2025-03-01", "by": "M.T."}
    assert browser.post(f"/clinic/patients/{code}/goals", fields).status == 303
    known.goals.add((code, words))
    if n % 60 == 59:
        backup.backup(clinic, target)


def _check(data, known: Known) -> None:
    assert is_sound(data / "clinic.db")
    clinic = open_clinic(data)
    try:
        for uid, n_bytes in known.sets.items():
            stored = find_set(clinic, uid)
            assert clinic.folder.recording(stored.recording).stat().st_size == n_bytes
        for code in CODES:
            patient = find_patient(clinic, code)
            goals = {(code, g.words) for g in findings.goals_of(clinic, patient.id)}
            assert {g for g in known.goals if g[0] == code} <= goals
            ticks = {t.set_number: t.kind for t in answers.ticks_of(clinic, patient.id)}
            for (of, number), kind in known.ticks.items():
                assert of != code or ticks[number] == kind
    finally:
        clinic.close()


@pytest.mark.slow
def test_a_day_of_work_with_kills_loses_nothing_and_grows_nothing(tmp_path):
    clinic = new_clinic(tmp_path)
    for code in CODES:
        new_patient(clinic, code)
    data, target, known = tmp_path / "data", tmp_path / "clinic.zip", Known()
    options = ("--port", str(_port()))
    served = Served(data, *options)
    chosen = random.Random(3)
    browsers = [served.enter()]
    served.kill()
    served = Served(data, *options)
    browsers.append(served.enter())
    sizes: list[tuple[float, int]] = []
    try:
        for n in range(ROUNDS):
            _round(n, browsers, clinic, target, known, chosen)
            if n and n % KILL_EVERY == 0 and n <= ROUNDS - WATCHED:
                served.kill()
                _check(data, known)
                served = Served(data, *options)  # both browsers go on with their sessions
            if n >= ROUNDS - WATCHED + 40 and n % 20 == 0:
                process = psutil.Process(served.process.pid)
                sizes.append((process.memory_info().rss / 1e6, process.num_fds()))
    finally:
        served.stop()
        clinic.close()
    _check(data, known)
    assert len(known.sets) == ROUNDS // 6
    first, last = sizes[0], sizes[-1]
    print(f"memory {first[0]:.0f} to {last[0]:.0f} MB, handles {first[1]} to {last[1]}")
    assert last[0] - first[0] < 25, sizes
    assert max(fds for _, fds in sizes) - first[1] <= 8, sizes

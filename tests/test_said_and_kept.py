"""Nothing said is lost: two tabs on one prescription, a day asked after later, a restart."""

import json
import re
import socket
import time
from datetime import date, timedelta

import pytest
from clinic_cases import VIDEO_HEAD, new_patient, prescription_text

pytest.importorskip("starlette")

from web_cases import Served, running_site

from formcheck.clinic import answers
from formcheck.clinic.database import today
from formcheck.clinic.follow_up import session_facts
from formcheck.clinic.patients import current_prescription, prescriptions_of
from formcheck.web.sessions import Sessions

AT = "/clinic/patients/KN-204/prescription"


@pytest.fixture
def site(clinic):
    new_patient(clinic)
    with running_site(clinic) as running:
        yield running


def _based_on(page: str) -> str:
    found = set(re.findall(r'name="based_on" value="(\d+)"', page))
    assert len(found) == 1
    return found.pop()


def test_the_second_of_two_tabs_on_one_prescription_is_told_and_neither_is_lost(site):
    browser = site.clinician()
    begun = _based_on(browser.get(AT).text)
    mine, other = (prescription_text() + f"# {words}\n" for words in ("mine", "the other"))
    first = browser.post(f"{AT}/text", {"text": other, "by": "A.B.", "based_on": begun})
    assert first.status == 303
    second = browser.post(f"{AT}/text", {"text": mine, "by": "M.T.", "based_on": begun})
    assert second.status == 400
    assert "A.B. saved version 2 while you were writing" in second.text
    assert "# mine" in second.text, "what was typed is still there"
    assert current_prescription(site.clinic, 1).text == other
    again = {"text": mine, "by": "M.T.", "based_on": _based_on(second.text)}
    assert browser.post(f"{AT}/text", again).status == 303
    assert [v.text for v in prescriptions_of(site.clinic, 1)][:2] == [mine, other]


def test_another_fault_does_not_make_an_old_form_a_new_one(site):
    browser = site.clinician()
    begun = _based_on(browser.get(AT).text)
    other = prescription_text() + "# the other\n"
    browser.post(f"{AT}/text", {"text": other, "by": "A.B.", "based_on": begun})
    faulty = browser.post(f"{AT}/text", {"text": "x", "by": "M.T.", "based_on": begun})
    assert faulty.status == 400
    assert _based_on(faulty.text) == begun


def test_the_form_of_a_prescription_says_what_it_was_begun_from(site):
    browser = site.clinician()
    page = browser.get(AT).text
    fields = dict(re.findall(r'<input[^>]* name="([^"]+)"[^>]* value="([^"]*)"', page))
    browser.post(f"{AT}/text", {"text": prescription_text() + "# x\n", "by": "A.B."})
    answer = browser.post(AT, {**fields, "prescribed_by": "M.T.", "do": "line"})
    assert _based_on(answer.text) == "1", "a line added in the form is no look at the newer one"


# -- the day after, whenever it is


def _days_ago(days: int) -> str:
    return (today() - timedelta(days=days)).isoformat()


@pytest.mark.parametrize("days", [1, 2, 5])
def test_the_day_after_is_asked_when_the_page_is_next_opened_and_belongs_to_its_day(site, days):
    squat = {"exercise": "squat", "side": "left", "set_number": 1, "kind": "done"}
    for earlier in (days + 3, days):
        answers.tick(site.clinic, 1, day=_days_ago(earlier), **squat)
    browser = site.patient(1)
    assert "How was the day after?" in browser.get("/my").text
    said = {"worst": "3", "pain": "more", "stiffness": "same", "swelling": "less"}
    browser.post("/my/next-day", said)
    assert "How was the day after?" not in browser.get("/my").text
    # What is done today does not take the answer away from the day that it is about.
    answers.tick(site.clinic, 1, day=_days_ago(0), **squat)
    facts = {date.fromordinal(f.day): f for f in session_facts(site.clinic, 1)}
    worse = {day.isoformat(): f.is_worse_next_morning for day, f in facts.items()}
    assert worse == {_days_ago(days + 3): None, _days_ago(days): True, _days_ago(0): None}


# -- a server that restarts


def _free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


def test_a_server_that_restarts_keeps_everybody_where_they_were(clinic, tmp_path):
    new_patient(clinic)
    options = ("--port", str(_free_port()))
    served = Served(tmp_path / "data", *options, "--patient", "KN-204")
    browser = served.enter()
    token = browser.token
    about = b'{"exercise": "squat", "side": "left", "file_name": "a.mp4"}'
    uid = json.loads(browser.call("POST", "/my/uploads", about).body)["uid"]
    assert browser.call("PUT", f"/my/uploads/{uid}/pieces?n=0", VIDEO_HEAD).status == 200
    served.kill()
    again = Served(tmp_path / "data", *options)
    try:
        assert browser.get("/my").status == 200
        assert browser.token == token, "a form that was open can still be sent"
        assert browser.call("PUT", f"/my/uploads/{uid}/pieces?n=1", b"more").status == 200
        assert browser.call("POST", f"/my/uploads/{uid}/finish", b"{}").status == 200
        assert browser.get("/clinic").status == 403
    finally:
        again.stop()
    kept = (tmp_path / "data" / "sessions.json").read_text()
    assert browser.cookie.partition("=")[2] not in kept
    assert token not in kept


def test_a_session_of_an_earlier_server_is_over_when_it_should_be(tmp_path, monkeypatch):
    kept, marks = tmp_path / "sessions.json", {7: "this patient"}

    def server() -> Sessions:
        return Sessions(kept, lambda patient: marks.get(patient, ""))

    first = server()
    cookies = [
        first.exchange(first.new_link_secret(*who)) for who in (("clinician",), ("patient", 7))
    ]
    first.keep()
    assert [server().find(c).role for c in cookies] == ["clinician", "patient"]
    ended = server()
    ended.end(cookies[0])
    assert server().find(cookies[0]) is None
    marks[7] = "another one, in the same row of a restored folder"
    assert server().find(cookies[1]) is None
    marks[7] = "this patient"
    real = time.time
    monkeypatch.setattr("formcheck.web.sessions.time.time", lambda: real() + 9 * 3600)
    assert server().find(cookies[1]) is None
    monkeypatch.undo()
    for damaged in (b"", b"[", b'{"x": 1}', b'{"00": ["clinician", null, "", 1e999]}'):
        kept.write_bytes(damaged)
        assert server().find(cookies[1]) is None


def test_whoever_comes_without_a_session_sees_a_page_that_leads_back(site):
    html = {"Accept": "text/html,*/*"}
    answer = site.nobody().get("/my", html)
    assert answer.status == 401
    assert answer.header("content-type").startswith("text/html")
    assert "What was said and recorded is kept" in answer.text
    assert 'action="/enter"' in answer.text
    assert "default-src 'none'" in answer.header("content-security-policy")
    assert site.patient(1).get("/clinic", html).status == 403
    assert site.nobody().get("/my").header("content-type").startswith("text/plain")

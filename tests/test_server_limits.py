"""The limits that the table of the security page names, each at a running server."""

import contextlib
import gc
import json
import os
import re
import signal
import socket
import time
from pathlib import Path

import pytest
from clinic_cases import VIDEO_HEAD, new_clinic, new_patient

import formcheck

pytest.importorskip("starlette")

from web_cases import running_site

from formcheck.clinic import exchange_package, jobs, sets, uploads
from formcheck.web import connections, pages, security, server, sessions, workers
from formcheck.web.patient import live_socket

DOCUMENT = Path(formcheck.__file__).parent / "docs" / "security.md"


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    clinic = new_clinic(tmp_path_factory.mktemp("limits"))
    new_patient(clinic)
    with running_site(clinic) as running:
        yield running
    clinic.close()


@pytest.fixture(scope="module")
def clinician(site):
    return site.clinician()


def _raw(site, sent: bytes = b"") -> socket.socket:
    made = socket.create_connection(("127.0.0.1", site.port), timeout=30)
    if sent:
        made.sendall(sent)
    return made


def _is_closed(raw: socket.socket, within_s: float) -> bool:
    raw.settimeout(within_s)
    try:
        return raw.recv(1) == b""
    except ConnectionError:
        return True
    except TimeoutError:
        return False


def test_half_open_connections_do_not_keep_a_page_from_being_shown(site, clinician):
    with contextlib.ExitStack() as stack:
        for n in range(430):
            sent = b"" if n % 2 else b"GET / HTTP/1.1\r\nHost: "
            with contextlib.suppress(ConnectionError):
                stack.enter_context(_raw(site, sent))
        begin = time.monotonic()
        answers = [clinician.get("/clinic").status for _ in range(5)]
        assert answers == [200] * 5
        assert time.monotonic() - begin < 20


@pytest.mark.parametrize("sent", [b"", b"GET /clinic HTTP/1.1\r\nHost: "])
def test_a_connection_without_a_whole_header_is_closed(site, monkeypatch, sent):
    monkeypatch.setattr(connections, "HEADER_TIME_S", 0.3)
    with _raw(site, sent) as raw:
        assert _is_closed(raw, 10)


def test_a_second_request_that_does_not_end_is_closed_too(site, clinician, monkeypatch):
    monkeypatch.setattr(connections, "HEADER_TIME_S", 1.0)
    whole = f"GET /enter HTTP/1.1\r\nHost: 127.0.0.1:{site.port}\r\n\r\n".encode()
    with _raw(site, whole) as raw:
        assert raw.recv(100_000).startswith(b"HTTP/1.1 200")
        time.sleep(1.5)  # idle is allowed for longer
        raw.sendall(b"GET /en")
        raw.settimeout(10)
        begin = time.monotonic()
        with contextlib.suppress(ConnectionError):
            while raw.recv(100_000):
                pass
        assert 0.5 < time.monotonic() - begin < 9


def test_a_request_that_takes_long_is_not_closed_for_its_header(site, clinician, monkeypatch):
    monkeypatch.setattr(connections, "HEADER_TIME_S", 0.5)
    body = b"token=" + clinician.token.encode()
    head = (
        f"POST /leave HTTP/1.1\r\nHost: 127.0.0.1:{site.port}\r\nOrigin: {site.origin}\r\n"
        f"Cookie: {site.clinician().cookie}\r\n"
        "content-type: application/x-www-form-urlencoded\r\n"
        f"content-length: {len(body)}\r\n\r\n"
    )
    with _raw(site, head.encode()) as raw:
        time.sleep(1.2)
        raw.sendall(body)
        assert raw.recv(1000).startswith(b"HTTP/1.1 ")


def test_one_browser_cannot_take_every_place(site, clinician, monkeypatch):
    counted = connections.BySession(2)
    leave = [counted.enter(b"one") for _ in range(2)]
    assert counted.enter(b"one") is None
    assert counted.enter(b"another") is not None
    leave[0]()
    assert counted.enter(b"one") is not None
    monkeypatch.setattr(connections.BySession, "enter", lambda *_: None)
    answer = clinician.get("/clinic")
    assert (answer.status, "try again" in answer.text) == (503, True)


def test_a_header_beyond_its_size_is_refused(site):
    with _raw(site, b"GET / HTTP/1.1\r\nx: " + b"y" * (server.MOST_HEADER_BYTES + 100)) as raw:
        assert b" 400 " in raw.recv(1000)


def test_a_slow_form_is_given_up(site, clinician, monkeypatch):
    monkeypatch.setattr(security, "FORM_TIME_S", 0.5)
    head = (
        f"POST /clinic/patients HTTP/1.1\r\nHost: 127.0.0.1:{site.port}\r\n"
        f"Origin: {site.origin}\r\nCookie: {clinician.cookie}\r\n"
        "content-type: application/x-www-form-urlencoded\r\ncontent-length: 50\r\n\r\ntok"
    )
    with _raw(site, head.encode()) as raw:
        assert b" 413 " in raw.recv(1000)


@pytest.mark.parametrize("fields", [pages.MOST_FIELDS + 1])
def test_a_form_of_too_many_fields_is_refused(site, clinician, fields):
    body = b"&".join([b"a=1"] * fields)
    kind = {"content-type": "application/x-www-form-urlencoded"}
    assert clinician.send("POST", "/clinic/patients", body, kind).status == 400


def test_a_piece_and_a_form_beyond_their_size_are_refused(site, clinician, monkeypatch):
    monkeypatch.setattr(security, "MOST_PIECE_BYTES", 1000)
    monkeypatch.setattr(security, "MOST_FORM_BYTES", 1000)
    at = "/clinic/patients/KN-204/uploads"
    about = json.dumps({"exercise": "squat", "side": "left", "file_name": "a.mp4"}).encode()
    uid = json.loads(clinician.call("POST", at, about).body)["uid"]
    answer = clinician.call("PUT", f"{at}/{uid}/pieces?n=0", VIDEO_HEAD + bytes(1000))
    assert answer.status == 413
    assert clinician.call("POST", at, b'{"support": "' + b"x" * 1000 + b'"}').status == 413


def test_half_finished_recordings_of_one_patient_are_bounded(site, clinician, monkeypatch):
    monkeypatch.setattr(uploads, "MOST_OPEN_UPLOADS", 0)
    about = json.dumps({"exercise": "squat", "side": "left", "file_name": "a.mp4"}).encode()
    answer = clinician.call("POST", "/clinic/patients/KN-204/uploads", about)
    assert (answer.status, "too many" in answer.text) == (400, True)


def test_sessions_are_bounded_and_end(monkeypatch):
    monkeypatch.setattr(sessions, "MOST_SESSIONS", 2)
    known = sessions.Sessions()
    cookies = [known.exchange(known.new_link_secret("clinician")) for _ in range(3)]
    assert [known.find(c) is not None for c in cookies] == [False, True, True]


TABLE = {
    "address": f"127.0.0.1, port {server.DEFAULT_PORT} or a free one",
    "a link": f"once, within {sessions.LINK_S / 3600:.0f} h",
    "a session": f"ends after {sessions.IDLE_S / 3600:.0f} h without use; "
    f"{sessions.MOST_SESSIONS} sessions at once",
    "a header": f"{server.MOST_HEADER_BYTES // 1000} kB, {connections.HEADER_TIME_S:.0f} s",
    "between two requests of a connection": f"{connections.IDLE_TIME_S:.0f} s",
    "connections without a request": f"{connections.MOST_WAITING}, then the oldest is closed",
    "requests of one browser at once": f"{security.MOST_REQUESTS}",
    "connections and requests at once": f"{server.MOST_AT_ONCE}",
    "a form": f"{security.MOST_FORM_BYTES // 1000} kB, {security.FORM_TIME_S:.0f} s, "
    f"{pages.MOST_FIELDS} fields",
    "a piece of a recording": f"{security.MOST_PIECE_BYTES // 1_000_000} MB, "
    f"{security.FILE_TIME_S / 60:.0f} min",
    "a recording": f"{sets.MOST_RECORDING_BYTES // 1_000_000} MB",
    "a file sent whole": f"{security.MOST_FILE_BYTES // 1_000_000} MB, "
    f"{security.FILE_TIME_S / 60:.0f} min",
    "half-finished recordings of one patient": f"{uploads.MOST_OPEN_UPLOADS}",
    "an exchange file": f"{exchange_package.MOST_BYTES // 1_000_000} MB",
    "live pictures": f"{live_socket.MOST_AT_ONCE} pages at once, {live_socket.MOST_PX} px a side, "
    f"{live_socket.SILENT_S / 60:.0f} min of silence",
    "a job without a sign of life": f"{workers.STUCK_S / 60:.0f} min, then its process is ended",
    "a clip on which the process died": f"given up after {jobs.MOST_DEATHS} deaths, or "
    f"{jobs.MOST_ATTEMPTS} attempts in all",
}


def test_the_table_of_the_security_page_says_what_the_server_does():
    rows = dict(re.findall(r"^\| ([^|]+?) \| ([^|]+?) \|", DOCUMENT.read_text("utf-8"), re.M))
    assert {what: rows.get(what) for what in TABLE} == TABLE


@pytest.mark.filterwarnings("error")
def test_ctrl_c_before_the_servers_first_step_ends_it_without_a_warning():
    import uvicorn

    class Interrupted(uvicorn.Config):
        def get_loop_factory(self):  # asked for before the server's coroutine begins
            os.kill(os.getpid(), signal.SIGINT)
            return super().get_loop_factory()

    async def never_asked(scope, receive, send):
        raise AssertionError(scope)

    handler = signal.getsignal(signal.SIGINT)
    made = uvicorn.Server(Interrupted(never_asked, lifespan="off"))
    with socket.create_server(("127.0.0.1", 0)) as listening, pytest.raises(KeyboardInterrupt):
        server.run_until_stopped(made, listening)
    gc.collect()  # a coroutine that was never awaited warns when it is collected
    assert signal.getsignal(signal.SIGINT) is handler

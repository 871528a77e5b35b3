import base64
import contextlib
import http.client
import io
import json
import re
import secrets
import socket
import threading
import time
import zipfile
from urllib.parse import urlencode

import pytest
from clinic_cases import (
    VIDEO_HEAD,
    clinic_results,
    measured_set,
    new_clinic,
    new_patient,
    prescription_text,
)
from web_cases import Browser, running_site

from formcheck.clinic.findings import findings_of, goals_of, scores_of
from formcheck.clinic.patients import find_patient, list_patients, prescriptions_of
from formcheck.clinic.sets import sets_of
from formcheck.clinic.uploads import open_uploads
from formcheck.web.sessions import Sessions

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")


@pytest.fixture(scope="module")
def site(tmp_path_factory, squat_results):
    folder = tmp_path_factory.mktemp("site")
    clinic = new_clinic(folder)
    results = clinic_results(squat_results, folder)
    for code in ("KN-204", "KN-311"):
        measured_set(clinic, new_patient(clinic, code), results, with_video=True)
    with running_site(clinic) as running:
        yield running
    clinic.close()


@pytest.fixture(scope="module")
def clinician(site) -> Browser:
    return site.clinician()


@pytest.fixture(scope="module")
def mine(site):
    return find_patient(site.clinic, "KN-204")


@pytest.fixture(scope="module")
def other(site):
    return find_patient(site.clinic, "KN-311")


@pytest.fixture(scope="module")
def patient(site, mine) -> Browser:
    return site.patient(mine.id)


def _set_of(site, patient) -> str:
    return sets_of(site.clinic, patient.id)[0].uid


PUBLIC = {"/enter", "/enter.css", "/enter.js", "/favicon.ico"}


def _paths(site) -> list[tuple[str, str]]:
    """(method, path) of every route of the site, its blanks filled in."""
    from formcheck.web.clinician import pages as clinic_pages
    from formcheck.web.patient import pages as patient_pages
    from formcheck.web.phone import pages as phone_pages

    uid = _set_of(site, find_patient(site.clinic, "KN-204"))
    found = [("GET", "/"), ("GET", "/static/site.css"), ("POST", "/leave")]
    for route in [*clinic_pages.routes(), *patient_pages.routes(), *phone_pages.routes()]:
        path = route.path.replace("{code}", "KN-204").replace("{uid}", uid)
        path = path.replace("{id:int}", "1").replace("{version:int}", "1")
        path = path.replace("{which}", "recording").replace("{name}", "report.json")
        path = re.sub(r"\{[^}]*\}", "1", path)
        for method in sorted(getattr(route, "methods", None) or {"GET"}):
            found.append((method, path))
    return found


def test_without_a_session_every_page_and_endpoint_answers_401_or_403(site):
    nobody = site.nobody()
    paths = _paths(site)
    assert len(paths) > 40
    for method, path in paths:
        answer = nobody.send(method, path, b"" if method not in ("GET", "HEAD") else None)
        assert answer.status in (401, 403), (method, path, answer.status)
        assert "KN-204" not in answer.text


def test_a_made_up_cookie_is_no_session(site):
    for cookie in ("x", secrets.token_urlsafe(32), "a; b=c", "é"):
        browser = Browser(site=site, cookie=f"formcheck_{site.port}={cookie}")
        assert browser.get("/clinic").status == 401


def test_a_link_opens_one_session_once_and_its_cookie_is_strict(site):
    secret = site.sessions.new_link_secret("clinician")
    body = urlencode({"secret": secret}).encode()
    form = {"content-type": "application/x-www-form-urlencoded"}
    nobody = site.nobody()
    answer = nobody.send("POST", "/enter", body, form)
    cookie = answer.header("set-cookie")
    assert cookie.startswith(f"formcheck_{site.port}=")
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.lower()
    assert nobody.send("POST", "/enter", body, form).status == 403
    assert nobody.send("POST", "/enter", b"secret=wrong", form).status == 403
    foreign = {**form, "Origin": "http://evil.example"}
    again = site.sessions.new_link_secret("clinician")
    refused = nobody.send("POST", "/enter", urlencode({"secret": again}).encode(), foreign)
    assert refused.status == 403
    assert "set-cookie" not in dict(refused.headers)
    assert site.sessions.exchange(again) is not None, "a refused request uses no link up"


def test_a_patients_link_in_a_clinicians_browser_ends_no_session(site):
    # Before, it took the cookie's place: the clinician's work was cut off without a word.
    own = find_patient(site.clinic, "KN-204")
    clinician, patient = site.clinician(), site.patient(own.id)
    both = Browser(site=site, cookie=f"{clinician.cookie}; {patient.cookie}")
    assert both.get("/clinic").status == 200
    page = both.get("/my")
    assert page.status == 200
    assert "The clinic's pages are open in this browser, too." in page.text
    assert "open in this browser, too" not in patient.get("/my").text
    assert both.get("/").header("location") == "/clinic"
    assert patient.get("/").header("location") == "/my"
    # Each part takes the form's token of its own session alone.
    tick = {"exercise": "squat", "side": "both", "number": "1", "kind": "done"}
    clinics, patients = (
        {"token": re.search(r'name="token" value="([^"]+)"', both.get(path).text)[1]}
        for path in ("/clinic", "/my")
    )
    assert both.post("/my/tick", tick | clinics).status == 403
    assert both.post("/my/tick", tick | patients).status == 303
    # Closing the one leaves the other.
    assert both.post("/my/leave", clinics).status == 403
    left = both.post("/my/leave", patients)
    assert left.status == 303
    assert both.get("/clinic").status == 200
    assert both.get("/my").status == 403
    assert clinician.get("/clinic").status == 200
    again = Browser(site=site, cookie=f"{clinician.cookie}; {site.patient(own.id).cookie}")
    assert again.post("/leave", clinics).status == 303
    assert again.get("/clinic").status == 403
    assert again.get("/my").status == 200


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "127.0.0.1",
        "127.0.0.1:1",
        "localhost",
        "evil.example:PORT",
        "127.0.0.1:PORT.evil.example",
        "[::1]:PORT",
        "",
    ],
)
def test_a_forged_host_is_refused(site, clinician, host):
    host = host.replace("PORT", str(site.port))
    assert clinician.get("/clinic", {"Host": host}).status in (400, 403)
    assert site.nobody().get("/enter", {"Host": host}).status in (400, 403)


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "null", "Sec-Fetch-Site": "cross-site"},
        {"Origin": "http://127.0.0.1:1"},
        {"Origin": "https://127.0.0.1:PORT"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_forged_origin_is_refused(site, clinician, headers):
    headers = {n: v.replace("PORT", str(site.port)) for n, v in headers.items()}
    assert clinician.get("/clinic", headers).status == 403
    answer = clinician.post("/clinic/patients", {"code": "KN-666"}, headers)
    assert answer.status == 403
    assert find_patient(site.clinic, "KN-666") is None


def test_a_change_without_origin_or_token_is_refused(site, clinician):
    form = {"content-type": "application/x-www-form-urlencoded"}
    good = urlencode({"token": clinician.token, "code": "KN-667"}).encode()
    for body, headers, drop in (
        (good, form, ("Origin",)),
        (b"code=KN-667", form, ()),
        (b"token=&code=KN-667", form, ()),
        (urlencode({"token": "0" * 64, "code": "KN-667"}).encode(), form, ()),
        (good, {"content-type": "text/plain"}, ()),
        (good, {"content-type": "multipart/form-data; boundary=x"}, ()),
        (json.dumps({"code": "KN-667"}).encode(), {"content-type": "application/json"}, ()),
    ):
        answer = clinician.send("POST", "/clinic/patients", body, headers, drop=drop)
        assert answer.status in (403, 415), (body, headers, answer.status)
    assert find_patient(site.clinic, "KN-667") is None


def test_the_token_of_another_session_does_not_do(site, clinician):
    foreign = site.clinician().token
    body = urlencode({"token": foreign, "code": "KN-668"}).encode()
    form = {"content-type": "application/x-www-form-urlencoded"}
    assert clinician.send("POST", "/clinic/patients", body, form).status == 403


def test_every_form_checks_its_token(site, clinician, patient):
    form = {"content-type": "application/x-www-form-urlencoded"}
    for method, path in _paths(site):
        if method == "POST":
            browser = patient if path.startswith("/my") else clinician
            answer = browser.send("POST", path, b"code=KN-204&by=M.T.&reason=x", form)
            assert answer.status == 403, (path, answer.status)
    assert len(list_patients(site.clinic)) == 2


def test_a_patient_reaches_nothing_of_the_clinic(site, patient):
    for method, path in _paths(site):
        if path.startswith("/clinic"):
            answer = patient.send(
                method, path, None if method == "GET" else b"", {"x-formcheck-token": patient.token}
            )
            assert answer.status == 403, (method, path, answer.status)


def test_a_clinician_does_not_act_as_a_patient(site, clinician):
    assert clinician.get("/my").status == 403


def test_another_patients_set_video_and_upload_are_not_there(site, patient, mine, other):
    own, foreign = _set_of(site, mine), _set_of(site, other)
    assert patient.get(f"/my/sets/{own}/video/recording").status == 200
    for which in ("recording", "overlay"):
        assert patient.get(f"/my/sets/{foreign}/video/{which}").status == 404
    stranger = site.patient(other.id)
    about = json.dumps({"exercise": "squat", "side": "left", "file_name": "a.mp4"}).encode()
    uid = json.loads(patient.call("POST", "/my/uploads", about).body)["uid"]
    assert stranger.call("PUT", f"/my/uploads/{uid}/pieces?n=0", VIDEO_HEAD).status == 404
    assert stranger.call("POST", f"/my/uploads/{uid}/discard", b"").status == 404
    assert stranger.call("POST", f"/my/uploads/{uid}/finish", b"").status == 400
    assert patient.call("POST", f"/my/uploads/{uid}/discard", b"").status == 200


def test_a_deleted_patients_session_is_over(site, clinician):
    from formcheck.clinic.patients import add_patient

    gone = add_patient(site.clinic, "KN-900")
    browser = site.patient(gone.id)
    assert browser.get("/my").status == 200
    fields = {"code": "KN-900", "by": "M.T.", "reason": "test"}
    assert clinician.post("/clinic/patients/KN-900/delete", fields).status == 303
    assert browser.get("/my").status == 401


def _handshake(site, path: str, headers: dict) -> int:
    sent = {
        "Host": f"127.0.0.1:{site.port}",
        "Upgrade": "websocket",
        "Connection": "Upgrade",
        "Sec-WebSocket-Version": "13",
        "Sec-WebSocket-Key": base64.b64encode(secrets.token_bytes(16)).decode(),
        **headers,
    }
    connection = http.client.HTTPConnection("127.0.0.1", site.port, timeout=10)
    with contextlib.closing(connection):
        connection.request("GET", path, headers=sent)
        return connection.getresponse().status


@pytest.mark.parametrize("path", ["/my", "/my/live", "/clinic", "/enter", "/nothing"])
def test_a_foreign_websocket_is_refused(site, patient, path):
    own = {"Origin": site.origin}
    for headers in (
        {},
        {"Cookie": patient.cookie},
        {"Cookie": patient.cookie, "Origin": "http://evil.example"},
        {"Cookie": patient.cookie, "Origin": "null", "Sec-Fetch-Site": "same-origin"},
        {"Cookie": patient.cookie, "Host": "evil.example", **own},
        own,
    ):
        headers = dict(headers.items())
        assert _handshake(site, path, headers) == 403, headers


def test_every_answer_carries_the_strict_policy(site, clinician):
    for browser, path in (
        (clinician, "/clinic"),
        (site.nobody(), "/enter"),
        (site.nobody(), "/clinic"),
        (clinician, "/clinic/nothing"),
        (clinician, "/static/site.css"),
    ):
        answer = browser.get(path)
        policy = answer.header("content-security-policy")
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "http" not in policy, "no third party"
        assert answer.header("referrer-policy") == "no-referrer"
        assert answer.header("x-content-type-options") == "nosniff"
        assert answer.header("cache-control") == "no-store"


def test_no_page_has_an_inline_script_style_or_handler(site, clinician):
    uid = _set_of(site, find_patient(site.clinic, "KN-204"))
    for path in _clinician_pages(uid):
        text = clinician.get(path).text
        assert not re.search(r"<script(?![^>]*\ssrc=)", text), path
        assert not re.search(r"\sstyle=|\son\w+=|<style|javascript:", text), path
        assert not re.search(r"(src|href|action)=\"(https?:)?//", text), path


def _clinician_pages(uid: str) -> list[str]:
    at = "/clinic/patients/KN-204"
    return [
        "/clinic",
        "/clinic/patients",
        "/clinic/import",
        at,
        f"{at}/sets",
        f"{at}/prescription",
        f"{at}/prescription/1",
        f"{at}/prescription/paper",
        f"{at}/findings",
        f"{at}/summary",
        f"{at}/discharge",
        f"{at}/files",
        f"/clinic/sets/{uid}",
    ]


SCRIPT = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>{{7*7}}"


def test_script_in_every_text_field_is_harmless(site, clinician, mine):
    at, uid = "/clinic/patients/KN-204", _set_of(site, mine)
    text = prescription_text()
    for name in ("condition", "brace", "goals", "notes", "frequency"):
        quoted = json.dumps(SCRIPT)
        text = re.sub(rf"(?m)^{name} = .*$", lambda _, n=name, q=quoted: f"{n} = {q}", text)
    posts = [
        (f"{at}/prescription/text", {"text": text, "by": "M.T."}, 303),
        (
            f"{at}/findings",
            {
                "day": "2025-03-01",
                "kind": "effusion",
                "side": "left",
                "words": SCRIPT,
                "by": "M.T.",
            },
            303,
        ),
        (
            f"{at}/scores",
            {
                "day": "2025-03-01",
                "name": SCRIPT[:60],
                "value": "3",
                "direction": "higher is better",
                "by": "M.T.",
            },
            303,
        ),
        (f"{at}/goals", {"words": SCRIPT, "set_on": "2025-03-01", "by": "M.T."}, 303),
        (
            f"/clinic/sets/{uid}/corrections",
            {"kind": "comment", "at_s": "1", "words": SCRIPT, "by": "M.T."},
            303,
        ),
        (
            f"/clinic/sets/{uid}/corrections",
            {"kind": "left out", "repetition": "0", "reason": SCRIPT, "by": "M.T."},
            303,
        ),
        # Where a code, a choice or initials are asked, it does not get in at all.
        ("/clinic/patients", {"code": SCRIPT}, 400),
        (f"{at}/goals", {"words": "x", "set_on": SCRIPT, "by": "M.T."}, 400),
        (f"{at}/goals", {"words": "x", "set_on": "2025-03-01", "by": SCRIPT}, 400),
        (
            f"{at}/findings",
            {"day": "2025-03-01", "kind": SCRIPT, "side": SCRIPT, "by": "M.T."},
            400,
        ),
        (f"/clinic/sets/{uid}/corrections", {"kind": SCRIPT, "by": "M.T."}, 400),
        (f"/clinic/sets/{uid}/review", {"by": SCRIPT}, 400),
        (
            f"{at}/prescription",
            dict.fromkeys(
                (
                    "involved_side",
                    "prescribed_by",
                    "valid_from",
                    "e0.exercise",
                    "e0.sets",
                    "e0.target0.measure",
                    "e0.film0.view",
                    "condition",
                ),
                SCRIPT,
            ),
            400,
        ),
        (f"{at}/prescription", {"do": f"add:{SCRIPT}", "before": SCRIPT}, 400),
        (f"{at}/prescription", {"do": "undo", "before": f"e0.exercise={SCRIPT}"}, 200),
        (f"{at}/prescription/beside", {"e0.exercise": "squat", "e0.notes": SCRIPT}, 200),
        (f"{at}/prescription/text", {"text": SCRIPT, "by": "M.T."}, 400),
        (f"{at}/criteria", {"progress_sessions": SCRIPT}, 400),
    ]
    for path, fields, status in posts:
        answer = clinician.post(path, fields)
        assert answer.status == status, (path, answer.status, answer.text[:400])
        assert "<script>alert" not in answer.text
        assert "<img src=x" not in answer.text
        assert "{{7*7}}" in answer.text or "49" not in re.findall(r">49<", answer.text)
    assert goals_of(site.clinic, mine.id)[0].words == SCRIPT
    assert scores_of(site.clinic, mine.id)
    assert findings_of(site.clinic, mine.id)
    for path in [*_clinician_pages(uid), f"/clinic?said={'<script>alert(1)</script>'}"]:
        text = clinician.get(path.replace("<", "%3C").replace(">", "%3E")).text
        assert "<script>alert" not in text, path
        assert "<img src=x" not in text, path


def test_a_query_or_form_of_nonsense_never_breaks_the_server(site, clinician):
    for path in (
        "/clinic/patients/%00",
        "/clinic/sets/..%2f..%2fetc",
        "/static/..%2fserver.py",
        "/static/%2e%2e%2fserver.py",
        "/clinic/sets/" + "0" * 32,
        "/clinic/patients/KN-204'--",
        "/clinic/patients/KN-204/prescription/99999999999999999999",
        "//clinic",
        "/clinic/%ff",
    ):
        answer = clinician.get(path)
        assert answer.status in (400, 401, 403, 404), (path, answer.status)
        assert "root:" not in answer.text
        assert "Traceback" not in answer.text
    for body in (b"\xff\xfe", b"token", b"=&=&=", b"a=" + b"b" * 200_000, b"&" * 5000):
        answer = clinician.send(
            "POST", "/clinic/patients", body, {"content-type": "application/x-www-form-urlencoded"}
        )
        assert answer.status in (400, 403), answer.status


def test_a_path_never_leaves_the_data_folder(site, clinician, mine):
    uid = _set_of(site, mine)
    for path in (
        f"/clinic/sets/{uid}/video/..%2f..%2fclinic.db",
        f"/clinic/sets/{uid}/files/..%2fclinic.db",
        f"/clinic/sets/{uid}/files/request.json",
        f"/clinic/sets/{uid}/video/report.json",
        "/clinic/sets/../../clinic.db",
        f"/clinic/sets/..%2f{uid}/video/recording",
    ):
        assert clinician.get(path).status == 404, path


def test_a_ten_gigabyte_upload_is_refused_before_it_is_sent(site, clinician, patient):
    for browser, method, path in (
        (clinician, "PUT", "/clinic/import/file"),
        (clinician, "PUT", f"/clinic/patients/KN-204/uploads/{'0' * 32}/pieces?n=0"),
        (patient, "PUT", f"/my/uploads/{'0' * 32}/pieces?n=0"),
        (patient, "POST", "/my/uploads"),
        (clinician, "POST", "/clinic/patients"),
    ):
        answer = browser.send(
            method,
            path,
            None,
            {"Content-Length": str(10 * 1024**3), "x-formcheck-token": browser.token},
        )
        assert answer.status == 413, (path, answer.status)


def test_a_body_longer_than_allowed_is_cut_off_though_it_did_not_say_so(site, clinician):
    with socket.create_connection(("127.0.0.1", site.port), timeout=10) as raw:
        head = (
            f"POST /clinic/patients HTTP/1.1\r\nHost: 127.0.0.1:{site.port}\r\n"
            f"Origin: {site.origin}\r\nCookie: {clinician.cookie}\r\n"
            "Content-Type: application/x-www-form-urlencoded\r\n"
            "Transfer-Encoding: chunked\r\n\r\n"
        )
        raw.sendall(head.encode())
        block = b"a" * 65536
        got = b""
        with contextlib.suppress(ConnectionError, TimeoutError):
            for _ in range(40):
                raw.sendall(f"{len(block):x}\r\n".encode() + block + b"\r\n")
        with contextlib.suppress(ConnectionError, TimeoutError):
            got = raw.recv(4096)
    assert not got or b" 413 " in got.split(b"\r\n")[0], got[:200]
    assert clinician.get("/clinic").status == 200


def test_only_a_video_is_taken_as_a_recording(site, clinician, mine):
    at = "/clinic/patients/KN-204/uploads"
    about = {"exercise": "squat", "side": "left", "file_name": "a.mp4"}
    for wrong in (
        {"file_name": "a.html"},
        {"file_name": "../../a.exe"},
        {"exercise": "../squat"},
        {"side": "<b>"},
        {"set_number": 99},
        {"day": "2999-01-01"},
        {"load_kg": -4},
    ):
        answer = clinician.call("POST", at, json.dumps({**about, **wrong}).encode())
        assert answer.status == 400, wrong
    uid = json.loads(clinician.call("POST", at, json.dumps(about).encode()).body)["uid"]
    answer = clinician.call("PUT", f"{at}/{uid}/pieces?n=0", b"<html>not a video</html>")
    assert answer.status == 400
    assert clinician.call("POST", f"{at}/{uid}/finish", b"").status == 400
    assert clinician.call("POST", f"{at}/{uid}/discard", b"").status == 200
    assert open_uploads(site.clinic, mine.id) == ()
    assert len(sets_of(site.clinic, mine.id)) == 1


def _zip(entries: dict[str, bytes]) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in entries.items():
            archive.writestr(name, content)
    return made.getvalue()


def test_a_hostile_exchange_file_is_refused_and_leaves_nothing(site, clinician, mine):
    manifest = json.dumps(
        {
            "schema": "formcheck.exchange/1.0",
            "kind": "set",
            "id": "0" * 32,
            "patient": "KN-204",
            "made_at": "x",
            "files": [],
            "seal": "0" * 64,
        }
    ).encode()
    before = len(sets_of(site.clinic, mine.id))
    for content in (
        b"",
        b"nothing",
        b"PK" + bytes(500),
        _zip({"manifest.json": bytes(50_000_000)}),
        _zip({"manifest.json": manifest, "recording.mp4": bytes(60_000_000)}),
        _zip({"manifest.json": manifest, "../../evil.txt": b"x"}),
        _zip({"manifest.json": manifest, "set.json": b"[" * 100_000}),
        _zip({f"{n}.json": b"" for n in range(5000)}),
    ):
        kind = {"content-type": "application/octet-stream"}
        answer = clinician.call("PUT", "/clinic/import/file", content, kind)
        assert answer.status == 400, answer.text
        assert json.loads(answer.body)["error"].startswith("This file ")
    assert list(site.clinic.folder.uploads.iterdir()) == []
    assert len(sets_of(site.clinic, mine.id)) == before


def test_the_clinic_makes_a_link_that_opens_one_patients_pages(site, clinician):
    text = clinician.post("/clinic/patients/KN-311/link").text
    secret = re.search(r"/enter#([\w-]+)", text)[1]
    nobody = site.nobody()
    answer = nobody.send(
        "POST",
        "/enter",
        urlencode({"secret": secret}).encode(),
        {"content-type": "application/x-www-form-urlencoded"},
    )
    browser = Browser(site=site, cookie=answer.header("set-cookie").split(";")[0])
    assert browser.get("/my").status == 200
    assert browser.get("/clinic").status == 403
    assert browser.get("/clinic/patients/KN-311").status == 403


def test_a_video_comes_in_ranges(site, clinician, mine):
    stored = sets_of(site.clinic, mine.id)[0]
    whole = site.clinic.folder.recording(stored.recording).read_bytes()
    path = f"/clinic/sets/{stored.uid}/video/recording"
    answer = clinician.get(path, {"Range": "bytes=4-11"})
    assert (answer.status, answer.body) == (206, whole[4:12])
    assert answer.header("content-range") == f"bytes 4-11/{len(whole)}"
    assert answer.header("content-type") == "video/mp4"
    assert clinician.get(path).body == whole
    assert clinician.get(path, {"Range": "bytes=999999999-"}).status == 416


def test_a_report_page_is_saved_and_never_shown_under_our_address(site, clinician, mine):
    answer = clinician.get(f"/clinic/sets/{_set_of(site, mine)}/files/report.html")
    assert answer.status == 200
    assert answer.header("content-disposition").startswith("attachment")


def test_two_hundred_requests_at_once_are_all_answered(site, clinician, mine):
    uid = _set_of(site, mine)
    paths = [
        "/clinic",
        f"/clinic/sets/{uid}",
        "/clinic/patients/KN-204",
        f"/clinic/sets/{uid}/progress",
    ]
    statuses: list[int] = []

    def ask(n: int) -> None:
        if n % 10 == 0:
            fields = {
                "day": "2025-03-01",
                "kind": "effusion",
                "side": "left",
                "words": f"entry {n}",
                "by": "M.T.",
            }
            statuses.append(clinician.post("/clinic/patients/KN-204/findings", fields).status)
        else:
            statuses.append(clinician.send("GET", paths[n % 4], timeout_s=60).status)

    before = len(findings_of(site.clinic, mine.id))
    threads = [threading.Thread(target=ask, args=(n,)) for n in range(200)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(set(statuses)) == [200, 303]
    assert len(statuses) == 200
    assert len(findings_of(site.clinic, mine.id)) - before == 20
    assert clinician.get("/clinic").status == 200


def test_the_server_listens_on_this_computer_only():
    from formcheck.web.server import _socket_on

    with _socket_on(None) as made:
        assert made.getsockname()[0] == "127.0.0.1"


def test_nothing_secret_stands_in_the_link_that_a_browser_sends(site):
    from formcheck.web.pages import Site

    made = Site(clinic=site.clinic, sessions=site.sessions, port=site.port)
    assert made.link("secret").split("#") == [f"{site.origin}/enter", "secret"]


def test_a_session_left_alone_for_a_working_day_is_over(site, monkeypatch):
    browser = site.clinician()
    assert browser.get("/clinic").status == 200
    real = time.time
    monkeypatch.setattr("formcheck.web.sessions.time.time", lambda: real() + 9 * 3600)
    assert browser.get("/clinic").status == 401


def test_a_session_does_not_outlive_the_computer_s_sleep_or_a_clock_set_back(tmp_path, monkeypatch):
    """While a computer sleeps, time.monotonic stands still."""
    at = 1e9
    monkeypatch.setattr("formcheck.web.sessions.time.time", lambda: at)
    sessions = Sessions(tmp_path / "sessions.json")
    cookies = [sessions.exchange(sessions.new_link_secret("clinician")) for _ in range(3)]
    sessions.keep()
    at += 10 * 3600
    assert sessions.find(cookies[0]) is None
    assert Sessions(tmp_path / "sessions.json").find(cookies[1]) is None
    at -= 24 * 3600
    assert sessions.find(cookies[2]) is None


def test_a_patient_s_pages_do_not_keep_a_clinician_s_session_in_the_same_browser(monkeypatch):
    at = 1e9
    monkeypatch.setattr("formcheck.web.sessions.time.time", lambda: at)
    sessions = Sessions()
    doctor = sessions.exchange(sessions.new_link_secret("clinician"))
    for _ in range(3):
        at += 4 * 3600
        found = sessions.find(doctor, is_use=False)
        assert (found is None) == (at > 1e9 + 8 * 3600)


def test_versions_of_prescriptions_are_only_added(site, mine):
    versions = [v.version for v in prescriptions_of(site.clinic, mine.id)]
    assert versions == sorted(versions, reverse=True)

"""The way for a phone over the same network: off unless asked for, one address, a closed list."""

import hashlib
import json
import re
import ssl
import stat
from types import SimpleNamespace

import psutil
import pytest
from clinic_cases import new_patient, new_set
from phone_cases import FORM, code_in, is_answering, running_with_phones, way_at
from web_cases import Served, running_site

from formcheck.clinic.sets import sets_of
from formcheck.model.errors import UsageError
from formcheck.web.phone import addresses, pairing
from formcheck.web.phone.certificate import kept_certificate
from formcheck.web.phone.pairing import MOST_WRONG, Pairings, TooManyWrong
from formcheck.web.sessions import Sessions

DO, SET, UPLOADS = "/my/do/{exercise}/{side}/{number:int}", "/my/sets/{uid}", "/my/uploads"
FOR_A_PHONE = {
    ("GET", "/favicon.ico"),
    ("GET", "/theme.css"),
    ("GET", "/enter.css"),
    ("GET", "/enter.js"),
    ("GET", "/static/{name}"),
    *((method, path) for method in ("GET", "POST") for path in ("/my/next-day", "/my/done")),
    *((method, path) for method in ("GET", "POST") for path in ("/my/hurt", DO, SET + "/after")),
    *((method, DO + "/check/{group}") for method in ("GET", "POST")),
    ("GET", "/my"),
    ("POST", "/my/tick"),
    ("POST", "/my/untick"),
    ("POST", "/my/unfinished/{uid}/keep"),
    ("POST", "/my/unfinished/{uid}/discard"),
    ("GET", DO + "/card"),
    ("GET", DO + "/record"),
    ("POST", DO + "/stopped"),
    ("GET", UPLOADS),
    ("POST", UPLOADS),
    ("PUT", UPLOADS + "/{uid}/pieces"),
    ("POST", UPLOADS + "/{uid}/finish"),
    ("POST", UPLOADS + "/{uid}/discard"),
    ("GET", SET),
    ("GET", SET + "/progress"),
    ("GET", SET + "/video/{which}"),
}
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")
REFUSED = ("There is no such page.\n", "This page is not yours.\n")


@pytest.fixture
def mine(clinic):
    return new_patient(clinic, "KN-204")


@pytest.fixture
def other(clinic):
    return new_patient(clinic, "KN-311")


@pytest.fixture
def both(clinic, mine, other):
    for patient in (mine, other):
        new_set(clinic, patient)
    with running_with_phones(clinic) as (site, phones):
        yield site, phones


def _filled(path: str, uid: str) -> str:
    for name, value in (
        ("{uid}", uid),
        ("{code}", "KN-204"),
        ("{exercise}", "squat"),
        ("{side}", "both"),
        ("{group}", "now"),
        ("{which}", "recording"),
        ("{name}", "site.css"),
        ("{part}", "patients"),
    ):
        path = path.replace(name, value)
    return re.sub(r"\{[^}]*\}", "1", path)


@pytest.mark.parametrize(
    "methods", [(), pytest.param(METHODS, marks=pytest.mark.slow)], ids=["own", "all"]
)
def test_every_route_but_the_listed_ones_is_refused_from_a_paired_phone(
    both, clinic, mine, methods
):
    site, phones = both
    phone = phones.paired(mine.id)
    uid = sets_of(clinic, mine.id)[0].uid
    routes = [r for r in site.application.app.routes if r.path not in ("/", "/my/live")]
    token = {"x-formcheck-token": phone.token}
    reached = set()
    for route in routes:
        path = _filled(route.path, uid)
        for method in methods or sorted(route.methods - {"HEAD"}):
            body = None if method in ("GET", "HEAD") else b""
            answer = phone.send(method, path, body, token)
            if method == "HEAD":  # it has no body: its status tells
                assert answer.status in (403, 404), path
            elif answer.text not in REFUSED:
                reached.add((method, route.path))
            else:
                assert answer.status in (403, 404), (method, path)
    assert reached == FOR_A_PHONE
    assert len(routes) > 80


def test_no_route_but_the_live_pictures_takes_a_socket_from_a_phone(both, clinic, mine):
    site, phones = both
    phone = phones.paired(mine.id)
    live = "/my/live?exercise=squat&side=both&plane=sagittal"
    assert '{"ready":true}' in phones.upgraded(live, phone.cookie, until='"ready":true}')
    paths = [_filled(r.path, "0" * 32) for r in site.application.app.routes[:40]]
    for path, cookie, origin in (
        (live, "", phones.origin),
        (live, phone.cookie, site.origin),
        *((path, phone.cookie, phones.origin) for path in (*paths, "/my", "/pair")),
    ):
        answer = phones.upgraded(path, cookie, origin)
        assert answer.startswith("HTTP/1.1 403"), (path, answer)


def test_without_a_pairing_a_phone_sees_the_page_for_the_code_and_no_more(both, clinic, mine):
    site, phones = both
    uid = sets_of(clinic, mine.id)[0].uid
    nobody = phones.phone()
    seen = set()
    for route in site.application.app.routes:
        for method in sorted(getattr(route, "methods", None) or {"GET"}):
            body = None if method in ("GET", "HEAD") else b""
            answer = nobody.send(method, _filled(route.path, uid), body)
            if answer.status not in (401, 403, 404):
                seen.add((method, route.path))
    open_files = ("/theme.css", "/enter.css", "/enter.js", "/favicon.ico")
    assert seen == {("GET", path) for path in open_files}
    assert "Code from the computer" in nobody.get("/pair").text


def test_a_code_pairs_one_phone_once_for_its_patient_only(both, clinic, mine, other):
    site, phones = both
    page = site.patient(mine.id).post("/my/phone")
    code = code_in(page.text)
    assert f"{phones.origin}/pair" in page.text
    assert 'class="qr"' in page.text
    fingerprint = phones.way.certificate.fingerprint.replace(":", " ")
    assert fingerprint[:23] in page.text
    answer = phones.send_code(code.lower().replace("-", " "))
    assert answer.status == 303
    cookie = answer.header("set-cookie")
    assert cookie.startswith("__Host-formcheck_phone_")
    for part in ("; HttpOnly", "; Path=/", "; SameSite=strict", "; Secure"):
        assert part in cookie, part
    assert "Domain" not in cookie
    again = phones.send_code(code)
    assert again.status == 403
    assert not again.header("set-cookie")

    phone = phones.phone()
    phone.cookie = cookie.split(";")[0]
    own, foreign = (sets_of(clinic, p.id)[0].uid for p in (mine, other))
    home = phone.get("/my")
    assert home.status == 200
    assert "A file from your clinic" not in home.text
    assert "/my/help" not in home.text
    assert phone.get(f"/my/sets/{own}/video/recording").status == 200
    assert phone.get(f"/my/sets/{foreign}/video/recording").status == 404


def test_the_pairing_is_ended_from_the_computer_and_the_other_patients_goes_on(both, mine, other):
    site, phones = both
    first, second = phones.paired(mine.id), phones.paired(other.id)
    clinician = site.clinician()
    page = clinician.get("/clinic/patients/KN-204/phone").text
    assert "A phone is paired" in page
    unused = phones.way.pairings.new_code(mine.id)
    assert clinician.post("/clinic/patients/KN-204/phone/end").status == 303
    assert first.get("/my").status == 401
    assert second.get("/my").status == 200
    assert phones.send_code(unused).status == 403
    state = clinician.get("/clinic/patients/KN-204/phone/state").text
    assert json.loads(state) == {"is_waiting": False, "n_paired": 0}


def test_a_phone_closes_its_own_session(both, mine):
    _, phones = both
    phone = phones.paired(mine.id)
    assert 'action="/pair/leave"' in phone.get("/my").text
    assert phone.post("/pair/leave").status == 303
    assert phone.get("/my").status == 401


def test_a_deleted_patients_phone_is_out(both, mine):
    site, phones = both
    phone = phones.paired(mine.id)
    fields = {"code": "KN-204", "by": "M.T.", "reason": "asked for"}
    assert site.clinician().post("/clinic/patients/KN-204/delete", fields).status == 303
    assert phone.get("/my").status == 401


def test_a_cookie_of_one_listener_is_none_of_the_other(both, mine):
    site, phones = both
    phone, patient, clinician = phones.paired(mine.id), site.patient(mine.id), site.clinician()
    value = phone.cookie.partition("=")[2]
    for own in (patient, clinician):
        stranger = site.nobody()
        stranger.cookie = f"{own.cookie.partition('=')[0]}={value}; {phone.cookie}"
        assert stranger.get("/my").status == 401
        assert stranger.get("/clinic").status == 401
        stranger = phones.phone()
        name = phone.cookie.partition("=")[0]
        stranger.cookie = f"{name}={own.cookie.partition('=')[2]}; {own.cookie}"
        assert stranger.get("/my").status == 401


@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "formcheck.example"},
        {"Host": "127.0.0.1"},
        {"Origin": "https://formcheck.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
    ],
)
def test_another_host_or_origin_is_refused_though_the_cookie_is_good(both, mine, headers):
    _, phones = both
    phone = phones.paired(mine.id)
    assert phone.get("/my", headers).status == 403
    code = phones.way.pairings.new_code(mine.id)
    assert (
        phones.phone().send("POST", "/pair", f"secret={code}".encode(), FORM | headers).status
        == 403
    )
    assert phones.send_code(code).status == 303, "a refused request uses no code up"


def test_a_change_from_a_phone_needs_origin_and_token(both, mine):
    _, phones = both
    phone = phones.paired(mine.id)
    assert phone.send("POST", "/my/untick", b"", FORM, drop=("Origin",)).status == 403
    assert phone.send("POST", "/my/untick", b"token=1", FORM).status == 403
    kind = {"content-type": "application/json"}
    assert phone.send("POST", "/my/uploads", b"{}", kind).status == 403


def test_who_guesses_is_shut_out_and_the_open_code_is_void(both, mine):
    site, phones = both
    code = phones.way.pairings.new_code(mine.id)
    wrong = [phones.send_code(f"22222-2222{n}").status for n in range(2, 2 + MOST_WRONG)]
    assert wrong == [403] * MOST_WRONG
    assert phones.send_code(code).status == 429
    page = site.patient(mine.id)
    assert "too many wrong codes" in page.get("/my/phone").text
    assert page.post("/my/phone").status == 429


def test_a_code_is_over_after_minutes_and_the_door_opens_again(monkeypatch):
    clock = SimpleNamespace(monotonic=lambda: clock.now, now=1000.0)
    monkeypatch.setattr(pairing, "time", clock)
    found = Pairings(Sessions())
    code = found.new_code(1)
    clock.now += pairing.CODE_S - 1
    assert found.is_waiting(1)
    clock.now += 2
    assert not found.is_waiting(1)
    assert found.pair(code) is None, "too old"
    newer = found.new_code(1)
    newest = found.new_code(1)
    assert found.pair(newer) is None, "a newer one voids it"
    assert found.sessions.find(found.pair(newest)).patient_id == 1
    for _ in range(MOST_WRONG - 2):
        assert found.pair("wrong") is None
    assert found.is_shut
    with pytest.raises(TooManyWrong):
        found.new_code(1)
    clock.now += pairing.SHUT_S + 1
    assert found.sessions.find(found.pair(found.new_code(2))).patient_id == 2


def test_codes_stand_nowhere_as_they_are(both, clinic, mine):
    _, phones = both
    code = phones.way.pairings.new_code(mine.id)
    plain = code.replace("-", "")
    assert plain not in repr(vars(phones.way.pairings))
    phones.paired(mine.id)
    kept = (clinic.folder.root / "phone-sessions.json").read_text()
    assert next(iter(json.loads(kept).values()))[:2] == ["patient", mine.id]


def test_the_certificate_is_kept_and_its_key_is_the_owners_only(tmp_path):
    first = kept_certificate(tmp_path / "phone", "192.168.7.5")
    assert stat.S_IMODE(first.path.stat().st_mode) == 0o600
    assert stat.S_IMODE(first.path.parent.stat().st_mode) == 0o700
    text = first.path.read_text()
    assert kept_certificate(tmp_path / "phone", "192.168.7.5") == first
    assert first.path.read_text() == text
    assert kept_certificate(tmp_path / "phone", "192.168.7.6").sha256 != first.sha256
    der = ssl.PEM_cert_to_DER_cert(text[text.index("-----BEGIN CERTIFICATE") :])
    assert hashlib.sha256(der).hexdigest() == first.sha256
    assert re.fullmatch(r"([0-9A-F]{2}:){31}[0-9A-F]{2}", first.fingerprint)


@pytest.mark.parametrize("change", ["cut off", "empty", "of another address", "foreign key"])
def test_a_certificate_that_cannot_be_used_is_made_anew(tmp_path, change):
    first = kept_certificate(tmp_path, "192.168.7.5")
    text = first.path.read_text()
    other = kept_certificate(tmp_path, "192.168.7.6").path.read_text()
    at = text.index("-----BEGIN CERTIFICATE")
    first.path.write_text(
        {
            "cut off": text[:-60],
            "empty": "",
            "of another address": other,
            "foreign key": other[: other.index("-----BEGIN CERTIFICATE")] + text[at:],
        }[change]
    )
    again = kept_certificate(tmp_path, "192.168.7.5")
    assert again.sha256 != first.sha256
    assert kept_certificate(tmp_path, "192.168.7.5") == again


def test_it_is_bound_to_one_address_and_speaks_tls_only(both, tmp_path):
    _, phones = both
    way = phones.way
    assert is_answering(way.address, way.port)
    with way_at(tmp_path / "second", "127.0.0.9") as (at_nine, listening):
        assert listening.getsockname() == ("127.0.0.9", at_nine.port)
        assert not is_answering("127.0.0.8", at_nine.port)
    import http.client

    plain = http.client.HTTPConnection(way.address, way.port, timeout=5)
    with pytest.raises((http.client.HTTPException, OSError)):
        plain.request("GET", "/pair")
        plain.getresponse()
    plain.close()


def test_an_address_is_chosen_only_where_there_is_one(monkeypatch):
    def has(*found):
        monkeypatch.setattr(addresses, "local_addresses", lambda: found)

    has("192.168.7.5")
    assert addresses.phone_address() == "192.168.7.5"
    for wrong in ("0.0.0.0", "127.0.0.1", "192.168.7.6", "::", "", "formcheck.example"):
        with pytest.raises(UsageError, match="is no address of this computer"):
            addresses.phone_address(wrong)
    has("10.0.0.4", "192.168.7.5")
    with pytest.raises(UsageError, match=r"10\.0\.0\.4, 192\.168\.7\.5"):
        addresses.phone_address()
    assert addresses.phone_address("10.0.0.4") == "10.0.0.4"
    has()
    with pytest.raises(UsageError, match="no address in a local network"):
        addresses.phone_address()
    assert not addresses.is_of_a_local_network("8.8.8.8")
    assert addresses.is_of_a_local_network("192.168.7.9")


def test_this_computers_own_address_is_none_of_a_local_network():
    assert not any(a.startswith(("127.", "169.254.", "0.")) for a in addresses.local_addresses())


def test_while_it_is_on_every_page_says_so_and_off_none(clinic, mine):
    with running_with_phones(clinic) as (site, phones):
        for browser, path in (
            (site.patient(mine.id), "/my"),
            (site.clinician(), "/clinic"),
            (site.clinician(), "/clinic/patients/KN-204"),
        ):
            page = browser.get(path).text
            assert "The way for phones is on" in page
            assert phones.origin in page
            assert "without <code>--phone</code>" in page
        assert "data-phone-way" not in phones.paired(mine.id).get("/my").text
    with running_site(clinic) as site:
        patient = site.patient(mine.id)
        assert "data-phone-way" not in patient.get("/my").text
        page = patient.get("/my/phone").text
        assert "The way for phones is off" in page
        assert "formcheck serve --phone" in page
        answer = patient.post("/my/phone")
        assert answer.status == 409
        assert "qr-box" not in answer.text


def _listening(served) -> set[str]:
    found = psutil.Process(served.process.pid).net_connections("tcp")
    return {c.laddr.ip for c in found if c.status == psutil.CONN_LISTEN}


def test_it_is_off_unless_asked_for(tmp_path, run_formcheck):
    served = Served(tmp_path / "data")
    try:
        assert _listening(served) == {"127.0.0.1"}
        assert not (tmp_path / "data" / "phone").exists()
    finally:
        served.stop()
    told = run_formcheck("serve", "--phone-address", "192.168.7.5", "--data", tmp_path / "data")
    assert told.returncode == 2
    assert "goes with --phone" in told.stderr


def test_the_command_prints_the_fingerprint_and_a_restart_keeps_it(tmp_path):
    found = addresses.local_addresses()
    if not found:
        pytest.skip("this machine has no address in a local network")
    seen = []
    for _ in range(2):
        served = Served(tmp_path / "data", "--phone", "--phone-address", found[0])
        try:
            told = [next(served.process.stdout).strip() for _ in range(3)]
            port = int(re.search(rf"https://{re.escape(found[0])}:(\d+);", told[0])[1])
            assert _listening(served) == {"127.0.0.1", found[0]}
            pem = ssl.get_server_certificate((found[0], port), timeout=20)
            der = ssl.PEM_cert_to_DER_cert(pem)
            assert hashlib.sha256(der).hexdigest().upper() == told[1].replace(":", "")
            assert "without --phone" in told[2]
            seen.append(told[1])
        finally:
            served.stop()
    assert seen[0] == seen[1]

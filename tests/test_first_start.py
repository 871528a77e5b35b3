"""The first start: an entry for a double click, and who uses this computer."""

import configparser
import contextlib
import os
import re
import shlex
import shutil
import subprocess
import sys
import time
from pathlib import Path
from xml.etree import ElementTree

import pytest
from clinic_cases import new_clinic, new_patient, new_set, prescription_text
from web_cases import Served, running_site

from formcheck.cli.launcher import FILE_TYPE, install_launcher, launcher, remove_launcher
from formcheck.clinic import open_clinic
from formcheck.clinic.exchange import import_package, pack_plan, pack_set
from formcheck.clinic.patients import (
    add_patient,
    current_prescription,
    find_patient,
    kept_text,
    list_patients,
    save_prescription,
    set_language,
)
from formcheck.clinic.this_computer import is_unused, patient_here
from formcheck.model.errors import FileError, NoRoomError
from formcheck.web.one_file import boundary_of, parts_of
from formcheck.web.opened_file import take_in

SAMPLE = Path(__file__).parent.parent / "sample_clips"
ODD = '/opt/a b/$HOME`x`"q"\\n/50%/python'


def exec_arguments(value: str) -> list[str]:
    """The arguments of the key Exec, read as the Desktop Entry Specification says: escapes of a
    string value first, then the quotes, then the percent sign. A field code stands outside quotes
    and is left as it is."""
    text = re.sub(r"\\(.)", lambda m: {"s": " ", "n": "\n", "t": "\t"}.get(m[1], m[1]), value)
    arguments = []
    for quoted, bare in re.findall(r'"((?:[^"\\]|\\.)*)"|(\S+)', text):
        argument = re.sub(r'\\(["`$\\])', r"\1", quoted) if quoted or not bare else bare
        if bare != "%f":
            assert re.sub("%%", "", argument).count("%") == 0, "no other field code"
            argument = argument.replace("%%", "%")
        arguments.append(argument)
    return arguments


def _entry(made) -> dict[str, str]:
    """The keys of the desktop entry, the first file of a launcher on Linux."""
    text = made.files[0].content.decode("utf-8")
    assert text.startswith("[Desktop Entry]\n")
    entry = configparser.RawConfigParser(delimiters=("=",), strict=True)
    entry.optionxform = str
    entry.read_string(text)
    assert entry.sections() == ["Desktop Entry"]
    return dict(entry["Desktop Entry"])


def test_a_desktop_entry_is_one_by_the_specification_and_runs_what_it_should(tmp_path):
    for given, place in (
        ({}, tmp_path / ".local" / "share"),
        ({"XDG_DATA_HOME": str(tmp_path / "own")}, tmp_path / "own"),
        ({"XDG_DATA_HOME": "not/absolute"}, tmp_path / ".local" / "share"),
    ):
        for python in (sys.executable, ODD):
            made = launcher(
                data=tmp_path / "my data", system="linux", home=tmp_path, environment=given,
                python=python,
            )  # fmt: skip
            assert made.files[0].path == place / "applications" / "formcheck.desktop"
            keys = _entry(made)
            assert {"Type", "Name", "Exec"} <= keys.keys()
            assert (keys["Type"], keys["Terminal"]) == ("Application", "true")
            assert keys["Categories"].endswith(";")
            assert exec_arguments(keys["Exec"])[3:] == [
                python, "-m", "formcheck", "serve", "--again", "--data", str(tmp_path / "my data"),
                "%f",
            ]  # fmt: skip
    if shutil.which("desktop-file-validate"):
        install_launcher(made)
        subprocess.run(["desktop-file-validate", made.files[0].path], check=True)


def _stand_in(folder: Path, code: int = 0) -> Path:
    """In the place of Python: says what it was called with, and ends with a code."""
    path = folder / "it's python"
    path.write_text(f'#!/bin/sh\nprintf "%s\\n" "$@"\nexit {code}\n')
    path.chmod(0o755)
    return path


@pytest.mark.parametrize("code", [0, 4])
def test_a_double_click_on_a_file_hands_it_over_and_an_error_stays_on_the_screen(tmp_path, code):
    file = tmp_path / "a plan's $1.formcheck"
    made = launcher(system="linux", home=tmp_path, python=str(_stand_in(tmp_path, code)))
    arguments = exec_arguments(_entry(made)["Exec"])
    assert arguments[-1] == "%f"
    for opened in ([], [str(file)]):
        with subprocess.Popen(
            [*arguments[:-1], *opened], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as running:
            if code:
                # It waits for a key: nothing but that ends it.
                with pytest.raises(subprocess.TimeoutExpired):
                    running.wait(0.5)
            said, _ = running.communicate("\n", timeout=20)
        kept = ["Press Enter to close this window."] if code else []
        assert said.splitlines() == ["-m", "formcheck", "serve", "--again", *opened, *kept]


def test_files_of_formcheck_have_a_type_that_the_entry_opens(tmp_path):
    own = {"XDG_DATA_HOME": str(tmp_path)}
    made = launcher(system="linux", home=tmp_path, environment=own)
    entry, kind = made.files
    assert kind.path == tmp_path / "mime" / "packages" / "formcheck.xml"
    of = "{http://www.freedesktop.org/standards/shared-mime-info}"
    (declared,) = ElementTree.fromstring(kind.content).iter(f"{of}mime-type")
    assert [g.get("pattern") for g in declared.iter(f"{of}glob")] == ["*.formcheck"]
    assert _entry(made)["MimeType"] == f"{declared.get('type')};"
    for path in install_launcher(made):
        assert path.stat().st_mode & 0o777 == (0o755 if path == entry.path else 0o644)
    if all(shutil.which(tool[0]) for tool in made.tools) and shutil.which("gio"):
        # What a file manager is told of such a file.
        (tmp_path / "x.formcheck").write_bytes(b"PK\x03\x04")
        told = subprocess.run(
            ["gio", "mime", FILE_TYPE], capture_output=True, text=True, env={**os.environ, **own}
        ).stdout
        assert "formcheck.desktop" in told
        asked = ["gio", "info", "-a", "standard::content-type", str(tmp_path / "x.formcheck")]
        told = subprocess.run(asked, capture_output=True, text=True, env={**os.environ, **own})
        assert FILE_TYPE in told.stdout
    remove_launcher(made)
    assert not entry.path.exists()
    assert not kind.path.exists()


def test_a_file_for_windows_and_one_for_macos_run_the_same(tmp_path):
    (mac,) = launcher(system="darwin", home=tmp_path, python=ODD, data=tmp_path / "d").files
    assert mac.path == tmp_path / "Desktop" / "formcheck.command"
    first, line = mac.content.decode().splitlines()
    assert first == "#!/bin/sh"
    assert shlex.split(line) == [
        "exec", ODD, "-m", "formcheck", "serve", "--again", "--data", str(tmp_path / "d"),
    ]  # fmt: skip
    (windows,) = launcher(system="win32", home=tmp_path, python=r"C:\50% of\python.exe").files
    assert windows.path == tmp_path / "Desktop" / "formcheck.cmd"
    assert windows.content.count(b"\n") == windows.content.count(b"\r\n")
    lines = windows.content.decode().split("\r\n")
    assert lines[0] == "@echo off"
    assert r'"C:\50%% of\python.exe" "-m" "formcheck" "serve" "--again" %*' in lines


class _Registry:
    """The keys of a user's registry, behind the calls of the module winreg that are used."""

    HKEY_CURRENT_USER, REG_SZ, KEY_READ, KEY_SET_VALUE = "HKCU", 1, 0x20019, 2

    def __init__(self):
        self.values = {"Software": "", r"Software\Classes": ""}

    def CreateKey(self, root, path):
        parts = path.split("\\")
        for n in range(1, len(parts) + 1):
            self.values.setdefault("\\".join(parts[:n]), "")
        return contextlib.nullcontext(path)

    def OpenKey(self, root, path, reserved, access):
        assert (reserved, access) == (0, self.KEY_READ | self.KEY_SET_VALUE)
        if path not in self.values:
            raise FileNotFoundError(path)
        return contextlib.nullcontext(path)

    def DeleteValue(self, key, name):
        assert name == ""
        self.values[key] = ""

    def SetValueEx(self, key, name, reserved, kind, value):
        assert (name, reserved, kind) == ("", 0, self.REG_SZ)
        self.values[key] = value

    def QueryValueEx(self, key, name):
        return self.values[key], self.REG_SZ

    def DeleteKey(self, root, path):
        if any(other.startswith(path + "\\") for other in self.values):
            raise PermissionError(path)
        del self.values[path]


def test_windows_opens_the_files_with_the_command_file_until_it_is_removed(tmp_path):
    made, registry = launcher(system="win32", home=tmp_path), _Registry()
    before = dict(registry.values)
    install_launcher(made, registry)
    classes = r"Software\Classes"
    kind = registry.values[rf"{classes}\.formcheck"]
    command = registry.values[rf"{classes}\{kind}\shell\open\command"]
    assert command == f'"{tmp_path / "Desktop" / "formcheck.cmd"}" "%1"'
    remove_launcher(made, registry)
    assert registry.values == before
    # What another program took over meanwhile stays, with the parts that it needs.
    install_launcher(made, registry)
    registry.values[rf"{classes}\.formcheck"] = "another.program"
    remove_launcher(made, registry)
    assert registry.values == {**before, rf"{classes}\.formcheck": "another.program"}


def test_the_macos_file_starts_formcheck_when_it_is_run(tmp_path):
    (written,) = install_launcher(
        launcher(system="darwin", home=tmp_path, python=str(_stand_in(tmp_path)))
    )
    said = subprocess.run([written], capture_output=True, text=True, check=True).stdout
    assert said.split() == ["-m", "formcheck", "serve", "--again"]


def _formcheck(*arguments, **environment):
    return subprocess.run(
        [sys.executable, "-m", "formcheck", *arguments],
        capture_output=True,
        text=True,
        env={**os.environ, **environment},
        timeout=60,
    )


def test_the_command_says_what_it_wrote_and_takes_it_away_again(tmp_path):
    own = {"XDG_DATA_HOME": str(tmp_path), "HOME": str(tmp_path)}
    done = _formcheck("serve", "--install-launcher", **own)
    assert done.returncode == 0, done.stderr
    wrote = Path(done.stdout.splitlines()[0].removeprefix("wrote "))
    assert wrote.read_bytes().startswith(b"[Desktop Entry]")
    assert f"removed {wrote}" in _formcheck("serve", "--remove-launcher", **own).stdout
    assert not wrote.exists()
    assert "no launcher" in _formcheck("serve", "--remove-launcher", **own).stdout
    both = _formcheck("serve", "--remove-launcher", "--install-launcher", **own)
    assert both.returncode == 2


@pytest.mark.parametrize(
    "options",
    [
        [],
        ["--phone"],
        ["--no-browser", "--port", "4271", "--patient", "KP-1", "--retain-days", "90"],
        ["--clinician", "--pose-model", "lite", "--phone", "--phone-address", "192.0.2.7"],
    ],
)
def test_the_entry_keeps_the_options_it_was_written_with(tmp_path, options):
    done = _formcheck("serve", "--install-launcher", *options, XDG_DATA_HOME=str(tmp_path))
    assert done.returncode == 0, done.stderr
    text = (tmp_path / "applications" / "formcheck.desktop").read_text()
    (line,) = [line for line in text.splitlines() if line.startswith("Exec=")]
    kept = exec_arguments(line.removeprefix("Exec="))
    assert kept[3:] == [sys.executable, "-m", "formcheck", "serve", "--again", *options, "%f"]


@pytest.mark.parametrize(
    "options",
    [
        ["--patient", "KP-1", "--clinician"],
        ["--pose-model", "x"],
        ["--phone-address", "::1"],
        ["plan.formcheck"],
    ],
)
def test_no_entry_is_written_for_options_that_do_not_go(tmp_path, options):
    done = _formcheck("serve", "--install-launcher", *options, XDG_DATA_HOME=str(tmp_path))
    assert done.returncode == 2
    assert not list(tmp_path.iterdir())


def test_formcheck_alone_says_in_six_lines_what_can_be_done():
    done = _formcheck()
    assert (done.returncode, done.stderr) == (0, "")
    assert len(done.stdout.splitlines()) == 6
    assert all(line.startswith("formcheck ") for line in done.stdout.splitlines())
    assert max(map(len, done.stdout.splitlines())) <= 100


def test_a_second_start_asks_the_first_one_for_its_page(tmp_path):
    served = Served(tmp_path / "data")
    try:
        refused = _formcheck("serve", "--data", str(tmp_path / "data"), "--no-browser")
        assert refused.returncode == 8
        again = _formcheck("serve", "--data", str(tmp_path / "data"), "--again")
        assert again.returncode == 0, again.stderr
        assert "open already" in again.stdout
        assert served.come_in(served.next_link())[1] == "/"
        assert not list((tmp_path / "data").glob("open-again*"))
    finally:
        served.stop()


def test_the_first_one_opens_each_page_once_that_it_is_asked_for(tmp_path):
    import threading

    from formcheck.clinic.folder import ask_again, data_folder
    from formcheck.web import server

    opened, stop, folder = [], threading.Event(), data_folder(tmp_path)
    # Three files opened at once, and what was asked of a server that is gone.
    pages = ["", "/clinic/sets/1", "/clinic/sets/2", "/clinic/sets/3"]
    for page in [*pages, "long ago"]:
        ask_again(folder, page)
    long_ago = time.time() - 120
    for asked in tmp_path.glob("open-again*"):
        if asked.read_text("utf-8") == "long ago":
            os.utime(asked, (long_ago, long_ago))
    watch = threading.Thread(
        target=server._open_when_asked,
        args=(folder, "link to {}".format, stop, opened.append),
        daemon=True,
    )
    watch.start()
    until = time.monotonic() + 20
    while len(opened) < len(pages) and time.monotonic() < until:
        time.sleep(0.05)
    time.sleep(1.2)
    stop.set()
    watch.join(timeout=10)
    assert sorted(opened) == [f"link to {page}" for page in pages]
    assert not list(tmp_path.glob("open-again*"))


# -- who uses this computer


@pytest.fixture(scope="module")
def plans(tmp_path_factory) -> dict[str, bytes]:
    """The clinic's files of two patients."""
    root = tmp_path_factory.mktemp("clinic")
    clinic = open_clinic(root / "data")
    made = {}
    for code in ("KN-204", "KN-205"):
        text = (SAMPLE / "prescription.toml").read_text("utf-8")
        patient = add_patient(clinic, code)
        save_prescription(clinic, patient, text.replace("KN-204", code), "A.B.")
        pack_plan(clinic, code, root / code)
        made[code] = (root / code).read_bytes()
    clinic.close()
    return made


@pytest.fixture
def site(tmp_path):
    clinic = open_clinic(tmp_path / "data")
    with running_site(clinic) as running:
        yield running
    clinic.close()


def _send(browser, content: bytes, token: str | None = None):
    form = (
        b'--line\r\nContent-Disposition: form-data; name="token"\r\n\r\n'
        + (browser.token if token is None else token).encode()
        + b'\r\n--line\r\nContent-Disposition: form-data; name="file"; filename="a.formcheck"\r\n'
        + b"Content-Type: application/octet-stream\r\n\r\n"
        + content
        + b"\r\n--line--\r\n"
    )
    kind = {"content-type": "multipart/form-data; boundary=line"}
    return browser.send("POST", "/clinic/start/patient", form, kind)


def test_an_empty_folder_asks_who_uses_it_and_one_in_use_does_not(site):
    browser = site.clinician()
    assert browser.get("/").header("location") == "/clinic/start"
    assert "Who uses this computer?" in browser.get("/clinic/start").text
    assert browser.post("/clinic/start").header("location") == "/clinic/settings"
    assert is_unused(site.clinic), "nothing is kept before something is entered"
    add_patient(site.clinic, "KN-1")
    assert browser.get("/").header("location") == "/clinic"
    assert browser.get("/clinic/start").status == 303


def test_the_first_pages_are_told_in_the_browsers_language(site):
    browser = site.clinician()
    for sent, words in (("es-MX,es;q=0.9", "¿Quién usa este equipo?"), ("de", "Who uses")):
        told = browser.send("GET", "/clinic/start", headers={"Accept-Language": sent})
        assert words in told.text
    # What comes after a clinic's choice is a clinic's page.
    assert (
        "Settings"
        in browser.send("GET", "/clinic/settings", headers={"Accept-Language": "es"}).text
    )


def test_a_patients_first_file_makes_the_computer_and_the_session_theirs(site, plans):
    browser = site.clinician()
    answer = _send(browser, plans["KN-204"])
    assert (answer.status, answer.header("location")) == (303, "/my?said=imported")
    assert browser.get("/clinic").status == 401, "the session of before is over"
    browser.cookie = answer.header("set-cookie").split(";")[0]
    assert "Today's exercises" in browser.get("/my").text
    assert browser.get("/clinic").status == 403
    assert patient_here(site.clinic).code == "KN-204"
    # The form is not there for a second file, whoever sends it.
    late = site.clinician()
    assert _send(late, plans["KN-205"]).status == 400
    assert [p.code for p in list_patients(site.clinic)] == ["KN-204"]


def test_a_wrong_first_file_is_told_in_one_sentence_and_nothing_of_it_is_kept(site, plans):
    whole = plans["KN-204"]
    changed = bytearray(whole)
    changed[whole.index(b"valid_from")] ^= 1
    frozen = Path(__file__).parent / "frozen" / "set-1.0.formcheck"
    cases = {
        "photo": b"\xff\xd8\xff\xe0" + bytes(5000),
        "song": b"ID3" + bytes(range(256)) * 40,
        "half": whole[: len(whole) // 2],
        "changed": bytes(changed),
        "empty": b"",
        "a set": frozen.read_bytes(),
        "too large": bytes(9_000_000),
    }
    browser = site.clinician()
    for name, content in cases.items():
        answer = _send(browser, content)
        assert answer.status == 400, (name, answer.status)
        (told,) = re.findall(r"Nothing was kept</h2><p>(.*?)</p>", answer.text)
        assert re.fullmatch(r"This file [^.]*\.", told), (name, told)
        assert is_unused(site.clinic), name
        assert not list(site.clinic.folder.uploads.iterdir()), name
    assert _send(browser, whole).status == 303, "the right one is taken afterwards"


def test_the_first_file_is_taken_from_our_own_form_alone(site, plans):
    browser = site.clinician()
    assert _send(browser, plans["KN-204"], token="wrong").status == 403
    kind = {"content-type": "text/plain"}
    assert browser.send("POST", "/clinic/start/patient", b"x", kind).status == 403
    assert browser.post("/clinic/start/patient").status == 403
    foreign = {
        "content-type": "multipart/form-data; boundary=line",
        "Origin": "http://evil.example",
    }
    assert browser.send("POST", "/clinic/start/patient", b"", foreign).status == 403
    other = {"content-type": "multipart/form-data; boundary=line"}
    assert browser.send("POST", "/clinic/settings/contact", b"", other).status == 403
    assert is_unused(site.clinic)


def test_an_update_of_another_patient_changes_nothing_at_home(site, plans):
    browser = site.clinician()
    browser.cookie = _send(browser, plans["KN-204"]).header("set-cookie").split(";")[0]
    browser._token = ""
    answer = browser.call("PUT", "/my/plan/file", plans["KN-205"])
    assert answer.status == 400
    assert "comes from elsewhere" in answer.text or "not of these pages" in answer.text
    assert [p.code for p in list_patients(site.clinic)] == ["KN-204"]


def test_serve_opens_the_patients_own_page_once_the_computer_is_theirs(tmp_path, plans):
    clinic = open_clinic(tmp_path / "data")
    with running_site(clinic) as running:
        assert _send(running.clinician(), plans["KN-204"]).status == 303
    clinic.close()
    for options, place in (((), "/my"), (("--clinician",), "/clinic")):
        served = Served(tmp_path / "data", *options)
        try:
            assert served.enter().get("/").header("location") == place
        finally:
            served.stop()


def test_a_double_click_on_the_clinics_file_leaves_a_patient_with_nothing_to_type(tmp_path, plans):
    """What the entry runs with a file, on a new computer, then again, then with another's."""
    file, others = tmp_path / "KN-204_plan.formcheck", tmp_path / "KN-205_plan.formcheck"
    file.write_bytes(plans["KN-204"])
    others.write_bytes(plans["KN-205"])
    data = tmp_path / "data"
    served = Served(data, str(file))
    try:
        browser, came_to = served.come_in()
        assert came_to == "/my?said=imported"
        assert "Today's exercises" in browser.get(came_to).text
        # While it is open, the same file once more: its page comes up, and says so.
        again = _formcheck("serve", "--data", str(data), "--again", str(file))
        assert again.returncode == 0, again.stderr
        assert "had been taken in before" in again.stdout
        assert served.come_in(served.next_link())[1] == "/my?said=twice"
        refused = _formcheck("serve", "--data", str(data), "--again", str(others))
        assert refused.returncode == 4
        assert len(refused.stderr.strip().splitlines()) == 1
        missing = _formcheck("serve", "--data", str(data), "--again", str(tmp_path / "gone"))
        assert missing.returncode == 4
    finally:
        served.stop()
    clinic = open_clinic(data)
    assert [p.code for p in list_patients(clinic)] == ["KN-204"]
    assert patient_here(clinic).code == "KN-204"
    clinic.close()


def test_a_file_for_pages_that_cannot_show_it_is_taken_in_by_nobody(tmp_path, plans):
    file, data = tmp_path / "KN-204_plan.formcheck", tmp_path / "data"
    file.write_bytes(plans["KN-204"])
    for options in (["--clinician"], ["--patient", "KN-999"], ["--patient", "KN-204"]):
        done = _formcheck("serve", "--data", str(data), "--no-browser", *options, str(file))
        assert done.returncode == 2
        clinic = open_clinic(data)
        assert is_unused(clinic)
        clinic.close()
    # A folder in use that is not to be opened again: nothing is taken in unseen.
    served = Served(data)
    try:
        done = _formcheck("serve", "--data", str(data), str(file))
        assert done.returncode == 8
        # Opened again it is, and who was in before is a clinician of nobody.
        before, _ = served.come_in()
        assert before.get("/clinic").status == 200
        again = _formcheck("serve", "--data", str(data), "--again", str(file))
        assert again.returncode == 0, again.stderr
        browser, came_to = served.come_in(served.next_link())
        assert "Today's exercises" in browser.get(came_to).text
        assert before.get("/clinic").status == 401
    finally:
        served.stop()


def test_the_clinics_own_older_file_puts_no_older_plan_in_force(tmp_path):
    clinic = new_clinic(tmp_path)
    patient = new_patient(clinic)
    first, second = tmp_path / "first.formcheck", tmp_path / "second.formcheck"
    pack_plan(clinic, patient.code, first)
    written = prescription_text().replace("repetitions = 6", "repetitions = 8")
    save_prescription(clinic, patient, written, "A.B.")
    pack_plan(clinic, patient.code, second)
    for file, said in ((first, "older"), (second, "imported"), (second, "twice")):
        assert take_in(clinic, file).page.endswith(f"/prescription?said={said}")
        assert current_prescription(clinic, patient.id).text == kept_text(written)
    # What is written here next stands against the files of before, too.
    newest = written.replace("repetitions = 8", "repetitions = 9")
    save_prescription(clinic, patient, newest, "A.B.")
    for file in (first, second):
        take_in(clinic, file)
        assert current_prescription(clinic, patient.id).text == kept_text(newest)
    clinic.close()


def test_at_home_the_plan_that_was_packed_last_stands_whatever_was_before(tmp_path):
    clinic, home = new_clinic(tmp_path / "clinic"), open_clinic(tmp_path / "home")
    patient = new_patient(clinic)
    texts = [
        prescription_text().replace("repetitions = 6", f"repetitions = {n}") for n in (6, 8, 6)
    ]
    files = [tmp_path / f"{n}.formcheck" for n in range(3)]
    for text, file in zip(texts, files, strict=True):
        save_prescription(clinic, patient, text, "A.B.")
        pack_plan(clinic, patient.code, file)
        time.sleep(1.1)  # moments are told in seconds
    assert take_in(home, files[0]).page == "/my?said=imported"
    own = patient_here(home)
    for file, n, said in (
        (files[1], 8, "imported"),
        (files[2], 6, "imported"),
        (files[1], 6, "twice"),
    ):
        assert take_in(home, file).page == f"/my?said={said}"
        assert f"repetitions = {n}" in current_prescription(home, own.id).text
    clinic.close()
    home.close()


def test_at_home_a_wrong_file_is_told_in_the_patients_language(tmp_path, plans):
    home = open_clinic(tmp_path / "home")
    (tmp_path / "plan.formcheck").write_bytes(plans["KN-204"])
    take_in(home, tmp_path / "plan.formcheck")
    own = patient_here(home)
    set_language(home, own.id, "es")
    stored = new_set(home, own)
    pack_set(home, stored.uid, tmp_path / "set.formcheck")
    with pytest.raises(FileError, match="contiene una serie grabada"):
        take_in(home, tmp_path / "set.formcheck")
    home.close()


def test_a_full_disk_is_told_as_one_and_leaves_a_new_computer_as_it_was(
    tmp_path, plans, monkeypatch
):
    def full(*_, **__):
        raise NoRoomError("the disk is nearly full; free some space first")

    file, clinic = tmp_path / "plan.formcheck", open_clinic(tmp_path / "home")
    file.write_bytes(plans["KN-204"])
    monkeypatch.setattr("formcheck.clinic.exchange.save_prescription", full)
    with pytest.raises(NoRoomError, match="nearly full"):
        take_in(clinic, file)
    assert is_unused(clinic)
    clinic.close()


def test_a_file_that_is_no_plan_leaves_a_new_computer_as_it_was(tmp_path):
    photo, data = tmp_path / "photo.formcheck", tmp_path / "data"
    photo.write_bytes(b"\xff\xd8\xff\xe0" + bytes(5000))
    frozen = Path(__file__).parent / "frozen" / "set-1.0.formcheck"
    for file in (photo, frozen):
        done = _formcheck("serve", "--data", str(data), "--no-browser", str(file))
        assert done.returncode == 4
        assert len(done.stderr.strip().splitlines()) == 1
        clinic = open_clinic(data)
        assert is_unused(clinic)
        clinic.close()


def test_a_clinic_sees_the_set_that_a_file_brings(tmp_path):
    """The plan goes home, a set is recorded there, and its file is double-clicked at the clinic."""
    here, home = new_clinic(tmp_path / "here"), open_clinic(tmp_path / "home")
    patient = new_patient(here)
    pack_plan(here, patient.code, tmp_path / "plan.formcheck")
    import_package(home, tmp_path / "plan.formcheck")
    here.close()
    stored = new_set(home, find_patient(home, patient.code))
    pack_set(home, stored.uid, tmp_path / "set.formcheck")
    home.close()
    served = Served(tmp_path / "here" / "data", str(tmp_path / "set.formcheck"))
    try:
        browser, came_to = served.come_in()
        assert came_to == f"/clinic/sets/{stored.uid}?said=imported"
        assert browser.get(came_to).status == 200
    finally:
        served.stop()


def test_the_bytes_of_a_part_are_those_that_were_sent():
    content = bytes(range(256)) + b"\r\n\r\n--lin\r\n--" + b"\r\n"
    body = (
        b'--line\r\nContent-Disposition: form-data; name="file"\r\n\r\n' + content
        + b"\r\n--line\r\nno header\r\n--line--\r\n"
    )  # fmt: skip
    boundary = boundary_of('multipart/form-data; boundary="line"')
    assert parts_of(body, boundary) == {"file": content}
    assert boundary_of("application/x-www-form-urlencoded") is None

"""Nothing that was acknowledged is lost, whatever fails between two steps."""

import asyncio
import json
import sqlite3
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from clinic_cases import VIDEO_HEAD, new_patient

from formcheck.clinic import Clinic, uploads
from formcheck.clinic.sets import AboutSet, find_set
from formcheck.model.errors import BusyError, FormcheckError, UsageError

PIECES = (VIDEO_HEAD + b"one", b"two" * 2000, b"three" * 100)


async def _body(*blocks):
    for block in blocks:
        yield block


def receive(clinic, upload, n, *blocks):
    return asyncio.run(uploads.receive_piece(clinic, upload, n, _body(*blocks)))


def begun(clinic: Clinic, patient, pieces=PIECES):
    about = AboutSet(exercise="squat", side="left", day="2025-03-01")
    upload = uploads.begin_upload(clinic, patient.id, about, "clip.mp4")
    for n, piece in enumerate(pieces):
        upload = receive(clinic, upload, n, piece)
    return upload


def recording_of(clinic, uid) -> bytes:
    return clinic.folder.recording(find_set(clinic, uid).recording).read_bytes()


# -- a recording and its pieces


def _database_fails(clinic, monkeypatch, words: str):
    from sqlalchemy import event

    def fail(_connection, _cursor, statement, *_rest):
        if statement.lstrip().startswith("INSERT INTO sets"):
            raise sqlite3.OperationalError(words)

    event.listen(clinic.engine, "before_cursor_execute", fail)
    return lambda: event.remove(clinic.engine, "before_cursor_execute", fail)


@pytest.mark.parametrize("words", ["database is locked", "database or disk is full", "disk I/O"])
def test_a_recording_stays_and_is_offered_again_when_its_row_cannot_be_written(
    clinic, monkeypatch, words
):
    patient = new_patient(clinic)
    upload = begun(clinic, patient)
    mend = _database_fails(clinic, monkeypatch, words)
    with pytest.raises((FormcheckError, sqlite3.OperationalError)):
        uploads.finish_upload(clinic, upload.uid, patient.id)
    mend()
    (offered,) = uploads.open_uploads(clinic, patient.id)
    assert offered.n_bytes == sum(map(len, PIECES))
    uploads.remove_strays(clinic)  # a start in between
    more = receive(clinic, offered, 3, b"and more")
    uploads.finish_upload(clinic, more.uid, patient.id)
    assert recording_of(clinic, upload.uid) == b"".join(PIECES) + b"and more"


def test_what_the_database_says_becomes_words_that_tell_what_to_do(clinic):
    from sqlalchemy import event

    other = sqlite3.connect(clinic.folder.database, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")

    def impatient(raw, *_args):
        raw.execute("PRAGMA busy_timeout = 50")

    event.listen(clinic.engine, "checkout", impatient)
    with pytest.raises(BusyError, match="nothing was lost"), clinic.write():
        pass
    other.close()


def test_finishing_many_times_at_once_gives_one_set_and_one_answer(clinic):
    patient = new_patient(clinic)
    for _ in range(6):
        upload = begun(clinic, patient)
        at_once = threading.Barrier(4)

        def finish(uid=upload.uid, at_once=at_once):
            at_once.wait()
            return uploads.finish_upload(clinic, uid, patient.id)

        with ThreadPoolExecutor(4) as threads:
            answers = [threads.submit(finish) for _ in range(4)]
            assert len({a.result() for a in answers}) == 1
        assert recording_of(clinic, upload.uid) == b"".join(PIECES)


class _BrokenOff(Exception):
    pass


async def _breaks_off(first: bytes, wait: threading.Event, started: threading.Event):
    yield first
    started.set()
    await asyncio.to_thread(wait.wait)
    raise _BrokenOff


def test_a_repeated_piece_that_breaks_off_leaves_what_was_acknowledged(clinic):
    patient = new_patient(clinic)
    upload = begun(clinic, patient, PIECES[:1])
    wait, started = threading.Event(), threading.Event()

    def repeat():
        with pytest.raises((_BrokenOff, UsageError)):
            asyncio.run(uploads.receive_piece(clinic, upload, 1, _breaks_off(b"tw", wait, started)))

    # The sender gave the first try up and sends the piece again; the first one breaks off last.
    with ThreadPoolExecutor(1) as threads:
        first = threads.submit(repeat)
        assert started.wait(20)
        try:
            now = receive(clinic, upload, 1, PIECES[1])
            now = receive(clinic, now, 2, PIECES[2])
        finally:
            wait.set()
        first.result()
    uploads.finish_upload(clinic, upload.uid, patient.id)
    assert recording_of(clinic, upload.uid) == b"".join(PIECES)


def test_another_piece_under_a_known_number_is_refused(clinic):
    patient = new_patient(clinic)
    upload = begun(clinic, patient)
    assert receive(clinic, upload, 1, PIECES[1]).n_pieces == 3
    with pytest.raises(UsageError, match="is here already, and is another one"):
        receive(clinic, upload, 1, PIECES[1][:-1])


@pytest.mark.parametrize("damage", ["cut", "zeros", "gone"])
def test_a_recording_with_a_missing_tail_is_offered_with_what_it_holds(clinic, damage):
    patient = new_patient(clinic)
    upload = begun(clinic, patient)
    part = clinic.folder.upload(upload.uid)
    whole = part.read_bytes()
    kept = len(PIECES[0])
    part.write_bytes(
        whole[: kept + 9] + (bytes(len(whole) - kept - 9) if damage == "zeros" else b"")
    )
    if damage == "gone":
        part.unlink()
        kept = 0
    with pytest.raises(uploads.TailLost) as told:
        uploads.finish_upload(clinic, upload.uid, patient.id)
    assert told.value.n_pieces == (0 if damage == "gone" else 1)
    assert [u.n_bytes for u in uploads.open_uploads(clinic, patient.id)] == ([kept] if kept else [])
    if kept:  # what is here is kept ...
        uploads.finish_upload(clinic, upload.uid, patient.id)
        assert recording_of(clinic, upload.uid) == PIECES[0]
    else:  # ... or the rest is sent again
        upload = uploads.find_upload(clinic, upload.uid, patient.id)
        for n, piece in enumerate(PIECES):
            upload = receive(clinic, upload, n, piece)
        uploads.finish_upload(clinic, upload.uid, patient.id)
        assert recording_of(clinic, upload.uid) == b"".join(PIECES)


def test_a_recording_that_an_earlier_version_began_is_finished(clinic):
    patient = new_patient(clinic)
    upload = begun(clinic, patient)
    with clinic.write() as c:
        c.exec_driver_sql("UPDATE uploads SET pieces = ''")
    part = clinic.folder.upload(upload.uid)
    part.rename(part.with_name(f"{upload.uid}.mp4.part"))
    upload = receive(clinic, uploads.find_upload(clinic, upload.uid, patient.id), 3, b"last")
    uploads.finish_upload(clinic, upload.uid, patient.id)
    assert recording_of(clinic, upload.uid) == b"".join(PIECES) + b"last"


# -- over the wire


@pytest.fixture
def site(clinic):
    pytest.importorskip("starlette")
    from web_cases import running_site

    patient = new_patient(clinic)
    with running_site(clinic) as running:
        yield running, running.patient(patient.id), patient


def _begin_on(browser) -> str:
    about = {"exercise": "squat", "side": "left", "file_name": "a.mp4"}
    answer = browser.call("POST", "/my/uploads", json.dumps(about).encode())
    return json.loads(answer.body)["uid"]


def test_deeply_nested_json_and_numbers_beyond_all_bounds_are_told(site):
    _, browser, _ = site
    for body in (b"[" * 100_000, b'{"load_kg": 1e999}', b'{"exercise": "\\ud800"}', b"NaN"):
        answer = browser.call("POST", "/my/uploads", body)
        assert answer.status == 400, body[:20]
        assert "went wrong" not in answer.text
        if len(body) < 20_000:
            continue
        at = "/my/do/squat/left/1/stopped"
        assert browser.call("POST", at, b"[" * 1900).status == 400


def test_a_full_disk_is_told_as_one_and_nothing_is_lost(site, monkeypatch):
    import errno

    running, browser, _ = site
    uid = _begin_on(browser)
    assert browser.call("PUT", f"/my/uploads/{uid}/pieces?n=0", PIECES[0]).status == 200

    def full(*_args):
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr("formcheck.files.storage.os.write", full)
        answer = browser.call("PUT", f"/my/uploads/{uid}/pieces?n=1", PIECES[1])
    assert answer.status == 507
    assert "the disk is full" in answer.text
    assert browser.call("PUT", f"/my/uploads/{uid}/pieces?n=1", PIECES[1]).status == 200
    assert browser.call("POST", f"/my/uploads/{uid}/finish", b"{}").status == 200
    assert recording_of(running.clinic, uid) == PIECES[0] + PIECES[1]


def test_a_lost_tail_is_told_with_the_piece_to_send_next(site):
    running, browser, _ = site
    uid = _begin_on(browser)
    for n, piece in enumerate(PIECES):
        browser.call("PUT", f"/my/uploads/{uid}/pieces?n={n}", piece)
    part = running.clinic.folder.upload(uid)
    part.write_bytes(part.read_bytes()[:-1])
    answer = browser.call("POST", f"/my/uploads/{uid}/finish", b"{}")
    assert (answer.status, json.loads(answer.body)["next"]) == (409, 2)
    browser.call("PUT", f"/my/uploads/{uid}/pieces?n=2", PIECES[2])
    assert browser.call("POST", f"/my/uploads/{uid}/finish", b"{}").status == 200
    assert recording_of(running.clinic, uid) == b"".join(PIECES)

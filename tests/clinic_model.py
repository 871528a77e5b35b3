"""What a clinic holds, as plain values: the model that tests compare a data folder with.

Each operation is given as what it does to the folder and what it does to the model. Whatever fails
in between, the folder must hold the state before or the state after, and nothing in between.
"""

import asyncio
import contextlib
import copy
import errno
import itertools
import shutil
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest import mock

from clinic_cases import VIDEO_HEAD, damage_database, new_patient, prescription_text
from failing_disk import Killed, Trouble, failing

from formcheck.clinic import (
    answers,
    backup,
    deletion,
    exchange,
    jobs,
    open_clinic,
    restoring,
    retention,
    reviews,
    uploads,
)
from formcheck.clinic.database import is_sound, one, today
from formcheck.clinic.patients import find_patient, save_prescription
from formcheck.clinic.sets import AboutSet, find_set
from formcheck.model.errors import FormcheckError

PAIN_TO_CALL_ABOUT = 7
CODES = ("KN-204", "KN-311")


@dataclass
class State:
    """(patient, ...) of everything that was acknowledged."""

    plans: dict = field(default_factory=dict)  # code: number of versions
    answers: set = field(default_factory=set)  # (code, set or None, at, pain)
    words: set = field(default_factory=set)  # (code, at, kind)
    sets: dict = field(default_factory=dict)  # uid: (code, recording, number of reviews)
    uploads: dict = field(default_factory=dict)  # uid: (code, bytes)

    def without(self, code: str) -> "State":
        return State(
            plans={c: n for c, n in self.plans.items() if c != code},
            answers={a for a in self.answers if a[0] != code},
            words={w for w in self.words if w[0] != code},
            sets={u: s for u, s in self.sets.items() if s[0] != code},
            uploads={u: s for u, s in self.uploads.items() if s[0] != code},
        )

    def standing(self) -> dict:
        """{patient: the word that stands}."""
        newest: dict = {}
        for code, _, kind in sorted(self.words):
            newest[code] = kind
        return newest


def observed(clinic) -> State:
    """What the folder holds, read without the program."""
    found, folder = State(), clinic.folder
    with contextlib.closing(sqlite3.connect(folder.database)) as c:
        codes = dict(c.execute("SELECT id, code FROM patients"))
        uids = dict(c.execute("SELECT id, uid FROM sets"))
        for patient, n in c.execute(
            """SELECT p.id, count(r.id) FROM patients p
               LEFT JOIN prescriptions r ON r.patient_id = p.id GROUP BY p.id"""
        ):
            found.plans[codes[patient]] = n
        for patient, of, at, pain in c.execute("SELECT patient_id, set_id, at, pain FROM answers"):
            found.answers.add((codes[patient], uids.get(of), at, pain))
        for patient, at, kind in c.execute("SELECT patient_id, at, kind FROM tick_history"):
            found.words.add((codes[patient], at, kind))
        for patient, uid, name, state, n in c.execute(
            """SELECT patient_id, uid, recording, state,
               (SELECT count(*) FROM reviews r WHERE r.set_id = s.id) FROM sets s"""
        ):
            assert (n > 0) == (state == "reviewed")
            found.sets[uid] = (codes[patient], (folder.recordings / name).read_bytes(), n)
        for patient, uid, n, suffix in c.execute(
            "SELECT patient_id, uid, n_bytes, suffix FROM uploads"
        ):
            part, moved = folder.uploads / f"{uid}.part", folder.recordings / f"{uid}{suffix}"
            content = (part if part.exists() else moved).read_bytes()[:n] if n else b""
            assert len(content) == n
            found.uploads[uid] = (codes[patient], content)
        ticks = {(codes[p], kind) for p, kind in c.execute("SELECT patient_id, kind FROM ticks")}
    standing = {(code, kind) for code, kind in found.standing().items() if kind != "taken back"}
    assert ticks == standing, "the newest word stands"
    return found


def _squat(kind: str, at: str) -> answers.TickWord:
    return answers.TickWord(
        at=at,
        day=today().isoformat(),
        exercise="squat",
        side="left",
        set_number=1,
        kind=kind,
        reason="pain" if kind == "not done" else "",
    )


def made_at(n: int) -> str:
    """Different moments, in order, of which none lies ahead."""
    at = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    return (at - timedelta(days=30) + timedelta(seconds=n)).isoformat(timespec="seconds")


class Packages:
    """What a patient at home has packed: each set with its answers, the log growing."""

    def __init__(self, folder: Path) -> None:
        self.template = folder / "template"
        clinic = open_clinic(self.template)
        for code in CODES:
            new_patient(clinic, code)
        self.keys = {code: find_patient(clinic, code).exchange_key for code in CODES}
        plan = folder / "plan.formcheck"
        exchange.pack_plan(clinic, CODES[0], plan)
        clinic.close()
        home = open_clinic(folder / "home")
        exchange.import_package(home, plan)
        patient = find_patient(home, CODES[0])
        self.files: list[Path] = []
        self.states: list[State] = []
        for n in range(3):
            content = VIDEO_HEAD + b"packed recording %d" % n
            part = home.folder.uploads / f"{n + 1:032x}.mp4.part"
            part.write_bytes(content)
            about = AboutSet(exercise="squat", side="left", day=today().isoformat())
            from formcheck.clinic.sets import add_set

            stored = add_set(home, patient.id, about, part, uid=f"{n + 1:032x}")
            for k in (1, 2):
                answers.add_answer(
                    home, patient.id, "after", set_id=stored.id, pain=n, at=made_at(10 * n + k)
                )
            answers.add_answer(home, patient.id, "before", pain=9, at=made_at(10 * n))
            kind = ("done", "not done", "taken back")[n]
            answers.keep_word(home, patient.id, _squat(kind, made_at(100 + n)))
            self.files.append(folder / f"{n}.formcheck")
            exchange.pack_set(home, stored.uid, self.files[-1])
            everything = observed(home)
            own = State(
                answers={a for a in everything.answers if a[1] in (None, stored.uid)},
                words=everything.words,
                sets={stored.uid: everything.sets[stored.uid]},
            )
            self.states.append(own)
        home.close()


class Folder:
    """A data folder beside its model."""

    def __init__(self, place: Path, packages: Packages) -> None:
        self.place, self.packages = place, packages
        self.root, self.backup = place / "data", place / "out" / "clinic.zip"
        shutil.copytree(packages.template, self.root)
        self.backup.parent.mkdir()
        self.clinic = open_clinic(self.root)
        self.state = observed(self.clinic)
        self.saved: State | None = None
        self.gone: set[bytes] = set()
        self.stale: dict = {}
        self.numbers = itertools.count(1000)
        self.n_steps = self.n_troubles = self.n_kills = 0

    def close(self) -> None:
        self.clinic.close()

    def restart(self) -> None:
        """As the server does when it starts."""
        self.clinic.close()
        self.clinic = open_clinic(self.root)
        uploads.remove_strays(self.clinic)
        backup.remove_backup_leftovers(self.clinic.folder)
        jobs.take_back(self.clinic)

    def do(
        self, work, after: State, trouble: Trouble | None = None, *, is_settled_by_start=False
    ) -> bool:
        """Does a piece of work under trouble; whether it was acknowledged.

        What is there afterwards is the state before it or the one after it.
        """
        before, told, trouble = self.state, None, trouble or Trouble()
        self.n_steps += 1
        try:
            with failing(trouble, self.clinic.engine):
                work()
        except Killed:
            told = "killed"
            self.n_kills += 1
            self.restart()
        except FormcheckError as error:
            told = str(error)
            if is_settled_by_start:
                self.restart()
        except OSError as error:
            if error.errno != errno.ENOSPC:
                raise
            told = "the disk is full"
            self.restart()
        self.n_troubles += told is not None
        found = observed(self.clinic)
        allowed = [after] if told is None else [before, after]
        assert found in allowed, (told, trouble, _difference(found, allowed))
        self.state = found
        for state, other in ((before, found),):
            self.gone |= {s[1] for u, s in state.sets.items() if u not in other.sets}
        return told is None

    def check(self) -> None:
        """What was deleted is nowhere, and the database is whole."""
        here = {s[1] for s in self.state.sets.values()}
        for path in self.place.rglob("data*/**/*"):
            if path.is_file() and path.suffix != ".db":
                content = path.read_bytes()
                assert not any(gone in content for gone in self.gone - here), path
        assert is_sound(self.root / "clinic.db")
        assert not list(self.root.glob(".backup-*"))
        assert not list(self.place.glob("data.restoring-*"))
        assert not list(self.backup.parent.glob(".*"))

    # -- the operations

    def _patient(self, code: str):
        return find_patient(self.clinic, code)

    def _next(self) -> State:
        return copy.deepcopy(self.state)

    def add_patient(self, code: str, trouble: Trouble) -> None:
        after = self._next()
        after.plans[code] = 1

        def work():
            with self.clinic.one_change():
                new_patient(self.clinic, code)

        self.do(work, after, trouble)

    def save_plan(self, code: str, trouble: Trouble) -> None:
        after = self._next()
        after.plans[code] += 1
        text = prescription_text(code) + f"# {next(self.numbers)}\n"
        self.do(
            lambda: save_prescription(self.clinic, self._patient(code), text, "M.T."),
            after,
            trouble,
        )

    def answer(self, code: str, uid: str | None, trouble: Trouble) -> None:
        at, after = made_at(next(self.numbers)), self._next()
        after.answers.add((code, uid, at, PAIN_TO_CALL_ABOUT))
        set_id = find_set(self.clinic, uid).id if uid else None
        patient = self._patient(code)
        self.do(
            lambda: answers.add_answer(
                self.clinic, patient.id, "after", set_id=set_id, pain=PAIN_TO_CALL_ABOUT, at=at
            ),
            after,
            trouble,
        )

    def stop(self, code: str, trouble: Trouble) -> None:
        """It hurts, stop."""
        at, after = made_at(next(self.numbers)), self._next()
        after.answers.add((code, None, at, None))
        patient = self._patient(code)
        self.do(
            lambda: answers.add_answer(
                self.clinic, patient.id, "stopped", exercise="squat", side="left", at_s=3.0, at=at
            ),
            after,
            trouble,
        )

    def say(self, code: str, kind: str, trouble: Trouble) -> None:
        at, after = made_at(next(self.numbers)), self._next()
        after.words.add((code, at, kind))
        patient = self._patient(code)
        self.do(
            lambda: answers.keep_word(self.clinic, patient.id, _squat(kind, at)), after, trouble
        )

    def begin(self, code: str, trouble: Trouble) -> None:
        uid, after = f"{next(self.numbers):032x}", self._next()
        after.uploads[uid] = (code, b"")
        patient = self._patient(code)
        about = AboutSet(exercise="squat", side="left", day="2025-03-01")
        with mock.patch.object(uploads, "new_uid", return_value=uid):
            self.do(
                lambda: uploads.begin_upload(self.clinic, patient.id, about, "a.mp4"),
                after,
                trouble,
            )

    def piece(self, uid: str, trouble: Trouble, *, is_late: bool = False) -> None:
        """The next piece. is_late : its request began when fewer pieces were here."""
        code, content = self.state.uploads[uid]
        newest = uploads.find_upload(self.clinic, uid, self._patient(code).id)
        self.stale.setdefault(uid, newest)
        upload = self.stale[uid] if is_late else newest
        more = (b"" if content else VIDEO_HEAD) + b"piece %d" % next(self.numbers)
        after = self._next()
        after.uploads[uid] = (code, content + more)

        async def body():
            yield more[:5]
            yield more[5:]

        self.do(
            lambda: asyncio.run(
                uploads.receive_piece(self.clinic, upload, newest.n_pieces, body())
            ),
            after,
            trouble,
        )

    def broken_piece(self, uid: str) -> None:
        """A piece that was begun long ago, and breaks off only now."""
        upload = self.stale.get(uid)
        if upload is None:
            return

        async def body():
            yield b"half a"
            raise ConnectionResetError

        with contextlib.suppress(ConnectionResetError, FormcheckError):
            asyncio.run(uploads.receive_piece(self.clinic, upload, upload.n_pieces, body()))
        found = observed(self.clinic)
        assert found == self.state, _difference(found, [self.state])

    def finish(self, uid: str, trouble: Trouble) -> None:
        code, content = self.state.uploads[uid]
        after = self._next()
        del after.uploads[uid]
        after.sets[uid] = (code, content, 0)
        patient = self._patient(code)

        def work():
            if trouble.at:
                uploads.finish_upload(self.clinic, uid, patient.id)
                return
            with ThreadPoolExecutor(2) as threads:
                both = [
                    threads.submit(uploads.finish_upload, self.clinic, uid, patient.id)
                    for _ in range(2)
                ]
                assert len({of.result().uid for of in both}) == 1

        if self.do(work, after, trouble):
            assert uploads.finish_upload(self.clinic, uid, patient.id).uid == uid

    def discard(self, uid: str, trouble: Trouble) -> None:
        code, content = self.state.uploads[uid]
        after = self._next()
        del after.uploads[uid]
        patient = self._patient(code)
        self.do(
            lambda: uploads.throw_away_upload(self.clinic, uid, patient.id),
            after,
            trouble,
            is_settled_by_start=True,
        )
        if content and uid not in self.state.uploads:
            self.gone.add(content)

    def measure_and_review(self, uid: str, trouble: Trouble) -> None:
        code, content, n = self.state.sets[uid]
        job = jobs.claim(self.clinic, "test")
        while job is not None:
            jobs.end_not_measured(self.clinic, job, "test", "no person was seen")
            job = jobs.claim(self.clinic, "test")
        after = self._next()
        after.sets[uid] = (code, content, n + (n == 0))
        self.do(lambda: reviews.review_sets(self.clinic, [uid], "M.T."), after, trouble)

    def take_in(self, n: int, trouble: Trouble) -> None:
        """One of the packages; the patient may have been deleted and added again since."""
        with self.clinic.read() as c:
            row = one(c, "SELECT exchange_key FROM patients WHERE code = :c", c=CODES[0])
        if row is None or row["exchange_key"] != self.packages.keys[CODES[0]]:
            return
        own, after = self.packages.states[n], self._next()
        for code, of, at, pain in own.answers:
            same = {a for a in after.answers if (a[0], a[2], a[3]) == (code, at, pain)}
            if of is not None or not same:  # with the log of another set it came as of none
                after.answers -= {a for a in same if a[1] is None}
                after.answers.add((code, of, at, pain))
        after.words |= own.words
        for uid, of in own.sets.items():
            after.sets.setdefault(uid, of)
        path = self.packages.files[n]
        self.do(lambda: exchange.import_package(self.clinic, path), after, trouble)

    def delete_set(self, uid: str, trouble: Trouble) -> None:
        after = self._next()
        del after.sets[uid]
        own = {a for a in after.answers if a[1] == uid}
        after.answers -= own
        if deletion.answers_hold(self.clinic, uid):  # what is said holds on
            after.answers |= {(code, None, at, pain) for code, _, at, pain in own}
        self.do(
            lambda: deletion.delete_set(self.clinic, uid, by="M.T.", reason="asked"),
            after,
            trouble,
            is_settled_by_start=True,
        )

    def delete_patient(self, code: str, trouble: Trouble) -> None:
        after = self.state.without(code)
        parts = {s[1] for s in self.state.uploads.values() if s[0] == code and s[1]}
        self.do(
            lambda: deletion.delete_patient(self.clinic, code, by="M.T.", reason="asked"),
            after,
            trouble,
            is_settled_by_start=True,
        )
        if code not in self.state.plans:
            self.gone |= parts

    def save(self, trouble: Trouble) -> None:
        """A backup: the file is the earlier one or the later one, and it is whole."""
        earlier = self.backup.read_bytes() if self.backup.exists() else None
        saved = State(**{**vars(self._next()), "uploads": {}})
        is_done = self.do(lambda: backup.backup(self.clinic, self.backup), self.state, trouble)
        backup.remove_backup_leftovers(self.clinic.folder)
        if is_done or (self.backup.exists() and self.backup.read_bytes() != earlier):
            self.saved = saved
        if self.backup.exists():
            backup.check_backup(self.backup)

    def save_damaged(self) -> None:
        """The disk has damaged the database: the earlier backup stays."""
        earlier = self.backup.read_bytes() if self.backup.exists() else None
        self.clinic.close()
        database = self.root / "clinic.db"
        whole = database.read_bytes()
        damage_database(database)
        self.clinic = open_clinic(self.root)
        try:
            backup.backup(self.clinic, self.backup)
        except FormcheckError:
            pass
        else:
            raise AssertionError("a damaged database was backed up")
        finally:
            self.clinic.close()
            database.write_bytes(whole)
            self.clinic = open_clinic(self.root)
        assert (self.backup.read_bytes() if self.backup.exists() else None) == earlier

    def bring_back(self, trouble: Trouble) -> None:
        if self.saved is None:
            return
        self.clinic.close()
        # What restores put aside is the person's to remove; here they pile up.
        for earlier in restoring.earlier_folders(self.root)[1:]:
            shutil.rmtree(earlier)

        def work():
            name = f"2026-{next(self.numbers)}"
            with mock.patch.object(backup, "now", return_value=name):
                backup.restore(self.backup, self.root, is_replacing=True)

        after = copy.deepcopy(self.saved)
        # What is half here is not in a backup, and what was deleted since comes back with it.
        gone = set(self.gone)
        self.do(work, after, trouble, is_settled_by_start=True)
        self.restart()
        if self.state == after:
            self.gone = gone - {s[1] for s in self.state.sets.values()}
            self.gone -= _kept_aside(self.root)
            self.stale.clear()

    def jump(self, years: int, trouble: Trouble) -> None:
        """The clock is ahead: age alone deletes nothing."""
        at = datetime.now(UTC) + timedelta(days=365 * years)

        class Clock(datetime):
            @classmethod
            def now(cls, tz=None):
                return at.astimezone(tz)

        with (
            mock.patch.object(retention, "datetime", Clock),
            mock.patch.object(retention, "now", return_value=at.isoformat(timespec="seconds")),
        ):
            self.do(lambda: retention.delete_confirmed(self.clinic, 365), self.state, trouble)
        self.do(lambda: retention.delete_confirmed(self.clinic, 365), self.state)


def _kept_aside(root: Path) -> set[bytes]:
    return {
        p.read_bytes()
        for folder in restoring.earlier_folders(root)
        for p in (*(folder / "recordings").iterdir(), *(folder / "uploads").iterdir())
    }


def _difference(found: State, allowed: list[State]) -> dict:
    out = {}
    for name in vars(found):
        is_there = getattr(found, name)
        wanted = [getattr(a, name) for a in allowed]
        if is_there not in wanted:
            out[name] = (is_there, wanted)
    return out

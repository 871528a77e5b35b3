"""A program that kills processes of its own, at chosen and at random moments, and looks what is
lost.

Each operation runs in a forked process that ends by SIGKILL; this one, which has a single thread,
then opens the folder as the next start does. Prints a line of JSON: kills and what was lost.
"""

import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from clinic_model import CODES, Folder, Packages, State, _difference, observed
from failing_disk import Trouble, failing

from formcheck.clinic import open_clinic


@dataclass
class RealKill(Trouble):
    """Ends the process instead of saying so."""

    def _die(self):
        os.kill(os.getpid(), signal.SIGKILL)
        time.sleep(60)


@dataclass
class Moment:
    """When a process is ended: at a writing call, or after a time."""

    kind: str = "kill before"
    at: int = 0
    delay_s: float | None = None


class KilledFolder(Folder):
    """A data folder whose operations run in processes that are killed."""

    n_calls = 0

    def do(
        self, work, after: State, trouble: Moment | None = None, *, is_settled_by_start=True
    ) -> bool:
        """As the model does it; the folder is always opened anew afterwards."""
        before, moment = self.state, trouble or Moment()
        self.clinic.close()
        told, tell = os.pipe()
        process = os.fork()
        if not process:
            self._in_child(work, moment, tell)
        os.close(tell)
        if moment.delay_s is not None:
            time.sleep(moment.delay_s)
            os.kill(process, signal.SIGKILL)
        with os.fdopen(told) as answer:
            said = answer.read()
        os.waitpid(process, 0)
        self.clinic = open_clinic(self.root)
        self.restart()
        found = observed(self.clinic)
        if said:
            self.n_calls = int(said)
        else:
            self.n_kills += 1
        allowed = [after] if said else [before, after]
        if found not in allowed:
            raise AssertionError((moment, _difference(found, allowed)))
        self.state = found
        self.gone |= {s[1] for u, s in before.sets.items() if u not in found.sets}
        return bool(said)

    def _in_child(self, work, moment: Moment, tell: int) -> None:
        code = 1
        try:
            self.clinic = open_clinic(self.root)
            trouble = RealKill(kind=moment.kind, at=moment.at)
            with failing(trouble, self.clinic.engine):
                work()
            os.write(tell, str(trouble.n).encode())
            code = 0
        finally:
            os._exit(code)


def _prepared(folder: Folder) -> None:
    """A clinic with a bit of everything."""
    nothing = Moment()
    folder.begin(CODES[1], nothing)
    (uid,) = folder.state.uploads
    folder.piece(uid, nothing)
    folder.finish(uid, nothing)
    folder.begin(CODES[0], nothing)
    (uid,) = folder.state.uploads
    folder.piece(uid, nothing)
    folder.take_in(1, nothing)
    folder.save(nothing)
    folder.say(CODES[0], "done", nothing)


def _first(values) -> str:
    return sorted(values)[0]


def _delete_from_two(folder: Folder, moment: Moment) -> None:
    """A patient who is in the folder and in the one that a restore has put aside."""
    folder.bring_back(Moment())
    folder.delete_patient(CODES[0], moment)


OPERATIONS: dict[str, Callable[[Folder, Moment], None]] = {
    "begin": lambda f, m: f.begin(CODES[0], m),
    "piece": lambda f, m: f.piece(_first(f.state.uploads), m),
    "finish": lambda f, m: f.finish(_first(f.state.uploads), m),
    "discard": lambda f, m: f.discard(_first(f.state.uploads), m),
    "answer": lambda f, m: f.answer(CODES[0], _first(f.state.sets), m),
    "stop": lambda f, m: f.stop(CODES[0], m),
    "say": lambda f, m: f.say(CODES[0], "not done", m),
    "save plan": lambda f, m: f.save_plan(CODES[0], m),
    "review": lambda f, m: f.measure_and_review(_first(f.state.sets), m),
    "take in": lambda f, m: f.take_in(2, m),
    "delete set": lambda f, m: f.delete_set(_first(f.state.sets), m),
    "delete patient": lambda f, m: f.delete_patient(CODES[0], m),
    "delete from two folders": _delete_from_two,
    "backup": lambda f, m: f.save(m),
    "restore": lambda f, m: f.bring_back(m),
}


class Killer:
    """One prepared folder, copied for each kill."""

    def __init__(self, place: Path) -> None:
        self.place, self.n = place, 0
        self.packages = Packages(place)
        (place / "prepared").mkdir()
        self.prepared = KilledFolder(place / "prepared", self.packages)
        _prepared(self.prepared)
        self.prepared.close()
        self.kills = 0
        self.lost: list[str] = []

    def one(self, name: str, moment: Moment) -> int:
        """Does an operation once; how many writing calls it made, 0 when it was killed."""
        self.n += 1
        place = self.place / f"run-{self.n}"
        shutil.copytree(self.prepared.place, place)
        folder = KilledFolder.__new__(KilledFolder)
        folder.__dict__.update(self.prepared.__dict__)
        folder.place, folder.root = place, place / "data"
        folder.backup = place / "out" / "clinic.zip"
        folder.gone, folder.n_kills, folder.n_calls = set(), 0, 0
        folder.clinic = open_clinic(folder.root)
        try:
            OPERATIONS[name](folder, moment)
            folder.restart()
            folder.check()
        except AssertionError as error:
            self.lost.append(f"{name} {moment}: {error}")
        finally:
            folder.close()
            self.kills += folder.n_kills
            shutil.rmtree(place)
        return folder.n_calls

    def aimed(self, most: int | None = None) -> dict[str, int]:
        """Kills before and after every writing call of every operation, or the first few."""
        calls = {name: self.one(name, Moment()) for name in OPERATIONS}
        for name, n in calls.items():
            for at in range(1, (n if most is None else min(n, most)) + 1):
                for kind in ("kill before", "kill after"):
                    self.one(name, Moment(kind=kind, at=at))
        return calls

    def at_random(self, n: int, seed: int) -> None:
        chosen = random.Random(seed)
        # Half of the kills fall on what takes in what was said, and on what could lose it.
        often = [*OPERATIONS, *3 * ("take in", "restore", "answer", "stop")]
        durations: dict[str, float] = {}
        until = self.kills + n
        while self.kills < until:
            name = chosen.choice(often)
            if name not in durations:
                begin = time.monotonic()
                self.one(name, Moment())
                durations[name] = time.monotonic() - begin
            self.one(name, Moment(delay_s=chosen.uniform(0, durations[name])))


def main() -> None:
    """Arguments: kills at random, seed, and how many calls of an operation (all)."""
    memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    place = Path(tempfile.mkdtemp(dir=memory))
    try:
        killer = Killer(place)
        calls = killer.aimed(*map(int, sys.argv[3:]))
        n_aimed = killer.kills
        killer.at_random(int(sys.argv[1]), int(sys.argv[2]))
        told = {"calls": calls, "aimed": n_aimed, "random": killer.kills - n_aimed}
        print(json.dumps(told | {"lost": killer.lost}))
    finally:
        shutil.rmtree(place)


if __name__ == "__main__":
    main()

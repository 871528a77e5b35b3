"""Work that waits: each job is a row, so it outlives the server and is done once it is back."""

from dataclasses import dataclass

from formcheck.clinic.database import Clinic, add, change, now, one, rows
from formcheck.clinic.sets import Outcome, keep_outcome
from formcheck.model.errors import UsageError

MOST_DEATHS = 3
"""A clip at which a worker died this often is said not to be measurable."""
MOST_ATTEMPTS = 20
"""Attempts in all, those cut short by the end of the server included: they are not the clip's
fault, yet a clip that takes the whole computer down must not do so for ever."""
GAVE_UP = (
    "the analysis stopped several times at this clip; film the set again, or measure it anew from "
    "its page"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One piece of work on a set: to measure it, or to draw its video."""

    id: int
    set_id: int
    uid: str
    kind: str
    n_attempts: int


@dataclass(frozen=True, slots=True, kw_only=True)
class JobProgress:
    """How far the work on a set is."""

    kind: str
    state: str
    stage: str
    done: int
    total: int | None
    n_before: int
    error: str


def take_back(clinic: Clinic, *, has_died: bool = False) -> None:
    """Lets jobs wait again whose worker is gone; those that stopped it too often are given up.

    Called by the one server of a data folder when it starts or ends, and when a worker died while
    the server lived (`has_died`): only that counts against the clip.
    """
    with clinic.write() as c:
        for row in rows(c, "SELECT * FROM jobs WHERE state = 'running'"):
            n_deaths = row["n_deaths"] + has_died
            change(c, "UPDATE jobs SET n_deaths = :n WHERE id = :id", n=n_deaths, id=row["id"])
            if n_deaths >= MOST_DEATHS or row["n_attempts"] >= MOST_ATTEMPTS:
                change(
                    c,
                    "UPDATE jobs SET state = 'failed', error = :e, holder = NULL WHERE id = :id",
                    e=GAVE_UP,
                    id=row["id"],
                )
                if row["kind"] == "measure":
                    change(
                        c,
                        """UPDATE sets SET state = 'not measured', reason = :e
                                 WHERE id = :s AND state = 'analysing'""",
                        e=GAVE_UP,
                        s=row["set_id"],
                    )
            else:
                change(
                    c,
                    "UPDATE jobs SET state = 'waiting', holder = NULL WHERE id = :id",
                    id=row["id"],
                )
                if row["kind"] == "measure":
                    change(
                        c,
                        """UPDATE sets SET state = 'recorded' WHERE id = :s
                                 AND state = 'analysing'""",
                        s=row["set_id"],
                    )


def claim(clinic: Clinic, holder: str, *, is_only_measuring: bool = False) -> Job | None:
    """The next job, now held by `holder`; measuring comes before drawing. None when none waits."""
    with clinic.write() as c:
        row = one(
            c,
            """SELECT j.*, s.uid FROM jobs j JOIN sets s ON s.id = j.set_id
                        WHERE j.state = 'waiting' AND (:any OR j.kind = 'measure')
                        ORDER BY j.kind DESC, j.id LIMIT 1""",
            any=int(not is_only_measuring),
        )
        if row is None:
            return None
        change(
            c,
            """UPDATE jobs SET state = 'running', holder = :h, n_attempts = n_attempts + 1,
                  beat_at = :at, stage = '', done = 0, total = NULL, error = '' WHERE id = :id""",
            h=holder,
            at=now(),
            id=row["id"],
        )
        if row["kind"] == "measure":
            change(
                c,
                """UPDATE sets SET state = 'analysing', reason = '' WHERE id = :s
                         AND state = 'recorded'""",
                s=row["set_id"],
            )
    return Job(
        id=row["id"],
        set_id=row["set_id"],
        uid=row["uid"],
        kind=row["kind"],
        n_attempts=row["n_attempts"] + 1,
    )


def beat(clinic: Clinic, job: Job, holder: str, stage: str, done: int, total: int | None) -> bool:
    """Writes how far a job is; False when it is no longer the holder's (deleted, taken back)."""
    with clinic.write() as c:
        return (
            change(
                c,
                """UPDATE jobs SET stage = :stage, done = :done, total = :total, beat_at = :at
                  WHERE id = :id AND holder = :h AND state = 'running'""",
                stage=stage,
                done=done,
                total=total,
                at=now(),
                id=job.id,
                h=holder,
            )
            > 0
        )


def _end(c, job: Job, holder: str, state: str, error: str = "") -> bool:
    return (
        change(
            c,
            """UPDATE jobs SET state = :state, error = :e, holder = NULL, beat_at = :at
              WHERE id = :id AND holder = :h AND state = 'running'""",
            state=state,
            e=error,
            at=now(),
            id=job.id,
            h=holder,
        )
        > 0
    )


def end_measured(clinic: Clinic, job: Job, holder: str, outcome: Outcome) -> bool:
    """Keeps that a set was measured and asks for its video to be drawn; False when the job is no
    longer the holder's."""
    with clinic.write() as c:
        if not _end(c, job, holder, "done"):
            return False
        keep_outcome(c, job.set_id, outcome)
        change(
            c,
            """UPDATE sets SET state = 'measured', reason = '', has_overlay = 0
                     WHERE id = :s AND state IN ('recorded', 'analysing')""",
            s=job.set_id,
        )
        add(c, "jobs", set_id=job.set_id, kind="draw", made_at=now())
    return True


def end_not_measured(
    clinic: Clinic, job: Job, holder: str, reason: str, outcome: Outcome | None = None
) -> bool:
    """Keeps that a set could not be measured, and why. Where the clip could be looked at after
    all (`outcome`), its video is drawn so that the clinician can see the reason."""
    with clinic.write() as c:
        if not _end(c, job, holder, "done" if outcome else "failed", reason):
            return False
        if outcome:
            keep_outcome(c, job.set_id, outcome)
            add(c, "jobs", set_id=job.set_id, kind="draw", made_at=now())
        change(
            c,
            """UPDATE sets SET state = 'not measured', reason = :r, has_overlay = 0
                     WHERE id = :s AND state IN ('recorded', 'analysing')""",
            r=reason,
            s=job.set_id,
        )
    return True


def end_drawn(clinic: Clinic, job: Job, holder: str, error: str = "") -> bool:
    """Keeps that the video of a set was drawn, or why not."""
    with clinic.write() as c:
        if not _end(c, job, holder, "failed" if error else "done", error):
            return False
        change(c, "UPDATE sets SET has_overlay = :o WHERE id = :s", o=int(not error), s=job.set_id)
    return True


def progress_of(clinic: Clinic, set_id: int) -> JobProgress | None:
    """The newest job of a set, with how many wait before it; None when it never had one."""
    with clinic.read() as c:
        row = one(c, "SELECT * FROM jobs WHERE set_id = :s ORDER BY id DESC LIMIT 1", s=set_id)
        if row is None:
            return None
        before = one(
            c,
            """SELECT count(*) AS n FROM jobs
                           WHERE state IN ('waiting', 'running') AND kind = 'measure'
                           AND id < :id""",
            id=row["id"],
        )["n"]
    return JobProgress(
        kind=row["kind"],
        state=row["state"],
        stage=row["stage"],
        done=row["done"],
        total=row["total"],
        n_before=before,
        error=row["error"],
    )


def measure_again(clinic: Clinic, uid: str, *, side: str, is_mirrored: bool) -> None:
    """Asks for a set to be measured anew, perhaps with another side. Not for a reviewed set."""
    if side not in ("left", "right", "both"):
        raise UsageError("choose the side")
    with clinic.write() as c:
        row = one(c, "SELECT id, state FROM sets WHERE uid = :u", u=uid)
        if row is None or row["state"] not in ("measured", "not measured"):
            raise UsageError("this set is being measured, or is final")
        if one(
            c,
            """SELECT 1 FROM corrections WHERE set_id = :s AND withdrawn_at IS NULL
                     AND kind != 'comment'""",
            s=row["id"],
        ):
            raise UsageError("withdraw the corrections first: the repetitions may change")
        change(
            c,
            """UPDATE jobs SET state = 'done', holder = NULL
                     WHERE set_id = :s AND state IN ('waiting', 'running')""",
            s=row["id"],
        )
        change(
            c,
            """UPDATE sets SET state = 'recorded', side = :side, is_mirrored = :m,
                     has_overlay = 0 WHERE id = :s""",
            side=side,
            m=int(is_mirrored),
            s=row["id"],
        )
        add(c, "jobs", set_id=row["id"], kind="measure", made_at=now())


def n_waiting(clinic: Clinic) -> int:
    """How many jobs wait or run."""
    with clinic.read() as c:
        return one(c, "SELECT count(*) AS n FROM jobs WHERE state IN ('waiting', 'running')")["n"]

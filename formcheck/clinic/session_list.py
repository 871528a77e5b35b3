"""A patient's sets by session (a day), the newest first, in pages of whole sessions."""

from collections.abc import Mapping
from dataclasses import dataclass

from formcheck.clinic.database import Clinic, rows
from formcheck.clinic.sets import StoredSet, stored_set

SETS_ON_A_PAGE = 40
STATES: Mapping[str, tuple[str, ...]] = {
    "": ("recorded", "analysing", "measured", "reviewed", "not measured"),
    "open": ("measured", "not measured"),
    "reviewed": ("reviewed",),
    "measuring": ("recorded", "analysing"),
}
"""{name of a choice: the states of the sets that it shows}."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """The sets of one day, the first one first; `n_open` : to be reviewed."""

    day: str
    n_open: int
    sets: tuple[StoredSet, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionList:
    """A page of a patient's sessions.

    n_sets, n_sessions : of what is chosen, on all pages. exercises : (exercise, sets of it) of
    the patient. counts : {choice of state: sets}, of the exercise that is chosen.
    """

    sessions: tuple[Session, ...]
    n_sets: int
    n_sessions: int
    exercises: tuple[tuple[str, int], ...]
    counts: Mapping[str, int]
    page: int
    n_pages: int


def session_list(
    clinic: Clinic, patient_id: int, *, exercise: str = "", state: str = "", page: int = 1
) -> SessionList:
    """A page of the sessions of a patient: two queries, however many sets there are.

    A page holds whole sessions, about `SETS_ON_A_PAGE` sets. exercise, state : what is shown, all
    where empty. page : from 1; one beyond the last gives the last.
    """
    with clinic.one_state():
        with clinic.read() as c:
            counted = rows(
                c,
                """SELECT day, exercise, state, count(*) AS n FROM sets WHERE patient_id = :p
                      GROUP BY day, exercise, state ORDER BY day DESC""",
                p=patient_id,
            )
        of_exercise: dict[str, int] = {}
        counts = dict.fromkeys(STATES, 0)
        days: dict[str, int] = {}
        for row in counted:
            of_exercise[row["exercise"]] = of_exercise.get(row["exercise"], 0) + row["n"]
            if exercise in ("", row["exercise"]):
                for name, states in STATES.items():
                    counts[name] += row["n"] if row["state"] in states else 0
                if row["state"] in STATES[state]:
                    days[row["day"]] = days.get(row["day"], 0) + row["n"]
        pages = _pages(days)
        page = min(max(page, 1), len(pages))
        sets = _sets_between(clinic, patient_id, pages[page - 1], exercise, state)
    return SessionList(
        sessions=tuple(
            Session(
                day=day,
                n_open=sum(s.state in STATES["open"] for s in sets if s.day == day),
                sets=tuple(s for s in sets if s.day == day),
            )
            for day in pages[page - 1]
        ),
        n_sets=sum(days.values()),
        n_sessions=len(days),
        exercises=tuple(sorted(of_exercise.items())),
        counts=counts,
        page=page,
        n_pages=len(pages),
    )


def _pages(days: Mapping[str, int]) -> list[list[str]]:
    """The days of each page, at least one page."""
    out: list[list[str]] = [[]]
    n = 0
    for day, n_of_day in days.items():
        if n and n + n_of_day > SETS_ON_A_PAGE:
            out.append([])
            n = 0
        out[-1].append(day)
        n += n_of_day
    return out


def _sets_between(
    clinic: Clinic, patient_id: int, days: list[str], exercise: str, state: str
) -> tuple[StoredSet, ...]:
    if not days:
        return ()
    states = ", ".join(f"'{s}'" for s in STATES[state])
    with clinic.read() as c:
        found = rows(
            c,
            f"""SELECT s.*, p.code AS patient_code
                   FROM sets s JOIN patients p ON p.id = s.patient_id
                   WHERE s.patient_id = :p AND s.day BETWEEN :first AND :last
                   AND :e IN ('', s.exercise) AND s.state IN ({states}) ORDER BY s.day, s.id""",
            p=patient_id,
            first=min(days),
            last=max(days),
            e=exercise,
        )
    return tuple(stored_set(row) for row in found)

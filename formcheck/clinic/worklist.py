"""What waits for a clinician: the work list by patient, the most pressing first, each entry a fact
with a way to it; and the set to look at after another."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date

from formcheck.clinic.answers import ASKS, answer_of_row, standings
from formcheck.clinic.database import Clinic, local_day, one, rows
from formcheck.clinic.safety import SET_REASONS, WAIT_PARTS, Answer, WaitPart, notice_of, press_of
from formcheck.clinic.sets import StoredSet, find_set, stored_set
from formcheck.clinic.settings import questions_of_each
from formcheck.model.safety import LEVELS, Level, Standing

PATIENTS_ON_A_PAGE = 20
MOST_SETS, MOST_SETS_ALONE = 12, 60
"""Sets of a patient on a page: beside other patients, and where the page is about one alone."""
_CALM = Standing(level="start")


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """One entry: a set, an answer, or (of `silent` and `due`) the patient.

    `day` : of the set or the answer; on which something last came (None: never); the review date.
    `said` : with a set, the answers that ask for something. `of_set` : of an answer, the set with
    which it was given. `days` : since when nothing came.
    """

    part: WaitPart
    day: str | None
    stored: StoredSet | None = None
    answer: Answer | None = None
    said: tuple[Answer, ...] = ()
    of_set: StoredSet | None = None
    days: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitingPatient:
    """A patient of whom something waits. `n` : entries in all; `entries` : the first of them."""

    id: int
    code: str
    standing: Standing
    n: int
    entries: tuple[Waiting, ...]

    @property
    def n_more(self) -> int:
        return self.n - len(self.entries)


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkList:
    """A page of the work list. `counts` : entries of each part of every patient whose code is
    searched for, whichever parts are shown."""

    patients: tuple[WaitingPatient, ...]
    counts: Mapping[WaitPart, int]
    n_patients: int
    page: int
    n_pages: int

    def of(self, part: WaitPart) -> tuple[tuple[str, Waiting], ...]:
        """(code, entry) of a part on this page, in the order of the page."""
        return tuple((p.code, e) for p in self.patients for e in p.entries if e.part == part)


_SAID_WITH = f"EXISTS (SELECT 1 FROM answers a WHERE a.set_id = s.id AND {ASKS})"
_FIRST_IS_A_LIMIT = "(attention LIKE 'limit_passed%' OR attention LIKE 'limit_possibly_passed%')"
_PART = f"""CASE
    WHEN s.state IN ('recorded', 'analysing') THEN 'being_measured'
    WHEN s.state = 'not measured' THEN 'not_measured'
    WHEN coalesce({_FIRST_IS_A_LIMIT}, 0) THEN 'past_limit'
    WHEN s.attention = '' AND NOT {_SAID_WITH} THEN 'unremarkable'
    ELSE 'to_look_at' END"""
"""Where a set stands, by the reasons that `safety.set_reasons` left with it."""


def _ranks(column: str, values: Iterable[str], pattern: str) -> str:
    whens = " ".join(
        f"WHEN {column} {pattern.format(value)} THEN {n}" for n, value in enumerate(values)
    )
    return f"CASE {whens} ELSE 99 END"


_ORDER = f"""{_ranks("part", WAIT_PARTS, "= '{}'")},
    {_ranks("attention", SET_REASONS, "LIKE '{}%'")}, day, id"""
"""The sets of a patient: by part, then by the gravest reason, then the oldest first."""


@dataclass(slots=True)
class _Found:
    """What waits of one patient, while it is put together."""

    id: int
    code: str
    standing: Standing = _CALM
    notices: list[Waiting] = field(default_factory=list)
    about: list[Waiting] = field(default_factory=list)
    n_sets: dict[WaitPart, int] = field(default_factory=dict)

    def counts(self) -> dict[WaitPart, int]:
        out = dict(self.n_sets)
        for e in (*self.notices, *self.about):
            out[e.part] = out.get(e.part, 0) + 1
        return out

    def press(self) -> tuple:
        levels: list[Level] = [self.standing.level]
        levels += [e.answer.level for e in self.notices if e.answer is not None]
        first = min(self.counts(), key=WAIT_PARTS.index)
        return (*press_of(max(levels, key=LEVELS.index), first), self.code.lower())


def _everybody(clinic: Clinic, today: date, code: str = "") -> list[_Found]:
    """Every patient with something that waits, the most pressing first; seven queries for all.

    code : a part of the codes that are looked for, however it is written.
    """
    day = today.isoformat()
    with clinic.read() as c:
        known = rows(
            c,
            """
            SELECT p.id, p.code, p.silent_days, r.review_on, r.saved_at,
              (SELECT max(day) FROM sets s WHERE s.patient_id = p.id) AS last_set,
              (SELECT max(day) FROM answers a WHERE a.patient_id = p.id) AS last_answer,
              (SELECT max(day) FROM ticks t WHERE t.patient_id = p.id) AS last_tick
            FROM patients p LEFT JOIN prescriptions r ON r.patient_id = p.id AND r.version =
              (SELECT max(version) FROM prescriptions q WHERE q.patient_id = p.id)""",
        )
        counted = rows(
            c,
            f"""SELECT patient_id, part, count(*) AS n
                   FROM (SELECT s.patient_id, {_PART} AS part FROM sets s
                         WHERE s.state != 'reviewed') GROUP BY patient_id, part""",
        )
        said = rows(
            c,
            f"""SELECT a.* FROM answers a WHERE a.seen_at IS NULL AND {ASKS}
                   ORDER BY a.day DESC, a.id DESC""",
        )
    people = {
        p["id"]: _Found(id=p["id"], code=p["code"])
        for p in known
        if code.strip().lower() in p["code"].lower()
    }
    for row in counted:
        if row["patient_id"] in people:
            people[row["patient_id"]].n_sets[row["part"]] = row["n"]
    usual, others = questions_of_each(clinic)
    for row in said:
        answer, patient_id = answer_of_row(row), row["patient_id"]
        part = notice_of(answer, others.get(patient_id, usual))
        if part is not None and patient_id in people:
            people[patient_id].notices.append(Waiting(part=part, day=answer.day, answer=answer))
    for p in known:
        if p["id"] in people and p["saved_at"]:
            people[p["id"]].about += _about(p, today)
    for patient_id, found in standings(clinic, day).items():
        if patient_id in people:
            people[patient_id].standing = found
    for p in people.values():
        p.notices.sort(key=lambda e: (WAIT_PARTS.index(e.part), -LEVELS.index(e.answer.level)))
    return sorted((p for p in people.values() if p.counts()), key=_Found.press)


def _about(row: Mapping, today: date) -> Iterable[Waiting]:
    """Of a patient with a prescription: nothing came for long; its review date has come."""
    days = (row["last_set"], row["last_answer"], row["last_tick"])
    last = max((d for d in days if d), default=None)
    since = date.fromisoformat(last) if last else local_day(row["saved_at"])
    n_days = (today - since).days
    if n_days >= row["silent_days"]:
        yield Waiting(part="silent", day=last, days=n_days)
    if row["review_on"] and row["review_on"] <= today.isoformat():
        yield Waiting(part="due", day=row["review_on"])


def work_list(
    clinic: Clinic, today: date, *, parts: Collection[WaitPart] = (), code: str = "", page: int = 1
) -> WorkList:
    """A page of the work list of this day; as many queries for ten thousand sets as for none.

    parts : those shown, all where empty. code : a part of the codes searched for. page : from 1;
    one beyond the last gives the last.
    """
    shown = frozenset(parts or WAIT_PARTS)
    with clinic.one_state():
        everybody = _everybody(clinic, today, code)
        mine = [p for p in everybody if shown & p.counts().keys()]
        n_pages = max(-(-len(mine) // PATIENTS_ON_A_PAGE), 1)
        page = min(max(page, 1), n_pages)
        of_page = mine[(page - 1) * PATIENTS_ON_A_PAGE : page * PATIENTS_ON_A_PAGE]
        most = MOST_SETS_ALONE if len(mine) == 1 else MOST_SETS
        sets = _sets_waiting(clinic, [p.id for p in of_page], shown, most)
        _add_sets(clinic, of_page)
    counts: dict[WaitPart, int] = dict.fromkeys(WAIT_PARTS, 0)
    for p in everybody:
        for part, n in p.counts().items():
            counts[part] += n
    return WorkList(
        patients=tuple(_waiting_patient(p, sets.get(p.id, []), shown) for p in of_page),
        counts=counts,
        n_patients=len(mine),
        page=page,
        n_pages=n_pages,
    )


def _waiting_patient(p: _Found, sets: list[Waiting], shown: Collection[WaitPart]) -> WaitingPatient:
    others = [e for e in (*p.notices, *p.about) if e.part in shown]
    return WaitingPatient(
        id=p.id,
        code=p.code,
        standing=p.standing,
        n=sum(n for part, n in p.counts().items() if part in shown),
        # Sorting keeps the order within a part.
        entries=tuple(sorted((*others, *sets), key=lambda e: WAIT_PARTS.index(e.part))),
    )


def _add_sets(clinic: Clinic, people: list[_Found]) -> None:
    """Puts beside each answer the set with which it was given."""
    wanted = {e.answer.set_id for p in people for e in p.notices if e.answer.set_id is not None}
    with clinic.read() as c:
        found = rows(
            c,
            """SELECT s.*, p.code AS patient_code FROM sets s JOIN patients p ON p.id = s.patient_id
                  WHERE s.id IN (SELECT value FROM json_each(:sets))""",
            sets=_list(wanted),
        )
    sets = {row["id"]: stored_set(row) for row in found}
    for p in people:
        p.notices = [replace(e, of_set=sets.get(e.answer.set_id)) for e in p.notices]


def _sets_waiting(
    clinic: Clinic, patients: list[int], parts: Collection[WaitPart], most: int
) -> dict[int, list[Waiting]]:
    """{patient id: the first sets that wait}, with the answers that ask for something."""
    with clinic.read() as c:
        found = rows(
            c,
            f"""SELECT s.*, p.code AS patient_code, part FROM (
                  SELECT id, part, row_number() OVER (PARTITION BY patient_id ORDER BY {_ORDER})
                    AS place
                  FROM (SELECT s.id, s.patient_id, s.attention, s.day, {_PART} AS part FROM sets s
                        WHERE s.state != 'reviewed'
                        AND s.patient_id IN (SELECT value FROM json_each(:patients)))
                  WHERE part IN (SELECT value FROM json_each(:parts))) AS placed
                JOIN sets s ON s.id = placed.id JOIN patients p ON p.id = s.patient_id
                WHERE place <= :most ORDER BY s.patient_id, place""",
            patients=_list(patients),
            parts=_list(f'"{part}"' for part in parts),
            most=most,
        )
        said = rows(
            c,
            """SELECT * FROM answers WHERE level != 'start'
                  AND set_id IN (SELECT value FROM json_each(:sets)) ORDER BY at, id""",
            sets=_list(row["id"] for row in found),
        )
    with_set: dict[int, list[Answer]] = {}
    for row in said:
        with_set.setdefault(row["set_id"], []).append(answer_of_row(row))
    out: dict[int, list[Waiting]] = {}
    for row in found:
        entry = Waiting(
            part=row["part"],
            day=row["day"],
            stored=stored_set(row),
            said=tuple(with_set.get(row["id"], ())),
        )
        out.setdefault(row["patient_id"], []).append(entry)
    return out


def _list(values: Iterable) -> str:
    return f"[{','.join(map(str, values))}]"


def is_unremarkable(clinic: Clinic, uid: str) -> bool:
    """Whether a set may be signed together with others."""
    with clinic.read() as c:
        found = one(
            c, f"SELECT {_PART} AS part FROM sets s WHERE uid = :u AND state = 'measured'", u=uid
        )
    return found is not None and found["part"] == "unremarkable"


# -- the set after this one


def next_to_review(clinic: Clinic, stored: StoredSet, today: date) -> StoredSet | None:
    """The set to look at after this one, in the order of the work list; None where none is left.

    First this patient's: those after it, and once it is reviewed those before it too. Then the
    next patient's first. What was passed over unreviewed comes at the end.
    """
    with clinic.one_state():
        uids = _in_order(clinic, stored.patient_id, stored.uid)
        at = uids.index(stored.uid)
        ahead, behind = uids[at + 1 :], uids[:at]
        if ahead:
            return find_set(clinic, ahead[0])
        if behind and stored.is_final:
            return find_set(clinic, behind[0])
        everybody = [
            p.id
            for p in _everybody(clinic, today)
            if p.id == stored.patient_id or p.n_sets.keys() - {"being_measured"}
        ]
        if not stored.is_final and stored.patient_id in everybody:
            place = everybody.index(stored.patient_id)
            everybody = everybody[place:] + everybody[:place]
        following = next((p for p in everybody if p != stored.patient_id), None)
        if following is not None:
            return find_set(clinic, _in_order(clinic, following)[0])
        return find_set(clinic, behind[0]) if behind else None


def _in_order(clinic: Clinic, patient_id: int, here: str = "") -> list[str]:
    """The sets of a patient that can be reviewed, and the one where we are, in the list's order."""
    with clinic.read() as c:
        found = rows(
            c,
            f"""SELECT uid FROM (SELECT s.*, {_PART} AS part FROM sets s WHERE patient_id = :p
                   AND (state IN ('measured', 'not measured') OR uid = :u)) ORDER BY {_ORDER}""",
            p=patient_id,
            u=here,
        )
    return [row["uid"] for row in found]

"""What waits for a clinician: the work list, each entry a fact with a way to it."""

from dataclasses import dataclass
from datetime import date, timedelta

from formcheck.clinic.answers import answer_of_row
from formcheck.clinic.database import Clinic, one, rows
from formcheck.clinic.safety import Answer, notice_of
from formcheck.clinic.sets import _SELECT, StoredSet, stored_set
from formcheck.clinic.settings import questions_for
from formcheck.model.safety import LEVELS

MOST_ROWS = 100
"""Rows of one part of the list on a page; the counts tell how many there are in all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SilentPatient:
    """A patient with a prescription of whom nothing came for long."""

    code: str
    last_day: str | None
    days: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DueReview:
    """A prescription whose review date has come."""

    code: str
    review_on: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CodedAnswer:
    """An answer with the code of the patient who gave it."""

    code: str
    answer: Answer


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkList:
    """Everything that waits; the n_ are counts in all, the lists hold the first of each."""

    symptoms: tuple[CodedAnswer, ...]
    """Answers with yes that ask for a call or for urgent help, the urgent ones first."""
    pains: tuple[CodedAnswer, ...]
    """Pain over the limit, in a set or in the 24 hours after."""
    stops: tuple[CodedAnswer, ...]
    """"It hurts, stop"."""
    facts: tuple[CodedAnswer, ...]
    """For the next visit: what asked for no call, and what the patient says was done."""
    past_limit: tuple[StoredSet, ...]
    not_measured: tuple[StoredSet, ...]
    to_look_at: tuple[StoredSet, ...]
    """Measured sets with anything that `safety.set_reasons` names, or with an answer or a stop."""
    unremarkable: tuple[StoredSet, ...]
    """Measured sets with nothing to look at: these can be signed at once."""
    being_measured: tuple[StoredSet, ...]
    silent: tuple[SilentPatient, ...]
    due: tuple[DueReview, ...]
    counts: tuple[tuple[str, int], ...]

    def count(self, part: str) -> int:
        return dict(self.counts)[part]


_ASKS = "(a.level != 'start' OR a.moment IN ('stopped', 'acted'))"
"""Answers that may wait for a clinician; which do, and where, `safety.notice_of` says."""

_SAID_WITH = f"EXISTS (SELECT 1 FROM answers a WHERE a.set_id = s.id AND {_ASKS})"
_FIRST_IS_A_LIMIT = "(attention LIKE 'limit_passed%' OR attention LIKE 'limit_possibly_passed%')"

_PARTS = {
    "past_limit": f"state = 'measured' AND coalesce({_FIRST_IS_A_LIMIT}, 0)",
    "not_measured": "state = 'not measured'",
    "to_look_at": f"""state = 'measured' AND NOT coalesce({_FIRST_IS_A_LIMIT}, 0)
        AND (attention IS NULL OR attention != '' OR {_SAID_WITH})""",
    "unremarkable": f"state = 'measured' AND attention = '' AND NOT {_SAID_WITH}",
    "being_measured": "state IN ('recorded', 'analysing')",
}
"""Where a set stands, by the reasons that `safety.set_reasons` left with it."""


def work_list(clinic: Clinic, today: date) -> WorkList:
    """The work list of this day."""
    counts: dict[str, int] = {}
    found: dict[str, tuple] = {}
    day = today.isoformat()
    questions = questions_for(clinic)
    with clinic.read() as c:
        for part, where in _PARTS.items():
            counts[part] = one(c, f"SELECT count(*) AS n FROM sets s WHERE {where}")["n"]
            found[part] = tuple(
                stored_set(r)
                for r in rows(
                    c, _SELECT + f"WHERE {where} ORDER BY s.day, s.id LIMIT :n", n=MOST_ROWS
                )
            )
        said = rows(
            c,
            f"""SELECT a.*, p.code FROM answers a JOIN patients p ON p.id = a.patient_id
                   WHERE a.seen_at IS NULL AND {_ASKS} ORDER BY a.day DESC, a.id DESC""",
        )
        patients = rows(
            c,
            """
            SELECT p.code, p.silent_days, r.review_on, substr(r.saved_at, 1, 10) AS since,
              (SELECT max(day) FROM sets s WHERE s.patient_id = p.id) AS last_set,
              (SELECT max(day) FROM answers a WHERE a.patient_id = p.id) AS last_answer,
              (SELECT max(day) FROM ticks t WHERE t.patient_id = p.id) AS last_tick
            FROM patients p JOIN prescriptions r ON r.patient_id = p.id
            WHERE r.version = (SELECT max(version) FROM prescriptions q WHERE q.patient_id = p.id)
            ORDER BY p.code COLLATE NOCASE""",
        )
    notices: dict[str, list[CodedAnswer]] = {"symptoms": [], "pains": [], "stops": [], "facts": []}
    for row in said:
        answer = answer_of_row(row)
        kind = notice_of(answer, questions)
        if kind is not None:
            notices[kind].append(CodedAnswer(code=row["code"], answer=answer))
    for part, of in notices.items():
        of.sort(key=lambda a: -LEVELS.index(a.answer.level))
        counts[part], found[part] = len(of), tuple(of[:MOST_ROWS])
    silent, due = [], []
    for p in patients:
        last = max(
            (d for d in (p["last_set"], p["last_answer"], p["last_tick"]) if d), default=None
        )
        since = date.fromisoformat(last or p["since"])
        if today - since >= timedelta(days=p["silent_days"]):
            silent.append(SilentPatient(code=p["code"], last_day=last, days=(today - since).days))
        if p["review_on"] and p["review_on"] <= day:
            due.append(DueReview(code=p["code"], review_on=p["review_on"]))
    counts["silent"], counts["due"] = len(silent), len(due)
    silent.sort(key=lambda s: -s.days)
    due.sort(key=lambda d: d.review_on)
    return WorkList(
        **found,
        silent=tuple(silent[:MOST_ROWS]),
        due=tuple(due[:MOST_ROWS]),
        counts=tuple(counts.items()),
    )


def is_unremarkable(clinic: Clinic, uid: str) -> bool:
    """Whether a set may be signed together with others."""
    with clinic.read() as c:
        return bool(
            one(c, f"SELECT 1 FROM sets s WHERE uid = :u AND {_PARTS['unremarkable']}", u=uid)
        )

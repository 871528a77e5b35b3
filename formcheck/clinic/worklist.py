"""What waits for a clinician: the work list, each entry a fact with a way to it."""

from dataclasses import dataclass
from datetime import date, timedelta

from formcheck.clinic.answers import Answer, _answer
from formcheck.clinic.database import Clinic, one, rows
from formcheck.clinic.sets import _SELECT, StoredSet, stored_set

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
    pains: tuple[CodedAnswer, ...]
    """Pain over the limit, or more pain or swelling than usual on the next day."""
    past_limit: tuple[StoredSet, ...]
    not_measured: tuple[StoredSet, ...]
    not_reached: tuple[StoredSet, ...]
    unremarkable: tuple[StoredSet, ...]
    """Measured, nothing past or near a limit, targets reached, full dose, no symptom or pain
    over the limit: these can be signed at once."""
    being_measured: tuple[StoredSet, ...]
    silent: tuple[SilentPatient, ...]
    due: tuple[DueReview, ...]
    counts: tuple[tuple[str, int], ...]

    def count(self, part: str) -> int:
        return dict(self.counts)[part]


_WORSE_NEXT_DAY = "'more' IN (a.pain_change, a.swelling_change)"
"""The patient was told to call before the next set: here it must not go unseen."""

_PARTS = {
    "past_limit": "state = 'measured' AND (n_passed > 0 OR n_doubtful > 0)",
    "not_measured": "state = 'not measured'",
    "not_reached": """state = 'measured' AND n_passed = 0 AND n_doubtful = 0
        AND (n_not_met > 0 OR (dose_prescribed IS NOT NULL AND dose_done < dose_prescribed)
             OR EXISTS (SELECT 1 FROM answers a WHERE a.set_id = s.id
                        AND (a.symptoms != '' OR a.is_over_limit)))""",
    "unremarkable": """state = 'measured' AND n_passed = 0 AND n_doubtful = 0 AND n_not_met = 0
        AND (dose_prescribed IS NULL OR dose_done >= dose_prescribed)
        AND NOT EXISTS (SELECT 1 FROM answers a WHERE a.set_id = s.id
                        AND (a.symptoms != '' OR a.is_over_limit))""",
    "being_measured": "state IN ('recorded', 'analysing')",
}


def work_list(clinic: Clinic, today: date) -> WorkList:
    """The work list of this day."""
    counts: dict[str, int] = {}
    found: dict[str, tuple] = {}
    day = today.isoformat()
    with clinic.read() as c:
        for part, where in _PARTS.items():
            counts[part] = one(c, f"SELECT count(*) AS n FROM sets s WHERE {where}")["n"]
            found[part] = tuple(
                stored_set(r)
                for r in rows(
                    c, _SELECT + f"WHERE {where} ORDER BY s.day, s.id LIMIT :n", n=MOST_ROWS
                )
            )
        for part, where in (
            ("symptoms", "a.symptoms != ''"),
            ("pains", f"a.symptoms = '' AND (a.is_over_limit = 1 OR {_WORSE_NEXT_DAY})"),
        ):
            where = f"a.seen_at IS NULL AND {where}"
            counts[part] = one(c, f"SELECT count(*) AS n FROM answers a WHERE {where}")["n"]
            found[part] = tuple(
                CodedAnswer(code=r["code"], answer=_answer(r))
                for r in rows(
                    c,
                    f"""SELECT a.*, p.code FROM answers a JOIN patients p ON p.id = a.patient_id
                           WHERE {where} ORDER BY a.day DESC, a.id DESC LIMIT :n""",
                    n=MOST_ROWS,
                )
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

"""What stands beside a set: the patient's other sets of its exercise, and the next to look at."""

from dataclasses import dataclass

from formcheck.clinic.database import today
from formcheck.clinic.sets import StoredSet, sets_of, stored_report
from formcheck.clinic.worklist import next_to_review
from formcheck.words.wording import exercise_name

MOST_BESIDE = 12
"""So many of a patient's other sets of the exercise can be chosen to stand beside this one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """Another set of the same exercise: where its video is, and where its repetitions begin."""

    uid: str
    words: str
    video: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Neighbours:
    """What stands beside a set: those that can be played next to it, the last session of the same
    side, and the other leg of the same day."""

    beside: tuple[Beside, ...] = ()
    earlier: StoredSet | None = None
    other_leg: StoredSet | None = None


def neighbours(clinic, stored: StoredSet) -> Neighbours:
    """The patient's other measured sets of the exercise, the newest first."""
    others = [
        s
        for s in sets_of(clinic, stored.patient_id)
        if s.uid != stored.uid and s.exercise == stored.exercise and s.is_measured
    ]
    return Neighbours(
        beside=tuple(
            Beside(
                uid=s.uid,
                words=f"{s.day}, set {s.set_number}, {s.side}",
                video=f"/clinic/sets/{s.uid}/video/{'overlay' if s.has_overlay else 'recording'}",
            )
            for s in others[:MOST_BESIDE]
        ),
        earlier=next((s for s in others if s.side == stored.side and s.day < stored.day), None),
        other_leg=next(
            (
                s
                for s in others
                if s.day == stored.day and {s.side, stored.side} == {"left", "right"}
            ),
            None,
        ),
    )


def starts_of(clinic, stored: StoredSet) -> list[float]:
    """Where the repetitions of a set begin, seconds."""
    report = stored_report(clinic, stored.uid)
    return [r.repetition.start_s for r in report.repetitions] if report else []


def next_words(clinic, stored: StoredSet) -> tuple[str, str]:
    """(address, words) of the set to look at next: this patient's, then another's; else empty."""
    following = next_to_review(clinic, stored, today())
    if following is None:
        return "", ""
    whose = "" if following.patient_id == stored.patient_id else f" of {following.patient_code}"
    name = exercise_name(following.exercise)
    return f"/clinic/sets/{following.uid}", f"{name}, {following.side}{whose}"

"""What stands beside a set: the patient's other sets of its exercise, and the next to look at."""

from dataclasses import dataclass

from formcheck.clinic.sets import StoredSet, next_to_review, sets_of, stored_report
from formcheck.words.wording import exercise_name

MOST_BESIDE = 12
"""So many of a patient's other sets of the exercise can be chosen to stand beside this one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """Another set of the same exercise: where its video is, and where its repetitions begin."""

    uid: str
    words: str
    video: str
    starts: str


def sets_beside(clinic, stored: StoredSet) -> tuple[Beside, ...]:
    """The other measured sets of the exercise, the newest first."""
    found = []
    for other in sets_of(clinic, stored.patient_id):
        if other.uid == stored.uid or other.exercise != stored.exercise or not other.n_repetitions:
            continue
        report = stored_report(clinic, other.uid)
        if report is None:
            continue
        which = "overlay" if other.has_overlay else "recording"
        found.append(
            Beside(
                uid=other.uid,
                words=f"{other.day}, set {other.set_number}, {other.side}",
                video=f"/clinic/sets/{other.uid}/video/{which}",
                starts=" ".join(f"{r.repetition.start_s:.3f}" for r in report.repetitions),
            )
        )
        if len(found) == MOST_BESIDE:
            break
    return tuple(found)


def set_before(clinic, stored: StoredSet) -> StoredSet | None:
    """The last measured set of the same exercise and side from an earlier day."""
    return next(
        (
            s
            for s in sets_of(clinic, stored.patient_id)
            if (s.exercise, s.side) == (stored.exercise, stored.side)
            and s.day < stored.day
            and s.state in ("measured", "reviewed")
        ),
        None,
    )


def other_leg_of_day(clinic, stored: StoredSet) -> StoredSet | None:
    """The same exercise of the other leg on the same day, where it was filmed and measured."""
    if stored.side == "both":
        return None
    return next(
        (
            s
            for s in sets_of(clinic, stored.patient_id, day=stored.day)
            if s.exercise == stored.exercise
            and s.side not in (stored.side, "both")
            and s.state in ("measured", "reviewed")
        ),
        None,
    )


def next_words(clinic, stored: StoredSet) -> tuple[str, str]:
    """(address, words) of the set to look at next: this patient's, then another's; else empty."""
    following = next_to_review(clinic, stored)
    if following is None:
        return "", ""
    whose = "" if following.patient_id == stored.patient_id else f" of {following.patient_code}"
    name = exercise_name(following.exercise)
    return f"/clinic/sets/{following.uid}", f"{name}, {following.side}{whose}"

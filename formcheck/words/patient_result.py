"""What a patient reads of a measured set: what was done, what went well, one thing to try, what
was not seen.

Facts only: no grade, no score, nothing about others.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from formcheck.model.programme import Bound, Exercise
from formcheck.model.records import (
    AssessedRepetition,
    CheckKind,
    Finding,
    Measured,
    Outcome,
    Report,
)
from formcheck.words.finding_words import told_once
from formcheck.words.patient_words import measure_words
from formcheck.words.set_words import bound_text

NOT_USED = (
    "The recording could not be used: it could not be read, or nobody was seen in it. Film with "
    "your whole body in the picture, in good light. Your clinic sees the reason."
)
"""For a recording that gave no report at all: the reason may be the clinic's own computer."""

OFTEN_SHARE = 0.5
"""A remark on fewer of the repetitions than this is not the thing to try (common practice: one
cue, about what keeps happening)."""
OFTEN_LEAST = 2

THINGS_TO_TRY = {
    "trunk_leans_further": "Keep your chest as upright as in the first repetition.",
    "trunk_leans_to_a_side": "Keep your trunk over the middle.",
    "trunk_leans_to_a_side_away": "Keep your trunk over the middle.",
    "trunk_tips": "Keep your trunk over the middle.",
    "trunk_tips_away": "Keep your trunk over the middle.",
    "trunk_leans_back": "Keep your trunk still while the leg moves.",
    "quick_turn": "Stay for a moment at the furthest point before you come back.",
    "came_down_quickly": "Take as long to come down as to go up.",
    "knee_moved_inward": "Let the knee point the same way as the toes.",
    "knee_inward_of_foot": "Let the knee point the same way as the toes.",
    "pelvis_opens": "Keep both sides of the pelvis level.",
    "pelvis_drops": "Keep both sides of the pelvis level.",
    "pelvis_shifts_left": "Keep the pelvis in the middle, weight on both feet.",
    "pelvis_shifts_right": "Keep the pelvis in the middle, weight on both feet.",
    "past_the_line": "Stop when shoulders, hips and knees are in one line.",
    "hips_sag": "Keep the hips at the same height until the hold is over.",
    "knees_bend": "Keep the knees straight as the heels rise.",
    "height_fades": "Take a longer rest before the next set.",
    "whole_leg_lifts": "Leave the leg where it lies and tighten the thigh only.",
    "toes_turn_up": "Let the toes point straight ahead.",
    "thigh_lifts": "Leave the thigh where it lies and move the shin only.",
    "slides_up": "Stay at the same height during the hold.",
    "shank_forward": "Put your feet a little further from the wall.",
    "shank_back": "Put your feet a little nearer to the wall.",
    "pelvis_rolls_back": "Keep the upper hip straight above the lower one.",
    "out_of_line": "Move trunk and free leg together, in one line.",
    "not_fully_up": "Come fully up each time, if it does not hurt.",
    "leg_passes_other_thigh": "Stop no higher than the other thigh.",
    "leg_drifts_forward": "Keep the leg in line with your trunk.",
    "knee_bends": "Tighten the front of your thigh before the heel leaves the floor.",
    "hold_broken": "Hold without letting go, for a shorter time if you need to.",
    "heel_lifts": "Keep the heels on the floor; go less deep if they lift.",
    "hands_on_thighs": "Leave the hands off the thighs, if that is safe.",
    "does_not_reach_seat": "Sit all the way down each time.",
}
"""Code of something to look for -> the one thing to try, in a patient's words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PatientResult:
    """A measured set in plain words. `went_well` is a fact, or None; `one_thing` is (what was seen,
    what to try), or None."""

    done: tuple[str, ...]
    went_well: str | None
    one_thing: tuple[str, str] | None
    not_seen: tuple[str, ...]


def patient_result(
    report: Report, exercise: Exercise, *, is_left_out: Sequence[bool] = ()
) -> PatientResult:
    """The result of a report, as its file has it, for the patient.

    is_left_out : of each repetition, whether a clinician left it out; none where not given.
    """
    is_left_out = is_left_out or [False] * len(report.repetitions)
    counting = [r for r, out in zip(report.repetitions, is_left_out, strict=True) if not out]
    return PatientResult(
        done=_done(report, counting, exercise),
        went_well=_went_well([r for r in counting if r.repetition.is_complete], report),
        one_thing=_one_thing([r for r in counting if r.repetition.is_complete], report),
        not_seen=_not_seen(report, counting, exercise),
    )


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}{'' if n == 1 else 's'}"


def _done(
    report: Report, repetitions: Sequence[AssessedRepetition], exercise: Exercise
) -> tuple[str, ...]:
    noun = {"hold": "hold", "sequence": "step"}.get(exercise.kind, "repetition")
    done, prescribed = report.whole.dose_done, report.whole.dose_prescribed
    if exercise.kind == "sequence":
        n_steps = len([r for r in repetitions if r.repetition.is_complete])
        lines = [f"The camera saw {_count(n_steps, noun)} in {_count(done, 'sequence')}."]
        noun = "sequence"
    elif any(f.code == "timed_not_measured" for f in report.findings) and not done:
        lines = ["This exercise is timed, not counted."]
    elif not done:
        lines = [f"The camera could not count any {noun}."]
    else:
        lines = [f"The camera saw {_count(done, noun)}."]
    if prescribed:
        over = (
            f": that is {done - prescribed} more. More is not better" if done > prescribed else ""
        )
        lines.append(f"Your plan says {_count(prescribed, noun)}{over}.")
    n_cut = len([r for r in repetitions if not r.repetition.is_complete])
    if n_cut:
        were = "was" if n_cut == 1 else "were"
        lines.append(f"{n_cut} more {were} cut off by the start or the end of the recording.")
    holds = [
        m.value
        for r in repetitions
        for m in r.measures
        if m.key == "plateau_hold_s" and isinstance(m, Measured)
    ]
    if exercise.kind == "hold" and holds:
        lines.append("Held: " + ", ".join(f"{h:.0f} s" for h in holds) + ".")
    return tuple(lines)


def _went_well(repetitions: Sequence[AssessedRepetition], report: Report) -> str | None:
    """A target of the plan that most repetitions reached, else a limit that all kept, else the
    dose that was done; None when there is none of these."""
    n = len(repetitions)
    reached = _by_bound(repetitions, "target", "reached")
    if reached:
        bound, count = reached.most_common(1)[0]
        if count > n / 2:
            return f"{_asked(bound)} {count} of {n} reached it, as far as the camera can tell."
    kept = _by_bound(repetitions, "limit", "kept")
    for bound, count in kept.items():
        if count == n:
            return f"{_asked(bound)} All {n} stayed inside it, as far as the camera can tell."
    done, prescribed = report.whole.dose_done, report.whole.dose_prescribed
    if prescribed and done == prescribed:
        return "You did all that your plan says, and no more."
    return None


def best_repetition(repetitions: Sequence[AssessedRepetition]) -> AssessedRepetition | None:
    """The complete repetition with the most targets reached, the fewest limits passed, then the
    fewest remarks; the first of several. None where there is none."""
    whole = [r for r in repetitions if r.repetition.is_complete]

    def worth(r: AssessedRepetition) -> tuple[int, int, int]:
        outcomes = [c.outcome for c in r.checks]
        n_past = sum(o in ("passed", "possibly_passed") for o in outcomes)
        return (-n_past, outcomes.count("reached"), -len(r.remarks))

    return max(whole, key=worth, default=None)


def _one_thing(repetitions: Sequence[AssessedRepetition], report: Report) -> tuple[str, str] | None:
    """A limit of the plan that was passed, else what kept happening, else a target mostly not
    reached; None when there is none of these."""
    n = len(repetitions)
    past: tuple[tuple[Outcome, str], ...] = (
        ("passed", "went past this limit"),
        ("possibly_passed", "may have gone past this limit"),
    )
    for outcome, most_words in past:
        found = _by_bound(repetitions, "limit", outcome)
        if found:
            bound, count = found.most_common(1)[0]
            seen = f"{count} of {n} {most_words}, as far as the camera can tell."
            return f"{_asked(bound)} {seen}", "Stay clearly inside this limit next time."
    codes = Counter(code for r in repetitions for code in {m.code for m in r.remarks})
    for code, count in codes.most_common():
        if count < max(OFTEN_LEAST, OFTEN_SHARE * n) or code not in THINGS_TO_TRY:
            continue
        text = report.exercise_words.remark(code)
        return f"{text} ({count} of {n})", THINGS_TO_TRY[code]
    found = _by_bound(repetitions, "target", "not_reached")
    if found:
        bound, count = found.most_common(1)[0]
        if count > n / 2:
            seen = f"{count} of {n} did not reach it, as far as the camera can tell."
            return (
                f"{_asked(bound)} {seen}",
                "Go a little nearer to it next time, only as far as it is comfortable.",
            )
    return None


def _by_bound(
    repetitions: Sequence[AssessedRepetition], kind: CheckKind, outcome: Outcome
) -> Counter[Bound]:
    return Counter(
        c.bound for r in repetitions for c in r.checks if c.kind == kind and c.outcome == outcome
    )


def _asked(bound: Bound) -> str:
    words = measure_words(bound.measure)
    return f"Your plan says: {words[:1].lower()}{words[1:]}, {bound_text(bound, 'patient')}."


_OF_NO_CONCERN = ("rotated", "side_assumed", "knee_side", "timed_not_measured")
"""Findings that tell a patient nothing that could be done or known better."""


def _not_seen(
    report: Report, repetitions: Sequence[AssessedRepetition], exercise: Exercise
) -> tuple[str, ...]:
    lines = [
        _when(told.findings, report.clip.duration_s) + told.words
        for told in told_once(report, "patient")
        if told.findings[0].name not in _OF_NO_CONCERN
    ]
    hidden = Counter(
        measure
        for r in repetitions
        for measure in {c.measure: None for c in r.checks if c.outcome == "not_visible"}
    )
    n = len(repetitions)
    for measure, count in hidden.items():
        where = "this time" if count == n else f"in {count} of {n} repetitions"
        lines.append(f"{measure_words(measure)}: could not be told {where}.")
    return tuple(dict.fromkeys((*lines, *exercise.cannot_tell)))


def _when(findings: Sequence[Finding], duration_s: float) -> str:
    """`From 3.1 to 4.0 s: ` where what is told is about a part of the recording only."""
    start, end = findings[0].from_s, findings[0].to_s
    if start is None or end is None or end - start > 0.8 * duration_s:
        return ""
    others = len(findings) - 1
    more = f", and {others} more time{'s' if others > 1 else ''}" if others else ""
    return f"From {start:.1f} to {end:.1f} s{more}: "

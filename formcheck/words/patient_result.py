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
from formcheck.words.languages import figure, gettext, marked, ngettext, number
from formcheck.words.patient_words import measure_words, none_counted, number_of
from formcheck.words.set_words import bound_text

NOT_USED = marked(
    "The recording could not be used: it could not be read, or nobody was seen in it. Film with "
    "your whole body in the picture, in good light. Your clinic sees the reason."
)
"""For a recording that gave no report at all: the reason may be the clinic's own computer."""

OFTEN_SHARE = 0.5
"""A remark on fewer of the repetitions than this is not the thing to try (common practice: one
cue, about what keeps happening)."""
OFTEN_LEAST = 2

THINGS_TO_TRY = {
    "trunk_leans_further": marked("Keep your chest as upright as in the first repetition."),
    "trunk_leans_to_a_side": marked("Keep your trunk over the middle."),
    "trunk_leans_to_a_side_away": marked("Keep your trunk over the middle."),
    "trunk_tips": marked("Keep your trunk over the middle."),
    "trunk_tips_away": marked("Keep your trunk over the middle."),
    "trunk_leans_back": marked("Keep your trunk still while the leg moves."),
    "quick_turn": marked("Stay for a moment at the furthest point before you come back."),
    "came_down_quickly": marked("Take as long to come down as to go up."),
    "knee_moved_inward": marked("Let the knee point the same way as the toes."),
    "knee_inward_of_foot": marked("Let the knee point the same way as the toes."),
    "pelvis_opens": marked("Keep both sides of the pelvis level."),
    "pelvis_drops": marked("Keep both sides of the pelvis level."),
    "pelvis_shifts_left": marked("Keep the pelvis in the middle, weight on both feet."),
    "pelvis_shifts_right": marked("Keep the pelvis in the middle, weight on both feet."),
    "past_the_line": marked("Stop when shoulders, hips and knees are in one line."),
    "hips_sag": marked("Keep the hips at the same height until the hold is over."),
    "knees_bend": marked("Keep the knees straight as the heels rise."),
    "height_fades": marked("Tell your clinic if the last ones feel much harder."),
    "whole_leg_lifts": marked("Leave the leg where it lies and tighten the thigh only."),
    "toes_turn_up": marked("Let the toes point straight ahead."),
    "thigh_lifts": marked("Leave the thigh where it lies and move the shin only."),
    "slides_up": marked("Stay at the same height, and come up when you tire."),
    "shank_forward": marked("Put your feet a little further from the wall."),
    "shank_back": marked("Put your feet a little nearer to the wall."),
    "pelvis_rolls_back": marked("Keep the upper hip straight above the lower one."),
    "out_of_line": marked("Move trunk and free leg together, in one line."),
    "not_fully_up": marked("Come fully up each time, if it does not hurt."),
    "leg_passes_other_thigh": marked("Stop no higher than the other thigh."),
    "leg_drifts_forward": marked("Keep the leg in line with your trunk."),
    "knee_bends": marked("Tighten the front of your thigh before the heel leaves the floor."),
    "hold_broken": marked("Hold without letting go, for a shorter time if you need to."),
    "heel_lifts": marked("Keep the heels on the floor; go less deep if they lift."),
    "hands_on_thighs": marked("Leave the hands off the thighs, if that is safe."),
    "does_not_reach_seat": marked(
        "Sit all the way down each time, if your plan allows it and it does not hurt."
    ),
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


def _done(
    report: Report, repetitions: Sequence[AssessedRepetition], exercise: Exercise
) -> tuple[str, ...]:
    noun = exercise.kind
    done, prescribed = report.whole.dose_done, report.whole.dose_prescribed
    if noun == "sequence":
        n_steps = len([r for r in repetitions if r.repetition.is_complete])
        steps, sequences = number_of("step", n_steps), number_of(noun, done)
        lines = [
            gettext("The camera saw %(steps)s in %(sequences)s.", steps=steps, sequences=sequences)
        ]
    elif any(f.code == "timed_not_measured" for f in report.findings) and not done:
        lines = [gettext("This exercise is timed, not counted.")]
    elif not done:
        lines = [none_counted(noun)]
    else:
        lines = [gettext("The camera saw %(what)s.", what=number_of(noun, done))]
    if prescribed:
        planned = number_of(noun, prescribed)
        lines.append(
            gettext(
                "Your plan says %(what)s: that is %(n)s more. More is not better.",
                what=planned,
                n=done - prescribed,
            )
            if done > prescribed
            else gettext("Your plan says %(what)s.", what=planned)
        )
    n_cut = len([r for r in repetitions if not r.repetition.is_complete])
    if n_cut:
        lines.append(
            ngettext(
                "%(n)s more was not seen from start to end.",
                "%(n)s more were not seen from start to end.",
                n_cut,
            )
        )
    holds = [
        m.value
        for r in repetitions
        for m in r.measures
        if m.key == "plateau_hold_s" and isinstance(m, Measured)
    ]
    if noun == "hold" and holds:
        times = ", ".join(gettext("%(n)s s", n=number(h, 0)) for h in holds)
        lines.append(gettext("Held: %(times)s.", times=times))
    return tuple(lines)


def _went_well(repetitions: Sequence[AssessedRepetition], report: Report) -> str | None:
    """A target of the plan that most repetitions reached, else a limit that all kept, else the
    dose that was done; None when there is none of these."""
    n = len(repetitions)
    reached = _by_bound(repetitions, "target", "reached")
    if reached:
        bound, count = reached.most_common(1)[0]
        if count > n / 2:
            return gettext(
                "%(asked)s %(n)s of %(all)s reached it, as far as the camera can tell.",
                asked=_asked(bound),
                n=count,
                all=n,
            )
    kept = _by_bound(repetitions, "limit", "kept")
    for bound, count in kept.items():
        if count == n:
            return gettext(
                "%(asked)s All %(n)s stayed inside it, as far as the camera can tell.",
                asked=_asked(bound),
                n=n,
            )
    done, prescribed = report.whole.dose_done, report.whole.dose_prescribed
    if prescribed and done == prescribed:
        return gettext("You did all that your plan says, and no more.")
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
        (
            "passed",
            marked(
                "%(asked)s %(n)s of %(all)s went past this limit, as far as the camera can tell."
            ),
        ),
        (
            "possibly_passed",
            marked(
                "%(asked)s %(n)s of %(all)s may have gone past this limit, as far as the camera "
                "can tell."
            ),
        ),
    )
    for outcome, most_words in past:
        found = _by_bound(repetitions, "limit", outcome)
        if found:
            bound, count = found.most_common(1)[0]
            seen = gettext(most_words, asked=_asked(bound), n=count, all=n)
            return seen, gettext("Stay clearly inside this limit next time.")
    codes = Counter(code for r in repetitions for code in {m.code for m in r.remarks})
    for code, count in codes.most_common():
        if count < max(OFTEN_LEAST, OFTEN_SHARE * n) or code not in THINGS_TO_TRY:
            continue
        text = gettext(report.exercise_words.remark(code))
        seen = gettext("%(what)s (%(n)s of %(all)s)", what=text, n=count, all=n)
        return seen, gettext(THINGS_TO_TRY[code])
    found = _by_bound(repetitions, "target", "not_reached")
    if found:
        bound, count = found.most_common(1)[0]
        if count > n / 2:
            seen = gettext(
                "%(asked)s %(n)s of %(all)s did not reach it, as far as the camera can tell.",
                asked=_asked(bound),
                n=count,
                all=n,
            )
            return seen, gettext(
                "Go a little nearer to it next time, only as far as it is comfortable."
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
    return gettext(
        "Your plan says: %(what)s, %(bound)s.",
        what=words[:1].lower() + words[1:],
        bound=bound_text(bound, "patient"),
    )


_OF_NO_CONCERN = ("rotated", "side_assumed", "knee_side", "timed_not_measured", "way_left_out")
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
        what = measure_words(measure)
        lines.append(
            gettext("%(measure)s: could not be told this time.", measure=what)
            if count == n
            else gettext(
                "%(measure)s: could not be told in %(n)s of %(all)s repetitions.",
                measure=what,
                n=count,
                all=n,
            )
        )
    return tuple(dict.fromkeys((*lines, *map(gettext, exercise.cannot_tell))))


def _when(findings: Sequence[Finding], duration_s: float) -> str:
    """`From 3.1 to 4.0 s: ` where what is told is about a part of the recording only."""
    start, end = findings[0].from_s, findings[0].to_s
    if start is None or end is None or end - start > 0.8 * duration_s:
        return ""
    others = len(findings) - 1
    from_s, to_s = figure(f"{start:.1f}"), figure(f"{end:.1f}")
    if not others:
        return gettext("From %(from)s to %(to)s s: ", **{"from": from_s, "to": to_s})
    return ngettext(
        "From %(from)s to %(to)s s, and %(n)s more time: ",
        "From %(from)s to %(to)s s, and %(n)s more times: ",
        others,
        **{"from": from_s, "to": to_s},
    )

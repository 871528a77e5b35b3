"""From a track to measured repetitions: one stretch of a clip, seen from one side.

Camera, series, attempts, measures, checks and findings, in that order; a clip in which the person
turns round to show the other leg has two such stretches. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, cast

import numpy as np

from formcheck.model.anatomy import Side, other_side
from formcheck.model.codes import FindingCode, values_of
from formcheck.model.measures import is_supported
from formcheck.model.programme import BoundOfKind, Exercise, ExerciseView
from formcheck.model.records import (
    AssessedRepetition,
    Finding,
    NotMeasurable,
    RawTrack,
    Repetition,
    SeenLeg,
    Track,
    Value,
    View,
)
from formcheck.model.request import Request
from formcheck.motion.assessment import check_bound, drop_targets_beyond_limits
from formcheck.motion.camera import turned_round
from formcheck.motion.circumstances import Setting
from formcheck.motion.doubts import (
    feet_findings,
    pulse_findings,
    quick_findings,
    slow_motion_findings,
    view_findings,
)
from formcheck.motion.driving import (
    attempts_in,
    counted_by_hips,
    is_of_signal,
    lost_findings,
    parts_of,
    repetitions_of,
    sequence_findings,
    without_free_legs,
    without_slips,
)
from formcheck.motion.findings import hidden_samples
from formcheck.motion.masks import runs
from formcheck.motion.measured_leg import (
    leg_from_the_front,
    of_the_side_asked_for,
    reported_side,
    wrong_leg,
)
from formcheck.motion.measurement import measure
from formcheck.motion.other_exercise import other_exercise
from formcheck.motion.other_movements import set_apart
from formcheck.motion.place import touches_way, without_ways
from formcheck.motion.remarks import find_remarks
from formcheck.motion.repetitions import Attempt, move_limits, overlap
from formcheck.motion.scene import Scene, find_scene, stretch_view
from formcheck.motion.settings import MotionSettings
from formcheck.motion.spoiled import acted_on, spoiled_by
from formcheck.motion.track import only_where
from formcheck.motion.working_leg import working_side_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """What one stretch of the clip, seen from one side, gives."""

    view: View
    findings: list[Finding]
    repetitions: tuple[AssessedRepetition, ...]
    side: Literal["left", "right", "both"]
    leg: Side
    driving_view: ExerciseView
    values: np.ndarray
    is_here: np.ndarray
    knee_flexion_deg: np.ndarray

    @property
    def seen(self) -> SeenLeg:
        return SeenLeg(
            leg=self.leg,
            view=self.view,
            is_here=self.is_here,
            knee_flexion_deg=self.knee_flexion_deg,
        )


def request_bounds(request: Request) -> tuple[BoundOfKind, ...]:
    """The bounds in force: a limit on a measure beats a target that asks for more."""
    return drop_targets_beyond_limits(request.bounds, request.exercise)


def stretches_by_side(
    track: Track, raw: RawTrack, request: Request, settings: MotionSettings
) -> tuple[list[Stretch], list[Finding]]:
    """One part, or two where the person turns round to show the other leg (the longer first)."""
    view = stretch_view(track, settings)
    is_away = turned_round(track, view, settings.camera)
    if not is_away.any():
        return [measured_stretch(track, raw, request, settings)], []
    away = max(runs(is_away), key=lambda run: run[1] - run[0])
    from_s, to_s = float(track.time_s[away[0]]), float(track.time_s[away[1] - 1])
    shown, other = only_where(track, ~is_away), only_where(track, is_away)
    if request.side in (None, "both") and request.exercise.working_leg != "both":
        near = cast(Side, view.near_side)  # only a side view tells of turning round
        parts = _both_measured(shown, other, raw, request, settings)
        for_each = zip(parts, (~is_away, is_away), strict=True)
        return [replace(part, is_here=here) for part, here in for_each], [
            Finding(
                code="turned_round",
                values=values_of(are_both_measured=True, side=other_side(near)),
                from_s=from_s,
                to_s=to_s,
            )
        ]
    if request.side not in (None, "both", view.near_side):
        shown, is_away = other, ~is_away  # the part that shows the leg that was asked for
    part = replace(measured_stretch(shown, raw, request, settings), is_here=~is_away)
    return [part], [
        Finding(
            code="turned_round",
            values=values_of(are_both_measured=False, side=part.view.near_side),
            from_s=from_s,
            to_s=to_s,
        )
    ]


def _both_measured(
    shown: Track, other: Track, raw: RawTrack, request: Request, settings: MotionSettings
) -> list[Stretch]:
    """Either stretch measured; limits that a person moved go to the stretch they are in."""
    plain = replace(request, moved_limits=())
    parts = [measured_stretch(t, raw, plain, settings) for t in (shown, other)]
    if not request.moved_limits:
        return parts
    in_time_order = sorted(
        (r.repetition.start_s, k, place)
        for k, part in enumerate(parts)
        for place, r in enumerate(part.repetitions)
    )
    moved: tuple[list[tuple[int, float, float]], list[tuple[int, float, float]]] = ([], [])
    for place, start_s, end_s in request.moved_limits:
        if 0 <= place < len(in_time_order):
            _, k, own_place = in_time_order[place]
            moved[k].append((own_place, start_s, end_s))
    return [
        measured_stretch(t, raw, replace(request, moved_limits=tuple(m)), settings) if m else part
        for t, m, part in zip((shown, other), moved, parts, strict=True)
    ]


def measured_stretch(
    track: Track, raw: RawTrack, request: Request, settings: MotionSettings
) -> Stretch:
    """Camera, series, attempts and their measures of one stretch."""
    scene = find_scene(track, raw, request, settings)
    view, exercise = scene.view, scene.exercise
    found = without_ways(
        attempts_in(scene.values, scene.driving_view, scene.series, exercise, settings.repetition),
        scene.values,
        track,
        raw.left_out,
    )
    hips = counted_by_hips(
        found,
        scene.driving_view,
        scene.series,
        exercise,
        scene.findings,
        track.time_s,
        settings.repetition,
    )
    if hips is not None:
        driving_view, values, by_hips = hips
        found = without_ways(by_hips, values, track, raw.left_out)
        scene = replace(scene, driving_view=driving_view, values=values, unit="share")
    attempts: Sequence[Attempt] = without_slips(found, track.time_s, scene.findings)
    attempts, findings = set_apart(attempts, track, view, scene.all_series, scene.leg, exercise)
    attempts = without_free_legs(
        attempts, scene.driving_view, track, scene.series.leg_length_px, exercise
    )
    scene = scene.with_findings(findings)
    if not scene.has_found("wrong_side"):
        wrong = wrong_leg(
            attempts,
            request,
            track,
            view,
            scene.all_series,
            scene.driving_view,
            scene.findings,
            settings,
        )
        if wrong is not None:
            return _as_if_the_far_leg_were_asked_for(wrong, track, raw, request, settings)
        of_side, findings = of_the_side_asked_for(
            attempts, request, track, view, scene.driving_view, scene.findings, settings
        )
        # Another exercise may be all of the other leg: a step forward told as one back.
        contradiction = None if of_side else _other_exercise(attempts, scene)
        scene = scene.with_findings(findings if contradiction is None else [contradiction])
        attempts = of_side
    attempts, findings = _believed(attempts, scene)
    scene = scene.with_findings([*findings, *_smaller_movements(attempts, found, scene)])
    scene, sides = _with_working_legs(attempts, scene)
    directions = parts_of(attempts, sides, track, view, exercise)
    repetitions = repetitions_of(attempts, sides, directions, track, exercise, scene.is_of_both)
    if exercise.kind == "sequence":
        scene = scene.with_findings(sequence_findings(repetitions, exercise.parts))
    is_standing = _outside(scene.is_still, (*found, *attempts))
    assessed = _measure_all(scene, list(zip(repetitions, attempts, strict=True)), is_standing)
    if not attempts and not any(scene.has_found(code) for code in WHAT_IT_WAS):
        scene = scene.with_findings([_nothing_found(scene)])
    return Stretch(
        view=view,
        findings=list(scene.findings),
        repetitions=assessed,
        side="both" if scene.is_of_both else reported_side(sides, scene.side, scene.leg),
        leg=scene.leg,
        driving_view=scene.driving_view,
        values=scene.values,
        is_here=np.ones(len(track.time_s), bool),
        knee_flexion_deg=scene.series.knee_flexion_deg,
    )


def _other_exercise(attempts: Sequence[Attempt], scene: Scene) -> Finding | None:
    return other_exercise(
        attempts,
        scene.track,
        scene.view,
        scene.all_series,
        scene.exercise,
        scene.leg,
        scene.findings,
    )


def _believed(attempts: Sequence[Attempt], scene: Scene) -> tuple[Sequence[Attempt], list[Finding]]:
    """(the attempts with the limits that a person moved, none of another exercise; what makes
    their numbers doubtful: spoiled.py says what follows)."""
    track, view, exercise = scene.track, scene.view, scene.exercise
    findings = lost_findings(attempts, scene.values, track)
    contradiction = _other_exercise(attempts, scene)
    if contradiction is not None:
        findings, attempts = [*findings, contradiction], ()
    moved = scene.request.moved_limits
    if moved:
        attempts = move_limits(
            attempts, scene.rising, track.time_s, moved, scene.settings.repetition
        )
    return attempts, [
        *findings,
        *slow_motion_findings(scene.raw),
        *quick_findings(attempts, track, scene.frame_s),
        *pulse_findings(attempts, scene.rising, scene.unit, track, exercise),
        *view_findings(attempts, track, view),
        *feet_findings(attempts, track, view),
    ]


def _with_working_legs(attempts: Sequence[Attempt], scene: Scene) -> tuple[Scene, list[Side]]:
    """(the scene with the leg that the movement tells, the working leg of each attempt)."""
    track, view, rule = scene.track, scene.view, scene.exercise.working_leg
    leg, findings = leg_from_the_front(
        attempts,
        track,
        view,
        scene.all_series,
        scene.exercise,
        scene.leg,
        side=scene.side,
        is_of_both=scene.is_of_both,
    )
    side = scene.side
    if scene.request.side in (None, "both") and rule in ("stepping", "staying"):
        side = None  # steps may alternate, and the far leg's are not the near leg's
    is_raised = scene.driving_view.driving_leg == "other"
    sides, others = (
        [
            side or working_side_of(a, track, view, rule, usual, is_free_foot_raised=is_raised)
            for a in attempts
        ]
        for usual in (leg, other_side(leg))
    )
    if is_raised and attempts and sides == others:  # whichever was assumed, the feet tell
        leg = sides[0]
        findings = [f for f in findings if f.code != "side_assumed"]
    return replace(scene.with_findings(findings), leg=leg, side=side), sides


def _outside(mask: np.ndarray, attempts: Sequence[Attempt]) -> np.ndarray:
    """The mask, (n,) bool, False within the attempts, those that were left out among them."""
    out = mask.copy()
    for a in attempts:
        out[a.start : a.end + 1] = False
    return out


def _as_if_the_far_leg_were_asked_for(
    wrong: Finding, track: Track, raw: RawTrack, request: Request, settings: MotionSettings
) -> Stretch:
    """The stretch counted and timed as far as the far leg lets it, with the finding that says why.

    (The angles of the leg that does not work would pass for those of the one that does.)
    """
    far = other_side(cast(Side, stretch_view(track, settings).near_side))
    part = measured_stretch(track, raw, replace(request, side=far), settings)
    findings = [wrong if f.code == "wrong_side" else f for f in part.findings]
    return replace(part, findings=findings)


SMALLER_LEAST_SHARE = 0.7
"""A movement of this share of the least range may have been meant as a repetition, and is told
(decision 89); a smaller one is a shift of weight."""


def _smaller_movements(
    attempts: Sequence[Attempt], found: Sequence[Attempt], scene: Scene
) -> list[Finding]:
    """The movements beside the repetitions that are nearly of the least range, each told.

    attempts : the repetitions; where there is none, that is told of the whole clip. found : all
    that were found, those that were left out among them. (A sequence tells of missed directions.)
    """
    exercise, driving_view = scene.exercise, scene.driving_view
    if not attempts or exercise.kind == "sequence":
        return []
    least_range = driving_view.least_range.value
    least = replace(driving_view.least_range, value=SMALLER_LEAST_SHARE * least_range)
    smaller: Sequence[Attempt] = attempts_in(
        scene.values,
        replace(driving_view, least_range=least),
        scene.series,
        exercise,
        scene.settings.repetition,
    )
    track, view = scene.track, scene.view
    smaller, _ = set_apart(smaller, track, view, scene.all_series, scene.leg, exercise)
    smaller, _ = of_the_side_asked_for(
        smaller, scene.request, track, view, driving_view, (), scene.settings
    )
    hidden = hidden_samples(track, scene.leg, view, scene.findings, scene.settings.quality)
    return [
        Finding(
            code="smaller_movement",
            values=values_of(range=a.rise, least_range=least_range, unit=_unit_of(scene)),
            from_s=float(track.time_s[a.start]),
            to_s=float(track.time_s[a.end]),
        )
        for a in smaller
        if a.is_complete
        and least.value <= a.rise < least_range
        and not any(overlap(a, b) for b in (*found, *attempts))
        and not hidden[a.start : a.end + 1].any()
        and not any(touches_way(a, scene.values, track, scene.raw.left_out))
    ]


WHAT_IT_WAS: tuple[FindingCode, ...] = ("other_leg", "other_exercise", "other_movement")
"""Findings that say what was found where no repetition of this exercise was."""


def _nothing_found(scene: Scene) -> Finding:
    if scene.exercise.is_timed_when_unseen:
        return Finding(code="timed_not_measured")
    least_range = scene.driving_view.least_range.value
    return Finding(
        code="no_repetition_found", values=values_of(least_range=least_range, unit=_unit_of(scene))
    )


def _unit_of(scene: Scene) -> str:
    """What the driving signal is measured in: deg, foot_length or leg_length."""
    if scene.unit == "deg":
        return "deg"
    is_foot = scene.driving_view.driving_signal == "heel_height"
    return "foot_length" if is_foot else "leg_length"


def exercise_measures(exercise: Exercise) -> tuple[str, ...]:
    """Every measure that the exercise lists, over all its views, in their order."""
    return tuple(dict.fromkeys(key for v in exercise.views for key in v.measures))


def _measure_all(
    scene: Scene, found: Sequence[tuple[Repetition, Attempt]], is_standing: np.ndarray
) -> tuple[AssessedRepetition, ...]:
    """Measures, checks and remarks of each repetition of the set.

    is_standing : (n,) bool, still and outside every attempt.
    """
    bounds = request_bounds(scene.request)
    keys = exercise_measures(scene.exercise)
    keys = tuple(dict.fromkeys((*keys, *(b.measure for _, b in bounds))))
    in_set = _settings_of_set(scene, found, is_standing)
    signal, findings = _own_signal(scene), scene.findings
    done: list[AssessedRepetition] = []
    for (rep, _), s in zip(found, in_set, strict=True):
        measures = tuple(acted_on(_measure_one(key, s), rep, findings, signal) for key in keys)
        by_key = {v.key: v for v in measures}
        checks = tuple(
            check_bound(kind, b, by_key[b.measure], is_complete=rep.is_complete)
            for kind, b in bounds
        )
        look_for = [
            look
            for look in scene.exercise.look_for
            if spoiled_by(look.feature, rep, findings, signal) is None
        ]
        remarks = find_remarks(look_for, s.view.plane, s, measures, in_set)
        done.append(
            AssessedRepetition(
                repetition=rep,
                measures=measures,
                checks=checks,
                remarks=remarks,
                leg=s.series.side,
                other_leg=_other_knee(scene, rep, s),
            )
        )
    return tuple(done)


def _own_signal(scene: Scene) -> str:
    """The driving signal, where it is of the leg that is measured; else empty."""
    driving = scene.driving_view
    return "" if driving.driving_leg == "other" else driving.driving_signal


OF_EITHER_KNEE = ("fppa_at_turn_deg", "fppa_peak_deg", "fppa_change_deg")
"""What a front view of both legs at work tells of each knee."""


def _other_knee(scene: Scene, rep: Repetition, s: Setting) -> tuple[Value, ...]:
    """The other knee's place in a front view of an exercise for both legs; else nothing."""
    if scene.exercise.working_leg != "both" or s.view.plane != "frontal":
        return ()
    side = other_side(s.series.side)
    hidden = hidden_samples(scene.track, side, scene.view, scene.findings, scene.settings.quality)
    other = replace(s, series=scene.all_series[side], is_hidden=hidden)
    return tuple(
        acted_on(measure(key, other), rep, scene.findings, _own_signal(scene))
        for key in exercise_measures(scene.exercise)
        if key in OF_EITHER_KNEE
    )


def _settings_of_set(
    scene: Scene, found: Sequence[tuple[Repetition, Attempt]], is_standing: np.ndarray
) -> tuple[Setting, ...]:
    """What each repetition is measured in, the ones before and after it among that."""
    exercise, attempts = scene.exercise, [attempt for _, attempt in found]
    band = next(
        (
            b
            for kind, b in request_bounds(scene.request)
            if kind == "target" and is_of_signal(b, scene.driving_view)
        ),
        None,
    )
    hidden = {
        s: hidden_samples(scene.track, s, scene.view, scene.findings, scene.settings.quality)
        for s in scene.all_series
    }
    in_set = []
    for k, (rep, attempt) in enumerate(found):
        side = scene.leg if rep.side == "both" else rep.side
        in_set.append(
            Setting(
                track=scene.track,
                series=scene.all_series[side],
                view=scene.view,
                attempt=attempt,
                driving=scene.values,
                driving_unit=scene.unit,
                driving_signal=scene.driving_view.driving_signal,
                is_rising=scene.driving_view.direction == "rises",
                is_split=scene.request.exercise.working_leg == "front",
                first_phase=exercise.first_phase,
                position=exercise.position,
                standing=is_standing,
                previous_end=attempts[k - 1].end if k else None,
                next_start=attempts[k + 1].start if k + 1 < len(attempts) else None,
                is_until_touch=scene.driving_view.driving_leg == "other",
                frame_s=scene.frame_s,
                band=band,
                stature_cm=scene.request.context.stature_cm,
                is_hidden=hidden[side],
                settings=scene.settings.measurement,
                repetition=scene.settings.repetition,
                readings=scene.request.readings,
                model=scene.raw.source.model,
            )
        )
    return tuple(in_set)


def _measure_one(key: str, s: Setting) -> Value:
    far = s.view.plane == "sagittal" and s.view.near_side == other_side(s.series.side)
    if far and not is_supported(key, "frontal"):
        return NotMeasurable(key=key, code="leg_turned_away", values=values_of(side=s.series.side))
    return measure(key, s)

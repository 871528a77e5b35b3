"""From a track to measured repetitions: one stretch of a clip, seen from one side.

Camera, series, attempts, measures, checks and findings, in that order; a clip in which the person
turns round to show the other leg has two such stretches. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, cast

import numpy as np

from formcheck.model.anatomy import SIDES, Side, other_side
from formcheck.model.codes import values_of
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
from formcheck.motion.camera import find_view, turned_round
from formcheck.motion.circumstances import Setting
from formcheck.motion.doubts import (
    feet_findings,
    misfit_findings,
    other_exercise,
    pulse_findings,
    quick_findings,
    slow_motion_findings,
    squeeze_findings,
    view_findings,
)
from formcheck.motion.driving import (
    attempts_in,
    drive,
    is_of_signal,
    lost_findings,
    measured_side,
    parts_of,
    repetitions_of,
    sequence_findings,
    view_for,
    width_share,
)
from formcheck.motion.findings import camera_tilt_deg, clip_findings, hidden_samples
from formcheck.motion.front_view import find_front_view, front_view_findings, trunk_lean_deg
from formcheck.motion.kinematics import Series, build_series
from formcheck.motion.leg_plane import find_leg_plane, leg_plane_findings
from formcheck.motion.measured_leg import (
    choose_side,
    leg_from_the_front,
    of_the_side_asked_for,
    reported_side,
    wrong_leg,
)
from formcheck.motion.measurement import measure
from formcheck.motion.other_movements import set_apart
from formcheck.motion.remarks import find_remarks
from formcheck.motion.repetitions import Attempt, find_rest, find_still, move_limits
from formcheck.motion.settings import MotionSettings
from formcheck.motion.sight import find_sight
from formcheck.motion.spoiled import acted_on, spoiled_by
from formcheck.motion.track import only_where, runs
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Driven:
    """A stretch as far as the movement in it: what attempts are found and measured in.

    values : (n,) the driving signal in `unit`; leg : the one that is measured; is_standing : (n,)
    bool, still and outside every attempt; frame_s : between two pictures that were looked at;
    model : the pose bundle's name.
    """

    track: Track
    view: View
    all_series: dict[Side, Series]
    leg: Side
    driving_view: ExerciseView
    values: np.ndarray
    unit: str
    is_standing: np.ndarray
    findings: tuple[Finding, ...]
    frame_s: float
    model: str


def request_bounds(request: Request) -> tuple[BoundOfKind, ...]:
    """The bounds in force: a limit on a measure beats a target that asks for more."""
    return drop_targets_beyond_limits(request.bounds, request.exercise)


def stretches_by_side(
    track: Track, raw: RawTrack, request: Request, settings: MotionSettings
) -> tuple[list[Stretch], list[Finding]]:
    """One part, or two where the person turns round to show the other leg (the longer first)."""
    view = _find_view(track, settings)
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


def _find_view(track: Track, settings: MotionSettings) -> View:
    is_still = find_still(track, settings.repetition)
    is_rest = find_rest(track, is_still, settings.repetition)
    return find_view(track, is_still, settings.camera, is_rest=is_rest)


def measured_stretch(
    track: Track, raw: RawTrack, request: Request, settings: MotionSettings
) -> Stretch:
    """Camera, series, attempts and their measures of one stretch."""
    exercise = request.exercise
    is_still = find_still(track, settings.repetition)
    view = _find_view(track, settings)
    view = replace(view, roll_deg=camera_tilt_deg(track, view, exercise))
    findings = clip_findings(raw, track, view, exercise, settings.quality)
    side, side_findings = choose_side(request, track, view, is_still)
    findings += side_findings
    findings += misfit_findings(track, view)
    is_two_leg = exercise.working_leg == "both"
    all_series, of_leg = _all_series(track, raw, view, exercise, is_still, settings)
    leg = measured_side(side, view)
    if exercise.position == "standing":  # a foot off the floor points anywhere
        findings += squeeze_findings(track, view, all_series[view.near_side or leg])
    if any(v.plane == view.plane for v in exercise.views):
        findings += of_leg[leg]
    driving_view, values, unit = drive(
        exercise,
        view_for(exercise, view),
        all_series,
        leg,
        is_far=view.plane == "sagittal" and leg != view.near_side,
        is_side_known=side is not None,
    )
    found = attempts_in(values, driving_view, all_series[leg], exercise, settings.repetition)
    attempts: Sequence[Attempt]
    attempts, other = set_apart(found, track, view, all_series, leg, exercise)
    findings += other
    if not any(f.code == "wrong_side" for f in findings):
        wrong = wrong_leg(
            attempts, request, track, view, all_series, driving_view, tuple(findings), settings
        )
        if wrong is not None:
            return _as_if_the_far_leg_were_asked_for(wrong, track, raw, request, settings)
        attempts, other = of_the_side_asked_for(attempts, request, track, view)
        findings += other
    findings += lost_findings(attempts, values, track)
    contradiction = other_exercise(attempts, track, view, all_series, exercise)
    if contradiction is not None:
        findings, attempts = [*findings, contradiction], ()
    if request.moved_limits:
        signal = values if driving_view.direction == "rises" else -values
        attempts = move_limits(
            attempts, signal, track.time_s, request.moved_limits, settings.repetition
        )
    findings += _doubts(attempts, values, driving_view, unit, track, raw, view, exercise)
    is_of_both = is_two_leg and (request.side == "both" or side is None)
    leg, leg_findings = leg_from_the_front(
        attempts, track, view, all_series, exercise, leg, side=side, is_of_both=is_of_both
    )
    findings += leg_findings
    if request.side in (None, "both") and exercise.working_leg in ("stepping", "staying"):
        side = None  # steps may alternate, and the far leg's are not the near leg's
    sides = [side or working_side_of(a, track, view, exercise.working_leg, leg) for a in attempts]
    directions = parts_of(attempts, sides, track, view, exercise)
    repetitions = repetitions_of(attempts, sides, directions, track, exercise, is_of_both)
    if exercise.kind == "sequence":
        findings += sequence_findings(repetitions, exercise.parts)
    assessed = _measure_all(
        _Driven(
            track=track,
            view=view,
            all_series=all_series,
            leg=leg,
            driving_view=driving_view,
            values=values,
            unit=unit,
            is_standing=_outside(is_still, (*found, *attempts)),
            findings=tuple(findings),
            frame_s=float(np.median(np.diff(raw.time_s))),
            model=raw.source.model,
        ),
        list(zip(repetitions, attempts, strict=True)),
        request,
        settings,
    )
    if not attempts and not any(f.code == "other_leg" for f in findings):
        findings.append(_nothing_found(exercise, driving_view, unit))
    return Stretch(
        view=view,
        findings=findings,
        repetitions=assessed,
        side="both" if is_of_both else reported_side(sides, side, leg),
        leg=leg,
        driving_view=driving_view,
        values=values,
        is_here=np.ones(len(track.time_s), bool),
        knee_flexion_deg=all_series[leg].knee_flexion_deg,
    )


def _doubts(
    attempts: Sequence[Attempt],
    values: np.ndarray,
    driving_view: ExerciseView,
    unit: str,
    track: Track,
    raw: RawTrack,
    view: View,
    exercise: Exercise,
) -> list[Finding]:
    """What makes the numbers of these attempts doubtful; spoiled.py says what follows."""
    rising = values if driving_view.direction == "rises" else -values
    frame_s = float(np.median(np.diff(raw.time_s)))
    return [
        *slow_motion_findings(raw),
        *quick_findings(attempts, track, frame_s),
        *pulse_findings(attempts, rising, unit, track, exercise),
        *view_findings(attempts, track, view),
        *feet_findings(attempts, track, view),
    ]


def _all_series(
    track: Track,
    raw: RawTrack,
    view: View,
    exercise: Exercise,
    is_still: np.ndarray,
    settings: MotionSettings,
) -> tuple[dict[Side, Series], dict[Side, list[Finding]]]:
    """(series of both legs, in their own planes where the person is upright; what each leg's
    place before the camera gives to tell)."""
    is_upright = exercise.position in ("standing", "sitting")
    is_rest = is_still & find_rest(track, is_still, settings.repetition)
    sight = find_sight(track, is_rest, (raw.clip.width_px, raw.clip.height_px))
    lean = None
    if view.plane == "frontal" and is_upright:
        lean = trunk_lean_deg(track, is_rest, sight)
    series: dict[Side, Series] = {}
    findings: dict[Side, list[Finding]] = {}
    for side in SIDES:
        plane = find_leg_plane(track, view, side, is_rest, sight) if is_upright else None
        seen = find_front_view(track, view, side, is_rest) if is_upright else None
        series[side] = build_series(
            track,
            view,
            side,
            is_two_leg=exercise.working_leg == "both",
            width_share=width_share(view),
            leg_plane=plane,
            front_view=seen,
            trunk_ahead_deg=lean,
        )
        findings[side] = leg_plane_findings(plane)
        if seen is not None:
            findings[side] += front_view_findings(view)
    return series, findings


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
    far = other_side(cast(Side, _find_view(track, settings).near_side))
    part = measured_stretch(track, raw, replace(request, side=far), settings)
    findings = [wrong if f.code == "wrong_side" else f for f in part.findings]
    return replace(part, findings=findings)


def _nothing_found(exercise: Exercise, driving_view: ExerciseView, unit: str) -> Finding:
    if exercise.is_timed_when_unseen:
        return Finding(code="timed_not_measured")
    length = "foot_length" if driving_view.driving_signal == "heel_height" else "leg_length"
    of_what = "deg" if unit == "deg" else length
    return Finding(
        code="no_repetition_found",
        values=values_of(least_range=driving_view.least_range.value, unit=of_what),
    )


def exercise_measures(exercise: Exercise) -> tuple[str, ...]:
    """Every measure that the exercise lists, over all its views, in their order."""
    return tuple(dict.fromkeys(key for v in exercise.views for key in v.measures))


def _measure_all(
    driven: _Driven,
    found: Sequence[tuple[Repetition, Attempt]],
    request: Request,
    settings: MotionSettings,
) -> tuple[AssessedRepetition, ...]:
    """Measures, checks and remarks of each repetition of the set."""
    bounds = request_bounds(request)
    keys = exercise_measures(request.exercise)
    keys = tuple(dict.fromkeys((*keys, *(b.measure for _, b in bounds))))
    in_set = _settings_of_set(driven, found, request, settings)
    done: list[AssessedRepetition] = []
    for (rep, _), s in zip(found, in_set, strict=True):
        measures = tuple(acted_on(_measure_one(key, s), rep, driven.findings) for key in keys)
        by_key = {v.key: v for v in measures}
        checks = tuple(
            check_bound(kind, b, by_key[b.measure], is_complete=rep.is_complete)
            for kind, b in bounds
        )
        look_for = [
            look
            for look in request.exercise.look_for
            if spoiled_by(look.feature, rep, driven.findings) is None
        ]
        remarks = find_remarks(look_for, s.view.plane, s, measures, in_set)
        done.append(
            AssessedRepetition(repetition=rep, measures=measures, checks=checks, remarks=remarks)
        )
    return tuple(done)


def _settings_of_set(
    driven: _Driven,
    found: Sequence[tuple[Repetition, Attempt]],
    request: Request,
    settings: MotionSettings,
) -> tuple[Setting, ...]:
    """What each repetition is measured in, the ones before and after it among that."""
    attempts = [attempt for _, attempt in found]
    band = next(
        (
            b
            for kind, b in request_bounds(request)
            if kind == "target" and is_of_signal(b, driven.driving_view)
        ),
        None,
    )
    hidden = {
        s: hidden_samples(driven.track, s, driven.view, driven.findings, settings.quality)
        for s in driven.all_series
    }
    in_set = []
    for k, (rep, attempt) in enumerate(found):
        side = driven.leg if rep.side == "both" else rep.side
        in_set.append(
            Setting(
                track=driven.track,
                series=driven.all_series[side],
                view=driven.view,
                attempt=attempt,
                driving=driven.values,
                driving_unit=driven.unit,
                driving_signal=driven.driving_view.driving_signal,
                is_rising=driven.driving_view.direction == "rises",
                first_phase=request.exercise.first_phase,
                position=request.exercise.position,
                standing=driven.is_standing,
                previous_end=attempts[k - 1].end if k else None,
                next_start=attempts[k + 1].start if k + 1 < len(attempts) else None,
                is_until_touch=driven.driving_view.driving_leg == "other",
                frame_s=driven.frame_s,
                band=band,
                stature_cm=request.context.stature_cm,
                is_hidden=hidden[side],
                settings=settings.measurement,
                repetition=settings.repetition,
                readings=request.readings,
                model=driven.model,
            )
        )
    return tuple(in_set)


def _measure_one(key: str, s: Setting) -> Value:
    far = s.view.plane == "sagittal" and s.view.near_side == other_side(s.series.side)
    if far and not is_supported(key, "frontal"):
        return NotMeasurable(key=key, code="leg_turned_away", values=values_of(side=s.series.side))
    return measure(key, s)

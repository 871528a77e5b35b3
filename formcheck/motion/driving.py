"""What drives the exercise in this view: the signal, the attempts in it, the repetitions.

From the exercise file's view to numbered repetitions with their side and, in a sequence, their
part. Pure.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from formcheck.model.anatomy import LANDMARK, SIDES, Side, other_side
from formcheck.model.codes import values_of
from formcheck.model.programme import Bound, Exercise, ExerciseView, SourcedNumber
from formcheck.model.records import Finding, Repetition, Track, View
from formcheck.motion.camera import mid, off_side_deg
from formcheck.motion.holds import OFF_FLOOR_SHARE
from formcheck.motion.kinematics import KNEE_LEAST_DEG, Series, driving_values
from formcheck.motion.masks import SLIP_MARGIN_S, runs, widened
from formcheck.motion.repetitions import (
    BLINK_S,
    Attempt,
    RepetitionSettings,
    ends_where_it_began,
    find_attempts,
    overlap,
)
from formcheck.motion.working_leg import (
    number_sequences,
    parts_in_order,
    pelvis_turn_deg,
    step_direction_deg,
)


def measured_side(side: Side | None, view: View) -> Side:
    return side or view.near_side or "left"


def width_share(view: View) -> float:
    """sin(azimuth) for the correction of inclinations, where it was shown to help (decision 9)."""
    if view.plane != "sagittal":
        return 1.0
    return float(np.cos(np.radians(min(off_side_deg(view.azimuth_deg), 40.0))))


COUNTING_LEAST_SHARE = 0.06
"""Least fall of the hips, share of leg length, where an exercise names no signal for the view
(sample clips, decision 4)."""


def view_for(exercise: Exercise, view: View) -> ExerciseView:
    """How the exercise is driven in the plane that the camera saw.

    Where the exercise does not list that plane, repetitions are still counted and timed from
    hip height, and its measures are reported as not measurable.
    """
    for v in exercise.views:
        if v.plane == view.plane:
            return v
    return ExerciseView(
        plane="oblique",
        driving_signal="hip_height",
        direction="falls" if exercise.first_phase == "lowering" else "rises",
        least_range=SourcedNumber(
            value=COUNTING_LEAST_SHARE, source="chosen on sample clips, decision 4"
        ),
        measures=("lowering_s", "pause_s", "raising_s", "rest_s"),
    )


def is_on_toes(view: ExerciseView) -> bool:
    """Whether heels rise over toes that stay on the floor."""
    return view.driving_signal == "heel_height" and view.driving_leg != "other"


LEG_SIGNALS = ("knee_flexion", "trunk_thigh", "leg_elevation", "heel_height")
"""Driving signals that are read off the working leg."""


KNEE_MOST_DEG = 180.0
"""Where a knee straightens from its rest, a bend beyond this is no rest: landmarks are astray, and
one such second would be the rest of the whole set (heel and buttock meet at 150 to 160, common
practice). In a deep squat a thigh may point toward the camera; that one reads more."""


def drive(
    exercise: Exercise,
    exercise_view: ExerciseView,
    all_series: dict[Side, Series],
    leg: Side,
    *,
    is_far: bool,
    is_side_known: bool,
) -> tuple[ExerciseView, np.ndarray, str]:
    """(view in force, driving values, unit); upright, hip height where the own signal is unseen.

    Where the free foot drives and nobody named the stance leg, or the names are not to be believed,
    either foot may be the free one.
    """
    if exercise_view.driving_leg == "other":
        free = (other_side(leg),) if is_side_known else SIDES
        lifts = [
            driving_values(all_series[f], exercise_view.driving_signal, is_free_foot=True)
            for f in free
        ]
        return exercise_view, np.fmax.reduce([v for v, _, _ in lifts]), lifts[0][1]
    series = all_series[leg]
    values, unit, _ = driving_values(series, exercise_view.driving_signal)
    if exercise_view.driving_signal == "knee_flexion":
        values = np.where(_is_no_knee(series), np.nan, values)
        if exercise_view.direction == "falls":
            values = np.where(values > KNEE_MOST_DEG, np.nan, values)
    if is_far and exercise_view.driving_signal in LEG_SIGNALS:
        values = np.full_like(values, np.nan)  # the far leg is not measured, so it drives nothing
    is_upright = exercise.position in ("standing", "sitting")
    if np.isfinite(values).mean() >= 0.3 or not is_upright:
        return exercise_view, values, unit
    fallback = _by_hips(exercise, exercise_view)
    # Hips are seen over either leg; the near one gives the scale.
    values, unit, _ = driving_values(
        all_series[other_side(leg)] if is_far else series, "hip_height"
    )
    return fallback, values, unit


def _is_no_knee(series: Series) -> np.ndarray:
    """Where the knee bends as none does, or is on the way there; (n,) bool."""
    is_none = series.knee_flexion_deg < KNEE_LEAST_DEG
    return widened(is_none, round(SLIP_MARGIN_S * series.grid_hz))


def _by_hips(exercise: Exercise, exercise_view: ExerciseView) -> ExerciseView:
    """The same view, with the height of the hips for its signal."""
    return replace(
        exercise_view,
        driving_signal="hip_height",
        direction="falls" if exercise.first_phase == "lowering" else "rises",
        least_range=SourcedNumber(
            value=COUNTING_LEAST_SHARE, source="chosen on sample clips, decision 4"
        ),
    )


ASTRAY = ("landmarks_unsteady", "pose_misfit")
"""Findings of stretches in which the landmarks of a leg are not to be believed."""


def is_astray_in(a: Attempt, time_s: np.ndarray, findings: Sequence[Finding]) -> bool:
    """Whether landmarks of the leg are not to be believed in a part of the attempt."""
    start_s, end_s = time_s[a.start], time_s[a.end]
    return any(
        f.from_s < end_s and f.to_s > start_s
        for f in findings
        if f.code in ASTRAY and f.from_s is not None and f.to_s is not None
    )


SLIP_RANGE_SHARE, SLIP_TIME_SHARE = 0.75, 0.5
"""Shares of a set's usual range and time under which both lies what lies in an unsteady stretch and
is no repetition (common practice: who tires goes less far, not in half of the time as well)."""


def without_slips(
    found: Sequence[Attempt], time_s: np.ndarray, findings: Sequence[Finding]
) -> tuple[Attempt, ...]:
    """The attempts, without those that are landmarks astray at rest.

    Such a one lies whole in a stretch in which the leg's landmarks are astray, and is smaller and
    shorter than is usual for at least two that do not.
    """
    astray = np.zeros(len(time_s), bool)
    for f in findings:
        if f.code in ASTRAY and f.from_s is not None and f.to_s is not None:
            astray |= (time_s >= f.from_s) & (time_s <= f.to_s)
    whole = [a for a in found if not astray[a.start : a.end + 1].all()]
    if len(whole) < 2:
        return tuple(found)
    range_most = SLIP_RANGE_SHARE * float(np.median([a.rise for a in whole]))
    time_most = SLIP_TIME_SHARE * float(np.median([a.end - a.start for a in whole]))
    return tuple(
        a for a in found if a in whole or a.rise > range_most or a.end - a.start > time_most
    )


def counted_by_hips(
    found: Sequence[Attempt],
    driving_view: ExerciseView,
    series: Series,
    exercise: Exercise,
    findings: Sequence[Finding],
    time_s: np.ndarray,
    settings: RepetitionSettings,
) -> tuple[ExerciseView, np.ndarray, tuple[Attempt, ...]] | None:
    """(view in force, driving values, attempts) where the hips count and not the knee; else None.

    Who bends the knees over feet that stand goes down with the hips, and comes up with them: the
    two count the same. Where they do not, and the leg's landmarks are astray where they differ,
    the hips are right: they are seen over either leg, and a foot taken for the other one does not
    move them. Where they are lost on the way, what the knee shows whole is whole.
    """
    if not _bends_knee_and_lowers_hips(exercise, driving_view):
        return None
    is_none = widened(_is_no_knee(series), 1)  # what it cuts ends beside it
    if not is_none.any() and not any(f.code in ASTRAY for f in findings):
        return None
    by_hips = _by_hips(exercise, driving_view)
    values = series.hip_height_share
    theirs = attempts_in(values, by_hips, series, exercise, settings)
    if not theirs:
        return None
    if _are_whole_by_knee_only(found, theirs, series):
        return None
    of_knee, of_hips = _unmatched(found, theirs), _unmatched(theirs, found)
    # Who turns to the camera has no knee in the picture's plane: that tells of their own alone.
    is_astray = any(is_none[a.start : a.end + 1].any() for a in of_knee) or any(
        is_astray_in(a, time_s, findings) for a in (*of_knee, *of_hips)
    )
    return (by_hips, values, theirs) if is_astray else None


def _are_whole_by_knee_only(
    found: Sequence[Attempt], theirs: Sequence[Attempt], series: Series
) -> bool:
    """Whether the hips only miss what the knee shows whole: each time while they are lost, or where
    they make two of it at a knee that is none, whose landmarks take the hips along.

    (Hips that show the movement whole themselves miss nothing.)
    """
    missed = _unmatched(found, theirs)
    of_hips_alone = [b for b in _unmatched(theirs, found) if not any(overlap(a, b) for a in missed)]
    is_lost = ~np.isfinite(series.hip_height_share) | ~series.is_leg_seen
    is_none = _is_no_knee(series)
    blink = BLINK_S * series.grid_hz

    def is_missed(a: Attempt) -> bool:
        parts = [b for b in theirs if overlap(a, b)]
        if len(parts) > 1 and all(is_none[b.end : c.start + 1].any() for b, c in pairwise(parts)):
            return True
        return not any(b.is_complete for b in parts) and any(
            stop - start > blink for start, stop in runs(is_lost[a.start : a.end + 1])
        )

    return not of_hips_alone and all(a.is_complete and is_missed(a) for a in missed)


def _bends_knee_and_lowers_hips(exercise: Exercise, driving_view: ExerciseView) -> bool:
    is_bend = driving_view.driving_signal == "knee_flexion" and driving_view.direction == "rises"
    rest, turn = exercise.figure.rest, exercise.figure.turn
    lowers_hips = "hip" in turn and turn["hip"][1] < rest["hip"][1]
    return exercise.position == "standing" and is_bend and lowers_hips


STAYS_UP_MOST_SHARE = 0.5
"""Hips that fall by less than this share of the least that the knee allows stay up (common
practice: landmarks and a camera that looks down hide some of it, never half)."""


def without_free_legs(
    found: Sequence[Attempt],
    driving_view: ExerciseView,
    track: Track,
    leg_px: float,
    exercise: Exercise,
) -> tuple[Attempt, ...]:
    """The attempts, without a cut one in which the knee bends and the hips stay up.

    Before and after a set the free leg may be taken for the standing one. Thigh and shank of about
    one length, bent by an angle over a foot that stands, let the hips down by 1 - cos of half of
    it at least, leg lengths.
    """
    if not _bends_knee_and_lowers_hips(exercise, driving_view):
        return tuple(found)
    # Over the foot that stands, in the same picture: a camera may follow the person.
    floor_y = np.fmax(*(track.image_px[:, LANDMARK[s, "ankle"], 1] for s in SIDES))
    height_share = (floor_y - mid(track, "hip")[:, 1]) / leg_px

    def is_free(a: Attempt) -> bool:
        least = 1 - float(np.cos(np.radians(a.range / 2)))
        if a.is_complete or least < COUNTING_LEAST_SHARE:
            return False
        at_rest = height_share[a.start if a.is_cut_after else a.end]
        at_turn = np.median(height_share[a.turn_from : a.turn_to + 1])
        return bool(at_rest - at_turn < STAYS_UP_MOST_SHARE * least)

    return tuple(a for a in found if not is_free(a))


def _unmatched(attempts: Sequence[Attempt], others: Sequence[Attempt]) -> list[Attempt]:
    """The attempts that are not one with just one of the others, as whole as they are."""
    out = []
    for a in attempts:
        same = [b for b in others if overlap(a, b)]
        if len(same) != 1 or same[0].is_complete != a.is_complete:
            out.append(a)
    return out


LEG_SEEN_LEAST_SHARE = 0.25
"""A fall of the hips during less than this share of which anything of a leg is seen is where the
model guesses hips (decision 89)."""


def attempts_in(
    values: np.ndarray,
    driving_view: ExerciseView,
    series: Series,
    exercise: Exercise,
    settings: RepetitionSettings,
) -> tuple[Attempt, ...]:
    """The attempts of the exercise in its driving signal."""
    sign = 1.0 if driving_view.direction == "rises" else -1.0
    found = find_attempts(
        sign * values,
        series.grid_hz,
        driving_view.least_range.value,
        hip_x_share=series.hip_x_share,
        is_hold=exercise.kind == "hold",
        is_faint=exercise.is_timed_when_unseen,
        off_floor=OFF_FLOOR_SHARE if driving_view.driving_leg == "other" else None,
        settings=settings,
    )
    if driving_view.driving_signal == "hip_height":
        found = tuple(a for a in found if _is_leg_seen_in(a, series))
    joined = _joined_across_gaps(found, sign * values, series.grid_hz, settings)
    return tuple(_with_ends_in_gaps(a, sign * values, series, settings) for a in joined)


def _is_leg_seen_in(a: Attempt, series: Series) -> bool:
    return bool(np.mean(series.is_leg_seen[a.start : a.end + 1]) >= LEG_SEEN_LEAST_SHARE)


JOIN_MOST_S = 1.0
"""What is lost for up to this long at the turn of a repetition does not make two of it (common
practice: nobody comes all the way back and goes again in it); nor do several such gaps, where
between them the turn is seen to go on."""


def _joined_across_gaps(
    attempts: Sequence[Attempt], rising: np.ndarray, grid_hz: float, settings: RepetitionSettings
) -> tuple[Attempt, ...]:
    """The attempts, where a gap at the turn cuts one in two the two as one.

    The first ends at its own extreme and the second begins at its own: who had come back in
    between would be lost on the way. The turn lies in the gap, where nothing is measured, or goes
    on between several.
    """
    out: list[Attempt] = []
    for b in attempts:
        a = out[-1] if out else None
        if a is None or not _is_the_rest_of(a, b, rising, grid_hz):
            out.append(b)
            continue
        extreme = max(a.extreme, b.extreme)
        level = extreme - settings.turn_share * (extreme - min(a.rest_before, b.rest_after))
        near_a = a.start + np.flatnonzero(rising[a.start : a.end + 1] >= level)
        near_b = b.start + np.flatnonzero(rising[b.start : b.end + 1] >= level)
        out[-1] = Attempt(
            start=a.start,
            turn_from=max(int(near_a[0]), a.turn_from) if len(near_a) else a.end,
            turn_to=min(int(near_b[-1]), b.turn_to) if len(near_b) else b.start,
            end=b.end,
            rest_before=a.rest_before,
            rest_after=b.rest_after,
            extreme=extreme,
            is_complete=not (a.is_cut_before or b.is_cut_after),
            is_cut_before=a.is_cut_before,
            is_cut_after=b.is_cut_after,
        )
    return tuple(out)


def _is_the_rest_of(a: Attempt, b: Attempt, rising: np.ndarray, grid_hz: float) -> bool:
    between = rising[a.end + 1 : b.start]
    is_seen = np.isfinite(between)
    half_way = (max(a.extreme, b.extreme) + min(a.rest_before, b.rest_after)) / 2
    return (
        a.is_cut_after
        and b.is_cut_before
        and not is_seen.all()
        and all(stop - start <= JOIN_MOST_S * grid_hz for start, stop in runs(~is_seen))
        and bool((between[is_seen] >= half_way).all())
        and a.turn_to >= a.end - 1
        and b.turn_from <= b.start + 1
    )


REST_SEEN_S = 0.3
"""For so long the rest is looked at on the far side of a gap."""


def _with_ends_in_gaps(
    a: Attempt, rising: np.ndarray, series: Series, settings: RepetitionSettings
) -> Attempt:
    """The attempt, complete where each end that was not seen lies in a short gap behind a rest.

    Who rested before the gap, and after it is on the way to the turn, began in it; who rests
    elsewhere than before walked. The ends stay cut for whatever is read at them.
    """
    level = min(a.rest_before, a.rest_after) + settings.cut_share * a.range
    n_gap, n_rest = (round(s * series.grid_hz) for s in (JOIN_MOST_S, REST_SEEN_S))

    def rest_beyond(end: int, step: int) -> int | None:
        """The sample, outwards from an end, with which a rest begins behind a short gap."""
        away = rising[end + step :: step] if end + step >= 0 else rising[:0]
        seen = np.flatnonzero(np.isfinite(away))
        if not len(seen) or not 0 < seen[0] <= n_gap:
            return None
        rest = away[seen[0] : seen[0] + n_rest]
        if np.isfinite(rest).sum() < n_rest / 2 or np.nanmedian(rest) > level:
            return None
        return int(end + step * (seen[0] + 1))

    start = rest_beyond(a.start, -1) if a.is_cut_before else a.start
    end = rest_beyond(a.end, 1) if a.is_cut_after else a.end
    if start is None or end is None:
        return replace(a, is_complete=False)
    seen_whole = replace(a, start=start, end=end, is_complete=True)
    return replace(a, is_complete=ends_where_it_began(seen_whole, series.hip_x_share, settings))


def lost_findings(attempts: Sequence[Attempt], values: np.ndarray, track: Track) -> list[Finding]:
    """Where the landmarks that drive the exercise are lost in the middle of an attempt."""
    is_seen = np.isfinite(values)
    is_there = np.isfinite(track.image_px[..., 0]).any(axis=1)
    at: dict[tuple[int, int], bool] = {}
    for a, b in runs(~is_seen):
        is_blink = b - a <= BLINK_S * track.grid_hz
        if a == 0 or b == len(values) or is_blink or not is_there[a:b].any():
            continue  # the clip's edge, a blink, or nobody in the picture, which is told apart
        for attempt in attempts:
            if attempt.start < a and b <= attempt.end:
                at[a, b] = True
            elif (attempt.is_cut_after and abs(attempt.end - a) <= 1) or (
                attempt.is_cut_before and abs(attempt.start - b) <= 1
            ):
                at[a, b] = at.get((a, b), False) or attempt.is_complete
    return [
        Finding(
            code="landmarks_lost",
            values=values_of(is_counted=is_counted),
            from_s=float(track.time_s[a]),
            to_s=float(track.time_s[b - 1]),
        )
        for (a, b), is_counted in at.items()
    ]


def parts_of(
    attempts: Sequence[Attempt], sides: Sequence[Side], track: Track, view: View, exercise: Exercise
) -> list[str | None]:
    """The direction of each attempt in a sequence exercise; None in any other."""
    if exercise.kind != "sequence":
        return [None] * len(attempts)
    return parts_in_order(
        [step_direction_deg(a, track, view, s) for a, s in zip(attempts, sides, strict=True)],
        [pelvis_turn_deg(a, track, view.azimuth_deg) for a in attempts],
        exercise.parts,
    )


def repetitions_of(
    attempts: Sequence[Attempt],
    sides: Sequence[Side],
    parts: Sequence[str | None],
    track: Track,
    exercise: Exercise,
    is_of_both: bool,
) -> list[Repetition]:
    """The attempts as numbered repetitions; is_of_both : no one leg of a two-leg exercise."""
    if exercise.kind == "sequence":
        numbers = number_sequences(parts, exercise.parts)
    else:
        numbers = list(range(1, len(attempts) + 1))
    t = track.time_s
    return [
        Repetition(
            number=number,
            part=part,
            side="both" if is_of_both else s,
            start_s=float(t[a.start]),
            turn_s=float(t[a.turn]),
            end_s=float(t[a.end]),
            turn_from_s=float(t[a.turn_from]),
            turn_to_s=float(t[a.turn_to]),
            is_complete=a.is_complete,
        )
        for a, s, part, number in zip(attempts, sides, parts, numbers, strict=True)
    ]


def sequence_findings(repetitions: Sequence[Repetition], order: Sequence[str]) -> list[Finding]:
    """Directions that a sequence missed or did more than once, each named, in time order.

    A sequence with a part that was not told, or that the clip cuts, is passed over: a direction
    is only missed where all that was done is known.
    """
    out = []
    for number in sorted({r.number for r in repetitions}):
        own = [r for r in repetitions if r.number == number]
        done = [r.part for r in own]
        from_s, to_s = own[0].start_s, own[-1].end_s
        if None in done or not all(r.is_complete for r in own):
            continue
        for part in order:
            n = done.count(part)
            if n == 0:
                which = values_of(number=number, part=part)
                out.append(Finding(code="direction_missed", values=which, from_s=from_s, to_s=to_s))
            elif n > 1:
                which = values_of(number=number, part=part, n=n)
                out.append(
                    Finding(code="direction_repeated", values=which, from_s=from_s, to_s=to_s)
                )
    return out


def is_of_signal(bound: Bound, driving_view: ExerciseView) -> bool:
    """Whether a bound speaks of the driving signal at its turn, so that it makes a hold's band."""
    # The turn of a bend is its peak, that of an extension its least; the other end is rest.
    knee_at_turn = "peak" if driving_view.direction == "rises" else "least"
    return bound.measure in {
        "knee_flexion": ("plateau_level_deg", f"knee_flexion_{knee_at_turn}_deg"),
        "trunk_thigh": ("plateau_level_deg", "trunk_thigh_deg"),
        "leg_elevation": ("plateau_level_deg", "leg_elevation_peak_deg"),
        "trunk_inclination": ("plateau_level_deg", "trunk_inclination_deg"),
    }.get(driving_view.driving_signal, ())

"""Which leg a stretch is measured for: the one asked for, the near one, the one that works.

What was asked for and what the camera and the feet show may contradict each other; then a finding
says so.
"""

from collections.abc import Sequence
from typing import Literal

import numpy as np

from formcheck.model.anatomy import Side
from formcheck.model.codes import values_of
from formcheck.model.programme import Exercise, ExerciseView
from formcheck.model.records import Finding, Track, View
from formcheck.model.request import Request
from formcheck.motion.driving import attempts_in, drive, is_astray_in, view_for
from formcheck.motion.findings import hidden_samples
from formcheck.motion.kinematics import Series
from formcheck.motion.repetitions import Attempt
from formcheck.motion.settings import MotionSettings
from formcheck.motion.working_leg import (
    clearly_working_side,
    clearly_works_in,
    more_inward_leg,
    stance_side,
    top_side,
    working_side_of,
)


def choose_side(
    request: Request, track: Track, view: View, is_still: np.ndarray
) -> tuple[Side | None, list[Finding]]:
    """(the working leg or None for the attempt's own, findings about it)."""
    near = view.near_side if view.plane == "sagittal" else None
    if request.exercise.working_leg == "top" and request.side in (None, "both") and near is None:
        return top_side(track, view, is_still), []
    if request.side == "both":
        return near, []
    if request.side is None:
        if near is None:
            return None, []
        return near, [Finding(code="side_assumed", values=values_of(side=near, is_nearer=True))]
    if near is not None and near != request.side:
        return request.side, [
            Finding(
                code="wrong_side",
                values=values_of(side=request.side),
                from_s=float(track.time_s[0]),
                to_s=float(track.time_s[-1]),
                spoils="clip",
            )
        ]
    return request.side, []


FEW_SHARE = 0.25
"""No more of a set than this is an exception, as the other leg's steps of alternate ones are not
(decision 79)."""


def _are_told_by_the_feet(exercise: Exercise, driving_view: ExerciseView) -> bool:
    """Whether a foot that stays or stands in front tells which leg works. Where the heel drives,
    the standing foot moves too."""
    return (
        exercise.working_leg in ("front", "stance", "on_step")
        and driving_view.driving_signal != "heel_height"
    )


def of_the_side_asked_for(
    attempts: Sequence[Attempt],
    request: Request,
    track: Track,
    view: View,
    driving_view: ExerciseView,
    findings: tuple[Finding, ...],
    settings: MotionSettings,
) -> tuple[list[Attempt], list[Finding]]:
    """(attempts of the side that was asked for, findings about the others).

    Where one leg steps, the feet tell which; a set of one side does not count the other's steps.
    Where one leg stands, feet that tell beyond doubt do; from the side the leg is the near one,
    whichever was asked for. Feet that are astray in an attempt tell nothing where few speak
    against the others.
    """
    rule = request.exercise.working_leg
    is_standing = _are_told_by_the_feet(request.exercise, driving_view)
    asked: Side | None = None if request.side == "both" else request.side
    if is_standing and asked is None and view.plane == "sagittal":
        asked = view.near_side
    if asked is None or not (is_standing or rule in ("stepping", "staying")):
        return list(attempts), []
    if is_standing:
        is_hidden = hidden_samples(track, asked, view, findings, settings.quality)
        told = [clearly_works_in(a, track, view, rule, is_hidden) or asked for a in attempts]
    else:
        told = [working_side_of(a, track, view, rule, asked) for a in attempts]
    kept = [a for a, side in zip(attempts, told, strict=True) if side == asked]
    left_out = [a for a in attempts if a not in kept]
    if len(left_out) <= FEW_SHARE * len(attempts):
        left_out = [a for a in left_out if not is_astray_in(a, track.time_s, findings)]
        kept = [a for a in attempts if a not in left_out]
    if not left_out:
        return kept, []
    return kept, [
        Finding(
            code="other_leg",
            values=values_of(n=len(left_out), n_all=len(attempts), asked=asked),
            from_s=float(track.time_s[left_out[0].start]),
            to_s=float(track.time_s[left_out[-1].end]),
            spoils="nothing" if kept else "clip",
        )
    ]


def wrong_leg(
    attempts: Sequence[Attempt],
    request: Request,
    track: Track,
    view: View,
    all_series: dict[Side, Series],
    driving_view: ExerciseView,
    findings: tuple[Finding, ...],
    settings: MotionSettings,
) -> Finding | None:
    """What the feet tell against the near leg, which was asked for or assumed; None if nothing."""
    exercise, rule, near = request.exercise, request.exercise.working_leg, view.near_side
    is_told = _are_told_by_the_feet(exercise, driving_view)
    if view.plane != "sagittal" or near is None or not is_told:
        return None
    if not attempts:  # a leg that does not work need not bend: then the hips tell when to look
        driving_view, values, _ = drive(
            exercise, view_for(exercise, view), all_series, near, is_far=True, is_side_known=True
        )
        series = all_series[near]
        attempts = attempts_in(values, driving_view, series, exercise, settings.repetition)
    is_hidden = hidden_samples(track, near, view, findings, settings.quality)
    working = clearly_working_side(attempts, track, view, rule, is_hidden)
    if working in (None, near):
        return None
    return Finding(
        code="wrong_leg",
        values=values_of(side=working, asked=request.side),
        from_s=float(track.time_s[attempts[0].start]),
        to_s=float(track.time_s[attempts[-1].end]),
        spoils="clip",
    )


def leg_from_the_front(
    attempts: Sequence[Attempt],
    track: Track,
    view: View,
    all_series: dict[Side, Series],
    exercise: Exercise,
    leg: Side,
    *,
    side: Side | None,
    is_of_both: bool,
) -> tuple[Side, list[Finding]]:
    """(leg to measure, findings): from the front the movement tells which leg is meant."""
    if view.plane != "frontal" or not attempts:
        return leg, []
    if is_of_both:
        leg = more_inward_leg(attempts, all_series)
        return leg, [Finding(code="knee_side", values=values_of(side=leg))]
    rule = exercise.working_leg
    if side is not None or rule == "both":
        return leg, []
    stance = stance_side(track, view, attempts, rule)
    if rule in ("stance", "on_step", "staying"):
        leg = stance or leg
    if stance is None and rule not in ("stepping", "front"):
        return leg, [Finding(code="side_assumed", values=values_of(side=leg, is_nearer=False))]
    return leg, []


def reported_side(
    sides: Sequence[Side], side: Side | None, leg: Side
) -> Literal["left", "right", "both"]:
    """The side of a set as the report names it: what its repetitions have in common."""
    if side is not None:
        return side
    seen = set(sides)
    return seen.pop() if len(seen) == 1 else "both" if seen else leg

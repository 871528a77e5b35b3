"""Where one stretch of a clip is seen from, and what moves in it: the start of measuring it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from formcheck.model.anatomy import SIDES, Side
from formcheck.model.programme import Exercise, ExerciseView
from formcheck.model.records import Finding, RawTrack, Track, View
from formcheck.model.request import Request
from formcheck.motion.camera import find_view
from formcheck.motion.doubts import misfit_findings, squeeze_findings
from formcheck.motion.driving import drive, is_on_toes, measured_side, view_for, width_share
from formcheck.motion.findings import camera_tilt_deg, clip_findings
from formcheck.motion.front_view import find_front_view, front_view_findings, trunk_lean_deg
from formcheck.motion.hip_descent import hip_height_standard_share
from formcheck.motion.kinematics import Series, build_series
from formcheck.motion.leg_plane import find_leg_plane, leg_plane_findings
from formcheck.motion.measured_leg import choose_side
from formcheck.motion.repetitions import find_rest, find_still
from formcheck.motion.settings import MotionSettings
from formcheck.motion.sight import find_sight
from formcheck.motion.swapped_legs import exchanged_at


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A stretch as far as the movement in it: what attempts are found and measured in.

    is_still : (n,) bool; side : the working leg, None where each attempt has its own; leg : the one
    that is measured; values : (n,) the driving signal in `unit`; findings : those so far, in order.
    """

    track: Track
    raw: RawTrack
    request: Request
    settings: MotionSettings
    view: View
    is_still: np.ndarray
    side: Side | None
    leg: Side
    all_series: dict[Side, Series]
    driving_view: ExerciseView
    values: np.ndarray
    unit: str
    findings: tuple[Finding, ...]

    @property
    def exercise(self) -> Exercise:
        return self.request.exercise

    @property
    def series(self) -> Series:
        return self.all_series[self.leg]

    @property
    def rising(self) -> np.ndarray:
        """The driving signal with its turns upward."""
        return self.values if self.driving_view.direction == "rises" else -self.values

    @property
    def frame_s(self) -> float:
        """Between two pictures that were looked at."""
        return float(np.median(np.diff(self.raw.time_s)))

    @property
    def is_of_both(self) -> bool:
        """Whether both legs work at once and none of them is asked for."""
        is_open = self.request.side == "both" or self.side is None
        return self.exercise.working_leg == "both" and is_open

    def has_found(self, code: str) -> bool:
        return any(f.code == code for f in self.findings)

    def with_findings(self, more: Sequence[Finding]) -> "Scene":
        return replace(self, findings=(*self.findings, *more))


def find_scene(track: Track, raw: RawTrack, request: Request, settings: MotionSettings) -> Scene:
    """From where the stretch is seen, the series of both legs, and the signal that counts."""
    exercise = request.exercise
    is_still = find_still(track, settings.repetition)
    view = stretch_view(track, settings)
    view = replace(view, roll_deg=camera_tilt_deg(track, view, exercise))
    findings = clip_findings(raw, track, view, exercise, settings.quality)
    side, side_findings = choose_side(request, track, view, is_still)
    findings += side_findings
    findings += misfit_findings(track, view)
    all_series, of_leg = series_of_legs(track, raw, view, exercise, is_still, settings)
    leg = measured_side(side, view)
    is_seated_with_feet_down = exercise.position == "sitting" and exercise.working_leg == "both"
    if exercise.position == "standing" or is_seated_with_feet_down:  # a foot in the air points up
        findings += squeeze_findings(
            track, view, all_series[view.near_side or leg], exercise, findings
        )
    if any(v.plane == view.plane for v in exercise.views):
        findings += of_leg[leg]
    exercise_view = view_for(exercise, view)
    # Feet that still exchange places go by names that are not to be believed.
    is_named = exercise_view.driving_leg != "other" or not exchanged_at(
        track.image_px, track.time_s
    )
    driving_view, values, unit = drive(
        exercise,
        exercise_view,
        all_series,
        leg,
        is_far=view.plane == "sagittal" and leg != view.near_side,
        is_side_known=side is not None and is_named,
    )
    return Scene(
        track=track,
        raw=raw,
        request=request,
        settings=settings,
        view=view,
        is_still=is_still,
        side=side,
        leg=leg,
        all_series=all_series,
        driving_view=driving_view,
        values=values,
        unit=unit,
        findings=tuple(findings),
    )


def stretch_view(track: Track, settings: MotionSettings) -> View:
    """From where the stretch is seen, its tilt left out."""
    is_still = find_still(track, settings.repetition)
    is_rest = find_rest(track, is_still, settings.repetition)
    return find_view(track, is_still, settings.camera, is_rest=is_rest)


def series_of_legs(
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
    is_two_leg = exercise.working_leg == "both"
    is_rest = is_still & find_rest(track, is_still, settings.repetition)
    sight = find_sight(track, is_rest, (raw.clip.width_px, raw.clip.height_px))
    lean = hips = None
    if is_upright:
        hips = hip_height_standard_share(track, view, is_rest, sight)
        if view.plane == "frontal":
            lean = trunk_lean_deg(track, is_rest, sight)
    series: dict[Side, Series] = {}
    findings: dict[Side, list[Finding]] = {}
    for side in SIDES:
        plane = None
        if is_upright:
            plane = find_leg_plane(track, view, side, is_rest, sight, is_two_leg=is_two_leg)
        seen = find_front_view(track, view, side, is_rest) if is_upright else None
        series[side] = build_series(
            track,
            view,
            side,
            is_two_leg=is_two_leg,
            width_share=width_share(view),
            leg_plane=plane,
            front_view=seen,
            trunk_ahead_deg=lean,
            hip_height_standard_share=hips,
            is_on_toes=is_on_toes(view_for(exercise, view)),
        )
        findings[side] = leg_plane_findings(plane)
        if seen is not None:
            findings[side] += front_view_findings(view)
    return series, findings

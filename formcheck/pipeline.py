"""The main job from top to bottom: a clip in, a measured set out.

video -> pose -> track -> rest -> camera -> series -> repetitions -> measures -> checks -> report.
`analyze` runs all of it; `assess` is the part after the landmarks, pure and quick, from which
every reported figure comes out again.
"""

import datetime
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Literal

import numpy as np

from formcheck import __version__, storage
from formcheck.anatomy import MIRROR, Side, other_side
from formcheck.assessment import assess_set, check_bound, drop_targets_beyond_limits
from formcheck.camera import CameraSettings, find_view, turned_round, why_not_in_view
from formcheck.circumstances import MeasurementSettings, Setting
from formcheck.driving import (
    attempts_in,
    drive,
    is_of_signal,
    measured_side,
    parts_of,
    repetitions_of,
    sequence_findings,
    view_for,
    width_share,
)
from formcheck.errors import ClipError
from formcheck.kinematics import SIGNALS, build_series
from formcheck.measurement import measure
from formcheck.other_movements import set_apart
from formcheck.pose import PoseModel, PoseSettings, estimate, track_identity
from formcheck.programme import (
    Bound,
    Exercise,
    PrescribedExercise,
    Prescription,
)
from formcheck.quality import (
    QualitySettings,
    camera_tilt_deg,
    clip_findings,
    hidden_samples,
    longest_uncut_s,
)
from formcheck.records import (
    Analysis,
    AssessedRepetition,
    Context,
    Finding,
    GoniometerReading,
    NotMeasurable,
    RawTrack,
    Report,
    Trace,
    Value,
    View,
)
from formcheck.remarks import find_remarks
from formcheck.repetitions import RepetitionSettings, find_rest, find_still, move_limits
from formcheck.track import TrackSettings, clean, only_between, only_where, runs
from formcheck.video import open_video, shown_name
from formcheck.working_leg import more_inward_leg, stance_side, working_side_of

Progress = Callable[[str, int, int | None], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The settings of every stage; echoed in the report."""

    pose: PoseSettings = field(default_factory=PoseSettings)
    track: TrackSettings = field(default_factory=TrackSettings)
    camera: CameraSettings = field(default_factory=CameraSettings)
    repetition: RepetitionSettings = field(default_factory=RepetitionSettings)
    measurement: MeasurementSettings = field(default_factory=MeasurementSettings)
    quality: QualitySettings = field(default_factory=QualitySettings)


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What is asked of one clip.

    side : the working leg; "both" where both work; None to take the near one.
    bounds : targets and limits in force, each with its kind. prescribed : the prescription's
    line, for the dose. moved_limits :
    (place in the list of repetitions, start_s, end_s) of those whose limits a person moved.
    readings : the patient's goniometer readings.
    """

    clip: Path
    exercise: Exercise
    side: Side | Literal["both"] | None = None
    is_mirrored: bool = False
    bounds: tuple[tuple[Literal["target", "limit"], Bound], ...] = ()
    prescribed: PrescribedExercise | None = None
    prescription: Prescription | None = None
    prescription_sha256: str | None = None
    context: Context = field(default_factory=Context)
    moved_limits: tuple[tuple[int, float, float], ...] = ()
    readings: tuple[GoniometerReading, ...] = ()


def analyze(
    request: Request,
    settings: Settings = Settings(),
    *,
    cache_dir: Path | None = None,
    progress: Progress | None = None,
    created_at: str | None = None,
    models: Sequence[PoseModel] | None = None,
) -> Analysis:
    """The measured set of one clip.

    cache_dir : where landmark tracks are kept for a second run; None keeps none.
    created_at : the report's time stamp (ISO 8601); now when not given.
    models : loaded models of the same settings, which saves loading them for each clip.

    Raises ClipError, ModelError; see errors.py.
    """
    raw = landmarks(request, settings, cache_dir=cache_dir, progress=progress, models=models)
    if created_at is None:
        created_at = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    return assess(raw, request, settings, created_at=created_at)


def landmarks(
    request: Request,
    settings: Settings,
    *,
    cache_dir: Path | None = None,
    progress: Progress | None = None,
    models: Sequence[PoseModel] | None = None,
) -> RawTrack:
    """The landmark track of the clip, from the cache when it is there."""
    if cache_dir is None:
        return estimate(
            request.clip, settings.pose, is_mirrored=request.is_mirrored, progress=progress,
            models=models,
        )  # fmt: skip
    with open_video(request.clip) as reader:
        key = storage.cache_key(reader.sha256, track_identity(settings.pose))
    raw = storage.load_cached_track(
        cache_dir, key, clip_file=shown_name(request.clip), is_mirrored=request.is_mirrored
    )
    if raw is None:
        raw = estimate(
            request.clip, settings.pose, is_mirrored=request.is_mirrored, progress=progress,
            models=models,
        )  # fmt: skip
        storage.store_cached_track(cache_dir, key, raw)
    return raw


def assess(
    raw: RawTrack, request: Request, settings: Settings = Settings(), *, created_at: str = ""
) -> Analysis:
    """The measured set from landmarks alone: the same track and settings give the same report.

    Raises ClipError when the clip shows no person.
    """
    if not np.isfinite(raw.image_px).any():
        raise ClipError(
            f"{raw.clip.file}: no person was found; film one person with the whole body in the "
            "picture, in good light"
        )
    track = clean(_seen_directly(raw), settings.track)
    track = only_between(track, *longest_uncut_s(raw, settings.quality))
    is_still = find_still(track, settings.repetition)
    is_rest = find_rest(track, is_still, settings.repetition)
    view = find_view(track, is_still, settings.camera, is_rest=is_rest)
    is_away = turned_round(track, view, settings.camera)
    if is_away.any():
        if request.side not in (None, "both", view.near_side):
            is_away = ~is_away  # the part that shows the leg that was asked for
        track = only_where(track, ~is_away)
        is_still = find_still(track, settings.repetition)
        is_rest = find_rest(track, is_still, settings.repetition)
        view = find_view(track, is_still, settings.camera, is_rest=is_rest)
    view = replace(view, roll_deg=camera_tilt_deg(track, view, request.exercise, settings.quality))
    findings = clip_findings(raw, track, view, request.exercise, settings.quality)
    if is_away.any():
        away = max(runs(is_away), key=lambda run: run[1] - run[0])
        findings.append(Finding(
            code="turned_round",
            text=f"The person turns round. Only the part with the {view.near_side} side toward "
            "the camera is measured. Film each side in a clip of its own.",
            from_s=float(track.time_s[away[0]]), to_s=float(track.time_s[away[1] - 1]),
            spoils="stretch",
        ))  # fmt: skip
    side, side_findings = _choose_side(request, track, view, settings)
    findings += side_findings
    exercise_view = view_for(request.exercise, view)
    is_two_leg = request.exercise.working_leg == "both"
    all_series = {
        s: build_series(track, view, s, is_two_leg=is_two_leg, width_share=width_share(view))
        for s in ("left", "right")
    }
    leg = measured_side(side, view)
    is_far = view.plane == "sagittal" and leg != view.near_side
    driving_view, values, unit = drive(
        request.exercise, exercise_view, all_series, leg,
        is_far=is_far, is_side_known=side is not None,
    )  # fmt: skip
    attempts = attempts_in(
        values, driving_view, all_series[leg], request.exercise, settings.repetition
    )
    attempts, other = set_apart(attempts, track, view, all_series[leg], request.exercise)
    findings += other
    if request.moved_limits:
        signal = values if driving_view.direction == "rises" else -values
        attempts = move_limits(
            attempts, signal, track.time_s, request.moved_limits, settings.repetition
        )
    is_of_both = is_two_leg and (request.side == "both" or side is None)
    if is_of_both and view.plane == "frontal" and attempts:
        leg = more_inward_leg(attempts, all_series)
        findings.append(Finding(
            code="knee_side",
            text=f"Both knees were looked at; measures of a knee's line are of the {leg} one, "
            "which moved inward more.",
        ))  # fmt: skip
    if side is None and view.plane == "frontal" and not is_two_leg:
        stance = stance_side(track, view, attempts, request.exercise.working_leg)
        rule = request.exercise.working_leg
        if rule in ("stance", "on_step", "staying"):
            leg = stance or leg
        if attempts and stance is None and rule not in ("stepping", "front"):
            findings.append(Finding(
                code="side_assumed",
                text=f"No side was given, and the feet do not tell which leg works: the {leg} leg "
                "was measured. Give the side to be sure.",
            ))  # fmt: skip
    sides = [
        side or working_side_of(a, track, view, request.exercise.working_leg, leg) for a in attempts
    ]
    parts = parts_of(attempts, sides, track, view, request.exercise)
    repetitions = repetitions_of(attempts, sides, parts, track, request.exercise, is_of_both)
    if request.exercise.kind == "sequence":
        findings += sequence_findings(repetitions, request.exercise.parts)
    bounds = drop_targets_beyond_limits(request.bounds)
    assessed = _measure_all(
        repetitions, attempts, values, unit, driving_view, track, view, all_series, is_still,
        bounds, request, settings, raw, tuple(findings), leg,
    )  # fmt: skip
    if not attempts and request.exercise.is_timed_when_unseen:
        findings.append(Finding(
            code="timed_not_measured",
            text="The movement is smaller than the camera can see from here, so the holds are "
            "not counted: timed, not measured. Use a timer for this exercise.",
        ))  # fmt: skip
    elif not attempts:
        findings.append(Finding(
            code="no_repetition_found",
            text=f"No attempt of at least {driving_view.least_range.value:g} "
            f"{'deg' if unit == 'deg' else 'of leg length'} was found in this clip.",
        ))  # fmt: skip
    whole = assess_set(
        request.exercise, assessed, findings,
        dose_prescribed=request.prescribed.repetitions if request.prescribed else None,
        involved=_involved(request),
        clip_end_s=float(track.time_s[-1]),
    )  # fmt: skip
    reported_side = "both" if is_of_both else _reported_side(sides, side, leg)
    _, _, label = SIGNALS[driving_view.driving_signal]
    report = Report(
        created_at=created_at,
        version=__version__,
        source=raw.source,
        settings=settings_echo(settings),
        prescription_sha256=request.prescription_sha256,
        clip=raw.clip,
        exercise=request.exercise.id,
        side=reported_side,
        side_was_chosen=request.side is None,
        context=request.context,
        view=view,
        is_usable=bool(attempts) and not any(f.spoils == "clip" for f in findings),
        findings=tuple(findings),
        repetitions=assessed,
        whole=whole,
    )
    trace = Trace(
        time_s=track.time_s, value=np.array(values), unit=unit, label=label,
        key=driving_view.driving_signal,
    )  # fmt: skip
    return Analysis(report=report, trace=trace, track=track, raw=raw, bounds=bounds, leg=leg)


def settings_echo(settings: Settings) -> tuple[tuple[str, object], ...]:
    """Every setting as (dotted name, value), in the order of the stages."""
    return tuple(
        (f"{stage}.{name}", value)
        for stage, values in asdict(settings).items()
        for name, value in values.items()
        if name != "n_threads"  # changes the time taken, never the outcome
    )


def _seen_directly(raw: RawTrack) -> RawTrack:
    """The track as a camera would have seen it that does not mirror."""
    if not raw.clip.is_mirrored:
        return raw
    mirror = list(MIRROR)
    image = raw.image_px[:, :, mirror].copy()
    image[..., 0] = raw.clip.width_px - image[..., 0]
    world = raw.world_m[:, :, mirror].copy()
    world[..., 0] *= -1
    return replace(
        raw, image_px=image, world_m=world, visibility=raw.visibility[:, :, mirror].copy()
    )


def _choose_side(request, track, view, settings) -> tuple[Side | None, list[Finding]]:
    """(the working leg or None for the attempt's own, findings about it)."""
    near = view.near_side if view.plane == "sagittal" else None
    exercise = request.exercise
    if request.side == "both":
        return near, []
    if request.side is None:
        if near is None:
            return None, []
        return near, [Finding(
            code="side_assumed",
            text=f"No side was given: the {near} leg, nearer the camera, was measured.",
        )]  # fmt: skip
    if near is not None and near != request.side:
        return request.side, [Finding(
            code="wrong_side",
            text=f"The {request.side} leg works and is turned away from the camera, so its angles "
            f"are not measured. Turn round, so that the {request.side} side faces the camera"
            + (", or if the recording is mirrored, say so." if exercise.working_leg else "."),
            from_s=float(track.time_s[0]), to_s=float(track.time_s[-1]), spoils="clip",
        )]  # fmt: skip
    return request.side, []


def _involved(request: Request) -> Side:
    """The leg that the prescription names as involved; the left where it names none."""
    named = request.prescription.involved_side if request.prescription else "none"
    return named if named in ("left", "right") else "left"


def _reported_side(sides, side, leg):
    if side is not None:
        return side
    seen = set(sides)
    return seen.pop() if len(seen) == 1 else "both" if seen else leg


def exercise_measures(exercise: Exercise) -> tuple[str, ...]:
    """Every measure that the exercise lists, over all its views, in their order."""
    return tuple(dict.fromkeys(key for v in exercise.views for key in v.measures))


def _measure_all(
    repetitions, attempts, values, unit, driving_view, track, view, all_series, is_still,
    bounds, request, settings, raw, findings, leg,
) -> tuple[AssessedRepetition, ...]:  # fmt: skip
    resting = is_still.copy()
    for a in attempts:
        resting[a.start : a.end + 1] = False
    hidden = {s: hidden_samples(track, s, view, findings, settings.quality) for s in all_series}
    frame_s = float(np.median(np.diff(raw.time_s)))
    keys = exercise_measures(request.exercise)
    keys += tuple(b.measure for _, b in bounds if b.measure not in keys)
    band = next(
        (b for kind, b in bounds if kind == "target" and is_of_signal(b, driving_view)), None
    )
    done: list[AssessedRepetition] = []
    settings_of: list[Setting] = []
    for k, (rep, attempt) in enumerate(zip(repetitions, attempts, strict=True)):
        side = rep.side if rep.side != "both" else leg
        s = Setting(
            track=track, series=all_series[side], view=view, attempt=attempt,
            driving=values, driving_unit=unit,
            driving_signal=driving_view.driving_signal, first_phase=request.exercise.first_phase,
            position=request.exercise.position,
            standing=resting,
            next_start=attempts[k + 1].start if k + 1 < len(attempts) else None,
            frame_s=frame_s, band=band, stature_cm=request.context.stature_cm,
            is_hidden=hidden[side], settings=settings.measurement,
            repetition=settings.repetition, readings=request.readings, model=raw.source.model,
        )  # fmt: skip
        measures = tuple(_measure_one(key, s, view, side) for key in keys)
        by_key = {v.key: v for v in measures}
        checks = tuple(
            check_bound(kind, b, by_key[b.measure], view.plane, attempt.is_complete)
            for kind, b in bounds
        )
        remarks = find_remarks(
            request.exercise.look_for, view.plane, s, measures, tuple(settings_of)
        )
        settings_of.append(s)
        done.append(
            AssessedRepetition(repetition=rep, measures=measures, checks=checks, remarks=remarks)
        )
    return tuple(done)


def _measure_one(key: str, s: Setting, view: View, side: Side) -> Value:
    far = view.plane == "sagittal" and view.near_side == other_side(side)
    if far and why_not_in_view(key, "frontal") is not None:
        return NotMeasurable(
            key=key,
            reason=f"the {side} leg is turned away from the camera; turn round so that the {side} "
            "side faces it",
        )
    return measure(key, s)


def write_results(
    analysis: Analysis,
    request: Request,
    settings: Settings,
    out: Path,
    *,
    with_video: bool = True,
    is_face_blurred: bool = True,
    progress: Progress | None = None,
) -> None:
    """Writes the report, its table, page, video, landmarks and request into the folder `out`.

    Each file appears under its name only when it is whole; report.json is written last, so a
    folder with a report is a finished one. Raises OutputError.
    """
    from formcheck import report
    from formcheck.rerun import REQUEST_NAME, TRACK_NAME, request_json

    storage.make_folder(out)
    video_name = "annotated.mp4"
    with_stale = out / video_name
    if with_video:
        from formcheck.overlay import write_overlay

        with storage.write_atomically(with_stale) as beside:
            write_overlay(
                analysis, request.clip, beside, is_face_blurred=is_face_blurred, progress=progress
            )
    else:
        # An earlier run's video would show other outcomes than this report.
        with_stale.unlink(missing_ok=True)
    storage.write_track(analysis.raw, out / TRACK_NAME)
    storage.write_text(out / REQUEST_NAME, request_json(request, settings))
    report.write_csv(analysis.report, out / "reps.csv")
    report.write_html(analysis, out / "report.html", video_name if with_video else None)
    report.write_json(analysis.report, out / "report.json")

"""The main job from top to bottom: a clip in, a measured set out.

video -> pose -> track -> rest -> camera -> series -> repetitions -> measures -> checks -> report.
`analyze` runs all of it; `assess` is the part after the landmarks, pure and quick, from which
every reported figure comes out again.
"""

import datetime
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from formcheck import __version__
from formcheck.files import storage
from formcheck.model.anatomy import MIRROR, Side
from formcheck.model.codes import values_of
from formcheck.model.errors import ClipError
from formcheck.model.programme import Exercise
from formcheck.model.records import (
    Analysis,
    AssessedRepetition,
    ExerciseWords,
    Finding,
    RawTrack,
    Report,
    Trace,
    Track,
)
from formcheck.model.request import Request
from formcheck.motion.assessment import assess_set, bounds_where_meant
from formcheck.motion.jumps import longest_take
from formcheck.motion.kinematics import SIGNALS
from formcheck.motion.place import only_at_place, stays_at_place, way_findings, without_walks
from formcheck.motion.spoiled import is_timed
from formcheck.motion.stretches import Stretch, request_bounds, stretches_by_side
from formcheck.motion.track import clean, only_where
from formcheck.pose.landmarker import PoseModel, estimate, track_identity
from formcheck.run.settings import Settings, settings_echo
from formcheck.video import open_video, shown_name

Progress = Callable[[str, int, int | None], None]


def analyze(
    request: Request,
    settings: Settings = Settings(),
    *,
    cache_dir: Path | None = None,
    progress: Progress | None = None,
    created_at: str | None = None,
    models: Sequence[PoseModel] | None = None,
    raw: RawTrack | None = None,
) -> Analysis:
    """The measured set of one clip.

    cache_dir : where landmark tracks are kept for a second run; None keeps none.
    created_at : the report's time stamp (ISO 8601); now when not given.
    models : loaded models of the same settings, which saves loading them for each clip.
    raw : the clip's landmarks under these settings, where they are known.

    Raises ClipError, ModelError; see errors.py.
    """
    if raw is None:
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
            request.clip,
            settings.pose,
            is_mirrored=request.is_mirrored,
            progress=progress,
            models=models,
        )
    with open_video(request.clip) as reader:
        key = storage.cache_key(reader.sha256, track_identity(settings.pose))
    raw = storage.load_cached_track(
        cache_dir, key, clip_file=shown_name(request.clip), is_mirrored=request.is_mirrored
    )
    if raw is None:
        raw = estimate(
            request.clip,
            settings.pose,
            is_mirrored=request.is_mirrored,
            progress=progress,
            models=models,
        )
        storage.store_cached_track(cache_dir, key, raw)
    return raw


def assess(
    raw: RawTrack, request: Request, settings: Settings = Settings(), *, created_at: str = ""
) -> Analysis:
    """The measured set from landmarks alone: the same track and settings give the same report.

    Raises ClipError when the clip shows no person, or fewer than three pictures or less time were
    looked at than the shortest repetition takes.
    """
    _require_enough(raw, settings.repetition.fastest_s)
    stays = stays_at_place(raw, settings.place)
    here = _seen_directly(only_at_place(raw, stays))
    track = clean(here, settings.track)
    take = longest_take(here, settings.quality, settings.place)
    track = only_where(track, take.holds(track.time_s))
    parts, findings = stretches_by_side(track, here, request, settings)
    # One leg's stretch may hold no attempt: then the set is the other's, and so is the view.
    parts = [p for p in parts if p.repetitions] or parts[:1]
    main = parts[0]
    bounds, assessed = bounds_where_meant(
        request_bounds(request),
        _in_time_order(parts),
        request.prescribed,
        request.exercise,
        request.prescription,
    )
    of_parts = without_walks([f for p in parts for f in p.findings], stays)
    findings = [*way_findings(raw, stays), *take.findings, *findings, *of_parts]
    findings = _without_doubles([*findings, *_one_leg_only(request, assessed, findings)])
    whole = assess_set(
        request.exercise,
        assessed,
        bounds=bounds,
        line=request.prescribed,
        involved=_involved(request),
        clip_s=take.longest_s,
        is_timed=is_timed(findings),
    )
    report = Report(
        created_at=created_at,
        version=__version__,
        source=raw.source,
        settings=settings_echo(settings),
        prescription_sha256=request.prescription_sha256,
        clip=raw.clip,
        exercise=request.exercise.id,
        exercise_words=_exercise_words(request.exercise, assessed),
        side=main.side if len(parts) == 1 else "both",
        side_was_chosen=request.side is None,
        context=request.context,
        bounds=bounds,
        view=main.view,
        is_usable=bool(assessed) and not any(f.spoils == "clip" for f in findings),
        findings=tuple(findings),
        repetitions=assessed,
        whole=whole,
    )
    seen = tuple(p.seen for p in parts)
    return Analysis(report=report, trace=_trace(track, parts), track=track, raw=raw, seen=seen)


def _require_enough(raw: RawTrack, least_s: float) -> None:
    """Raises ClipError where too little was looked at, or nobody is seen."""
    n, looked_at_s = len(raw.time_s), float(np.ptp(raw.time_s)) if len(raw.time_s) else 0.0
    if n < 3 or looked_at_s < least_s:
        pictures = "picture was" if n == 1 else "pictures were"
        in_all = f", {looked_at_s:.2f} s in all" if n > 1 else ""
        raise ClipError(
            f"{raw.clip.file}: only {n} {pictures} looked at{in_all}; film the whole set, "
            "or look at more pictures each second",
            code="too_few_pictures_looked_at",
            values=values_of(n=n, looked_at_s=looked_at_s),
        )
    if not np.isfinite(raw.image_px).any():
        raise ClipError(
            f"{raw.clip.file}: no person was found; film one person with the whole body in the "
            "picture, in good light"
        )


def _in_time_order(parts: Sequence[Stretch]) -> tuple[AssessedRepetition, ...]:
    """The repetitions of one stretch or two; of two they are numbered through the clip."""
    of_stretch = sorted(
        ((k, r) for k, p in enumerate(parts) for r in p.repetitions),
        key=lambda of: of[1].repetition.start_s,
    )
    return _numbered_on(of_stretch) if len(parts) > 1 else tuple(r for _, r in of_stretch)


def _trace(track: Track, parts: Sequence[Stretch]) -> Trace:
    """The driving signal over the clip, of each stretch where it is seen."""
    values = parts[0].values
    for part in parts[1:]:
        values = np.where(np.isfinite(values), values, part.values)
    signal = parts[0].driving_view.driving_signal
    _, unit, label = SIGNALS[signal]
    return Trace(time_s=track.time_s, value=np.array(values), unit=unit, label=label, key=signal)


def _exercise_words(exercise: Exercise, assessed: Sequence[AssessedRepetition]) -> ExerciseWords:
    """What the exercise's file says and the report's reader needs."""
    said = {look.code: look.text for look in exercise.look_for}
    made = {remark.code: said[remark.code] for r in assessed for remark in r.remarks}
    return ExerciseWords(
        name=exercise.name, kind=exercise.kind, camera=exercise.camera, remarks=tuple(made.items())
    )


def _numbered_on(
    of_stretch: Sequence[tuple[int, AssessedRepetition]],
) -> tuple[AssessedRepetition, ...]:
    """Repetitions of two stretches, each beside its stretch's place, numbered through the clip; a
    sequence keeps its number's parts."""
    numbers: dict[tuple[int, int], int] = {}
    out = []
    for k, r in of_stretch:
        number = numbers.setdefault((k, r.repetition.number), len(numbers) + 1)
        out.append(replace(r, repetition=replace(r.repetition, number=number)))
    return tuple(out)


def _one_leg_only(
    request: Request, assessed: Sequence[AssessedRepetition], findings: Sequence[Finding]
) -> tuple[Finding, ...]:
    sides = {r.repetition.side for r in assessed}
    if request.side != "both" or request.exercise.working_leg == "both" or len(sides) != 1:
        return ()
    found = sides.pop()
    if found == "both" or any(f.code == "other_leg" for f in findings):
        return ()
    return (Finding(code="one_leg_only", values=values_of(side=found)),)


def _without_doubles(findings: Sequence[Finding]) -> list[Finding]:
    return list({(f.code, f.values, f.from_s): f for f in findings}.values())


def _involved(request: Request) -> Side | None:
    """The leg that the prescription names as involved, or None."""
    named = request.prescription.involved_side if request.prescription else "none"
    return named if named in ("left", "right") else None


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

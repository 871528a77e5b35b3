"""How good the numbers are: every clip with a truth file beside it, measured and compared.

`validate` runs the clips, or takes their landmarks from finished result folders; `accuracy.py`
does arithmetic on the `Comparison` records: one measure of one repetition, what was reported and
what was true. Absolute error and excursion error (from the
rest just before) stand side by side, since a rendered figure's zero is its rig's.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from formcheck.evidence.true_values import ABSOLUTE, READINGS, read_series, true_motion, true_value
from formcheck.evidence.true_views import boundary_deg, camera_offset_deg, leg_plane_deg, true_plane
from formcheck.evidence.truth import (
    RENDERED_SUFFIX,
    SUFFIXES,
    Setting,
    TrueRepetition,
    Truth,
    read_truth,
    truth_beside,
)
from formcheck.files.exercises import load_exercise
from formcheck.files.storage import read_track
from formcheck.model.anatomy import SIDES, Side
from formcheck.model.errors import ClipError, FileError, UsageError
from formcheck.model.measures import MEASURES, is_supported
from formcheck.model.programme import Exercise, ExerciseView
from formcheck.model.records import Analysis, AssessedRepetition, Measured
from formcheck.model.request import Request
from formcheck.motion.driving import LEG_SIGNALS, view_for
from formcheck.motion.kinematics import Series
from formcheck.motion.repetitions import find_still
from formcheck.motion.scene import series_of_legs
from formcheck.motion.stretches import exercise_measures
from formcheck.run.pipeline import assess, landmarks
from formcheck.run.result_folder import REQUEST_NAME, TRACK_NAME, read_request
from formcheck.run.settings import Settings
from formcheck.words.refusal_words import refusal_words

CLIP_SUFFIXES = (".mp4", ".mov", ".m4v", ".webm", ".mkv", ".avi", ".gif")
TIMED = "timed_not_measured"
CLEAR_DEG = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One measure of one true repetition: the truth, and what was reported (NaN: nothing).

    plane : of the true camera. is_supported : whether that view, and the side that was turned to
    the camera, can give the measure. `excursion` and `true_excursion` are differences from the
    rest just before; NaN for a measure that is a change already. reason : why there is no value.
    camera_offset_deg, leg_plane_deg : as in true_views.py. family, setting : as in truth.py.
    """

    clip: str
    exercise: str
    plane: str
    repetition: int
    measure: str
    is_supported: bool
    true: float
    value: float
    low: float
    high: float
    true_excursion: float
    excursion: float
    reason: str = ""
    camera_offset_deg: float = float("nan")
    leg_plane_deg: float = float("nan")
    family: str = ""
    setting: Setting = Setting()

    @property
    def is_measured(self) -> bool:
        return bool(np.isfinite(self.value))


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipOutcome:
    """What was found of a clip as a whole, against the truth.

    turn_errors_s : per matched repetition, 0 inside the true plateau. boundary_deg : how far the
    true azimuth lies from the nearest limit between two views. trouble : why nothing was
    measured, or "". is_heel_order_right : whether heel heights come in the order of the true
    ones; None where the exercise has none.
    """

    clip: str
    exercise: str
    n_true: int
    n_found: int
    n_matched: int
    turn_errors_s: tuple[float, ...]
    n_parts_wrong: int
    true_plane: str
    plane: str
    boundary_deg: float
    true_azimuth_deg: float
    azimuth_deg: float
    azimuth_error_deg: float
    findings: tuple[str, ...]
    trouble: str = ""
    is_heel_order_right: bool | None = None

    @property
    def is_count_exact(self) -> bool | None:
        """Whether as many repetitions were found as moved, each at its place; None for a clip
        that was reported as timed, not measured."""
        if TIMED in self.findings:
            return None
        return self.n_true == self.n_found == self.n_matched

    @property
    def is_plane_clear(self) -> bool:
        """Whether the true camera stands more than 10 deg from a limit between two views."""
        return self.boundary_deg > CLEAR_DEG


@dataclass(frozen=True, slots=True, kw_only=True)
class Validation:
    """All comparisons of a folder."""

    clips: tuple[ClipOutcome, ...]
    comparisons: tuple[Comparison, ...]


def clips_with_truth(folder: Path) -> tuple[tuple[Path, Path], ...]:
    """(clip, truth file) pairs of a folder, by name.

    Raises UsageError when it is no folder, FileError when no clip has a truth file beside it.
    """
    if not folder.is_dir():
        raise UsageError(f"{folder}: no such folder; give the folder that holds the clips")
    pairs = [
        (clip, truth)
        for clip in sorted(folder.iterdir())
        if clip.suffix.lower() in CLIP_SUFFIXES and (truth := truth_beside(clip)) is not None
    ]
    if not pairs:
        raise FileError(
            f"{folder}: no clip has a truth file beside it; put NAME.truth.json next to NAME.mp4"
        )
    return tuple(pairs)


def validate(
    folder: Path,
    settings: Settings = Settings(),
    *,
    results: Path | None = None,
    cache_dir: Path | None = None,
    progress: Callable[[str, int, int | None], None] | None = None,
) -> Validation:
    """Every clip of the folder that has a truth file, measured and compared.

    results : a folder that holds result folders of those clips; their landmarks are assessed
    anew, and no clip is opened. The clips themselves need not be there then.

    A clip that cannot be measured stays in the result with its trouble; the rest goes on.
    Raises FileError for a truth file or a result folder at fault, and what `clips_with_truth`
    raises.
    """
    tracks = None if results is None else tracks_of_clips(results)
    pairs = clips_with_truth(folder) if tracks is None else _truths(folder)
    outcomes, comparisons = [], []
    for done, (clip, truth_path) in enumerate(pairs):
        truth = read_truth(truth_path)
        exercise = load_exercise(truth.exercise)
        side = truth.side if truth.side in SIDES else None
        request = Request(clip=clip, exercise=exercise, side=side)
        try:
            if tracks is None:
                raw = landmarks(request, settings, cache_dir=cache_dir)
            elif clip.stem in tracks:
                raw = read_track(tracks[clip.stem])
            else:
                raise ClipError(f"{clip.name}: no result folder in {results.name} is of this clip")
            analysis = assess(raw, request, settings)
        except ClipError as error:
            outcomes.append(_unmeasured(clip.stem, truth, str(error)))
            analysis = None
        else:
            outcomes.append(compare_clip(clip.stem, truth, analysis))
        comparisons += compare_measures(clip.stem, truth, exercise, analysis, settings)
        if progress:
            progress("clips", done + 1, len(pairs))
    return Validation(clips=tuple(outcomes), comparisons=tuple(comparisons))


def together(validations: Iterable[Validation]) -> Validation:
    """The clips and comparisons of several folders as one."""
    listed = tuple(validations)
    return Validation(
        clips=tuple(c for v in listed for c in v.clips),
        comparisons=tuple(c for v in listed for c in v.comparisons),
    )


def _truths(folder: Path) -> tuple[tuple[Path, Path], ...]:
    """(clip, truth file) pairs by the truth files alone: the clip may be elsewhere."""
    if not folder.is_dir():
        raise UsageError(f"{folder}: no such folder; give the folder that holds the truth files")
    names = sorted(
        path.name[: -len(suffix)]
        for path in folder.iterdir()
        for suffix in (*SUFFIXES, RENDERED_SUFFIX)
        if path.name.endswith(suffix)
    )
    clips = dict.fromkeys(n.removesuffix(".truth") for n in names)
    pairs = tuple((clip, truth_beside(clip)) for clip in (folder / f"{n}.mp4" for n in clips))
    if not pairs:
        raise FileError(f"{folder}: holds no truth file (NAME.truth.json)")
    return pairs


def tracks_of_clips(results: Path) -> dict[str, Path]:
    """Name of a clip without its suffix -> its landmarks, of every result folder in a folder.

    Raises UsageError when it is no folder, FileError when it holds no results or two of one clip.
    """
    if not results.is_dir():
        raise UsageError(f"{results}: no such folder; give the folder that holds the results")
    found: dict[str, Path] = {}
    for request_path in sorted(results.rglob(REQUEST_NAME)):
        request, _ = read_request(request_path.parent)
        track = request_path.parent / TRACK_NAME
        stem = request.clip.stem
        if stem in found:
            raise FileError(
                f"{results}: {found[stem].parent.name} and {track.parent.name} are both results of "
                f"{request.clip.name}; leave one"
            )
        found[stem] = track
    if not found:
        raise FileError(
            f"{results}: holds no result folder; name one that `formcheck batch` or `formcheck "
            "analyze` wrote"
        )
    return found


def match_repetitions(
    true: Sequence[TrueRepetition], found: Sequence[AssessedRepetition]
) -> tuple[AssessedRepetition | None, ...]:
    """For each true repetition the one found whose turn lies in it, nearest to the true turn."""
    left = list(found)
    out: list[AssessedRepetition | None] = []
    for t in true:
        middle = (t.turn_from_s + t.turn_to_s) / 2
        inside = [f for f in left if t.start_s <= f.repetition.turn_s <= t.end_s]
        best = min(inside, key=lambda f: abs(f.repetition.turn_s - middle), default=None)
        if best is not None:
            left.remove(best)
        out.append(best)
    return tuple(out)


def _unmeasured(name: str, truth: Truth, trouble: str) -> ClipOutcome:
    nan = float("nan")
    return ClipOutcome(
        clip=name,
        exercise=truth.exercise,
        n_true=len(truth.repetitions),
        n_found=0,
        n_matched=0,
        turn_errors_s=(),
        n_parts_wrong=0,
        true_plane=true_plane(truth.azimuth_deg),
        plane="unknown",
        boundary_deg=boundary_deg(truth.azimuth_deg),
        true_azimuth_deg=truth.azimuth_deg,
        azimuth_deg=nan,
        azimuth_error_deg=nan,
        findings=(),
        trouble=trouble,
    )


def compare_clip(name: str, truth: Truth, analysis: Analysis) -> ClipOutcome:
    """Count, turns, parts, view and azimuth of one analysis against the truth."""
    report = analysis.report
    matched = match_repetitions(truth.repetitions, report.repetitions)
    pairs = [(t, m) for t, m in zip(truth.repetitions, matched, strict=True) if m is not None]
    errors = tuple(
        float(max(t.turn_from_s - m.repetition.turn_s, m.repetition.turn_s - t.turn_to_s, 0.0))
        for t, m in pairs
    )
    azimuth = report.view.azimuth_deg
    return ClipOutcome(
        clip=name,
        exercise=truth.exercise,
        n_true=len(truth.repetitions),
        n_found=len(report.repetitions),
        n_matched=len(pairs),
        turn_errors_s=errors,
        n_parts_wrong=sum(t.part is not None and t.part != m.repetition.part for t, m in pairs),
        true_plane=true_plane(truth.azimuth_deg),
        plane=report.view.plane,
        boundary_deg=boundary_deg(truth.azimuth_deg),
        true_azimuth_deg=truth.azimuth_deg,
        azimuth_deg=azimuth,
        azimuth_error_deg=float((azimuth - truth.azimuth_deg + 180) % 360 - 180),
        findings=tuple(f.code for f in report.findings),
        is_heel_order_right=_is_heel_order_right(truth, pairs),
    )


def _is_heel_order_right(truth: Truth, pairs) -> bool | None:
    """Heel heights against the true rise of the ankle: the order alone, since a rig may have no
    heel and the two rise by different shares."""
    side = truth.side if truth.side in SIDES else "left"
    ankle_m = truth.joint_m(side, "ankle")[:, 2]
    found, true = [], []
    for t, m in pairs:
        value = _value_of(m, "heel_height_peak_share")
        during = (truth.time_s >= t.start_s) & (truth.time_s <= t.end_s)
        if isinstance(value, Measured) and np.isfinite(ankle_m[during]).any():
            found.append(value.value)
            true.append(float(np.nanmax(ankle_m[during])))
    if len(found) < 2:
        return None
    return bool(np.array_equal(np.argsort(found), np.argsort(true)))


def compare_measures(
    name: str,
    truth: Truth,
    exercise: Exercise,
    analysis: Analysis | None,
    settings: Settings = Settings(),
) -> list[Comparison]:
    """Each measure of each true repetition; `analysis` None when the clip was not measured."""
    found = analysis.report.repetitions if analysis else ()
    plane = true_plane(truth.azimuth_deg)
    near = "left" if truth.azimuth_deg > 0 else "right"
    out = []
    setting = _setting_of(truth, analysis)
    series: dict[Side, Series] = {}
    motions: dict[str, object] = {}
    matched = match_repetitions(truth.repetitions, found)
    for number, (t, m) in enumerate(zip(truth.repetitions, matched, strict=True), start=1):
        side = truth.side if truth.side in SIDES else _side_of(m, analysis)
        if side not in motions:
            motions[side] = true_motion(truth, side, exercise)
        motion = motions[side]
        off_plane = leg_plane_deg(truth, side, t)
        driven = view_for(exercise, analysis.report.view) if analysis else exercise.views[0]
        for key in exercise_measures(exercise):
            true = true_value(key, motion, truth, t, exercise, driven, settings.repetition)
            if not np.isfinite(true):
                continue
            value = _value_of(m, key)
            own = None
            if m is not None and READINGS[key][1] in ABSOLUTE:
                series = series or _series_as_read(analysis, exercise, settings)
                own = getattr(series[side], READINGS[key][0])
            is_near = plane != "sagittal" or side == near or not _is_of_one_leg(key, driven)
            out.append(
                Comparison(
                    clip=name,
                    exercise=exercise.id,
                    plane=plane,
                    repetition=number,
                    measure=key,
                    is_supported=is_supported(key, plane, exercise.position) and is_near,
                    true=true,
                    value=value.value if isinstance(value, Measured) else float("nan"),
                    low=value.low if isinstance(value, Measured) else float("nan"),
                    high=value.high if isinstance(value, Measured) else float("nan"),
                    true_excursion=_true_excursion(key, true, motion, t),
                    excursion=_excursion(value, own, m, analysis),
                    reason=value if isinstance(value, str) else "",
                    camera_offset_deg=camera_offset_deg(truth.azimuth_deg, side),
                    leg_plane_deg=off_plane,
                    family=truth.family,
                    setting=setting,
                )
            )
    return out


def _series_as_read(
    analysis: Analysis, exercise: Exercise, settings: Settings
) -> dict[Side, Series]:
    """The series that the measures were read from: a rest is taken off the same one."""
    is_still = find_still(analysis.track, settings.repetition)
    series, _ = series_of_legs(
        analysis.track, analysis.raw, analysis.report.view, exercise, is_still, settings
    )
    return series


def _setting_of(truth: Truth, analysis: Analysis | None) -> Setting:
    """How the clip was filmed: as told, and what the file itself says where nobody told it."""
    if analysis is None:
        return truth.setting
    clip = analysis.report.clip
    of_file = {n: float(getattr(clip, n)) for n in ("frame_rate_hz", "width_px", "height_px")}
    unknown = {n: v for n, v in of_file.items() if not np.isfinite(getattr(truth.setting, n))}
    return replace(truth.setting, **unknown)


def _is_of_one_leg(key: str, driven: ExerciseView) -> bool:
    """Whether a measure reads the working leg, so that it must be nearer a camera at the side."""
    name, _ = READINGS[key]
    if name == "driving":
        return driven.driving_signal in LEG_SIGNALS
    return "frontal" not in MEASURES[key].views and name != "trunk_inclination_deg"


def _side_of(matched: AssessedRepetition | None, analysis: Analysis | None) -> str:
    if matched is not None and matched.repetition.side in SIDES:
        return matched.repetition.side
    return (analysis.report.view.near_side if analysis else None) or "left"


def _value_of(matched: AssessedRepetition | None, key: str) -> Measured | str:
    if matched is None:
        return "the repetition was not found"
    for v in matched.measures:
        if v.key == key:
            return v if isinstance(v, Measured) else refusal_words(v, "terminal")
    return "not among the measures reported"


def _true_excursion(key, true, motion, repetition) -> float:
    name, how = READINGS[key]
    if how not in ABSOLUTE:
        return float("nan")
    turn_s = (repetition.turn_from_s + repetition.turn_to_s) / 2
    rest = read_series(
        motion.series[name], motion.time_s, "rest", repetition.start_s, turn_s, repetition.end_s
    )
    return true - rest


def _excursion(value, series, matched, analysis) -> float:
    if series is None or not isinstance(value, Measured):
        return float("nan")
    r = matched.repetition
    time_s = analysis.track.time_s
    return value.value - read_series(series, time_s, "rest", r.start_s, r.turn_s, r.end_s)

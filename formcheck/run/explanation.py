"""One number explained: from the landmarks over the series to the outcome, with its parts."""

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from formcheck.model.anatomy import LANDMARK, LEG
from formcheck.model.errors import UsageError
from formcheck.model.intervals import COVERAGE_FACTOR, combined
from formcheck.model.measures import MEASURES
from formcheck.model.programme import BoundOfKind
from formcheck.model.records import (
    Analysis,
    AssessedRepetition,
    Measured,
    Repetition,
    Report,
    Value,
)
from formcheck.motion.camera import within_180_deg
from formcheck.motion.track import as_recorded_px, cut_off_in_force_hz
from formcheck.run.request import no_measure
from formcheck.run.rerun import reassess
from formcheck.run.result_folder import read_request
from formcheck.run.settings import Settings
from formcheck.words.refusal_words import refusal_words
from formcheck.words.set_words import bound_text, check_sentence


def explain_measure(folder: Path, number: int, key: str, part: str | None = None) -> list[str]:
    """The way to one number of a result folder, in lines of text.

    Everything is computed again from the folder's landmarks and settings. Raises UsageError
    for an unknown repetition or measure, FileError for a damaged folder.
    """
    if key not in MEASURES:
        raise UsageError(f"--measure {key}: {no_measure(key)}")
    analysis = reassess(folder)
    _, settings = read_request(folder)
    report = analysis.report
    assessed = _chosen(report, number, part)
    values = {v.key: v for v in assessed.measures}
    if key not in values:
        raise UsageError(
            f"--measure {key}: {report.exercise} does not list it; it lists {', '.join(values)}"
        )
    value = values[key]
    lines = _origin_lines(analysis, settings, assessed, key)
    lines += _other_than_reported(folder, report, report.repetitions.index(assessed), key)
    if not isinstance(value, Measured):
        return [*lines, f"Not measurable: {refusal_words(value, 'terminal')}"]
    lines += _landmark_lines(analysis, assessed.repetition, value.at_s)
    lines += _value_lines(value, MEASURES[key].unit)
    return [*lines, *_check_lines(analysis.bounds, assessed, key)]


def _chosen(report: Report, number: int, part: str | None) -> AssessedRepetition:
    """The repetition of this number and part. Raises UsageError where there is none."""
    numbered = [r for r in report.repetitions if r.repetition.number == number]
    if not numbered:
        numbers = sorted({r.repetition.number for r in report.repetitions})
        has = f"has repetitions {', '.join(map(str, numbers))}" if numbers else "shows none"
        raise UsageError(f"--rep {number}: there is no such repetition; the clip {has}")
    found = [r for r in numbered if part in (None, r.repetition.part)]
    if not found:
        parts = ", ".join(r.repetition.part for r in numbered if r.repetition.part)
        raise UsageError(
            f"--part {part}: repetition {number} has "
            + (f"the parts {parts}" if parts else "no parts; leave it out")
        )
    return found[0]


def _origin_lines(
    analysis: Analysis, settings: Settings, assessed: AssessedRepetition, key: str
) -> list[str]:
    """What the number is, and what it is read from: landmarks, track, camera, repetition."""
    report, track, rep = analysis.report, analysis.track, assessed.repetition
    cut_off_hz = cut_off_in_force_hz(analysis.raw.time_s, settings.track)
    view, measure = analysis.seen_at(rep.turn_s).view, MEASURES[key]
    return [
        f"{measure.label} ({key}), repetition {rep.number} of {report.clip.file}",
        f"Definition: {measure.definition}",
        f"Landmarks: {report.source.model} bundle, {report.source.mode} mode, "
        f"{len(analysis.raw.time_s)} pictures at {report.source.rate_hz:g} a second",
        f"Track: even grid of {track.grid_hz:g} Hz, low-pass {cut_off_hz:.3g} Hz, "
        f"{track.is_filled.mean():.1%} of samples filled, "
        f"{track.is_repaired.mean():.1%} with the legs exchanged back",
        f"Camera: {view.plane}, azimuth {view.azimuth_deg:.1f} deg "
        f"({within_180_deg(view.azimuth_low_deg):.1f} to "
        f"{within_180_deg(view.azimuth_high_deg):.1f})",
        f"Repetition: {rep.start_s:.2f} to {rep.end_s:.2f} s, turn {rep.turn_s:.2f} s "
        f"(within a tenth of the range from {rep.turn_from_s:.2f} to {rep.turn_to_s:.2f} s), "
        f"found in {analysis.trace.label}",
    ]


def _landmark_lines(analysis: Analysis, rep: Repetition, at_s: float | None) -> list[str]:
    """Where the leg's joints stand in the picture, at the turn unless a time is given."""
    at_s, track = rep.turn_s if at_s is None else at_s, analysis.track
    index = int(np.argmin(np.abs(track.time_s - at_s)))
    side = rep.side if rep.side != "both" else analysis.seen_at(rep.turn_s).leg
    lines = []
    for name in LEG:
        x, y = as_recorded_px(track.image_px[index, LANDMARK[side, name]], analysis.report.clip)
        lines.append(f"  {side} {name} at {at_s:.2f} s: {x:.1f}, {y:.1f} px")
    return lines


def _value_lines(value: Measured, unit_name: str) -> list[str]:
    """The value with its interval, and what the interval is made of."""
    unit = "" if unit_name in ("share", "1") else f" {unit_name}"
    whole = combined(value.parts)
    return [
        f"Value: {value.value:.6g}{unit}, 95 % interval {value.low:.6g} to {value.high:.6g}",
        *(
            f"  {p.kind:6} {p.name}: standard {p.standard:.3g}{unit} [{p.source}]"
            for p in value.parts
        ),
        f"  together {whole:.3g}{unit} (root sum of squares), times {COVERAGE_FACTOR} = "
        f"{COVERAGE_FACTOR * whole:.3g}{unit}",
    ]


def _check_lines(
    bounds: Sequence[BoundOfKind], assessed: AssessedRepetition, key: str
) -> list[str]:
    """Each target and limit on the measure with its outcome, or that there is none."""
    lines = []
    checks = {(c.kind, c.bound): c for c in assessed.checks}
    for kind, bound in bounds:
        if bound.measure != key:
            continue
        low, high = bound.band(kind)
        if low == -math.inf:
            band = f"{high:g} or less"
        else:
            band = f"{low:g} or more" if high == math.inf else f"{low:g} to {high:g}"
        check = checks.get((kind, bound))
        if check is None:
            lines.append(f"{kind.capitalize()} {bound_text(bound)}: not meant for this repetition.")
            continue
        lines.append(
            f"{kind.capitalize()} {bound_text(bound)} (decided on {band}): "
            f"{check.outcome}. {check_sentence(check, assessed, 'terminal')}"
        )
    return lines or ["Nobody set a target or limit on it: not judged."]


def _other_than_reported(folder: Path, report: Report, place: int, key: str) -> list[str]:
    """A line where report.json gives the number otherwise than it comes out now; else none."""
    from formcheck.files.report_file import read_report
    from formcheck.files.report_rounding import as_written

    file = folder / "report.json"
    reported = read_report(file).repetitions
    ours = _shown(as_written(report).repetitions[place].measures, key)
    if place < len(reported) and _shown(reported[place].measures, key) == ours:
        return []
    return [
        f"NOT as reported: {file} gives this number otherwise. It was written by another version "
        "of formcheck, or one of the folder's files was changed; run `formcheck analyze` again."
    ]


def _shown(measures: Sequence[Value], key: str) -> tuple[object, ...] | None:
    """What a report says of a measure: the value with its interval, or why there is none."""
    value = next((v for v in measures if v.key == key), None)
    if isinstance(value, Measured):
        return value.value, value.low, value.high
    return None if value is None else (value.code, value.values)

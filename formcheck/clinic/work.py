"""The clinic's analysis: what a stored set asks of the pipeline, and the worker that does it.

A worker is a process of its own. It takes one job after the other from the database and ends
when the server that started it is gone: its standard input then closes.
"""

import contextlib
import json
import math
import os
import secrets
import sys
import time
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from statistics import fmean

from formcheck.clinic import Clinic, open_clinic
from formcheck.clinic import jobs as job_rows
from formcheck.clinic.ahead import Ahead
from formcheck.clinic.answers import answers_of_set
from formcheck.clinic.folder import remove_folder
from formcheck.clinic.jobs import Job
from formcheck.clinic.patients import prescription_by_id
from formcheck.clinic.pictures import keep_picture
from formcheck.clinic.reviews import (
    MOVED_NAME,
    add_correction,
    between_days,
    keep_moved,
    moved_limits,
    outcome_of,
    refresh_outcome,
    withdraw_correction,
)
from formcheck.clinic.sets import StoredSet, find_set, stored_report
from formcheck.files.report_rounding import as_written
from formcheck.model.errors import ClipError, FormcheckError
from formcheck.model.intervals import UNSEEN_TIME
from formcheck.model.records import Analysis, RawTrack
from formcheck.model.request import Request
from formcheck.model.stated import Context, Pain
from formcheck.pose.memory import return_free_memory
from formcheck.report.corrections import Correction, corrected
from formcheck.run.pipeline import analyze, assess
from formcheck.run.request import GivenPrescription, request_for
from formcheck.run.settings import Settings
from formcheck.run.worker_process import Line
from formcheck.words.first_line import why_not_measured

BEAT_S = 0.5
"""How often a running job writes how far it is."""
IDLE_S = 0.4
"""How long a worker without work waits before it looks again."""
LOOKING_S = 0.1
"""The same while a recording arrives: its end is near."""


def request_of_set(clinic: Clinic, stored: StoredSet) -> Request:
    """What the set asks of the pipeline: its exercise, side, and the prescription of its day.

    A set of an exercise that is not prescribed is measured, and not judged.
    """
    version = prescription_by_id(clinic, stored.prescription_id) if stored.prescription_id else None
    answers = {a.moment: a for a in answers_of_set(clinic, stored.id)}
    before, after = answers.get("before"), answers.get("after")
    return request_for(
        clinic.folder.recording(stored.recording),
        stored.exercise,
        side=stored.side,
        prescription=GivenPrescription(record=version.record(), sha256=version.sha256)
        if version
        else None,
        is_prescribed=False,
        is_mirrored=stored.is_mirrored,
        context=Context(
            load_kg=stored.load_kg,
            support=stored.support or None,
            effort=after.effort if after else None,
            pain=Pain(
                before=before.pain if before else None,
                during=after.pain_during if after else None,
                after=after.pain if after else None,
            ),
        ),
    )


def trace_mapping(analysis: Analysis) -> dict:
    """The driving signal for the page's chart: times, values (null where not measured), bounds."""
    from formcheck.report.charts import is_about_trace
    from formcheck.words import wording

    trace = analysis.trace
    edges = [
        {
            "kind": kind,
            "words": wording.bound_words(b),
            "edges": [e for e in b.band(kind) if math.isfinite(e)],
        }
        for kind, b in analysis.bounds
        if is_about_trace(b, trace)
    ]
    return {
        "label": trace.label,
        "unit": trace.unit,
        "duration_s": round(analysis.report.clip.duration_s, 3),
        "time_s": [round(float(t), 3) for t in trace.time_s],
        "value": [round(float(v), 4) if math.isfinite(v) else None for v in trace.value],
        "bounds": edges,
    }


def between_days_mapping(analysis: Analysis) -> dict[str, tuple[float, float]]:
    """{measure: (own, shared)}: mean variances over the repetitions of the intervals' parts."""
    from formcheck.evidence.progress import between_days_standard
    from formcheck.model.records import Measured

    found: dict[str, list[tuple[float, float]]] = {}
    for r in analysis.report.repetitions:
        for m in r.measures:
            if isinstance(m, Measured) and m.parts:
                # What was not seen of one repetition is no draw that another makes up for.
                is_own = [p.kind == "own" and p.name != UNSEEN_TIME for p in m.parts]
                own, shared = (
                    between_days_standard(
                        p for p, is_one in zip(m.parts, is_own, strict=True) if is_one == wanted
                    )
                    ** 2
                    for wanted in (True, False)
                )
                found.setdefault(m.key, []).append((own, shared))
    return {
        key: (fmean(own for own, _ in pairs), fmean(shared for _, shared in pairs))
        for key, pairs in found.items()
    }


def measure_set(
    clinic: Clinic,
    stored: StoredSet,
    settings: Settings,
    progress=None,
    raw: RawTrack | None = None,
) -> tuple[Analysis, Request]:
    """The analysis of a set, its files in the set's result folder.

    raw : the landmarks of its clip, where they are known.

    The results of an earlier measuring are replaced only when the new ones are whole.
    """
    from formcheck.files.storage import make_folder, write_text
    from formcheck.run.result_folder import write_results

    request = request_of_set(clinic, stored)
    analysis = analyze(request, settings, progress=progress, raw=raw)
    out = clinic.folder.result(stored.uid)
    beside = make_folder(out.with_name(f"{out.name}.new-{secrets.token_hex(4)}"), is_private=True)
    try:
        write_results(analysis, request, settings, beside, with_video=False)
        write_text(beside / "trace.json", json.dumps(trace_mapping(analysis)))
        write_text(beside / "between_days.json", json.dumps(between_days_mapping(analysis)))
        keep_picture(analysis, request.clip, beside)
        remove_folder(out)
        os.replace(beside, out)
    finally:
        remove_folder(beside)
    return analysis, request


def draw_set(clinic: Clinic, stored: StoredSet, analysis: Analysis, progress=None) -> None:
    """Draws the set's video with the measured leg, faces hidden."""
    from formcheck.files.storage import write_atomically
    from formcheck.overlay.painting import write_overlay

    path = clinic.folder.result(stored.uid) / "annotated.mp4"
    with write_atomically(path) as beside:
        write_overlay(
            analysis, clinic.folder.recording(stored.recording), beside, progress=progress
        )


_NEEDED_TO_MEASURE = (
    "scipy.interpolate",
    "scipy.ndimage",
    "scipy.optimize",
    "scipy.signal",
    "scipy.stats",
    "pyarrow.parquet",
    "jinja2",
    "formcheck.evidence.progress",
    "formcheck.run.result_folder",
)


def _make_ready() -> None:
    """Imports beforehand what the first measuring would, which takes more than a second."""
    for name in _NEEDED_TO_MEASURE:
        with contextlib.suppress(ImportError):  # the measuring will tell
            import_module(name)


class _LostJob(Exception):
    """The job is no longer this worker's: its set was deleted or the job was taken back."""


def _beater(clinic: Clinic, job: Job, holder: str):
    last = 0.0

    def progress(stage: str, done: int, total: int | None) -> None:
        nonlocal last
        at = time.monotonic()
        if at - last < BEAT_S:
            return
        last = at
        if not job_rows.beat(clinic, job, holder, stage, done, total):
            raise _LostJob

    return progress


def do_job(
    clinic: Clinic,
    job: Job,
    holder: str,
    settings: Settings,
    kept: tuple[str, Analysis] | None = None,
    ahead: Ahead | None = None,
) -> tuple[str, Analysis] | None:
    """Does one claimed job and keeps its end; gives (uid, analysis) on for the drawing.

    ahead : what was looked at as it arrived.
    """
    stored = find_set(clinic, job.uid)
    if stored is None:
        return None
    progress = _beater(clinic, job, holder)
    try:
        if job.kind == "draw":
            analysis = kept[1] if kept and kept[0] == job.uid else _reassess(clinic, stored)
            draw_set(clinic, stored, analysis, progress)
            job_rows.end_drawn(clinic, job, holder)
            return None
        raw = None
        if ahead is not None:
            clip = clinic.folder.recording(stored.recording)
            raw = ahead.take(job, clip, is_mirrored=stored.is_mirrored, progress=progress)
        analysis, _ = measure_set(clinic, stored, settings, progress, raw)
    except _LostJob:
        return None
    except FormcheckError as error:
        text = str(error).replace(stored.recording, "this clip")
        text = text.replace(str(clinic.folder.recordings) + os.sep, "")
        _end_badly(clinic, job, holder, text)
        return None
    except Exception as error:
        # One clip that trips the analysis must not stop the others; the reason is kept.
        print(f"formcheck: {type(error).__name__}: {error}", file=sys.stderr)
        _end_badly(clinic, job, holder, f"the analysis failed ({type(error).__name__})")
        return None
    report = as_written(analysis.report)
    outcome = outcome_of(corrected(report, ()), between_days(clinic, stored.uid))
    if analysis.report.is_usable:
        is_kept = job_rows.end_measured(clinic, job, holder, outcome)
        refresh_outcome(clinic, stored.uid)
    else:
        reason = why_not_measured(report, "clinician")
        is_kept = job_rows.end_not_measured(clinic, job, holder, reason, outcome)
    if not is_kept and find_set(clinic, stored.uid) is None:
        # Deleted while it was measured: nothing of it is to be left.
        remove_folder(clinic.folder.result(stored.uid))
    return (stored.uid, analysis) if is_kept else None


def _end_badly(clinic: Clinic, job: Job, holder: str, reason: str) -> None:
    if job.kind == "draw":
        job_rows.end_drawn(clinic, job, holder, reason)
    else:
        job_rows.end_not_measured(clinic, job, holder, reason)


def _reassess(clinic: Clinic, stored: StoredSet) -> Analysis:
    from formcheck.run.rerun import reassess

    return reassess(clinic.folder.result(stored.uid))


def measure_within_limits(clinic: Clinic, uid: str) -> None:
    """Measures the repetitions anew whose limits were moved; what was found stays in report.json.

    Raises ClipError when the stored landmarks cannot be read.
    """
    from formcheck.files.storage import read_track
    from formcheck.run.result_folder import read_request

    stored = find_set(clinic, uid)
    report = stored_report(clinic, uid) if stored else None
    if report is None:
        return
    folder = clinic.folder.result(uid)
    moved = moved_limits(clinic, stored.id)
    if not moved:
        (folder / MOVED_NAME).unlink(missing_ok=True)
        refresh_outcome(clinic, uid)
        return
    request, settings = read_request(folder)
    raw = read_track(folder / "track.parquet")
    request = replace(request, moved_limits=moved)
    again = assess(raw, request, settings, created_at=report.created_at).report
    if len(again.repetitions) != len(report.repetitions):
        raise ClipError("the repetitions differ from those found; measure the set again first")
    keep_moved(clinic, uid, report, again, moved)
    refresh_outcome(clinic, uid)


def make_correction(clinic: Clinic, uid: str, correction: Correction) -> int:
    """The row id of the kept correction. Moved limits are in force when the repetitions within
    them are measured, or not at all.

    Raises UsageError as `add_correction`, ClipError as `measure_within_limits`.
    """
    if correction.kind != "limits":
        return add_correction(clinic, uid, correction)
    try:
        with clinic.one_change():
            row = add_correction(clinic, uid, correction)
            measure_within_limits(clinic, uid)
    except Exception:
        with contextlib.suppress(FormcheckError):
            measure_within_limits(clinic, uid)  # the file is of those in force again
        raise
    return row


def take_back_correction(clinic: Clinic, uid: str, correction_id: int, by: str) -> None:
    """Takes a correction out of force, and measures anew within the limits that are left.

    Where these cannot be measured the correction is out of force all the same, the repetitions
    stand as they were found, and ClipError says so.
    """
    stored = find_set(clinic, uid)
    before = moved_limits(clinic, stored.id) if stored else ()
    withdraw_correction(clinic, uid, correction_id, by)
    if stored and moved_limits(clinic, stored.id) != before:
        measure_within_limits(clinic, uid)


def work(
    root: Path, settings: Settings, *, is_once: bool = False, looks_ahead: bool = False
) -> None:
    """Does jobs until the process ends (or until none waits, when `is_once`).

    looks_ahead : recordings are looked at as they arrive; no video is drawn meanwhile.
    """
    clinic = open_clinic(root)
    holder = secrets.token_hex(8)
    kept = None
    ahead = Ahead(clinic, settings) if looks_ahead else None
    try:
        while True:
            is_looking = ahead is not None and ahead.follow()
            if is_looking:
                _make_ready()
            job = None
            if job_rows.n_waiting(clinic):
                job = job_rows.claim(clinic, holder, is_only_measuring=is_looking)
            if job is not None:
                with ahead.set_aside(job) if ahead else contextlib.nullcontext():
                    kept = do_job(clinic, job, holder, settings, kept, ahead)
                return_free_memory()
            elif is_once:
                return
            else:
                time.sleep(LOOKING_S if is_looking else IDLE_S)
    finally:
        if ahead is not None:
            ahead.forget()
        clinic.close()


def work_for_server(_line: Line, root: str, pose_model: str, looks_ahead: str = "") -> None:
    """The worker process of a server: data folder, pose bundle ("" for the usual one), and
    whether recordings are looked at as they arrive ("" for not)."""
    from formcheck.pose.landmarker import PoseSettings

    os.umask(0o077)
    with contextlib.suppress(AttributeError, OSError):
        # The pages stay quick while a clip is measured, and a recording while it is looked at.
        os.nice(10)
    settings = Settings(pose=PoseSettings(model=pose_model)) if pose_model else Settings()
    work(Path(root), settings, looks_ahead=bool(looks_ahead))

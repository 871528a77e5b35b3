"""One clip of a batch from its job to its finished result folder.

Runs in a worker process, on this machine or another. A result is written into a folder of its
own beside, and moved to its place when it is whole.
"""

import contextlib
import datetime
import hashlib
import json
import os
import secrets
import shutil
import socket
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from formcheck import __version__
from formcheck.batch.clips import WORK_NAME, plain_reason
from formcheck.files import storage
from formcheck.files.report_rounding import plain
from formcheck.files.storage import cache_key
from formcheck.model.errors import ClipError, FileError, FormcheckError, ModelError, OutputError
from formcheck.overlay.painting import thumbnail
from formcheck.pose.landmarker import track_identity
from formcheck.run import pipeline
from formcheck.run.result_folder import TRACK_NAME, write_results
from formcheck.run.settings import settings_echo
from formcheck.video import shown_name

if TYPE_CHECKING:
    from formcheck.model.records import Analysis, RawTrack
    from formcheck.model.request import Request
    from formcheck.pose.landmarker import PoseModel
    from formcheck.run.settings import Settings

RESULT_SCHEMA = "formcheck.batch_result/1.0"
RESULT_NAME = "batch.json"
THUMBNAIL_NAME = "thumbnail.jpg"

Progress = Callable[[str, int, int | None], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What a worker needs to analyse one clip; travels to it as it is."""

    file: str
    request: "Request"
    settings: "Settings"
    out: Path
    with_video: bool
    is_face_blurred: bool
    version: str = __version__

    @property
    def result_folder(self) -> Path:
        return result_folder(self.out, self.file)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How a clip ended. `trouble` says what kind of failure it was; "" when measured.

    n_pictures : pictures that were looked at; detail : for the log only, may span lines.
    """

    file: str
    trouble: Literal["", "clip", "output", "model", "limit", "worker", "unexpected"] = ""
    reason: str = ""
    n_pictures: int = 0
    n_tries: int = 1
    detail: str = ""

    @property
    def is_measured(self) -> bool:
        return not self.trouble


def result_folder(out: Path, file: str) -> Path:
    """Where the results of a clip go; different clips never share one."""
    return out / "results" / file


def measure_clip(
    job: Job, *, models: "Sequence[PoseModel] | None" = None, progress: Progress | None = None
) -> Outcome:
    """Analyses the clip and leaves its results in their folder; never raises for a bad clip.

    Landmarks are taken from an earlier result when clip, model and rate are the same.
    """
    try:
        n_pictures = _measure(job, models, progress)
    except ClipError as error:
        return _failed(job, "clip", plain_reason(error, job.file))
    except OutputError as error:
        return _failed(job, "output", plain_reason(error, job.file))
    except ModelError as error:
        return _failed(job, "model", plain_reason(error, job.file))
    except FormcheckError as error:
        return _failed(job, "unexpected", plain_reason(error, job.file))
    except MemoryError:
        return _failed(job, "limit", "not enough memory for this clip; export it smaller")
    except Exception as error:
        reason = " ".join(f"unexpected failure ({type(error).__name__}: {error})".split())
        return _failed(job, "unexpected", reason, traceback.format_exc())
    return Outcome(file=job.file, n_pictures=n_pictures)


def _failed(job: Job, trouble: str, reason: str, detail: str = "") -> Outcome:
    return Outcome(file=job.file, trouble=trouble, reason=reason, detail=detail)


def _measure(job: Job, models, progress) -> int:
    host = socket.gethostname()
    if job.version != __version__:
        raise ModelError(
            f"the worker on {host} has formcheck {__version__} and this run is {job.version}; "
            "install the same version everywhere"
        )
    if not (job.out / WORK_NAME).is_dir():
        raise OutputError(
            f"{job.out}: the worker on {host} does not see this folder; use one that every "
            "machine has under the same path"
        )
    raw = _kept_landmarks(job)
    if raw is None:
        raw = pipeline.landmarks(job.request, job.settings, progress=progress, models=models)
    created_at = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    analysis = pipeline.assess(raw, job.request, job.settings, created_at=created_at)
    _write(job, analysis, progress)
    return len(raw.time_s)


# -- what is done already


def result_key(job: Job, clip_sha256: str) -> str:
    """A digest of all that decides a clip's results: clip, request, settings, versions."""
    decides = [
        RESULT_SCHEMA,
        job.version,
        clip_sha256,
        plain(replace(job.request, clip=Path("clip"))),
        plain(settings_echo(job.settings)),
        plain(track_identity(job.settings.pose)),
        job.with_video,
        job.is_face_blurred,
    ]
    return hashlib.sha256(json.dumps(decides, sort_keys=True).encode()).hexdigest()


def is_done(job: Job) -> bool:
    """Whether the clip's results are there and would come out the same again."""
    written = _written(job)
    if written is None or not (job.result_folder / "report.json").is_file():
        return False
    sha256 = _sha256(job.request.clip)
    return sha256 is not None and written.get("key") == result_key(job, sha256)


def _kept_landmarks(job: Job) -> "RawTrack | None":
    """The landmarks of an earlier result, when they are of this clip, model and rate."""
    written = _written(job)
    if written is None:
        return None
    sha256 = _sha256(job.request.clip)
    if sha256 is None or written.get("track_key") != _track_key(job, sha256):
        return None
    try:
        raw = storage.read_track(job.result_folder / TRACK_NAME)
    except FileError:
        return None
    clip = replace(raw.clip, file=shown_name(job.request.clip), is_mirrored=job.request.is_mirrored)
    return replace(raw, clip=clip)


def _track_key(job: Job, sha256: str) -> str:
    return cache_key(sha256, track_identity(job.settings.pose))


def _written(job: Job) -> dict | None:
    try:
        mapping = json.loads((job.result_folder / RESULT_NAME).read_bytes())
    except (OSError, ValueError):
        return None
    is_ours = isinstance(mapping, dict) and mapping.get("schema") == RESULT_SCHEMA
    return mapping if is_ours else None


def _sha256(path: Path) -> str | None:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


# -- writing


def _write(job: Job, analysis: "Analysis", progress: Progress | None) -> None:
    part = storage.make_folder(parts_folder(job.out) / secrets.token_hex(8))
    try:
        write_results(
            analysis,
            job.request,
            job.settings,
            part,
            with_video=job.with_video,
            is_face_blurred=job.is_face_blurred,
            progress=progress,
        )
        repetitions = analysis.report.repetitions
        complete = [r for r in repetitions if r.repetition.is_complete]
        shown = next(iter(complete or repetitions), None)
        with storage.write_atomically(part / THUMBNAIL_NAME) as beside:
            # Whatever is chosen for the video: the index is seen by more people than one report.
            beside.write_bytes(thumbnail(analysis, job.request.clip, shown))
        sha256 = analysis.report.clip.sha256
        mapping = {
            "schema": RESULT_SCHEMA,
            "key": result_key(job, sha256),
            "track_key": _track_key(job, sha256),
        }
        storage.write_text(part / RESULT_NAME, json.dumps(mapping, indent=1) + "\n")
        _move_into_place(part, job.result_folder)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise


def parts_folder(out: Path) -> Path:
    """Where results stand until they are whole."""
    return out / WORK_NAME / "parts"


def _move_into_place(part: Path, final: Path) -> None:
    storage.make_folder(final.parent)
    try:
        try:
            os.rename(part, final)
        except OSError:
            if not final.is_dir():
                raise
            # An earlier result stands there: out of date, or it would not be done again.
            old = part.with_name(f"{part.name}.old")
            os.rename(final, old)
            os.rename(part, final)
            shutil.rmtree(old, ignore_errors=True)
        storage.sync_folder(final.parent)
    except OSError as error:
        raise storage.output_error(error, final) from error


def clear_parts(out: Path) -> None:
    """Removes what a killed run or machine left unfinished; only for whoever holds the folder's
    lock, while none of their own clips is written."""
    with contextlib.suppress(OSError):
        for part in parts_folder(out).iterdir():
            shutil.rmtree(part, ignore_errors=True)

"""A clip's track as BIDS-Motion files (Brain Imaging Data Structure 1.11, Motion).

Positions are image pixels, which the files declare: one camera has no metres of its own. The
knee angle is a JNTANG channel in degrees, proximal to distal; who turns round has one for each
leg, n/a while the other leg is nearer the camera.
"""

import json
import re
from pathlib import Path

import numpy as np

from formcheck.files import storage
from formcheck.model.anatomy import LANDMARK, LEG, SIDES
from formcheck.model.errors import OutputError, UsageError
from formcheck.model.records import Analysis
from formcheck.motion.track import as_recorded_px

TRACKED = ("shoulder", *LEG)


def label(text: str) -> str:
    """A BIDS label: letters and digits only. Raises UsageError when none are left."""
    cleaned = re.sub(r"[^0-9A-Za-z]", "", text)
    if not cleaned:
        raise UsageError(f"{text!r}: a BIDS label needs letters or digits")
    return cleaned


def write_bids_motion(
    analysis: Analysis,
    folder: Path,
    participant: str,
    session: str | None = None,
    run: int | None = None,
) -> tuple[Path, ...]:
    """The three files of one recording: motion.tsv, motion.json, channels.tsv; their paths.

    session, run : tell a participant's recordings of one exercise apart; in the names when given.
    Missing samples are n/a. Raises OutputError when the files cannot be written, or when one of
    these names is taken by a file with other contents.
    """
    track, report = analysis.track, analysis.report
    parts = [f"sub-{label(participant)}"]
    if session is not None:
        parts.append(f"ses-{label(session)}")
    parts += [f"task-{label(report.exercise)}", "tracksys-formcheck"]
    if run is not None:
        parts.append(f"run-{run}")
    stem = "_".join(parts)
    columns: list[np.ndarray] = []
    channels = [("name", "component", "type", "tracked_point", "units")]
    for side in SIDES:
        for joint in TRACKED:
            points = as_recorded_px(track.image_px[:, LANDMARK[side, joint]], report.clip)
            for k, axis in enumerate("xy"):
                channels.append((f"{side}_{joint}_{axis}", axis, "POS", f"{side}_{joint}", "px"))
                columns.append(points[:, k])
    for seen in analysis.seen:
        name = f"{seen.leg}_knee"
        channels.append((f"{name}_flexion", "n/a", "JNTANG", name, "deg"))
        columns.append(np.where(seen.is_here, seen.knee_flexion_deg, np.nan))
    rows = np.stack(columns, axis=1)
    description = {
        "TaskName": report.exercise,
        "SamplingFrequency": track.grid_hz,
        "TrackingSystemName": "formcheck",
        "Manufacturer": "formcheck",
        "SoftwareVersions": report.version,
        "MotionChannelCount": len(columns),
        "POSChannelCount": len(columns) - len(analysis.seen),
        "JNTANGChannelCount": len(analysis.seen),
        "RecordingDuration": float(track.time_s[-1] - track.time_s[0]),
        "RecordingType": "continuous",
        "MissingValues": "n/a",
        "SpatialAxes": "RI_",
        "TaskDescription": "Positions are pixels of the picture as shown, x to the right, y down. "
        "Knee flexion: 0 = straight, positive = flexion. Landmarks of a pose model "
        f"({report.source.model}), low-passed.",
    }
    motion = folder / f"{stem}_motion.tsv"
    sidecar = folder / f"{stem}_motion.json"
    channel_file = folder / f"{stem}_channels.tsv"
    storage.make_folder(folder)
    lines = ("\t".join("n/a" if np.isnan(v) else f"{v:.4f}" for v in row) for row in rows)
    texts = {
        motion: "\n".join(lines) + "\n",
        sidecar: json.dumps(description, indent=1) + "\n",
        channel_file: "\n".join("\t".join(c) for c in channels) + "\n",
    }
    for path, text in texts.items():
        _refuse_other_contents(path, text)
    for path, text in texts.items():
        storage.write_text(path, text)
    return motion, sidecar, channel_file


def _refuse_other_contents(path: Path, text: str) -> None:
    try:
        there = path.read_bytes()
    except FileNotFoundError:
        return
    except OSError as error:
        raise storage.output_error(error, path) from error
    if there != text.encode("utf-8"):
        raise OutputError(
            f"{path}: is there already with other contents, as of another recording; name this "
            "one with --session or --run, or choose another folder"
        )

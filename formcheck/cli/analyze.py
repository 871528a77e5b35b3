"""formcheck analyze: one clip in, a measured set out."""

import contextlib
import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from formcheck.cli.options import (
    BlurFace,
    Cache,
    CutOff,
    PoseMode,
    PoseModel,
    PoseRate,
    settings_of,
)
from formcheck.cli.progress import progress_bar
from formcheck.model.errors import UsageError
from formcheck.model.stated import STATED_LIMITS, Context, Pain

if TYPE_CHECKING:
    from formcheck.model.programme import BoundOfKind
    from formcheck.model.records import Analysis
    from formcheck.model.request import Request
    from formcheck.run.request import GivenPrescription
    from formcheck.run.settings import Settings


# What is asked of the clip.
Clip = Annotated[Path, typer.Argument(readable=False, help="The recorded video.")]
ExerciseName = Annotated[
    str, typer.Option(help="Which exercise it shows: an id (see `formcheck exercises`) or a file.")
]
WorkingLeg = Annotated[
    str | None,
    typer.Option(
        help="The patient's working leg: left, right or both. Left out, the near leg is taken."
    ),
]
PrescriptionFile = Annotated[
    Path | None,
    typer.Option(readable=False, help="The patient's prescription file to judge the set against."),
]
AtLeast = Annotated[
    list[str], typer.Option(metavar="KEY=VALUE", help="A target to reach; may be repeated.")
]
AtMost = Annotated[
    list[str], typer.Option(metavar="KEY=VALUE", help="A limit not to pass; may be repeated.")
]
Mirrored = Annotated[
    bool, typer.Option("--mirrored", help="The recording is mirrored, as a selfie preview is.")
]
CalibrationFile = Annotated[
    Path | None,
    typer.Option(readable=False, help="The patient's goniometer readings (see calibrate)."),
]

# What is written.
Out = Annotated[
    Path | None, typer.Option(help="Folder for the results. [default: CLIP's name + _formcheck]")
]
Video = Annotated[bool, typer.Option("--video/--no-video", help="Write annotated.mp4 too.")]
JsonOutput = Annotated[
    bool, typer.Option("--json", help="Print report.json to stdout; no files unless --out.")
]


def _stated(name: str, help_text: str) -> Any:
    """The option of what a camera cannot know, within its limits."""
    least, most = STATED_LIMITS[name]
    return typer.Option(min=least, max=most, help=help_text)


StatureCm = Annotated[float | None, _stated("stature_cm", "The patient's height, for centimetres.")]
LoadKg = Annotated[float | None, _stated("load_kg", "Load held or worn.")]
Support = Annotated[str | None, typer.Option(help="Support used, in words.")]
StepHeightCm = Annotated[float | None, _stated("step_height_cm", "Step height.")]
SeatHeightCm = Annotated[float | None, _stated("seat_height_cm", "Seat height.")]
Effort = Annotated[int | None, _stated("effort", "How hard it was.")]
PainBefore = Annotated[int | None, _stated("pain", "Pain before.")]
PainDuring = Annotated[int | None, _stated("pain", "Pain during.")]
PainAfter = Annotated[int | None, _stated("pain", "Pain after.")]


def register(app: typer.Typer) -> None:
    app.command()(analyze)


def parse_bound(text: str, option: str) -> "BoundOfKind":
    """The bound of KEY=VALUE. Raises UsageError with the mend."""
    from formcheck.run.request import checked_bound

    key, sign, number = (part.strip() for part in text.partition("="))
    if not sign:
        raise UsageError(f"{option} {text}: write KEY=VALUE, for instance knee_flexion_peak_deg=60")
    try:
        # Python reads 6_0 as 60; nobody who types it means that.
        value = float("nan" if "_" in number else number)
    except ValueError:
        value = float("nan")
    if not abs(value) < float("inf"):
        raise UsageError(f"{option} {text}: {number!r} is not a number")
    try:
        return checked_bound("target" if option == "--at-least" else "limit", key, value)
    except UsageError as error:
        raise UsageError(f"{option} {text}: {error}") from None


def bounds_from_options(at_least: list[str], at_most: list[str]) -> "tuple[BoundOfKind, ...]":
    """Targets from --at-least, limits from --at-most, as the pipeline takes them."""
    return (
        *(parse_bound(text, "--at-least") for text in at_least),
        *(parse_bound(text, "--at-most") for text in at_most),
    )


def analyze(
    clip: Clip,
    exercise: ExerciseName,
    side: WorkingLeg = None,
    out: Out = None,
    prescription: PrescriptionFile = None,
    at_least: AtLeast = [],  # noqa: B006 typer copies the default
    at_most: AtMost = [],  # noqa: B006
    mirrored: Mirrored = False,
    video: Video = True,
    blur_face: BlurFace = True,
    json_output: JsonOutput = False,
    stature_cm: StatureCm = None,
    load_kg: LoadKg = None,
    support: Support = None,
    step_height_cm: StepHeightCm = None,
    seat_height_cm: SeatHeightCm = None,
    effort: Effort = None,
    pain_before: PainBefore = None,
    pain_during: PainDuring = None,
    pain_after: PainAfter = None,
    calibration: CalibrationFile = None,
    pose_model: PoseModel = None,
    pose_rate: PoseRate = None,
    pose_mode: PoseMode = None,
    cut_off_hz: CutOff = None,
    cache: Cache = True,
) -> None:
    """Measure the set in a recorded clip and write the report.

    Writes report.json, reps.csv, report.html, track.parquet and annotated.mp4 into --out.
    Without a prescription, --at-least or --at-most the set is measured and not judged.
    """
    from formcheck.run.calibration_file import read_readings
    from formcheck.run.request import request_for

    request = request_for(
        clip,
        exercise,
        side=side,
        prescription=_read_prescription(prescription) if prescription else None,
        bounds=bounds_from_options(at_least, at_most),
        is_mirrored=mirrored,
        readings=read_readings(calibration) if calibration else (),
        context=Context(
            load_kg=load_kg,
            support=support,
            step_height_cm=step_height_cm,
            seat_height_cm=seat_height_cm,
            effort=effort,
            stature_cm=stature_cm,
            pain=Pain(before=pain_before, during=pain_during, after=pain_after),
        ),
    )
    settings = settings_of(pose_model, pose_rate, pose_mode, cut_off_hz)
    if out is None and not json_output:
        out = Path(f"{clip.stem}_formcheck")
    if out is not None:
        _refuse_to_lose_inputs(out, clip, exercise, prescription, calibration)
    analysis = _measure_and_write(
        request, settings, out, with_video=video, is_face_blurred=blur_face, is_cached=cache
    )
    if json_output or out is None:
        _print_json(analysis)
    else:
        _print_words(analysis, out)


def _read_prescription(file: Path) -> "GivenPrescription":
    """The prescription, with a note on stderr where it is not valid yet."""
    from formcheck.run.request import read_given_prescription

    given = read_given_prescription(file)
    if given.record.valid_from > datetime.date.today():
        typer.echo(
            f"formcheck: note: {given.file} is valid from {given.record.valid_from} on, later "
            "than today",
            err=True,
        )
    return given


def _refuse_to_lose_inputs(out: Path, *inputs: str | Path | None) -> None:
    """Raises UsageError where a file of the results would replace one that is read."""
    from formcheck.files.storage import refuse_to_overwrite
    from formcheck.run.result_folder import result_files

    refuse_to_overwrite([Path(file) for file in inputs if file is not None], result_files(out))


def _measure_and_write(
    request: "Request",
    settings: "Settings",
    out: Path | None,
    *,
    with_video: bool,
    is_face_blurred: bool,
    is_cached: bool,
) -> "Analysis":
    """The clip's analysis, its files written where there is a folder; no other run writes there
    meanwhile."""
    from formcheck.files.held_folders import held_folder
    from formcheck.files.storage import default_cache_folder
    from formcheck.run.pipeline import analyze as analyze_clip
    from formcheck.run.result_folder import write_results

    with (
        held_folder(out) if out is not None else contextlib.nullcontext(),
        progress_bar() as progress,
    ):
        analysis = analyze_clip(
            request,
            settings,
            cache_dir=default_cache_folder() if is_cached else None,
            progress=progress,
        )
        if out is not None:
            write_results(
                analysis,
                request,
                settings,
                out,
                with_video=with_video,
                is_face_blurred=is_face_blurred,
                progress=progress,
            )
    return analysis


def _print_json(analysis: "Analysis") -> None:
    from formcheck.files.report_file import report_json

    typer.echo(report_json(analysis.report), nl=False)


def _print_words(analysis: "Analysis", out: Path) -> None:
    from formcheck.cli.words import set_lines

    for text in set_lines(analysis.report):
        typer.echo(text)
    typer.echo(f"Report: {out / 'report.html'}")

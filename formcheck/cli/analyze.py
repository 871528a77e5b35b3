"""formcheck analyze: one clip in, a measured set out."""

import contextlib
import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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

if TYPE_CHECKING:
    from formcheck.model.programme import BoundOfKind
    from formcheck.run.request import GivenPrescription


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
    clip: Annotated[Path, typer.Argument(readable=False, help="The recorded video.")],
    exercise: Annotated[
        str,
        typer.Option(help="Which exercise it shows: an id (see `formcheck exercises`) or a file."),
    ],
    side: Annotated[
        str | None,
        typer.Option(
            help="The patient's working leg: left, right or both. Left out, the near leg is taken."
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for the results. [default: CLIP's name + _formcheck]"),
    ] = None,
    prescription: Annotated[
        Path | None,
        typer.Option(
            readable=False, help="The patient's prescription file to judge the set against."
        ),
    ] = None,
    at_least: Annotated[
        list[str], typer.Option(metavar="KEY=VALUE", help="A target to reach; may be repeated.")
    ] = [],  # noqa: B006 typer copies the default
    at_most: Annotated[
        list[str], typer.Option(metavar="KEY=VALUE", help="A limit not to pass; may be repeated.")
    ] = [],  # noqa: B006
    mirrored: Annotated[
        bool, typer.Option("--mirrored", help="The recording is mirrored, as a selfie preview is.")
    ] = False,
    video: Annotated[
        bool, typer.Option("--video/--no-video", help="Write annotated.mp4 too.")
    ] = True,
    blur_face: BlurFace = True,
    json_output: Annotated[
        bool, typer.Option("--json", help="Print report.json to stdout; no files unless --out.")
    ] = False,
    stature_cm: Annotated[
        float | None, typer.Option(min=50, max=250, help="The patient's height, for centimetres.")
    ] = None,
    load_kg: Annotated[
        float | None, typer.Option(min=0, max=500, help="Load held or worn.")
    ] = None,
    support: Annotated[str | None, typer.Option(help="Support used, in words.")] = None,
    step_height_cm: Annotated[
        float | None, typer.Option(min=0, max=100, help="Step height.")
    ] = None,
    seat_height_cm: Annotated[
        float | None, typer.Option(min=0, max=120, help="Seat height.")
    ] = None,
    effort: Annotated[int | None, typer.Option(min=0, max=10, help="How hard it was.")] = None,
    pain_before: Annotated[int | None, typer.Option(min=0, max=10, help="Pain before.")] = None,
    pain_during: Annotated[int | None, typer.Option(min=0, max=10, help="Pain during.")] = None,
    pain_after: Annotated[int | None, typer.Option(min=0, max=10, help="Pain after.")] = None,
    calibration: Annotated[
        Path | None,
        typer.Option(readable=False, help="The patient's goniometer readings (see calibrate)."),
    ] = None,
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
    from formcheck.cli.words import set_lines
    from formcheck.files.held_folders import held_folder
    from formcheck.files.report_file import report_json
    from formcheck.files.storage import default_cache_folder, refuse_to_overwrite
    from formcheck.model.records import Context, Pain
    from formcheck.run.calibration_file import read_readings
    from formcheck.run.pipeline import analyze as analyze_clip
    from formcheck.run.request import read_given_prescription, request_for
    from formcheck.run.result_folder import result_files, write_results

    given = read_given_prescription(prescription) if prescription else None
    if given:
        _tell_when_not_yet_valid(given)
    request = request_for(
        clip,
        exercise,
        side=side,
        prescription=given,
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
        inputs = [Path(f) for f in (clip, exercise, prescription, calibration) if f is not None]
        refuse_to_overwrite(inputs, result_files(out))
    with (
        held_folder(out) if out is not None else contextlib.nullcontext(),
        progress_bar() as progress,
    ):
        analysis = analyze_clip(
            request,
            settings,
            cache_dir=default_cache_folder() if cache else None,
            progress=progress,
        )
        if out is not None:
            write_results(
                analysis,
                request,
                settings,
                out,
                with_video=video,
                is_face_blurred=blur_face,
                progress=progress,
            )
    if json_output:
        typer.echo(report_json(analysis.report), nl=False)
        return
    for text in set_lines(analysis.report):
        typer.echo(text)
    typer.echo(f"Report: {out / 'report.html'}")


def _tell_when_not_yet_valid(given: "GivenPrescription") -> None:
    if given.record.valid_from > datetime.date.today():
        typer.echo(
            f"formcheck: note: {given.file} is valid from {given.record.valid_from} on, later "
            "than today",
            err=True,
        )

"""formcheck analyze: one clip in, a measured set out."""

from pathlib import Path
from typing import Annotated

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


def register(app: typer.Typer) -> None:
    app.command()(analyze)


def parse_bound(text: str, option: str) -> tuple[str, float]:
    """(measure, value) of KEY=VALUE. Raises UsageError with the mend."""
    import difflib

    from formcheck.files.file_rules import possible_range
    from formcheck.model.measures import MEASURES

    key, sign, number = text.partition("=")
    key = key.strip()
    if not sign:
        raise UsageError(f"{option} {text}: write KEY=VALUE, for instance knee_flexion_peak_deg=60")
    if key not in MEASURES:
        near = difflib.get_close_matches(key, MEASURES, n=2, cutoff=0.5)
        hint = f"; did you mean {' or '.join(near)}?" if near else ""
        raise UsageError(f"{option} {text}: {key!r} is no measure of formcheck{hint}")
    if MEASURES[key].at == "set":
        raise UsageError(f"{option} {text}: {key} is of the whole set; no bound can be set on it")
    try:
        # Python reads 6_0 as 60; nobody who types it means that.
        value = float("nan" if "_" in number else number)
    except ValueError:
        value = float("nan")
    if not abs(value) < float("inf"):
        raise UsageError(f"{option} {text}: {number!r} is not a number")
    least, greatest = possible_range(key)
    if not least <= value <= greatest:
        raise UsageError(
            f"{option} {text}: {value:g} is not possible for {key}; give {least:g} to {greatest:g}"
        )
    return key, value + 0.0  # no minus before a zero


def bounds_from_options(at_least: list[str], at_most: list[str]):
    """Targets from --at-least, limits from --at-most, as the pipeline takes them."""
    from formcheck.model.programme import Bound

    bounds = []
    for text in at_least:
        key, value = parse_bound(text, "--at-least")
        bounds.append(("target", Bound(measure=key, at_least=value)))
    for text in at_most:
        key, value = parse_bound(text, "--at-most")
        bounds.append(("limit", Bound(measure=key, at_most=value)))
    return tuple(bounds)


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
    import datetime

    from formcheck.cli.words import set_lines
    from formcheck.files.exercises import load_exercise
    from formcheck.files.storage import default_cache_folder, refuse_to_overwrite
    from formcheck.model.records import Context, Pain
    from formcheck.model.request import Request
    from formcheck.report import files as report_files
    from formcheck.run.pipeline import analyze as analyze_clip
    from formcheck.run.result_folder import result_files, write_results

    if side not in (None, "left", "right", "both"):
        raise UsageError(f"--side {side}: write left, right (the patient's own) or both")
    bounds = bounds_from_options(at_least, at_most)
    line = whole = sha256 = None
    record = load_exercise(exercise)
    if prescription is not None:
        from formcheck.files.prescriptions import (
            file_sha256,
            prescribed_line,
            read_prescription,
            side_of,
        )
        from formcheck.motion.assessment import prescribed_bounds

        whole, sha256 = read_prescription(prescription), file_sha256(prescription)
        if whole.valid_from > datetime.date.today():
            typer.echo(
                f"formcheck: note: {prescription} is valid from {whole.valid_from} on, later than "
                "today",
                err=True,
            )
        # A line may name the exercise by its id or by its file.
        named = {prescribed.exercise for prescribed in whole.exercises}
        line = prescribed_line(whole, exercise if exercise in named else record.id, side)
        side = side_of(line, side)
        bounds = prescribed_bounds(line, record, whole, side) + bounds
        load_kg = line.load_kg if load_kg is None else load_kg
        step_height_cm = line.step_height_cm if step_height_cm is None else step_height_cm
        seat_height_cm = line.seat_height_cm if seat_height_cm is None else seat_height_cm
    readings = ()
    if calibration is not None:
        from formcheck.run.calibration_file import read_readings

        readings = read_readings(calibration)
    request = Request(
        clip=clip,
        exercise=record,
        side=side,
        is_mirrored=mirrored,
        bounds=bounds,
        prescribed=line,
        prescription=whole,
        prescription_sha256=sha256,
        readings=readings,
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
    with progress_bar() as progress:
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
        typer.echo(report_files.report_json(analysis.report), nl=False)
        return
    for text in set_lines(analysis.report):
        typer.echo(text)
    typer.echo(f"Report: {out / 'report.html'}")

"""formcheck validate and reliability: how good the numbers are."""

from pathlib import Path
from typing import Annotated

import typer

from formcheck.cli.options import Cache, PoseMode, PoseModel, PoseRate, settings_of
from formcheck.cli.progress import progress_bar


def register(app: typer.Typer) -> None:
    app.command()(validate)
    app.command()(reliability)


def validate(
    folder: Annotated[
        list[Path],
        typer.Argument(
            help="Folder of clips with a truth file beside each (NAME.truth.json); several are "
            "taken together."
        ),
    ],
    exercise_table: Annotated[
        bool, typer.Option("--exercise-table", help="Print the measures of each exercise too.")
    ] = False,
    by: Annotated[
        str | None,
        typer.Option(
            metavar="NAMES",
            help="Print the measures in every bin of these, separated by commas: camera_offset, "
            "leg_plane, exercise, family, view, camera_height, camera_distance, field_of_view, "
            "clothing, frame_rate, picture_size; a+b for every combination.",
        ),
    ] = None,
    measure: Annotated[
        list[str] | None,
        typer.Option(metavar="KEY", help="Keep the tables of --by to this measure; repeatable."),
    ] = None,
    results: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="Take the landmarks from the result folders in here, at any depth; no clip is "
            "opened.",
        ),
    ] = None,
    csv_file: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="Write every comparison as a row.")
    ] = None,
    json_output: Annotated[
        bool, typer.Option("--json", help="Print all figures as JSON to stdout.")
    ] = False,
    pose_model: PoseModel = None,
    pose_rate: PoseRate = None,
    pose_mode: PoseMode = None,
    cache: Cache = True,
) -> None:
    """Measure clips whose true values are known, and print how far off the numbers are.

    Each clip needs a truth file beside it. Printed per camera view and measure: errors, share of
    95 % intervals that hold the truth, and decisions against targets 20 deg either side of it.
    With --by the same in every bin of where the camera stood, what was worn, and so on.
    """
    from formcheck.evidence.strata import names_of
    from formcheck.evidence.validation import together
    from formcheck.evidence.validation import validate as run
    from formcheck.evidence.validation_tables import (
        comparisons_csv,
        validation_json,
        validation_lines,
    )
    from formcheck.files.file_rules import did_you_mean
    from formcheck.files.storage import default_cache_folder, refuse_to_overwrite, write_text
    from formcheck.model.errors import UsageError
    from formcheck.model.measures import MEASURES

    names = names_of(by) if by is not None else ()
    for key in measure or ():
        if key not in MEASURES:
            hint = did_you_mean(key, tuple(MEASURES)) or "the README lists them"
            raise UsageError(f'--measure: there is no "{key}"; {hint}')
    settings = settings_of(pose_model, pose_rate, pose_mode)
    if csv_file is not None:
        for place in folder:
            refuse_to_overwrite(place.iterdir() if place.is_dir() else (), (csv_file,))
    cache_dir = default_cache_folder() if cache else None
    with progress_bar() as progress:
        found = together(
            run(place, settings, results=results, cache_dir=cache_dir, progress=progress)
            for place in folder
        )
    if csv_file is not None:
        write_text(csv_file, comparisons_csv(found))
    if json_output:
        typer.echo(validation_json(found, names), nl=False)
        return
    for line in validation_lines(
        found, by_exercise=exercise_table, by=names, measures=tuple(measure or ())
    ):
        typer.echo(line)


def reliability(
    folder: Annotated[
        Path, typer.Argument(help="Folder that holds the result folders (each with report.json).")
    ],
    sessions: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Table of folder, patient, session, day. [default: FOLDER/sessions.csv]",
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Where the two files go. [default: FOLDER]")
    ] = None,
    json_output: Annotated[
        bool,
        typer.Option("--json", help="Print reliability.json to stdout; no files unless --out."),
    ] = False,
) -> None:
    """Work out how far sessions lie apart when nothing has changed (test-retest).

    Reads the results of separate days, the camera set up anew each time, and writes
    reliability.json and reliability.html: ICC(2,1), SEM, MDC95 and Bland-Altman per measure.
    """
    import datetime

    from formcheck.evidence.reliability import read_sessions, reliability_json
    from formcheck.evidence.reliability import reliability as work_out
    from formcheck.evidence.reliability_page import reliability_html
    from formcheck.files.storage import make_folder, write_text
    from formcheck.words.wording import in_a_line, quantity

    found = work_out(read_sessions(folder, sessions))
    created_at = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    text = reliability_json(found, created_at)
    if out is not None or not json_output:
        place = make_folder(folder if out is None else out)
        write_text(place / "reliability.html", reliability_html(found))
        write_text(place / "reliability.json", text)
    if json_output:
        typer.echo(text, nl=False)
        return
    for m in found:
        head = f"{m.exercise}, {in_a_line(m.measure)}"
        if m.icc is None:
            typer.echo(f"{head}: not enough information (two legs with two sessions each)")
        else:
            typer.echo(
                f"{head}: {len(m.subjects)} legs, {m.n_sessions} sessions, "
                f"ICC(2,1) {m.icc.value:.2f} ({m.icc.low:.2f} to {m.icc.high:.2f}), "
                f"MDC95 {quantity(m.measure, m.repeatability.mdc95)}"
            )
    typer.echo(f"Page: {place / 'reliability.html'}")

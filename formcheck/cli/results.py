"""Commands about finished result folders: compare two, explain one number."""

import json
import re
from pathlib import Path
from typing import Annotated

import typer

from formcheck.model.errors import UsageError


def register(app: typer.Typer) -> None:
    app.command()(compare)
    app.command()(explain)
    app.command()(calibrate)
    app.command("export-motion")(export_motion)


def compare(
    first: Annotated[Path, typer.Argument(help="Result folder of one leg.")],
    second: Annotated[Path, typer.Argument(help="Result folder of the other leg.")],
    involved: Annotated[
        str | None,
        typer.Option(help="The involved leg: left or right. [default: the prescription's]"),
    ] = None,
    json_output: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Compare the two legs of an exercise: limb symmetry index or difference, with its interval."""
    from formcheck.model.anatomy import other_side
    from formcheck.model.measures import MEASURES
    from formcheck.model.records import Measured
    from formcheck.run.rerun import compare_folders
    from formcheck.words.refusal_words import refusal_words

    if involved not in (None, "left", "right"):
        raise UsageError(f"--involved {involved}: write left or right")
    rows, n_complete = compare_folders(first, second, involved)
    if json_output:
        from formcheck.files.report_entries import symmetry_mapping

        typer.echo(json.dumps(symmetry_mapping(rows), indent=1))
        return
    if rows[0].involved:
        typer.echo(f"Involved leg: {rows[0].involved}. An index is involved over other, per cent.")
    else:
        typer.echo(
            "Nobody named the involved leg: left over right, in per cent, or left less right."
        )
    first_leg = rows[0].involved or "left"
    ours, others = n_complete[first_leg], n_complete[other_side(first_leg)]
    # A leg may have no whole sequence, and steps to compare all the same.
    index = f"index {100 * ours / others:.0f}% " if others else ""
    typer.echo(f"  Complete repetitions: {index}({ours} and {others})")
    for row in rows:
        label = MEASURES[row.key].label
        if not isinstance(row.value, Measured):
            typer.echo(f"  {label}: not compared, {refusal_words(row.value, 'terminal')}")
            continue
        v = row.value
        unit, decimals = f" {MEASURES[row.key].unit}", 1
        if row.kind == "index":
            unit = "%"
        elif MEASURES[row.key].unit == "share":
            unit, decimals = "", 3
        value, low, high = (f"{x:.{decimals}f}" for x in (v.value, v.low, v.high))
        typer.echo(f"  {label}: {row.kind} {value}{unit} ({low} to {high})")
    typer.echo(
        "Compare only at the same load, target and support. The other leg may be weakened too; "
        "90 % is custom, not clearance."
    )


def explain(
    folder: Annotated[Path, typer.Argument(help="A result folder that analyze wrote.")],
    rep: Annotated[int, typer.Option(min=1, help="Number of the repetition.")],
    measure: Annotated[str, typer.Option(help="Key of the measure.")],
    part: Annotated[str | None, typer.Option(help="Direction, in a sequence exercise.")] = None,
) -> None:
    """Show the way from landmarks to outcome for one number, with the parts of its interval."""
    from formcheck.run.explanation import explain_measure

    for line in explain_measure(folder, rep, measure, part):
        typer.echo(line)


def calibrate(
    folder: Annotated[Path, typer.Argument(help="Result folder of a clip seen from the side.")],
    at: Annotated[float, typer.Option(min=0, help="Moment of the clip, seconds.")],
    reading: Annotated[
        float,
        typer.Option(
            min=-30, max=170, help="Knee flexion read with the goniometer, deg (0 = straight)."
        ),
    ],
    by: Annotated[str, typer.Option(help="Your initials.")],
    file: Annotated[
        Path,
        typer.Option(readable=False, help="The patient's calibration file; made when missing."),
    ],
    date: Annotated[str | None, typer.Option(help="Day of the reading. [default: today]")] = None,
) -> None:
    """Enter a goniometer reading for a moment of a clip: the patient's own offset near that angle.

    Two readings serve best: one with the knee straight, one at about 90 deg. Use the file with
    `formcheck analyze --calibration FILE`.
    """
    import datetime

    from formcheck.run.calibration_file import add_reading

    try:
        day = datetime.date.fromisoformat(date) if date else datetime.date.today()
    except ValueError:
        raise UsageError(f"--date {date}: write YYYY-MM-DD") from None
    if day > datetime.date.today():
        raise UsageError(f"--date {date}: lies in the future; give the day of the reading")
    # As everywhere that a clinician signs: who it was stays in the clinic, no names in files.
    if not re.fullmatch(r"\w[\w.\- ]{0,7}", by.strip()):
        raise UsageError(f"--by {by}: write your initials, up to 8 letters, for instance A.B.")
    kept = add_reading(
        folder, file, at_s=at, reading_deg=reading, taken_by=by.strip(), taken_on=day.isoformat()
    )
    typer.echo(
        f"{kept.side} knee: read {kept.reading_deg:g} deg where {kept.seen_deg:g} deg was seen; "
        f"offset {kept.reading_deg - kept.seen_deg:+.1f} deg, kept in {file}"
    )


def export_motion(
    folder: Annotated[Path, typer.Argument(help="A result folder that analyze wrote.")],
    out: Annotated[Path, typer.Option(help="Folder for the three files.")],
    participant: Annotated[
        str, typer.Option(help="The participant's code; only its letters and digits are kept.")
    ],
    session: Annotated[
        str | None, typer.Option(help="A name for the session, for the files' names.")
    ] = None,
    run: Annotated[
        int | None,
        typer.Option(min=1, help="Which recording of this exercise it is, for the files' names."),
    ] = None,
) -> None:
    """Write the landmark track as BIDS-Motion files (TSV with JSON, units declared).

    Files of another recording are not written over: give --session or --run.
    """
    from formcheck.files.bids import write_bids_motion
    from formcheck.run.rerun import reassess

    for path in write_bids_motion(reassess(folder), out, participant, session, run):
        typer.echo(path)

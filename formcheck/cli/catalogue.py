"""formcheck exercises, check, prescription: the catalogue and what a clinician writes."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from formcheck.cli.commands import Commands
from formcheck.model.errors import FileError, OutputError, UsageError

prescription_app = Commands(
    name="prescription",
    help="Start a prescription file, or print the patient's page of one.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


def register(app: typer.Typer) -> None:
    app.command()(exercises)
    app.command()(check)
    app.add_typer(prescription_app)


def exercises(
    name: Annotated[
        str | None, typer.Argument(help="Show this exercise in full (an id, or an exercise file).")
    ] = None,
    svg: Annotated[
        Path | None, typer.Option(help="Write the drawing of body and camera to this file.")
    ] = None,
    view: Annotated[
        str | None,
        typer.Option(help="Camera's place in the drawing: sagittal, frontal or oblique."),
    ] = None,
) -> None:
    """List the catalogue, or show one exercise in full with its figure."""
    from formcheck.files.exercises import list_exercises, load_exercise
    from formcheck.words.exercise_words import catalogue_table, exercise_page

    if name is None:
        if svg is not None or view is not None:
            raise UsageError(
                "--svg and --view need an exercise: formcheck exercises NAME --svg FILE"
            )
        typer.echo(catalogue_table(list_exercises()), nl=False)
        return
    exercise = load_exercise(name)
    planes = [v.plane for v in exercise.views]
    if view is not None and view not in planes:
        raise UsageError(f"{exercise.id} has no {view} view; choose one of: {', '.join(planes)}")
    if svg is not None:
        from formcheck.files.storage import refuse_to_overwrite, write_text
        from formcheck.words.figures import exercise_svg

        refuse_to_overwrite((Path(name),), (svg,))
        write_text(svg, exercise_svg(exercise, view))
        typer.echo(f"drawing written to {svg}", err=True)
    typer.echo(exercise_page(exercise, view, is_unicode=_shows_braille()), nl=False)


def check(
    files: Annotated[
        list[Path] | None,
        typer.Argument(readable=False, help="Exercise, prescription and question files."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the findings as JSON.")] = False,
    write_schemas: Annotated[
        Path | None,
        typer.Option(
            help="Write the JSON Schemas of these kinds of file to this folder; an editor "
            "completes a file that starts with '#:schema ./formcheck.prescription.schema.json'."
        ),
    ] = None,
) -> None:
    """Check exercise, prescription and question files; every fault with its line and the mend.

    What can be used and yet makes no sense (a step that passes a limit, a hold longer than the
    rest) is asked about; only a fault ends with a code other than 0."""
    from formcheck.files.prescriptions import check_file

    if write_schemas is not None:
        from formcheck.files.prescriptions import write_json_schemas

        for path in write_json_schemas(write_schemas):
            typer.echo(f"written: {path}", err=True)
    if not files:
        if write_schemas is None:
            raise UsageError("name at least one file to check")
        return
    checked = [check_file(path) for path in files]
    if as_json:
        import json

        rows = [
            {"file": c.file, "kind": c.kind, "faults": list(c.faults), "advice": list(c.advice)}
            for c in checked
        ]
        typer.echo(json.dumps(rows, indent=2, ensure_ascii=False))
    else:
        for c in checked:
            for fault in c.faults:
                typer.echo(fault)
            for asked in c.advice:
                typer.echo(f"{asked} (can be used; a colleague would ask)")
            if not c.faults and not c.advice:
                typer.echo(f"{c.file}: {c.kind}, nothing to mend")
    if any(c.faults for c in checked):
        raise typer.Exit(FileError.exit_code)


@prescription_app.command()
def new(
    file: Annotated[
        Path | None, typer.Argument(help="Where to write it; without it, it is printed.")
    ] = None,
    is_replaced: Annotated[
        bool, typer.Option("--replace", help="Write over a file that is there.")
    ] = False,
) -> None:
    """Start a prescription by answering questions."""
    from datetime import date

    from formcheck.files.prescriptions import (
        compose_prescription,
        prescription_text,
        write_prescription,
    )

    if file is not None and file.exists() and not is_replaced:
        raise UsageError(f"{file} is there already; give another name, or --replace")
    if file is not None and (file.is_dir() or not file.parent.is_dir()):
        # Told before the questions: the answers would be lost.
        raise OutputError(f"{file}: cannot be a file there; name one in a folder that exists")
    prescription = compose_prescription(_ask, date.today())
    if file is None:
        typer.echo(prescription_text(prescription), nl=False)
    else:
        write_prescription(prescription, file)
        typer.echo(f"prescription written to {file}", err=True)


@prescription_app.command()
def sheet(
    file: Annotated[Path, typer.Argument(readable=False, help="The prescription file.")],
    out: Annotated[Path, typer.Option(help="Where to write the page (HTML).")],
    is_large: Annotated[
        bool, typer.Option("--large-print", help="Set the text half as large again.")
    ] = False,
    data: Annotated[
        Path | None,
        typer.Option(
            readable=False,
            help="The clinic's data folder, for its phone number; without it there is a line to "
            "write on.",
        ),
    ] = None,
    language: Annotated[
        str, typer.Option(help="The language of the page: en (English) or es (Spanish).")
    ] = "en",
) -> None:
    """Write the patient's printable page: figures, dose, cues, camera, cautions."""
    from formcheck.clinic import open_clinic
    from formcheck.clinic.folder import existing_data_folder
    from formcheck.clinic.settings import contact_for
    from formcheck.files.prescriptions import exercises_of, read_prescription
    from formcheck.files.storage import refuse_to_overwrite, write_text
    from formcheck.words.languages import LANGUAGES, use
    from formcheck.words.sheet import sheet_html

    refuse_to_overwrite((file,), (out,))
    if language not in LANGUAGES:
        raise UsageError(f"--language {language}: write one of: {', '.join(LANGUAGES)}")
    prescription = read_prescription(file)
    contact = None
    if data is not None:
        clinic = open_clinic(existing_data_folder(data).root)
        try:
            contact = contact_for(clinic)
        finally:
            clinic.close()
    with use(language):
        page = sheet_html(
            prescription, exercises_of(prescription, file), is_large=is_large, contact=contact
        )
    write_text(out, page)
    typer.echo(f"page written to {out}", err=True)


@prescription_app.command()
def templates(
    out: Annotated[
        Path | None, typer.Option(help="A folder to write them into, to be changed there.")
    ] = None,
) -> None:
    """List the programmes to begin a prescription from, or write their files."""
    from formcheck.files.templates import load_templates, write_templates

    if out is None:
        for t in load_templates()[0]:
            typer.echo(f"{t.id}: {t.template.name} ({t.template.source})")
        return
    for path in write_templates(out):
        typer.echo(str(path))


def _ask(question) -> str:
    if question.fault:
        typer.echo(f"  {question.fault}", err=True)
    choices = f" ({'/'.join(question.choices)})" if question.choices else ""
    default = f" [{question.default}]" if question.default else ""
    # The question goes to stderr: stdout carries the file alone.
    typer.echo(f"{question.text}{choices}{default}: ", nl=False, err=True)
    answer = sys.stdin.readline()
    if not answer:
        raise UsageError("the answers ended before the prescription was complete")
    return answer.rstrip("\n")


def _shows_braille() -> bool:
    try:
        "⠿".encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True

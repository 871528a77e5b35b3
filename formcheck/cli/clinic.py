"""formcheck serve, backup, restore, pack, import: the clinic's pages and files."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from formcheck.cli.options import PoseModel
from formcheck.model.errors import UsageError

if TYPE_CHECKING:
    from formcheck.clinic import Clinic

DATA = Annotated[
    Path | None,
    typer.Option(help="The data folder. [default: the user's own data folder for formcheck]"),
]


def register(app: typer.Typer) -> None:
    app.command()(serve)
    app.command()(backup)
    app.command()(restore)
    app.command()(pack)
    app.command(name="import")(import_file)


def serve(
    source: Annotated[
        Path | None,
        typer.Argument(
            metavar="FILE",
            readable=False,
            help="A patient's set, or at home the clinic's file with the plan: taken in first, "
            "and shown.",
            show_default=False,
        ),
    ] = None,
    port: Annotated[
        int | None,
        typer.Option(min=1, max=65535, help="The port. [default: 4270, else a free one]"),
    ] = None,
    data: DATA = None,
    browser: Annotated[
        bool,
        typer.Option("--browser/--no-browser", help="Open the link in a browser, or print it."),
    ] = True,
    patient: Annotated[
        str | None, typer.Option(help="Open this patient's own pages instead of the clinician's.")
    ] = None,
    clinician: Annotated[
        bool,
        typer.Option(
            "--clinician", help="Open the clinician's pages on a computer set up for a patient."
        ),
    ] = False,
    again: Annotated[
        bool, typer.Option("--again", help="Where the pages are open already, open them again.")
    ] = False,
    install_launcher: Annotated[
        bool,
        typer.Option(
            "--install-launcher",
            help="Write an entry that opens the pages by a double click, with the other options "
            "given here.",
        ),
    ] = False,
    remove_launcher: Annotated[
        bool, typer.Option("--remove-launcher", help="Remove that entry again.")
    ] = False,
    retain_days: Annotated[
        int | None,
        typer.Option(
            min=1, help="Ask after so many days whether a set is to be deleted. Off unless given."
        ),
    ] = None,
    pose_model: PoseModel = None,
    phone: Annotated[
        bool,
        typer.Option(
            "--phone",
            help="Let a phone in the same network film, after it was paired. Off unless given.",
        ),
    ] = False,
    phone_address: Annotated[
        str | None,
        typer.Option(
            "--phone-address",
            help="With --phone: the address of this computer that the phone finds. "
            "[default: the only one]",
        ),
    ] = None,
) -> None:
    """Serve the clinic's pages on this computer only, until Ctrl-C.

    Prints a link that works once. With --phone a paired phone in the same network can film;
    otherwise nothing leaves the machine.
    """
    if clinician and patient:
        raise UsageError("--clinician and --patient: give one of them")
    if pose_model not in (None, "lite", "full", "heavy"):
        raise UsageError(f"--pose-model {pose_model}: write lite, full or heavy")
    if phone_address and not phone:
        raise UsageError("--phone-address: goes with --phone")
    if install_launcher or remove_launcher:
        if source is not None:
            raise UsageError(f"{source}: a file does not go with an entry for a double click")
        options = _as_typed(
            port=port,
            browser=browser,
            patient=patient,
            clinician=clinician,
            retain_days=retain_days,
            pose_model=pose_model,
            phone=phone,
            phone_address=phone_address,
        )
        _change_launcher(data, options, is_wanted=install_launcher, is_removed=remove_launcher)
        return
    from formcheck.web.server import serve as serve_pages

    serve_pages(
        data,
        source=source,
        port=port,
        patient=patient,
        is_clinician=clinician,
        is_again=again,
        is_opening_browser=browser,
        retain_days=retain_days,
        pose_model=pose_model or "",
        is_for_phones=phone,
        phone_address=phone_address,
    )


def _as_typed(*, browser: bool, **options: str | int | bool | None) -> tuple[str, ...]:
    """The options of `serve` as they would be typed; none that has its default."""
    typed = [] if browser else ["--no-browser"]
    for name, value in options.items():
        if value in (None, False):
            continue
        typed.append("--" + name.replace("_", "-"))
        if value is not True:
            typed.append(str(value))
    return tuple(typed)


def _change_launcher(
    data: Path | None, options: Sequence[str], *, is_wanted: bool, is_removed: bool
) -> None:
    from formcheck.cli.launcher import install_launcher, launcher, remove_launcher

    if is_wanted and is_removed:
        raise UsageError("--install-launcher and --remove-launcher: give one of them")
    made = launcher(data=data, options=options)
    if is_removed:
        gone = remove_launcher(made)
        typer.echo("\n".join(f"removed {path}" for path in gone) or "there was no launcher")
        return
    for path in install_launcher(made):
        typer.echo(f"wrote {path}")
    typer.echo(made.words)


def backup(
    target: Annotated[
        Path, typer.Argument(help="The backup file to write, for instance clinic.zip.")
    ],
    data: DATA = None,
) -> None:
    """Write everything in the data folder into one file; the pages may be in use meanwhile."""
    from formcheck.clinic import open_clinic
    from formcheck.clinic.backup import backup as write_backup
    from formcheck.clinic.folder import existing_data_folder

    clinic = open_clinic(existing_data_folder(data).root)
    try:
        content = write_backup(clinic, target)
    finally:
        clinic.close()
    typer.echo(
        f"{target}: {content.n_files} files, {content.n_bytes / 1e6:.1f} MB, read back and whole"
    )


def restore(
    source: Annotated[
        Path, typer.Argument(readable=False, help="A file that `formcheck backup` wrote.")
    ],
    data: DATA = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace what is in the folder; it is kept beside it.")
    ] = False,
) -> None:
    """Bring a backup back into the data folder, after every byte of it was checked."""
    from formcheck.clinic.backup import restore as bring_back

    content = bring_back(source, data, is_replacing=replace)
    typer.echo(f"Restored the backup of {content.made_at}: {content.n_files} files")


def pack(
    what: Annotated[
        str, typer.Argument(help="A set (its id or the first part of it), or a patient's code.")
    ],
    target: Annotated[Path | None, typer.Argument(help="The file to write.")] = None,
    data: DATA = None,
    for_whom: Annotated[
        str | None,
        typer.Option(
            "--for",
            metavar="phone",
            help="phone: the plan as one page for a phone without a network.",
        ),
    ] = None,
) -> None:
    """Write a recorded set as one file for the clinic, or a patient's plan as one for the patient.

    Send it by the clinic's own safe channel.
    """
    if for_whom not in (None, "phone"):
        raise UsageError(f"--for {for_whom}: write phone")
    from formcheck.clinic import open_clinic
    from formcheck.clinic.exchange import pack_plan, pack_set
    from formcheck.clinic.exchange_package import SUFFIX
    from formcheck.clinic.folder import existing_data_folder, refuse_inside
    from formcheck.clinic.patients import find_patient
    from formcheck.clinic.sets import find_set_by_start

    clinic = open_clinic(existing_data_folder(data).root)
    try:
        if target is not None:
            refuse_inside(target, clinic.folder)
        is_patient = find_patient(clinic, what) is not None
        stored = None if for_whom else find_set_by_start(clinic, what)
        if stored is not None and is_patient:
            raise UsageError(
                f"{what} is a patient's code, and a set's id begins so; give more of the set's id "
                f"({stored.uid}), or use the pages"
            )
        if for_whom is not None:
            from formcheck.web.offline_page import write_offline_page

            target = target or Path(f"{what}_phone.html")
            write_offline_page(clinic, what, target)
        elif stored is not None:
            target = target or Path(
                f"{stored.patient_code}_{stored.exercise}_{stored.day}_{stored.uid[:8]}{SUFFIX}"
            )
            pack_set(clinic, stored.uid, target)
        elif is_patient:
            target = target or Path(f"{what}_plan{SUFFIX}")
            pack_plan(clinic, what, target)
        else:
            raise UsageError(f"{what}: neither a set nor a patient of this data folder")
        coming = "" if stored is not None else _coming(clinic, what)
    finally:
        clinic.close()
    typer.echo(str(target))
    if coming:
        typer.echo(f"formcheck: note: {coming}", err=True)


def _coming(clinic: "Clinic", code: str) -> str:
    from formcheck.clinic.patients import coming_words, find_patient

    patient = find_patient(clinic, code)
    return coming_words(clinic, patient.id) if patient is not None else ""


def import_file(
    source: Annotated[
        Path, typer.Argument(readable=False, help="A file that `formcheck pack` wrote.")
    ],
    data: DATA = None,
) -> None:
    """Take in a set that a patient packed, or at home the clinic's file with the plan.

    A file that was changed, or comes from elsewhere, is refused.
    """
    from formcheck.clinic import open_clinic
    from formcheck.clinic.exchange import import_package

    clinic = open_clinic(data)
    try:
        received = import_package(clinic, source)
    finally:
        clinic.close()
    typer.echo(received.words())

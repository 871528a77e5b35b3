"""The command line: faces only. stdout is data, stderr is progress and errors.

Every command's code is imported when the command runs, so that `--help` is instant.
"""

import contextlib
import errno
import os
import sys
import warnings
from typing import NoReturn

import typer

from formcheck.cli.commands import Commands
from formcheck.model.errors import (
    EXIT_CODES,
    INTERRUPTED_EXIT_CODE,
    FormcheckError,
    OutputError,
    UsageError,
)
from formcheck.pose.memory import keep_few_heaps
from formcheck.words.error_words import error_words

EXIT_HELP = "Exit codes: " + "; ".join(f"{code} {meaning}" for code, meaning in EXIT_CODES) + "."

app = Commands(
    name="formcheck",
    help="Measures home knee exercises in a recorded clip against the patient's own "
    "prescription. The clinician decides; the tool measures.",
    epilog=EXIT_HELP,
    invoke_without_command=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    add_completion=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)


def _version(is_wanted: bool) -> None:
    if is_wanted:
        from formcheck import __version__

        typer.echo(__version__)
        raise typer.Exit


FIRST_STEPS = """\
formcheck serve                          opens the pages, for a clinic or a patient
formcheck serve --install-launcher       the same by a double click from now on
formcheck analyze CLIP --exercise squat  measures one recorded clip
formcheck batch FOLDER                   measures every clip of a folder
formcheck exercises                      lists the exercises
formcheck --help                         lists all commands; COMMAND --help explains one"""


@app.callback()
def common(
    context: typer.Context,
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Print the version and stop."
    ),
) -> None:
    """Measures home knee exercises in a recorded clip."""
    if context.invoked_subcommand is None:
        typer.echo(FIRST_STEPS)


def _register_commands() -> None:
    from formcheck.cli import analyze, batch, benchmark, catalogue, clinic, quality, results

    for module in (analyze, batch, benchmark, catalogue, clinic, quality, results):
        module.register(app)


def _open_closed_streams() -> None:
    """Gives the standard streams that were closed a place that goes nowhere.

    Else the next file opened gets their number, and what a library writes to "stderr" ends up
    in a result.
    """
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # the lowest free number: this one
        if getattr(sys, name) is None:
            setattr(sys, name, open(number, mode, encoding="utf-8", closefd=False))  # noqa: SIM115


def _show_warning(show):
    """Warnings of ours as one plain line on stderr, each once; others as Python shows them."""
    shown = set()

    def show_one(message, category, filename, lineno, file=None, line=None):
        if not category.__module__.startswith("formcheck."):
            show(message, category, filename, lineno, file, line)
        elif str(message) not in shown:
            shown.add(str(message))
            print(f"formcheck: note: {message}", file=sys.stderr)

    return show_one


def _refuse_empty(arguments: list[str]) -> None:
    """Raises UsageError for an argument without a value: a shell variable that was not set, say.

    As a path it would mean the folder that one happens to be in.
    """
    for before, argument in zip(["", *arguments], arguments, strict=False):
        option, sign, value = argument.partition("=")
        if not argument:
            place = f"after {before} " if before.startswith("--") else ""
        elif option.startswith("--") and sign and not value:
            place = f"after {option}= "
        else:
            continue
        raise UsageError(f"the value {place}is empty; give one, or leave it out")


def _end_stopped() -> NoReturn:
    """Ends the process at once: all of ours is closed, and native threads are not waited for.

    Interrupted while it starts, a native library may wait for ever in its own end.
    """
    with contextlib.suppress(OSError, ValueError):
        print("formcheck: stopped; no half-written file was left behind", file=sys.stderr)
    for stream in (sys.stdout, sys.stderr):
        if stream is not None:
            with contextlib.suppress(OSError, ValueError):
                stream.flush()
    os._exit(INTERRUPTED_EXIT_CODE)


def main() -> None:
    """Runs the command line; every error ends in one line and a documented exit code."""
    keep_few_heaps()
    _open_closed_streams()
    warnings.showwarning = _show_warning(warnings.showwarning)
    # Before anything else runs: an error inside the command must know how to show itself.
    is_debug = "--debug" in sys.argv
    sys.argv[:] = [a for a in sys.argv if a != "--debug"]
    try:
        _register_commands()
        _refuse_empty(sys.argv[1:])
        app()
    except FormcheckError as error:
        if is_debug:
            raise
        faults = getattr(error, "faults", ())
        for fault in faults if len(faults) > 1 else ():
            print(fault, file=sys.stderr)
        print(f"formcheck: {error_words(error, 'terminal')}", file=sys.stderr)
        raise SystemExit(error.exit_code) from None
    except KeyboardInterrupt:
        _end_stopped()
    except SystemExit as end:
        # What the library below turned into an exit of its own.
        if isinstance(end.__context__, BrokenPipeError):
            # Whoever read stdout went away (for instance `| head`): not an error of ours.
            raise SystemExit(0) from None
        if end.code == INTERRUPTED_EXIT_CODE:
            _end_stopped()
        raise
    except Exception as error:
        if is_debug:
            raise
        if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT):
            print("formcheck: the disk is full; free some space and run again", file=sys.stderr)
            sys.stdout = None  # what it still holds must not fail once more
            raise SystemExit(OutputError.exit_code) from None
        print(
            f"formcheck: unexpected failure ({type(error).__name__}: {error}); run again with "
            "--debug for the details",
            file=sys.stderr,
        )
        raise SystemExit(1) from None

"""The command line: faces only. stdout is data, stderr is progress and errors.

Every command's code is imported when the command runs, so that `--help` is instant.
"""

import sys

import typer

from formcheck.errors import EXIT_CODES, INTERRUPTED_EXIT_CODE, FormcheckError

EXIT_HELP = "Exit codes: " + "; ".join(f"{code} {meaning}" for code, meaning in EXIT_CODES) + "."

app = typer.Typer(
    name="formcheck",
    help="Measures home knee exercises in a recorded clip against the patient's own "
    "prescription. The clinician decides; the tool measures.",
    epilog=EXIT_HELP,
    no_args_is_help=True,
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


@app.callback()
def common(
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Print the version and stop."
    ),
) -> None:
    """Measures home knee exercises in a recorded clip."""


def _register_commands() -> None:
    from formcheck.cli import analyze, batch, benchmark, catalogue, clinic, quality, results

    for module in (analyze, batch, benchmark, catalogue, clinic, quality, results):
        module.register(app)


def main() -> None:
    """Runs the command line; every error ends in one line and a documented exit code."""
    _register_commands()
    # Before anything else runs: an error inside the command must know how to show itself.
    is_debug = "--debug" in sys.argv
    if is_debug:
        sys.argv.remove("--debug")
    try:
        app()
    except FormcheckError as error:
        if is_debug:
            raise
        faults = getattr(error, "faults", ())
        for fault in faults if len(faults) > 1 else ():
            print(fault, file=sys.stderr)
        print(f"formcheck: {error}", file=sys.stderr)
        raise SystemExit(error.exit_code) from None
    except KeyboardInterrupt:
        print("formcheck: stopped; no half-written file was left behind", file=sys.stderr)
        raise SystemExit(INTERRUPTED_EXIT_CODE) from None
    except BrokenPipeError:
        # Whoever read stdout went away (for instance `| head`): not an error of ours.
        sys.stderr.close()
        raise SystemExit(0) from None
    except Exception as error:
        if is_debug:
            raise
        print(
            f"formcheck: unexpected failure ({type(error).__name__}: {error}); run again with "
            "--debug for the details",
            file=sys.stderr,
        )
        raise SystemExit(1) from None

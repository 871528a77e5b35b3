"""formcheck benchmark: how fast this machine works a clip off."""

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from formcheck.cli.options import PoseModel
from formcheck.cli.progress import duration_words

if TYPE_CHECKING:
    from formcheck.run.settings import Settings


def register(app: typer.Typer) -> None:
    app.command()(benchmark)


def benchmark(
    clip: Annotated[
        Path, typer.Argument(readable=False, help="The clip to time; half a minute or more.")
    ],
    exercise: Annotated[str, typer.Option(help="Which exercise it shows.")] = "squat",
    pose_model: PoseModel = None,
    repeat: Annotated[int, typer.Option(min=1, help="Rounds; the best of each is kept.")] = 1,
    batch: Annotated[
        int, typer.Option(min=0, help="Time a batch of this many copies of the clip too.")
    ] = 0,
    json_output: Annotated[bool, typer.Option("--json", help="Print the figures as JSON.")] = False,
) -> None:
    """Time bare pose inference, the analysis, all its files, and a plain loop, on one clip.

    The plain loop is what a script would do: OpenCV reads, MediaPipe looks at each frame, OpenCV
    draws and writes. It takes some twenty times as long as measuring the clip, and says how long
    before it starts. Other work on the machine spoils the figures.
    """
    from formcheck.batch import BatchSettings, Describing, run_batch
    from formcheck.evidence.benchmark import run_benchmark

    def measure_folder(folder: Path, out: Path, settings: "Settings", exercise_id: str) -> None:
        batch_settings = BatchSettings(
            describing=Describing(exercise=exercise_id), settings=settings, with_video=True
        )
        end = run_batch(folder, out / "results", batch_settings)
        if end.n_failed:
            raise RuntimeError(f"{end.n_failed} clips of the batch were not measured")

    with _progress() as tell:
        found = run_benchmark(
            clip,
            exercise=exercise,
            model=pose_model,
            n_repeats=repeat,
            n_batch=batch,
            measure_folder=measure_folder,
            tell=tell,
        )
    if json_output:
        figures = asdict(found)
        for timing, record in zip(figures["timings"], found.timings, strict=True):
            timing["frames_per_s"] = record.frames_per_s
        typer.echo(json.dumps(figures, indent=1))
        return
    typer.echo(f"{found.clip}; bundle {found.model}; best of {found.n_repeats}")
    typer.echo(f"{found.machine}\n")
    typer.echo(f"{'':44}{'pose Hz':>8}{'frames/s':>10}{'wall s':>8}{'CPU s':>8}")
    for t in found.timings:
        typer.echo(
            f"{t.name:44}{t.pose_rate_hz:8.0f}{t.frames_per_s:10.1f}{t.wall_s:8.1f}{t.cpu_s:8.1f}"
        )
    typer.echo("\ntimes as fast")
    for r in found.ratios:
        typer.echo(f"{r.name:84}{r.value:6.2f}")


@contextmanager
def _progress() -> Iterator[Callable]:
    """A callable that says beforehand how long it will take, and shows how far it is."""
    if not sys.stderr.isatty():

        def tell_lines(step) -> None:
            _say_beforehand(step, lambda text: print(text, file=sys.stderr, flush=True))
            left = duration_words(step.total_s - step.before_s)
            words = f"{step.n_round} of {step.n_rounds}: {step.name} (about {left} left)"
            print(words, file=sys.stderr, flush=True)

        yield tell_lines
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True, highlight=False, markup=False)
    columns = (BarColumn(), TimeElapsedColumn(), TextColumn("{task.description}", markup=False))
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("looking at the first pictures", total=None)

        def tell(step) -> None:
            _say_beforehand(step, console.print)
            left = duration_words(step.total_s - step.before_s)
            round_words = f"{step.n_round} of {step.n_rounds}: " if step.n_rounds > 1 else ""
            bar.update(
                task,
                description=f"{round_words}{step.name}, about {left} left",
                completed=step.before_s,
                total=step.total_s,
            )

        yield tell


def _say_beforehand(step, say: Callable[[str], None]) -> None:
    if step.before_s == 0:
        say(f"This takes about {duration_words(step.total_s)} on this machine.")

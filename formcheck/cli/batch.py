"""formcheck batch: every clip of a folder."""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from formcheck.cli.options import (
    BlurFace,
    CutOff,
    PoseMode,
    PoseModel,
    PoseRate,
    given,
    settings_of,
)
from formcheck.cli.progress import duration_words
from formcheck.model.errors import BATCH_INCOMPLETE_EXIT_CODE

LINE_EVERY_S = 10.0
"""Time between two plain lines where stderr is not a terminal."""
MOST_FAILURES = 20
"""Clips named at the end that were not named before; clips.csv has them all."""


def register(app: typer.Typer) -> None:
    app.command()(batch)


def batch(
    folder: Annotated[Path, typer.Argument(help="The folder with the clips, also in subfolders.")],
    out: Annotated[Path, typer.Option(help="Folder for the results.")],
    pattern: Annotated[
        str | None,
        typer.Option(
            help="How the clips' names are built, for instance '{patient}_{exercise}_{side}_*'; "
            "for clips that FOLDER's clips.csv does not list."
        ),
    ] = None,
    exercise: Annotated[
        str | None, typer.Option(help="The exercise, where neither clips.csv nor the name says it.")
    ] = None,
    prescription: Annotated[
        Path | None, typer.Option(help="The prescription of clips for which clips.csv names none.")
    ] = None,
    video: Annotated[
        bool, typer.Option("--video/--no-video", help="Write annotated.mp4 of each clip too.")
    ] = False,
    blur_face: BlurFace = True,
    dry_run: Annotated[
        bool,
        typer.Option("--dry-run", help="Only list what would be done with each clip, and why."),
    ] = False,
    workers: Annotated[
        int | None,
        typer.Option(min=1, help="Clips analysed at once. [default: by cores and free memory]"),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(help="A Dask scheduler (tcp://HOST:8786) whose workers do the work."),
    ] = None,
    clip_minutes: Annotated[
        float | None, typer.Option(min=0.01, help="Longest time for one clip. [default: 60]")
    ] = None,
    clip_memory_gb: Annotated[
        float | None, typer.Option(min=0.1, help="Most memory for one clip. [default: 4]")
    ] = None,
    pose_model: PoseModel = None,
    pose_rate: PoseRate = None,
    pose_mode: PoseMode = None,
    cut_off_hz: CutOff = None,
) -> None:
    """Measure every clip of a folder; run it again to go on where it stopped.

    What each clip shows stands in FOLDER's clips.csv (columns file and exercise; if wanted side,
    prescription, patient, mirrored) or in its name (--pattern). Writes a folder of results for
    each clip, clips.csv with what became of each, summary.csv and summary.parquet with a row a
    repetition, index.html and log.jsonl. Ends with code 7 when a clip was not measured.
    """
    from formcheck.batch import BatchSettings, Describing, Limits, plan_batch, run_batch

    settings = BatchSettings(
        describing=Describing(pattern=pattern, exercise=exercise, prescription=prescription),
        settings=settings_of(pose_model, pose_rate, pose_mode, cut_off_hz),
        with_video=video,
        is_face_blurred=blur_face,
        n_workers=workers,
        scheduler=scheduler,
        limits=Limits(
            **given(
                clip_s=None if clip_minutes is None else clip_minutes * 60, memory_gb=clip_memory_gb
            )
        ),
    )
    if dry_run:
        _print_plan(plan_batch(folder, out, settings))
        return
    told: set[str] = set()
    with _progress(told) as tell:
        end = run_batch(folder, out, settings, tell)
    kept = f" ({end.n_kept} of them before)" if end.n_kept else ""
    typer.echo(f"Measured {end.n_measured}{kept}, failed {end.n_failed}, skipped {end.n_skipped}.")
    _print_failures([f for f in end.failures if f[0] not in told], out)
    typer.echo(f"Overview: {out / 'index.html'}")
    if end.n_failed:
        raise typer.Exit(BATCH_INCOMPLETE_EXIT_CODE)


def _print_plan(planned) -> None:
    for p in planned:
        clip = p.clip
        if p.job is None:
            words = clip.reason
        else:
            facts = (clip.exercise, clip.side, clip.prescription, clip.patient)
            words = ", ".join(_on_one_line(fact) for fact in facts if fact)
        typer.echo(f"{p.action:8} {_on_one_line(clip.file)}: {_on_one_line(words)}")
    counts = {a: sum(p.action == a for p in planned) for a in ("analyse", "keep", "cannot", "skip")}
    typer.echo(
        f"{counts['analyse']} to analyse, {counts['keep']} done before, {counts['cannot']} that "
        f"cannot be analysed, {counts['skip']} passed over"
    )


def _print_failures(failures: list[tuple[str, str]], out: Path) -> None:
    """Those that were not told while they came: clips that are not there, say."""
    for file, reason in failures[:MOST_FAILURES]:
        print(_failure(file, reason), file=sys.stderr)
    if len(failures) > MOST_FAILURES:
        print(f"and {len(failures) - MOST_FAILURES} more: see {out / 'clips.csv'}", file=sys.stderr)


def _on_one_line(text: str) -> str:
    """The text with whatever a terminal would act upon, a line break say, written out."""
    from formcheck.batch import readable

    return "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode() for c in readable(text)
    )


@contextmanager
def _progress(told: set[str]) -> Iterator[Callable]:
    """A callable that shows how far the run is: a bar, or plain lines off a terminal.

    Puts the files whose failure it showed into `told`.
    """
    if not sys.stderr.isatty():
        yield _Lines(told).tell
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    console = Console(stderr=True, highlight=False, markup=False)
    with Progress(
        BarColumn(), TextColumn("{task.description}", markup=False), console=console, transient=True
    ) as bar:
        task = bar.add_task("looking at what is there", total=None)

        def tell(standing, outcome) -> None:
            if outcome is not None and outcome.trouble:
                told.add(outcome.file)
                console.print(_failure(outcome.file, outcome.reason), soft_wrap=True)
            bar.update(
                task,
                description=_words(standing),
                completed=standing.n_done,
                total=standing.n_clips,
            )

        yield tell


class _Lines:
    """Plain lines: each failure at once, the standing now and then."""

    def __init__(self, told: set[str]):
        self._told = told
        self._last = time.monotonic()

    def tell(self, standing, outcome) -> None:
        if outcome is not None and outcome.trouble:
            self._told.add(outcome.file)
            print(_failure(outcome.file, outcome.reason), file=sys.stderr, flush=True)
        is_last = outcome is not None and standing.n_done == standing.n_clips
        if is_last or time.monotonic() - self._last >= LINE_EVERY_S:
            self._last = time.monotonic()
            print(_words(standing), file=sys.stderr, flush=True)


def _failure(file: str, reason: str) -> str:
    return f"failed: {_on_one_line(file)}: {_on_one_line(reason)}"


def _words(standing) -> str:
    words = f"{standing.n_done} of {standing.n_clips} clips done, {standing.n_failed} failed"
    words += f", {standing.pictures_per_s:.1f} pictures/s"
    if standing.left_s is not None and standing.n_done < standing.n_clips:
        words += f", about {duration_words(standing.left_s)} left"
    return words

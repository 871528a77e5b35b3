"""A progress bar on stderr for long work; nothing where stderr is not a terminal."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

STAGE_WORDS = {"clips": "clips", "pose": "finding landmarks", "video": "drawing the video"}


@contextmanager
def progress_bar() -> Iterator[Callable[[str, int, int | None], None] | None]:
    """A callable (stage, done, total) that moves the bar, or None where there is no terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    with Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    ) as bar:
        tasks: dict[str, int] = {}

        def move(stage: str, done: int, total: int | None) -> None:
            if stage not in tasks:
                tasks[stage] = bar.add_task(STAGE_WORDS.get(stage, stage), total=total)
            bar.update(tasks[stage], completed=done, total=total)

        yield move


def duration_words(seconds: float) -> str:
    """A length of time in words: 40 s, 12 min, 3.5 h."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"

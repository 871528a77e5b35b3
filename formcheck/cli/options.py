"""Options that several commands share, and the settings that come of them."""

from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from formcheck.run.settings import Settings

PoseModel = Annotated[
    str | None, typer.Option(help="Pose bundle: lite, full or heavy. [default: heavy]")
]
PoseRate = Annotated[
    float | None, typer.Option(help="Pictures looked at each second. [default: 15]")
]
PoseMode = Annotated[
    str | None,
    typer.Option(help="image (stateless) or video (follows the person). [default: image]"),
]
CutOff = Annotated[
    float | None, typer.Option(min=0.5, max=14, help="Low-pass cut-off. [default: 6]")
]
Cache = Annotated[
    bool, typer.Option("--cache/--no-cache", help="Keep landmarks for a quick second run.")
]
BlurFace = Annotated[
    bool, typer.Option("--blur-face/--no-blur-face", help="Blur every face in annotated.mp4.")
]


def given(**options):
    """The options that the person gave: the settings records hold the defaults."""
    return {name: value for name, value in options.items() if value is not None}


def settings_of(
    pose_model: str | None,
    pose_rate: float | None,
    pose_mode: str | None,
    cut_off_hz: float | None = None,
) -> "Settings":
    """The settings with what was given. Raises UsageError for a value that is not offered."""
    from formcheck.motion.track import TrackSettings
    from formcheck.pose.landmarker import PoseSettings
    from formcheck.run.settings import Settings

    return Settings(
        pose=PoseSettings(**given(model=pose_model, mode=pose_mode, rate_hz=pose_rate)),
        track=TrackSettings(**given(cut_off_hz=cut_off_hz)),
    )

"""Three clips spoilt by known operations, what each should be told as, and where its truth is."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from make_clips import (
    blurred,
    cropped,
    darkened,
    lower_rate,
    noisy,
    resized,
    rolled,
    rotated,
    second_person,
    shaken,
    sped_up,
    spliced,
    title_card,
    trimmed,
    walk_out,
)

CARD_AT_S, CARD_S = 4.0, 2.0
CUT_S, WALK_S = 6.0, 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Spoil:
    """One operation. `time` takes a time of the source to that of the spoilt clip, None = gone."""

    make: Callable[[Path, Path, Path], object]
    finding: str
    time: Callable[[float], float | None] = lambda t: t


SPOILS = {
    "feet cropped": Spoil(
        make=lambda src, other, dst: cropped(src, dst, bottom=0.83), finding="feet_cut_off"
    ),
    "160 pixels wide": Spoil(
        make=lambda src, other, dst: resized(src, dst, 0.25), finding="person_too_far"
    ),
    "10 frames a second": Spoil(
        make=lambda src, other, dst: lower_rate(src, dst, 3), finding="frame_rate_low"
    ),
    "dark": Spoil(make=lambda src, other, dst: darkened(src, dst), finding="too_dark"),
    "blurred": Spoil(make=lambda src, other, dst: blurred(src, dst, 4.0), finding="blurred"),
    "noise": Spoil(make=lambda src, other, dst: noisy(src, dst), finding="noisy"),
    "shaken": Spoil(make=lambda src, other, dst: shaken(src, dst), finding="camera_moved"),
    "second person": Spoil(
        make=lambda src, other, dst: second_person(src, other, dst), finding="second_person"
    ),
    "spliced": Spoil(
        make=lambda src, other, dst: spliced(src, other, dst, CUT_S, 12.0),
        finding="edited",
        time=lambda t: t if t < CUT_S else None,
    ),
    "turned by metadata": Spoil(make=lambda src, other, dst: rotated(src, dst), finding="rotated"),
    "rolled by 8 deg": Spoil(
        make=lambda src, other, dst: rolled(src, dst, 8.0), finding="camera_tilted"
    ),
    "twice as fast": Spoil(
        make=lambda src, other, dst: sped_up(src, dst, 2.0),
        finding="too_quick_for_rate",
        time=lambda t: t / 2,
    ),
    "title card": Spoil(
        make=lambda src, other, dst: title_card(src, dst, CARD_S, CARD_AT_S),
        finding="picture_disturbed",
        time=lambda t: t if t < CARD_AT_S else t + CARD_S,
    ),
    "walks out": Spoil(
        make=lambda src, other, dst: walk_out(src, dst, WALK_S),
        finding="person_leaves",
        time=lambda t: t if t < WALK_S else None,
    ),
}
"""Name of the operation -> how it is made and what must be found."""

CLIPS = {
    "squat_side": ("squat", "left", 12.3),
    "squat_oblique_right": ("squat", "right", 12.3),
    "seated_knee_extension": ("seated_knee_extension", "right", 13.0),
}
"""Sample clip -> (exercise, side, seconds taken)."""

STANDING_ONLY = {"rolled by 8 deg"}
"""A seated person's lean tells nothing of the camera's."""
SLOW_ENOUGH = {("seated_knee_extension", "twice as fast")}
"""Twice as fast is still slow for the rate in a knee extension."""


def base_clip(samples: Path, name: str, folder: Path) -> Path:
    """The first seconds of a sample clip."""
    path = folder / f"{name}.mp4"
    if not path.exists():
        trimmed(samples / f"{name}.mp4", path, 0.0, CLIPS[name][2])
    return path

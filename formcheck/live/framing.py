"""Whether the camera sees what it has to, in words, while a set is being set up. Pure.

Works on the last glimpses (pictures looked at, a few a second), with the same functions that
later find the view of the whole recording, so that what is called good here is good there.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from formcheck.model.anatomy import LANDMARK, N_LANDMARKS, SIDES, Side
from formcheck.model.measures import Plane
from formcheck.model.programme import Exercise
from formcheck.model.records import Track, View
from formcheck.motion.camera import find_view, is_lying, mid
from formcheck.motion.findings import standing_tilt_deg
from formcheck.motion.front_view import beside_front_deg
from formcheck.motion.leg_plane import find_leg_plane
from formcheck.motion.sight import find_sight
from formcheck.motion.track import TrackSettings
from formcheck.words.languages import gettext, marked

Posture = Literal["upright", "lying", "any"]
_LYING = ("supine", "hook_lying", "prone", "side_lying")


@dataclass(frozen=True, slots=True, kw_only=True)
class FramingSettings:
    """Limits of the help with the picture.

    recent_s : what is judged is the median over so much time (a blink is no verdict).
    edge_share : joints nearer to the picture's edge than this are outside (as in quality.py).
    small_share : a standing person under this share of the picture's height, or a lying one
        under it of its width, is too far away (the analysis asks for 160 pixels of 480).
    large_share : a body over this share leaves no room to move (common practice).
    dark_most, back_light : median grey, and how much brighter than the trunk the border may be
        (chosen as common practice).
    leg_most_deg, front_most_deg : a leg further out of the picture, or a camera further off the
        front, is to be turned: half of what the analysis tells of a finished clip and less, since
        now it costs nothing.
    tilt_least_deg : as in quality.py.
    near_times : a trunk seen so many times as long as at the start has walked up to the camera;
        a step forward at two metres makes it 1.5 times.
    aside_share : hips further than this share of body height from their place have left it; a
        wide step takes them half as far.
    arms_share, arms_s : both wrists so many trunk lengths above the shoulders for so long are
        raised to end the recording (the nose is about 0.35 above them; common practice).
    gone_s, gone_lying_s, away_s : how long nobody is seen, or someone is near or aside, before
        the recording ends (a lying person is lost more often).
    """

    recent_s: float = 1.0
    edge_share: float = 0.01
    small_share: float = 0.36
    large_share: float = 0.9
    dark_most: float = 50.0
    back_light: float = 90.0
    leg_most_deg: float = 20.0
    front_most_deg: float = 8.0
    tilt_least_deg: float = 6.0
    near_times: float = 1.7
    aside_share: float = 0.8
    gone_s: float = 5.0
    gone_lying_s: float = 10.0
    near_s: float = 0.8
    arms_s: float = 0.8
    arms_share: float = 0.6
    aside_s: float = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Glimpse:
    """One picture looked at: the main person's landmarks, NaN where nobody or too unsure.

    image_px : (33, 2) ; world_m : (33, 3) ; visibility : (33,). `brightness` is the mean grey of
    the picture, `border_brightness` of its edge, `trunk_brightness` of the person's trunk (NaN
    without a person), 0 to 255.
    """

    time_s: float
    width_px: int
    height_px: int
    n_people: int
    image_px: np.ndarray
    world_m: np.ndarray
    visibility: np.ndarray
    brightness: float
    border_brightness: float = float("nan")
    trunk_brightness: float = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What the camera has to see: from which plane, which side of the person, in which posture.

    `near_side` None: either side will do.
    """

    plane: Plane
    near_side: Side | None
    posture: Posture


@dataclass(frozen=True, slots=True, kw_only=True)
class FramingCheck:
    """One thing about the picture. `is_ok` None: cannot be told yet. A check that is not needed
    is told and does not hold up the recording."""

    code: Literal["seen", "posture", "whole", "distance", "side", "square", "light", "level"]
    is_ok: bool | None
    is_needed: bool
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Framing:
    """All that is to be said of the picture, and the one thing to do first."""

    checks: tuple[FramingCheck, ...]
    is_good: bool
    say: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the person was and how large, when the recording began."""

    hip_x_px: float
    trunk_px: float
    height_px: float


def wanted_for(exercise: Exercise, plane: Plane, side: str, involved: str = "none") -> Wanted:
    """What the camera has to see of a set. From the side, the working leg is the near one; where
    both work, the involved one."""
    near = side if side in SIDES else involved if involved in SIDES else None
    if plane != "sagittal":
        near = None
    positions = {exercise.position, *exercise.also_positions}
    posture: Posture = "any"
    if positions <= set(_LYING):
        posture = "lying"
    elif positions == {"standing"}:
        posture = "upright"
    return Wanted(plane=plane, near_side=near, posture=posture)


def glimpse_of(
    image_px: np.ndarray,
    world_m: np.ndarray,
    visibility: np.ndarray,
    *,
    time_s: float,
    width_px: int,
    height_px: int,
    brightness: float,
    border_brightness: float = float("nan"),
    trunk_brightness: float = float("nan"),
) -> Glimpse:
    """The glimpse of the largest person among those found.

    image_px : (n, 33, 2) ; world_m : (n, 33, 3) ; visibility : (n, 33), as pose.People has them.
    """
    n_people = len(image_px)
    points, world = np.full((N_LANDMARKS, 2), np.nan), np.full((N_LANDMARKS, 3), np.nan)
    sure = np.zeros(N_LANDMARKS)
    if n_people:
        sizes = np.linalg.norm(np.ptp(image_px, axis=1), axis=1)
        best = int(np.argmax(sizes))
        sure = visibility[best].astype(float)
        is_sure = sure >= TrackSettings().visibility_least
        points[is_sure], world[is_sure] = image_px[best][is_sure], world_m[best][is_sure]
    return Glimpse(
        time_s=time_s,
        width_px=width_px,
        height_px=height_px,
        n_people=n_people,
        image_px=points,
        world_m=world,
        visibility=sure,
        brightness=brightness,
        border_brightness=border_brightness,
        trunk_brightness=trunk_brightness,
    )


def track_of(glimpses: Sequence[Glimpse]) -> Track:
    """The glimpses in which somebody was seen as a track (uneven in time, neither filled nor
    smoothed); empty when nobody was."""
    kept = [g for g in glimpses if g.n_people]
    n = len(kept)
    times = np.array([g.time_s for g in kept])
    rate_hz = (n - 1) / (times[-1] - times[0]) if n > 1 else 1.0
    return Track(
        time_s=times,
        grid_hz=float(rate_hz),
        image_px=np.stack([g.image_px for g in kept]) if n else np.empty((0, N_LANDMARKS, 2)),
        world_m=np.stack([g.world_m for g in kept]) if n else np.empty((0, N_LANDMARKS, 3)),
        visibility=np.stack([g.visibility for g in kept]) if n else np.empty((0, N_LANDMARKS)),
        is_filled=np.zeros((n, N_LANDMARKS), bool),
        is_repaired=np.zeros(n, bool),
        noise_px=np.full(N_LANDMARKS, np.nan),
    )


def recent(glimpses: Sequence[Glimpse], seconds: float) -> list[Glimpse]:
    """The glimpses of the last so many seconds."""
    return [g for g in glimpses if g.time_s > glimpses[-1].time_s - seconds]


def view_of(glimpses: Sequence[Glimpse]) -> View | None:
    """Where the camera stands about the person, or None when nobody was seen."""
    track = track_of(glimpses)
    if not len(track.time_s):
        return None
    return find_view(track, np.ones(len(track.time_s), bool))


def judge(
    glimpses: Sequence[Glimpse], wanted: Wanted, settings: FramingSettings = FramingSettings()
) -> Framing:
    """What is to be changed about the picture, from the last glimpses, what matters most first."""
    last = recent(glimpses, settings.recent_s)
    seen = [g for g in last if g.n_people]
    light = _light(last, settings)
    if not seen or len(seen) < len(last) / 2:
        words = gettext("Nobody is seen. Go to your place.")
        seen_check = FramingCheck(code="seen", is_ok=False, is_needed=True, words=words)
        return _framing((seen_check, light) if light.is_ok is False else (seen_check,))
    track, view = track_of(seen), view_of(seen)
    checks = [_seen(last), _posture(track, wanted), _whole(seen, settings)]
    checks += [
        _distance(track, view, seen[-1], settings),
        _side(track, view, wanted),
        _square(track, view, wanted, seen[-1], settings),
        light,
        _level(track, view, wanted, settings),
    ]
    return _framing(checks)


def _framing(checks: Sequence[FramingCheck]) -> Framing:
    wrong = [c for c in checks if c.is_ok is False]
    needed = [c for c in wrong if c.is_needed]
    first = (needed or wrong or [None])[0]
    return Framing(
        checks=tuple(checks),
        is_good=not needed and all(c.is_ok is not None for c in checks if c.is_needed),
        say=first.words if first else gettext("Good. Stay there."),
    )


def _check(code, is_ok, words_ok: str, words_not: str, *, is_needed: bool = True) -> FramingCheck:
    return FramingCheck(
        code=code, is_ok=is_ok, is_needed=is_needed, words=words_ok if is_ok else words_not
    )


def _seen(last: Sequence[Glimpse]) -> FramingCheck:
    is_alone = np.median([g.n_people for g in last]) < 2
    return _check(
        "seen",
        bool(is_alone),
        gettext("You are seen"),
        gettext("Two people are in the picture. One must go out of it."),
    )


def _posture(track: Track, wanted: Wanted) -> FramingCheck:
    if wanted.posture == "any":
        return _check("posture", True, gettext("In place"), "")
    lies = is_lying(track)
    words = (
        gettext("Lie down, ready for the exercise.")
        if wanted.posture == "lying"
        else gettext("Stand up.")
    )
    return _check("posture", lies == (wanted.posture == "lying"), gettext("In place"), words)


def _whole(seen: Sequence[Glimpse], settings: FramingSettings) -> FramingCheck:
    """Whether head and feet are in the picture, by the model's own guess of where they are."""
    width, height = seen[-1].width_px, seen[-1].height_px
    with np.errstate(invalid="ignore"):
        points = np.stack([g.image_px for g in seen])
        x, y = points[..., 0] / width, points[..., 1] / height
        edge = settings.edge_share
        over = {"top": y < edge, "bottom": y > 1 - edge, "left": x < edge, "right": x > 1 - edge}

    def leaves(joints: list[int]) -> list[str]:
        return [k for k, out in over.items() if out[:, joints].any(axis=1).mean() >= 0.5]

    feet = leaves([LANDMARK[s, j] for s in SIDES for j in ("ankle", "heel", "toe")])
    head = leaves([0])
    body = leaves([LANDMARK[s, j] for s in SIDES for j in ("shoulder", "hip", "knee")])
    unseen_feet = bool(np.isnan(points[:, [27, 28], 0]).all(axis=1).mean() >= 0.5)
    if (feet or unseen_feet) and head:
        words = gettext("Too near. Move the camera back.")
    elif feet == ["bottom"]:
        words = gettext("Your feet are cut off. Tip the camera down, or move it back.")
    elif head == ["top"]:
        words = gettext("Your head is cut off. Tip the camera up, or move it back.")
    elif feet or head or body:
        words = gettext("You are at the edge. Go to the middle of the picture.")
    elif unseen_feet:
        words = gettext("Your feet are not seen. Clear what hides them.")
    else:
        words = ""
    return _check("whole", not words, gettext("Head to foot in the picture"), words)


def _distance(track, view, last: Glimpse, settings) -> FramingCheck:
    lying = is_lying(track)
    room = last.width_px if lying else last.height_px
    share = view.person_height_px / room
    points = track.image_px[-1]
    extent = np.nanmax(points, axis=0) - np.nanmin(points, axis=0)
    if not np.isfinite(share):
        return _check("distance", None, "", gettext("Distance: not clear yet"))
    if share < settings.small_share:
        return _check("distance", False, "", gettext("Too far. Move the camera nearer."))
    if extent[0 if lying else 1] > settings.large_share * room:
        return _check(
            "distance",
            False,
            "",
            gettext("Little room. Move the camera back a step."),
            is_needed=False,
        )
    return _check("distance", True, gettext("Distance is good"), "")


_CAMERA_TO = {
    None: marked("Move the camera to your side."),
    "left": marked("Move the camera to your left side."),
    "right": marked("Move the camera to your right side."),
}
_TURN = {
    None: marked("Turn your side to the camera."),
    "left": marked("Turn your left side to the camera."),
    "right": marked("Turn your right side to the camera."),
}
_LIE_ROUND = {
    "left": marked("Lie the other way round: your left side to the camera."),
    "right": marked("Lie the other way round: your right side to the camera."),
}
_TOES_AWAY = marked("Turn a little away from the camera, so that your toes point straight across.")
_TOES_TOWARD = marked("Turn a little toward the camera, so that your toes point straight across.")
_TURN_ROUND = {
    "left": marked("Turn round: your left side to the camera."),
    "right": marked("Turn round: your right side to the camera."),
}


def _side(track: Track, view: View, wanted: Wanted) -> FramingCheck:
    lying = is_lying(track)
    if view.plane == "unknown":
        return _check("side", None, "", gettext("Direction: not clear yet"))
    near = wanted.near_side
    if wanted.plane == "sagittal":
        if view.plane != "sagittal":
            words = (_CAMERA_TO if lying else _TURN)[near]
        elif near and view.near_side != near:
            words = (_LIE_ROUND if lying else _TURN_ROUND)[near]
        else:
            words = ""
        words = gettext(words)
        return _check("side", not words, gettext("Side is right"), words)
    if wanted.plane == "frontal":
        words = (
            gettext("Move the camera in front of you.") if lying else gettext("Face the camera.")
        )
        return _check("side", view.plane == "frontal", gettext("Direction is right"), words)
    words = gettext("Turn half way, between facing the camera and side-on.")
    return _check("side", view.plane == "oblique", gettext("Direction is right"), words)


def _square(track, view, wanted: Wanted, last: Glimpse, settings) -> FramingCheck:
    """Whether the leg lies in the picture, or the camera straight ahead: what decides how good
    the angles of the set will be."""
    words = ""
    if wanted.plane == view.plane == "sagittal" and wanted.posture == "upright":
        yaw_deg = leg_yaw_deg(track, view, (last.width_px, last.height_px))
        if abs(yaw_deg) > settings.leg_most_deg:
            words = gettext(_TOES_AWAY if yaw_deg > 0 else _TOES_TOWARD)
    elif wanted.plane == view.plane == "frontal" and wanted.posture == "upright":
        off_deg = beside_front_deg(view)
        if abs(off_deg) > settings.front_most_deg:
            # Whoever is filmed from behind turns the same way round.
            words = (
                gettext("Turn a little to your left, square to the camera.")
                if off_deg > 0
                else gettext("Turn a little to your right, square to the camera.")
            )
    return _check("square", not words, gettext("Square to the camera"), words, is_needed=False)


def leg_yaw_deg(track: Track, view: View, size_px: tuple[int, int]) -> float:
    """How far the near leg points out of the picture while the person stands, degrees, positive =
    toward the camera; NaN where it can't be told. size_px : (width, height) of the picture."""
    if view.near_side is None or not len(track.time_s):
        return float("nan")
    is_standing = np.ones(len(track.time_s), bool)
    sight = find_sight(track, is_standing, size_px)
    plane = find_leg_plane(track, view, view.near_side, is_standing, sight)
    return plane.yaw_deg if plane is not None else float("nan")


def _light(last: Sequence[Glimpse], settings: FramingSettings) -> FramingCheck:
    trunk = [g.trunk_brightness for g in last if np.isfinite(g.trunk_brightness)]
    border = [g.border_brightness for g in last if np.isfinite(g.border_brightness)]
    if np.median([g.brightness for g in last]) < settings.dark_most:
        return _check("light", False, "", gettext("It is dark. Turn on a light."), is_needed=False)
    if trunk and border and np.median(border) - np.median(trunk) > settings.back_light:
        return _check(
            "light",
            False,
            "",
            gettext("The light is behind you. Close the curtain."),
            is_needed=False,
        )
    return _check("light", True, gettext("Light is good"), "", is_needed=False)


def _level(track, view, wanted: Wanted, settings) -> FramingCheck:
    tilt = standing_tilt_deg(track, view) if wanted.posture == "upright" else float("nan")
    is_ok = not abs(tilt) > settings.tilt_least_deg
    return _check(
        "level",
        is_ok,
        gettext("Camera is level"),
        gettext("The camera leans. Straighten it."),
        is_needed=False,
    )


# -- when the person leaves the place


def place_of(glimpses: Sequence[Glimpse]) -> Place | None:
    """Where the person is, from the last glimpses; None when nobody was seen."""
    track = track_of(glimpses)
    if not len(track.time_s):
        return None
    hips, shoulders = mid(track, "hip"), mid(track, "shoulder")
    trunk = np.linalg.norm(shoulders - hips, axis=1)
    if not np.isfinite(trunk).any():
        return None
    view = find_view(track, np.ones(len(track.time_s), bool))
    return Place(
        hip_x_px=float(np.nanmedian(hips[:, 0])),
        trunk_px=float(np.nanmedian(trunk)),
        height_px=view.person_height_px,
    )


Left = Literal["arms", "near", "gone", "aside"]
_LEAST_RAISED = 3
"""Pictures in which the arms must be seen up: one slip of a wrist ends nothing."""


def arms_raised(
    glimpses: Sequence[Glimpse], wanted: Wanted, settings: FramingSettings = FramingSettings()
) -> bool:
    """Whether both arms have been up for a while: the sign by which a person ends a recording,
    standing or lying on the back.

    From the side the far wrist may be hidden behind the near one; a wrist that is seen lower
    speaks against it from anywhere.
    """
    if glimpses[-1].time_s - glimpses[0].time_s < settings.arms_s:
        return False
    seen = [g for g in recent(glimpses, settings.arms_s) if g.n_people]
    if len(seen) < _LEAST_RAISED:
        return False
    track = track_of(seen)
    trunk = np.linalg.norm(mid(track, "shoulder") - mid(track, "hip"), axis=1)
    shoulder_y = np.fmin(*(track.image_px[:, LANDMARK[s, "shoulder"], 1] for s in SIDES))
    wrists_y = np.stack([track.image_px[:, LANDMARK[s, "wrist"], 1] for s in SIDES])
    if not np.isfinite(trunk).any():
        return False
    above = (shoulder_y - wrists_y) / np.fmax(trunk, np.nanmax(trunk) * 0.8)
    known = np.isfinite(above)
    n_needed = 1 if wanted.plane == "sagittal" else 2
    # Hands that lie on raised hips (a bridge) are above the shoulders too, and not above the hips.
    over_hips = (mid(track, "hip")[:, 1] - wrists_y) / np.fmax(trunk, np.nanmax(trunk) * 0.8)
    is_raised = (above > settings.arms_share) & (over_hips > settings.arms_share / 2)
    is_up = np.where(known, is_raised, True).all(axis=0)
    return bool((is_up & (known.sum(axis=0) >= n_needed)).all())


def left_the_place(
    glimpses: Sequence[Glimpse],
    start: Place,
    wanted: Wanted,
    settings: FramingSettings = FramingSettings(),
) -> Left | None:
    """How the person ended the recording: raised both arms, walked up to the camera, went out of
    the picture, or went aside to sit or rest; None while they are in their place."""
    gone_s = settings.gone_lying_s if wanted.posture == "lying" else settings.gone_s
    at = glimpses[-1].time_s
    if at - glimpses[0].time_s >= gone_s and not any(
        g.n_people for g in glimpses if g.time_s > at - gone_s
    ):
        return "gone"
    if arms_raised(glimpses, wanted, settings):
        return "arms"
    for seconds, what in ((settings.near_s, "near"), (settings.aside_s, "aside")):
        if at - glimpses[0].time_s < seconds:
            continue
        seen = [g for g in recent(glimpses, seconds) if g.n_people]
        if len(seen) < 2:
            continue
        track = track_of(seen)
        hips, shoulders = mid(track, "hip"), mid(track, "shoulder")
        if what == "near":
            trunk = np.linalg.norm(shoulders - hips, axis=1)
            known = trunk[np.isfinite(trunk)]
            if len(known) and known.min() > settings.near_times * start.trunk_px:
                return "near"
        else:
            away = np.abs(hips[:, 0] - start.hip_x_px) / start.height_px
            known = away[np.isfinite(away)]
            if len(known) and known.min() > settings.aside_share:
                return "aside"
    return None

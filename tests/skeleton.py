"""A simple person in three dimensions, for tests: joint angles in, a RawTrack out.

Every angle of a posture is the one that the measures are defined by, so at a key posture the
true value of a measure is the number that was written down. Segments are rigid; lengths are
shares of stature (Drillis & Contini 1966 in Winter; the foot from heel to big toe as the pose
model marks it, which is shorter than the whole foot's 0.152). In between, angles follow a
raised cosine.

Room axes: ahead (the way the person faces standing), to the person's left, up. Lying on the
back is a trunk inclination of -90 with the thighs at +90; lying on the front the reverse. Side
lying is a standing posture rolled onto its side.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from formcheck.model.anatomy import LANDMARK, MIRROR, N_LANDMARKS, SIDES, Side, other_side
from formcheck.model.records import Clip, PoseSource, RawTrack

THIGH, SHANK, TRUNK, FOOT, ANKLE = 0.245, 0.246, 0.288, 0.135, 0.039
UPPER_ARM, FOREARM = 0.186, 0.146
LEG = THIGH + SHANK
HALF_HIPS, HALF_SHOULDERS = 0.055, 0.115
HEEL_BEHIND_ANKLE = 0.035
STATURE_M = 1.7


@dataclass(frozen=True, slots=True, kw_only=True)
class Posture:
    """One posture by its angles in degrees; `left_` and `right_` are the person's own.

    trunk : inclination to the vertical, positive forward. trunk_left : lean toward the left.
    *_hip : swing of the thigh from straight down, positive ahead (90 = thigh level).
    *_knee : knee flexion, negative = hyperextension.
    *_out, *_shank_out : angle of thigh and shank to the vertical as seen from the front,
        positive outward; the shank follows the thigh where it is None.
    *_foot : direction heel to toe in the sagittal plane, 0 = flat, 90 = toes up; at right
        angles to the shank where it is None. *_toe_out : turn of the foot outward.
    left_hip_lower : pelvic obliquity. turned_left : pelvis and trunk about the vertical.
    *_arm : upper arm from the trunk line, positive ahead; *_elbow : bend.
    ahead, left, up : where the anchor stands, shares of stature.
    """

    trunk: float = 0.0
    trunk_left: float = 0.0
    left_hip: float = 0.0
    left_knee: float = 0.0
    left_out: float = 0.0
    left_shank_out: float | None = None
    left_foot: float | None = 0.0
    left_toe_out: float = 0.0
    right_hip: float = 0.0
    right_knee: float = 0.0
    right_out: float = 0.0
    right_shank_out: float | None = None
    right_foot: float | None = 0.0
    right_toe_out: float = 0.0
    left_hip_lower: float = 0.0
    turned_left: float = 0.0
    left_arm: float = 60.0
    left_elbow: float = 0.0
    right_arm: float = 60.0
    right_elbow: float = 0.0
    ahead: float = 0.0
    left: float = 0.0
    up: float = 0.0

    def toward(self, turn: "Posture", share: float) -> "Posture":
        """The posture part of the way to another one."""
        a, b = _numbers(self), _numbers(turn)
        return _named(a + share * (b - a))


def both(**angles: float) -> dict[str, float]:
    """Angles of both legs (or arms) at once: both(knee=90) is left_knee and right_knee."""
    return {f"{side}_{name}": value for name, value in angles.items() for side in SIDES}


def one(side: Side, **angles: float) -> dict[str, float]:
    """Angles of one leg: one("left", knee=90) is left_knee."""
    return {f"{side}_{name}": value for name, value in angles.items()}


def mirrored(posture: Posture) -> Posture:
    """The same posture with left and right exchanged."""
    changed = {}
    for f in fields(Posture):
        value = getattr(posture, f.name)
        if f.name.startswith("left_") and f.name != "left_hip_lower":
            changed["right_" + f.name.removeprefix("left_")] = value
        elif f.name.startswith("right_"):
            changed["left_" + f.name.removeprefix("right_")] = value
        elif f.name in ("trunk_left", "left_hip_lower", "turned_left", "left"):
            changed[f.name] = -value
    return replace(posture, **changed)


_NAMES = tuple(f.name for f in fields(Posture))


def _numbers(p: Posture) -> np.ndarray:
    values = {name: getattr(p, name) for name in _NAMES}
    for side in SIDES:
        if values[f"{side}_shank_out"] is None:
            values[f"{side}_shank_out"] = values[f"{side}_out"]
        if values[f"{side}_foot"] is None:
            values[f"{side}_foot"] = values[f"{side}_hip"] - values[f"{side}_knee"]
    return np.array([values[name] for name in _NAMES], float)


def _named(values: np.ndarray) -> Posture:
    return Posture(**dict(zip(_NAMES, (float(v) for v in values), strict=True)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """A posture that is reached in `move_s` seconds and kept for `stay_s`."""

    posture: Posture
    move_s: float
    stay_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Movement:
    """Key postures in time; the first one's `move_s` is not used."""

    keys: tuple[Key, ...]

    @property
    def duration_s(self) -> float:
        return sum(k.move_s for k in self.keys[1:]) + sum(k.stay_s for k in self.keys)

    def numbers(self, time_s: np.ndarray) -> np.ndarray:
        """Every field of Posture over time, (n, n_fields)."""
        out = np.tile(_numbers(self.keys[0].posture), (len(time_s), 1))
        at = self.keys[0].stay_s
        for before, key in zip(self.keys, self.keys[1:], strict=False):
            share = _raised_cosine((time_s - at) / key.move_s)
            out += share[:, None] * (_numbers(key.posture) - _numbers(before.posture))
            at += key.move_s + key.stay_s
        return out


def _raised_cosine(share: np.ndarray) -> np.ndarray:
    return (1 - np.cos(np.pi * np.clip(share, 0, 1))) / 2


def repeated(
    rest: Posture,
    turns: Sequence[Posture],
    *,
    rest_s: float = 1.2,
    there_s: float = 1.2,
    stay_s: float = 0.6,
    back_s: float = 1.2,
) -> Movement:
    """From rest to each turn in order and back, with a rest before, between and after."""
    keys = [Key(posture=rest, move_s=0, stay_s=rest_s)]
    for turn in turns:
        keys.append(Key(posture=turn, move_s=there_s, stay_s=stay_s))
        keys.append(Key(posture=rest, move_s=back_s, stay_s=rest_s))
    return Movement(keys=tuple(keys))


def body_points(
    values: np.ndarray, anchor: str = "left_ankle", roll_deg: float = 0.0
) -> np.ndarray:
    """Landmarks in the room, (n, 33, 3): ahead, to the left, up; shares of stature.

    anchor : the joint that stands at (ahead, left, up): "left_ankle", "left_toe", "hips",
        "left_shoulder" and the like. roll_deg : turn of the whole body about the axis that
        points ahead, 90 = lying on the right side.
    """
    v = {name: values[:, k] for k, name in enumerate(_NAMES)}
    n = len(values)
    zero = np.zeros(n)
    p = np.zeros((n, N_LANDMARKS, 3))

    def put(side, name, at):
        p[:, LANDMARK[side, name]] = at

    def get(side, name):
        return p[:, LANDMARK[side, name]]

    tilt = np.radians(v["left_hip_lower"])
    across = _turned(np.stack([zero, np.cos(tilt), -np.sin(tilt)], -1), v["turned_left"])
    level = _turned(np.stack([zero, zero + 1, zero], -1), v["turned_left"])
    for side, sign in (("left", 1.0), ("right", -1.0)):
        put(side, "hip", sign * HALF_HIPS * across)
        thigh = _axis(v[f"{side}_hip"], sign * v[f"{side}_out"])
        shank = _axis(v[f"{side}_hip"] - v[f"{side}_knee"], sign * v[f"{side}_shank_out"])
        put(side, "knee", get(side, "hip") + THIGH * thigh)
        put(side, "ankle", get(side, "knee") + SHANK * shank)
        foot = np.radians(v[f"{side}_foot"])
        out = sign * np.radians(v[f"{side}_toe_out"])
        along = np.stack([np.cos(foot) * np.cos(out), np.cos(foot) * np.sin(out), np.sin(foot)], -1)
        above = np.stack([-np.sin(foot), zero, np.cos(foot)], -1)
        put(side, "heel", get(side, "ankle") - HEEL_BEHIND_ANKLE * along - ANKLE * above)
        put(side, "toe", get(side, "heel") + FOOT * along)

    trunk = -_turned(_axis(-v["trunk"], v["trunk_left"] * -1.0), v["turned_left"])
    for side, sign in (("left", 1.0), ("right", -1.0)):
        put(side, "shoulder", TRUNK * trunk + sign * HALF_SHOULDERS * level)
        upper = _axis(v[f"{side}_arm"] - v["trunk"], zero)
        fore = _axis(v[f"{side}_arm"] - v["trunk"] + v[f"{side}_elbow"], zero)
        put(side, "elbow", get(side, "shoulder") + UPPER_ARM * upper)
        put(side, "wrist", get(side, "elbow") + FOREARM * fore)
        for k in (17, 19, 21):
            p[:, k + (side == "right")] = get(side, "wrist") + 0.04 * fore
    head = (TRUNK + 0.12) * trunk
    lean = np.radians(v["trunk"])
    facing = _turned(np.stack([np.cos(lean), zero, -np.sin(lean)], -1), v["turned_left"])
    for side, sign in (("left", 1.0), ("right", -1.0)):
        put(side, "ear", head + sign * 0.045 * level)
        for k in (1, 2, 3, 9):
            row = k if side == "left" else MIRROR[k]
            p[:, row] = head + sign * 0.02 * level + 0.05 * facing
    p[:, 0] = head + 0.06 * facing

    roll = np.radians(roll_deg)
    rolled = p.copy()
    rolled[..., 1] = np.cos(roll) * p[..., 1] - np.sin(roll) * p[..., 2]
    rolled[..., 2] = np.sin(roll) * p[..., 1] + np.cos(roll) * p[..., 2]
    if anchor == "hips":
        at = zero[:, None] * np.zeros(3)
    else:
        side, name = anchor.split("_")
        at = rolled[:, LANDMARK[side, name]]
    root = np.stack([v["ahead"], v["left"], v["up"]], -1)
    return rolled + (root - at)[:, None]


def _axis(swing_deg: np.ndarray, to_left_deg: np.ndarray) -> np.ndarray:
    """Downward unit axis whose projections from the side and the front have these angles."""
    swing, out = np.radians(swing_deg), np.radians(to_left_deg)
    axis = np.stack([np.sin(swing), np.tan(out) * np.cos(swing), -np.cos(swing)], -1)
    return axis / np.linalg.norm(axis, axis=-1, keepdims=True)


def _turned(axis: np.ndarray, turned_left_deg: np.ndarray) -> np.ndarray:
    t = np.radians(turned_left_deg)
    out = axis.copy()
    out[:, 0] = np.cos(t) * axis[:, 0] - np.sin(t) * axis[:, 1]
    out[:, 1] = np.sin(t) * axis[:, 0] + np.cos(t) * axis[:, 1]
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """Where the camera stands and what it sees.

    azimuth_deg : 0 ahead of the person as they stand, 90 at their left, 180 behind.
    distance : stature lengths; None for an orthographic picture. roll_deg : the picture turned.
    hidden : (side, joint names) that are not seen. far_visibility : of the leg away from a
    camera at the side. noise_px, seed : jitter of each landmark.
    """

    azimuth_deg: float = 90.0
    width_px: int = 960
    height_px: int = 720
    stature_px: float = 480.0
    rate_hz: float = 15.0
    distance: float | None = None
    roll_deg: float = 0.0
    hidden: tuple[tuple[Side, tuple[str, ...]], ...] = ()
    far_visibility: float = 0.6
    noise_px: float = 0.0
    seed: int = 0
    is_mirrored: bool = False


LEG_BELOW_HIP = ("knee", "ankle", "heel", "toe")


def leg_hidden(side: Side) -> tuple[tuple[Side, tuple[str, ...]], ...]:
    """A leg below the hip that something stands in front of."""
    return ((side, LEG_BELOW_HIP),)


def film(
    movement: Movement,
    camera: Camera = Camera(),
    *,
    anchor: str = "left_ankle",
    roll_deg: float = 0.0,
    from_s: float = 0.0,
    to_s: float | None = None,
) -> RawTrack:
    """The landmark track of the movement, between two moments of it, as the pose model gives it.

    roll_deg : of the body (side lying); the camera's own is in `camera`.
    """
    end_s = movement.duration_s if to_s is None else to_s
    time_s = np.arange(from_s, end_s - 1e-9, 1 / camera.rate_hz)
    p = body_points(movement.numbers(time_s), anchor, roll_deg)
    azimuth, tilt = np.radians(camera.azimuth_deg), np.radians(camera.roll_deg)
    right = np.array([-np.sin(azimuth), np.cos(azimuth), 0.0])
    away = np.array([-np.cos(azimuth), -np.sin(azimuth), 0.0])
    seen = np.stack([p @ right, -p[..., 2], p @ away], -1)
    turned = seen.copy()
    turned[..., 0] = np.cos(tilt) * seen[..., 0] - np.sin(tilt) * seen[..., 1]
    turned[..., 1] = np.sin(tilt) * seen[..., 0] + np.cos(tilt) * seen[..., 1]
    seen = turned
    hips = (seen[:, LANDMARK["left", "hip"]] + seen[:, LANDMARK["right", "hip"]]) / 2
    world = (seen - hips[:, None]) * STATURE_M
    middle = (seen.min(axis=(0, 1)) + seen.max(axis=(0, 1))) / 2
    flat = (seen - middle)[..., :2]
    if camera.distance is not None:
        flat = flat * (camera.distance / (camera.distance + seen[..., 2:] - middle[2]))
    image = flat * camera.stature_px + np.array([camera.width_px, camera.height_px]) / 2
    if camera.noise_px:
        rng = np.random.default_rng(camera.seed)
        image = image + rng.normal(0, camera.noise_px, image.shape)
    visibility = np.full(image.shape[:2], 0.98)
    if abs(np.sin(azimuth)) > 0.5:
        far = other_side("left" if np.sin(azimuth) > 0 else "right")
        visibility[:, [LANDMARK[far, j] for j in LEG_BELOW_HIP]] = camera.far_visibility
    for side, joints in camera.hidden:
        visibility[:, [LANDMARK[side, j] for j in joints]] = 0.03
    if camera.is_mirrored:
        swap = list(MIRROR)
        image, world, visibility = image[:, swap], world[:, swap], visibility[:, swap]
        image[..., 0] = camera.width_px - image[..., 0]
        world[..., 0] *= -1
    return _track(time_s - time_s[0], image, world, visibility, camera)


def _track(time_s, image, world, visibility, camera: Camera) -> RawTrack:
    n = len(time_s)
    clip = Clip(
        file="made_up.mp4",
        sha256="0" * 64,
        duration_s=float(n / camera.rate_hz),
        n_frames=n,
        n_frames_lost=0,
        width_px=camera.width_px,
        height_px=camera.height_px,
        rotation_deg=0,
        frame_rate_hz=max(camera.rate_hz, 30.0),
        time_base=(1, 15360),
        first_stamp=0,
        is_mirrored=camera.is_mirrored,
    )
    flat = np.ones(n, np.float32)
    return RawTrack(
        clip=clip,
        source=PoseSource(
            model="heavy",
            sha256="0" * 64,
            mode="image",
            rate_hz=camera.rate_hz,
            library_versions=(),
        ),
        time_s=time_s,
        stamp=np.round(time_s * 15360).astype(np.int64),
        image_px=image[:, None].astype(np.float32),
        world_m=world[:, None].astype(np.float32),
        visibility=visibility[:, None].astype(np.float32),
        brightness=120 * flat,
        contrast=50 * flat,
        sharpness=1500 * flat,
        change=flat,
        border_change=0 * flat,
    )


def joined(first: RawTrack, then: RawTrack, change: float = 1.0) -> RawTrack:
    """Two tracks put together, the second after the first; `change` of the picture at the joint."""
    n = len(first.time_s)
    step_s = first.time_s[1] - first.time_s[0]
    arrays = {
        name: np.concatenate([getattr(first, name), getattr(then, name)])
        for name in [
            "image_px",
            "world_m",
            "visibility",
            "brightness",
            "contrast",
            "sharpness",
            "change",
            "border_change",
        ]
    }
    arrays["change"][n] = change
    time_s = np.concatenate([first.time_s, first.time_s[-1] + step_s + then.time_s])
    stamp = np.round(time_s * 15360).astype(np.int64)
    clip = replace(first.clip, n_frames=len(time_s), duration_s=float(time_s[-1] + step_s))
    return replace(first, clip=clip, time_s=time_s, stamp=stamp, **arrays)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueAttempt:
    """What an attempt truly is, by the definitions, from the exact signal: times in seconds.

    first_s, pause_s, last_s : the three phases in order, a movement going on while it is faster
    than 5 % of its fastest. held_s : time within 5 deg (or a tenth of the range, for a height) of
    the level held. off_floor_s : time a tenth of a foot's length or more above rest.
    """

    start_s: float
    turn_s: float
    end_s: float
    first_s: float
    pause_s: float
    last_s: float
    range: float
    held_s: float
    off_floor_s: float


def true_signal(
    movement: Movement, signal: str, side: Side, time_s: np.ndarray, **where
) -> np.ndarray:
    """A driving signal as the posture has it, (n,): no picture, no smoothing.

    where : anchor and roll_deg, as for `film`.
    """
    values = movement.numbers(time_s)
    v = {name: values[:, k] for k, name in enumerate(_NAMES)}
    p = body_points(values, **where)
    foot = p[:, LANDMARK[side, "heel"]]
    hips = (p[:, LANDMARK["left", "hip"]] + p[:, LANDMARK["right", "hip"]]) / 2
    shoulders = (p[:, LANDMARK["left", "shoulder"]] + p[:, LANDMARK["right", "shoulder"]]) / 2
    leg = p[:, LANDMARK[side, "ankle"]] - p[:, LANDMARK[side, "hip"]]
    return {
        "knee_flexion": lambda: v[f"{side}_knee"],
        "trunk_inclination": lambda: v["trunk"],
        "trunk_thigh": lambda: v["trunk"] + v[f"{side}_hip"],
        "leg_elevation": lambda: np.degrees(np.arctan2(leg[:, 2], np.hypot(leg[:, 0], leg[:, 1]))),
        "leg_abduction": lambda: v[f"{side}_out"],
        "heel_height": lambda: foot[:, 2] / FOOT,
        "hip_height": lambda: hips[:, 2] / LEG,
        "shoulder_height": lambda: shoulders[:, 2] / LEG,
    }[signal]()


def true_attempts(
    movement: Movement, signal: str, direction: str, side: Side, **where
) -> tuple[TrueAttempt, ...]:
    """Start, turn, end and phases of every attempt by their definitions, on a 1 ms grid."""
    time_s = np.arange(0, movement.duration_s, 1e-3)
    x = true_signal(movement, signal, side, time_s, **where)
    x = x if direction == "rises" else -x
    band = 0.1 if "height" in signal else None
    out = []
    at = 0.0
    for k in range(1, len(movement.keys) - 1, 2):
        before, there, back = movement.keys[k - 1 : k + 2]
        a = at + before.stay_s / 2
        b = at + before.stay_s + there.move_s + there.stay_s + back.move_s + back.stay_s / 2
        at += before.stay_s + there.move_s + there.stay_s + back.move_s
        t, y = time_s[(time_s >= a) & (time_s <= b)], x[(time_s >= a) & (time_s <= b)]
        rest, top = (y[0], y[-1]), y.max()
        full = top - min(rest)
        peak = int(y.argmax())
        start = t[: peak + 1][y[: peak + 1] <= rest[0] + 0.05 * (top - rest[0])][-1]
        end = t[peak:][y[peak:] <= rest[1] + 0.05 * (top - rest[1])][0]
        near = t[y >= top - 0.1 * full]
        level = y[(t >= near[0]) & (t <= near[-1])]
        held = np.abs(y - np.median(level)) <= (band * full if band else 5.0)
        speed, middle = np.gradient(y), (near[0] + near[-1]) / 2
        there, back = (
            t[is_then & (v > 0.05 * v[is_then].max())][[0, -1]]
            for v, is_then in ((speed, t < middle), (-speed, t > middle))
        )
        out.append(
            TrueAttempt(
                start_s=start,
                turn_s=(near[0] + near[-1]) / 2,
                end_s=end,
                first_s=there[1] - there[0],
                pause_s=back[0] - there[1],
                last_s=back[1] - back[0],
                range=full,
                held_s=held.sum() * 1e-3,
                off_floor_s=(y >= min(rest) + 0.1).sum() * 1e-3,
            )
        )
    return tuple(out)

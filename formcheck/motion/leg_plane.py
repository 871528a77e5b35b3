"""The plane that a leg bends in, and the angles in that plane instead of in the picture.

Seen from the side a leg whose toes point out of the picture is shortened along the floor, so its
knee seems less bent and its thigh steeper than they are. Where the plane stands is told by the
camera's azimuth and how far feet usually turn out, by the way the planted foot lies in the
picture (on a floor seen from above, toes that point at the camera point down), and by the
model's depth of hip, knee and ankle. The plane leans inward where feet stand further apart than
hips. With the plane known, each point of the picture is a ray that meets it in one place: no
depth is needed.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from formcheck.model.anatomy import LANDMARK, Side
from formcheck.model.codes import values_of
from formcheck.model.records import Finding, Track, View
from formcheck.motion.azimuth import Cue, joined, median_where, where_standing
from formcheck.motion.sight import Sight


@dataclass(frozen=True, slots=True, kw_only=True)
class LegPlaneSettings:
    """How much each cue of the leg's plane is worth (standard uncertainties).

    toe_out_deg, toe_out_standard_deg : how far the leg's plane is turned out from straight ahead
        (feet in squats point ahead to 20 deg outward: common practice).
    knee_beyond_foot_deg, knee_beyond_foot_standard_deg : how much further out the leg bends than
        its foot points.
    foot_slope_standard_deg : of the slope of heel to toe in the picture.
    foot_fall_least_deg : a floor seen flatter than this tells nothing.
    depth_standard_deg : of the model's depth of a bent leg.
    bent_least_deg : a leg bent less than this in the picture has no plane of its own.
    aim_standard_deg : cameras are aimed at the side, so that the leg lies in the picture, and miss
        by this; it draws what the cues say toward the picture.
    told_least_deg : a leg that points further out of the picture than this is told (9 of 11
        random and sample clips beyond 30 deg, 1 of 50 under 20).
    yaw_most_deg : the plane is taken to stand no further out of the picture than this.
    inward_share, inward_standard_share : how far the hip stands inward of the ankle, share of leg
        length, on two legs (feet hip- to shoulder-width apart, ankles 0.09 to 0.2 m from the
        middle, hip centres 0.09 m) and with the weight on one, one_leg_inward_share.
    """

    toe_out_deg: float = 5.0
    toe_out_standard_deg: float = 9.0
    knee_beyond_foot_deg: float = 0.0
    knee_beyond_foot_standard_deg: float = 8.0
    foot_slope_standard_deg: float = 4.0
    foot_fall_least_deg: float = 5.0
    depth_standard_deg: float = 16.0
    bent_least_deg: float = 40.0
    aim_standard_deg: float = 15.0
    told_least_deg: float = 22.0
    yaw_most_deg: float = 60.0
    inward_share: float = 0.05
    one_leg_inward_share: float = 0.0
    inward_standard_share: float = 0.04


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatLeg:
    """A leg laid into its own plane: hip, knee and ankle, each (n, 2), and the plane's lean.

    x grows the way it does in the picture, y down along the plane; lengths are in a unit of their
    own. steepness : (n,) cosine of the lean; a height is y times it.
    """

    hip: np.ndarray
    knee: np.ndarray
    ankle: np.ndarray
    steepness: np.ndarray


LEAN_LEAST_HEIGHT = 0.35
"""A hip nearer the ankle's height than this share of leg length leans no further (a leg held out
level swings upright)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LegPlane:
    """Where the plane of a leg stands against the camera, and the camera that sees it.

    yaw_deg : how far the leg's forward direction points out of the picture, positive = toward
        the camera, about the ray to the person; with its standard uncertainty.
    facing_x : the direction in which the person faces in the picture, +1 right, -1 left.
    inward_share : how far the hip stands inward of the ankle (away from the camera), share of leg
        length, with its standard uncertainty.
    trunk_yaw_deg : the same as yaw_deg of the person's own forward direction, in which the trunk
        leans.
    """

    side: Side
    facing_x: int
    yaw_deg: float
    yaw_standard_deg: float
    cues: tuple[Cue, ...]
    sight: Sight
    inward_share: float = 0.0
    inward_standard_share: float = 0.0
    trunk_yaw_deg: float = 0.0
    trunk_yaw_standard_deg: float = 0.0

    def laid_flat(self, hip_px: np.ndarray, knee_px: np.ndarray, ankle_px: np.ndarray) -> FlatLeg:
        """The leg's joints in the picture, each (n, 2), laid into the leg's plane.

        The plane goes through the ankle, level along the leg's forward direction, and leans
        inward by what the hip stands inward of the ankle.
        """
        (hip_along, hip_across, hip_down), (knee_along, knee_across, knee_down), ankle = (
            self._from_camera(p) for p in (hip_px, knee_px, ankle_px)
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            ankle_x, ankle_y = ankle[0] / ankle[1], ankle[2] / ankle[1]
            slope = np.zeros_like(ankle_y)
            for _ in range(6):  # the lean sets how far the hip is, which sets the lean

                def met(along: np.ndarray, across: np.ndarray, down: np.ndarray) -> np.ndarray:
                    far = (1 + slope * ankle_y) / (across + slope * down)  # noqa: B023
                    return np.stack([far * along, far * down], axis=-1)

                hip = met(hip_along, hip_across, hip_down)
                knee = met(knee_along, knee_across, knee_down)
                along_slope = np.hypot(1, slope)
                leg = np.hypot(
                    hip[..., 0] - knee[..., 0], along_slope * (hip[..., 1] - knee[..., 1])
                ) + np.hypot(knee[..., 0] - ankle_x, along_slope * (knee[..., 1] - ankle_y))
                known = leg[np.isfinite(leg)]
                length = float(np.percentile(known, 90)) if len(known) else np.nan
                height = np.maximum(ankle_y - hip[..., 1], LEAN_LEAST_HEIGHT * length)
                slope = self.inward_share * length / height
        steepness = 1 / np.hypot(1, slope)

        def flat(x: np.ndarray, y: np.ndarray) -> np.ndarray:
            return np.stack([self.facing_x * x, (y - ankle_y) / steepness], axis=-1)

        return FlatLeg(
            hip=flat(hip[..., 0], hip[..., 1]),
            knee=flat(knee[..., 0], knee[..., 1]),
            ankle=flat(ankle_x, ankle_y),
            steepness=steepness,
        )

    def _from_camera(self, points_px: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Rays to points, (..., 2): along the leg's forward direction, across it, and down."""
        yaw = np.radians(self.yaw_deg) + self.facing_x * self.sight.bearing_rad
        right, down, away = np.moveaxis(self.sight.rays(points_px), -1, 0)
        across = self.facing_x * np.sin(yaw) * right + np.cos(yaw) * away
        along = self.facing_x * np.cos(yaw) * right - np.sin(yaw) * away
        return along, across, down

    @property
    def seen_share(self) -> float:
        """Share of a level length in the plane that the picture shows."""
        return float(np.cos(np.radians(self.yaw_deg)))

    def of_trunk(self) -> "LegPlane":
        """The plane that the trunk leans in: upright, along the person's forward direction."""
        return replace(
            self,
            yaw_deg=self.trunk_yaw_deg,
            yaw_standard_deg=self.trunk_yaw_standard_deg,
            inward_share=0.0,
            inward_standard_share=0.0,
        )

    def doubts(self) -> tuple[tuple["LegPlane", "LegPlane"], ...]:
        """Pairs of planes one standard uncertainty to either side, for each thing in doubt."""
        s = self.sight

        def shifted(sign: int) -> tuple[LegPlane, ...]:
            return (
                replace(self, inward_share=self.inward_share + sign * self.inward_standard_share),
                replace(self, yaw_deg=self.yaw_deg + sign * self.yaw_standard_deg),
                replace(self, sight=replace(s, fall_deg=s.fall_deg + sign * s.fall_standard_deg)),
                replace(self, sight=replace(s, focal_px=s.focal_px * (1 + sign * s.focal_scale))),
            )

        return tuple(zip(shifted(-1), shifted(1), strict=True))

    def standard_of(self, angle_of: Callable[["LegPlane"], np.ndarray]) -> np.ndarray:
        """Standard uncertainty of angles from the plane's and the camera's together.

        angle_of : function from a LegPlane to angles over time, degrees, (..., n); so is what
        comes back.
        """
        here, total = angle_of(self), 0.0
        for pair in self.doubts():
            # The projection bends: further out of the picture an angle changes more.
            changes = [np.abs((angle_of(p) - here + 180) % 360 - 180) for p in pair]
            total = total + np.fmax(*changes) ** 2
        standard: np.ndarray = np.sqrt(total)
        return standard


UPRIGHT_THIGH_DEG = 20.0
"""A thigh this near the vertical is as long as the plane shows it, however the plane stands."""

HIP_LEVEL_RATIO = 2.0
"""A bent leg's hip lies hidden in soft tissue and behind arms: along the floor it is found half
as well as in height (rendered figures, 4 to 10 % of leg length too far forward against 2 % in
height; real squats read too shallow, published bias -5.1 deg and 17 hand-marked -4.5)."""
LENGTH_TRUST = 0.85
"""How much of the way the hip is put: its place along the thigh is found within 5 % and the
thigh's own length within 2, so that 25 / (25 + 4) of what they differ by is the hip's."""


def hip_at_length(hip: np.ndarray, knee: np.ndarray, grid_hz: float) -> np.ndarray:
    """The hip put nearer the thigh's own length from the knee, (n, 2) in the leg's plane.

    The thigh keeps its length; where it seems shorter or longer than while it stands upright,
    the hip was found in the wrong place. Of the places at the right distance the most likely is
    taken, height counting `HIP_LEVEL_RATIO` times as much as place along the floor, and the hip
    is put there by `LENGTH_TRUST`. As it is
    where the thigh is upright too briefly to tell its length, or within that of upright.
    """
    thigh = knee - hip
    length = np.linalg.norm(thigh, axis=1)
    from_vertical = np.abs(np.arctan2(thigh[:, 0], thigh[:, 1]))
    is_upright = from_vertical <= np.radians(UPRIGHT_THIGH_DEG)
    if is_upright.sum() < 0.3 * grid_hz:
        return hip
    full = median_where(length, is_upright)
    angle = np.arctan2(thigh[:, 0], thigh[:, 1])
    for _ in range(12):  # Gauss-Newton, of one angle for each sample
        sine, cosine = np.sin(angle), np.cos(angle)
        level = (thigh[:, 0] - full * sine) / HIP_LEVEL_RATIO, -full * cosine / HIP_LEVEL_RATIO
        height = thigh[:, 1] - full * cosine, full * sine
        slope = level[1] * level[0] + height[1] * height[0]
        curve = level[1] ** 2 + height[1] ** 2
        angle = angle - np.clip(slope / curve, -0.2, 0.2)
    at_length = knee - full * np.stack([np.sin(angle), np.cos(angle)], axis=1)
    likely: np.ndarray = hip + LENGTH_TRUST * (at_length - hip)
    return likely


def foot_yaw_deg(heel_px: np.ndarray, toe_px: np.ndarray, facing_x: int, sight: Sight) -> float:
    """How far a foot on the floor points out of the picture, degrees, positive = to the camera.

    heel_px, toe_px : (2,). The two rays meet the same level floor; the direction between the two
    places is the foot's, about the ray to it. NaN where the floor is seen edge on.
    """
    heel, toe = sight.rays(np.asarray(heel_px)), sight.rays(np.asarray(toe_px))
    if min(heel[1], toe[1]) <= 0:
        return float("nan")
    ahead = toe / toe[1] - heel / heel[1]
    yaw = np.arctan2(-ahead[2], facing_x * ahead[0])
    return float(np.degrees(yaw) - facing_x * np.degrees(np.arctan2(heel[0], heel[2])))


def _foot_cue(
    track: Track,
    side: Side,
    is_standing: np.ndarray,
    facing_x: int,
    sight: Sight,
    settings: LegPlaneSettings,
) -> Cue | None:
    heel, toe = (
        np.array(
            [median_where(track.image_px[:, LANDMARK[side, j], k], is_standing) for k in (0, 1)]
        )
        for j in ("heel", "toe")
    )
    along = toe - heel
    if not np.isfinite(along).all() or facing_x * along[0] <= 0:
        return None

    def yaw(seen_toe: np.ndarray = toe, seen_by: Sight = sight) -> float:
        return foot_yaw_deg(heel, seen_toe, facing_x, seen_by)

    fall = np.degrees(np.arctan2(*sight.rays(heel)[1:]))
    if fall < settings.foot_fall_least_deg:
        return None
    turn = np.radians(settings.foot_slope_standard_deg)
    slopes = [
        heel + np.array([along[0] - s * turn * along[1], along[1] + s * turn * along[0]])
        for s in (-1, 1)
    ]
    # A fall that may come near the floor's edge has no symmetric interval: the steeper side is
    # what is told, doubled.
    higher = replace(sight, fall_deg=sight.fall_deg + sight.fall_standard_deg)
    parts = [
        (yaw(slopes[1]) - yaw(slopes[0])) / 2,
        1.5 * (yaw(seen_by=higher) - yaw()),
        settings.knee_beyond_foot_standard_deg,
    ]
    if not np.isfinite(parts).all():
        return None
    return Cue(
        name="slope of the foot on the floor",
        value_deg=yaw() + settings.knee_beyond_foot_deg,
        standard_deg=float(np.linalg.norm(parts)),
    )


def _depth_cue(
    track: Track, side: Side, facing_x: int, sight: Sight, settings: LegPlaneSettings
) -> Cue | None:
    hip, knee, ankle = (track.image_px[:, LANDMARK[side, j]] for j in ("hip", "knee", "ankle"))
    a, b = knee - hip, ankle - knee
    bend = np.abs(np.degrees(np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], (a * b).sum(1))))
    known = bend[np.isfinite(bend)]
    if not len(known) or known.max() < settings.bent_least_deg:
        return None
    is_bent = np.nan_to_num(bend) >= max(settings.bent_least_deg, known.max() - 20.0)
    hip, knee, ankle = (track.world_m[:, LANDMARK[side, j]] for j in ("hip", "knee", "ankle"))
    normal = np.cross(knee - hip, ankle - knee)
    normal = np.array([median_where(normal[:, k], is_bent) for k in range(3)])
    fall = np.radians(sight.fall_deg)
    forward = np.cross(normal, np.array([0.0, np.cos(fall), np.sin(fall)]))
    if not np.isfinite(forward).all() or not forward.any():
        return None
    forward *= np.sign(forward[0] * facing_x) or 1.0
    return Cue(
        name="depth of the bent leg",
        value_deg=float(np.degrees(np.arctan2(-forward[2], forward[0] * facing_x))),
        standard_deg=settings.depth_standard_deg,
    )


def find_leg_plane(
    track: Track,
    view: View,
    side: Side,
    is_standing: np.ndarray,
    sight: Sight,
    settings: LegPlaneSettings = LegPlaneSettings(),
    *,
    is_two_leg: bool = False,
) -> LegPlane | None:
    """The plane of the near leg in a side view; None in any other, or for the far leg.

    is_standing : bool (n,), where the person stands still with the foot on the floor.
    is_two_leg : whether both legs carry the person side by side.
    """
    if view.plane != "sagittal" or view.facing_x == 0 or view.near_side != side:
        return None
    mask = where_standing(track, is_standing)
    spread = (view.azimuth_high_deg - view.azimuth_low_deg) / 2 / 1.96
    off_deg = 90 - abs((view.azimuth_deg + 180) % 360 - 180)
    cues = [
        Cue(
            name="camera's azimuth and the usual turn-out of feet",
            value_deg=off_deg + settings.toe_out_deg,
            standard_deg=float(np.hypot(spread, settings.toe_out_standard_deg)),
        )
    ]
    more = (
        _foot_cue(track, side, mask, view.facing_x, sight, settings),
        _depth_cue(track, side, view.facing_x, sight, settings),
    )
    cues += [c for c in more if c is not None]
    yaw, standard = joined(cues)
    if not np.isfinite(yaw):
        return None
    # The cues share what the model takes people for; that a camera is put beside its person is
    # known from elsewhere.
    yaw, standard = _aimed(yaw, standard, settings)
    trunk_yaw, trunk_standard = _aimed(off_deg, spread, settings)
    most = settings.yaw_most_deg
    return LegPlane(
        side=side,
        facing_x=view.facing_x,
        yaw_deg=float(np.clip(yaw, -most, most)),
        yaw_standard_deg=standard,
        cues=tuple(cues),
        sight=sight,
        inward_share=settings.inward_share if is_two_leg else settings.one_leg_inward_share,
        inward_standard_share=settings.inward_standard_share,
        trunk_yaw_deg=float(np.clip(trunk_yaw, -most, most)),
        trunk_yaw_standard_deg=trunk_standard,
    )


def _aimed(yaw: float, standard: float, settings: LegPlaneSettings) -> tuple[float, float]:
    """(yaw, its standard uncertainty) drawn toward the picture's plane."""
    share = settings.aim_standard_deg**2 / (settings.aim_standard_deg**2 + standard**2)
    return share * yaw, float(np.sqrt(share)) * standard


def leg_plane_findings(
    plane: LegPlane | None, settings: LegPlaneSettings = LegPlaneSettings()
) -> list[Finding]:
    """Whether the leg points so far out of the picture that its angles are wide for it."""
    if plane is None or abs(plane.yaw_deg) < settings.told_least_deg:
        return []
    values = values_of(side=plane.side, yaw_deg=round(plane.yaw_deg))
    return [Finding(code="leg_out_of_picture", values=values)]

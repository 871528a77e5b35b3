"""A knee that goes forward, seen by a camera that is not straight ahead.

From the front a bent knee comes toward the camera, and a camera off to one side sees that as the
knee moving sideways. How far it comes forward follows from the leg itself: thigh and shank keep
their lengths, so the nearer hip and ankle come together, the further the knee stands ahead of the
line between them. The camera's place does the rest; no depth is needed.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from formcheck.model.anatomy import LANDMARK, Side
from formcheck.model.codes import values_of
from formcheck.model.records import Finding, Track, View
from formcheck.motion.azimuth import longest_where, median_where, where_standing
from formcheck.motion.camera import mid, mid_of
from formcheck.motion.sight import Sight


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontViewSettings:
    """What is assumed of a leg seen from the front.

    rest_flexion_deg : knee flexion while the person stands at rest; nobody stands quite straight,
        and from the front it cannot be seen (three points through joint centres read 4 to 6 deg
        at a straight knee, decision 7).
    off_line_scale : standard uncertainty of how far off the line from hip to ankle the knee is
        found, as a share of it (hips that go back while they sink shorten the line a little too).
    told_least_deg : a camera further off the front than this is told.
    """

    rest_flexion_deg: float = 10.0
    off_line_scale: float = 0.2
    told_least_deg: float = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontView:
    """From where a leg is seen, before or behind the person, and its length.

    off_deg : the camera's azimuth about the person, with its standard uncertainty.
    leg_px : hip to knee to ankle, along the bones, while standing.
    """

    side: Side
    off_deg: float
    off_standard_deg: float
    leg_px: float
    off_line_scale: float
    off_line_factor: float = 1.0

    def knee_off_line_px(self, hip: np.ndarray, ankle: np.ndarray) -> np.ndarray:
        """How far the knee stands off the line from hip to ankle, in any direction, (n,)."""
        share = np.linalg.norm(ankle - hip, axis=-1) / self.leg_px
        off_px: np.ndarray = (
            self.off_line_factor * self.leg_px / 2 * np.sqrt(np.clip(1 - share**2, 0, 1))
        )
        return off_px

    def straight_on(self, hip: np.ndarray, knee: np.ndarray, ankle: np.ndarray) -> np.ndarray:
        """The knee where a camera straight ahead of the person would see it, pixels, (n, 2).

        About the line from hip to ankle the knee stands at a known distance in an unknown
        direction, which its place in the picture tells; turned by the camera's azimuth it is the
        direction that a camera straight ahead would see.
        """
        line = ankle - hip
        with np.errstate(invalid="ignore", divide="ignore"):
            along = line / np.linalg.norm(line, axis=-1, keepdims=True)
            across = np.stack([along[..., 1], -along[..., 0]], axis=-1)  # to the right
            seen = np.sum((knee - hip) * across, axis=-1)
            off = np.maximum(self.knee_off_line_px(hip, ankle), np.abs(seen))
            turn = np.arcsin(np.sin(np.radians(self.off_deg)))
            # What is ahead lies to the picture's left for a camera at the person's left.
            true = off * np.sin(np.arcsin(np.clip(seen / off, -1, 1)) + turn)
        moved: np.ndarray = knee + np.nan_to_num(true - seen)[..., None] * across
        return moved

    def doubts(self) -> tuple[tuple["FrontView", "FrontView"], ...]:
        """Pairs one standard uncertainty to either side, for each thing in doubt."""

        def shifted(sign: int) -> tuple[FrontView, FrontView]:
            factor = self.off_line_factor * (1 + sign * self.off_line_scale)
            return (
                replace(self, off_deg=self.off_deg + sign * self.off_standard_deg),
                replace(self, off_line_factor=factor),
            )

        return tuple(zip(shifted(-1), shifted(1), strict=True))

    def standard_of(self, value_of: Callable[["FrontView"], np.ndarray]) -> np.ndarray:
        """Standard uncertainty of what is worked out from a FrontView, (n,), in its unit."""
        total = 0.0
        for low, high in self.doubts():
            total = total + ((value_of(high) - value_of(low)) / 2) ** 2
        standard: np.ndarray = np.sqrt(total)
        return standard


def find_front_view(
    track: Track,
    view: View,
    side: Side,
    is_standing: np.ndarray,
    settings: FrontViewSettings = FrontViewSettings(),
) -> FrontView | None:
    """From where this leg is seen in a front view; None in any other.

    is_standing : bool (n,), where the person stands still, a hold that is hardly lower among it;
        the leg's length is taken where it is longest there.
    """
    if view.plane != "frontal":
        return None
    hip, ankle = (track.image_px[:, LANDMARK[side, j]] for j in ("hip", "ankle"))
    mask = where_standing(track, is_standing)
    standing_px = longest_where(np.linalg.norm(ankle - hip, axis=1), mask)
    if not standing_px > 0:
        return None
    straight = np.cos(np.radians(settings.rest_flexion_deg / 2))
    return FrontView(
        side=side,
        off_deg=view.azimuth_deg,
        off_standard_deg=(view.azimuth_high_deg - view.azimuth_low_deg) / 2 / 1.96,
        leg_px=standing_px / float(straight),
        off_line_scale=settings.off_line_scale,
    )


def trunk_lean_deg(track: Track, is_standing: np.ndarray, sight: Sight) -> np.ndarray:
    """How far the trunk leans toward or away from a camera ahead or behind, degrees, (n,).

    The larger of two that both tell too little now and then: from its length in the picture
    against that while the person stands, and from the model's depth. A trunk that leans to the
    camera comes nearer too, and a low camera sees it longer before it sees it shorter: of the
    leans that fit, the largest is taken.
    """
    trunk = np.linalg.norm(mid(track, "shoulder") - mid(track, "hip"), axis=1)
    mask = where_standing(track, is_standing)
    full_px = median_where(trunk, mask)
    if not full_px > 0:
        return np.full(len(trunk), np.nan)
    lean = np.radians(np.arange(0.0, 86.0))
    fall = np.radians(sight.fall_deg)
    nearer = 1 - full_px / sight.focal_px * np.sin(lean)
    share = np.cos(lean + fall) / np.cos(fall) / nearer
    # Shorter than any that is further upright: monotone, so that one length has one lean.
    longest_after = np.maximum.accumulate(share[::-1])[::-1]
    found = np.interp(-trunk / full_px, -longest_after, np.degrees(lean))
    axis = mid_of(track.world_m, "shoulder") - mid_of(track.world_m, "hip")
    upright = np.array([median_where(axis[:, k], mask) for k in range(3)])
    cosine = axis @ upright / (np.linalg.norm(axis, axis=1) * np.linalg.norm(upright))
    by_depth = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    return np.where(np.isfinite(trunk), np.fmax(found, by_depth), np.nan)


def beside_front_deg(view: View) -> float:
    """How far the camera stands from straight ahead or straight behind, degrees.

    Positive = the person turns to the left to be square to it: before them it stands to their
    left, behind them to their right.
    """
    from_ahead = (view.azimuth_deg + 180) % 360 - 180
    if abs(from_ahead) <= 90:
        return float(from_ahead)
    return float(from_ahead - np.sign(from_ahead) * 180)


def front_view_findings(
    view: View, settings: FrontViewSettings = FrontViewSettings()
) -> list[Finding]:
    """Whether the camera stands so far beside straight ahead that frontal measures are wide."""
    off_deg = beside_front_deg(view)
    if view.plane != "frontal" or not abs(off_deg) >= settings.told_least_deg:
        return []
    is_behind = abs((view.azimuth_deg + 180) % 360 - 180) > 90
    values = values_of(off_deg=round(-off_deg if is_behind else off_deg), is_behind=is_behind)
    return [Finding(code="camera_beside_front", values=values)]

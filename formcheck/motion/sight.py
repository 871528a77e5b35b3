"""How the camera looks at the person: the direction of the ray to every point of the picture.

A camera above or below the person sees them from above or below. How far is told, roughly, by the
model's own upright (its world leans as the camera does) and by common sense about where cameras
stand; the field of view is not told at all and is a prior. Both carry their uncertainty on.
"""

from dataclasses import dataclass
from typing import cast

import numpy as np

from formcheck.model.anatomy import LANDMARK, SIDES
from formcheck.model.records import Track
from formcheck.motion.azimuth import Cue, joined, median_where, where_standing


@dataclass(frozen=True, slots=True, kw_only=True)
class SightSettings:
    """What is known of cameras before the clip is looked at (standard uncertainties).

    focal_share, focal_scale : focal length over the picture's longer side, 65 deg across; phones
        and webcams lie between 55 and 80 deg (common practice).
    fall_standard_deg : how far below or above the body's middle a camera may stand: between the
        floor and the head at two to four metres.
    upright_standard_deg : of the same angle from the lean of the model's world while the person
        stands.
    upright_at_most_deg : more than this is no camera's place but a person who is not upright.
    """

    focal_share: float = 0.78
    focal_scale: float = 0.18
    fall_standard_deg: float = 8.0
    upright_standard_deg: float = 5.5
    upright_at_most_deg: float = 35.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """The camera's lens and how it is tilted up or down.

    fall_deg : how far the ray to the picture height `body_y_px` points below the horizontal,
        with its standard uncertainty. focal_px, and its standard uncertainty as a share of it.
    centre_px : (x, y) of the picture's middle.
    """

    centre_px: tuple[float, float]
    focal_px: float
    focal_scale: float
    body_x_px: float
    body_y_px: float
    fall_deg: float
    fall_standard_deg: float

    @property
    def pitch_rad(self) -> float:
        """How far the middle of the picture looks below the horizontal."""
        below = np.arctan((self.body_y_px - self.centre_px[1]) / self.focal_px)
        return float(np.radians(self.fall_deg) - below)

    @property
    def bearing_rad(self) -> float:
        """How far to the right of the way the camera looks the person stands."""
        right, _, away = self.rays(np.array([self.body_x_px, self.body_y_px]))
        return float(np.arctan2(right, away))

    def rays(self, points_px: np.ndarray) -> np.ndarray:
        """Rays to points of the picture, (..., 2) -> (..., 3): right, down, away; not unit.

        Down is that of gravity; away is level.
        """
        x = points_px[..., 0] - self.centre_px[0]
        y = points_px[..., 1] - self.centre_px[1]
        cosine, sine = np.cos(self.pitch_rad), np.sin(self.pitch_rad)
        down = y * cosine + self.focal_px * sine
        away = self.focal_px * cosine - y * sine
        return np.stack([x, down, away], axis=-1)


def find_sight(
    track: Track,
    is_standing: np.ndarray,
    size_px: tuple[int, int],
    settings: SightSettings = SightSettings(),
) -> Sight:
    """The camera's lens and tilt, from the samples at which the person stands still.

    is_standing : bool (n,); where there are few, all samples are taken. size_px : (width, height).
    """
    mask = where_standing(track, is_standing)
    width_px, height_px = size_px

    def middle(points: np.ndarray, joint: str) -> np.ndarray:
        return cast(np.ndarray, sum(points[:, LANDMARK[s, joint]] for s in SIDES) / 2)

    place = [
        (
            median_where(track.image_px[:, LANDMARK[s, j], 0], mask),
            median_where(track.image_px[:, LANDMARK[s, j], 1], mask),
        )
        for s in SIDES
        for j in ("shoulder", "hip", "ankle")
    ]
    body_x, body_y = (
        float(np.nanmean(v)) if np.isfinite(v).any() else np.nan for v in np.array(place, float).T
    )
    axis = middle(track.world_m, "shoulder") - middle(track.world_m, "ankle")
    away = np.degrees(np.arctan2(axis[:, 2], -axis[:, 1]))
    lean = median_where(away, mask)
    cues = [Cue(name="where cameras stand", value_deg=0.0, standard_deg=settings.fall_standard_deg)]
    if abs(lean) <= settings.upright_at_most_deg:
        cues.append(
            Cue(
                name="upright of the model's world",
                value_deg=-lean,
                standard_deg=settings.upright_standard_deg,
            )
        )
    fall, standard = joined(cues)
    return Sight(
        centre_px=(width_px / 2, height_px / 2),
        focal_px=settings.focal_share * max(width_px, height_px),
        focal_scale=settings.focal_scale,
        body_x_px=body_x if np.isfinite(body_x) else width_px / 2,
        body_y_px=body_y if np.isfinite(body_y) else height_px / 2,
        fall_deg=fall,
        fall_standard_deg=standard,
    )

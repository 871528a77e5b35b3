"""What hips that come nearer to the camera or go away leave in doubt of their height.

A camera above the hips sees them the higher the further away they are (decision 47).
"""

import warnings

import numpy as np

from formcheck.model.anatomy import LANDMARK, SIDES
from formcheck.model.records import Track, View
from formcheck.motion.azimuth import median_where, where_standing
from formcheck.motion.camera import LEG_SHARE, mid
from formcheck.motion.sight import Sight


def hip_height_standard_share(
    track: Track, view: View, is_standing: np.ndarray, sight: Sight
) -> np.ndarray | None:
    """Standard uncertainty of the hips' height from their way along the line of sight, leg
    lengths, (n,); None where the view is unknown.

    is_standing : bool (n,), where the person stands still.
    """
    if view.plane == "frontal":
        return from_ahead_share(track, is_standing, sight)
    if view.plane not in ("sagittal", "oblique"):
        return None
    beside = from_beside_share(track, view, is_standing, sight)
    if view.plane == "sagittal":
        return beside
    ahead = from_ahead_share(track, is_standing, sight)
    most: np.ndarray = np.fmax.reduce(
        [beside, ahead, by_size_share(track, view, is_standing, sight)]
    )
    return most


def from_ahead_share(track: Track, is_standing: np.ndarray, sight: Sight) -> np.ndarray:
    """The doubt before a camera ahead or behind, leg lengths, (n,).

    A camera above the hips sees them the higher the further away they are. How far they go back,
    or come forward, shows in how much shorter the thigh looks than while the person stands, less
    what the shank does, whose knee comes forward; how steeply the camera looks down on them is
    known to a few degrees only, so the whole of it is doubt (rectangular) and no correction.
    Enough up to some 20 deg of looking down: from higher up a thigh that goes back looks longer
    before it looks shorter.
    """
    mask = where_standing(track, is_standing)

    def along_sight(upper: str, lower: str) -> tuple[np.ndarray, float]:
        """How far a segment points along the line of sight, and its length: the legs' mean."""
        along, full_px = [], []
        for side in SIDES:
            ends = (track.image_px[:, LANDMARK[side, j]] for j in (upper, lower))
            seen = np.linalg.norm(np.subtract(*ends), axis=1)
            full = median_where(seen, mask)
            along.append(np.sqrt(np.maximum(full**2 - seen**2, 0)))
            full_px.append(full)
        return np.nanmean(along, axis=0), float(np.nanmean(full_px))

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # samples with neither leg
        (thigh, thigh_px), (shank, shank_px) = (
            along_sight("hip", "knee"),
            along_sight("knee", "ankle"),
        )
    return _unseen_share(track, np.abs(thigh - shank) / (thigh_px + shank_px), sight)


SIDEWAYS_LEAST_SHARE = 0.35
"""A camera within 20 deg of straight ahead hardly sees forward as sideways."""


def from_beside_share(
    track: Track, view: View, is_standing: np.ndarray, sight: Sight
) -> np.ndarray:
    """The doubt beside the person and between side and front, leg lengths, (n,).

    Hips that go forward or back go along the line of sight too, by as much as the azimuth and its
    standard uncertainty make of how far they go in the picture.
    """
    x_px = mid(track, "hip")[:, 0]
    at_rest = median_where(x_px, where_standing(track, is_standing))
    sideways = np.abs(x_px - at_rest) / (LEG_SHARE * view.person_height_px)
    spread_deg = (view.azimuth_high_deg - view.azimuth_low_deg) / 2 / 1.96
    azimuth = np.radians(view.azimuth_deg + np.array([-spread_deg, 0.0, spread_deg]))
    ratio = np.abs(np.cos(azimuth)) / np.maximum(np.abs(np.sin(azimuth)), SIDEWAYS_LEAST_SHARE)
    return _unseen_share(track, sideways * float(np.max(ratio)), sight)


STEP_SHARE = 1.0
"""Feet that step carry the hips about a leg length (common practice)."""


def by_size_share(track: Track, view: View, is_standing: np.ndarray, sight: Sight) -> np.ndarray:
    """The doubt between side and front, where steps go any way, leg lengths, (n,).

    Who comes nearer grows in the picture: how far the hips moved along the line of sight is told
    by how large the trunk is seen, as if it were upright. One that leans looks smaller, as if it
    had gone away: doubt too, up to the length of a step.
    """
    trunk = np.linalg.norm(
        _slopes(sight, mid(track, "hip")) - _slopes(sight, mid(track, "shoulder")), axis=1
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        nearer = np.abs(1 - median_where(trunk, where_standing(track, is_standing)) / trunk)
    distance = sight.focal_px / (LEG_SHARE * view.person_height_px)
    return _unseen_share(track, np.minimum(nearer * distance, STEP_SHARE), sight)


def _slopes(sight: Sight, points_px: np.ndarray) -> np.ndarray:
    """How far rays to these points go sideways and down for each length away, (n, 2)."""
    rays = sight.rays(points_px)
    slopes: np.ndarray = rays[:, :2] / rays[:, 2:]
    return slopes


def _unseen_share(track: Track, moved: np.ndarray, sight: Sight) -> np.ndarray:
    """Doubt of the hips' height where they moved this far along the line of sight, leg lengths."""
    fall = _slopes(sight, mid(track, "hip"))[:, 1]
    known_to = np.radians(sight.fall_standard_deg) * (1 + fall**2)
    standard: np.ndarray = moved * np.hypot(fall / np.sqrt(3), known_to)
    return standard

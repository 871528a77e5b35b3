"""How the patient is seen in each picture: how near, where, turned which way, how much of them."""

from dataclasses import dataclass

import numpy as np

from formcheck.model.anatomy import LANDMARK, SIDES
from formcheck.model.records import RawTrack
from formcheck.motion.camera import trunk_from_vertical_deg
from formcheck.motion.people import choose_patient

SMOOTH_S = 0.3
"""Width of the running medians."""
_BODY = [LANDMARK[s, j] for j in ("shoulder", "hip", "knee", "ankle") for s in SIDES]
_TRUNK = {s: [LANDMARK[s, j] for j in ("shoulder", "hip")] for s in SIDES}
_SHOULDERS, _HIPS, _ANKLES = ([LANDMARK[s, j] for s in SIDES] for j in ("shoulder", "hip", "ankle"))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Presence:
    """How the patient is seen, each (n,), NaN where not found; running medians but for `moved_m`.

    size : logarithm of the pixels for a metre. hips_px : the hips' middle, from the picture's left.
    width_m : how far the left of the trunk is seen to the right of its right. lean_deg : trunk to
    the vertical. shoulders_up_m : shoulders above the lower ankle. moved_m : how far the joints
    are, on average, from where they were in the picture before. is_whole : from the shoulders to
    the ankles inside the picture, bool.

    Notes: the size is the pose in the picture over the model's pose in metres, as it is turned to
    the camera: that of a body at its distance, whatever its posture.
    """

    size: np.ndarray
    hips_px: np.ndarray
    width_m: np.ndarray
    lean_deg: np.ndarray
    shoulders_up_m: np.ndarray
    moved_m: np.ndarray
    is_whole: np.ndarray

    @property
    def is_found(self) -> np.ndarray:
        return np.asarray(np.isfinite(self.size))

    def beside_m(self, hips_px: float) -> np.ndarray:
        """How far the hips are to the right of a column of the picture, metres at their size."""
        return np.asarray((self.hips_px - hips_px) / np.exp(self.size))


def presence(raw: RawTrack) -> Presence:
    """How the patient is seen through the clip."""
    rows = choose_patient(raw)
    at = (np.arange(len(rows)), np.maximum(rows, 0))
    image = np.where((rows >= 0)[:, None, None], raw.image_px[at], np.nan).astype(float)
    body, metres = image[:, _BODY], raw.world_m[at][:, _BODY, :2].astype(float)
    spread_px, spread_m = (
        np.sqrt(((p - p.mean(axis=1, keepdims=True)) ** 2).sum(axis=(1, 2))) for p in (body, metres)
    )
    n_smooth = 2 * round(SMOOTH_S / float(np.median(np.diff(raw.time_s))) / 2) + 1
    x, y = image[..., 0], image[..., 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        per_metre = spread_px / spread_m
        size, hips_px, width_m, lean_deg, shoulders_up_m = (
            _running_median(values, n_smooth)
            for values in (
                np.log(per_metre),
                x[:, _HIPS].mean(axis=1),
                (x[:, _TRUNK["left"]] - x[:, _TRUNK["right"]]).mean(axis=1) / per_metre,
                trunk_from_vertical_deg(image),
                (y[:, _ANKLES].max(axis=1) - y[:, _SHOULDERS].mean(axis=1)) / per_metre,
            )
        )
        moved_px = np.linalg.norm(np.diff(body, axis=0, prepend=body[:1]), axis=2).mean(axis=1)
        moved_m = moved_px / per_metre
        picture = np.array([raw.clip.width_px, raw.clip.height_px])
        is_inside = np.asarray(((body >= 0) & (body <= picture)).all(axis=(1, 2)))
    return Presence(
        size=size,
        hips_px=hips_px,
        width_m=width_m,
        lean_deg=lean_deg,
        shoulders_up_m=shoulders_up_m,
        moved_m=moved_m,
        is_whole=np.isfinite(size) & is_inside,
    )


def _running_median(values: np.ndarray, width: int) -> np.ndarray:
    """The running median of what is known; what is not finite is NaN."""
    from scipy.ndimage import median_filter

    out = np.full(len(values), np.nan)
    known = np.isfinite(values)
    out[known] = median_filter(values[known], width, mode="nearest")
    return out

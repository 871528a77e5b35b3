"""Looking again in parts of a picture: a person who is small in it is found in an enlarged part.

The model shrinks each picture to 224 pixels before it looks for people; who fills a fifth of the
height is then a few pixels tall. In a part of half the height the same person is twice as tall.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from formcheck.model.anatomy import LANDMARK, SIDES

PART_SHARES = (1.0, 0.5)
"""Sides of the square parts looked in, shares of the picture's shorter side, the larger first."""
OVERLAP_SHARE = 0.5
"""Parts overlap by this share of their side: who fills a fifth of the height lies whole in one."""
ABOUT_TIMES = 2.0
"""The part that is looked in last is this many times as wide as the person found, about them: so
that landmarks do not depend on where the parts happen to lie."""
BODY_LEAST = 0.5
"""Mean visibility of the trunk's and legs' joints of what is taken for a person (common practice:
a chair has a trunk and no legs)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A square of the picture: its upper left corner and its side, pixels."""

    top: int
    left: int
    side: int

    def of(self, rgb: np.ndarray) -> np.ndarray:
        rows = slice(self.top, self.top + self.side)
        return np.ascontiguousarray(rgb[rows, self.left : self.left + self.side])


def parts_of(height: int, width: int, share: float) -> list[Part]:
    """Overlapping squares of this share of the shorter side that cover the picture."""
    side = max(int(min(height, width) * share), 1)

    def starts(length: int) -> list[int]:
        step = side * (1 - OVERLAP_SHARE)
        n = int(np.ceil((length - side) / step)) + 1
        return [round(v) for v in np.linspace(0, length - side, n)]

    return [Part(top=top, left=left, side=side) for top in starts(height) for left in starts(width)]


def found_enlarged(rgb: np.ndarray, find: Callable[[np.ndarray], "object"]):
    """Who is found in enlarged parts of a (height, width, 3) picture: the surest, or None.

    find : gives the people of a picture (`landmarker.People`). Landmarks come back in the whole
    picture's pixels.
    """
    height, width = rgb.shape[:2]
    for share in PART_SHARES:
        parts = parts_of(height, width, share)
        if len(parts) == 1 and share == 1.0 and height == width:
            continue  # that was the whole picture
        best, best_sure = None, BODY_LEAST
        for part in parts:
            people = find(part.of(rgb))
            for k in range(len(people.visibility)):
                sure = _sureness(people.visibility[k])
                if sure > best_sure and _lies_within(people.image_px[k], part.side):
                    best, best_sure = (people.image_px[k] + (part.left, part.top)), sure
        if best is not None:
            return _about(rgb, best, find)
    return None


def _about(rgb: np.ndarray, image_px: np.ndarray, find):
    """The person looked at once more, in a part about them; None where nobody is found there."""
    height, width = rgb.shape[:2]
    low, high = image_px.min(axis=0), image_px.max(axis=0)
    side = int(min(ABOUT_TIMES * float((high - low).max()), height, width))
    middle = (low + high) / 2
    left, top = (
        int(np.clip(m - side / 2, 0, length - side))
        for m, length in zip(middle, (width, height), strict=True)
    )
    people = find(Part(top=top, left=left, side=side).of(rgb))
    if not len(people.visibility) or _sureness(people.visibility[0]) <= BODY_LEAST:
        return None
    return people, np.array([left, top], np.float32)


def _sureness(visibility: np.ndarray) -> float:
    joints = [LANDMARK[s, j] for s in SIDES for j in ("shoulder", "hip", "knee", "ankle")]
    return float(visibility[joints].mean())


def _lies_within(image_px: np.ndarray, side: int) -> bool:
    """Whether the body lies inside the part: at its edge only a piece of a person is seen."""
    joints = [LANDMARK[s, j] for s in SIDES for j in ("shoulder", "hip", "knee", "ankle")]
    points = image_px[joints]
    return bool((points > 0).all() and (points < side).all())

"""Landmark names, sides and axes: the vocabulary of position.

The pose model returns 33 points per person (BlazePose topology, published with the
MediaPipe pose landmarker). They are learned points near the joint centres, not the bony
landmarks of goniometry (greater trochanter, lateral epicondyle, lateral malleolus), so
every absolute angle carries an offset that its interval has to cover.
Left and right are the person's own.
"""

from typing import Literal

Side = Literal["left", "right"]
SIDES: tuple[Side, Side] = ("left", "right")

N_LANDMARKS = 33
FACE = tuple(range(11))
"""Landmarks of the face: nose, eyes, ears, mouth."""

_LEFT = {
    "ear": 7,
    "shoulder": 11,
    "elbow": 13,
    "wrist": 15,
    "hip": 23,
    "knee": 25,
    "ankle": 27,
    "heel": 29,
    "toe": 31,
}

LANDMARK = {
    (side, name): index + (0 if side == "left" else 1)
    for name, index in _LEFT.items()
    for side in SIDES
}
"""(side, joint name) -> row of the landmark array."""

LEG = ("hip", "knee", "ankle", "heel", "toe")
"""Joints of one leg, top to bottom."""

LANDMARK_NAMES = (
    "nose",
    "left_eye_inner",
    "left_eye",
    "left_eye_outer",
    "right_eye_inner",
    "right_eye",
    "right_eye_outer",
    *(
        f"{side}_{point}"
        for point in (
            "ear",
            "mouth",
            "shoulder",
            "elbow",
            "wrist",
            "little_finger",
            "index_finger",
            "thumb",
            "hip",
            "knee",
            "ankle",
            "heel",
            "toe",
        )
        for side in SIDES
    ),
)
"""Name of each row of the landmark array, in its order."""

MIRROR = tuple(
    {
        **{LANDMARK["left", n]: LANDMARK["right", n] for n in _LEFT},
        **{LANDMARK["right", n]: LANDMARK["left", n] for n in _LEFT},
        1: 4,
        2: 5,
        3: 6,
        4: 1,
        5: 2,
        6: 3,
        9: 10,
        10: 9,
        17: 18,
        18: 17,
        19: 20,
        20: 19,
        21: 22,
        22: 21,
    }.get(i, i)
    for i in range(N_LANDMARKS)
)
"""Row that each row becomes when left and right change places."""


def other_side(side: Side) -> Side:
    """The other of left and right."""
    return "right" if side == "left" else "left"

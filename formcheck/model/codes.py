"""What can be found of a clip, and why a measure cannot be had: closed lists of codes.

A code travels with its values (numbers, times, sides), never with a sentence; room `words` makes
the sentence for its reader at the moment of showing. The values of each code are named beside it.
"""

from typing import Literal

Scalar = bool | int | float | str | None
Values = tuple[tuple[str, Scalar], ...]
"""Named values of a code, in order: (("side", "left"), ("n", 2))."""


def values_of(**named: Scalar) -> Values:
    """The named values as records hold them."""
    return tuple(named.items())


FindingCode = Literal[
    # who is in the picture, and what of them
    "person_mostly_absent",
    "person_leaves",
    "second_person",  # is_as_large: whether it may be the patient; is_followed_by_movement
    "not_this_exercise",  # is_lying: as the person was seen
    "other_exercise",  # seen: an OtherExercise; of a posture part, deg, usual_deg
    "landmarks_unsteady",
    "feet_cut_off",
    "head_cut_off",
    "person_too_near",
    "person_too_far",
    # the picture, the camera, the file
    "strongly_compressed",  # quantizer, of 51
    "too_dark",
    "blurred",
    "noisy",
    "picture_disturbed",  # is_frozen
    "edited",  # n_jumps; longest_from_s, longest_to_s: what is measured
    "camera_moved",
    "camera_tilted",  # tilt_deg, signed
    "camera_beside_front",  # off_deg: + toward the person's left; is_behind
    "leg_out_of_picture",  # side; yaw_deg: + toward the camera
    "view_unknown",
    "wrong_view",  # plane: as the clip was seen
    "rotated",  # rotation_deg
    "frames_lost",  # n_frames
    "frames_missing",
    "frame_rate_low",  # rate_hz
    "too_quick_for_rate",  # step_deg: how far the thigh turns from picture to picture
    "too_few_pictures",
    "slow_motion",  # recorded_hz, stored_hz
    "picture_squeezed",  # is_wide: whether people come out wider than they are, or narrower
    "proportions_unusual",  # is_wide; share: length of the foot over what is usual for the leg
    "feet_hidden",
    "view_changes",
    "pose_misfit",
    "way_left_out",  # to the place (from_s None), from it (to_s None), or away and back
    # which leg, which side
    "turned_round",  # are_both_measured; side: the one of this stretch, or the only one measured
    "wrong_side",  # side: the one asked for
    "wrong_leg",  # side: the leg that works; asked: left, right, both or None
    "other_leg",  # n, n_all: repetitions left out, of all; asked: the leg that is measured
    "one_leg_only",  # side: the one found
    "knee_side",  # side
    "side_assumed",  # side; is_nearer: whether it was taken as the nearer one
    # the movement
    "landmarks_lost",  # is_counted: whether the gap lies within one repetition
    "other_movement",  # looks_like: an OtherMovement
    "pulses",  # n: turns at the far end
    "direction_missed",  # number, part
    "direction_repeated",  # number, part, n
    "smaller_movement",  # range, least_range; unit: deg, foot_length, leg_length
    "no_repetition_found",  # least_range; unit: deg, foot_length, leg_length
    "timed_not_measured",
    # of a file of version 1.0 whose words are no longer known: `code` and `text` as they were
    "as_written",
]

Spoils = Literal["nothing", "stretch", "clip"]
"""What a finding makes unusable."""

RefusalCode = Literal[
    "view_not_fit",  # plane: as the clip was seen; wanted: the plane to film from
    "leg_turned_away",  # side
    "camera_off_front",
    "leg_ahead_of_hips",
    "bent_at_rest",
    "trunk_leans_off_front",
    "leg_out_of_picture",
    "stature_missing",
    "repetition_cut",
    "leg_hidden",
    "no_flat_foot",
    "hold_angle_not_seen",
    "no_target_band",
    "last_repetition",
    "other_unit",
    "of_the_set",
    "other_leg_too_small",  # side: the leg that would be divided by
    "no_value",
    "spoiled",  # finding: the code of the finding that withholds it
    "as_written",  # of a file of version 1.0: `text` as it was
]

ClipErrorCode = Literal[
    "too_few_pictures_looked_at",  # n; looked_at_s: from the first to the last
]

OtherMovement = Literal[
    "sitting_down", "bend", "step", "jump", "picking_up", "getting_into_place", "turning_round"
]

OtherExercise = Literal[
    "no_step",
    "foot_steps",
    "foot_stays",
    "steps_ahead",
    "steps_back",
    "steps_aside",
    "feet_side_by_side",
    "one_foot_in_front",
    "rear_foot_low",
    "rear_foot_raised",
    "feet_level",
    "two_feet",
    "one_foot_lifted",
    "shoulders_low",
    "shoulders_raised",
    "no_wall",
    "no_seat",
    "rests_otherwise",  # part: trunk, thigh, knee; deg: as seen; usual_deg: of the figure
    "moves_otherwise",  # the same, of the movement from rest to the turn
]

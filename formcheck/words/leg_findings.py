"""What was found of the legs: which one works, turns away or points out of the picture.

Each makes the sentence of one finding from its values, what the exercise says of itself and the
reader; `finding_words` has the table.
"""

from formcheck.model.anatomy import other_side
from formcheck.words.languages import figure, gettext, marked

_OUT_OF_PICTURE = {
    ("left", "toward"): marked(
        "Your left leg points about %(deg)s deg out of the picture, toward the camera, so its "
        "angles are less certain. Turn so that the toes point straight across the "
        "picture, or move the camera a step toward your back."
    ),
    ("right", "toward"): marked(
        "Your right leg points about %(deg)s deg out of the picture, toward the camera, so its "
        "angles are less certain. Turn so that the toes point straight across the "
        "picture, or move the camera a step toward your back."
    ),
    ("left", "away from"): marked(
        "Your left leg points about %(deg)s deg out of the picture, away from the camera, so its "
        "angles are less certain. Turn so that the toes point straight across the "
        "picture, or move the camera a step toward your front."
    ),
    ("right", "away from"): marked(
        "Your right leg points about %(deg)s deg out of the picture, away from the camera, so its "
        "angles are less certain. Turn so that the toes point straight across the "
        "picture, or move the camera a step toward your front."
    ),
}


def leg_out_of_picture(v, said, reader):
    where, to = ("toward", "back") if v["yaw_deg"] > 0 else ("away from", "front")
    deg = figure(f"{abs(v['yaw_deg']):.0f}")
    if reader == "patient":
        return gettext(_OUT_OF_PICTURE[v["side"], where], deg=deg)
    return (
        f"The {v['side']} leg points about {deg} deg out of the picture, {where} the camera, so "
        "the intervals of its angles are wider. Turn so that the toes point straight across the "
        f"picture, or move the camera a step toward the patient's {to}."
    )


def turned_round(v, said, reader):
    if v["are_both_measured"]:
        return _of_leg(
            v["side"],
            marked(
                "The person turns round: each leg was measured while it was nearer the camera, the "
                "left one in this stretch."
            ),
            marked(
                "The person turns round: each leg was measured while it was nearer the camera, the "
                "right one in this stretch."
            ),
        )
    return _of_leg(
        v["side"],
        marked(
            "The person turns round. Only the part with the left side toward the camera is "
            "measured. Film each side in a clip of its own."
        ),
        marked(
            "The person turns round. Only the part with the right side toward the camera is "
            "measured. Film each side in a clip of its own."
        ),
    )


def _of_leg(side: str, left: str, right: str) -> str:
    words = left if side == "left" else right
    return gettext(words)


def wrong_side(v, said, reader):
    side = v["side"]
    if reader == "patient":
        return _of_leg(
            side,
            marked(
                "The left leg works and is turned away from the camera, so its angles are not "
                "measured. Turn round, so that the left side faces the camera, or if the recording "
                "is mirrored, tell your clinic."
            ),
            marked(
                "The right leg works and is turned away from the camera, so its angles are not "
                "measured. Turn round, so that the right side faces the camera, or if the "
                "recording is mirrored, tell your clinic."
            ),
        )
    return (
        f"The {side} leg works and is turned away from the camera, so its angles are not measured. "
        f"Turn round, so that the {side} side faces the camera, or if the recording is mirrored, "
        "say so."
    )


_ASKED_FOR = {
    None: marked("no side was given"),
    "both": marked("both legs were asked for"),
    "left": marked("the left one was asked for"),
    "right": marked("the right one was asked for"),
}


_WRONG_LEG = {
    "left": marked(
        "The feet show that the left leg works; %(told)s. The left leg is turned away from the "
        "camera, so its angles are not measured. Film the leg that works from its own side; if the "
        "recording is mirrored, tell your clinic."
    ),
    "right": marked(
        "The feet show that the right leg works; %(told)s. The right leg is turned away from the "
        "camera, so its angles are not measured. Film the leg that works from its own side; if the "
        "recording is mirrored, tell your clinic."
    ),
}


def wrong_leg(v, said, reader):
    side, told = v["side"], gettext(_ASKED_FOR[v["asked"]])
    if reader == "patient":
        return gettext(_WRONG_LEG[side], told=told)
    return (
        f"The feet show that the {side} leg works; {told}. The {side} leg is turned away from the "
        "camera, so its angles are not measured. Film the leg that works from its own side, and "
        "give that side; if the recording is mirrored, say so."
    )


_OTHER_LEG = {
    "left": marked(
        "%(which)s of the right leg and left out: the left leg is measured here. Film each leg as "
        "a set of its own; if the recording is mirrored, tell your clinic."
    ),
    "right": marked(
        "%(which)s of the left leg and left out: the right leg is measured here. Film each leg as "
        "a set of its own; if the recording is mirrored, tell your clinic."
    ),
}


def other_leg(v, said, reader):
    n, n_all, asked = v["n"], v["n_all"], v["asked"]
    if n_all == 1:
        which = gettext("The repetition is")
    else:
        which = gettext("%(n)s of %(all)s repetitions are", n=n, all=n_all)
    if reader == "patient":
        return gettext(_OTHER_LEG[asked], which=which)
    return (
        f"{which} of the {other_side(asked)} leg and left out: the {asked} leg is measured here. "
        "Film each leg as a set of its own, or give the leg that worked; if the recording is "
        "mirrored, say so."
    )


def one_leg_only(v, said, reader):
    return _of_leg(
        v["side"],
        marked("Both legs were asked for, and only repetitions of the left one were found."),
        marked("Both legs were asked for, and only repetitions of the right one were found."),
    )


def knee_side(v, said, reader):
    return _of_leg(
        v["side"],
        marked(
            "Both knees were measured; measures of alignment are of the left one, which moved "
            "inward more."
        ),
        marked(
            "Both knees were measured; measures of alignment are of the right one, which moved "
            "inward more."
        ),
    )


def side_assumed(v, said, reader):
    if v["is_nearer"]:
        return _of_leg(
            v["side"],
            marked("No side was given: the left leg, nearer the camera, was measured."),
            marked("No side was given: the right leg, nearer the camera, was measured."),
        )
    words = _of_leg(
        v["side"],
        marked(
            "No side was given, and the feet do not tell which leg works: the left leg was "
            "measured."
        ),
        marked(
            "No side was given, and the feet do not tell which leg works: the right leg was "
            "measured."
        ),
    )
    return words if reader == "patient" else f"{words} Give the side to be sure."

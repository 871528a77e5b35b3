"""Why a measure cannot be had, in words. A clause: it stands after a name and a colon."""

from collections.abc import Callable, Mapping
from typing import Any

from formcheck.model.codes import RefusalCode
from formcheck.model.records import NotMeasurable
from formcheck.words.readers import Reader

Maker = Callable[[Mapping[str, Any], Reader], str]

_PLACES = {
    "sagittal": "place the camera at the person's side, level with the hips, square to the "
    "direction they face, with the leg to be measured nearer the camera",
    "frontal": "place the camera straight in front of the person (or straight behind), level "
    "with the hips",
    "oblique": "place the camera about half way between the front and the side",
}


def refusal_words(value: NotMeasurable, reader: Reader) -> str:
    """Why the measure cannot be had and, where there is something to do about it, what."""
    return REFUSAL_WORDS[value.code](dict(value.values), reader)


def _plain(text: str) -> Maker:
    return lambda v, reader: text


def _view_not_fit(v, reader):
    seen_from = {
        "sagittal": "the side",
        "frontal": "the front or back",
        "oblique": "between front and side",
        "unknown": "an angle that could not be told",
    }[v["plane"]]
    return (
        f"not measurable from this camera position (seen from {seen_from}); {_PLACES[v['wanted']]}"
    )


def _leg_turned_away(v, reader):
    return (
        f"the {v['side']} leg is turned away from the camera; turn round so that the {v['side']} "
        "side faces it"
    )


def _other_leg_too_small(v, reader):
    return f"the {v['side']} leg's value is too small for its uncertainty to divide by"


def _stature_missing(v, reader):
    return (
        "your height was not entered"
        if reader == "patient"
        else ("the patient's stature was not entered")
    )


_SPOILED_BY = {
    "too_few_pictures": "the repetition was over in too few pictures; move more slowly",
    "picture_squeezed": "the picture is squeezed or stretched",
    "strongly_compressed": "the file is compressed too strongly",
    "view_changes": "the person stands turned another way here than through most of the clip",
    "slow_motion": "the clip is a slow-motion recording",
    "pulses": "the movement goes to and fro at its far end",
    "feet_hidden": "the feet are hidden",
}


def _spoiled(v, reader):
    return _SPOILED_BY[v["finding"]]


REFUSAL_WORDS: dict[RefusalCode, Maker] = {
    "view_not_fit": _view_not_fit,
    "leg_turned_away": _leg_turned_away,
    "camera_off_front": _plain(
        "the camera stands too far off the front for so deep a bend: the knee going forward would "
        "look like the knee going inward; place the camera straight in front of the person"
    ),
    "leg_ahead_of_hips": _plain(
        "with one foot in front of the other the leg slants toward the camera, which looks like "
        "the knee going inward or outward; film a squat or a step-down from the front for that"
    ),
    "bent_at_rest": _plain(
        "this movement begins with the knee bent, and how a bent knee stood inward can't be told "
        "well enough from the front to count the change from it"
    ),
    "trunk_leans_off_front": _plain(
        "the camera stands too far off the front for so far a lean of the trunk: hips that turn "
        "can't be told from hips that drop; place the camera straight in front of the person"
    ),
    "leg_out_of_picture": _plain(
        "the leg points too far out of the picture; turn so that the toes point straight across it"
    ),
    "stature_missing": _stature_missing,
    "repetition_cut": _plain(
        "the repetition is cut off there, by the clip or where the leg was lost from sight"
    ),
    "leg_hidden": _plain(
        "the leg was hidden or could not be told apart for too much of this repetition"
    ),
    "no_flat_foot": _plain(
        "the foot is never seen flat at rest, so the heel's height has no zero; stand flat for a "
        "moment"
    ),
    "hold_angle_not_seen": _plain("the angle of the hold is not seen from this camera position"),
    "no_target_band": _plain("no target band was prescribed for this hold"),
    "last_repetition": _plain("this is the last repetition"),
    "spoiled": _spoiled,
    "other_unit": _plain("the signal that drives this view has another unit"),
    "of_the_set": _plain("this is measured over the whole set"),
    "other_leg_too_small": _other_leg_too_small,
    "no_value": _plain("no value could be worked out"),
    "as_written": lambda v, reader: v["text"],
}
"""Code -> sentence maker; every code has one."""

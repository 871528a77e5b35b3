"""What was found of a clip, as a sentence with advice, for its reader."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from formcheck.model.anatomy import other_side
from formcheck.model.codes import FindingCode, Spoils
from formcheck.model.records import ExerciseWords, Finding, Report
from formcheck.words.readers import Reader

Maker = Callable[[Mapping[str, Any], ExerciseWords, Reader], str]
"""A finding's values, the exercise's own words and the reader -> the sentence."""


def finding_words(finding: Finding, said: ExerciseWords, reader: Reader) -> str:
    """What was found, and what to do about it, for this reader.

    said : what the exercise's file says of itself (`Report.exercise_words`).
    """
    return FINDING_WORDS[finding.code](dict(finding.values), said, reader)


@dataclass(frozen=True, slots=True)
class Told:
    """One sentence and all findings that it tells, the first of them first."""

    words: str
    findings: tuple[Finding, ...]

    @property
    def spoils(self) -> Spoils:
        return self.findings[0].spoils

    @property
    def stretches_s(self) -> tuple[tuple[float | None, float | None], ...]:
        """From and to, seconds; None: from the clip's beginning, to its end."""
        return tuple((f.from_s, f.to_s) for f in self.findings)


def told_once(report: Report, reader: Reader) -> list[Told]:
    """The findings of a report for this reader: what holds of ten repetitions is said once."""
    together: dict[tuple[str, Spoils], list[Finding]] = {}
    for f in report.findings:
        key = (finding_words(f, report.exercise_words, reader), f.spoils)
        together.setdefault(key, []).append(f)
    return [Told(words, tuple(found)) for (words, _), found in together.items()]


def _always(text: str) -> Maker:
    return lambda v, said, reader: text


def _second_person(v, said, reader):
    if v.get("is_followed_by_movement"):
        return (
            "A second person is in the picture, and looks on. The one who moves was followed; "
            "check that it is the patient, and record alone next time."
        )
    return "A second person is in the picture, " + (
        "as large as the first, so it can't be told who the patient is and nothing is measured "
        "while both are there. Record alone."
        if v["is_as_large"]
        else "further away. The nearer one was followed; check that it is the patient, and "
        "record alone next time."
    )


def _not_this_exercise(v, said, reader):
    seen, wanted = ("lying down", "standing") if v["is_lying"] else ("upright", "lying down")
    return (
        f"The person is {seen}, but {said.name.lower()} is done {wanted}. Check which exercise "
        "this clip shows."
    )


_SEEN = {
    "no_step": "no foot steps",
    "foot_steps": "a foot steps, where both stay",
    "foot_stays": "the foot stays where it is, where the leg takes it along",
    "steps_ahead": "the foot steps forward",
    "steps_back": "the foot steps back",
    "steps_aside": "the foot steps to the side",
    "feet_side_by_side": "the feet stand side by side, not one in front of the other",
    "one_foot_in_front": "one foot stands far in front of the other",
    "rear_foot_low": "the rear foot stands on the floor, not on a bench",
    "rear_foot_raised": "the rear foot stands high, not on the floor",
    "feet_level": "both feet stand on one level",
    "two_feet": "both feet stand on the floor, side by side",
    "one_foot_lifted": "one foot leaves the floor",
    "no_wall": "the weight is over the feet, where a wall carries nothing",
    "no_seat": "the weight is over the feet, where a seat carries nothing",
}
_RESTS = {
    "trunk": "the trunk is inclined by {deg:.0f} deg, not {usual:.0f}",
    "thigh": "the thigh is {deg:.0f} deg from hanging straight down, not {usual:.0f}",
    "knee": "the knee is bent by {deg:.0f} deg, not {usual:.0f}",
}
_MOVES = {
    "trunk": "the trunk tilts by {deg:.0f} deg, not {usual:.0f}",
    "thigh": "the thigh swings by {deg:.0f} deg, not {usual:.0f}",
    "knee": "the knee {verb} by {deg:.0f} deg, not {usual:.0f}",
}


def _other_exercise(v, said, reader):
    if v["seen"] == "rests_otherwise":
        seen = "between repetitions " + _RESTS[v["part"]].format(deg=v["deg"], usual=v["usual_deg"])
    elif v["seen"] == "moves_otherwise":
        direction = 1 if v["deg"] >= 0 else -1
        seen = "from rest to the turn " + _MOVES[v["part"]].format(
            deg=abs(v["deg"]),
            usual=abs(v["usual_deg"]) if abs(v["usual_deg"]) < 5 else v["usual_deg"] * direction,
            verb="bends" if v["deg"] > 0 else "straightens",
        )
    else:
        seen = _SEEN[v["seen"]]
    return (
        f"This is not {said.name.lower()}: {seen}. Nothing is counted. Check which exercise this "
        "clip shows."
    )


def _slow_motion(v, said, reader):
    return (
        f"The file says that it was recorded at {v['recorded_hz']:.0f} pictures a second and is "
        f"shown at {v['stored_hz']:.0f}: a slow-motion recording. Times are not measured. Record "
        "at normal speed."
    )


def _picture_squeezed(v, said, reader):
    how = "wider" if v["is_wide"] else "narrower"
    return (
        f"The person looks {how} than people are: the picture seems to have been "
        f"{'stretched' if v['is_wide'] else 'squeezed'}, which changes every angle, so none is "
        "measured. Send the recording as the camera made it."
    )


def _proportions_unusual(v, said, reader):
    how, what = ("longer", "stretched") if v["is_wide"] else ("shorter", "squeezed")
    return (
        f"The feet look {how} than is usual for the legs. If the picture was {what}, angles are "
        "off, so their intervals are wider. Send the recording as the camera made it."
    )


def _pulses(v, said, reader):
    return (
        f"The movement goes to and fro {v['n']} times at its far end. It is counted as one, and "
        "its phases are not timed."
    )


def _edited(v, said, reader):
    n = v["n_jumps"]
    return (
        f"The picture jumps {n} time{'s' if n > 1 else ''}, as in edited footage or a title. Only "
        f"the longest stretch without a jump, {v['longest_from_s']:.1f} to "
        f"{v['longest_to_s']:.1f} s, is measured. Send the recording as it was made."
    )


def _camera_tilted(v, said, reader):
    return (
        f"The camera seems to be tilted sideways by about {abs(v['tilt_deg']):.0f} deg. Angles to "
        "the floor and to the vertical are off by as much. Level the camera."
    )


def _camera_beside_front(v, said, reader):
    stands, other = ("left", "right") if v["off_deg"] > 0 else ("right", "left")
    whose = "your" if reader == "patient" else "the patient's"
    return (
        f"The camera stands about {abs(v['off_deg']):.0f} deg to {whose} {stands} of straight "
        f"{'behind' if v['is_behind'] else 'ahead'}. Move it a step to {whose} {other}."
    )


def _leg_out_of_picture(v, said, reader):
    whose = f"Your {v['side']}" if reader == "patient" else f"The {v['side']}"
    where, to = ("toward", "back") if v["yaw_deg"] > 0 else ("away from", "front")
    theirs = "your" if reader == "patient" else "the patient's"
    return (
        f"{whose} leg points about {abs(v['yaw_deg']):.0f} deg out of the picture, {where} the "
        "camera, so its angles are wide. Turn so that the toes point straight across the picture, "
        f"or move the camera a step toward {theirs} {to}."
    )


def _wrong_view(v, said, reader):
    from_where = {"sagittal": "the side", "frontal": "the front or back"}.get(
        v["plane"], "an angle between front and side"
    )
    return (
        f"This clip is seen from {from_where}, where {said.name.lower()} can only be counted and "
        f"timed. {said.camera}"
    )


def _rotated(v, said, reader):
    return (
        f"The file says that its picture is to be turned by {v['rotation_deg']} deg; it was turned."
    )


def _frames_lost(v, said, reader):
    return f"{v['n_frames']} frames of the file could not be read and were left out."


def _frame_rate_low(v, said, reader):
    return (
        f"The clip has only {v['rate_hz']:.0f} frames a second: quick turns and short pauses are "
        "smeared. Record at 25 or more."
    )


def _too_quick_for_rate(v, said, reader):
    advice = {
        "patient": "Move more slowly.",
        "terminal": "Move more slowly, or look at more pictures (--pose-rate 30).",
    }.get(reader, "Move more slowly, or look at more pictures each second.")
    return (
        "The movement is quick for the pictures looked at each second, so peaks and times are less "
        f"sure. {advice}"
    )


def _turned_round(v, said, reader):
    if v["are_both_measured"]:
        return (
            "The person turns round: each leg was measured while it was nearer the camera, the "
            f"{v['side']} one in this stretch."
        )
    return (
        f"The person turns round. Only the part with the {v['side']} side toward the camera is "
        "measured. Film each side in a clip of its own."
    )


def _wrong_side(v, said, reader):
    side = v["side"]
    mirrored = "tell your clinic" if reader == "patient" else "say so"
    return (
        f"The {side} leg works and is turned away from the camera, so its angles are not measured. "
        f"Turn round, so that the {side} side faces the camera, or if the recording is mirrored, "
        f"{mirrored}."
    )


def _wrong_leg(v, said, reader):
    side, asked = v["side"], v["asked"]
    told = {None: "no side was given", "both": "both legs were asked for"}.get(
        asked, f"the {asked} one was asked for"
    )
    advice = (
        "Film the leg that works from its own side; if the recording is mirrored, tell your clinic."
        if reader == "patient"
        else "Film the leg that works from its own side, and give that side; if the recording is "
        "mirrored, say so."
    )
    return (
        f"The feet show that the {side} leg works; {told}. The {side} leg is turned away from the "
        f"camera, so its angles are not measured. {advice}"
    )


def _other_leg(v, said, reader):
    which = "The repetition is" if v["n_all"] == 1 else f"{v['n']} of {v['n_all']} repetitions are"
    advice = (
        "Film each leg as a set of its own; if the recording is mirrored, tell your clinic."
        if reader == "patient"
        else "Give the leg that worked, or both; if the recording is mirrored, say so."
    )
    return (
        f"{which} of the {other_side(v['asked'])} leg and left out: the {v['asked']} leg was asked "
        f"for. {advice}"
    )


def _one_leg_only(v, said, reader):
    return f"Both legs were asked for, and only repetitions of the {v['side']} one were found."


def _knee_side(v, said, reader):
    return (
        f"Both knees were measured; measures of alignment are of the {v['side']} one, which moved "
        "inward more."
    )


def _side_assumed(v, said, reader):
    if v["is_nearer"]:
        return f"No side was given: the {v['side']} leg, nearer the camera, was measured."
    advice = "" if reader == "patient" else " Give the side to be sure."
    return (
        f"No side was given, and the feet do not tell which leg works: the {v['side']} leg was "
        f"measured.{advice}"
    )


def _landmarks_lost(v, said, reader):
    what = (
        "it is counted as one, and what lies in the gap is not measured"
        if v["is_counted"]
        else "what was seen of it is listed, and not judged"
    )
    return (
        f"The body could not be followed here, in the middle of a repetition: {what}. Film in good "
        "light, with nothing in front of the legs."
    )


def _other_movement(v, said, reader):
    what = {
        "sitting_down": "sitting down",
        "bend": "a bend",
        "step": "a step",
        "jump": "a jump",
        "picking_up": "picking something up",
        "getting_into_place": "getting into place",
    }
    return (
        f"A movement was not counted: it looks like {what[v['looks_like']]}, not like the exercise."
    )


def _direction_missed(v, said, reader):
    return f"Sequence {v['number']}: the {v['part']} direction was left out."


def _direction_repeated(v, said, reader):
    return f"Sequence {v['number']}: the {v['part']} direction was done {v['n']} times."


def _no_repetition_found(v, said, reader):
    if reader == "patient":
        return "No movement was seen that was large enough to be counted."
    of_what = {"deg": "deg", "foot_length": "of foot length", "leg_length": "of leg length"}
    return (
        f"No attempt of at least {v['least_range']:g} {of_what[v['unit']]} was found in this clip."
    )


FINDING_WORDS: dict[FindingCode, Maker] = {
    "person_mostly_absent": _always(
        "The person is in the picture for only a small part of the clip. Record again with the "
        "whole body in the picture."
    ),
    "person_leaves": _always(
        "No person was found in this stretch, so nothing in it is measured. Stay in the picture "
        "until the set is done."
    ),
    "second_person": _second_person,
    "not_this_exercise": _not_this_exercise,
    "other_exercise": _other_exercise,
    "landmarks_unsteady": _always(
        "The working leg could not be told from the other one in this stretch, so nothing of it is "
        "measured there. Film in good light, in close-fitting clothes, with nothing behind the "
        "legs."
    ),
    "feet_cut_off": _always(
        "The feet leave the picture. Move the camera back or tilt it, so that the whole body shows."
    ),
    "head_cut_off": _always(
        "The head leaves the picture. Move the camera back or tilt it, so that the whole body "
        "shows."
    ),
    "person_too_near": _always(
        "The person is too near the camera to fit in the picture. Move the camera back, to about "
        "three metres."
    ),
    "person_too_far": _always(
        "The person is small in the picture, so angles are coarse. Bring the camera closer."
    ),
    "strongly_compressed": _always(
        "The file is compressed so strongly that joints cannot be placed, so no angle is measured. "
        "Send the recording as the camera made it, not through a messenger that makes it smaller."
    ),
    "too_dark": _always(
        "The picture is dark. Turn on a light in front of the person, and film away from the "
        "window."
    ),
    "blurred": _always(
        "The picture is blurred. Wipe the lens, let the camera focus on the person, and use more "
        "light."
    ),
    "noisy": _always("The picture is grainy, which makes landmarks jitter. Turn on more light."),
    "edited": _edited,
    "camera_moved": _always("The camera moves during the clip. Stand it on something firm."),
    "camera_tilted": _camera_tilted,
    "camera_beside_front": _camera_beside_front,
    "leg_out_of_picture": _leg_out_of_picture,
    "view_unknown": _always("The camera's place could not be told, so no angle is measured."),
    "wrong_view": _wrong_view,
    "rotated": _rotated,
    "frames_lost": _frames_lost,
    "frames_missing": _always("The recording has a gap here; what spans it is not measured."),
    "frame_rate_low": _frame_rate_low,
    "too_quick_for_rate": _too_quick_for_rate,
    "too_few_pictures": _always(
        "The repetition is over in so few of the pictures looked at that its angles are "
        "not measured. Move more slowly."
    ),
    "slow_motion": _slow_motion,
    "picture_squeezed": _picture_squeezed,
    "proportions_unusual": _proportions_unusual,
    "feet_hidden": _always(
        "The feet are hidden, so nothing is said about heels and toes. Clear the floor in front of "
        "the feet."
    ),
    "view_changes": _always(
        "The person stands turned another way here than through most of the clip, so angles are "
        "not measured there. Keep the same side toward the camera, or film each way in a clip of "
        "its own."
    ),
    "pose_misfit": _always(
        "The body that was found does not fit the person's own size here, so nothing of it is "
        "measured. Keep hips and legs free of what hides them, in good light."
    ),
    "pulses": _pulses,
    "turned_round": _turned_round,
    "wrong_side": _wrong_side,
    "wrong_leg": _wrong_leg,
    "other_leg": _other_leg,
    "one_leg_only": _one_leg_only,
    "knee_side": _knee_side,
    "side_assumed": _side_assumed,
    "landmarks_lost": _landmarks_lost,
    "other_movement": _other_movement,
    "direction_missed": _direction_missed,
    "direction_repeated": _direction_repeated,
    "no_repetition_found": _no_repetition_found,
    "timed_not_measured": _always(
        "The movement is smaller than the camera can see from here, so the holds are not counted: "
        "timed, not measured. Use a timer for this exercise."
    ),
    "as_written": lambda v, said, reader: v["text"],
}
"""Code -> sentence maker; every code has one."""

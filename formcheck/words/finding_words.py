"""What was found of a clip, as a sentence with advice, for its reader."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from formcheck.model.codes import FindingCode, Spoils
from formcheck.model.records import ExerciseWords, Finding, Report
from formcheck.words import leg_findings
from formcheck.words.languages import figure, gettext, marked, ngettext
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
    return lambda v, said, reader: gettext(text)


def _second_person(v, said, reader):
    if v.get("is_followed_by_movement"):
        return gettext(
            "A second person is in the picture, and looks on. The one who moves was followed; "
            "check that it is the patient, and record alone next time."
        )
    if v["is_as_large"]:
        return gettext(
            "A second person is in the picture, as large as the first, so it can't be told who the "
            "patient is and nothing is measured while both are there. Record alone."
        )
    return gettext(
        "A second person is in the picture, further away. The nearer one was followed; check that "
        "it is the patient, and record alone next time."
    )


def _not_this_exercise(v, said, reader):
    name = gettext(said.name).lower()
    if v["is_lying"]:
        return gettext(
            "The person is lying down, but %(exercise)s is done standing. Check which exercise "
            "this clip shows.",
            exercise=name,
        )
    return gettext(
        "The person is upright, but %(exercise)s is done lying down. Check which exercise this "
        "clip shows.",
        exercise=name,
    )


_SEEN = {
    "no_step": marked("no foot steps"),
    "foot_steps": marked("a foot steps, where both stay"),
    "foot_stays": marked("the foot stays where it is, where the leg takes it along"),
    "steps_ahead": marked("the foot steps forward"),
    "steps_back": marked("the foot steps back"),
    "steps_aside": marked("the foot steps to the side"),
    "feet_side_by_side": marked("the feet stand side by side, not one in front of the other"),
    "one_foot_in_front": marked("one foot stands far in front of the other"),
    "rear_foot_low": marked("the rear foot stands on the floor, not on a bench"),
    "rear_foot_raised": marked("the rear foot stands high, not on the floor"),
    "feet_level": marked("both feet stand on one level"),
    "two_feet": marked("both feet stand on the floor, side by side"),
    "one_foot_lifted": marked("one foot leaves the floor"),
    "shoulders_low": marked("the shoulders lie on the floor, not on a bench"),
    "shoulders_raised": marked("the shoulders lie on a bench, not on the floor"),
    "no_wall": marked("the weight is over the feet, where a wall carries nothing"),
    "no_seat": marked("the weight is over the feet, where a seat carries nothing"),
}
_RESTS = {
    "trunk": marked("the trunk is inclined by %(deg)s deg, not %(usual)s"),
    "thigh": marked("the thigh is %(deg)s deg from hanging straight down, not %(usual)s"),
    "knee": marked("the knee is bent by %(deg)s deg, not %(usual)s"),
}
_MOVES = {
    "trunk": marked("the trunk tilts by %(deg)s deg, not %(usual)s"),
    "thigh": marked("the thigh swings by %(deg)s deg, not %(usual)s"),
    "knee": marked("the knee bends by %(deg)s deg, not %(usual)s"),
    "knee straightens": marked("the knee straightens by %(deg)s deg, not %(usual)s"),
}


def _other_exercise(v, said, reader):
    if v["seen"] == "rests_otherwise":
        rests = gettext(_RESTS[v["part"]], deg=_whole(v["deg"]), usual=_whole(v["usual_deg"]))
        seen = gettext("between repetitions %(what)s", what=rests)
    elif v["seen"] == "moves_otherwise":
        direction = 1 if v["deg"] >= 0 else -1
        usual = abs(v["usual_deg"]) if abs(v["usual_deg"]) < 5 else v["usual_deg"] * direction
        is_straightened = v["part"] == "knee" and v["deg"] <= 0
        part = "knee straightens" if is_straightened else v["part"]
        moves = gettext(_MOVES[part], deg=_whole(abs(v["deg"])), usual=_whole(usual))
        seen = gettext("from rest to the turn %(what)s", what=moves)
    else:
        seen = gettext(_SEEN[v["seen"]])
    return gettext(
        "This is not %(exercise)s: %(seen)s. Nothing is counted. Check which exercise this clip "
        "shows.",
        exercise=gettext(said.name).lower(),
        seen=seen,
    )


def _whole(value: float) -> str:
    return figure(f"{value:.0f}")


def _tenths(value: float) -> str:
    return figure(f"{value:.1f}")


def _slow_motion(v, said, reader):
    return gettext(
        "The file says that it was recorded at %(recorded)s pictures a second and is shown at "
        "%(stored)s: a slow-motion recording. Times are not measured. Record at normal speed.",
        recorded=_whole(v["recorded_hz"]),
        stored=_whole(v["stored_hz"]),
    )


def _picture_squeezed(v, said, reader):
    if v["is_wide"]:
        return gettext(
            "The person looks wider than people are: the picture seems to have been stretched, "
            "which changes every angle, so none is measured. Send the recording as the camera made "
            "it."
        )
    return gettext(
        "The person looks narrower than people are: the picture seems to have been squeezed, "
        "which changes every angle, so none is measured. Send the recording as the camera made it, "
        "and keep the floor in front of the feet clear."
    )


def _proportions_unusual(v, said, reader):
    if v["is_wide"]:
        return gettext(
            "The feet look longer than is usual for the legs. If the picture was stretched, angles "
            "are off, so their intervals are wider. Send the recording as the camera made it."
        )
    return gettext(
        "The feet look shorter than is usual for the legs. If the picture was squeezed, angles are "
        "off, so their intervals are wider. Send the recording as the camera made it."
    )


def _pulses(v, said, reader):
    return gettext(
        "The movement goes to and fro %(n)s times at its far end. It is counted as one, and its "
        "phases are not timed.",
        n=v["n"],
    )


def _picture_disturbed(v, said, reader):
    if v["is_frozen"]:
        return gettext(
            "The picture stands still while the person goes on, as where a recording is held up: "
            "this time is not measured."
        )
    return gettext(
        "The picture changes at once, as where somebody passes in front or the camera is knocked: "
        "what is seen before and after is measured as one recording."
    )


def _edited(v, said, reader):
    return ngettext(
        "The picture jumps to another scene %(n)s time, as in edited footage or a title. Only the "
        "longest scene, %(from)s to %(to)s s, is measured. Send the recording as it was made.",
        "The picture jumps to another scene %(n)s times, as in edited footage or a title. Only the "
        "longest scene, %(from)s to %(to)s s, is measured. Send the recording as it was made.",
        v["n_jumps"],
        **{"from": _tenths(v["longest_from_s"]), "to": _tenths(v["longest_to_s"])},
    )


def _camera_tilted(v, said, reader):
    return gettext(
        "The camera seems to be tilted sideways by about %(deg)s deg. Angles to the floor and to "
        "the vertical are off by as much. Level the camera.",
        deg=_whole(abs(v["tilt_deg"])),
    )


_BESIDE_FRONT = {
    ("patient", "left", "ahead"): marked(
        "The camera stands about %(deg)s deg to your left of straight ahead. Move it a step to "
        "your right."
    ),
    ("patient", "right", "ahead"): marked(
        "The camera stands about %(deg)s deg to your right of straight ahead. Move it a step to "
        "your left."
    ),
    ("patient", "left", "behind"): marked(
        "The camera stands about %(deg)s deg to your left of straight behind. Move it a step to "
        "your right."
    ),
    ("patient", "right", "behind"): marked(
        "The camera stands about %(deg)s deg to your right of straight behind. Move it a step to "
        "your left."
    ),
}


def _camera_beside_front(v, said, reader):
    stands, other = ("left", "right") if v["off_deg"] > 0 else ("right", "left")
    where, deg = "behind" if v["is_behind"] else "ahead", _whole(abs(v["off_deg"]))
    if reader == "patient":
        return gettext(_BESIDE_FRONT[reader, stands, where], deg=deg)
    return (
        f"The camera stands about {deg} deg to the patient's {stands} of straight {where}. "
        f"Move it a step to the patient's {other}."
    )


_WRONG_VIEW = {
    "sagittal": marked(
        "This clip is seen from the side, where %(exercise)s can only be counted and timed."
    ),
    "frontal": marked(
        "This clip is seen from the front or back, where %(exercise)s can only be counted and "
        "timed."
    ),
    "oblique": marked(
        "This clip is seen from an angle between front and side, where %(exercise)s can only be "
        "counted and timed."
    ),
}


def _wrong_view(v, said, reader):
    words = gettext(
        _WRONG_VIEW.get(v["plane"], _WRONG_VIEW["oblique"]), exercise=gettext(said.name).lower()
    )
    return f"{words} {gettext(said.camera)}"


def _rotated(v, said, reader):
    return gettext(
        "The file says that its picture is to be turned by %(deg)s deg; it was turned.",
        deg=v["rotation_deg"],
    )


def _frames_lost(v, said, reader):
    return gettext("%(n)s frames of the file could not be read and were left out.", n=v["n_frames"])


def _frame_rate_low(v, said, reader):
    return gettext(
        "The clip has only %(n)s frames a second: quick turns and short pauses are smeared. Record "
        "at 25 or more.",
        n=_whole(v["rate_hz"]),
    )


def _too_quick_for_rate(v, said, reader):
    advice = {
        "patient": gettext("Move more slowly."),
        "terminal": "Move more slowly, or look at more pictures (--pose-rate 30).",
    }.get(reader, "Move more slowly, or look at more pictures each second.")
    words = gettext(
        "The movement is quick for the pictures looked at each second, so peaks and times are less "
        "sure."
    )
    return f"{words} {advice}"


def _landmarks_lost(v, said, reader):
    if v["is_counted"]:
        return gettext(
            "The body could not be followed here, in the middle of a repetition: it is counted as "
            "one, and what lies in the gap is not measured. Film in good light, with nothing in "
            "front of the legs."
        )
    return gettext(
        "The body could not be followed here, in the middle of a repetition: what was seen of it "
        "is listed, and not judged. Film in good light, with nothing in front of the legs."
    )


_LOOKS_LIKE = {
    "sitting_down": marked("sitting down"),
    "bend": marked("a bend"),
    "step": marked("a step"),
    "jump": marked("a jump"),
    "picking_up": marked("picking something up"),
    "getting_into_place": marked("getting into place"),
    "turning_round": marked("turning round"),
}


def _other_movement(v, said, reader):
    return gettext(
        "A movement was not counted: it looks like %(what)s, not like the exercise.",
        what=gettext(_LOOKS_LIKE[v["looks_like"]]),
    )


def _direction_missed(v, said, reader):
    return gettext(
        "Sequence %(n)s: the %(part)s direction was left out.",
        n=v["number"],
        part=gettext(v["part"]),
    )


def _direction_repeated(v, said, reader):
    return gettext(
        "Sequence %(n)s: the %(part)s direction was done %(times)s times.",
        n=v["number"],
        part=gettext(v["part"]),
        times=v["n"],
    )


def _no_repetition_found(v, said, reader):
    if reader == "patient":
        return gettext("No movement was seen that was large enough to be counted.")
    return f"No attempt of at least {_of_what(v, 'least_range')} was found in this clip."


def _smaller_movement(v, said, reader):
    if reader == "patient":
        return gettext("A movement was too small to be counted as a repetition.")
    return (
        f"A movement of less than {_of_what(v, 'least_range')} from rest was not counted: that is "
        "the least for this exercise. Look at it in the video."
    )


_UNIT_WORDS = {"deg": "deg", "foot_length": "of foot length", "leg_length": "of leg length"}


def _of_what(v, key):
    return f"{v[key]:g} {_UNIT_WORDS[v['unit']]}"


FINDING_WORDS: dict[FindingCode, Maker] = {
    "person_mostly_absent": _always(
        "The person was found in only a small part of the clip. Record again with the whole body "
        "in the picture, in good light."
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
    "noisy": _always("The picture is grainy, which makes angles less certain. Turn on more light."),
    "picture_disturbed": _picture_disturbed,
    "edited": _edited,
    "camera_moved": _always("The camera moves during the clip. Stand it on something firm."),
    "camera_tilted": _camera_tilted,
    "camera_beside_front": _camera_beside_front,
    "leg_out_of_picture": leg_findings.leg_out_of_picture,
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
    "turned_round": leg_findings.turned_round,
    "wrong_side": leg_findings.wrong_side,
    "wrong_leg": leg_findings.wrong_leg,
    "other_leg": leg_findings.other_leg,
    "one_leg_only": leg_findings.one_leg_only,
    "knee_side": leg_findings.knee_side,
    "side_assumed": leg_findings.side_assumed,
    "landmarks_lost": _landmarks_lost,
    "other_movement": _other_movement,
    "way_left_out": _always(
        "The way to the place of the set, or from it, is left out: nothing of it is measured."
    ),
    "direction_missed": _direction_missed,
    "direction_repeated": _direction_repeated,
    "smaller_movement": _smaller_movement,
    "no_repetition_found": _no_repetition_found,
    "timed_not_measured": _always(
        "The movement is smaller than the camera can see from here, so the holds are not counted: "
        "timed, not measured. Use a timer for this exercise."
    ),
    "as_written": lambda v, said, reader: v["text"],
}
"""Code -> sentence maker; every code has one."""

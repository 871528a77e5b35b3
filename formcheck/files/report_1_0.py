"""A report of version 1.0 read into today's records: the one place where a sentence is parsed.

Version 1.0 told findings, reasons, checks and the set in English. The sentences that it used are
frozen here as they were, whatever room `words` says today. A sentence that is not among them is
kept as code `as_written`, and told word for word.
"""

import re
from collections.abc import Callable, Mapping
from typing import Any

from formcheck.files.report_records import report_of_entries
from formcheck.model.errors import FileError
from formcheck.model.measures import MEASURES
from formcheck.model.records import Report

_KEYS = {
    "": (
        "schema",
        "created_at",
        "provenance",
        "clip",
        "exercise",
        "side",
        "context",
        "view",
        "quality",
        "repetitions",
        "set",
    ),
    "provenance": ("version", "pose_model", "settings", "prescription_sha256"),
    "clip": (
        "file",
        "sha256",
        "duration_s",
        "n_frames",
        "width_px",
        "height_px",
        "rotation_deg",
        "n_frames_lost",
        "mirrored",
    ),
    "context": ("load_kg", "support", "step_height_cm", "seat_height_cm", "effort", "pain"),
    "view": ("plane", "azimuth_deg", "near_side", "person_height_px"),
    "quality": ("usable", "findings"),
    "set": ("n_repetitions", "n_complete", "n_met", "dose", "measures", "symmetry", "text"),
}
_REPETITION_KEYS = (
    "number",
    "side",
    "part",
    "start_s",
    "turn_s",
    "end_s",
    "complete",
    "measures",
    "checks",
    "findings",
)


def report_of_1_0(mapping: dict[str, Any], file: str) -> Report:
    """The report of a mapping of version 1.0. Raises FileError with every fault."""
    faults = _missing_keys(mapping)
    if faults:
        listed = tuple(f"{file}: {fault}; analyse the clip again" for fault in faults)
        raise FileError(listed[0], listed)
    try:
        return report_of_entries(_entries(mapping), file)
    except (AttributeError, KeyError, LookupError, TypeError, ValueError) as error:
        raise FileError(
            f"{file}: not a report of version 1.0 ({type(error).__name__}: {error}); analyse the "
            "clip again"
        ) from None


def _missing(mapping: object, keys: tuple[str, ...], place: str) -> list[str]:
    if not isinstance(mapping, dict):
        return [f"{place or 'the file'}: not an object"]
    dot = f"{place}." if place else ""
    return [f"{dot}{key}: missing" for key in keys if key not in mapping]


def _missing_keys(mapping: Mapping[str, Any]) -> list[str]:
    faults = []
    for place, keys in _KEYS.items():
        if not place or place in mapping:
            faults += _missing(mapping[place] if place else mapping, keys, place)
    repetitions = mapping.get("repetitions", [])
    if not isinstance(repetitions, list):
        return [*faults, "repetitions: not an array"]
    for i, repetition in enumerate(repetitions):
        faults += _missing(repetition, _REPETITION_KEYS, f"repetitions[{i}]")
    return faults


# The mapping in the keys of version 1.1


def _entries(old: Mapping[str, Any]) -> dict[str, Any]:
    said, is_judged, of_set = _set_text(old["set"]["text"])
    of_repetitions = [
        {"kind": c["kind"], **_bound(c["measure"], c["bound"])}
        for r in old["repetitions"]
        for c in r["checks"]
    ]
    bounds = [*of_repetitions, *({k: c[k] for k in _BOUND_KEYS} for c in of_set)]
    findings = [_finding(f, is_usable=old["quality"]["usable"]) for f in old["quality"]["findings"]]
    said["camera"] = next((c for f in old["quality"]["findings"] if (c := _camera(f["text"]))), "")
    said["remarks"] = {f["code"]: f["text"] for r in old["repetitions"] for f in r["findings"]}
    clip = old["clip"]
    return {
        "schema": old["schema"],
        "created_at": old["created_at"],
        "provenance": {**old["provenance"], "interval_parts": []},
        # What version 1.0 does not tell: (0, 1) is no time base.
        "clip": {
            **clip,
            "frame_rate_hz": None,
            "time_base": [0, 1],
            "first_stamp": 0,
            "capture_rate_hz": None,
        },
        "exercise": old["exercise"],
        "exercise_words": said,
        "side": old["side"],
        "context": {**old["context"], "stature_cm": None},
        "bounds": [b for n, b in enumerate(bounds) if b not in bounds[:n]],
        "view": {**old["view"], "roll_deg": None, "facing_x": 0},
        "quality": {"usable": old["quality"]["usable"], "findings": findings},
        "repetitions": [_repetition(r) for r in old["repetitions"]],
        "set": {
            **{k: v for k, v in old["set"].items() if k != "text"},
            "measures": {k: {**m, "change": None} for k, m in old["set"]["measures"].items()},
            "symmetry": old["set"]["symmetry"]
            and {k: _value(s) for k, s in old["set"]["symmetry"].items()},
            "checks": of_set,
            "facts": {
                "complete_of_side": None,
                "tallies": [],
                "n_not_visible": 0,
                "longest_hold_s": None,
                "judged": is_judged,
                "n_left_out": 0,
            },
        },
    }


def _repetition(old: Mapping[str, Any]) -> dict[str, Any]:
    return {
        **old,
        "turn_from_s": old["turn_s"],
        "turn_to_s": old["turn_s"],
        "measures": {key: _value(m) for key, m in old["measures"].items()},
        "checks": [
            {"kind": c["kind"], **_bound(c["measure"], c["bound"]), "outcome": c["outcome"]}
            for c in old["checks"]
        ],
        "findings": [{"code": f["code"], "at_s": f["at_s"]} for f in old["findings"]],
    }


def _value(old: Mapping[str, Any]) -> dict[str, Any]:
    if "not_measurable" not in old:
        return dict(old)
    code, values = _refusal(old["not_measurable"])
    return {**old, "not_measurable": code, "values": values}


# Bounds in words: "at least 60 deg", "80 to 100 deg", "at most 0 deg, give or take 10"

_BOUND_KEYS = ("kind", "measure", "at_least", "at_most", "tolerance", "source")
_N = r"(-?[0-9.]+(?:e[+-]?\d+)?)"
_BOUND = re.compile(
    rf"(?:(?P<least>at least) )?(?:(?P<most>at most) )?{_N}(?: to {_N})?(?: (?:deg|s|cm|deg/min))?"
    rf"(?:, give or take {_N})?$"
)


def _bound(measure: str, text: str) -> dict[str, Any]:
    found = _BOUND.match(text)
    if found is None:
        raise ValueError(f"no bound: {text!r}")
    first, second, tolerance = (None if g is None else float(g) for g in found.groups()[2:])
    return {
        "measure": measure,
        "at_least": None if found["most"] else first,
        "at_most": second if second is not None else None if found["least"] else first,
        "tolerance": tolerance or 0.0,
        "source": "",
    }


# The set in words

_BEGINNING = re.compile(
    r"(?P<name>.*?): (?:\d+ complete |no )(?P<kind>hold|sequence|repetition)s?\b"
)
_OUTCOMES = {
    "target reached": ("target", "met"),
    "target not reached": ("target", "not_met"),
    "too close to call": ("target", "undecided"),
    "within the limit": ("limit", "kept"),
    "past the limit": ("limit", "passed"),
    "may be past the limit, please look": ("limit", "undecided"),
}
_KEY_OF_SET = {m.label.lower(): key for key, m in MEASURES.items() if m.at == "set"}
_SET_CHECK = re.compile(
    rf"(?P<outcome>{'|'.join(map(re.escape, _OUTCOMES))}|not seen): "
    rf"(?P<name>{'|'.join(map(re.escape, _KEY_OF_SET))})(?: [^,]*)?, (?P<kind>wanted|limit) "
    r"(?P<bound>.*)$"
)


def _set_text(text: str) -> tuple[dict[str, Any], bool, list[dict[str, Any]]]:
    """(name and kind of the exercise, whether anything was judged, checks of the set)."""
    found = _BEGINNING.match(text)
    said = {"name": found["name"], "kind": found["kind"]} if found else None
    checks = []
    for part in text.rstrip(".").split("; ")[1:]:
        check = _SET_CHECK.match(part)
        if check:
            kind = "limit" if check["kind"] == "limit" else "target"
            outcome = _OUTCOMES.get(check["outcome"], (kind, "not_visible"))[1]
            bound = _bound(_KEY_OF_SET[check["name"]], check["bound"])
            checks.append({"kind": kind, **bound, "outcome": outcome})
    is_judged = "nobody set a target, so nothing is judged" not in text
    return said or {"name": text, "kind": "repetition"}, is_judged, checks


# Findings in words

_FROM_WHERE = {
    "the side": "sagittal",
    "the front or back": "frontal",
    "an angle between front and side": "oblique",
}
_ASKED = {"no side was given": None, "both legs were asked for": "both"}
_SIDE = "(left|right)"
_LOOKS_LIKE = {"sitting down": "sitting_down", "a bend": "bend", "a step": "step", "a jump": "jump"}
_UNITS = {"deg": "deg", "of foot length": "foot_length", "of leg length": "leg_length"}

Taken = Callable[[re.Match[str]], dict[str, Any]]
PLAIN_FINDINGS = frozenset(
    {
        "person_mostly_absent",
        "person_leaves",
        "landmarks_unsteady",
        "feet_cut_off",
        "head_cut_off",
        "person_too_near",
        "person_too_far",
        "too_dark",
        "blurred",
        "noisy",
        "camera_moved",
        "view_unknown",
        "frames_missing",
        "too_quick_for_rate",
        "timed_not_measured",
    }
)
"""Codes whose sentence says no more than the code."""
TOLD_FINDINGS: dict[str, tuple[tuple[str, Taken], ...]] = {
    "second_person": (
        (r"A second person .*, as large as the first", lambda m: {"is_as_large": True}),
        (r"A second person .*, further away", lambda m: {"is_as_large": False}),
    ),
    "not_this_exercise": (
        (r"The person is (lying down|upright),", lambda m: {"is_lying": m[1] == "lying down"}),
    ),
    "edited": (
        (
            r"The picture jumps (?:to another scene )?(\d+) times?, .* (?:jump|scene), "
            rf"{_N} to {_N} s, is measured",
            lambda m: {
                "n_jumps": int(m[1]),
                "longest_from_s": float(m[2]),
                "longest_to_s": float(m[3]),
            },
        ),
    ),
    "camera_tilted": (
        (r"The camera seems .* about (\d+) deg", lambda m: {"tilt_deg": float(m[1])}),
    ),
    "wrong_view": (
        (
            rf"This clip is seen from ({'|'.join(_FROM_WHERE)}), where ",
            lambda m: {"plane": _FROM_WHERE[m[1]]},
        ),
    ),
    "rotated": ((r".* turned by (-?\d+) deg;", lambda m: {"rotation_deg": int(m[1])}),),
    "frames_lost": ((r"(\d+) frames of the file", lambda m: {"n_frames": int(m[1])}),),
    "frame_rate_low": ((r"The clip has only (\d+) frames", lambda m: {"rate_hz": float(m[1])}),),
    "turned_round": (
        (
            rf"The person turns round: .* the {_SIDE} one in this stretch",
            lambda m: {"are_both_measured": True, "side": m[1]},
        ),
        (
            rf"The person turns round\. Only the part with the {_SIDE} side",
            lambda m: {"are_both_measured": False, "side": m[1]},
        ),
    ),
    "wrong_side": ((rf"The {_SIDE} leg works and is turned away", lambda m: {"side": m[1]}),),
    "wrong_leg": (
        (
            rf"The feet show that the {_SIDE} leg works; "
            rf"(?:the {_SIDE} one was asked for|({'|'.join(_ASKED)}))\.",
            lambda m: {"side": m[1], "asked": m[2] or _ASKED[m[3]]},
        ),
    ),
    "other_leg": (
        (
            rf"(?:(\d+) of (\d+) repetitions are|The repetition is) of the .* the {_SIDE} leg "
            "(?:was asked for|is measured here)",
            lambda m: {"n": int(m[1] or 1), "n_all": int(m[2] or 1), "asked": m[3]},
        ),
    ),
    "one_leg_only": ((rf"Both legs .* of the {_SIDE} one", lambda m: {"side": m[1]}),),
    "knee_side": ((rf"Both knees .* of the {_SIDE} one", lambda m: {"side": m[1]}),),
    "side_assumed": (
        (
            rf"No side was given: the {_SIDE} leg, nearer",
            lambda m: {"side": m[1], "is_nearer": True},
        ),
        (
            rf"No side was given, .* the {_SIDE} leg was measured",
            lambda m: {"side": m[1], "is_nearer": False},
        ),
    ),
    "landmarks_lost": (
        (
            r"The body could .* repetition: (it is counted as one|what was seen)",
            lambda m: {"is_counted": m[1] == "it is counted as one"},
        ),
    ),
    "other_movement": (
        (
            rf"A movement was not counted: it looks like ({'|'.join(_LOOKS_LIKE)}),",
            lambda m: {"looks_like": _LOOKS_LIKE[m[1]]},
        ),
    ),
    "direction_missed": (
        (
            r"Sequence (\d+): the (\S+) direction was left out",
            lambda m: {"number": int(m[1]), "part": m[2]},
        ),
    ),
    "direction_repeated": (
        (
            r"Sequence (\d+): the (\S+) direction was done (\d+) times",
            lambda m: {"number": int(m[1]), "part": m[2], "n": int(m[3])},
        ),
    ),
    "no_repetition_found": (
        (
            rf"No attempt of at least {_N} ({'|'.join(_UNITS)}) was found",
            lambda m: {"least_range": float(m[1]), "unit": _UNITS[m[2]]},
        ),
    ),
}
_SPOILS_CLIP = {"not_this_exercise", "view_unknown", "wrong_side", "wrong_leg"}
_SPOILS_STRETCH = {"person_leaves", "landmarks_unsteady", "frames_missing"}


def _finding(old: Mapping[str, Any], *, is_usable: bool) -> dict[str, Any]:
    code, text = old["code"], old["text"]
    values: dict[str, Any] | None = {} if code in PLAIN_FINDINGS else None
    if code in TOLD_FINDINGS:
        values = next(
            (taken(m) for form, taken in TOLD_FINDINGS[code] if (m := re.match(form, text))), None
        )
    spoils = "nothing"
    if code in _SPOILS_CLIP or (code == "other_leg" and not is_usable):
        spoils = "clip"
    elif code in _SPOILS_STRETCH or (code == "second_person" and (values or {}).get("is_as_large")):
        spoils = "stretch"
    if values is None:
        code, values = "as_written", {"code": code, "text": text}
    return {
        "code": code,
        "values": values,
        "from_s": old["from_s"],
        "to_s": old["to_s"],
        "spoils": spoils,
    }


def _camera(text: str) -> str:
    """The exercise's own words about the camera, where a finding quotes them."""
    found = re.match(r"This clip is seen from .* can only be counted and timed\. (.*)$", text)
    return found[1] if found else ""


# Reasons in words

REASONS = {
    "the camera stands too far off the front for so deep a bend: the knee going forward would look "
    "like the knee going inward; place the camera straight in front of the person": (
        "camera_off_front"
    ),
    "the patient's stature was not entered": "stature_missing",
    "the repetition is cut off there, by the clip or where the leg was lost from sight": (
        "repetition_cut"
    ),
    "the leg was hidden or could not be told apart for too much of this repetition": "leg_hidden",
    "the foot is never seen flat at rest, so the heel's height has no zero; stand flat for a "
    "moment": "no_flat_foot",
    "the angle of the hold is not seen from this camera position": "hold_angle_not_seen",
    "no target band was prescribed for this hold": "no_target_band",
    "this is the last repetition": "last_repetition",
    "the signal that drives this view has another unit": "other_unit",
    "this is measured over the whole set": "of_the_set",
    "no value could be worked out": "no_value",
}
_SEEN_FROM = {
    "the side": "sagittal",
    "the front or back": "frontal",
    "between front and side": "oblique",
    "an angle that could not be told": "unknown",
}
_PLACE = {"at": "sagittal", "straight": "frontal", "about": "oblique"}
REASON_FORMS: tuple[tuple[str, str, Taken], ...] = (
    (
        "view_not_fit",
        rf"not measurable from this camera position \(seen from ({'|'.join(_SEEN_FROM)})\); "
        r"place the camera (at|straight|about) ",
        lambda m: {"plane": _SEEN_FROM[m[1]], "wanted": _PLACE[m[2]]},
    ),
    (
        "leg_turned_away",
        rf"the {_SIDE} leg is turned away from the camera; ",
        lambda m: {"side": m[1]},
    ),
    (
        "other_leg_too_small",
        rf"the {_SIDE} leg's value is too small for its uncertainty",
        lambda m: {"side": m[1]},
    ),
)


def _refusal(text: str) -> tuple[str, dict[str, Any]]:
    if text in REASONS:
        return REASONS[text], {}
    for code, form, taken in REASON_FORMS:
        if found := re.match(form, text):
            return code, taken(found)
    return "as_written", {"text": text}

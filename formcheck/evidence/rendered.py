"""The description that a generator leaves beside a rendered clip (NAME.json.gz), as a truth.

A mapping with `exercise`, `side` (L, R, B), `azimuth`, `fps`, `size`, `reps` (`start`, `top0`,
`top1`, `end`; a sequence has `parts` of the same form with a `direction`) and `frames` with `t`,
`knee_L`, `thigh_L` (thigh axis from vertical-down, so inclination is 90 minus it), `trunk`
(without sign), `pelvic_obliquity` (left hip higher = positive) and `*_xyz` in metres (x = the
person's left, -y = front, z = up: our axes). `family` and `setting` (`cam_h`, `dist`, `yfov`,
`trousers`) tell how it was filmed.
"""

import math

import numpy as np

from formcheck.evidence.truth import JOINTS, Setting, TrueRepetition, Truth
from formcheck.files.exercises import load_exercise
from formcheck.model.anatomy import SIDES
from formcheck.model.errors import FileError, UsageError

SIDE = {"L": "left", "R": "right", "B": "both"}
PARTS = {"multidirectional_lunge": ("forward", "lateral", "rotational")}
ON_THE_BACK = ("supine", "hook_lying", "long_sitting", "bench_supported")


def truth_of_rendered(mapping: dict, file: str) -> Truth:
    """The truth in a description; `file` names it in the fault.

    Raises FileError when it is not of the form above.
    """
    try:
        return truth_from(mapping)
    except (KeyError, TypeError, ValueError, AttributeError, UsageError) as error:
        why = f"lacks {error}" if isinstance(error, KeyError) else str(error)
        text = (
            f"{file}: is no description of a rendered clip ({why}); give a truth file "
            "(NAME.truth.json) instead"
        )
        raise FileError(text, (text,)) from error


def truth_from(source: dict, rate_hz: float | None = None) -> Truth:
    """The truth, thinned to the first row at or after each k / `rate_hz`.

    Raises KeyError, TypeError, ValueError or UsageError for a mapping of another form.
    """
    exercise = load_exercise(source["exercise"])
    side = SIDE[source["side"]]
    rows = _thinned(source["frames"], rate_hz)

    def column(key):
        return np.array([row[key] for row in rows], dtype=float)

    position_m = np.full((len(rows), 2, len(JOINTS), 3), np.nan)
    for s, letter in enumerate("LR"):
        for j, joint in enumerate(JOINTS):
            if f"{joint}_{letter}_xyz" in rows[0]:
                position_m[:, s, j] = [row[f"{joint}_{letter}_xyz"] for row in rows]
    # Left hip higher is the right side lower: the swing side's drop where the left leg works,
    # and a negative value by our definition otherwise.
    is_left_stance = exercise.working_leg != "both" and side == "left"
    return Truth(
        exercise=exercise.id,
        side=side,
        azimuth_deg=float(source["azimuth"]),
        note=source.get("note") or "",
        family=source.get("family") or "",
        setting=_setting(source),
        repetitions=_repetitions(source["reps"], PARTS.get(exercise.id, (None,))),
        time_s=column("t"),
        trunk_inclination_deg=column("trunk")
        * (-1 if exercise.position in ON_THE_BACK else _forward(position_m)),
        pelvic_obliquity_deg=column("pelvic_obliquity") * (1 if is_left_stance else -1),
        position_m=position_m,
        **{
            f"knee_flexion_{name}_deg": column(f"knee_{letter}")
            for name, letter in zip(SIDES, "LR", strict=True)
        },
        **{
            f"thigh_inclination_{name}_deg": 90 - column(f"thigh_{letter}")
            for name, letter in zip(SIDES, "LR", strict=True)
        },
    )


BEHIND_M = 0.05
"""Shoulders further behind the hips than a figure's own upright posture has them: leaning back."""


def _forward(position_m: np.ndarray) -> np.ndarray:
    """(n,) -1 where the trunk leans back, else 1."""
    shoulder, hip = (
        np.mean(position_m[:, :, JOINTS.index(j), 1], axis=1) for j in ("shoulder", "hip")
    )
    return np.where(shoulder - hip > BEHIND_M, -1.0, 1.0)


def _repetitions(listed: list[dict], parts: tuple) -> tuple[TrueRepetition, ...]:
    """A sequence is told by its parts, as the program reports it."""
    flat = [part for rep in listed for part in rep.get("parts", [rep])]
    return tuple(
        TrueRepetition(
            start_s=round(rep["start"], 5),
            turn_from_s=round(rep["top0"], 5),
            turn_to_s=round(rep["top1"], 5),
            end_s=round(rep["end"], 5),
            part=rep.get("direction", parts[i % len(parts)]),
        )
        for i, rep in enumerate(flat)
    )


def _setting(source: dict) -> Setting:
    told = source.get("setting") or {}
    width, height = source.get("size") or (math.nan, math.nan)
    clothing = {True: "trousers", False: "bare legs"}.get(told.get("trousers"), "")
    return Setting(
        camera_height_m=float(told.get("cam_h", math.nan)),
        camera_distance_m=float(told.get("dist", math.nan)),
        field_of_view_deg=float(told.get("yfov", math.nan)),
        frame_rate_hz=float(source.get("fps", math.nan)),
        width_px=float(width),
        height_px=float(height),
        clothing=clothing,
    )


def _thinned(rows: list[dict], rate_hz: float | None) -> list[dict]:
    if rate_hz is None:
        return rows
    kept, due = [], 0
    for row in rows:
        # A hair early, since times are rounded.
        if row["t"] * rate_hz + 0.1 >= due:
            kept.append(row)
            due = int(row["t"] * rate_hz + 0.1) + 1
    return kept

"""Turns the description that comes with a rendered clip into a truth file of our own.

Source: a mapping with `exercise`, `side` (L, R, B), `azimuth`, `reps` (`start`, `top0`, `top1`,
`end`) and `frames` with `t`, `knee_L`, `thigh_L` (thigh axis from vertical-down, so inclination
is 90 minus it), `trunk` (without sign: backward in those who lie, or sit long, on the floor),
`pelvic_obliquity` (left hip higher = positive) and `*_xyz` in metres (x = the person's left,
-y = front, z = up: our axes).

python tests/truth_converter.py SOURCE.json[.gz] TARGET.truth.json [RATE_HZ]
"""

import gzip
import json
import sys
from pathlib import Path

import numpy as np

from formcheck.evidence.truth import JOINTS, TrueRepetition, Truth, write_truth
from formcheck.model.anatomy import SIDES

SIDE = {"L": "left", "R": "right", "B": "both"}
RENAMED = {"star_lunge": "multidirectional_lunge"}
PARTS = {"multidirectional_lunge": ("forward", "lateral", "rotational")}
ON_THE_BACK = ("quad_set", "straight_leg_raise", "bridge")
SINGLE_LEG = ("single_leg_deadlift", "single_leg_squat", "single_leg_stance", "step_down")


def truth_from(source: dict, rate_hz: float | None = None) -> Truth:
    """The truth, thinned to the first row at or after each k / `rate_hz`."""
    exercise = RENAMED.get(source["exercise"], source["exercise"])
    side = SIDE[source["side"]]
    rows = _thinned(source["frames"], rate_hz)
    parts = PARTS.get(exercise, (None,))

    def column(key):
        return np.array([row[key] for row in rows], dtype=float)

    position_m = np.full((len(rows), 2, len(JOINTS), 3), np.nan)
    for s, letter in enumerate("LR"):
        for j, joint in enumerate(JOINTS):
            if f"{joint}_{letter}_xyz" in rows[0]:
                position_m[:, s, j] = [row[f"{joint}_{letter}_xyz"] for row in rows]
    # Left hip higher is the right side lower: the swing side's drop where the left leg stands,
    # and a negative value by our definition otherwise.
    is_left_stance = exercise in SINGLE_LEG and side == "left"
    return Truth(
        exercise=exercise,
        side=side,
        azimuth_deg=float(source["azimuth"]),
        note=source["note"] or "",
        repetitions=tuple(
            TrueRepetition(
                start_s=round(rep["start"], 5),
                turn_from_s=round(rep["top0"], 5),
                turn_to_s=round(rep["top1"], 5),
                end_s=round(rep["end"], 5),
                part=parts[i % len(parts)],
            )
            for i, rep in enumerate(source["reps"])
        ),
        time_s=column("t"),
        trunk_inclination_deg=column("trunk") * (-1 if exercise in ON_THE_BACK else 1),
        pelvic_obliquity_deg=column("pelvic_obliquity") * (1 if is_left_stance else -1),
        position_m=position_m,
        **{
            f"knee_flexion_{side_name}_deg": column(f"knee_{letter}")
            for side_name, letter in zip(SIDES, "LR", strict=True)
        },
        **{
            f"thigh_inclination_{side_name}_deg": 90 - column(f"thigh_{letter}")
            for side_name, letter in zip(SIDES, "LR", strict=True)
        },
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


def read_source(path: Path | str) -> dict:
    """The mapping in a JSON file, gzipped or not."""
    path = Path(path)
    content = path.read_bytes()
    return json.loads(gzip.decompress(content) if path.suffix == ".gz" else content)


def convert(source: Path | str, target: Path | str, rate_hz: float | None = None) -> None:
    """Writes the truth file of one rendered clip."""
    write_truth(Path(target), truth_from(read_source(source), rate_hz))


if __name__ == "__main__":
    convert(sys.argv[1], sys.argv[2], float(sys.argv[3]) if len(sys.argv) > 3 else None)

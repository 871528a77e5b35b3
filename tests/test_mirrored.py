"""A clip that mirrors the person, as a selfie preview does: the same numbers, the lines where the
recorded picture has the leg."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from exercise_cases import CASES
from skeleton import Camera, film, repeated

from formcheck.files.bids import write_bids_motion
from formcheck.files.exercises import load_exercise
from formcheck.model.anatomy import LANDMARK, LEG, other_side
from formcheck.model.records import Measured
from formcheck.model.request import Request
from formcheck.overlay.plan import Plan
from formcheck.run.pipeline import assess


def filmed(is_mirrored):
    case = next(c for c in CASES if c.label == "squat")
    camera = Camera(azimuth_deg=case.azimuth_deg, is_mirrored=is_mirrored)
    movement = repeated(case.rest, [case.good] * 3, stay_s=case.stay_s)
    return film(movement, camera, anchor=case.anchor, roll_deg=case.roll_deg)


def analysed(raw):
    request = Request(clip=Path("made_up.mp4"), exercise=load_exercise("squat"), side="left")
    return assess(raw, request)


def peaks_deg(report):
    values = [
        next(m for m in r.measures if m.key == "knee_flexion_peak_deg") for r in report.repetitions
    ]
    return [v.value if isinstance(v, Measured) else None for v in values]


def jumping(raw, side, turn_s):
    """An ankle that jumps by 40 px from picture to picture for three seconds."""
    image = np.array(raw.image_px)
    # In the recorded picture of a mirrored clip the model calls each leg by the other's name.
    name = other_side(side) if raw.clip.is_mirrored else side
    rows = np.flatnonzero(np.abs(raw.time_s - turn_s) < 1.5)
    image[rows, 0, LANDMARK[name, "ankle"], 0] += np.where(np.arange(len(rows)) % 2, 40, -40)
    return replace(raw, image_px=image)


@pytest.mark.parametrize("is_mirrored", [False, True])
def test_the_leg_is_drawn_where_the_recorded_picture_has_it(is_mirrored):
    raw = filmed(is_mirrored)
    analysis = analysed(raw)
    name = "right" if is_mirrored else "left"
    for r in analysis.report.repetitions:
        at = int(np.argmin(np.abs(raw.time_s - r.repetition.turn_s)))
        scene = Plan(analysis).at(float(raw.time_s[at]))
        recorded = raw.image_px[at, 0, [LANDMARK[name, j] for j in LEG]]
        assert scene.legs[0] == pytest.approx(recorded, abs=3)
        knee = recorded[LEG.index("knee")]
        assert scene.angle.vertex == pytest.approx(tuple(knee), abs=3)
        # The number stands before the bent knee, away from thigh and shank.
        hip_x = recorded[LEG.index("hip"), 0]
        assert np.sign(scene.angle.label_ray[0]) == np.sign(knee[0] - hip_x)


def test_the_exported_motion_has_the_pixels_of_the_recorded_picture(tmp_path):
    raw = filmed(True)
    analysis = analysed(raw)
    write_bids_motion(analysis, tmp_path, participant="KN204")
    (table,) = tmp_path.rglob("*_motion.tsv")
    (channels,) = tmp_path.rglob("*_channels.tsv")
    names = [line.split("\t")[0] for line in channels.read_text().splitlines()[1:]]
    rows = np.genfromtxt(table, delimiter="\t", missing_values="n/a")
    at = int(np.argmin(np.abs(analysis.track.time_s - raw.time_s[40])))
    # The patient's left leg, which the model calls the right one in a mirrored picture.
    recorded = raw.image_px[40, 0, LANDMARK["right", "knee"], 0]
    assert rows[at, names.index("left_knee_x")] == pytest.approx(recorded, abs=3)


@pytest.mark.parametrize("jumps", ["left", "right"])
def test_jumping_landmarks_withhold_the_same_in_a_mirrored_clip(jumps):
    turn_s = analysed(filmed(False)).report.repetitions[1].repetition.turn_s
    plain, mirrored = (analysed(jumping(filmed(m), jumps, turn_s)).report for m in (False, True))
    told = [[f.code for f in r.findings] for r in (plain, mirrored)]
    assert told[0] == told[1]
    assert ("landmarks_unsteady" in told[0]) == (jumps == "left"), "the near leg decides"
    assert peaks_deg(mirrored) == pytest.approx(peaks_deg(plain), abs=0.01)

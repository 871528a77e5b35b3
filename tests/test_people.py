"""Who is the patient where several people are found, or one of them twice."""

from dataclasses import replace

import numpy as np
import pytest
from skeleton import Camera, Key, Movement, Posture, both, film, repeated

from formcheck.files.exercises import load_exercise
from formcheck.model.request import Request
from formcheck.motion.people import choose_patient, linked_people
from formcheck.run.pipeline import assess

STANDING = Posture()
SQUATS = repeated(STANDING, [Posture(trunk=35, **both(hip=75, knee=95))] * 4)


def with_people(raw, *everyone):
    """The track with these people in it, each (n, 33, 2) pixels, NaN where not there."""
    n = len(everyone)
    return replace(
        raw,
        image_px=np.stack(everyone, axis=1).astype(np.float32),
        world_m=np.concatenate([raw.world_m] * n, axis=1),
        visibility=np.concatenate([raw.visibility] * n, axis=1),
    )


def squats(raw):
    return assess(raw, Request(clip="made_up.mp4", exercise=load_exercise("squat"))).report


def still_person(raw, height: float, x: float, sway_px: float = 2.0) -> np.ndarray:
    """Somebody who stands at x and looks on, `height` times as large as the patient standing."""
    standing = np.tile(raw.image_px[:1, 0].astype(float), (len(raw.time_s), 1, 1))
    foot = np.nanmax(standing[0, :, 1])
    out = (standing - [standing[0, :, 0].mean(), foot]) * height + [x, foot]
    return out + sway_px * np.sin(raw.time_s)[:, None, None]


def test_a_patient_found_twice_in_a_picture_is_followed_on():
    # The second find takes over the place of the first, which is not seen again.
    raw = film(SQUATS, Camera(azimuth_deg=90))
    at = len(raw.time_s) // 3
    first, second = raw.image_px[:, 0].copy(), raw.image_px[:, 0].copy() + 1.0
    first[at + 1 :] = np.nan
    second[:at] = np.nan
    first[at] += 2.0  # where both are found the second fits the path better
    made = with_people(raw, first, second)
    assert (choose_patient(made) >= 0).all()
    assert squats(made).whole.n_complete == 4


def test_one_who_comes_as_the_patient_leaves_is_another_person():
    raw = film(SQUATS, Camera(azimuth_deg=90))
    coach = still_person(raw, 1.1, 100.0)
    half = len(raw.time_s) // 2
    coach[:half] = np.nan
    patient = raw.image_px[:, 0].copy()
    patient[half:] = np.nan
    made = with_people(raw, patient, coach)
    assert (choose_patient(made)[half:] < 0).all() or (choose_patient(made)[:half] < 0).all()


@pytest.mark.parametrize("height", [1.15, 1.4, 1.8])
def test_a_larger_person_who_looks_on_is_not_the_patient(height):
    raw = film(SQUATS, Camera(azimuth_deg=90))
    made = with_people(raw, raw.image_px[:, 0], still_person(raw, height, 120.0))
    assert set(choose_patient(made)) == {0}
    assert squats(made).whole.n_complete == 4


def test_who_walks_about_behind_a_patient_that_holds_still_is_not_the_patient():
    raw = film(SQUATS, Camera(azimuth_deg=90))
    still = film(Movement(keys=(Key(posture=STANDING, move_s=1.0, stay_s=20.0),)), Camera())
    # A small person walks to and fro behind a patient who holds still.
    walker = still_person(raw, 0.6, 200.0)
    walker[..., 0] += 150 * np.sin(0.8 * raw.time_s)[:, None]
    walker[:, 27] += 25 * np.sin(6 * raw.time_s)[:, None]
    walker[:, 28] -= 25 * np.sin(6 * raw.time_s)[:, None]
    n = len(raw.time_s)
    quiet = np.tile(still.image_px[0, 0], (n, 1, 1))
    assert set(choose_patient(with_people(raw, quiet, walker))) == {0}


def test_two_people_stay_two():
    raw = film(SQUATS, Camera(azimuth_deg=90))
    people = linked_people(with_people(raw, raw.image_px[:, 0], still_person(raw, 0.8, 120.0)))
    assert [p.n_found for p in people] == [len(raw.time_s)] * 2

"""A person who is small in the picture is looked for in enlarged parts of it."""

from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from formcheck.pose.enlarged import PART_SHARES, Part, found_enlarged, parts_of
from formcheck.pose.landmarker import People, PoseModel, PoseSettings
from formcheck.pose.looking import ModelPool, look_at
from formcheck.video import open_video

SAMPLE = Path(__file__).parent.parent / "sample_clips" / "squat_side.mp4"


@dataclass(frozen=True)
class Found:
    image_px: np.ndarray
    world_m: np.ndarray
    visibility: np.ndarray


def body_in(part: np.ndarray) -> Found:
    """Stands for the model: finds a white column that fills a quarter of what it is shown."""
    rows, columns = np.nonzero(part[..., 0] == 255)
    n = int(len(rows) > 0 and np.ptp(rows) >= 0.25 * part.shape[0])
    at = np.linspace(rows.min(), rows.max(), 33) if n else np.zeros(33)
    x = columns.mean() if n else 0
    image = np.stack([np.full(33, x), at], axis=1)[None][:n]
    return Found(image, np.zeros((n, 33, 3)), np.ones((n, 33)))


@pytest.mark.parametrize(("height", "width"), [(480, 640), (720, 1280), (640, 360), (333, 333)])
@pytest.mark.parametrize("share", PART_SHARES)
def test_the_parts_cover_the_picture_and_overlap(height, width, share):
    seen = np.zeros((height, width), int)
    parts = parts_of(height, width, share)
    for p in parts:
        assert 0 <= p.top <= height - p.side
        assert 0 <= p.left <= width - p.side
        seen[p.top : p.top + p.side, p.left : p.left + p.side] += 1
    assert seen.min() >= 1


@pytest.mark.parametrize("left", [5, 200, 431, 620])
@pytest.mark.parametrize("top", [3, 190, 370])
def test_one_who_fills_a_fifth_of_the_height_is_found_where_they_are(top, left):
    rgb = np.zeros((480, 640, 3), np.uint8)
    rgb[top : top + 96, left : left + 12] = 255
    assert not len(body_in(rgb).visibility)
    found, corner = found_enlarged(rgb, body_in)
    image = found.image_px[0] + corner
    assert image[:, 1].min() == pytest.approx(top, abs=1)
    assert image[:, 1].max() == pytest.approx(top + 95, abs=1)
    assert image[:, 0].mean() == pytest.approx(left + 5.5, abs=1)


def test_nobody_is_found_in_an_empty_picture():
    assert found_enlarged(np.zeros((480, 640, 3), np.uint8), body_in) is None


def test_a_part_is_a_square_of_the_picture():
    rgb = np.arange(5 * 6 * 3, dtype=np.uint8).reshape(5, 6, 3)
    assert np.array_equal(Part(top=1, left=2, side=3).of(rgb), rgb[1:4, 2:5])


def test_the_model_finds_a_person_a_fifth_of_the_pictures_height():
    import cv2

    with open_video(SAMPLE) as reader:
        rgb = next(iter(reader.frames(rate_hz=1))).rgb()
    with PoseModel(PoseSettings(model="lite")) as model:
        whole = model.find(rgb)
        height, width = rgb.shape[:2]
        extent = np.ptp(whole.image_px[0][:, 1])
        share = 0.2 * height / extent
        small = cv2.resize(rgb, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
        picture = np.full_like(rgb, 128)
        top, left = height // 2, width // 5
        picture[top : top + small.shape[0], left : left + small.shape[1]] = small
        found = model.find(picture)
    assert len(found.visibility) == 1
    expected = whole.image_px[0] * share + (left, top)
    apart = np.linalg.norm(found.image_px[0] - expected, axis=1)
    assert np.median(apart[[11, 12, 23, 24, 25, 26, 27, 28]]) < 0.04 * height


@pytest.mark.parametrize("n_threads", [1, 2, 30])
def test_an_empty_room_is_looked_at_enlarged_now_and_then_whatever_the_threads(n_threads):
    # Before: every picture, so that an hour without anybody kept a batch for hours.
    asked = {}

    class Model:
        def find(self, _rgb, time_s, *, may_enlarge):
            asked[round(time_s)] = may_enlarge
            n = int(time_s < 100 or time_s == 250)
            return People(
                image_px=np.zeros((n, 33, 2), np.float32),
                world_m=np.zeros((n, 33, 3), np.float32),
                visibility=np.zeros((n, 33), np.float32),
            )

    picture = np.zeros((48, 64, 3), np.uint8)
    frames = (SimpleNamespace(time_s=float(i), stamp=i, rgb=lambda: picture) for i in range(400))
    looks = list(look_at(frames, ModelPool.of([Model() for _ in range(n_threads)])))
    assert [look.stamp for look in looks] == list(range(400))
    # Looked back on are the 40 pictures before the last 40.
    expected = {i for i in range(400) if i < 180 or 291 <= i <= 330 or i % 10 == 0}
    assert {i for i, may in asked.items() if may} == expected

"""Landmarks worked out while a recording arrives are those of the finished file, or none."""

import asyncio
import hashlib
import os
import random
import time
from dataclasses import replace
from pathlib import Path

import make_clips
import numpy as np
import pytest
from clinic_cases import new_clinic, new_patient, new_set

from formcheck.clinic import jobs, uploads
from formcheck.clinic.ahead import Ahead
from formcheck.clinic.database import change
from formcheck.clinic.sets import AboutSet, find_set
from formcheck.clinic.work import do_job, work
from formcheck.pose.ahead import TrackAhead
from formcheck.pose.landmarker import PoseSettings, estimate
from formcheck.run.settings import Settings

SAMPLE = Path(__file__).parent.parent / "sample_clips" / "squat_side.mp4"
LITE = PoseSettings(model="lite", rate_hz=10, n_threads=2)


@pytest.fixture(scope="module", params=["libvpx", "libvpx-vp9"])
def clip(request, tmp_path_factory):
    """The sample clip's seconds 1 to 4, as a browser's recorder leaves it."""
    folder = tmp_path_factory.mktemp("ahead")
    make_clips.trimmed(SAMPLE, folder / "part.mp4", 1.0, 4.0)
    return make_clips.as_browser_webm(folder / "part.mp4", folder / "a.webm", codec=request.param)


@pytest.fixture(scope="module")
def afterwards(clip):
    return estimate(clip, LITE)


def arriving(content: bytes, path: Path, *, seed: int = 0, settings=LITE) -> TrackAhead:
    """A look at a file that was written in pieces of arbitrary sizes."""
    rng = random.Random(seed)
    path.write_bytes(b"")
    ahead, at = TrackAhead(path, settings), 0
    while at < len(content):
        n = rng.choice((1, 7, 300, 5000, 60_000))
        with path.open("ab") as file:
            file.write(content[at : at + n])
        at = min(len(content), at + n)
        ahead.grow(at)
        time.sleep(0.001)
    return ahead


def assert_equal(a, b):
    assert a.clip == b.clip
    assert a.source == b.source
    for name in ("time_s", "stamp", "image_px", "world_m", "visibility", "brightness", "contrast"):
        assert np.array_equal(getattr(a, name), getattr(b, name), equal_nan=True), name
    for name in ("sharpness", "change", "border_change"):
        assert np.array_equal(getattr(a, name), getattr(b, name), equal_nan=True), name


@pytest.mark.parametrize("seed", [0, 1])
def test_it_is_bit_for_bit_the_track_of_the_whole_file(clip, afterwards, tmp_path, seed):
    ahead = arriving(clip.read_bytes(), tmp_path / "a.part", seed=seed)
    ahead.pause()
    ahead.resume()
    whole = tmp_path / clip.name
    os.replace(tmp_path / "a.part", whole)  # as finishing does
    told = []
    found = ahead.track(whole, LITE, is_mirrored=True, progress=lambda *step: told.append(step))
    assert_equal(found, replace(afterwards, clip=replace(afterwards.clip, is_mirrored=True)))
    assert told[-1][0] == "pose"
    assert len(found.time_s) > 25


def test_it_falls_back_where_it_is_not_certain(clip, tmp_path):
    content = clip.read_bytes()
    whole = tmp_path / "whole.webm"
    whole.write_bytes(content)
    other = arriving(content, tmp_path / "a.part")
    assert other.track(whole, replace(LITE, rate_hz=15), is_mirrored=False) is None
    changed = bytearray(content)
    changed[-200] ^= 1
    whole.write_bytes(changed)
    assert arriving(content, tmp_path / "b.part").track(whole, LITE, is_mirrored=False) is None
    gone = arriving(content, tmp_path / "c.part")
    assert gone.track(tmp_path / "no.webm", LITE, is_mirrored=False) is None


@pytest.mark.parametrize("seed", range(3))
def test_a_damaged_file_gives_the_same_or_is_looked_at_afterwards(clip, tmp_path, seed):
    damaged, rng = bytearray(clip.read_bytes()), random.Random(seed)
    at, n = int(len(damaged) * rng.uniform(0.2, 0.9)), (1, 30, 4000)[seed]
    damaged[at : at + n] = rng.randbytes(n)
    whole = tmp_path / "whole.webm"
    whole.write_bytes(damaged)
    ahead = arriving(bytes(damaged), tmp_path / "a.part")
    found = ahead.track(whole, LITE, is_mirrored=False)
    if found is not None:  # VP8's decoder is told of no damage
        assert_equal(found, estimate(whole, LITE))


def test_what_is_no_video_fails_and_closes(tmp_path):
    ahead = arriving(b"no video at all" * 1000, tmp_path / "a.part")
    whole = tmp_path / "whole.webm"
    os.replace(tmp_path / "a.part", whole)
    assert ahead.track(whole, LITE, is_mirrored=False) is None
    with pytest.raises(ValueError, match="image mode"):
        TrackAhead(whole, PoseSettings(mode="video"))


# -- in the clinic

ABOUT = AboutSet(
    exercise="squat",
    side="left",
    day="2026-01-05",
    set_number=1,
    prescription_id=None,
    is_mirrored=False,
    origin="recorded",
)


@pytest.fixture
def clinic(tmp_path):
    made = new_clinic(tmp_path / "data")
    yield made
    made.close()


async def _blocks(content):
    yield content


def send(clinic, upload, content: bytes, number: int):
    return asyncio.run(
        uploads.receive_piece(
            clinic, upload, number, _blocks(content), hashlib.sha256(content).hexdigest()
        )
    )


def test_a_set_is_measured_from_what_was_looked_at_as_it_arrived(clip, clinic, monkeypatch):
    from formcheck.run import pipeline

    settings = Settings(pose=LITE)
    patient = new_patient(clinic).id
    upload = uploads.begin_upload(clinic, patient, ABOUT, "recording.webm")
    content, ahead = clip.read_bytes(), Ahead(clinic, settings)
    assert not ahead.follow(), "nothing has come"
    third = len(content) // 3
    for n, at in enumerate((0, third, 2 * third)):
        send(clinic, upload, content[at : at + third if n < 2 else None], n)
        assert ahead.follow()
    stored = uploads.finish_upload(clinic, upload.uid, patient)
    assert ahead.follow(), "its measuring waits"
    job = jobs.claim(clinic, "w", is_only_measuring=True)

    def again(*_arguments, **_named):
        raise AssertionError("looked at once more")

    with monkeypatch.context() as m:
        m.setattr(pipeline, "estimate", again)
        with ahead.set_aside(job):
            do_job(clinic, job, "w", settings, ahead=ahead)
    assert not ahead.is_looking
    first = (clinic.folder.result(stored.uid) / "track.parquet").read_bytes()
    assert find_set(clinic, stored.uid).state in ("measured", "not measured")
    jobs.measure_again(clinic, stored.uid, side="right", is_mirrored=False)
    do_job(clinic, jobs.claim(clinic, "w"), "w", settings, ahead=ahead)
    assert (clinic.folder.result(stored.uid) / "track.parquet").read_bytes() == first


def test_a_recording_thrown_away_is_forgotten_and_one_that_cannot_be_read_refused(clip, clinic):
    patient = new_patient(clinic).id
    ahead = Ahead(clinic, Settings(pose=LITE))
    upload = uploads.begin_upload(clinic, patient, ABOUT, "recording.webm")
    send(clinic, upload, clip.read_bytes()[:20_000], 0)
    assert ahead.follow()
    uploads.throw_away_upload(clinic, upload.uid, patient)
    assert not ahead.follow()
    upload = uploads.begin_upload(clinic, patient, ABOUT, "recording.webm")
    send(clinic, upload, b"\x1a\x45\xdf\xa3" + b"x" * 40_000, 0)
    until = time.monotonic() + 20
    while ahead.follow() and time.monotonic() < until:
        time.sleep(0.05)
    assert not ahead.is_looking
    assert not ahead.follow(), "not tried again"
    work(clinic.folder.root, Settings(pose=LITE), is_once=True, looks_ahead=True)


def test_one_that_falls_silent_is_let_go_and_begun_with_anew(clip, clinic, monkeypatch):
    from formcheck.clinic import ahead as module

    patient = new_patient(clinic).id
    ahead, content = Ahead(clinic, Settings(pose=LITE)), clip.read_bytes()
    upload = uploads.begin_upload(clinic, patient, ABOUT, "recording.webm")
    send(clinic, upload, content[:20_000], 0)
    assert ahead.follow()
    with monkeypatch.context() as m:
        m.setattr(module, "SILENT_S", -2)
        assert not ahead.follow()
        assert not ahead.follow()
    send(clinic, upload, content[20_000:], 1)
    assert ahead.follow()
    stored = uploads.finish_upload(clinic, upload.uid, patient)
    job = jobs.claim(clinic, "w")
    whole = clinic.folder.recording(stored.recording)
    assert_equal(ahead.take(job, whole, is_mirrored=False), estimate(whole, LITE))


def test_videos_are_drawn_when_no_recording_arrives(clinic):
    new_set(clinic, new_patient(clinic))
    with clinic.write() as c:
        change(c, "UPDATE jobs SET kind = 'draw'")
    assert jobs.claim(clinic, "w", is_only_measuring=True) is None
    assert jobs.claim(clinic, "w").kind == "draw"


def test_after_a_death_recordings_are_measured_afterwards(clinic, monkeypatch):
    from formcheck.web import workers

    begun = []

    class Process:
        memory_bytes = 0

        def __init__(self, *arguments):
            begun.append(arguments)
            self.is_alive = len(begun) > 1

        def close(self):
            pass

    monkeypatch.setattr(workers, "WorkerProcess", Process)
    monkeypatch.setattr(workers, "LOOK_S", 0.01)
    worker = workers.Worker(clinic)
    worker.start()
    until = time.monotonic() + 10
    while len(begun) < 2 and time.monotonic() < until:
        time.sleep(0.01)
    worker.stop()
    assert [arguments[-1] for arguments in begun] == ["ahead", ""]

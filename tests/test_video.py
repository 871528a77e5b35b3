"""The reader and the writer of clips: what is shown, when, what is lost, what is refused."""

import gc
import hashlib
import os
import struct
import subprocess
import sys
import threading
import wave
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from itertools import islice, pairwise
from pathlib import Path

import av
import make_clips
import numpy as np
import pytest
from make_clips import drawn
from peak_memory import peak_mb

from formcheck.model.errors import ClipError, OutputError
from formcheck.video import VideoReader, VideoWriter, describe, open_video
from formcheck.video.pictures import Show

SAMPLES = Path(__file__).parents[1] / "sample_clips"


@pytest.fixture
def clip(tmp_path):
    """30 frames of 64 x 48 at 30 a second, H.264."""
    return make_clips.write(tmp_path / "clip.mp4", drawn(30, 64, 48))


def shown(path) -> list[np.ndarray]:
    return [frame.rgb() for frame in open_video(path).frames()]


def whole(path):
    """Frames and clip record of one whole pass."""
    reader = open_video(path)
    return list(reader.frames()), reader.clip()


def difference(a, b) -> float:
    return float(np.abs(a.astype(int) - b.astype(int)).mean())


# -- what is shown


@pytest.mark.parametrize("is_flipped", [False, True])
@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270])
def test_a_turned_or_flipped_recording_is_shown_upright(tmp_path, clip, rotation_deg, is_flipped):
    path = make_clips.rotated(clip, tmp_path / "turned.mp4", rotation_deg, is_flipped)
    with av.open(str(path)) as container:
        stored = container.streams.video[0].width, container.streams.video[0].height
    assert stored == ((48, 64) if rotation_deg in (90, 270) else (64, 48))
    with open_video(path) as reader:
        assert (reader.width_px, reader.height_px) == (64, 48)
        assert (reader.rotation_deg, reader.is_flipped) == (rotation_deg, is_flipped)
        pictures = [frame.rgb() for frame in reader.frames()]
        assert reader.clip().rotation_deg == rotation_deg
    assert all(p.shape == (48, 64, 3) and p.flags.c_contiguous for p in pictures)
    assert difference(np.array(pictures), np.array([rgb for _, _, rgb in drawn(30, 64, 48)])) < 6


def test_a_mirrored_recording_is_read_as_it_is_and_marked_by_the_caller(tmp_path, clip):
    path = make_clips.mirrored(clip, tmp_path / "mirrored.mp4")
    reader = open_video(path)
    for picture, (_, _, rgb) in zip(reader.frames(), drawn(30, 64, 48), strict=True):
        assert difference(picture.rgb(), rgb[:, ::-1]) < 8
    assert reader.clip(is_mirrored=True).is_mirrored
    assert not reader.clip().is_mirrored


@pytest.mark.parametrize("width", [500, 600, 614, 333, 501, 65])
def test_pictures_of_any_width_are_contiguous_and_undistorted(tmp_path, width):
    path = make_clips.write(tmp_path / "odd.mp4", drawn(4, width, 48), pix_fmt="yuv444p")
    for picture, (_, _, rgb) in zip(shown(path), drawn(4, width, 48), strict=True):
        assert picture.shape == (48, width, 3)
        assert picture.dtype == np.uint8
        assert picture.flags.c_contiguous
        assert difference(picture, rgb) < 4


@pytest.mark.parametrize("rotation_deg", [90, 180])
def test_an_odd_width_with_a_turn_is_contiguous_too(tmp_path, rotation_deg):
    src = make_clips.write(tmp_path / "odd.mp4", drawn(4, 333, 49), pix_fmt="yuv444p")
    path = make_clips.rotated(src, tmp_path / "turned.mp4", rotation_deg, pix_fmt="yuv444p")
    for picture, (_, _, rgb) in zip(shown(path), drawn(4, 333, 49), strict=True):
        assert picture.flags.c_contiguous
        assert difference(picture, rgb) < 4


@pytest.mark.parametrize(
    ("ratio", "size_px"),
    [
        (Fraction(4, 3), (85, 48)),
        (Fraction(1, 2), (64, 96)),
        (Fraction(400, 401), (64, 48)),
        (Fraction(100, 1), (64, 48)),
    ],
)
def test_pixels_that_are_not_square_are_stretched(tmp_path, ratio, size_px):
    path = make_clips.write(tmp_path / "wide.mp4", drawn(4, 64, 48), pixel_ratio=ratio)
    with open_video(path) as reader:
        assert (reader.width_px, reader.height_px) == size_px
        assert next(reader.frames()).rgb().shape == (size_px[1], size_px[0], 3)


@pytest.mark.parametrize("pix_fmt", ["yuv420p", "yuvj420p"])
def test_black_and_white_come_out_black_and_white(tmp_path, pix_fmt):
    half = np.zeros((48, 64, 3), np.uint8)
    half[:24] = 255
    path = make_clips.write(
        tmp_path / "a.mp4", [(i, i / 30, half) for i in range(3)], pix_fmt=pix_fmt
    )
    picture = shown(path)[-1]
    assert picture[:20].min() > 248
    assert picture[28:].max() < 8


def test_an_array_is_the_callers_own(tmp_path):
    path = make_clips.write(tmp_path / "a.mov", drawn(5), codec="png", pix_fmt="rgb24")
    frames = list(open_video(path).frames())
    for frame in frames:
        frame.rgb()[:] = 0
    assert difference(frames[0].rgb(), next(drawn())[2]) == 0


def test_frames_not_looked_at_are_not_converted(clip, monkeypatch):
    converted = []
    true_rgb = Show.rgb
    monkeypatch.setattr(
        Show, "rgb", lambda self, picture: converted.append(1) or true_rgb(self, picture)
    )
    frames = list(open_video(clip).frames())
    assert converted == []
    frames[3].rgb()
    assert converted == [1]


def test_pictures_converted_in_many_threads_are_the_same(clip):
    frames = list(open_video(clip).frames()) * 4
    alone = [frame.rgb() for frame in frames]
    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(lambda frame: frame.rgb(), frames))
    assert all(np.array_equal(a, b) for a, b in zip(alone, together, strict=True))


# -- kinds of files

KINDS = [
    ("h264.mp4", {}),
    ("h264.mkv", {}),
    ("h264.ts", {}),
    ("hevc.mp4", {"codec": "libx265"}),
    ("vp8.webm", {"codec": "libvpx"}),
    ("vp9.webm", {"codec": "libvpx-vp9"}),
    ("mjpeg.avi", {"codec": "mjpeg", "time_base": Fraction(1, 30)}),
    ("mjpeg.mov", {"codec": "mjpeg"}),
    ("animated.gif", {"codec": "gif"}),
    ("mpeg4.avi", {"codec": "mpeg4", "time_base": Fraction(1, 30)}),
    ("10bit.mp4", {"pix_fmt": "yuv420p10le"}),
    ("10bit_hevc.mp4", {"codec": "libx265", "pix_fmt": "yuv420p10le"}),
    ("16bit_grey.mkv", {"codec": "ffv1", "pix_fmt": "gray16le"}),
    ("16bit.mov", {"codec": "png", "pix_fmt": "rgb48be"}),
    ("fragments.mp4", {"container_options": {"movflags": "frag_keyframe+empty_moov"}}),
]


@pytest.mark.parametrize(("name", "encoding"), KINDS, ids=[name for name, _ in KINDS])
def test_each_kind_of_file_gives_all_frames_at_their_times(tmp_path, name, encoding):
    path = make_clips.write(tmp_path / name, drawn(20, 64, 48), **encoding)
    frames, clip = whole(path)
    # Times are rounded to 10 ms in a GIF, to 1 ms in Matroska.
    assert [f.time_s for f in frames] == pytest.approx([i / 30 for i in range(20)], abs=0.0051)
    assert [f.index for f in frames] == list(range(20))
    assert (clip.n_frames, clip.n_frames_lost) == (20, 0)
    assert clip.duration_s == pytest.approx(20 / 30, abs=0.011)
    assert clip.frame_rate_hz == pytest.approx(30, rel=0.02)
    assert (clip.width_px, clip.height_px, clip.rotation_deg) == (64, 48, 0)
    expected = [rgb for _, _, rgb in drawn(20, 64, 48)]
    if "grey" in name:
        expected = [np.repeat(e.mean(axis=2, keepdims=True), 3, axis=2) for e in expected]
    limit = 30 if "gif" in name or "grey" in name else 8
    assert all(difference(f.rgb(), e) < limit for f, e in zip(frames, expected, strict=True))


@pytest.mark.parametrize(
    ("transfer", "number", "white"), [("arib-std-b67", 18, 0.75), ("smpte2084", 16, 0.58)]
)
def test_a_clip_of_high_dynamic_range_is_shown_in_the_usual_one(tmp_path, transfer, number, white):
    # Report ITU-R BT.2408-7, table 1: a grey card of 18 % lies at 38 % of the signal in HLG and in
    # PQ, and the reference white at 75 and 58 %. By ITU-R BT.709 that grey card is 41 %.
    levels = [0.0, 0.38, white, 1.0]
    picture = np.repeat(np.repeat(np.uint8(np.multiply(levels, 255)), 16)[None, :], 48, axis=0)
    frames = [(k, k / 30, np.repeat(picture[..., None], 3, axis=2)) for k in range(4)]
    tags = f"colorprim=bt2020:transfer={transfer}:colormatrix=bt2020nc"
    path = make_clips.write(
        tmp_path / "hdr.mp4",
        frames,
        codec="libx265",
        pix_fmt="yuv420p10le",
        options={"x265-params": f"{tags}:lossless=1"},
    )
    with av.open(path) as clip:
        assert clip.streams.video[0].codec_context.color_trc == number
    [first, *_], _ = whole(path)
    black, grey, paper, brightest = first.rgb()[24, 8::16].mean(axis=1) / 255
    assert black == pytest.approx(0, abs=0.02)
    assert grey == pytest.approx(0.41, abs=0.03)
    assert paper == pytest.approx(1, abs=0.06)
    assert brightest == pytest.approx(1, abs=0.01)


def test_h264_in_avi_keeps_the_order_of_display(tmp_path):
    # AVI has no presentation stamps; with pictures coded out of order the guessed ones jump.
    path = make_clips.write(
        tmp_path / "a.avi", drawn(30, 64, 48), time_base=Fraction(1, 30), options={"bf": "3"}
    )
    frames, clip = whole(path)
    assert [f.time_s for f in frames] == pytest.approx([i / 30 for i in range(30)])
    assert clip.n_frames == 30
    for frame, (_, _, rgb) in zip(frames, drawn(30, 64, 48), strict=True):
        assert difference(frame.rgb(), rgb) < 6


def test_a_bare_stream_without_times_counts_by_its_rate(tmp_path):
    path = make_clips.write(tmp_path / "a.h264", drawn(30), time_base=Fraction(1, 30))
    frames, _ = whole(path)
    assert [f.time_s for f in frames] == pytest.approx([i / 30 for i in range(30)])


# -- times


def test_uneven_frame_times_are_those_of_the_file(tmp_path):
    times = [0, 0.05, 0.07, 0.2, 0.25, 0.6, 0.61]
    triples = [(i, t, rgb) for t, (i, _, rgb) in zip(times, drawn(7), strict=True)]
    path = make_clips.write(tmp_path / "a.mp4", triples, last_s=0.08, options={"bf": "0"})
    frames, clip = whole(path)
    assert [f.time_s for f in frames] == pytest.approx(times)
    assert [f.stamp for f in frames] == [round(t * 90000) for t in times]
    assert [f.duration for f in frames] == [4500, 1800, 11700, 4500, 31500, 900, 7200]
    assert clip.time_base == (1, 90000)
    assert clip.duration_s == pytest.approx(0.69)
    assert clip.frame_rate_hz == pytest.approx(6 / 0.61)


@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.ts"])
def test_a_start_other_than_zero_is_taken_off(tmp_path, clip, name):
    path = make_clips.shifted_start(clip, tmp_path / name, 5.0)
    frames, record = whole(path)
    assert record.first_stamp * record.time_base[0] / record.time_base[1] == pytest.approx(5.0)
    assert [f.time_s for f in frames] == pytest.approx([i / 30 for i in range(30)], abs=0.001)
    assert record.duration_s == pytest.approx(1.0, abs=0.002)


@pytest.mark.parametrize("codec", ["libvpx", "libvpx-vp9"])
def test_a_browsers_recording_without_duration_is_measured(tmp_path, clip, codec):
    path = make_clips.as_browser_webm(clip, tmp_path / "a.webm", codec=codec)
    reader = open_video(path)
    assert reader.duration_hint_s is None
    assert describe(path).duration_s is None
    assert len(list(reader.frames())) == 30
    assert reader.clip().duration_s == pytest.approx(1.0, abs=0.002)


@pytest.mark.parametrize(
    ("ticks", "kept"),
    [
        ([0, 3, 3, 6, 9], [0, 3, 6, 9]),
        ([0, 3, 6, 5, 9], [0, 3, 6, 9]),
        ([0, 3, 6, 1, 2, 9], [0, 3, 6, 9]),
        # A leap ahead is the fault, not all the frames that follow it.
        ([0, 3, 90000, 9, 12, 15], [0, 3, 9, 12, 15]),
        ([90000, 0, 3, 6], [0, 3, 6]),
        # Not within hours.
        ([0, 3, 6, 5 * 3600 * 1000, 5 * 3600 * 1000 + 3], [0, 3, 6]),
    ],
)
def test_stamps_that_repeat_or_go_back_are_dropped_and_counted(tmp_path, ticks, kept):
    src = make_clips.write(tmp_path / "src.mp4", drawn(len(ticks)))
    path = make_clips.restamped(src, tmp_path / "a.mp4", ticks, Fraction(1, 1000))
    reader = open_video(path)
    frames = list(reader.frames())
    base = reader.time_base[1] // 1000
    assert [(f.stamp - frames[0].stamp) // base for f in frames] == [k - kept[0] for k in kept]
    assert reader.n_frames_misdated == len(ticks) - len(kept)
    assert reader.clip().n_frames == len(kept)
    assert reader.clip().n_frames_lost == 0


# -- chosen by time


def chosen(path, *arguments, **keywords) -> list[int]:
    return [frame.index for frame in open_video(path).frames(*arguments, **keywords)]


def test_half_the_rate_takes_every_second_frame(clip):
    assert chosen(clip, 15) == list(range(0, 30, 2))


def test_a_rate_above_the_clips_takes_every_frame_once(clip):
    assert chosen(clip, 120) == list(range(30))


def test_a_third_of_the_rate_of_a_clip_stamped_in_milliseconds_is_even(tmp_path):
    # 33, 67, 100, 133: a strict comparison would be late at every rounded-down stamp.
    path = make_clips.write(tmp_path / "a.webm", drawn(90), codec="libvpx")
    assert chosen(path, 15) == list(range(0, 90, 2))
    assert chosen(path, 10) == list(range(0, 90, 3))


def test_after_a_gap_the_first_frame_serves_once(tmp_path):
    triples = [(i, t if i < 10 else t + 1, rgb) for i, t, rgb in drawn(20)]
    path = make_clips.write(tmp_path / "a.mp4", triples)
    assert chosen(path, 15) == [0, 2, 4, 6, 8, 10, 12, 14, 16, 18]


def test_a_stretch_is_taken_with_both_ends(clip):
    assert chosen(clip, from_s=0.2, to_s=0.3) == [6, 7, 8, 9]
    assert chosen(clip, 15, 0.25, 0.5) == [8, 10, 12, 14]
    assert chosen(clip, from_s=99) == []


def test_a_rate_of_zero_is_refused(clip):
    with pytest.raises(ValueError, match="above 0"):
        chosen(clip, 0)


# -- passes


def test_a_reader_can_be_read_again(clip):
    reader = open_video(clip)
    first, second = list(reader.frames()), list(reader.frames(15))
    assert [f.stamp for f in first[::2]] == [f.stamp for f in second]


def test_a_pass_may_be_left_early(clip):
    reader = open_video(clip)
    for _ in range(20):
        assert next(reader.frames(from_s=0.5)).index == 15
    gc.collect()
    with pytest.raises(ValueError, match="run to the end"):
        reader.clip()
    list(reader.frames(to_s=0.5))
    with pytest.raises(ValueError, match="run to the end"):
        reader.clip()


def test_the_hash_is_that_of_the_file(clip):
    assert open_video(clip).sha256 == hashlib.sha256(clip.read_bytes()).hexdigest()


def test_facts_are_told_without_decoding_all():
    facts = describe(SAMPLES / "squat_side.mp4")
    assert (facts.width_px, facts.height_px, facts.rotation_deg) == (640, 480, 0)
    assert (facts.codec, facts.n_frames, facts.frame_rate_hz) == ("h264", 722, 30.0)
    assert facts.duration_s == pytest.approx(24.067, abs=0.001)
    assert facts.size_bytes == (SAMPLES / "squat_side.mp4").stat().st_size


def test_a_clip_names_no_folder(clip):
    _, record = whole(clip)
    assert record.file == "clip.mp4"


_READ_ALL = """
from formcheck.video import open_video
for frame in open_video(sys.argv[1]).frames():
    frame.rgb()
"""


_OPEN = """
import contextlib
from formcheck.model.errors import ClipError
from formcheck.video import open_video
with contextlib.suppress(ClipError):
    open_video(sys.argv[1])
"""


def test_memory_does_not_grow_with_the_clip(tmp_path):
    def peak_of(n):
        path = make_clips.write(
            tmp_path / f"{n}.mp4", drawn(n, 320, 240), options={"preset": "ultrafast"}
        )
        return peak_mb(_READ_ALL, path)

    # As arrays the long clip would take 207 MB more than the short one.
    assert peak_of(1000) - peak_of(60) < 30


# -- what is lost


def damaged(src, dst, *places) -> Path:
    content = bytearray(Path(src).read_bytes())
    for at, size in places:
        content[at : at + size] = b"\xff" * size
    Path(dst).write_bytes(content)
    return dst


def test_a_picture_that_fails_is_skipped_and_counted(tmp_path):
    src = make_clips.write(
        tmp_path / "src.avi", drawn(30), codec="mjpeg", time_base=Fraction(1, 30)
    )
    places = make_clips.packet_places(src)
    path = damaged(src, tmp_path / "a.avi", places[4], places[9], places[29])
    frames, record = whole(path)
    assert record.n_frames_lost == 3
    assert record.n_frames == 27
    gone = (4, 9, 29)
    assert [f.time_s for f in frames] == pytest.approx([i / 30 for i in range(30) if i not in gone])
    assert difference(frames[-1].rgb(), list(drawn(30))[28][2]) < 8


@pytest.mark.parametrize("from_the_end", [1, 2, 5])
def test_damage_near_the_end_costs_no_good_picture(tmp_path, from_the_end):
    # With frame threads the decoder drops what follows a damaged picture in its last batch.
    src = make_clips.write(tmp_path / "src.mp4", drawn(60), options={"bf": "2"})
    path = damaged(src, tmp_path / "a.mp4", make_clips.packet_places(src)[-from_the_end])
    frames, record = whole(path)
    assert record.n_frames_lost + record.n_frames == 60
    assert 1 <= record.n_frames_lost <= 4
    assert [f.index for f in frames] == list(range(record.n_frames))


def test_a_damaged_clip_is_read_the_same_each_time(tmp_path):
    src = make_clips.write(tmp_path / "src.mp4", drawn(90, 96, 96), options={"g": "30"})
    path = damaged(src, tmp_path / "a.mp4", *make_clips.packet_places(src)[20:24])

    def once():
        frames, record = whole(path)
        pictures = b"".join(f.rgb().tobytes() for f in frames)
        return [f.stamp for f in frames], record, hashlib.sha256(pictures).hexdigest()

    frames, _ = whole(path)
    assert all(a.stamp + a.duration == b.stamp for a, b in pairwise(frames))
    first = once()
    assert first[1].n_frames_lost >= 4
    assert all(once() == first for _ in range(4))


def test_a_picture_that_the_decoder_patched_up_is_lost_too(tmp_path):
    rng = np.random.default_rng(0)
    noise = [(i, i / 30, rng.integers(0, 255, (96, 96, 3), np.uint8)) for i in range(12)]
    src = make_clips.write(tmp_path / "src.mp4", noise, options={"bf": "0"})
    at, size = make_clips.packet_places(src)[6]
    path = damaged(src, tmp_path / "a.mp4", (at + size // 2, size // 4))
    with av.open(str(path)) as container:
        container.streams.video[0].thread_type = "NONE"
        patched = {frame.pts for frame in container.decode(video=0) if frame.is_corrupt}
    assert patched
    frames, record = whole(path)
    assert not patched & {frame.stamp for frame in frames}
    assert record.n_frames == 12 - len(patched)
    assert record.n_frames_lost == len(patched)


def test_empty_packets_do_not_end_the_clip(tmp_path):
    # Some recorders store an empty packet for each picture that they dropped.
    src = make_clips.write(
        tmp_path / "src.avi", drawn(20), codec="mjpeg", time_base=Fraction(1, 30)
    )
    with av.open(str(src)) as source, av.open(str(tmp_path / "a.avi"), "w") as out:
        stream = out.add_stream_from_template(source.streams.video[0])
        for k, packet in enumerate(p for p in source.demux(video=0) if p.size):
            if k in (5, 6):
                pts, packet = packet.pts, av.Packet()
                packet.pts = packet.dts = pts
                packet.time_base = Fraction(1, 30)
            packet.stream = stream
            out.mux(packet)
    frames, record = whole(tmp_path / "a.avi")
    assert [f.time_s for f in frames] == pytest.approx(
        [i / 30 for i in range(20) if i not in (5, 6)]
    )
    assert record.n_frames_lost == 0


def without_first_picture(src, dst) -> Path:
    with av.open(str(src)) as source, av.open(str(dst), "w") as out:
        stream = out.add_stream_from_template(source.streams.video[0])
        for k, packet in enumerate(p for p in source.demux(video=0) if p.size):
            if k:
                packet.stream = stream
                out.mux(packet)
    return dst


def test_pictures_passed_over_in_silence_are_counted(tmp_path):
    # Without its first key picture nothing can be shown until the next one.
    src = make_clips.write(
        tmp_path / "src.mp4", drawn(60), options={"g": "30", "bf": "0", "sc_threshold": "0"}
    )
    _, record = whole(without_first_picture(src, tmp_path / "a.mp4"))
    assert (record.n_frames, record.n_frames_lost) == (30, 29)


def test_a_file_cut_off_behind_its_index_keeps_its_first_part(tmp_path):
    src = make_clips.write(
        tmp_path / "src.mp4", drawn(60), container_options={"movflags": "faststart"}
    )
    places = make_clips.packet_places(src)
    (tmp_path / "a.mp4").write_bytes(src.read_bytes()[: places[40][0]])
    frames, record = whole(tmp_path / "a.mp4")
    assert 35 <= record.n_frames <= 40
    assert record.n_frames + record.n_frames_lost == 60
    assert frames[-1].time_s == pytest.approx((len(frames) - 1) / 30, abs=0.1)


def test_a_size_that_changes_midway_is_scaled_to_the_first(tmp_path):
    parts = []
    for name, size in (("a.h264", 64), ("b.h264", 96)):
        make_clips.write(tmp_path / name, drawn(20, size, size), time_base=Fraction(1, 30))
        parts.append((tmp_path / name).read_bytes())
    (tmp_path / "both.h264").write_bytes(b"".join(parts))
    frames, record = whole(tmp_path / "both.h264")
    assert record.n_frames == 40
    assert {f.rgb().shape for f in frames} == {(64, 64, 3)}


# -- what is refused


def refusal(path) -> str:
    with pytest.raises(ClipError) as caught:
        open_video(path)
    text = str(caught.value)
    assert "\n" not in text
    assert ": " in text
    return text


def test_a_missing_file_is_refused(tmp_path):
    assert refusal(tmp_path / "a.mp4") == "a.mp4: no such file: check the path"


def test_a_folder_is_refused(tmp_path):
    assert "is a folder" in refusal(tmp_path)


def test_an_empty_file_is_refused(tmp_path):
    (tmp_path / "a.mp4").touch()
    assert "is empty" in refusal(tmp_path / "a.mp4")


@pytest.mark.parametrize(
    "text",
    [
        "this is no video\n" * 50,
        "#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:9,\nclip.mp4\n#EXT-X-ENDLIST\n",
        "ffconcat version 1.0\nfile clip.mp4\n",
    ],
)
def test_text_and_lists_of_other_files_are_refused(tmp_path, clip, text):
    (tmp_path / "a.mp4").write_text(text)
    assert "holds text, not a video" in refusal(tmp_path / "a.mp4")


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_a_cut_off_mp4_is_told_from_other_damage(tmp_path, clip, share):
    content = clip.read_bytes()
    (tmp_path / "a.mp4").write_bytes(content[: int(len(content) * share)])
    assert "was cut off before its index was complete" in refusal(tmp_path / "a.mp4")


def test_noise_is_refused(tmp_path):
    (tmp_path / "a.mp4").write_bytes(np.random.default_rng(0).bytes(50_000))
    assert "is damaged or no video" in refusal(tmp_path / "a.mp4")


def sound(path, with_cover=False):
    with av.open(str(path), "w") as out:
        stream = out.add_stream("aac", rate=8000, layout="mono")
        cover = None
        if with_cover:
            cover = out.add_stream("png")
            cover.width = cover.height = 16
            cover.pix_fmt = "rgb24"
            cover.disposition = av.stream.Disposition.attached_pic
        for i in range(8):
            frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), "fltp", "mono")
            frame.sample_rate = 8000
            frame.pts = i * 1024
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
        if cover is not None:
            out.mux(cover.encode(av.VideoFrame.from_ndarray(np.zeros((16, 16, 3), np.uint8))))
            out.mux(cover.encode(None))
    return path


def test_sound_without_pictures_is_refused(tmp_path):
    assert "sound but no moving picture" in refusal(sound(tmp_path / "a.mp4"))


def test_sound_with_a_cover_picture_is_refused(tmp_path):
    assert "sound but no moving picture" in refusal(sound(tmp_path / "a.mp4", with_cover=True))


def test_a_sound_file_of_another_kind_is_refused(tmp_path):
    with wave.open(str(tmp_path / "a.mp4"), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(8000)
        out.writeframes(b"\0\1" * 999)
    assert "is a picture or a sound" in refusal(tmp_path / "a.mp4")


def test_a_video_without_pictures_is_refused(tmp_path):
    with av.open(str(tmp_path / "a.mp4"), "w") as out:
        stream = out.add_stream("libx264", rate=30)
        stream.width = stream.height = 64
        stream.pix_fmt = "yuv420p"
        out.start_encoding()
    assert "picture" in refusal(tmp_path / "a.mp4")


def test_a_single_picture_is_refused_since_it_shows_no_movement(tmp_path):
    path = make_clips.write(tmp_path / "a.mp4", drawn(1))
    assert "a single usable picture" in refusal(path)
    assert len(shown(make_clips.write(tmp_path / "b.mp4", drawn(2)))) == 2


@pytest.mark.parametrize("name", ["a.png", "a.jpg"])
def test_a_photograph_is_refused(tmp_path, name):
    codec = "png" if name.endswith("png") else "mjpeg"
    fmt = "rgb24" if codec == "png" else "yuvj420p"
    make_clips.write(tmp_path / name, drawn(1), codec=codec, pix_fmt=fmt, container="image2")
    assert "picture" in refusal(tmp_path / name)


def test_pictures_that_all_fail_are_refused(tmp_path):
    src = make_clips.write(tmp_path / "src.avi", drawn(9), codec="mjpeg", time_base=Fraction(1, 30))
    path = damaged(src, tmp_path / "a.avi", *make_clips.packet_places(src))
    assert "none of its pictures can be decoded" in refusal(path)


def test_huge_pictures_are_refused(tmp_path):
    path = make_clips.write(tmp_path / "a.mp4", drawn(2, 9000, 16), options={"crf": "40"})
    assert "9000 x 16 pixels are too large: export the clip at 1080p" in refusal(path)


def test_a_small_file_that_claims_huge_pictures_takes_no_memory(tmp_path):
    path = make_clips.write(tmp_path / "a.gif", drawn(2), codec="gif")
    content = bytearray(path.read_bytes())
    content[6:10] = (60000).to_bytes(2, "little") * 2
    path.write_bytes(content)
    assert "none of its pictures can be decoded" in refusal(path)
    fine = make_clips.write(tmp_path / "b.gif", drawn(2), codec="gif")
    assert peak_mb(_OPEN, path) - peak_mb(_OPEN, fine) < 50


def test_a_wrong_length_in_the_header_does_no_harm_but_a_film_of_hours_is_refused(tmp_path):
    path = make_clips.write(tmp_path / "a.mkv", drawn(30))
    content = bytearray(path.read_bytes())
    at = content.index(b"\x44\x89\x88") + 3
    content[at : at + 8] = struct.pack(">d", 10 * 3600 * 1000)
    path.write_bytes(content)
    assert describe(path).duration_s == 36000
    assert whole(path)[1].duration_s == pytest.approx(1.0, abs=0.002)
    with path.open("r+b") as file:
        # A hole at the end stands for the rest of the film.
        file.truncate(50_000_000)
    assert "lasts 10.0 hours, more than 4: cut out the part" in refusal(path)


def test_pixels_stretched_beyond_the_limit_are_refused(tmp_path):
    path = make_clips.write(
        tmp_path / "a.mp4", drawn(3, 2048, 16), pixel_ratio=Fraction(8), options={"crf": "40"}
    )
    assert "16384 x 16 pixels are too large" in refusal(path)


def test_a_pipe_is_refused_at_once(tmp_path):
    os.mkfifo(tmp_path / "a.mp4")
    done = []
    thread = threading.Thread(target=lambda: done.append(refusal(tmp_path / "a.mp4")), daemon=True)
    thread.start()
    thread.join(5)
    assert done
    assert "is not a regular file" in done[0]


@pytest.mark.parametrize("device", ["/dev/null", "/dev/zero"])
def test_a_device_is_refused(device):
    assert "is not a regular file" in refusal(device)


def test_a_file_that_may_not_be_read_is_refused(tmp_path, clip, monkeypatch):
    def forbidden(*_arguments, **_keywords):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", forbidden)
    assert "may not be read: change the file's permissions" in refusal(clip)


@pytest.mark.parametrize(
    "name", ["a%03d.mp4", "concat:a|b.mp4", "a b\nc.mp4", "-i.mp4", "über.mp4", "b\udcff.mp4"]
)
def test_any_name_of_a_file_is_only_a_name(tmp_path, clip, monkeypatch, name):
    (tmp_path / name).write_bytes(clip.read_bytes())
    monkeypatch.chdir(tmp_path)
    _, record = whole(Path(name))
    assert record.n_frames == 30
    assert record.file.isprintable()


def test_a_name_that_no_system_allows_is_refused():
    assert "is not a usable file name" in refusal("a\0b.mp4")


def test_a_decoder_that_never_gives_a_picture_is_stopped(tmp_path, monkeypatch):
    path = without_first_picture(
        make_clips.write(tmp_path / "src.mp4", drawn(60)), tmp_path / "a.mp4"
    )
    assert "none of its pictures can be decoded" in refusal(path)
    monkeypatch.setattr("formcheck.video.decoding.MAX_PACKETS_WITHOUT_PICTURE", 20)
    assert "decoding is stuck after 0 pictures" in refusal(path)


def test_the_module_is_loaded_without_its_heavy_package():
    code = "import sys, formcheck.video; assert 'av' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_nothing_is_printed_about_damage(tmp_path, capfd):
    src = make_clips.write(tmp_path / "src.mp4", drawn(60))
    path = damaged(src, tmp_path / "a.mp4", *make_clips.packet_places(src)[5:9])
    capfd.readouterr()
    whole(path)
    assert capfd.readouterr() == ("", "")


# -- the writer


def copied(src, dst, **settings) -> Path:
    with (
        open_video(src) as reader,
        VideoWriter(
            dst,
            width_px=reader.width_px,
            height_px=reader.height_px,
            time_base=reader.time_base,
            **settings,
        ) as writer,
    ):
        for frame in reader.frames():
            writer.write(frame.rgb(), frame.stamp, frame.duration)
    return dst


@pytest.mark.parametrize(
    ("name", "encoding"),
    [
        ("uneven.mp4", {"start_s": 5.0, "last_s": 0.4}),
        ("rounded.webm", {"codec": "libvpx"}),
        ("hundredths.gif", {"codec": "gif"}),
        ("ntsc.mkv", {"time_base": Fraction(1001, 30000)}),
    ],
)
def test_written_times_and_length_are_the_sources(tmp_path, name, encoding):
    rng = np.random.default_rng(1)
    triples = [(i, t, rgb) for i, t, rgb in drawn(40) if i < 2 or rng.random() > 0.3]
    src, record = whole(make_clips.write(tmp_path / name, triples, **encoding))
    new, new_record = whole(copied(tmp_path / name, tmp_path / "new.mp4"))
    assert [f.time_s for f in new] == [f.time_s for f in src]
    assert new_record.duration_s == pytest.approx(record.duration_s, abs=1e-9)
    assert new_record.first_stamp == 0


@pytest.mark.parametrize("base", [1_000_000, 1_000_000_000])
def test_a_fine_time_base_is_kept(tmp_path, base):
    with VideoWriter(tmp_path / "a.mp4", width_px=64, height_px=64, time_base=(1, base)) as writer:
        for i, t, rgb in drawn(10):
            writer.write(rgb, round(t * base) + i)
    frames, _ = whole(tmp_path / "a.mp4")
    assert [f.time_s for f in frames] == pytest.approx(
        [i / 30 + i / base for i in range(10)], abs=1e-6
    )


@pytest.mark.parametrize(("width", "height"), [(64, 48), (65, 48), (64, 49), (333, 49)])
def test_odd_sides_are_padded_by_a_pixel(tmp_path, width, height):
    with VideoWriter(
        tmp_path / "a.mp4", width_px=width, height_px=height, time_base=(1, 30), crf=5
    ) as writer:
        for i, _, rgb in drawn(5, width, height):
            writer.write(rgb, i)
    for picture, (_, _, rgb) in zip(
        shown(tmp_path / "a.mp4"), drawn(5, width, height), strict=True
    ):
        assert picture.shape == (height + height % 2, width + width % 2, 3)
        assert difference(picture[:height, :width], rgb) < 6
        assert difference(picture[:height, -1], rgb[:, -1]) < 25
        assert difference(picture[-1, :width], rgb[-1]) < 25


def test_what_is_written_plays_in_a_browser(tmp_path, clip):
    path = copied(clip, tmp_path / "new.mp4")
    content = path.read_bytes()
    assert content.index(b"moov") < content.index(b"mdat")
    assert b"elst" not in content or b"Lavf" not in content
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        assert (stream.codec_context.name, stream.pix_fmt) == ("h264", "yuv420p")
        assert all(p.pts == p.dts for p in container.demux(stream) if p.size)


def test_the_same_pictures_give_the_same_bytes(tmp_path, clip):
    copies = [copied(clip, tmp_path / f"{i}.mp4").read_bytes() for i in range(3)]
    assert copies[0] == copies[1] == copies[2]


def test_a_last_duration_that_is_not_told_repeats_the_interval_before(tmp_path):
    with VideoWriter(tmp_path / "a.mp4", width_px=64, height_px=64, time_base=(1, 1000)) as writer:
        for (_, _, rgb), stamp in zip(drawn(3), (0, 40, 120), strict=True):
            writer.write(rgb, stamp)
    assert whole(tmp_path / "a.mp4")[1].duration_s == pytest.approx(0.2)


def writes(path, n=10):
    with VideoWriter(path, width_px=64, height_px=64, time_base=(1, 30)) as writer:
        for i, _, rgb in drawn(n):
            writer.write(rgb, i)


def test_a_folder_that_does_not_exist_is_an_output_error(tmp_path):
    with pytest.raises(OutputError, match="folder does not exist"):
        writes(tmp_path / "none" / "a.mp4")


def test_a_folder_of_the_same_name_is_an_output_error(tmp_path):
    with pytest.raises(OutputError, match="a folder has this name"):
        writes(tmp_path)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_full_disk_is_an_output_error(tmp_path):
    (tmp_path / "a.mp4").symlink_to("/dev/full")
    with pytest.raises(OutputError, match="disk is full"):
        writes(tmp_path / "a.mp4", n=300)


_TOO_LARGE = """
import resource, signal, sys
import numpy as np
from formcheck.model.errors import OutputError
from formcheck.video import VideoWriter
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000))
rng = np.random.default_rng(0)
try:
    with VideoWriter(sys.argv[1], width_px=64, height_px=64, time_base=(1, 30)) as writer:
        for i in range(int(sys.argv[2])):
            writer.write(rng.integers(0, 255, (64, 64, 3), np.uint8), i)
except OutputError as error:
    print(error)
"""


@pytest.mark.parametrize("n", [12, 200])
def test_a_disk_that_fills_up_midway_is_an_output_error(tmp_path, n):
    run = subprocess.run(
        [sys.executable, "-c", _TOO_LARGE, tmp_path / "a.mp4", str(n)],
        capture_output=True,
        text=True,
        check=True,
    )
    assert run.stderr == ""
    assert "disk is full" in run.stdout


def test_a_failure_of_the_caller_is_not_masked(tmp_path):
    def fails():
        with VideoWriter(tmp_path / "a.mp4", width_px=64, height_px=64, time_base=(1, 30)):
            raise KeyError("the caller's own")

    with pytest.raises(KeyError, match="the caller's own"):
        fails()


def test_a_video_without_pictures_cannot_be_written(tmp_path):
    with pytest.raises(OutputError, match="no pictures to write"):
        writes(tmp_path / "a.mp4", n=0)


def test_pictures_of_another_size_or_out_of_order_are_a_callers_fault(tmp_path):
    rgb = next(drawn())[2]
    with VideoWriter(tmp_path / "a.mp4", width_px=64, height_px=64, time_base=(1, 30)) as writer:
        writer.write(rgb, 5)
        with pytest.raises(ValueError, match="not later"):
            writer.write(rgb, 5)
        with pytest.raises(ValueError, match="uint8"):
            writer.write(rgb[:32], 6)
        with pytest.raises(ValueError, match="uint8"):
            writer.write(rgb.astype(float), 6)


# -- derived clips used by other tests


DERIVED = {
    "odd_width": {"width": 333},
    "uneven_times": {},
    "as_hevc": {},
    "as_mjpeg_avi": {},
    "as_gif": {},
    "lower_rate": {},
    "sped_up": {},
    "title_card": {"seconds": 0.5},
    "cropped": {"bottom": 0.8},
    "resized": {"factor": 0.5},
    "darkened": {},
    "blurred": {},
    "noisy": {"sd": 5},
    "shaken": {},
    "rolled": {},
    "walk_out": {"from_s": 0.2},
}
SUFFIX = {"as_mjpeg_avi": "avi", "as_gif": "gif"}


@pytest.mark.parametrize("name", DERIVED)
def test_each_derived_clip_can_be_read(tmp_path, clip, name):
    path = tmp_path / f"{name}.{SUFFIX.get(name, 'mp4')}"
    getattr(make_clips, name)(clip, path, **DERIVED[name])
    frames, record = whole(path)
    assert record.n_frames_lost == 0
    assert record.n_frames == {"lower_rate": 10, "title_card": 45}.get(name, len(frames))
    assert len(frames) >= 10


def test_two_clips_can_be_joined_or_shown_side_by_side(tmp_path, clip):
    other = make_clips.mirrored(clip, tmp_path / "other.mp4")
    make_clips.spliced(clip, other, tmp_path / "spliced.mp4", cut_s=0.5)
    assert len(shown(tmp_path / "spliced.mp4")) == 45
    make_clips.second_person(clip, other, tmp_path / "two.mp4")
    assert len(shown(tmp_path / "two.mp4")) == 30
    make_clips.trimmed(clip, tmp_path / "cut.mp4", 0.2, 0.4)
    assert len(list(islice(VideoReader(tmp_path / "cut.mp4").frames(), 99))) == 7


@pytest.mark.parametrize(("crf", "is_coarse"), [(18, False), (24, False), (48, True)])
def test_how_coarsely_the_first_pictures_are_compressed_is_known(tmp_path, crf, is_coarse):
    rng = np.random.default_rng(0)
    pictures = rng.integers(0, 255, (6, 12, 16, 3)).astype(np.uint8).repeat(8, 1).repeat(8, 2)
    triples = [(k, k / 30, picture) for k, picture in enumerate(pictures)]
    path = make_clips.write(
        tmp_path / "a.mp4", triples, options={"preset": "fast", "crf": str(crf)}
    )
    with open_video(path) as reader:
        list(reader.frames())
        assert (reader.clip().quantizer > 39) == is_coarse


def test_how_coarsely_is_not_known_of_other_formats(tmp_path):
    path = make_clips.write(tmp_path / "a.mov", drawn(5), codec="png", pix_fmt="rgb24")
    with open_video(path) as reader:
        list(reader.frames())
        assert reader.clip().quantizer is None


@pytest.mark.parametrize(("tag", "rate_hz"), [("120", 120.0), ("0", None), ("fast", None)])
def test_the_rate_that_a_phone_recorded_slow_motion_at_is_read(tmp_path, tag, rate_hz):
    path = tmp_path / "slow.mp4"
    with av.open(str(path), "w", container_options={"movflags": "use_metadata_tags"}) as out:
        out.metadata["com.android.capture.fps"] = tag
        stream = out.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        for _, _, picture in drawn(6, 64, 48):
            out.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        out.mux(stream.encode())
    with open_video(path) as reader:
        list(reader.frames())
        assert reader.clip().capture_rate_hz == rate_hz

"""The benchmark: every way is timed on the same frames, and the ratios are those of the times."""

import json
import re

import pytest
from batch_helpers import short_clip


@pytest.fixture(scope="module")
def found(tmp_path_factory, run_formcheck):
    clip = short_clip(tmp_path_factory.mktemp("clip") / "short.mp4", seconds=0.9)
    done = run_formcheck("benchmark", clip, "--pose-model", "lite", "--batch", "1", "--json")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout), done


def test_each_way_is_timed_on_all_the_frames(found):
    figures, done = found
    names = [t["name"] for t in figures["timings"]]
    for part in (
        "bare pose inference, one thread",
        "analysis",
        "analysis and all files",
        "plain loop",
        "plain loop, video mode",
        "all files at default settings",
    ):
        assert part in names
        assert f"1 of 1: {part} (about " in done.stderr
    assert {t["n_frames"] for t in figures["timings"]} == {28}
    assert all(t["wall_s"] > 0 and t["cpu_s"] > 0 for t in figures["timings"])
    rates = {t["name"]: t["pose_rate_hz"] for t in figures["timings"]}
    assert rates["analysis"] == pytest.approx(30, abs=0.5)
    assert rates["all files at default settings"] == 15


def test_how_long_it_takes_is_said_before_it_starts(found):
    first, second = found[1].stderr.splitlines()[:2]
    assert re.fullmatch(r"This takes about [\d.]+ (s|min|h) on this machine\.", first)
    left = [float(n) for n in re.findall(r"about (\d+) s left", found[1].stderr)]
    assert left == sorted(left, reverse=True)
    assert second.endswith("left)")


def test_ratios_are_those_of_the_frames_per_second(found):
    speed = {t["name"]: t["frames_per_s"] for t in found[0]["timings"]}
    assert len(found[0]["ratios"]) >= 10
    for ratio in found[0]["ratios"]:
        first, second = ratio["name"].split(" : ")
        assert ratio["value"] == pytest.approx(speed[first] / speed[second])


def test_native_notes_do_not_stand_between_the_lines(found):
    assert "W0000" not in found[1].stderr
    assert "Traceback" not in found[1].stderr

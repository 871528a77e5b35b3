"""The main job through the command line: what it writes, and how it meets bad input."""

import contextlib
import csv
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import av
import pytest
from conftest import SAMPLES
from make_clips import mirrored, odd_width, rotated, trimmed, uneven_times, write

from formcheck.files.report_file import read_report
from formcheck.model.measures import MEASURES
from formcheck.model.records import NotMeasurable
from formcheck.words.refusal_words import refusal_words

LITE = ("--pose-model", "lite", "--no-video")


def report_of(folder):
    return json.loads((folder / "report.json").read_text(encoding="utf-8"))


def refusals(folder, key) -> list[str]:
    """Why each repetition of a written report has no such measure, in a clinician's words."""
    found = [
        m
        for r in read_report(folder / "report.json").repetitions
        for m in r.measures
        if m.key == key
    ]
    return [refusal_words(m, "clinician") for m in found if isinstance(m, NotMeasurable)]


def squat(run_formcheck, clip, out, *more):
    done = run_formcheck("analyze", clip, "--exercise", "squat", "--out", out, *LITE, *more)
    assert done.returncode == 0, done.stderr
    return report_of(out)


def without(folder: Path, **packages: str | None) -> dict[str, str]:
    """An environment in which these packages cannot be imported: the words are what they say
    then, None is what Python says when there is none."""
    stubs = folder / "_".join(("without", *packages))
    stubs.mkdir()
    for name, words in packages.items():
        error = (
            f"ImportError({words!r})"
            if words
            else (f"ModuleNotFoundError({f'No module named {name!r}'!r}, name={name!r})")
        )
        (stubs / f"{name}.py").write_text(f"raise {error}\n", encoding="utf-8")
    others = os.environ.get("PYTHONPATH", "")
    return {"PYTHONPATH": f"{stubs}{os.pathsep}{others}" if others else str(stubs)}


def test_analyze_writes_every_file_and_prints_the_set(squat_results):
    names = {p.name for p in squat_results.iterdir()}
    assert names == {
        "report.json",
        "reps.csv",
        "report.html",
        "annotated.mp4",
        "track.parquet",
        "request.json",
    }


def test_two_repetitions_are_found_measured_and_judged(squat_results):
    report = report_of(squat_results)
    assert report["schema"] == "formcheck.report/1.1"
    assert report["set"]["n_repetitions"] == report["set"]["n_complete"] == 2
    assert report["view"]["plane"] == "sagittal"
    assert report["view"]["near_side"] == "left"
    for rep, (top0, top1) in zip(report["repetitions"], ((2.8, 3.15), (6.45, 6.8)), strict=True):
        assert top0 - 0.1 <= rep["turn_s"] <= top1 + 0.1
        peak = rep["measures"]["knee_flexion_peak_deg"]
        assert peak["low"] < peak["value"] < peak["high"]
        assert [c["outcome"] for c in rep["checks"]] == ["reached", "kept"]


def test_every_repetition_carries_the_measures_its_exercise_lists_and_no_others(squat_results):
    from formcheck.files.exercises import load_exercise
    from formcheck.motion.stretches import exercise_measures

    listed = list(exercise_measures(load_exercise("squat")))
    for rep in report_of(squat_results)["repetitions"]:
        assert list(rep["measures"]) == listed
        for key, value in rep["measures"].items():
            wanted = {"value", "low", "high"} if "value" in value else {"not_measurable", "values"}
            assert wanted <= set(value) <= wanted | {"at_s", "parts"}, key


def test_front_view_measures_are_refused_from_the_side_with_words_where_to_stand(squat_results):
    assert "front" in refusals(squat_results, "fppa_peak_deg")[0]


def test_the_table_has_a_row_a_repetition_with_low_and_high(squat_results):
    with open(squat_results / "reps.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    report = report_of(squat_results)
    assert len(rows) == len(report["repetitions"])
    for row, rep in zip(rows, report["repetitions"], strict=True):
        peak = rep["measures"]["knee_flexion_peak_deg"]
        assert float(row["knee_flexion_peak_deg"]) == peak["value"]
        assert float(row["knee_flexion_peak_deg_low"]) == peak["low"]
        assert float(row["knee_flexion_peak_deg_high"]) == peak["high"]


def test_the_video_has_the_clips_length_and_frame_times(squat_results, short_squat):
    def times(path):
        with av.open(str(path)) as c:
            stream = c.streams.video[0]
            assert path == short_squat or stream.codec_context.name == "h264"
            stamps = [float(f.pts * stream.time_base) for f in c.decode(stream)]
        return [t - stamps[0] for t in stamps]

    ours, source = times(squat_results / "annotated.mp4"), times(short_squat)
    assert len(ours) == len(source)
    assert ours == pytest.approx(source, abs=1e-3)


def test_a_second_run_gives_the_same_bytes_but_for_the_time_of_creation(
    run_formcheck, short_squat, squat_results, tmp_path
):
    done = run_formcheck(
        "analyze",
        short_squat,
        "--exercise",
        "squat",
        "--side",
        "left",
        "--out",
        tmp_path / "o",
        *LITE,
        "--no-cache",
        "--at-least",
        "knee_flexion_peak_deg=60",
        "--at-most",
        "knee_flexion_peak_deg=170",
    )
    assert done.returncode == 0, done.stderr
    first, second = report_of(squat_results), report_of(tmp_path / "o")
    first["created_at"] = second["created_at"] = ""
    assert first == second
    assert (squat_results / "reps.csv").read_bytes() == (tmp_path / "o/reps.csv").read_bytes()
    track = "track.parquet"
    assert (squat_results / track).read_bytes() == (tmp_path / "o" / track).read_bytes()


def test_a_result_folder_gives_its_own_report_again(squat_results):
    from formcheck.files.report_file import report_json
    from formcheck.run.rerun import reassess

    again = report_json(reassess(squat_results).report)
    assert again == (squat_results / "report.json").read_text(encoding="utf-8")


def test_other_targets_need_no_pose_estimation(run_formcheck, short_squat, squat_results, tmp_path):
    done = run_formcheck(
        "analyze",
        short_squat,
        "--exercise",
        "squat",
        "--out",
        tmp_path / "o",
        *LITE,
        "--side",
        "left",
        "--at-least",
        "knee_flexion_peak_deg=120",
        env=without(tmp_path, mediapipe="no picture may be looked at again"),
    )
    assert done.returncode == 0, done.stderr
    report = report_of(tmp_path / "o")
    outcomes = [c["outcome"] for r in report["repetitions"] for c in r["checks"]]
    assert outcomes == ["not_reached", "not_reached"]


def test_a_missing_system_library_ends_with_its_code_from_the_cache_too(
    run_formcheck, short_squat, squat_results, tmp_path
):
    words = "libgthread-2.0.so.0: cannot open shared object file: No such file or directory"
    for clip, package in ((short_squat, "cv2"), (SAMPLES / "wall_sit.mp4", "mediapipe")):
        done = run_formcheck(
            "analyze",
            clip,
            "--exercise",
            "squat",
            "--out",
            tmp_path / "o",
            "--side",
            "left",
            "--pose-model",
            "lite",
            env=without(tmp_path, **{package: words}),
        )
        assert done.returncode == 6, (package, done.stderr)
        assert "libgthread-2.0.so.0 is missing; install it with: sudo apt-get" in done.stderr
        assert done.stderr.count("\n") == 1


def test_a_missing_package_is_told_with_a_command_that_works_where_it_stands(
    run_formcheck, tmp_path
):
    for package in ("sqlalchemy", "starlette", "uvicorn", "websockets"):
        done = run_formcheck(
            "serve",
            "--no-browser",
            "--data",
            tmp_path / "data",
            env=without(tmp_path, **{package: None}),
        )
        assert done.returncode == 6, (package, done.stderr)
        command = re.escape(f": {sys.executable} -m pip install ")
        assert re.search(rf"{command}('{package}[<>=.,\d]+'|{package})\n$", done.stderr)


def test_a_package_is_installed_anew_in_a_version_that_fits(monkeypatch):
    from formcheck.files import packages

    declared = ["mediapipe<0.10.34,>=0.10.30", "distributed>=2024.8; extra == 'cluster'", "rich<16"]
    monkeypatch.setattr(packages, "requires", lambda _name: declared)
    start = f"{sys.executable} -m pip install "
    assert packages.install_command("mediapipe") == f"{start}'mediapipe<0.10.34,>=0.10.30'"
    assert packages.install_command("distributed") == f"{start}'distributed>=2024.8'"
    assert packages.install_command("cv2") == f"{start}opencv-contrib-python"


def test_without_a_target_nothing_is_judged(run_formcheck, short_squat, tmp_path):
    report = squat(run_formcheck, short_squat, tmp_path / "o")
    assert all(r["checks"] == [] for r in report["repetitions"])
    assert report["set"]["n_met"] == 0
    assert report["set"]["facts"]["judged"] is False


def test_without_a_side_the_near_leg_is_taken_and_the_report_says_so(
    run_formcheck, short_squat, tmp_path
):
    report = squat(run_formcheck, short_squat, tmp_path / "o")
    assert report["side"] == "left"
    assert "side_assumed" in {f["code"] for f in report["quality"]["findings"]}


def test_the_far_leg_is_refused(run_formcheck, short_squat, tmp_path):
    report = squat(run_formcheck, short_squat, tmp_path / "o", "--side", "right")
    assert "wrong_side" in {f["code"] for f in report["quality"]["findings"]}
    told = refusals(tmp_path / "o", "knee_flexion_peak_deg")
    assert len(told) == len(report["repetitions"]) >= 1
    assert all("turned away" in words for words in told)


def test_json_goes_to_stdout_and_nothing_else_does(run_formcheck, short_squat, tmp_path):
    done = run_formcheck(
        "analyze", short_squat, "--exercise", "squat", *LITE, "--json", cwd=tmp_path
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["exercise"] == "squat"
    assert done.stderr == ""
    assert list(tmp_path.iterdir()) == []


def test_a_mirrored_clip_with_its_flag_is_the_other_leg_with_the_same_angles(
    run_formcheck, short_squat, squat_results, tmp_path
):
    clip = tmp_path / "mirrored.mp4"
    mirrored(short_squat, clip)
    as_seen = squat(run_formcheck, clip, tmp_path / "a")
    confirmed = squat(run_formcheck, clip, tmp_path / "b", "--mirrored")
    assert as_seen["side"] == "right"
    assert confirmed["side"] == "left"
    for rep, straight in zip(
        confirmed["repetitions"], report_of(squat_results)["repetitions"], strict=True
    ):
        a = rep["measures"]["knee_flexion_peak_deg"]["value"]
        b = straight["measures"]["knee_flexion_peak_deg"]["value"]
        assert a == pytest.approx(b, abs=6)  # the small bundle reads mirrored pictures a bit off


@pytest.mark.parametrize("change", [rotated, odd_width, uneven_times])
def test_rotated_odd_and_uneven_clips_give_the_same_count(
    change, run_formcheck, short_squat, squat_results, tmp_path
):
    clip = tmp_path / "changed.mp4"
    change(short_squat, clip)
    report = squat(run_formcheck, clip, tmp_path / "o")
    assert report["set"]["n_complete"] == 2
    assert report["view"]["plane"] == "sagittal"
    if change is rotated:
        assert report["clip"]["rotation_deg"] != 0
        assert report["clip"]["width_px"] > report["clip"]["height_px"]
    for rep, straight in zip(
        report["repetitions"], report_of(squat_results)["repetitions"], strict=True
    ):
        assert rep["turn_s"] == pytest.approx(straight["turn_s"], abs=0.25)


def test_a_clip_that_ends_inside_a_repetition_lists_it_and_does_not_judge_it(
    run_formcheck, short_squat, tmp_path
):
    clip = tmp_path / "cut.mp4"
    trimmed(short_squat, clip, 0.0, 6.9)
    report = squat(run_formcheck, clip, tmp_path / "o", "--at-least", "knee_flexion_peak_deg=60")
    assert [r["complete"] for r in report["repetitions"]] == [True, False]
    assert report["repetitions"][1]["checks"][0]["outcome"] == "not_judged"
    assert report["set"]["dose"]["done"] == 1


def test_a_front_view_is_counted_and_its_knee_angles_refused(run_formcheck, samples, tmp_path):
    clip = tmp_path / "front.mp4"
    trimmed(samples / "squat_front_inward.mp4", clip, 0.0, 10.0)
    report = squat(run_formcheck, clip, tmp_path / "o")
    assert report["view"]["plane"] == "frontal"
    assert report["set"]["n_complete"] >= 2
    told = refusals(tmp_path / "o", "knee_flexion_peak_deg")
    assert len(told) == len(report["repetitions"])
    assert all("camera" in words and "side" in words for words in told)
    for rep in report["repetitions"]:
        assert "value" in rep["measures"]["lowering_s"]


# -- bad input


def bad_call(run_formcheck, *args, code, says):
    done = run_formcheck("analyze", *args)
    assert done.returncode == code, (done.returncode, done.stderr)
    assert says.lower() in done.stderr.lower()
    assert "Traceback" not in done.stderr
    return done


def make_no_person(path):
    import numpy as np

    grey = np.full((120, 160, 3), 128, np.uint8)
    write(path, ((i, i / 30, grey) for i in range(30)))


def make_audio_only(path):
    import numpy as np

    with av.open(str(path), "w") as out:
        stream = out.add_stream("aac", rate=44100)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 44100), np.float32), "fltp", "mono")
        frame.rate = 44100
        for packet in stream.encode(frame):
            out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda p: None, "no such file"),
        (lambda p: p.write_bytes(b""), "empty"),
        (lambda p: p.write_text("this is a letter, not a video\n" * 40), "video"),
        (lambda p: p.mkdir(), "folder"),
        (make_audio_only, "no picture"),
        (make_no_person, "no person"),
    ],
    ids=["missing", "empty", "text", "folder", "audio only", "no person"],
)
def test_bad_clips_get_one_line_and_leave_nothing(make, says, run_formcheck, tmp_path):
    clip = tmp_path / "clip.mp4"
    make(clip)
    out = tmp_path / "out"
    done = run_formcheck("analyze", clip, "--exercise", "squat", "--out", out, *LITE)
    assert done.returncode == 3, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stderr.count("\n") == 1, done.stderr
    assert done.stderr.startswith("formcheck: ")
    assert not out.exists() or list(out.iterdir()) == []


def test_a_cut_off_file_gets_one_line(run_formcheck, short_squat, tmp_path):
    clip = tmp_path / "cut.mp4"
    whole = short_squat.read_bytes()
    clip.write_bytes(whole[: len(whole) // 3])
    bad_call(run_formcheck, clip, "--exercise", "squat", *LITE, code=3, says="cut.mp4")


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("--exercise", "sqat"), "did you mean squat"),
        (("--exercise", "squat", "--at-least", "knee_flexion_peak_deg=deep"), "not a number"),
        (("--exercise", "squat", "--at-least", "knee_flexion_peak=60"), "knee_flexion_peak_deg"),
        (("--exercise", "squat", "--at-least", "knee_flexion_peak_deg=nan"), "not a number"),
        (("--exercise", "squat", "--at-least", "knee_flexion_peak_deg=1e999"), "not a number"),
        (("--exercise", "squat", "--at-least", "knee_flexion_peak_deg=6_0"), "not a number"),
        (("--exercise", "squat", "--at-most", "knee_flexion_peak_deg=600"), "give -20 to 170"),
        (("--exercise", "squat", "--at-most", "60"), "KEY=VALUE"),
        (("--exercise", "squat", "--side", "port"), "or both"),
        (("--exercise", "squat", "--pose-model", "huge"), "lite"),
        (("--exercise", "squat", "--pose-rate", "0"), "above 0"),
        (("--exercise", "squat", "--pose-rate", "nan"), "above 0"),
    ],
)
def test_bad_arguments_get_a_mend(args, says, run_formcheck, short_squat):
    bad_call(run_formcheck, short_squat, *args, code=2, says=says)


@pytest.mark.parametrize("video", ["--video", "--no-video"])
def test_a_clip_is_never_lost_to_its_own_results(run_formcheck, short_squat, tmp_path, video):
    clip = tmp_path / "annotated.mp4"
    shutil.copyfile(short_squat, clip)
    for name in (clip, tmp_path / "link.mp4"):
        if name != clip:
            name.symlink_to(clip)
        done = run_formcheck(
            "analyze", name, "--exercise", "squat", *LITE[:2], video, "--out", tmp_path
        )
        assert done.returncode == 2, done.stderr
        assert "written over the file that is read" in done.stderr
    assert clip.read_bytes() == short_squat.read_bytes()


def test_a_video_that_is_no_result_of_ours_is_left_alone(
    run_formcheck, short_squat, squat_results, tmp_path
):
    (tmp_path / "annotated.mp4").write_bytes(b"a family film")
    squat(run_formcheck, short_squat, tmp_path, "--side", "left")
    assert (tmp_path / "annotated.mp4").read_bytes() == b"a family film"


def test_a_prescription_of_a_later_day_is_used_and_told(run_formcheck, short_squat, tmp_path):
    sample = Path(__file__).parents[1] / "sample_clips" / "prescription.toml"
    later = sample.read_text(encoding="utf-8").replace("2025-03-", "2999-03-")
    (tmp_path / "p.toml").write_text(later, encoding="utf-8")
    done = run_formcheck(
        "analyze",
        short_squat,
        "--exercise",
        "squat",
        "--side",
        "left",
        *LITE,
        "--json",
        "--prescription",
        tmp_path / "p.toml",
    )
    assert done.returncode == 0
    assert "is valid from 2999-03-03 on, later than today" in done.stderr


def test_a_bound_of_minus_zero_is_zero():
    from formcheck.cli.analyze import parse_bound

    assert f"{parse_bound('heel_drop_share=-0', '--at-most')[1].at_most:g}" == "0"


def test_a_clip_with_too_few_pictures_gets_one_line(run_formcheck, short_squat, tmp_path):
    trimmed(short_squat, tmp_path / "blink.mp4", 0.0, 0.1)
    bad_call(
        run_formcheck,
        tmp_path / "blink.mp4",
        "--exercise",
        "squat",
        *LITE,
        "--pose-rate",
        "5",
        code=3,
        says="only 1 picture",
    )


def test_an_output_folder_that_is_a_file_is_refused(
    run_formcheck, short_squat, squat_results, tmp_path
):
    (tmp_path / "out").write_text("in the way")
    bad_call(
        run_formcheck,
        short_squat,
        "--exercise",
        "squat",
        "--out",
        tmp_path / "out",
        *LITE,
        code=5,
        says="file",
    )
    assert (tmp_path / "out").read_text() == "in the way"


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs /dev/full's kind of system")
def test_a_full_disk_leaves_no_half_file(run_formcheck, short_squat, squat_results, tmp_path):
    # A limit on file size stands for a full disk: writing stops in the middle.
    out = tmp_path / "out"
    code = (
        "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000));"
        "from formcheck.cli import main; main()"
    )
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            code,
            "analyze",
            str(short_squat),
            "--exercise",
            "squat",
            "--out",
            str(out),
            *LITE,
            "--no-cache",
        ],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 5, done.stderr
    assert "disk is full" in done.stderr
    assert not out.exists()


def test_a_run_stopped_half_way_leaves_no_half_file(short_squat, tmp_path):
    out = tmp_path / "out"
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "formcheck",
            "analyze",
            str(short_squat),
            "--exercise",
            "squat",
            "--out",
            str(out),
            "--pose-model",
            "lite",
            "--no-cache",
        ],
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    _wait_until_loaded(process, "libmediapipe")
    process.send_signal(signal.SIGINT)
    _, stderr = process.communicate(timeout=120)
    if process.returncode != 0:  # it may have been done already on a quick machine
        assert process.returncode == 130
        assert "Traceback" not in stderr
        assert not (out / "report.json").exists()


def _wait_until_loaded(process, library: str) -> None:
    """Waits until a process has loaded a library, or has ended: the analysis has begun then."""
    maps = Path(f"/proc/{process.pid}/maps")
    until = time.monotonic() + 120
    while process.poll() is None and time.monotonic() < until:
        with contextlib.suppress(OSError):
            if library in maps.read_text(encoding="utf-8", errors="replace"):
                return
        time.sleep(0.05)


def _shell(command, cwd):
    return subprocess.run(
        ["bash", "-c", command.replace("FORMCHECK", f"{sys.executable} -m formcheck")],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        cwd=cwd,
    )


@pytest.mark.parametrize("out", [("--out", ""), ("--out=",)])
def test_an_empty_value_is_refused_and_writes_nothing(run_formcheck, short_squat, tmp_path, out):
    done = run_formcheck("analyze", short_squat, "--exercise", "squat", *LITE, *out, cwd=tmp_path)
    assert done.returncode == 2
    assert "the value after --out" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_reader_that_goes_away_is_no_failure(tmp_path):
    done = _shell("FORMCHECK exercises squat | true; echo ${PIPESTATUS[0]}", tmp_path)
    assert (done.stdout, done.stderr) == ("0\n", "")


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs /dev/full")
def test_a_full_disk_behind_stdout_ends_with_its_code(tmp_path):
    done = _shell("FORMCHECK exercises > /dev/full", tmp_path)
    assert done.returncode == 5
    assert done.stderr == "formcheck: the disk is full; free some space and run again\n"


def test_closed_streams_change_nothing_but_what_is_shown(tmp_path):
    done = _shell("FORMCHECK analyze none.mp4 --exercise squat 2>&-", tmp_path)
    assert (done.returncode, done.stdout) == (3, "")
    done = _shell("FORMCHECK prescription new <&-", tmp_path)
    assert done.returncode == 2
    assert "answers ended" in done.stderr
    done = _shell("FORMCHECK exercises squat --svg a.svg >&- 2>&- <&-", tmp_path)
    assert done.returncode == 0
    assert (tmp_path / "a.svg").read_text(encoding="utf-8").endswith("</svg>\n")


def test_a_stop_is_told_in_one_line():
    process = subprocess.Popen(
        [sys.executable, "-m", "formcheck", "prescription", "new"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr.read(5)  # it asks: it is under way
    process.send_signal(signal.SIGINT)
    stdout, stderr = process.communicate(timeout=60)
    assert (process.returncode, stdout) == (130, "")
    assert "formcheck: stopped; no half-written file was left behind" in stderr


def test_debug_shows_the_traceback(run_formcheck, tmp_path):
    done = run_formcheck("analyze", tmp_path / "none.mp4", "--exercise", "squat", "--debug")
    assert "Traceback" in done.stderr


def test_help_names_every_exit_code(run_formcheck):
    from formcheck.model.errors import EXIT_CODES

    done = run_formcheck("--help")  # what it may load: tests/test_imports.py
    text = " ".join(done.stdout.split())
    for code, meaning in EXIT_CODES:
        assert f"{code} {meaning}" in text


def test_explain_reaches_the_reported_number(run_formcheck, squat_results):
    rep = report_of(squat_results)["repetitions"][1]
    peak = rep["measures"]["knee_flexion_peak_deg"]
    done = run_formcheck(
        "explain", squat_results, "--rep", "2", "--measure", "knee_flexion_peak_deg"
    )
    assert done.returncode == 0, done.stderr
    line = next(t for t in done.stdout.splitlines() if t.startswith("Value"))
    assert float(line.split()[1]) == pytest.approx(peak["value"], abs=0.006)
    assert "shared" in done.stdout
    assert "own" in done.stdout
    assert "root sum of squares" in done.stdout


PEAK = ("--rep", "1", "--measure", "knee_flexion_peak_deg")


def _changed(results, folder, path, value):
    """A copy of the results with one value of request.json replaced."""
    shutil.copytree(results, folder)
    body = json.loads((folder / "request.json").read_text(encoding="utf-8"))
    *way, last = path
    inner = body
    for key in way:
        inner = inner[key]
    inner[last] = value
    (folder / "request.json").write_text(json.dumps(body), encoding="utf-8")


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("request", "bounds"), [["target", {"measure": "nosuch", "at_least": 1}]]),
        (("request", "bounds"), [["target", {"measure": "knee_flexion_peak_deg"}]]),
        (("request", "context", "stature_cm"), float("nan")),
        (("settings", "track", "cut_off_hz"), -1),
        (("settings", "track", "cut_off_hz"), 0),
    ],
)
def test_a_changed_request_that_nothing_can_follow_gets_one_line(
    run_formcheck, squat_results, tmp_path, path, value
):
    _changed(squat_results, tmp_path / "o", path, value)
    done = run_formcheck("explain", tmp_path / "o", *PEAK)
    assert done.returncode == 4, done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert "request.json" in done.stderr


@pytest.mark.parametrize("name", ["request.json", "report.json"])
def test_a_file_nested_without_end_gets_one_line(run_formcheck, squat_results, tmp_path, name):
    shutil.copytree(squat_results, tmp_path / "o")
    (tmp_path / "o" / name).write_text("[" * 100_000)
    done = run_formcheck("explain", tmp_path / "o", *PEAK)
    assert done.returncode == 4, done.stderr
    assert name in done.stderr


def test_a_newer_request_is_told_once_and_in_plain_words(run_formcheck, squat_results, tmp_path):
    _changed(squat_results, tmp_path / "o", ("schema",), "formcheck.request/1.9")
    done = run_formcheck("explain", tmp_path / "o", *PEAK)
    assert done.returncode == 0
    (line,) = done.stderr.splitlines()
    assert line.startswith("formcheck: note: ")


def test_explain_says_when_the_number_is_not_the_reported_one(
    run_formcheck, squat_results, tmp_path
):
    assert "NOT as reported" not in run_formcheck("explain", squat_results, *PEAK).stdout
    _changed(squat_results, tmp_path / "o", ("settings", "track", "cut_off_hz"), 2.0)
    assert "NOT as reported" in run_formcheck("explain", tmp_path / "o", *PEAK).stdout


def test_explain_names_what_is_wrong_repetition_or_part(run_formcheck, squat_results):
    done = run_formcheck("explain", squat_results, "--rep", "1", "--measure", "knee_flexion")
    assert (done.returncode, "did you mean knee_flexion_" in done.stderr) == (2, True)
    done = run_formcheck("explain", squat_results, *PEAK[2:], "--rep", "99")
    assert (done.returncode, "has repetitions 1, 2" in done.stderr) == (2, True)
    done = run_formcheck("explain", squat_results, *PEAK, "--part", "left")
    assert (done.returncode, "--part left: repetition 1 has no parts" in done.stderr) == (2, True)


def test_every_measure_has_a_definition_and_a_unit():
    for key, m in MEASURES.items():
        assert m.definition.endswith("."), key
        if m.unit in ("deg", "s", "cm", "share"):
            assert key.endswith(f"_{m.unit}") or key == "n_in_30_s", key


def test_the_folder_can_be_written_twice(run_formcheck, short_squat, squat_results, tmp_path):
    out = tmp_path / "o"
    shutil.copytree(squat_results, out)
    squat(run_formcheck, short_squat, out, "--side", "left")
    assert not (out / "annotated.mp4").exists()  # it would show the earlier run's outcomes

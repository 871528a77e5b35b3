"""Batches: every clip has its row, nothing is done twice, nothing bad stops the run."""

import csv
import html
import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from batch_helpers import (
    BY_NAME,
    PATTERN,
    QUICK,
    QUICK_OPTIONS,
    SAMPLES,
    Harmful,
    copies,
    short_clip,
    start,
    tables,
)

from formcheck.batch import BatchSettings, Describing, Limits, plan_batch, readable, run_batch
from formcheck.batch.clips import BatchClip, find_clips, read_descriptions
from formcheck.batch.index_page import index_html
from formcheck.batch.one_clip import Job, measure_clip, parts_folder
from formcheck.batch.output import held
from formcheck.batch.tables import ClipResult, with_report
from formcheck.batch.workers import WorkerPool
from formcheck.files.report_file import read_report
from formcheck.model.errors import BusyError, FileError, OutputError, UsageError

NAMES = (
    "p1_squat_left_1.mp4",
    "p1_squat_left_2.mp4",
    "deeper/p2_wall-sit_right.mp4",
    'it\'s 100% "fine" & <b>_squat_left.mp4',
    "=1+1_squat_left.mp4",
    "\N{LEG} é_squat_left.mp4",
    "two\nlines_squat_left.mp4",
    os.fsdecode(b"na\xefve_squat_left.mp4"),
)
BAD = {
    "b1_squat_left.mp4": b"",
    "b2_squat_left.mp4": b"this is a text, not a clip\n" * 50,
    "b3_squat_left.mp4": bytes(range(256)) * 40,
}


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    return short_clip(tmp_path_factory.mktemp("clip") / "short.mp4")


@pytest.fixture(scope="module")
def folder(clip, tmp_path_factory):
    folder = tmp_path_factory.mktemp("folder")
    copies(clip, folder, NAMES)
    for name, content in BAD.items():
        (folder / name).write_bytes(content)
    (folder / "b4_squat_left.mp4").mkdir()
    (folder / "b5_squat_left.mp4").symlink_to("nowhere")
    os.mkfifo(folder / "b6_squat_left.mp4")
    (folder / "holiday.mp4").write_bytes(clip.read_bytes())
    (folder / "notes.txt").write_text("not a clip")
    return folder


@pytest.fixture(scope="module")
def done(folder, tmp_path_factory):
    """(output folder, how the run ended) of one run over the folder."""
    out = tmp_path_factory.mktemp("out") / "results here"
    return out, run_batch(folder, out, BY_NAME)


def _rows(out: Path, name: str = "clips.csv") -> list[dict]:
    return list(csv.DictReader(io.StringIO((out / name).read_text("utf-8"), newline="")))


def _log(out: Path) -> list[dict]:
    return [json.loads(line) for line in (out / "log.jsonl").read_text().splitlines()]


def _wanted(clip: Path, out: Path) -> Job:
    """The job of a single clip, ready for a worker."""
    out.joinpath(".formcheck").mkdir(parents=True)
    (planned,) = plan_batch(
        clip.parent, out, replace(BY_NAME, describing=Describing(exercise="squat"))
    )
    return replace(planned.job, out=out)


# -- what a run leaves


def test_every_good_clip_is_measured_and_every_bad_one_has_a_plain_reason(done):
    out, end = done
    assert (end.n_measured, end.n_failed, end.n_skipped, end.n_kept) == (len(NAMES), 6, 1, 0)
    reasons = {r["file"]: r["reason"] for r in _rows(out) if r["status"] == "failed"}
    assert "is empty" in reasons["b1_squat_left.mp4"]
    assert "holds text" in reasons["b2_squat_left.mp4"]
    assert "damaged or no video" in reasons["b3_squat_left.mp4"]
    assert "is a folder" in reasons["b4_squat_left.mp4"]
    assert "no such file" in reasons["b5_squat_left.mp4"]
    assert "not a regular file" in reasons["b6_squat_left.mp4"]
    assert all("\n" not in reason and "Traceback" not in reason for reason in reasons.values())


def test_a_clip_that_nothing_describes_is_passed_over_and_listed(done):
    row = next(r for r in _rows(done[0]) if r["file"] == "holiday.mp4")
    assert row["status"] == "skipped"
    assert "does not fit the pattern" in row["reason"]
    assert all("notes" not in r["file"] for r in _rows(done[0]))


def test_rows_stand_in_the_order_of_the_files_and_name_each_once(done):
    files = [r["file"] for r in _rows(done[0])]
    assert len(files) == len(set(files)) == len(NAMES) + 7
    bare = [file.removeprefix("./") for file in files]
    assert bare == sorted(
        bare, key=lambda f: f.replace("\\xef", "\udcef").encode("utf-8", "surrogateescape")
    )


def test_each_measured_clip_has_a_folder_as_analyze_writes_it_without_video(done):
    for name in NAMES:
        result = done[0] / "results" / name
        assert {p.name for p in result.iterdir()} == {
            "report.json",
            "reps.csv",
            "report.html",
            "track.parquet",
            "request.json",
            "thumbnail.jpg",
            "batch.json",
        }
        assert (result / "thumbnail.jpg").read_bytes().startswith(b"\xff\xd8\xff")
    report = read_report(done[0] / "results" / "deeper" / "p2_wall-sit_right.mp4" / "report.json")
    assert report.exercise == "wall_sit"


def test_nothing_unfinished_is_left(done):
    assert list((done[0] / ".formcheck" / "parts").iterdir()) == []


def test_a_name_that_is_no_utf_8_is_still_readable_in_the_tables_and_reached_from_the_page(done):
    row = next(r for r in _rows(done[0]) if "ve_squat" in r["file"])
    assert row["file"] == "na\\xefve_squat_left.mp4"
    assert row["status"] == "measured"
    assert "results/na%EFve_squat_left.mp4/report.html" in (done[0] / "index.html").read_text()


def test_no_cell_of_the_tables_begins_like_a_formula(done):
    for name in ("clips.csv", "summary.csv"):
        for row in _rows(done[0], name):
            assert not any(
                isinstance(v, str) and v.startswith(("=", "+", "@")) for v in row.values()
            )


def test_the_summary_has_a_row_a_repetition_in_both_formats(folder, tmp_path):
    copies(short_clip(tmp_path / "one.mp4", 0.0, 4.5), tmp_path / "clips", ["a_squat_left.mp4"])
    run_batch(tmp_path / "clips", tmp_path / "out", BY_NAME)
    rows = _rows(tmp_path / "out", "summary.csv")
    report = read_report(tmp_path / "out/results/a_squat_left.mp4/report.json")
    assert len(rows) == len(report.repetitions) >= 1
    measured = next(m for m in report.repetitions[0].measures if m.key == "lowering_s")
    assert float(rows[0]["lowering_s"]) == measured.value
    assert float(rows[0]["lowering_s_low"]) == measured.low
    import pyarrow.parquet as parquet

    table = parquet.read_table(tmp_path / "out/summary.parquet").to_pylist()
    assert [r["file"] for r in table] == [r["file"] for r in rows]
    assert table[0]["lowering_s"] == measured.value
    assert table[0]["complete"] is report.repetitions[0].repetition.is_complete


def test_the_log_tells_of_each_clip_in_lines_of_json(done):
    events = _log(done[0])
    assert events[0]["event"] == "run_started"
    assert events[-1]["event"] == "run_ended"
    assert sum(e["event"] == "clip" for e in events) == len(NAMES) + 2


# -- once more


def test_a_second_run_does_nothing_again_and_changes_no_byte(done, folder):
    before = tables(done[0])
    stamps = {p: p.stat().st_mtime_ns for p in (done[0] / "results").rglob("report.json")}
    end = run_batch(folder, done[0], BY_NAME)
    assert (end.n_measured, end.n_kept) == (len(NAMES), len(NAMES))
    assert tables(done[0]) == before
    assert stamps == {p: p.stat().st_mtime_ns for p in stamps}


def test_a_dry_run_tells_what_would_be_done_and_writes_nothing(folder, tmp_path, done):
    planned = plan_batch(folder, tmp_path / "new", BY_NAME)
    assert not (tmp_path / "new").exists()
    assert [p.action for p in planned].count("analyse") == len(NAMES) + 2
    assert [p.action for p in planned].count("cannot") == 4
    assert [p.action for p in plan_batch(folder, done[0], BY_NAME)].count("keep") == len(NAMES)


PRESCRIPTION = """schema = "formcheck.prescription/1.0"
patient = "{patient}"
involved_side = "left"
prescribed_by = "AB"
valid_from = 2026-01-05

[[exercises]]
exercise = "squat"
sets = 3
repetitions = 10

[[exercises.targets]]
measure = "knee_flexion_peak_deg"
at_least = {at_least}
"""


def test_a_changed_prescription_setting_or_clip_is_done_again_and_nothing_else(clip, tmp_path):
    folder, out = tmp_path / "clips", tmp_path / "out"
    copies(clip, folder, ["a.mp4", "b.mp4", "c.mp4"])
    (folder / "clips.csv").write_text(
        "file,exercise,side,prescription\na.mp4,squat,left,p.toml\nb.mp4,squat,left,\n"
        "c.mp4,squat,left,\n"
    )
    (folder / "p.toml").write_text(PRESCRIPTION.format(patient="KN-1", at_least=60))
    batch = BatchSettings(settings=QUICK, n_workers=1)

    def to_do(batch=batch):
        return [p.clip.file for p in plan_batch(folder, out, batch) if p.action == "analyse"]

    run_batch(folder, out, batch)
    assert to_do() == []
    assert _rows(out)[0]["patient"] == "KN-1"
    (folder / "p.toml").write_text(PRESCRIPTION.format(patient="KN-1", at_least=75))
    assert to_do() == ["a.mp4"]
    copies(short_clip(tmp_path / "other.mp4", 3.0), folder, ["b.mp4"])
    assert to_do() == ["a.mp4", "b.mp4"]
    assert len(to_do(replace(batch, with_video=True))) == 3
    cut_off = replace(QUICK.track, cut_off_hz=5.0)
    assert len(to_do(replace(batch, settings=replace(QUICK, track=cut_off)))) == 3
    before = read_report(out / "results/a.mp4/report.json")
    end = run_batch(folder, out, batch)
    assert (end.n_measured, end.n_kept) == (3, 1)
    # The landmarks of the same clip serve again.
    pictures = {e["file"]: e["n_pictures"] for e in _log(out) if e["event"] == "clip"}
    assert pictures["a.mp4"] > 0
    after = read_report(out / "results/a.mp4/report.json")
    assert before.prescription_sha256 != after.prescription_sha256


def test_landmarks_of_the_same_clip_serve_another_prescription(clip, tmp_path, monkeypatch):
    job = _wanted(clip, tmp_path / "out")
    assert measure_clip(job).is_measured

    def never(*_args, **_options):
        raise AssertionError("the pose was estimated again")

    monkeypatch.setattr("formcheck.run.pipeline.landmarks", never)
    assert measure_clip(replace(job, with_video=False, is_face_blurred=False)).is_measured
    changed = replace(QUICK.pose, rate_hz=6)
    other = measure_clip(replace(job, settings=replace(QUICK, pose=changed)))
    assert "estimated again" in other.reason


def test_a_failed_clip_is_tried_again_by_the_next_run(clip, tmp_path):
    folder, out = tmp_path / "clips", tmp_path / "out"
    folder.mkdir()
    (folder / "a_squat_left.mp4").write_bytes(b"")
    assert run_batch(folder, out, BY_NAME).n_failed == 1
    copies(clip, folder, ["a_squat_left.mp4"])
    assert run_batch(folder, out, BY_NAME).n_measured == 1


# -- one run at a time


def test_a_second_run_on_the_same_output_says_so(done, folder, run_formcheck):
    with held(done[0]):
        with pytest.raises(BusyError, match=rf"process {os.getpid()}"):
            run_batch(folder, done[0], BY_NAME)
        ended = run_formcheck("batch", folder, "--out", done[0], "--pattern", PATTERN)
    assert ended.returncode == 8
    assert ended.stderr.count("\n") == 1
    assert "another run" in ended.stderr


HOLD = """
import sys, time
from pathlib import Path
from formcheck.batch.output import held
with held(Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(60)
"""


def test_what_a_machine_left_that_died_in_a_run_that_went_on_is_cleared_at_its_end(tmp_path):
    with held(tmp_path):
        left = parts_folder(tmp_path) / "a033067b8ba7d195"
        left.mkdir()
        (left / "reps.csv").write_text("half of it")
    assert list(parts_folder(tmp_path).iterdir()) == []


def test_the_lock_and_the_parts_of_a_killed_run_stand_in_nobodys_way(tmp_path):
    holder = subprocess.Popen([sys.executable, "-c", HOLD, tmp_path], stdout=subprocess.PIPE)
    with holder:
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(BusyError), held(tmp_path):
            pass
        part = tmp_path / ".formcheck/parts/abc"
        part.mkdir()
        (part / "report.json").write_text("{")
        holder.kill()
        holder.wait()
    with held(tmp_path):
        assert not part.exists()


def test_the_output_may_be_in_the_folder_of_the_clips_and_is_not_taken_for_clips(clip, tmp_path):
    copies(clip, tmp_path, ["a_squat_left.mp4"])
    batch = replace(BY_NAME, with_video=True)
    run_batch(tmp_path, tmp_path / "out", batch)
    assert (tmp_path / "out/results/a_squat_left.mp4/annotated.mp4").stat().st_size > 1000
    for out in (tmp_path / "out", tmp_path / "other"):
        assert [p.clip.file for p in plan_batch(tmp_path, out, batch)] == ["a_squat_left.mp4"]


def test_an_output_folder_that_would_overwrite_a_description_is_refused(clip, tmp_path):
    copies(clip, tmp_path, ["a.mp4"])
    (tmp_path / "clips.csv").write_text("file,exercise\na.mp4,squat\n")
    with pytest.raises(UsageError, match="is the folder of the clips"):
        plan_batch(tmp_path, tmp_path / "../" / tmp_path.name, BatchSettings())
    with pytest.raises(UsageError, match="would overwrite"):
        plan_batch(tmp_path / "x", tmp_path, BatchSettings())


# -- what clips show


def _described(folder: Path, text: str | bytes, **describing):
    (folder / "clips.csv").write_bytes(text if isinstance(text, bytes) else text.encode())
    clips = find_clips(folder, folder / "out", Describing(**describing))
    return {c.file: c for c in clips}


def test_a_row_says_what_its_clip_shows(clip, tmp_path):
    copies(clip, tmp_path, ["a.mp4", "sub/b.mp4", "c.dat"])
    found = _described(
        tmp_path,
        "File;Exercise;Side;Mirrored;Patient;Remark\na.mp4;squat;LEFT;yes;KN-7;x\n"
        "sub\\b.mp4;wall_sit;;;;\nc.dat;squat;both;no;;\n",
    )
    assert [c.state for c in found.values()] == ["wanted"] * 3
    first = found["a.mp4"].request
    assert (first.side, first.is_mirrored, found["a.mp4"].patient) == ("left", True, "KN-7")
    assert found["sub/b.mp4"].request.exercise.id == "wall_sit"
    assert found["c.dat"].request.side == "both"
    assert found["sub/b.mp4"].request.side is None


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("a.mp4,squatt,left,,", "clips.csv line 2: there is no exercise"),
        ("a.mp4,squat,west,,", "clips.csv line 2: side 'west': write left, right or both"),
        ("a.mp4,squat,left,maybe,", "clips.csv line 2: mirrored 'maybe': write yes or no"),
        ("a.mp4,,left,,", "clips.csv line 2: no exercise is given"),
        ("a.mp4,squat,left,,none.toml", "none.toml: "),
        ("b.mp4,squat,left,,", "clips.csv line 2: no such file"),
        ("../a.mp4,squat,left,,", "is not below the folder"),
        (",squat,left,,", "names no file"),
    ],
)
def test_a_faulty_row_costs_its_own_clip_only_and_says_where(clip, tmp_path, row, words):
    copies(clip, tmp_path, ["a.mp4", "good.mp4"])
    found = _described(
        tmp_path, f"file,exercise,side,mirrored,prescription\n{row}\ngood.mp4,squat,left,,\n"
    )
    assert found["good.mp4"].state == "wanted"
    faulty = next(c for c in found.values() if c.state == "faulty")
    assert words in faulty.reason


def test_a_prescription_of_another_patient_is_not_used(clip, tmp_path):
    copies(clip, tmp_path, ["a.mp4"])
    (tmp_path / "p.toml").write_text(PRESCRIPTION.format(patient="KN-1", at_least=60))
    found = _described(tmp_path, "file,exercise,patient,prescription\na.mp4,squat,KN-2,p.toml\n")
    assert "is for KN-1, the clip is of KN-2" in found["a.mp4"].reason


def test_a_file_listed_twice_counts_once(clip, tmp_path):
    copies(clip, tmp_path, ["a.mp4"])
    found = _described(tmp_path, "file,exercise\na.mp4,squat\n./a.mp4,squat\n")
    assert [(c.state, c.exercise) for c in found.values()] == [("wanted", "squat")]


def test_a_file_described_in_two_ways_is_not_guessed_at(clip, tmp_path):
    copies(clip, tmp_path, ["a.mp4"])
    found = _described(tmp_path, "file,exercise\na.mp4,squat\na.mp4,wall_sit\n")
    assert [c.state for c in found.values()] == ["faulty"]
    assert "line 2 and clips.csv line 3 say different things" in found["a.mp4"].reason


def test_a_value_that_no_column_names_is_not_passed_over(clip, tmp_path):
    copies(clip, tmp_path, ["a.mp4", "b.mp4"])
    found = _described(tmp_path, "file,exercise\na.mp4,squat,right\nb.mp4,squat,,\n")
    assert found["b.mp4"].state == "wanted"
    assert found["a.mp4"].state == "faulty"
    assert "line 2: has more values than the first line names" in found["a.mp4"].reason


def test_rows_may_name_files_with_bytes_that_are_no_utf_8(clip, tmp_path):
    name = os.fsdecode(b"z\xff.mp4")
    copies(clip, tmp_path, [name])
    found = _described(tmp_path, b"\xef\xbb\xbffile,exercise\nz\xff.mp4,squat\n")
    assert found[name].state == "wanted"
    assert readable(name) == "z\\xff.mp4"


def test_a_description_without_its_columns_is_refused(tmp_path):
    (tmp_path / "clips.csv").write_text("name,what\na,b\n")
    with pytest.raises(FileError, match="no column `file`"):
        read_descriptions(tmp_path / "clips.csv")


def test_a_folder_that_nothing_describes_is_refused_with_the_way_out(clip, tmp_path):
    copies(clip, tmp_path, ["a.mp4"])
    with pytest.raises(UsageError, match="--pattern"):
        plan_batch(tmp_path, tmp_path / "out", BatchSettings())
    with pytest.raises(UsageError, match="no such folder"):
        plan_batch(tmp_path / "none", tmp_path / "out", BatchSettings())


@pytest.mark.parametrize(
    ("pattern", "name", "expected"),
    [
        (
            "{patient}_{exercise}_{side}_*",
            "KN-2_straight_leg_raise_R_03.mp4",
            ("KN-2", "straight_leg_raise", "right"),
        ),
        ("{patient}_{exercise}_{side}_*", "a_b_wall sit_LEFT_x.mov", ("a_b", "wall_sit", "left")),
        ("{exercise}*", "squat.mp4", ("", "squat", "")),
        ("{patient}_{exercise}_{side}*", "kn_squat_left.mp4", ("kn", "squat", "left")),
        ("{patient}_{exercise}_{side}*", "kn_squat_L2.mp4", ("kn", "squat", "left")),
        ("{patient}/*/{exercise}?", "KN-3/week 2/squat1.mp4", ("KN-3", "squat", "")),
        ("{patient}_{exercise}.mp4", "x_squat.mp4", ("x", "squat", "")),
    ],
)
def test_a_pattern_reads_names(clip, tmp_path, pattern, name, expected):
    copies(clip, tmp_path, [name])
    (found,) = find_clips(tmp_path, tmp_path / "out", Describing(pattern=pattern))
    assert (found.patient, found.exercise, found.side) == expected
    assert found.state == "wanted"


@pytest.mark.parametrize(
    "name", ["kn_squat_rear.mp4", "kn_squat_lateral_1.mp4", "kn_squat_front.mp4"]
)
def test_a_letter_of_another_word_is_no_side(clip, tmp_path, name):
    copies(clip, tmp_path, [f"{name}.mp4"])
    (found,) = find_clips(
        tmp_path, tmp_path / "out", Describing(pattern="{patient}_{exercise}_{side}*")
    )
    assert found.state != "wanted", "a leg that nobody named is not measured"


@pytest.mark.parametrize("pattern", ["{name}_*", "{side}_{side}", "*.mp4"])
def test_a_pattern_that_cannot_be_used_is_refused(tmp_path, pattern):
    with pytest.raises(UsageError, match="--pattern"):
        find_clips(tmp_path, tmp_path / "out", Describing(pattern=pattern))


# -- workers


def test_a_worker_that_dies_is_replaced_and_its_clip_tried_once_more(clip, tmp_path):
    job = _wanted(clip, tmp_path / "out")
    with WorkerPool() as pool:
        dead = pool.measure(replace(job, request=Harmful("__import__('os').abort()")))
        assert (dead.trouble, dead.n_tries) == ("worker", 2)
        assert "SIGABRT" in dead.reason
        assert pool.measure(job).is_measured


def test_a_clip_whose_worker_was_ended_from_outside_is_measured_by_the_next_one(clip, tmp_path):
    job = _wanted(clip, tmp_path / "out")
    mark = tmp_path / "once"
    code = (
        f"__import__('os').abort() if not __import__('os').path.exists({str(mark)!r}) and "
        f"[open({str(mark)!r}, 'w').close()] else None"
    )
    # What arrives the second time is no request, which is a failure but no death.
    with WorkerPool() as pool:
        outcome = pool.measure(replace(job, request=Harmful(code)))
    assert outcome.n_tries == 2
    assert outcome.trouble == "unexpected"
    assert "try 1: ended by signal SIGABRT" in outcome.detail


@pytest.mark.parametrize(
    ("code", "limits", "words"),
    [
        ("__import__('time').sleep(60)", Limits(clip_s=1.5), "took longer than the limit"),
        ("__import__('time').sleep(60)", Limits(silence_s=1.5), "made no progress"),
        (
            "[b'x' * 900_000_000, __import__('time').sleep(60)]",
            Limits(memory_gb=0.6),
            "needed more than the limit of 0.6 GB",
        ),
    ],
)
def test_a_clip_that_hangs_or_eats_memory_is_ended(clip, tmp_path, code, limits, words):
    job = _wanted(clip, tmp_path / "out")
    with WorkerPool(limits) as pool:
        outcome = pool.measure(replace(job, request=Harmful(code)))
    assert outcome.trouble == "limit"
    assert words in outcome.reason


def test_clips_that_are_not_there_are_named_with_the_reason(clip, tmp_path, run_formcheck):
    copies(clip, tmp_path / "in", ["a.mp4"])
    lines = [f"{n}.mp4,squat" for n in ("a", *(f"gone {i:02}" for i in range(25)))]
    (tmp_path / "in/clips.csv").write_text("\n".join(["file,exercise", *lines]) + "\n")
    done = run_formcheck("batch", tmp_path / "in", "--out", tmp_path / "out", *QUICK_OPTIONS)
    assert done.returncode == 7
    assert "Measured 1, failed 25, skipped 0." in done.stdout
    named = [line for line in done.stderr.splitlines() if line.startswith("failed: ")]
    assert named[0] == "failed: gone 00.mp4: clips.csv line 3: no such file; check the name"
    assert len(named) == 20
    assert f"and 5 more: see {tmp_path / 'out/clips.csv'}" in done.stderr


def test_the_sample_folder_judges_every_clip_against_a_prescription():
    planned = plan_batch(SAMPLES, SAMPLES.parent / "out", BatchSettings())
    assert [p.action for p in planned if p.action != "keep"] == ["analyse"] * len(planned)
    assert [p.clip.file for p in planned if not p.job.request.bounds] == []


def test_a_bad_job_in_a_run_leaves_the_others_measured(clip, tmp_path, monkeypatch):
    from formcheck.batch import run

    make = run._job

    def harmful(found, out, batch):
        job = make(found, out, batch)
        code = "__import__('os').kill(__import__('os').getpid(), 11)"
        return replace(job, request=Harmful(code)) if found.file.startswith("b") else job

    monkeypatch.setattr(run, "_job", harmful)
    monkeypatch.setattr(run, "_size", lambda job: 1)
    monkeypatch.setattr(run, "is_done", lambda job: False)
    copies(clip, tmp_path / "in", ["a_squat_left.mp4", "b_squat_left.mp4", "c_squat_left.mp4"])
    end = run_batch(tmp_path / "in", tmp_path / "out", BY_NAME)
    assert (end.n_measured, end.n_failed) == (2, 1)
    assert "SIGSEGV" in _rows(tmp_path / "out")[1]["reason"]


def test_workers_end_with_the_one_who_gave_them_work(folder, tmp_path):
    run = start(folder, "--out", tmp_path / "out", "--pattern", PATTERN, "--workers", "2")
    with run:
        workers = ()
        while len(workers) < 2:
            assert run.poll() is None
            time.sleep(0.05)
            children = Path(f"/proc/{run.pid}/task/{run.pid}/children").read_text().split()
            threads = Path(f"/proc/{run.pid}/task").glob("*/children")
            children = [c for t in threads for c in t.read_text().split()]
            workers = tuple(map(int, children))
        run.kill()
        run.communicate()
    deadline = time.monotonic() + 60
    while any(Path(f"/proc/{w}/cmdline").exists() and _is_worker(w) for w in workers):
        assert time.monotonic() < deadline
        time.sleep(0.05)


def _is_worker(pid: int) -> bool:
    try:
        return b"batch.workers" in Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return False


def test_ctrl_c_ends_the_run_at_once_and_the_tables_say_what_waits(clip, tmp_path):
    copies(clip, tmp_path / "in", [f"{i}_squat_left.mp4" for i in range(30)])
    run = start(
        tmp_path / "in",
        "--out",
        tmp_path / "out",
        "--pattern",
        PATTERN,
        "--pose-model",
        "lite",
        "--workers",
        "1",
        cwd=tmp_path,
    )
    with run:
        # With the second result written the first one has been heard of.
        while len(list(tmp_path.glob("out/results/*/batch.json"))) < 2:
            assert run.poll() is None
            time.sleep(0.05)
        run.send_signal(signal.SIGINT)
        _, stderr = run.communicate(timeout=30)
    assert run.returncode == 130
    assert "Traceback" not in stderr
    states = [r["status"] for r in _rows(tmp_path / "out")]
    assert len(states) == 30
    assert set(states) == {"measured", "waiting"}


def test_a_full_output_stops_the_run_and_a_single_bad_path_does_not(clip, tmp_path, monkeypatch):
    from formcheck.batch import run
    from formcheck.batch.one_clip import Outcome

    def full(self, job):
        return Outcome(file=job.file, trouble="output", reason="the disk is full")

    copies(clip, tmp_path / "in", ["a_squat_left.mp4", "b_squat_left.mp4"])
    monkeypatch.setattr(WorkerPool, "measure", full)
    assert run_batch(tmp_path / "in", tmp_path / "out", BY_NAME).n_failed == 2
    monkeypatch.setattr(run, "has_room", lambda out: False)
    with pytest.raises(OutputError, match="the disk is full"):
        run_batch(tmp_path / "in", tmp_path / "out", BY_NAME)


# -- the command


def test_the_command_ends_with_seven_when_a_clip_was_not_measured(folder, done, run_formcheck):
    ended = run_formcheck(
        "batch",
        folder,
        "--out",
        done[0],
        "--pattern",
        PATTERN,
        "--pose-model",
        "lite",
        "--pose-rate",
        "5",
        "--workers",
        "2",
    )
    assert ended.returncode == 7, ended.stderr
    assert f"Measured {len(NAMES)} ({len(NAMES)} of them before), failed 6" in ended.stdout
    assert "failed: b3_squat_left.mp4: " in ended.stderr
    assert "Traceback" not in ended.stderr


def test_the_command_ends_with_zero_when_all_went_well(clip, tmp_path, run_formcheck):
    copies(clip, tmp_path / "in", ["a_squat_left.mp4"])
    given = (
        "batch",
        tmp_path / "in",
        "--out",
        tmp_path / "out",
        "--pattern",
        PATTERN,
        "--pose-model",
        "lite",
        "--pose-rate",
        "5",
    )
    listed = run_formcheck(*given, "--dry-run")
    assert listed.returncode == 0
    assert "analyse  a_squat_left.mp4: squat, left, a" in listed.stdout
    ended = run_formcheck(*given)
    assert ended.returncode == 0, ended.stderr
    assert "1 of 1 clips done, 0 failed" in ended.stderr


def test_a_dry_run_shows_any_name_on_one_line(folder, tmp_path, run_formcheck):
    listed = run_formcheck(
        "batch", folder, "--out", tmp_path / "out", "--pattern", PATTERN, "--dry-run"
    )
    assert listed.returncode == 0, listed.stderr
    lines = listed.stdout.splitlines()
    assert len(lines) == len(NAMES) + 7 + 1
    assert any(r"two\nlines_squat_left.mp4" in line for line in lines)


def test_a_scheduler_address_that_is_none_ends_in_one_line(run_formcheck, clip, tmp_path):
    pytest.importorskip("distributed")
    copies(clip, tmp_path / "clips", ["squat_a.mp4"])
    done = run_formcheck(
        "batch",
        tmp_path / "clips",
        "--exercise",
        "squat",
        "--out",
        tmp_path / "out",
        "--scheduler",
        "nonsense",
    )
    assert done.returncode == 2
    assert done.stderr == ("formcheck: --scheduler nonsense: write it like tcp://HOST:8786\n")


def test_without_dask_or_a_scheduler_it_says_what_to_do(clip, tmp_path, monkeypatch):
    copies(clip, tmp_path / "in", ["a_squat_left.mp4"])
    monkeypatch.setattr("formcheck.batch.cluster.CONNECT_S", 0.5)
    batch = replace(BY_NAME, scheduler="tcp://127.0.0.1:1")
    with pytest.raises(UsageError, match=r"formcheck\[cluster\]|no scheduler answers there"):
        run_batch(tmp_path / "in", tmp_path / "out", batch)


# -- the page


class _Page(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags = []

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))


def test_the_page_opens_from_disk_reaches_every_report_and_nothing_outside(done):
    text = (done[0] / "index.html").read_text("utf-8")
    page = _Page()
    page.feed(text)
    links = [a["href"] for tag, a in page.tags if tag == "a"]
    pictures = [a for tag, a in page.tags if tag == "img"]
    assert len([x for x in links if x.endswith("/report.html")]) == len(NAMES)
    assert len(pictures) == len(NAMES)
    assert all(a["loading"] == "lazy" and "alt" in a for a in pictures)
    from urllib.parse import unquote_to_bytes

    for address in (*links, *(a["src"] for a in pictures)):
        assert (done[0] / os.fsdecode(unquote_to_bytes(address))).is_file()
    assert not re.search(r"""(src|href)=["'](https?:)?//""", text)
    assert "<b>_squat" not in text
    tags = [tag for tag, _ in page.tags]
    for needed in ("caption", "main", "h1", "label", "th"):
        assert needed in tags
    assert ("html", {"lang": "en"}) in page.tags


def _five_thousand() -> str:
    clip = BatchClip(file="", state="faulty", exercise="squat", patient="KN-1")
    return index_html(
        [
            ClipResult(
                clip=replace(clip, file=f"{i}.mp4", patient=f"KN-{i % 300}"),
                status="skipped" if i % 100 == 7 else "failed",
                reason="x" * 80,
            )
            for i in range(5000)
        ]
    )


def test_five_thousand_rows_stay_small_enough_to_open():
    text = _five_thousand()
    assert text.count("<tr>") == 5001
    assert len(text) < 4_000_000


@pytest.mark.skipif(not shutil.which("chromium"), reason="no browser on this machine")
def test_the_page_shows_its_last_column_whole_on_a_small_screen(done, tmp_path):
    from browser_cases import look, running_browser

    out, _ = done
    file = next(r["file"] for r in _rows(out) if r["status"] == "measured" and r["file"].isascii())
    result = with_report(BatchClip(file=file, state="wanted"), out)
    names = ("single_leg_deadlift_front.mp4", "rear_foot_elevated_split_squat_right_2.mp4", "a.mp4")
    results = [
        replace(result, clip=replace(result.clip, file=name, patient="KN-204")) for name in names
    ]
    page_file = tmp_path / "index.html"
    page_file.write_text(index_html(results), encoding="utf-8")
    with running_browser() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        page.goto(page_file.as_uri())
        box = "document.querySelector('.scroll')"
        assert page.evaluate(f"{box}.scrollWidth <= {box}.clientWidth")
        look(page, "the page of a batch")


PROBE = """<script>
const found = {};
const first = () => document.querySelector("tbody th").textContent;
const say = (id, value) => {
  document.getElementById(id).value = value;
  document.getElementById(id).dispatchEvent(new Event("input", {bubbles: true}));
};
found.rows = document.querySelectorAll("tbody tr").length;
document.querySelector("thead button").click();
found.last = first();
say("words", "KN-12 4812");
found.searched = document.getElementById("shown").textContent;
say("words", "");
say("status", "skipped");
found.filtered = document.getElementById("shown").textContent;
found.sorted = document.querySelectorAll("th[aria-sort=descending]").length;
found.laid_out = document.querySelectorAll("tbody tr").length;
document.title = JSON.stringify(found);
</script></body>"""


@pytest.mark.skipif(not shutil.which("chromium"), reason="no browser on this machine")
def test_five_thousand_rows_are_sorted_and_filtered_in_a_browser_a_page_at_a_time(tmp_path):
    page = tmp_path / "index.html"
    page.write_text(_five_thousand().replace("</body>", PROBE), encoding="utf-8")
    shown = subprocess.run(
        ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--dump-dom", page.as_uri()],
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
        env={**os.environ, "HOME": str(tmp_path)},
    ).stdout
    found = json.loads(html.unescape(re.search("<title>(.*?)</title>", shown)[1]))
    assert (found["rows"], found["laid_out"]) == (100, 50)
    assert found["last"] == "4999.mp4"
    assert found["searched"] == "1 of 5000 clips"
    assert found["filtered"] == "50 of 5000 clips"
    assert found["sorted"] == 1

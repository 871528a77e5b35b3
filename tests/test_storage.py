"""Storage: whole files or none, tracks kept to the bit, a cache that forgives damage."""

import errno
import os
import signal
import stat
import subprocess
import sys
import textwrap
import time
from dataclasses import fields, replace
from pathlib import Path

import builders
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from formcheck.files import storage
from formcheck.files.schema_version import NewerMinorWarning
from formcheck.model.errors import FileError, OutputError
from formcheck.model.records import RawTrack

KEY = "ab" * 32
IS_ROOT = os.geteuid() == 0


@pytest.fixture(scope="module")
def raw():
    """A synthetic track with gaps, a second person now and then, and awkward float values."""
    one = builders.build_raw(builders.build_clip())
    n = len(one.time_s)
    rng = np.random.default_rng(3)
    image_px = np.concatenate([one.image_px, one.image_px + np.float32(50.1)], axis=1)
    image_px[rng.random((n, 2)) < 0.2] = np.nan
    image_px[0, 0, 0] = np.float32(1) / np.float32(3), np.finfo(np.float32).tiny
    return replace(
        one,
        image_px=image_px,
        world_m=rng.normal(size=(n, 2, 33, 3)).astype(np.float32),
        visibility=rng.random((n, 2, 33), np.float32),
        stamp=np.arange(n, dtype=np.int64) * 3003 - 7,
        change=np.full(n, np.nan, np.float32),
    )


def assert_same(a: RawTrack, b: RawTrack):
    assert a.clip == b.clip
    assert a.source == b.source
    for field in fields(RawTrack):
        mine, its = getattr(a, field.name), getattr(b, field.name)
        if isinstance(mine, np.ndarray):
            assert mine.dtype == its.dtype, field.name
            assert mine.shape == its.shape, field.name
            assert mine.tobytes() == its.tobytes(), field.name


# -- atomic writes


def test_a_finished_write_stands_under_its_name_and_nothing_else_does(tmp_path):
    path = tmp_path / "report.json"
    with storage.write_atomically(path) as beside:
        assert beside.parent == tmp_path
        assert beside.suffix == ".json"
        assert not path.exists()
        beside.write_text("whole")
    assert path.read_text() == "whole"
    assert os.listdir(tmp_path) == ["report.json"]


def test_a_failed_write_leaves_the_old_file_and_no_other(tmp_path):
    path = tmp_path / "report.json"
    path.write_text("old")
    with pytest.raises(ZeroDivisionError), storage.write_atomically(path) as beside:
        beside.write_text("half")
        raise ZeroDivisionError
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["report.json"]


def test_ctrl_c_in_the_middle_leaves_nothing(tmp_path):
    with pytest.raises(KeyboardInterrupt), storage.write_atomically(tmp_path / "a.mp4") as beside:
        beside.write_bytes(b"half")
        raise KeyboardInterrupt
    assert os.listdir(tmp_path) == []


def test_what_is_written_is_its_owners_alone_whatever_the_umask(tmp_path):
    old = os.umask(0o002)
    try:
        folder = storage.make_folder(tmp_path / "results" / "clip")
        storage.write_text(folder / "a.txt", "x")
        there = tmp_path / "shared"
        there.mkdir()
        storage.make_folder(there)
    finally:
        os.umask(old)
    for made in (folder, folder.parent):
        assert stat.S_IMODE(made.stat().st_mode) == 0o700
    assert stat.S_IMODE((folder / "a.txt").stat().st_mode) == 0o600
    assert stat.S_IMODE(there.stat().st_mode) == 0o775, "what a person made stays as it is"


def test_every_file_of_a_result_folder_is_its_owners_alone(squat_results, tmp_path):
    from formcheck.run.rerun import reassess
    from formcheck.run.result_folder import read_request, write_results

    out = tmp_path / "results" / "clip"
    old = os.umask(0o022)
    try:
        request, settings = read_request(squat_results)
        write_results(reassess(squat_results), request, settings, out, with_video=False)
    finally:
        os.umask(old)
    written = list(out.iterdir())
    assert len(written) >= 5
    for path in written:
        assert stat.S_IMODE(path.stat().st_mode) == 0o600, path
    assert stat.S_IMODE(out.stat().st_mode) == 0o700


def test_text_is_written_as_utf_8_with_its_line_ends(tmp_path):
    storage.write_text(tmp_path / "a.txt", "grün\r\n12°\n")
    assert (tmp_path / "a.txt").read_bytes() == "grün\r\n12°\n".encode()


def test_a_long_name_can_be_written(tmp_path):
    path = tmp_path / ("\N{GRINNING FACE}" * 60 + ".json")
    storage.write_text(path, "x")
    assert path.read_text() == "x"


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EDQUOT, errno.EFBIG])
def test_a_disk_that_fills_up_while_writing_is_told_in_plain_words(tmp_path, code):
    path = tmp_path / "a.json"
    with pytest.raises(OutputError, match="disk is full; free some space"):
        with storage.write_atomically(path) as beside:
            beside.write_text("half")
            raise OSError(code, os.strerror(code))
    assert os.listdir(tmp_path) == []


def test_a_disk_that_fills_up_when_the_file_is_settled_leaves_the_old_one(tmp_path, monkeypatch):
    def fsync(_handle):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    path = tmp_path / "a.json"
    path.write_text("old")
    monkeypatch.setattr(os, "fsync", fsync)
    with pytest.raises(OutputError, match="disk is full"):
        storage.write_text(path, "new")
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["a.json"]


def test_a_real_limit_on_file_size_is_an_output_error_without_remains(tmp_path):
    code = textwrap.dedent("""
        import resource, sys
        from pathlib import Path
        from formcheck.model import errors
        from formcheck.files import storage
        resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
        try:
            storage.write_text(Path(sys.argv[1]), "x" * 5000)
        except errors.OutputError as error:
            print(error)
    """)
    done = subprocess.run(
        [sys.executable, "-c", code, tmp_path / "a.txt"], capture_output=True, text=True, check=True
    )
    assert "disk is full" in done.stdout
    assert os.listdir(tmp_path) == []


def test_a_fault_in_what_is_read_meanwhile_is_not_called_a_write_fault(tmp_path):
    with pytest.raises(FileNotFoundError), storage.write_atomically(tmp_path / "a.json"):
        (tmp_path / "none").read_text()


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda d: d / "none" / "a.json", "does not exist"),
        (lambda d: (d / "f").write_text("x") and d / "f" / "a.json", "a file stands where"),
        (lambda d: (d / "a.json").mkdir() or d / "a.json", "a folder has this name"),
        (lambda d: d / ("n" * 300), "too long"),
    ],
)
def test_a_place_that_cannot_hold_the_file_is_told_in_plain_words(tmp_path, make, words):
    with pytest.raises(OutputError, match=words) as caught:
        storage.write_text(make(tmp_path), "x")
    assert "\n" not in str(caught.value)
    assert caught.value.exit_code == 5


def test_a_forbidden_folder_is_told_in_plain_words(tmp_path, monkeypatch):
    if IS_ROOT:  # root may write anywhere, so the system's answer is acted
        real = os.open

        def forbidden(path, flags, *rest, **named):
            if flags & os.O_CREAT:
                raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
            return real(path, flags, *rest, **named)

        monkeypatch.setattr(os, "open", forbidden)
    else:
        tmp_path.chmod(0o500)
    with pytest.raises(OutputError, match="may not write there"):
        storage.write_text(tmp_path / "a.json", "x")


def test_a_read_only_disk_is_told_in_plain_words():
    error = storage.output_error(OSError(errno.EROFS, "read-only"), Path("out"))
    assert "can only be read" in str(error)


def test_folders_are_made_with_their_parents_and_refused_where_a_file_stands(tmp_path):
    assert storage.make_folder(tmp_path / "a" / "b").is_dir()
    (tmp_path / "f").write_text("x")
    with pytest.raises(OutputError, match="a file stands where"):
        storage.make_folder(tmp_path / "f")
    with pytest.raises(OutputError, match="a file stands where"):
        storage.make_folder(tmp_path / "f" / "c")


WRITE_AND_WAIT = """
import sys, time
from pathlib import Path
from formcheck.files import storage
with storage.write_atomically(Path(sys.argv[1])) as beside:
    beside.write_bytes(b"half")
    print("writing", flush=True)
    time.sleep(60)
"""


def _start_writing(path):
    run = subprocess.Popen(
        [sys.executable, "-c", WRITE_AND_WAIT, path], stdout=subprocess.PIPE, text=True
    )
    assert run.stdout.readline() == "writing\n"
    return run


def _end(run, how):
    run.send_signal(how)
    run.wait(10)
    run.stdout.close()


def test_a_run_killed_half_way_leaves_no_final_file_and_the_next_write_tidies_up(tmp_path):
    path = tmp_path / "annotated.mp4"
    run = _start_writing(path)
    _end(run, signal.SIGKILL)
    assert not path.exists()
    assert len(os.listdir(tmp_path)) == 1
    with storage.write_atomically(path) as beside:
        beside.write_bytes(b"whole")
    assert os.listdir(tmp_path) == ["annotated.mp4"]


def test_what_another_run_is_still_writing_is_left_alone(tmp_path):
    path = tmp_path / "annotated.mp4"
    run = _start_writing(path)
    try:
        with storage.write_atomically(path) as beside:
            beside.write_bytes(b"whole")
        assert len(os.listdir(tmp_path)) == 2
    finally:
        _end(run, signal.SIGKILL)


def test_files_that_only_look_alike_are_left_alone(tmp_path):
    names = [".a.part.json", ".a.0123456.part.json", ".ab.01234567.part.json", "a.part.json"]
    for name in names:
        (tmp_path / name).write_text("mine")
    storage.write_text(tmp_path / "a.json", "x")
    assert sorted(os.listdir(tmp_path)) == sorted([*names, "a.json"])


# -- tracks


def test_a_track_comes_back_equal_to_the_bit(raw, tmp_path):
    path = tmp_path / "track.parquet"
    storage.write_track(raw, path)
    assert_same(raw, storage.read_track(path))


def test_an_empty_track_comes_back(raw, tmp_path):
    arrays = {
        f.name: getattr(raw, f.name)[:0]
        for f in fields(RawTrack)
        if isinstance(getattr(raw, f.name), np.ndarray)
    }
    empty = replace(raw, **arrays)
    storage.write_track(empty, tmp_path / "track.parquet")
    assert_same(empty, storage.read_track(tmp_path / "track.parquet"))


def test_the_same_track_gives_the_same_bytes(raw):
    assert storage.track_to_bytes(raw) == storage.track_to_bytes(replace(raw))


def test_other_programs_find_flat_columns_with_units_and_the_clip(raw, tmp_path):
    storage.write_track(raw, tmp_path / "track.parquet")
    table = pq.read_table(tmp_path / "track.parquet")
    assert table.num_columns == 7 + 2 * 33 * 6
    units = {f.name: f.metadata[b"unit"].decode() for f in table.schema}
    assert units["time_s"] == "s"
    assert units["person_1_left_knee_x_px"] == "px"
    assert units["person_2_right_toe_world_z_m"] == "m"
    assert units["person_1_nose_visibility"] == "1"
    knee = table.column("person_1_left_knee_y_px").to_numpy()
    np.testing.assert_array_equal(knee, raw.image_px[:, 0, 25, 1])
    assert table.schema.metadata[b"schema"] == b"formcheck.track/1.0"
    assert raw.clip.sha256.encode() in table.schema.metadata[b"clip"]
    assert b"mode" in table.schema.metadata[b"source"]


def _with_metadata(raw, **changes) -> bytes:
    table = pq.read_table(pa.BufferReader(storage.track_to_bytes(raw)))
    metadata = {**table.schema.metadata, **{k.encode(): v for k, v in changes.items()}}
    metadata = {key: value for key, value in metadata.items() if value is not None}
    sink = pa.BufferOutputStream()
    pq.write_table(table.replace_schema_metadata(metadata), sink)
    return sink.getvalue().to_pybytes()


def test_another_major_version_is_refused_with_both_versions_named(raw):
    content = _with_metadata(raw, schema=b"formcheck.track/2.0")
    with pytest.raises(FileError, match=r"formcheck\.track/2\.0.*formcheck\.track/1\.0"):
        storage.track_from_bytes(content, "t.parquet")


def test_a_newer_minor_version_is_read_with_one_warning(raw):
    content = _with_metadata(raw, schema=b"formcheck.track/1.7")
    with pytest.warns(NewerMinorWarning, match=r"formcheck\.track/1\.7") as warned:
        assert_same(raw, storage.track_from_bytes(content, "t.parquet"))
    assert len(warned) == 1


@pytest.mark.parametrize(
    "changes",
    [
        {"schema": None},
        {"schema": b"formcheck.report/1.0"},
        {"clip": b"{}"},
        {"clip": b"[1]"},
        {"clip": b"not json"},
        {"source": None},
        {"n_people": b"5"},
        {"n_people": b"many"},
    ],
)
def test_wrong_metadata_is_a_file_error(raw, changes):
    with pytest.raises(FileError, match=r"t\.parquet"):
        storage.track_from_bytes(_with_metadata(raw, **changes), "t.parquet")


@pytest.mark.parametrize("content", [b"", b"PAR1", b"text, no track\n", b"PAR1" * 50])
def test_a_file_that_is_no_track_is_a_file_error(tmp_path, content):
    path = tmp_path / "t.parquet"
    path.write_bytes(content)
    with pytest.raises(FileError, match="damaged, or no track file"):
        storage.read_track(path)


def test_a_cut_off_track_is_a_file_error(raw):
    content = storage.track_to_bytes(raw)
    for share in (0.1, 0.5, 0.99):
        with pytest.raises(FileError):
            storage.track_from_bytes(content[: int(share * len(content))], "t.parquet")


def test_a_changed_byte_in_the_numbers_is_noticed(raw):
    content = bytearray(storage.track_to_bytes(raw))
    content[len(content) // 4] ^= 0x10
    with pytest.raises(FileError):
        storage.track_from_bytes(bytes(content), "t.parquet")


def test_a_missing_track_is_a_file_error(tmp_path):
    with pytest.raises(FileError, match="cannot be read"):
        storage.read_track(tmp_path / "none.parquet")
    with pytest.raises(FileError, match="cannot be read"):
        storage.read_track(tmp_path)


# -- the cache


def _load(folder, key=KEY, **given):
    return storage.load_cached_track(folder, key, **{"clip_file": "x.mp4", **given})


def test_a_cached_track_comes_back_under_the_name_and_side_that_the_clip_has_now(raw, tmp_path):
    assert storage.store_cached_track(tmp_path, KEY, raw)
    found = storage.load_cached_track(tmp_path, KEY, clip_file="new.mp4", is_mirrored=True)
    assert_same(replace(raw, clip=replace(raw.clip, file="new.mp4", is_mirrored=True)), found)


def test_the_cache_holds_no_file_name_and_is_the_owners_only(raw, tmp_path):
    folder = tmp_path / "cache" / "tracks"
    named = replace(raw, clip=replace(raw.clip, file="patient-name.mp4"))
    assert storage.store_cached_track(folder, KEY, named)
    (entry,) = folder.iterdir()
    assert b"patient-name" not in entry.read_bytes()
    assert stat.S_IMODE(entry.stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_an_absent_entry_is_none(tmp_path):
    assert _load(tmp_path) is None
    assert _load(tmp_path / "none") is None


@pytest.mark.parametrize("damage", ["empty", "cut", "flipped", "text"])
def test_a_damaged_entry_counts_as_absent_and_is_built_again(raw, tmp_path, damage):
    storage.store_cached_track(tmp_path, KEY, raw)
    (entry,) = tmp_path.iterdir()
    content = bytearray(entry.read_bytes())
    if damage == "flipped":
        content[-30] ^= 1
    kept = {"empty": b"", "cut": content[:-100], "flipped": content, "text": b"hello"}[damage]
    entry.write_bytes(kept)
    assert _load(tmp_path) is None
    assert not entry.exists()
    assert storage.store_cached_track(tmp_path, KEY, raw)
    assert _load(tmp_path) is not None


def test_a_cache_that_cannot_be_written_spoils_nothing(raw, tmp_path):
    (tmp_path / "f").write_text("x")
    assert storage.store_cached_track(tmp_path / "f", KEY, raw) is False


def test_the_entries_used_longest_ago_make_room(raw, tmp_path):
    size = len(storage.track_to_bytes(replace(raw, clip=replace(raw.clip, file="")))) + 32
    keys = [f"{i:064x}" for i in range(4)]
    now = time.time()
    for age, key in enumerate(keys[:3]):
        storage.store_cached_track(tmp_path, key, raw)
        os.utime(tmp_path / f"{key}.track", (now - 100 + age,) * 2)
    assert _load(tmp_path, keys[0]) is not None  # used just now
    storage.store_cached_track(tmp_path, keys[3], raw, limit_bytes=3 * size)
    assert {p.stem for p in tmp_path.iterdir()} == {keys[0], keys[2], keys[3]}


def test_a_track_larger_than_the_whole_cache_is_not_kept(raw, tmp_path):
    assert storage.store_cached_track(tmp_path, KEY, raw, limit_bytes=100) is False
    assert list(tmp_path.iterdir()) == []


def test_the_key_changes_with_the_clip_and_with_each_part_of_the_identity():
    base = (("mode", "image"), ("rate_hz", 15.0), ("library_versions", (("av", "1"),)))
    others = [
        ("c2", base),
        ("c1", (("mode", "video"), *base[1:])),
        ("c1", (base[0], ("rate_hz", 10.0), base[2])),
        ("c1", (*base[:2], ("library_versions", (("av", "2"),)))),
    ]
    keys = {storage.cache_key("c1", base), *(storage.cache_key(*other) for other in others)}
    assert len(keys) == 5
    assert storage.cache_key("c1", base) == storage.cache_key("c1", list(base))


def test_the_cache_folder_follows_the_systems_convention(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    if sys.platform == "linux":
        assert storage.default_cache_folder() == tmp_path / "formcheck" / "tracks"

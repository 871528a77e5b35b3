"""Which clips a folder holds and what each of them shows.

A description comes from the folder's clips.csv or from the clip's name by a pattern that the
user gives. Whatever cannot be analysed keeps its place in the list, with the reason.
"""

import csv
import io
import os
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from formcheck.files.exercise_files import exercise_ids
from formcheck.model.errors import ClipError, FileError, FormcheckError, UsageError
from formcheck.run.request import FilesReadOnce, checked_side, request_for
from formcheck.video import shown_name

if TYPE_CHECKING:
    from formcheck.model.request import Request

DESCRIPTION_NAME = "clips.csv"
COLUMNS = ("file", "exercise", "side", "prescription", "patient", "mirrored")
WORK_NAME = ".formcheck"
"""The folder in a batch's output that holds its lock and unfinished work."""
VIDEO_SUFFIXES = (
    ".mp4",
    ".m4v",
    ".mov",
    ".qt",
    ".3gp",
    ".3g2",
    ".mkv",
    ".webm",
    ".avi",
    ".gif",
    ".ts",
    ".mts",
    ".m2ts",
    ".mpg",
    ".mpeg",
    ".flv",
    ".wmv",
    ".asf",
    ".ogv",
    ".ogg",
    ".h264",
    ".264",
    ".hevc",
    ".h265",
    ".265",
    ".ivf",
    ".mjpeg",
    ".mjpg",
    ".dv",
    ".mxf",
    ".nut",
)
"""Names that end like this are taken for clips; clips.csv may list any other name."""

_YES, _NO = ("yes", "true", "1", "y"), ("", "no", "false", "0", "n")


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchClip:
    """One file of the folder with what is asked of it, or with the reason why nothing is.

    file : path below the folder, "/" between folders, as the system names it (bytes that are
    no UTF-8 as lone surrogates). state : "wanted" has a request; "faulty" was to be analysed
    and cannot be; "skipped" was not described, so nobody asked for it.
    """

    file: str
    state: Literal["wanted", "faulty", "skipped"]
    reason: str = ""
    request: "Request | None" = None
    exercise: str = ""
    side: str = ""
    prescription: str = ""
    patient: str = ""
    mirrored: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Description:
    """What is said of one clip, in words as they were given; `place` names where, `fault` why it
    can't be followed."""

    file: str
    exercise: str = ""
    side: str = ""
    prescription: str = ""
    patient: str = ""
    mirrored: str = ""
    place: str = ""
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Describing:
    """Where descriptions come from besides clips.csv.

    pattern : how names are built, for instance "{patient}_{exercise}_{side}_*"; fields are
    patient, exercise and side; * stands for anything, ? for one character. A pattern with a "/"
    is held against the path below the folder. exercise, prescription : for clips of which
    neither a row nor the name says it; prescription is a path of its own, not below the folder.
    """

    pattern: str | None = None
    exercise: str | None = None
    prescription: Path | None = None


def find_clips(folder: Path, out: Path, describing: Describing) -> tuple[BatchClip, ...]:
    """Every clip in the folder and below, sorted by file.

    Names that begin with a dot, linked folders, the output folder and other result folders are
    passed over.

    Raises
    ------
    UsageError
        No such folder, a pattern that cannot be used, or nothing that describes the clips.
    FileError
        clips.csv cannot be read as a table with its columns.
    """
    if not folder.is_dir():
        raise UsageError(f"{folder}: no such folder; give the folder that holds the clips")
    rows = read_descriptions(folder / DESCRIPTION_NAME)
    by_name = _name_reader(describing.pattern) if describing.pattern else None
    if rows is None and by_name is None and describing.exercise is None:
        raise UsageError(
            f"{folder}: nothing says what its clips show; put a {DESCRIPTION_NAME} there with the "
            "columns file and exercise, or give --pattern, for instance "
            "--pattern '{patient}_{exercise}_{side}_*'"
        )
    found, unreadable = _files(folder, out)
    described, faulty = _assigned(rows or (), found)
    reader = _RequestReader(folder, describing)
    clips = [*faulty, *unreadable]
    for file in found:
        description = described.get(file)
        if description is None and not _looks_like_a_clip(file):
            continue
        if description is None and by_name is not None:
            description = by_name(file)
        if description is None and describing.exercise is not None and by_name is None:
            description = Description(file=file, place="its folder")
        if description is None:
            where = "it is not listed in clips.csv" if rows is not None else ""
            unfit = f"its name does not fit the pattern {describing.pattern}" if by_name else ""
            reason = " and ".join(filter(None, (where, unfit)))
            clips.append(BatchClip(file=file, state="skipped", reason=reason))
        elif description.fault:
            clips.append(BatchClip(state="faulty", reason=description.fault, **_words(description)))
        else:
            clips.append(reader.clip(description))
    return tuple(sorted(clips, key=lambda clip: os.fsencode(clip.file)))


def read_descriptions(path: Path) -> tuple[Description, ...] | None:
    """The rows of a clips.csv, None where there is none.

    Comma or semicolon between the columns, UTF-8 with or without a mark; other columns are
    passed over.

    Raises
    ------
    FileError
        It cannot be read, or lacks the column `file`.
    """
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise FileError(f"{path}: cannot be read ({error.strerror}); check it") from error
    # Names on disk may hold bytes that are no UTF-8; they pass through unharmed.
    text = content.removeprefix(b"\xef\xbb\xbf").decode("utf-8", "surrogateescape")
    head = text.partition("\n")[0]
    delimiter = ";" if head.count(";") > head.count(",") else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        names = [name.strip().lower() for name in next(reader, [])]
        if "file" not in names:
            raise FileError(
                f"{path}: line 1: no column `file`; the first line names the columns: "
                f"{', '.join(COLUMNS)}"
            )
        rows = []
        for row in reader:
            cells = {n: v.strip() for n, v in zip(names, row, strict=False) if n in COLUMNS}
            # The name itself may begin or end with a space.
            file = row[names.index("file")] if len(row) > names.index("file") else ""
            if any(cells.values()):
                cells["file"] = file
                place = f"clips.csv line {reader.line_num}"
                # A value that no column names may be the side, or that it is mirrored.
                is_long = any(v.strip() for v in row[len(names) :])
                fault = f"{place}: has more values than the first line names" if is_long else ""
                rows.append(Description(**cells, place=place, fault=fault))
    except csv.Error as error:
        raise FileError(f"{path}: line {reader.line_num}: {error}; save it again as CSV") from error
    return tuple(rows)


def _looks_like_a_clip(file: str) -> bool:
    return os.path.splitext(file)[1].lower() in VIDEO_SUFFIXES


def _files(folder: Path, out: Path) -> tuple[list[str], list[BatchClip]]:
    """Paths below the folder of all that could be a clip, and rows for folders that are shut."""
    top = os.fspath(folder)
    unreadable = []

    def shut(error: OSError) -> None:
        file = os.path.relpath(error.filename, top)
        reason = f"this folder cannot be read ({error.strerror}); change its permissions"
        unreadable.append(BatchClip(file=file, state="faulty", reason=reason))

    found = []
    out_real = os.path.realpath(out)
    for path, folders, names in os.walk(top, onerror=shut):
        below = os.path.relpath(path, top)
        if WORK_NAME in folders:  # the output folder of another batch
            folders[:] = []
            continue
        folders[:] = [
            name
            for name in folders
            if not name.startswith(".") and os.path.realpath(os.path.join(path, name)) != out_real
        ]
        if "report.json" in names:
            names = [name for name in names if name != "annotated.mp4"]
        for name in (*names, *filter(_looks_like_a_clip, folders)):
            if not name.startswith("."):
                found.append(name if below == "." else os.path.join(below, name))
    return [file.replace(os.sep, "/") for file in found], unreadable


def _assigned(
    rows: tuple[Description, ...], found: list[str]
) -> tuple[dict[str, Description], list[BatchClip]]:
    """Descriptions by file, and rows of clips.csv that lead to no clip."""
    names = set(found)
    # The same letters can be written in more than one way; some systems store one of them.
    by_form = {unicodedata.normalize("NFC", file): file for file in found}
    described, faulty = {}, []
    for row in rows:
        named = row.file.removeprefix("./")
        file = named if named in names else by_form.get(unicodedata.normalize("NFC", named))
        file = file or by_form.get(unicodedata.normalize("NFC", named.replace("\\", "/")))
        if file is not None and file not in described:
            described[file] = replace(row, file=file)
            continue
        if file is not None:
            first = described[file]
            if _words(first) != _words(replace(row, file=file)):
                # Which of the two is meant is not ours to choose.
                fault = f"{first.place} and {row.place} say different things of it; keep one"
                described[file] = replace(first, fault=first.fault or fault)
            continue
        if not named:
            reason = f"{row.place} names no file"
        elif named.startswith("/") or ".." in named.split("/"):
            reason = f"{row.place}: is not below the folder of the clips"
        else:
            reason = f"{row.place}: no such file; check the name"
        faulty.append(BatchClip(state="faulty", reason=reason, **_words(row)))
    return described, _without_listed_twice(faulty, described)


def _without_listed_twice(faulty: list[BatchClip], described: dict) -> list[BatchClip]:
    # A file has one row in the tables: the first description of it counts.
    seen = set(described)
    kept = []
    for clip in faulty:
        if clip.file not in seen:
            seen.add(clip.file)
            kept.append(clip)
    return kept


def _words(row: Description) -> dict[str, str]:
    return {name: getattr(row, name) for name in COLUMNS}


def _name_reader(pattern: str) -> Callable[[str], Description | None]:
    """A function from a clip's path to the description in its name, None where it has none.

    Raises UsageError when the pattern has unknown or repeated fields, or no exercise.
    """
    # Longest first, or "squat" would match the start of "squat_to_chair".
    ids = sorted(exercise_ids(), key=len, reverse=True)
    fields = {
        "exercise": "|".join(re.escape(i).replace("_", "[-_ ]") for i in ids),
        "side": "(?<![a-z])(?:left|right|both|l|r)(?![a-z])",  # no letter of another word
        "patient": "[^/]+?",
    }
    seen, expression = [], []
    for part in re.split(r"(\{[^{}]*\}|[*?])", pattern):
        if part == "*":
            expression.append("[^/]*")
        elif part == "?":
            expression.append("[^/]")
        elif part.startswith("{"):
            name = part[1:-1]
            if name not in fields or name in seen:
                raise UsageError(
                    f"--pattern {pattern}: {part} is unknown or stands twice; the fields are "
                    "{patient}, {exercise} and {side}, each once"
                )
            seen.append(name)
            expression.append(f"(?P<{name}>{fields[name]})")
        else:
            expression.append(re.escape(part))
    if not seen:
        raise UsageError(
            f"--pattern {pattern}: has no field; use {{exercise}}, {{side}}, {{patient}}"
        )
    form = re.compile("".join(expression), re.IGNORECASE | re.DOTALL)

    def read(file: str) -> Description | None:
        name = file if "/" in pattern else file.rpartition("/")[2]
        match = form.fullmatch(os.path.splitext(name)[0]) or form.fullmatch(name)
        if match is None:
            return None
        given = match.groupdict()
        exercise = given.get("exercise", "").lower()
        side = given.get("side", "").lower()
        return Description(
            file=file,
            exercise=re.sub("[- ]", "_", exercise),
            side={"l": "left", "r": "right"}.get(side, side),
            patient=given.get("patient", ""),
            place="its name",
        )

    return read


class _RequestReader:
    """Makes requests of descriptions; every exercise and prescription file is read once."""

    def __init__(self, folder: Path, describing: Describing):
        self._folder = folder
        self._describing = describing
        self._files = FilesReadOnce()

    def clip(self, description: Description) -> BatchClip:
        words = _words(description)
        try:
            request = self._request(description)
        except FormcheckError as error:
            return BatchClip(state="faulty", reason=_reason(error, description), **words)
        words["exercise"] = request.exercise.id
        words["mirrored"] = "yes" if request.is_mirrored else "no"
        if not description.prescription and self._describing.prescription:
            words["prescription"] = self._describing.prescription.name
        if request.prescription and not words["patient"]:
            words["patient"] = request.prescription.patient
        return BatchClip(state="wanted", request=request, **words)

    def _request(self, given: Description) -> "Request":
        from formcheck.video.refusals import refuse_other_than_a_file, shown_name

        clip = self._folder / given.file
        refuse_other_than_a_file(clip, shown_name(clip))
        is_mirrored = _is_yes(given.mirrored)
        side = given.side.lower()
        side = checked_side({"l": "left", "r": "right"}.get(side, side))
        exercise = given.exercise or self._describing.exercise
        if not exercise:
            raise UsageError("no exercise is given; write its id, see: formcheck exercises")
        path = self._prescription_path(given)
        prescription = self._files.prescription(path) if path else None
        patient = prescription.record.patient if prescription else given.patient
        if given.patient not in ("", patient):
            raise UsageError(f"the prescription is for {patient}, the clip is of {given.patient}")
        return request_for(
            clip,
            exercise,
            side=side,
            prescription=prescription,
            is_mirrored=is_mirrored,
            # A row names a file of its folder; the command's own option, one from here.
            folder=self._folder if given.exercise else Path(),
            files=self._files,
        )

    def _prescription_path(self, given: Description) -> Path | None:
        if given.prescription:
            return self._folder / given.prescription
        return self._describing.prescription


def _is_yes(word: str) -> bool:
    if word.lower() in _YES:
        return True
    if word.lower() in _NO:
        return False
    raise UsageError(f"mirrored {word!r}: write yes or no")


def _reason(error: FormcheckError, description: Description) -> str:
    text = plain_reason(error, description.file)
    return text if isinstance(error, ClipError) else f"{description.place}: {text}"


def plain_reason(error: FormcheckError, file: str) -> str:
    """The error in one line, without the clip's name where it begins with it: a row has that."""
    text = str(error).removeprefix(f"{shown_name(Path(file))}: ")
    return " ".join(text.split())


def readable(file: str) -> str:
    """The name as valid UTF-8: a byte that is none becomes \\x and its two digits."""
    return os.fsencode(file).decode("utf-8", "backslashreplace")

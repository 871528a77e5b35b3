"""Why a file is refused, in one line that says what to do."""

import errno
import os
import stat
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from formcheck.model.errors import ClipError

if TYPE_CHECKING:
    from formcheck.video.decoding import Pass

MAX_SIDE_PX = 8192
MAX_PIXELS = 8192 * 4352
"""Largest picture read: 8K video passes; one picture takes 107 MB as RGB. Chosen for memory."""


def refuse_huge(width: int, height: int, name: str) -> None:
    if max(width, height) > MAX_SIDE_PX or width * height > MAX_PIXELS:
        raise ClipError(
            f"{name}: its pictures of {width} x {height} pixels are too large: "
            "export the clip at 1080p or smaller"
        )


def refuse_other_than_a_file(path: Path, name: str) -> None:
    """Only regular files are opened: a pipe or a device could keep the reader waiting for ever."""
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise ClipError(f"{name}: is a folder: give the path of one video file")
        if not stat.S_ISREG(status.st_mode):
            raise ClipError(f"{name}: is not a regular file: save the clip to a file first")
        if status.st_size == 0:
            raise ClipError(f"{name}: is empty: copy the clip again")
        with path.open("rb") as file:
            file.read(1)
    except OSError as error:
        raise ClipError(f"{name}: {cannot_be_read(error)}") from error
    except ValueError as error:
        raise ClipError(f"{name}: is not a usable file name: {one_line(error)}") from error


def cannot_be_read(error: OSError) -> str:
    if error.errno in (errno.ENOENT, errno.ENOTDIR):
        return "no such file: check the path"
    if error.errno in (errno.EACCES, errno.EPERM):
        return "may not be read: change the file's permissions"
    return f"cannot be read ({error.strerror or 'unknown reason'}): copy the clip again"


@contextmanager
def as_clip_error(path: Path, name: str):
    """Turns what PyAV raises while a file is opened into a ClipError."""
    from av.error import FFmpegError

    try:
        yield
    except (FFmpegError, OSError, ValueError, RuntimeError, ArithmeticError, MemoryError) as error:
        raise ClipError(f"{name}: {_why_not_a_clip(path)}") from error


def _why_not_a_clip(path: Path) -> str:
    """What a file that does not open looks like, from its first bytes."""
    general = "is damaged or no video: copy it again, or export it as H.264 MP4"
    try:
        with path.open("rb") as file:
            head = file.read(4096)
            if head[4:8] in (b"ftyp", b"wide", b"mdat") and b"moov" not in _whole_boxes(file):
                return (
                    "was cut off before its index was complete (no whole moov box): "
                    "copy it again, or record anew and stop the recording before sharing"
                )
    except OSError as error:
        return cannot_be_read(error)
    if head.startswith((b"\xff\xd8\xff", b"\x89PNG", b"RIFF")) and b"AVI " not in head[:12]:
        return "is a picture or a sound, not a video: choose the video recording"
    try:
        is_text = head.decode("utf-8", errors="strict").isprintable() or b"\0" not in head
    except UnicodeDecodeError:
        return general
    return "holds text, not a video: choose the video recording" if is_text else general


def _whole_boxes(file) -> set[bytes]:
    """Kinds of the complete top-level boxes of an MP4 file."""
    kinds = set()
    size = os.fstat(file.fileno()).st_size
    at = 0
    while at + 8 <= size and len(kinds) < 100:
        file.seek(at)
        header = file.read(16)
        length = int.from_bytes(header[:4], "big")
        if length == 1:
            length = int.from_bytes(header[8:16], "big")
        if length < 8 or at + length > size:
            break
        kinds.add(header[4:8])
        at += length
    return kinds


def why_too_few(trial: "Pass", n: int, name: str) -> str:
    if n == 1:
        return f"{name}: holds a single usable picture: a movement needs a video"
    if trial.n_packets:
        return f"{name}: none of its pictures can be decoded: copy it again, or export it as MP4"
    return f"{name}: holds no pictures: record or export the clip again"


def shown_name(path: Path) -> str:
    """The file's name in printable characters, without its folder."""
    name = path.name or str(path)
    return "".join(c if c.isprintable() else "?" for c in name)


def one_line(error: BaseException) -> str:
    return " ".join(str(error).split())

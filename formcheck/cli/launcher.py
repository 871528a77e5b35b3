"""An entry that opens the pages by a double click, on Linux, Windows and macOS.

Linux: a desktop entry (Desktop Entry Specification 1.5) in the user's applications. Windows: a
command file on the desktop. macOS: a `.command` file on the desktop. Each runs the Python that
formcheck is installed in, needs no further package, and shows a window that keeps the pages open.
"""

import os
import shlex
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from formcheck.files.storage import make_folder, write_atomically
from formcheck.model.errors import OutputError

NAME = "formcheck"


@dataclass(frozen=True, slots=True, kw_only=True)
class LauncherFile:
    """A file of the launcher: where, what stands in it, and how it is used in words."""

    path: Path
    content: bytes
    words: str


def launcher_files(
    *,
    data: Path | None = None,
    options: Sequence[str] = (),
    system: str = sys.platform,
    home: Path | None = None,
    environment: Mapping[str, str] = os.environ,
    python: str = sys.executable,
) -> tuple[LauncherFile, ...]:
    """The launcher of a system ("linux", "win32", "darwin"), for a data folder of its own if given.

    options : further arguments of `formcheck serve`, as they would be typed.
    Nothing is written. Any other system is taken for one with desktop entries.
    """
    home = home or Path.home()
    command = [python, "-m", "formcheck", "serve", "--again"]
    if data is not None:
        command += ["--data", str(Path(data).absolute())]
    command += options
    if system == "win32":
        return (_windows(_desktop(home), command),)
    if system == "darwin":
        return (_macos(_desktop(home), command),)
    return (_linux(home, environment, command),)


def _desktop(home: Path) -> Path:
    return home / "Desktop"


def _linux(home: Path, environment: Mapping[str, str], command: Sequence[str]) -> LauncherFile:
    given = environment.get("XDG_DATA_HOME", "")
    # The base directory specification: a relative path in it is to be ignored.
    shared = Path(given) if given and Path(given).is_absolute() else home / ".local" / "share"
    lines = (
        "[Desktop Entry]",
        "Version=1.5",
        "Type=Application",
        "Name=formcheck",
        "GenericName=Exercise recordings",
        "Comment=Opens the pages for knee exercises on this computer",
        f"Exec={' '.join(map(_exec_argument, command))}",
        "Icon=camera-video",
        "Terminal=true",
        "Categories=MedicalSoftware;Science;",
        "StartupNotify=false",
    )
    return LauncherFile(
        path=shared / "applications" / f"{NAME}.desktop",
        content=("\n".join(lines) + "\n").encode(),
        words="Look for formcheck among the applications. Its window keeps the pages open.",
    )


def _exec_argument(text: str) -> str:
    """An argument of the key Exec: quoted, with what the specification reserves escaped, then
    escaped once more as every string value is."""
    for sign in ("\\", '"', "`", "$"):
        text = text.replace(sign, "\\" + sign)
    return '"' + text.replace("\\", "\\\\").replace("%", "%%") + '"'


def _windows(desktop: Path, command: Sequence[str]) -> LauncherFile:
    # A percent sign begins a variable in a command file; no name of a file holds a quote there.
    line = " ".join('"' + part.replace("%", "%%") + '"' for part in command)
    # "pause" keeps the words of an error on the screen.
    lines = ("@echo off", "chcp 65001 >nul", "title formcheck", line, "if errorlevel 1 pause")
    return LauncherFile(
        path=desktop / f"{NAME}.cmd",
        content=("\r\n".join(lines) + "\r\n").encode(),
        words="Double-click formcheck.cmd on the desktop. Its window keeps the pages open.",
    )


def _macos(desktop: Path, command: Sequence[str]) -> LauncherFile:
    lines = ("#!/bin/sh", f"exec {shlex.join(command)}")
    return LauncherFile(
        path=desktop / f"{NAME}.command",
        content=("\n".join(lines) + "\n").encode(),
        words="Double-click formcheck.command on the desktop. Its window keeps the pages open.",
    )


def install_launcher(files: Sequence[LauncherFile]) -> tuple[Path, ...]:
    """The files that were written, readable by all and run by their owner. Raises OutputError."""
    for file in files:
        make_folder(file.path.parent)
        with write_atomically(file.path) as beside:
            beside.write_bytes(file.content)
        try:
            file.path.chmod(0o755)
        except OSError as error:
            raise OutputError(f"{file.path}: cannot be made to run ({error.strerror})") from error
    return tuple(file.path for file in files)


def remove_launcher(files: Sequence[LauncherFile]) -> tuple[Path, ...]:
    """The files that were there and are gone. Raises OutputError."""
    gone = []
    for file in files:
        try:
            file.path.unlink()
        except FileNotFoundError:
            continue
        except OSError as error:
            raise OutputError(f"{file.path}: cannot be removed ({error.strerror})") from error
        gone.append(file.path)
    return tuple(gone)

"""An entry that opens the pages, or a file of formcheck, by a double click.

Linux: a desktop entry (Desktop Entry Specification 1.5) in the user's applications, and the type
of the files (Shared MIME-info Database specification). Windows: a command file on the desktop,
and keys of the user's registry that open the files with it. macOS: a `.command` file on the
desktop, for the pages alone: a program opens files there only as a signed bundle. Each runs the
Python that formcheck is installed in, needs no further package, and shows a window that keeps the
pages open, and the words of an error.
"""

import contextlib
import os
import shlex
import shutil
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from formcheck.files.storage import make_folder, write_atomically
from formcheck.model.errors import OutputError

NAME = "formcheck"
FILE_TYPE = "application/x-formcheck"
_SUFFIX = ".formcheck"
_FILE_WORDS = "Knee exercises: a plan or a recorded set"
_KEEP_WINDOW = '"$0" "$@" || { echo "Press Enter to close this window."; read -r answer; }'


@dataclass(frozen=True, slots=True, kw_only=True)
class LauncherFile:
    """A file of the launcher: where, what stands in it, and whether it is run."""

    path: Path
    content: bytes
    is_run: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Launcher:
    """The files of a launcher and how it is used in words.

    tools : commands that make the system read the files at once, where it has them. keys : default
    values of keys below HKEY_CURRENT_USER, by their paths.
    """

    files: tuple[LauncherFile, ...]
    words: str
    tools: tuple[tuple[str, ...], ...] = ()
    keys: tuple[tuple[str, str], ...] = ()


def launcher(
    *,
    data: Path | None = None,
    options: Sequence[str] = (),
    system: str = sys.platform,
    home: Path | None = None,
    environment: Mapping[str, str] = os.environ,
    python: str = sys.executable,
) -> Launcher:
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
        return _windows(_desktop(home), command)
    if system == "darwin":
        return _macos(_desktop(home), command)
    return _linux(home, environment, command)


def _desktop(home: Path) -> Path:
    return home / "Desktop"


def _linux(home: Path, environment: Mapping[str, str], command: Sequence[str]) -> Launcher:
    given = environment.get("XDG_DATA_HOME", "")
    # The base directory specification: a relative path in it is to be ignored.
    shared = Path(given) if given and Path(given).is_absolute() else home / ".local" / "share"
    kept = ["sh", "-c", _KEEP_WINDOW, *command]
    entry = (
        "[Desktop Entry]",
        # Nothing here is newer, and older tools refuse a version that they do not know.
        "Version=1.0",
        "Type=Application",
        "Name=formcheck",
        "GenericName=Exercise recordings",
        "Comment=Opens the pages for knee exercises on this computer",
        # The field code stands outside the quotes: nothing when no file is opened.
        f"Exec={' '.join(map(_exec_argument, kept))} %f",
        "Icon=camera-video",
        "Terminal=true",
        "Categories=MedicalSoftware;Science;",
        f"MimeType={FILE_TYPE};",
        "StartupNotify=false",
    )
    kind = (
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<mime-info xmlns="http://www.freedesktop.org/standards/shared-mime-info">',
        f'<mime-type type="{FILE_TYPE}">',
        f"<comment>{_FILE_WORDS}</comment>",
        '<sub-class-of type="application/zip"/>',
        f'<glob pattern="*{_SUFFIX}"/>',
        "</mime-type>",
        "</mime-info>",
    )
    applications, types = shared / "applications", shared / "mime"
    return Launcher(
        files=(
            LauncherFile(path=applications / f"{NAME}.desktop", content=_lines(entry)),
            LauncherFile(
                path=types / "packages" / f"{NAME}.xml", content=_lines(kind), is_run=False
            ),
        ),
        words="Look for formcheck among the applications. Its window keeps the pages open.\n"
        f"A double click on a file *{_SUFFIX} takes it in and shows it.",
        tools=(
            ("update-mime-database", str(types)),
            ("update-desktop-database", str(applications)),
        ),
    )


def _lines(lines: Sequence[str], end: str = "\n") -> bytes:
    return (end.join(lines) + end).encode()


def _exec_argument(text: str) -> str:
    """An argument of the key Exec: quoted, with what the specification reserves escaped, then
    escaped once more as every string value is."""
    for sign in ("\\", '"', "`", "$"):
        text = text.replace(sign, "\\" + sign)
    return '"' + text.replace("\\", "\\\\").replace("%", "%%") + '"'


def _windows(desktop: Path, command: Sequence[str]) -> Launcher:
    # A percent sign begins a variable in a command file; no name of a file holds a quote there.
    line = " ".join('"' + part.replace("%", "%%") + '"' for part in command) + " %*"
    # "pause" keeps the words of an error on the screen.
    lines = ("@echo off", "chcp 65001 >nul", "title formcheck", line, "if errorlevel 1 pause")
    path, kind = desktop / f"{NAME}.cmd", f"{NAME}.file"
    classes = r"Software\Classes"
    return Launcher(
        files=(LauncherFile(path=path, content=_lines(lines, "\r\n")),),
        words="Double-click formcheck.cmd on the desktop. Its window keeps the pages open.\n"
        f"A double click on a file *{_SUFFIX} takes it in and shows it.",
        keys=(
            (rf"{classes}\{kind}", _FILE_WORDS),
            (rf"{classes}\{kind}\shell\open\command", f'"{path}" "%1"'),
            (rf"{classes}\{_SUFFIX}", kind),
        ),
    )


def _macos(desktop: Path, command: Sequence[str]) -> Launcher:
    lines = ("#!/bin/sh", f"exec {shlex.join(command)}")
    return Launcher(
        files=(LauncherFile(path=desktop / f"{NAME}.command", content=_lines(lines)),),
        words="Double-click formcheck.command on the desktop. Its window keeps the pages open.\n"
        f"A file *{_SUFFIX} is dropped on its page: a double click opens none on macOS.",
    )


def install_launcher(made: Launcher, registry: Any = None) -> tuple[Path, ...]:
    """The files that were written, readable by all, and run by their owner where they are run.

    registry : what writes the keys; the module winreg if not given. Raises OutputError.
    """
    for file in made.files:
        make_folder(file.path.parent)
        with write_atomically(file.path) as beside:
            beside.write_bytes(file.content)
        try:
            file.path.chmod(0o755 if file.is_run else 0o644)
        except OSError as error:
            raise OutputError(f"{file.path}: cannot be made to run ({error.strerror})") from error
    if made.keys:
        registry = registry or _registry()
        for path, value in made.keys:
            try:
                with registry.CreateKey(registry.HKEY_CURRENT_USER, path) as key:
                    registry.SetValueEx(key, "", 0, registry.REG_SZ, value)
            except OSError as error:
                raise OutputError(f"the registry's {path} cannot be written ({error})") from error
    _read_at_once(made)
    return tuple(file.path for file in made.files)


def remove_launcher(made: Launcher, registry: Any = None) -> tuple[Path, ...]:
    """The files that were there and are gone; of the keys those that are still ours.

    Raises OutputError.
    """
    gone = []
    for file in made.files:
        try:
            file.path.unlink()
        except FileNotFoundError:
            continue
        except OSError as error:
            raise OutputError(f"{file.path}: cannot be removed ({error.strerror})") from error
        gone.append(file.path)
    if made.keys:
        _remove_keys(made, registry or _registry())
    if gone:
        _read_at_once(made)
    return tuple(gone)


def _registry() -> Any:
    import winreg

    return winreg


def _remove_keys(made: Launcher, registry: Any) -> None:
    for path, value in reversed(made.keys):
        try:
            with registry.OpenKey(
                registry.HKEY_CURRENT_USER, path, 0, registry.KEY_READ | registry.KEY_SET_VALUE
            ) as key:
                if registry.QueryValueEx(key, "")[0] != value:
                    continue  # another program's by now, or another installation's
                registry.DeleteValue(key, "")
        except OSError:
            continue
        # A key goes only when it is empty; so do those above it that were made along with it.
        while path.count("\\") > 1:
            with contextlib.suppress(OSError):
                registry.DeleteKey(registry.HKEY_CURRENT_USER, path)
            path = path.rpartition("\\")[0]


def _read_at_once(made: Launcher) -> None:
    """Lets the system read the files anew; one without these tools does so by itself, later."""
    for command in made.tools:
        if shutil.which(command[0]):
            with contextlib.suppress(OSError, subprocess.SubprocessError):
                subprocess.run(command, check=False, capture_output=True, timeout=60)

"""Runs the command blocks of a document one after the other, as a reader would who copies them.

    python tests/command_blocks.py [--log FILE] [--without WORD] README.md [...]

from the clone's folder. --log keeps what was printed, --without leaves out blocks with that word.

A command block is a fenced block without a language, or with `sh`, `bash` or `console`. All
blocks of a document share one state: the folder and the environment that a block ends with are
those that the next one begins with, as in one terminal. A comment in the line before the fence,
which no reader sees, says where a block needs more than being copied:

    <!-- test: with clip.mp4=sample_clips/squat_side.mp4 --> what a placeholder stands for
    <!-- test: until "works once" -->    does not end: waits for these words, then Ctrl-C
    <!-- test: answers "KN-1" "" -->     what is typed when it asks, a line each
    <!-- test: ends with 7 -->           the exit code, where 0 is not the right one
    <!-- test: installs -->              needs the network; run on a bare machine only (.ci/bare)
    <!-- test: not run, WHY -->          cannot be run on one machine

Several can stand in one comment, with `;` between them.
"""

import argparse
import os
import re
import shlex
import shutil
import signal
import subprocess
import tempfile
import time
from dataclasses import dataclass, field, replace
from pathlib import Path

LANGUAGES = ("", "sh", "bash", "console")
LIMIT_S = 7200.0
"""The longest that one block may take."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """A block of commands, and what the comment before it says."""

    place: str
    commands: str
    why_not: str = ""
    is_installing: bool = False
    until: str = ""
    answers: tuple[str, ...] = ()
    exit_code: int = 0
    values: dict[str, str] = field(default_factory=dict)

    @property
    def filled(self) -> str:
        """The commands with a value for each placeholder."""
        text = self.commands
        for name, value in self.values.items():
            if not re.search(rf"(?<![\w.]){re.escape(name)}(?![\w.])", text):
                raise ValueError(f"{self.place}: there is no {name} in this block")
            text = re.sub(rf"(?<![\w.]){re.escape(name)}(?![\w.])", lambda _: value, text)  # noqa: B023
        return text


_FENCE = re.compile(
    r"^(?:<!-- test: (?P<said>.*?) -->\n)?^(?P<indent> *)```(?P<language>\w*)\n"
    r"(?P<body>.*?)^(?P=indent)```$",
    flags=re.DOTALL | re.MULTILINE,
)


def blocks_of(text: str, name: str) -> tuple[Block, ...]:
    """The command blocks of a Markdown text, in order. Raises ValueError for an unknown word."""
    found = []
    for match in _FENCE.finditer(text):
        if match["language"] in LANGUAGES:
            place = f"{name}:{text.count(chr(10), 0, match.start('indent')) + 1}"
            commands = re.sub(rf"^{match['indent']}", "", match["body"], flags=re.MULTILINE)
            found.append(Block(place=place, commands=commands, **_said(match["said"], place)))
    return tuple(found)


def setting_up(readme: str) -> Block:
    """The part of the README's first command that sets formcheck up and activates it."""
    first = blocks_of(readme, "README.md")[0]
    return replace(first, commands=first.commands.partition(" && formcheck ")[0])


def _said(text: str | None, place: str) -> dict:
    said = {}
    for part in filter(None, map(str.strip, (text or "").split(";"))):
        word, _, rest = part.partition(" ")
        if word == "with":
            said["values"] = dict(pair.split("=", 1) for pair in shlex.split(rest))
        elif word == "until":
            (said["until"],) = shlex.split(rest)
        elif word == "answers":
            said["answers"] = tuple(shlex.split(rest))
        elif part.startswith("ends with "):
            said["exit_code"] = int(part.removeprefix("ends with "))
        elif part == "installs":
            said["is_installing"] = True
        elif part.startswith("not run, "):
            said["why_not"] = part.removeprefix("not run, ")
        else:
            raise ValueError(f"{place}: {part!r} says nothing that is known here")
    return said


class Terminal:
    """Runs blocks one after the other in one state, as in a terminal that stays open."""

    def __init__(self, folder: Path, environment: dict[str, str]) -> None:
        self._folder, self._environment = folder, environment
        self._state = Path(tempfile.mkdtemp()) / "state"

    def run(self, block: Block) -> str:
        """What the block printed. Raises AssertionError when it ends otherwise than it should."""
        script = (
            f'[ ! -f {self._state} ] || {{ . {self._state}; cd "$PWD"; }}\n'
            f"trap 'export -p > {self._state}' EXIT\n{block.filled}"
        )
        shell = subprocess.Popen(
            ["bash", "-e", "-c", script],
            cwd=self._folder,
            env=self._environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            start_new_session=True,
        )
        try:
            printed = self._until(shell, block.until) if block.until else ""
            rest, _ = shell.communicate("".join(f"{a}\n" for a in block.answers), timeout=LIMIT_S)
        finally:
            if shell.poll() is None:
                os.killpg(shell.pid, signal.SIGKILL)
                shell.communicate()
        printed += rest
        right = (0, 130) if block.until else (block.exit_code,)
        told = f"{block.place} ended with {shell.returncode}:\n{block.filled}\n{printed[-3000:]}"
        assert shell.returncode in right, told
        assert "Traceback" not in printed, told
        return printed

    def _until(self, shell: subprocess.Popen, words: str) -> str:
        printed = ""
        while words not in printed:
            line = shell.stdout.readline()
            assert line, f"ended before it printed {words!r}:\n{printed}"
            printed += line
        time.sleep(1)
        os.killpg(shell.pid, signal.SIGINT)  # as Ctrl-C: everything in the terminal gets it
        return printed


def _elsewhere(folder: Path) -> Path:
    """A copy of the clone without what was set up in it."""
    copy = Path(tempfile.mkdtemp()) / folder.name
    shutil.copytree(folder, copy, ignore=shutil.ignore_patterns(".venv", "out", "__pycache__"))
    return copy


def main() -> int:
    """Runs every block of the named documents, tells how each went, and gives the exit code."""
    options = argparse.ArgumentParser()
    options.add_argument("--log", type=Path, default=os.devnull)
    options.add_argument("--without", default="")
    options.add_argument("documents", nargs="+", type=Path)
    asked = options.parse_args()
    n = dict.fromkeys(("passed", "failed", "not run"), 0)
    environment = {**os.environ, "BROWSER": "true"}
    with open(asked.log, "w", encoding="utf-8") as log:
        for document in asked.documents:
            terminal = Terminal(Path.cwd(), environment)
            set_up = setting_up(Path("README.md").read_text(encoding="utf-8"))
            if document.name != "README.md":  # the others are for those who followed it
                terminal.run(set_up)
            for block in blocks_of(document.read_text(encoding="utf-8"), str(document)):
                began, why, printed = time.monotonic(), block.why_not, ""
                if asked.without and asked.without in block.commands:
                    why = f"has {asked.without}"
                how = "not run" if why else "passed"
                try:
                    if block.is_installing and not why:
                        new = Terminal(_elsewhere(Path.cwd()), environment)
                        if ".venv" not in block.commands:
                            new.run(set_up)
                        printed = new.run(block)
                    elif not why:
                        printed = terminal.run(block)
                except (AssertionError, subprocess.TimeoutExpired, ValueError) as error:
                    how, why, printed = "failed", f"\n{error}", str(error)
                n[how] += 1
                first = block.commands.strip().splitlines()[0][:60]
                print(
                    f"{how:8}{time.monotonic() - began:6.0f} s  {block.place}  {first}  {why}",
                    flush=True,
                )
                print(f"== {block.place}: {first}\n{printed}", file=log, flush=True)
    print(", ".join(f"{count} {how}" for how, count in n.items()))
    return 1 if n["failed"] or not n["passed"] else 0


if __name__ == "__main__":
    raise SystemExit(main())

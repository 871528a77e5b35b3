"""Every command block of the documents runs, from the state that the README leaves a reader in."""

import os
import re
import shutil
import sys

import pytest
from command_blocks import Block, Terminal, blocks_of, setting_up
from conftest import ROOT

DOCUMENTS = sorted(
    path.relative_to(ROOT).as_posix()
    for path in (
        *ROOT.glob("*.md"),
        *(ROOT / "sample_clips").glob("*.md"),
        *(ROOT / "formcheck/docs").rglob("*.md"),
    )
)


README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(document: str) -> tuple[Block, ...]:
    """The command blocks of a document."""
    return blocks_of((ROOT / document).read_text(encoding="utf-8"), document)


def test_no_document_tells_a_command_outside_a_block():
    """Indented lines are blocks too in Markdown, and would not be run by the next test."""
    for document in DOCUMENTS:
        text = (ROOT / document).read_text(encoding="utf-8")
        assert not re.findall(r"^    (?:\$ )?(?:formcheck|pip|bash) .*", text, flags=re.MULTILINE)


@pytest.fixture(scope="module")
def clone(tmp_path_factory, short_squat):
    """(folder, environment): a clone as a reader has it before the first command, but quick.

    Setting up puts the commands of this environment where `.ci/setup` would put them, the small
    pose bundle is the usual one, and a short clip stands in for the long one.
    """
    folder = tmp_path_factory.mktemp("home") / "formcheck"
    shutil.copytree(
        ROOT, folder, ignore=shutil.ignore_patterns(".git", ".venv", "out", "tests", "*cache*")
    )
    shutil.copyfile(short_squat, folder / "sample_clips/squat_side.mp4")
    listed = (folder / "sample_clips/clips.csv").read_text(encoding="utf-8").splitlines()
    (folder / "sample_clips/clips.csv").write_text("\n".join(listed[:2]) + "\n")
    (folder / ".ci/setup").write_text(
        "mkdir -p .venv/bin && cp .ci/activate .venv/bin/activate\n", encoding="utf-8"
    )
    commands = tmp_path_factory.mktemp("commands")
    (folder / ".ci/activate").write_text(f"export PATH={commands}:$PATH\n", encoding="utf-8")
    command = commands / "formcheck"
    command.write_text(
        "#!/usr/bin/env bash\n"
        'case $1 in analyze | batch | benchmark) set -- "$@" --pose-model lite ;; esac\n'
        f'PYTHONPATH={folder} exec {sys.executable} -m formcheck "$@"\n',
        encoding="utf-8",
    )
    for name in ("pytest", "ruff"):  # this is their run already
        (commands / name).write_text("#!/bin/sh\n", encoding="utf-8")
    for path in commands.iterdir():
        path.chmod(0o755)
    home = folder.parent
    environment = {
        **{name: value for name, value in os.environ.items() if name != "PYTHONPATH"},
        "PATH": "/usr/local/bin:/usr/bin:/bin",
        "HOME": str(home),
        "BROWSER": "true",
        "XDG_CACHE_HOME": str(home / "cache"),
        "XDG_DATA_HOME": str(home / "data"),
    }
    return folder, environment


@pytest.mark.parametrize("document", [d for d in DOCUMENTS if blocks(d)])
def test_every_command_block_runs_in_the_state_that_the_ones_before_leave(clone, document):
    folder, environment = clone
    terminal = Terminal(folder, environment)
    if document != "README.md":  # the others are for those who followed it
        terminal.run(setting_up(README))
    for block in blocks(document):
        assert block.filled  # every placeholder that the comment names is there
        if not block.why_not and not block.is_installing:
            terminal.run(block)

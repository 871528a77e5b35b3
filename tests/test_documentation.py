"""The README and the help text say what the code does."""

import re
import shlex

import pytest
import typer
from conftest import ROOT

from formcheck.cli import _register_commands, app
from formcheck.files.exercise_files import exercise_ids
from formcheck.model.errors import EXIT_CODES
from formcheck.model.measures import MEASURES

README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def commands():
    """Name -> command of the whole tree, groups opened ("prescription sheet")."""
    if not app.registered_commands:
        _register_commands()
    found = {}

    def walk(group, path):
        for name, command in group.commands.items():
            if hasattr(command, "commands"):
                walk(command, (*path, name))
            else:
                found[" ".join((*path, name))] = command

    walk(typer.main.get_command(app), ())
    return found


def blocks() -> list[str]:
    """The README's fenced command lines."""
    return re.findall(r"```\n(.*?)```", README, flags=re.DOTALL)


def test_every_command_appears_in_the_readme(commands):
    for name in commands:
        assert f"formcheck {name.split()[0]}" in README, name


def test_every_command_and_option_has_help(commands):
    for name, command in commands.items():
        assert command.help, name
        for p in command.params:
            assert getattr(p, "help", None), (name, p.name)


@pytest.mark.parametrize("exercise", exercise_ids())
def test_every_exercise_appears_in_the_readme(exercise):
    assert re.search(rf"\b{exercise}\b", README)


@pytest.mark.parametrize("key", MEASURES)
def test_every_measure_appears_in_the_readme_with_its_definition(key):
    assert f"`{key}`" in README
    assert MEASURES[key].definition in README


def test_every_exit_code_appears_in_the_readme():
    for code, meaning in EXIT_CODES:
        assert f"| {code} | {meaning} |" in README


def test_the_two_commands_are_there_and_ci_runs_the_second():
    first, second = (
        next(b for b in blocks() if b.startswith(start)).strip()
        for start in ("bash .ci/setup &&", "bash .ci/setup test")
    )
    assert "formcheck analyze" in first
    for part in second.split(" && "):
        assert part in (ROOT / ".ci/run").read_text(encoding="utf-8")


def test_the_readmes_first_example_runs(run_formcheck, tmp_path):
    first = next(b for b in blocks() if b.startswith("bash .ci/setup &&"))
    words = shlex.split(first.split("&&")[1])
    assert words[0].endswith("formcheck")
    words = [str(tmp_path / "out") if w == "out" else w for w in words[1:]]
    done = run_formcheck(*words, "--pose-model", "lite", "--no-video", cwd=ROOT)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "out/report.html").is_file()


def test_pictures_that_the_readme_shows_are_there():
    shown = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)
    assert len(shown) >= 2
    for path in shown:
        assert (ROOT / path).is_file(), path


def test_the_readme_opens_with_the_job_and_carries_the_cautions():
    assert README.split("\n\n")[1].startswith("A physical therapist")
    for words in (
        "Not a medical device",
        "not validated on patients",
        "not cleared by any",
        "Stop on sharp or rising pain",
        "breathe during holds",
    ):
        assert words in README


def test_decisions_are_numbered_without_a_gap_and_the_code_cites_only_those():
    numbers = [int(n) for n in re.findall(r"^\*\*(\d+)\. ", DEVELOPERS, flags=re.MULTILINE)]
    assert numbers == list(range(1, len(numbers) + 1))
    sources = [*(ROOT / "formcheck").rglob("*.py"), *(ROOT / "formcheck").rglob("*.toml")]
    for path in sources:
        for n in re.findall(r"decision (\d+)", path.read_text(encoding="utf-8")):
            assert int(n) in numbers, (path, n)


def test_nothing_is_left_to_be_done_in_the_documents():
    assert not re.search(r"TODO|FIXME|@@", README + DEVELOPERS)

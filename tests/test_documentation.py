"""The documents and the help text say what the code does."""

import re
import shlex
import tomllib

import pytest
import typer
from conftest import ROOT
from markdown_it import MarkdownIt
from write_lists import with_rows

from formcheck.cli import _register_commands, app
from formcheck.files.exercise_files import exercise_ids
from formcheck.files.exercises import load_exercise
from formcheck.model.errors import EXIT_CODES, UsageError
from formcheck.model.measures import MEASURES
from formcheck.web.documents import anchor_of
from formcheck.words.languages import DEFAULT, LANGUAGES

DOCS = ROOT / "formcheck" / "docs"
README = (ROOT / "README.md").read_text(encoding="utf-8")
IN_DOCS = {path: path.read_text(encoding="utf-8") for path in sorted(DOCS.rglob("*.md"))}
DOCUMENTS = {
    **{
        ROOT / n: (ROOT / n).read_text(encoding="utf-8")
        for n in ("README.md", "DEVELOPERS.md", "sample_clips/README.md")
    },
    **IN_DOCS,
}
DECISIONS = {int(p.name[:4]): p for p in sorted((DOCS / "decisions").glob("[0-9]*.md"))}
OTHERS = [tag for tag in LANGUAGES if tag != DEFAULT]
TRANSLATED = [path for path in IN_DOCS if path.relative_to(DOCS).parts[0] in OTHERS]


def document(name: str) -> str:
    return IN_DOCS[DOCS / name]


def title(text: str) -> str:
    return text.split("\n", 1)[0].removeprefix("# ")


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


def blocks(text: str) -> list[str]:
    """The fenced command lines of a document."""
    fenced = re.findall(r"^```(\w*)\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)
    return [block for kind, block in fenced if not kind]


def test_every_command_appears_in_the_list_of_commands(commands):
    for name in commands:
        assert f"`formcheck {name}`" in document("reference/commands.md"), name


def test_an_option_given_twice_is_taken_twice_or_refused(commands):
    n = 0
    for name, command in commands.items():
        context = command.make_context(name, ["--help"], resilient_parsing=True)
        for p in command.params:
            if p.param_type_name != "option" or p.is_eager or p.multiple:
                continue
            first, *_ = p.opts
            last = (p.opts + p.secondary_opts)[-1]
            values = () if p.is_flag else ("0",)
            with pytest.raises(UsageError, match=f"{first}.* was given 2 times"):
                command.parse_args(context, [first, *values, last, *values])
            n += 1
    assert n > 80


def test_every_command_and_option_has_help(commands):
    for name, command in commands.items():
        assert command.help, name
        for p in command.params:
            assert getattr(p, "help", None), (name, p.name)


def test_every_command_line_in_the_documents_names_a_command_and_its_options(commands):
    n_lines = 0
    for path, text in DOCUMENTS.items():
        for line in [line for block in blocks(text) for line in block.splitlines()]:
            words = shlex.split(line.split("&&")[-1], comments=True)
            if not words or not re.fullmatch(r"(\.venv/bin/)?formcheck", words[0]):
                continue
            n_lines += 1
            name = next((n for n in (" ".join(words[1:3]), words[1]) if n in commands), None)
            assert name or words[1] in ("--help", "--version"), (path.name, line)
            known = {o for p in commands[name].params for o in (*p.opts, *p.secondary_opts)}
            for word in words[2:]:
                assert not word.startswith("--") or word.split("=")[0] in known, (path.name, line)
    assert n_lines >= 10


def test_every_exercise_appears_by_support_level_and_then_by_the_alphabet():
    listed = re.findall(
        r"^\| (\d) [^|]*\| ([^|]*) \|$", document("clinicians/exercises.md"), flags=re.MULTILINE
    )
    shown = [(int(level), name) for level, names in listed for name in names.split(", ")]
    assert shown == sorted((load_exercise(e).support_level, e) for e in exercise_ids())
    measured = re.findall(
        r"^\| (\w+) \| (?:none|\d+) \|", document("researchers/validation.md"), flags=re.MULTILINE
    )
    assert sorted(measured) == sorted(exercise_ids())


def test_every_measure_appears_with_its_definition_unit_and_views():
    rows = re.findall(
        r"^\| `(\w+)` \| [^|]* \| ([^|]*) \| (.*) \|$",
        document("researchers/measures.md"),
        flags=re.MULTILINE,
    )
    assert {key: definition for key, _, definition in rows} == {
        key: measure.definition for key, measure in MEASURES.items()
    }
    assert {key: set(views.split(", ")) for key, views, _ in rows} == {
        key: set(measure.views) for key, measure in MEASURES.items()
    }


def test_the_table_of_measures_is_written_from_the_list():
    page = document("researchers/measures.md")
    assert with_rows(page) == page


def test_every_measure_in_the_validation_tables_is_one_of_the_list():
    named = set(
        re.findall(
            r"^\| \w+ \| `(\w+)` \|", document("researchers/validation.md"), flags=re.MULTILINE
        )
    )
    assert len(named) >= 15
    assert named <= set(MEASURES)


def test_every_exit_code_appears():
    for code, meaning in EXIT_CODES:
        assert f"| {code} | {meaning} |" in document("reference/commands.md")


def test_the_two_commands_are_there_and_ci_runs_the_second():
    first, second = (
        next(b for b in blocks(README) if b.startswith(start)).strip()
        for start in ("bash .ci/setup &&", "bash .ci/setup test")
    )
    assert "formcheck analyze" in first
    for part in second.split(" && "):
        assert part in (ROOT / ".ci/run").read_text(encoding="utf-8")


def test_what_is_checked_before_a_commit_is_what_ci_checks():
    hooks = (ROOT / ".pre-commit-config.yaml").read_text(encoding="utf-8")
    entries = re.findall(r"entry: (.*)", hooks)
    assert len(entries) == 4
    for entry in entries:
        assert f"\n{entry}\n" in (ROOT / ".ci/run").read_text(encoding="utf-8")


def test_the_readme_opens_with_the_job_carries_the_cautions_and_stays_short():
    assert README.split("\n\n")[1].startswith("A physical therapist")
    for words in (
        "Not a medical device",
        "not validated on patients",
        "not cleared by any",
        "Stop on sharp or rising pain",
        "breathe during holds",
    ):
        assert words in README
    assert len(README.split()) < 1100, "two screens: what is longer belongs into the documents"


def test_the_readme_shows_a_patient_a_clinician_and_a_batch():
    shown = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)
    assert len(shown) == 3


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda p: str(p.relative_to(ROOT)))
def test_every_link_leads_to_a_file_and_a_heading_that_is_there(path):
    for text, href in re.findall(r"!?\[([^\]]*)\]\(([^)\s]+)\)", DOCUMENTS[path]):
        place, _, anchor = href.partition("#")
        assert "://" not in place, "the documents need no network: write the address as text"
        target = (path.parent / place).resolve() if place else path
        assert target.exists(), (text, href)
        if path in IN_DOCS:
            assert target.is_relative_to(DOCS), f"{href}: is not in the wheel"
        if anchor:
            headings = re.findall(r"^#+ (.*)$", DOCUMENTS[target], flags=re.MULTILINE)
            assert anchor in [anchor_of(h) for h in headings], (text, href)


def test_every_source_file_that_a_document_names_is_there():
    n_named = 0
    for path, text in DOCUMENTS.items():
        for name in re.findall(r"`([\w./-]+/[\w.-]+\.(?:py|toml|mp4|json))`", text):
            if name.split("/")[0] in ("out", "out_batch", "results", "CLIPS", "RESULTS"):
                continue
            n_named += 1
            assert (ROOT / name).exists() or (ROOT / "formcheck" / name).exists(), (path, name)
    assert n_named > 20


def test_every_module_that_the_code_names_is_there():
    sources = [*(ROOT / "formcheck").rglob("*.py"), ROOT / "pyproject.toml"]
    folders = [ROOT / name for name in ("formcheck", "tests", "models")]
    modules = [f"/{p.relative_to(ROOT).as_posix()}" for f in folders for p in f.rglob("*.py")]
    n_named = 0
    for path in sources:
        for name in re.findall(r"(?<![\w%.*/-])(?:\w+/)*\w+\.py\b", path.read_text("utf-8")):
            n_named += 1
            assert any(m.endswith(f"/{name}") for m in modules), (path, name)
    assert n_named > 10


def test_every_room_is_on_the_map():
    named = re.findall(
        r"^\| ((?:`\w+`(?:, )?)+) \|", DOCUMENTS[ROOT / "DEVELOPERS.md"], flags=re.MULTILINE
    )
    rooms = {room for names in named for room in re.findall(r"\w+", names)}
    folders = {
        p.name for p in (ROOT / "formcheck").iterdir() if p.is_dir() and not p.name.startswith("_")
    }
    assert rooms == folders


def test_every_picture_has_words_and_is_used():
    every = "\n".join(DOCUMENTS.values())
    assert not re.search(r"!\[\s*\]", every)
    for path in (DOCS / "pictures").iterdir():
        assert path.name in every, path


def test_the_contents_list_every_page_once_and_the_index_every_decision():
    parts = tomllib.loads((DOCS / "contents.toml").read_text(encoding="utf-8"))["parts"]
    listed = [page for part in parts for page in part["pages"]]
    assert sorted(listed) == sorted(
        str(path.relative_to(DOCS))
        for path in IN_DOCS
        if path not in DECISIONS.values() and path not in TRANSLATED
    )
    index = document("decisions/index.md")
    for number, path in DECISIONS.items():
        words = title(IN_DOCS[path]).removeprefix(f"{number}. ")
        assert f"| {number} | [{words}]({path.name}) | " in index, path


def test_what_a_patient_reads_and_nothing_else_is_there_in_every_language():
    parts = tomllib.loads((DOCS / "contents.toml").read_text(encoding="utf-8"))["parts"]
    own = [part for part in parts if "patient" in part["readers"]]
    wanted = {DOCS / tag / page for tag in OTHERS for part in own for page in part["pages"]}
    assert set(TRANSLATED) == wanted
    assert len(wanted) >= 4
    assert all(part[f"title_{tag}"] != part["title"] for tag in OTHERS for part in own)


def outline(path) -> dict[str, list]:
    """What a document has in common with itself in another language, in order: its headings,
    lists and tables, where its links lead, its pictures, and what is to be typed."""
    found = {"blocks": [], "links": [], "pictures": [], "typed": [], "bold": []}
    for token in MarkdownIt("commonmark").enable("table").parse(IN_DOCS[path]):
        found["blocks"].append((token.type, token.tag))
        for t in token.children or ():
            if t.type == "link_open":
                found["links"].append((path.parent / t.attrGet("href")).resolve())
            elif t.type == "image":
                found["pictures"].append((path.parent / t.attrGet("src")).resolve())
            elif t.type == "code_inline":
                found["typed"].append(t.content)
            elif t.type == "strong_open":
                found["bold"].append(len(found["blocks"]))
    return found


@pytest.mark.parametrize("path", TRANSLATED, ids=lambda p: str(p.relative_to(DOCS)))
def test_a_document_in_another_language_is_built_as_the_english_one(path):
    tag, *rest = path.relative_to(DOCS).parts
    english, own = outline(DOCS.joinpath(*rest)), outline(path)
    there = [DOCS / tag / link.relative_to(DOCS) for link in english.pop("links")]
    assert own.pop("links") == there
    assert own == english
    assert len(own["blocks"]) > 40
    assert title(IN_DOCS[path]) != title(IN_DOCS[DOCS.joinpath(*rest)])


def test_decisions_are_numbered_without_a_gap_dated_and_the_code_cites_only_those():
    assert list(DECISIONS) == list(range(1, len(DECISIONS) + 1))
    for number, path in DECISIONS.items():
        text = IN_DOCS[path]
        assert title(text).startswith(f"{number}. "), path
        status = re.search(
            r"^\*\*Status:\*\* (accepted|superseded by \d+), \d{4}-\d\d-\d\d$",
            text,
            flags=re.MULTILINE,
        )
        assert status, path
        assert f"| {status[1]} |" in document("decisions/index.md")
        assert "**Choice.**" in text or "**Refused.**" in text, path
    sources = [*(ROOT / "formcheck").rglob("*.py"), *(ROOT / "formcheck").rglob("*.toml")]
    for path in sources:
        for n in re.findall(r"decision (\d+)", path.read_text(encoding="utf-8")):
            assert int(n) in DECISIONS, (path, n)


def test_the_version_has_a_heading_in_the_changes():
    from formcheck import __version__

    changes = document("changes.md")
    assert f"\n## {__version__}\n" in changes


def test_nothing_is_left_to_be_done_in_the_documents():
    for path, text in DOCUMENTS.items():
        assert not re.search(r"TODO|FIXME|@@|XXX", text), path

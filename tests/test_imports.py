"""The rooms: imports point down only, heavy packages stand in their adapter, the core is pure."""

import ast
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "formcheck"

ROOMS = {
    "model": "pure",
    "motion": "pure",
    "words": "sentences",
    "files": "",
    "video": "",
    "pose": "",
    "overlay": "",
    "report": "",
    "live": "",
    "run": "",
    "evidence": "",
    "batch": "",
    "clinic": "",
    "web": "",
    "api": "",
    "cli": "",
}
"""The packages of formcheck, the lowest first; which may import which stands in pyproject.toml."""

HEAVY = {
    "mediapipe": {"pose", "evidence"},
    "av": {"video"},
    "cv2": {"pose", "overlay", "evidence"},
    "PIL": {"overlay"},
    "pyarrow": {"api", "files"},
    "pydantic": {"files", "clinic"},
    "jinja2": {"report", "words", "web", "batch"},
    "sqlalchemy": {"clinic"},
    "markdown_it": {"web"},
    "scipy": {"motion", "evidence"},
    "distributed": {"batch"},
    "dask": {"batch"},
}
"""Heavy package -> the rooms that may name it, and only inside a function."""

OUTSIDE_WORLD = {
    "os",
    "io",
    "pathlib",
    "shutil",
    "tempfile",
    "glob",
    "time",
    "datetime",
    "logging",
    "random",
    "subprocess",
    "socket",
    "threading",
    "multiprocessing",
    "urllib",
    "http",
    "sys",
}

NEVER_FOR_HELP = (
    "mediapipe",
    "numpy",
    "cv2",
    "av",
    "scipy",
    "pyarrow",
    "pydantic",
    "jinja2",
    "sqlalchemy",
    "matplotlib",
    "PIL",
    "distributed",
)

SOURCES = {
    path.relative_to(PACKAGE): ast.parse(path.read_text(encoding="utf-8"))
    for path in sorted(PACKAGE.rglob("*.py"))
}


def _unit(path: Path) -> str:
    """The module or sub-package that a file belongs to; the package's own __init__ is ''."""
    name = path.parts[0].removesuffix(".py")
    return "" if name == "__init__" else name


def _imports(node: ast.AST):
    """(module, names, is at the top level) of each import below the node."""
    top = {id(child) for child in ast.iter_child_nodes(node)}
    for child in ast.walk(node):
        if isinstance(child, ast.Import):
            for alias in child.names:
                yield alias.name, (), id(child) in top
        elif isinstance(child, ast.ImportFrom):
            assert child.level == 0, "imports name the whole path"
            yield child.module, tuple(a.name for a in child.names), id(child) in top


def _ours(node: ast.AST, *, is_on_load: bool = False):
    """The modules and sub-packages of formcheck that are imported below the node."""
    for module, names, is_top in _imports(node):
        if is_on_load and not is_top:
            continue
        if module == "formcheck":
            yield from (name for name in names if name != "__version__")
        elif module.startswith("formcheck."):
            yield module.split(".")[1]


UNITS = sorted({_unit(path) for path in SOURCES} - {""})


def test_every_room_is_known_and_says_what_may_enter():
    assert set(UNITS) - {"__main__"} == set(ROOMS)
    for room in ROOMS:
        door = ast.get_docstring(SOURCES[Path(room) / "__init__.py"])
        assert door, room
        assert len(door.split()) >= 6, room


def test_a_room_imports_from_rooms_below_it_only():
    contracts = subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command as c; c()"],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "ignore"},
        capture_output=True,
        text=True,
    )
    assert contracts.returncode == 0, contracts.stdout + contracts.stderr
    assert "0 broken" in contracts.stdout


@pytest.mark.parametrize("package", HEAVY)
def test_a_heavy_package_is_named_in_its_adapter_alone_and_imported_when_needed(package):
    for path, tree in SOURCES.items():
        for module, _, is_top in _imports(tree):
            if module.split(".")[0] == package:
                assert _unit(path) in HEAVY[package], f"{path} names {package}"
                assert not is_top, f"{path} imports {package} before it is needed"


@pytest.mark.parametrize("unit", [room for room, kind in ROOMS.items() if kind == "pure"])
def test_the_pure_rooms_touch_neither_files_nor_clocks_nor_the_terminal(unit):
    trees = [tree for path, tree in SOURCES.items() if _unit(path) == unit]
    for tree in trees:
        roots = {module.split(".")[0] for module, _, _ in _imports(tree)}
        # A record may hold a date or a path; reading the clock or a file is what is kept out.
        assert not roots & OUTSIDE_WORLD - {"datetime", "pathlib"}
        for call in (node for node in ast.walk(tree) if isinstance(node, ast.Call)):
            assert getattr(call.func, "id", "") not in {"open", "print", "input", "exec", "eval"}
            assert getattr(call.func, "attr", "") not in {"now", "today", "utcnow"}


def _texts(tree: ast.AST) -> list[str]:
    """The strings of a module that are no docstrings; an f-string counts as one."""
    notes = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
    pieces = {
        id(piece) for n in ast.walk(tree) if isinstance(n, ast.JoinedStr) for piece in n.values
    }
    texts = []
    for n in ast.walk(tree):
        if isinstance(n, ast.JoinedStr):
            texts.append("".join(str(getattr(piece, "value", "")) for piece in n.values))
        elif isinstance(n, ast.Constant) and id(n) not in notes | pieces:
            texts += [n.value] if isinstance(n.value, str) else []
    return texts


def test_motion_makes_no_sentences():
    # Names of sources and of an interval's parts are labels; sentences are made in words.
    for path, tree in SOURCES.items():
        if _unit(path) == "motion":
            assert not {t for t in _texts(tree) if t.endswith(".") and t.count(" ") >= 3}, path


def test_no_module_is_much_longer_than_five_hundred_lines():
    long = {
        str(path): n
        for path in SOURCES
        if (n := len((PACKAGE / path).read_text(encoding="utf-8").splitlines())) > 560
    }
    assert not long


PACKAGE_OF = {
    "cv2": "mediapipe",
    "PIL": "pillow",
    "annotated_types": "annotated-types",
    "markdown_it": "markdown-it-py",
}
"""Import name -> the distribution that brings it, where they differ (OpenCV comes
with MediaPipe)."""


def test_what_is_imported_is_declared_and_what_is_declared_is_imported():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]

    def names(requirements):
        return {re.match(r"[\w.-]+", text)[0].lower() for text in requirements}

    declared = names(project["dependencies"])
    optional = {name for extra, texts in extras.items() if extra != "test" for name in names(texts)}
    imported = {
        PACKAGE_OF.get(root, root)
        for tree in SOURCES.values()
        for module, _, _ in _imports(tree)
        if (root := module.split(".")[0]) not in sys.stdlib_module_names | {"formcheck"}
    }
    assert imported - declared - optional == set()
    assert declared - imported == set()
    assert not [name for name in declared | optional if name.startswith("opencv")]


def test_every_dependency_has_an_upper_bound():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert [text for text in project["dependencies"] if "<" not in text] == []


LOADED_BY_HELP = """
import sys
from formcheck.cli import main
try:
    main()
except SystemExit as end:
    assert not end.code, end.code
print("LOADED", *sys.modules)
"""


@pytest.mark.parametrize("arguments", [["--help"], ["--version"]])
def test_help_loads_no_heavy_package(arguments):
    done = subprocess.run(
        [sys.executable, "-c", LOADED_BY_HELP, *arguments],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    )
    loaded = set(done.stdout.rpartition("LOADED")[2].split())
    assert "formcheck.cli" in loaded
    assert loaded.isdisjoint(NEVER_FOR_HELP)

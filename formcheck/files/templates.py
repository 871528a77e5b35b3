"""Templates: programmes to begin a prescription from, shipped ones and a clinic's own."""

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

from formcheck.files.exercises import read_text
from formcheck.files.schema import parse_template
from formcheck.model.errors import FileError
from formcheck.model.programme import ProgrammeTemplate

_FOLDER = files("formcheck") / "catalogue" / "templates"


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedTemplate:
    """A template with the name of its file, and whether the clinic wrote it itself."""

    id: str
    is_own: bool
    template: ProgrammeTemplate


def template_ids() -> tuple[str, ...]:
    """The names of the shipped files, without suffix, in alphabetical order."""
    names = (entry.name for entry in _FOLDER.iterdir())
    return tuple(sorted(n.removesuffix(".toml") for n in names if n.endswith(".toml")))


def template_text(template_id: str) -> str:
    """The text of one shipped file."""
    return (_FOLDER / f"{template_id}.toml").read_text(encoding="utf-8")


@cache
def _shipped() -> tuple[NamedTemplate, ...]:
    return tuple(
        NamedTemplate(
            id=name, is_own=False, template=parse_template(template_text(name), f"{name}.toml")
        )
        for name in template_ids()
    )


def load_templates(own: Path | None = None) -> tuple[tuple[NamedTemplate, ...], tuple[str, ...]]:
    """(templates by name, faults of the clinic's own files).

    own : a folder of the clinic's files; one with the name of a shipped file takes its place,
    and one with a fault is left out and told, so that it takes no other away.
    """
    found = {t.id: t for t in _shipped()}
    faults: list[str] = []
    for path in sorted(own.glob("*.toml")) if own and own.is_dir() else ():
        try:
            template = parse_template(read_text(path), path.name)
        except FileError as error:
            faults += error.faults or (str(error),)
        else:
            found[path.stem] = NamedTemplate(id=path.stem, is_own=True, template=template)
    ordered = sorted(found.values(), key=lambda t: (t.template.name.casefold(), t.id))
    return tuple(ordered), tuple(faults)


def write_templates(folder: Path) -> tuple[Path, ...]:
    """Writes the shipped files into a folder, to be changed there, and returns their paths.

    Raises OutputError where one is there already: it may be the clinic's own.
    """
    from formcheck.files.storage import make_folder, write_text
    from formcheck.model.errors import OutputError

    paths = {name: folder / f"{name}.toml" for name in template_ids()}
    if taken := [str(p) for p in paths.values() if p.exists()]:
        raise OutputError(f"{taken[0]} is there already; name another folder")
    make_folder(folder)
    for name, path in paths.items():
        write_text(path, template_text(name))
    return tuple(paths.values())

"""The catalogue's files as package data: ids and texts, nothing parsed."""

from difflib import get_close_matches
from importlib.resources import files

_FOLDER = files("formcheck") / "catalogue"


def exercise_ids() -> tuple[str, ...]:
    """The ids of the catalogue in alphabetical order (file names; no file is read)."""
    names = (entry.name for entry in _FOLDER.iterdir())
    return tuple(sorted(name[: -len(".toml")] for name in names if name.endswith(".toml")))


def exercise_text(exercise_id: str) -> str:
    """The text of one catalogue file."""
    return (_FOLDER / f"{exercise_id}.toml").read_text(encoding="utf-8")


def near_ids(name: str, ids: tuple[str, ...] | None = None) -> tuple[str, ...]:
    """Up to three ids that look like `name`, nearest first."""
    ids = exercise_ids() if ids is None else ids
    wanted = name.strip().lower().replace(" ", "_").replace("-", "_")
    if wanted in ids:
        return (wanted,)
    close = get_close_matches(wanted, ids, n=3, cutoff=0.6)
    containing = [i for i in ids if wanted and wanted in i and i not in close]
    return tuple(close + containing)[:3]

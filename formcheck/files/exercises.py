"""The catalogue of exercises, and a clinician's own exercise files, as records."""

from functools import cache
from pathlib import Path

from formcheck.files.exercise_files import exercise_ids, exercise_text, near_ids
from formcheck.model.errors import FileError, UsageError
from formcheck.model.programme import Exercise


def load_exercise(name_or_path: str | Path) -> Exercise:
    """One exercise: by its id in the catalogue, or from a file (a path, or ending in .toml).

    Raises UsageError for an unknown name, with near ones; FileError with all faults of a file.
    """
    name = str(name_or_path)
    if isinstance(name_or_path, Path) or name.endswith(".toml") or "/" in name:
        return _from_file(Path(name_or_path))
    if name not in exercise_ids():
        near = near_ids(name)
        mend = f"did you mean {' or '.join(near)}?" if near else "see the list: formcheck exercises"
        raise UsageError(f'there is no exercise "{name}"; {mend}')
    return _from_catalogue(name)


def list_exercises() -> tuple[Exercise, ...]:
    """Every exercise of the catalogue, easiest support first, then by id."""
    every = (load_exercise(i) for i in exercise_ids())
    return tuple(sorted(every, key=lambda e: (e.support_level, e.id)))


@cache
def _from_catalogue(exercise_id: str) -> Exercise:
    from formcheck.files.schema import parse_exercise

    return parse_exercise(exercise_text(exercise_id), f"{exercise_id}.toml")


def _from_file(path: Path) -> Exercise:
    from formcheck.files.schema import parse_exercise

    return parse_exercise(read_text(path), str(path))


def read_text(path: Path) -> str:
    """The text of an exercise or prescription file.

    Raises FileError when it cannot be read as text.
    """
    try:
        if path.stat().st_size > 2_000_000:
            raise FileError(f"{path}: is far too large for a file of this kind; check the name")
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise FileError(f"{path}: is not a text file in UTF-8; save it again as UTF-8") from None
    except OSError as error:
        reason = (error.strerror or "cannot be read").lower()
        raise FileError(f"{path}: {reason}; check the path and your permission") from None

"""What exercise and prescription files share beyond types: bounds, names, possible values.

The rules read a mapping as its file gave it and step over values of a wrong type (those are
found beside them), so that all faults of a file come out at once.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from math import isfinite
from typing import Any, TypeGuard

from formcheck.model.measures import MEASURES, PLANES, is_supported

Path = tuple[str | int, ...]
WIDEST_TOLERANCE_SHARE = 0.2
"""Widest tolerance of a bound, a share of the values that a body can show: with it on either
side, four tenths of all of them would be within (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What is wrong at a path of a file, and the mend."""

    path: Path
    what: str


def possible_range(measure: str) -> tuple[float, float]:
    """Least and greatest value that a bound on a measure may have, in the measure's unit."""
    return MEASURES[measure].possible


def did_you_mean(word: str, known: Sequence[str]) -> str:
    """'did you mean ...?' with the nearest known word, or the known words when few, or ''."""
    near = get_close_matches(word, known, n=1, cutoff=0.6)
    if near:
        return f'did you mean "{near[0]}"?'
    return "use one of: " + ", ".join(sorted(known)) if len(known) <= 12 else ""


def bound_faults(
    bound: Mapping[str, Any], at: Path, keys: set[str] | None, whose: str
) -> Iterator[Fault]:
    """Faults of one bound; `keys` are the measures that may be bounded (None: not known),
    `whose` is the exercise that lists them, or "views" within an exercise file."""
    measure = bound.get("measure")
    low, high = bound.get("at_least"), bound.get("at_most")
    if low is None and high is None:
        yield Fault(path=at, what="has no bound; add at_least = or at_most =, or both")
    if is_number(low) and is_number(high) and low > high:
        yield Fault(
            path=(*at, "at_least"),
            what=f"at_least {low:g} is more than at_most {high:g}; exchange them",
        )
    if not isinstance(measure, str) or not measure:
        return
    if measure not in MEASURES:
        yield Fault(
            path=(*at, "measure"), what=f'there is no measure "{measure}"; {near_measure(measure)}'
        )
        return
    if keys is not None and measure not in keys:
        owner = "no view of this exercise lists" if whose == "views" else f"{whose} does not list"
        yield Fault(
            path=(*at, "measure"),
            what=f"{owner} {measure}, so it could never be judged; "
            + (did_you_mean(measure, sorted(keys)) or "use one that it lists"),
        )
    least, greatest = possible_range(measure)
    for side, value in (("at_least", low), ("at_most", high)):
        if is_number(value) and not least <= value <= greatest:
            yield Fault(
                path=(*at, side),
                what=f"{value:g} is not possible for {measure}; give {least:g} to {greatest:g} "
                f"{MEASURES[measure].unit}",
            )
    tolerance, most = bound.get("tolerance"), (greatest - least) * WIDEST_TOLERANCE_SHARE
    if is_number(tolerance) and tolerance > most:
        yield Fault(
            path=(*at, "tolerance"),
            what=f"{tolerance:g} is so wide that nearly every value of {measure} would do; give "
            f"at most {most:g} {MEASURES[measure].unit}",
        )


def near_measure(key: str) -> str:
    """The mend for an unknown measure."""
    return did_you_mean(key, list(MEASURES)) or "see the list of measures in the documents"


def where_supported(key: str, position: object) -> str:
    """The mend for a measure that a plane cannot give: where it can be read."""
    planes = [plane for plane in PLANES if is_supported(key, plane, str(position))]
    return f"list it under the {' or '.join(planes)} view, or leave it out"


def measures_of(data: Mapping[str, Any]) -> set[str]:
    """The measures that the views of a raw exercise list."""
    return {
        key
        for _, view in tables(data, "views")
        for key in items(view, "measures")
        if isinstance(key, str)
    }


def neighbour_faults(name: str, path: Path, own: object, ids: Sequence[str]) -> Iterator[Fault]:
    """Faults of an easier or harder exercise that is named."""
    if name == own:
        yield Fault(path=path, what="names this exercise itself; name another or leave it out")
    elif name not in ids and not name.endswith(".toml"):
        mend = did_you_mean(name, ids) or "formcheck exercises lists them all"
        yield Fault(path=path, what=f'there is no exercise "{name}"; {mend}')


def tables(data: Mapping[str, Any], key: str) -> Iterator[tuple[int, Mapping[str, Any]]]:
    """The tables of an array with their positions; anything else in it is stepped over."""
    return ((n, item) for n, item in enumerate(items(data, key)) if isinstance(item, Mapping))


def items(data: Mapping[str, Any], key: str) -> list[Any]:
    """The list under a key; empty when there is none."""
    value = data.get(key)
    return value if isinstance(value, list) else []


def word(data: Mapping[str, Any], key: str) -> str | None:
    """The text under a key; None when there is none or it is no text."""
    value = data.get(key)
    return value if isinstance(value, str) else None


def is_number(value: object) -> TypeGuard[int | float]:
    """Whether a value is a finite number; true and false are none."""
    return (
        isinstance(value, int | float)
        and not isinstance(value, bool)
        and abs(value) < 1e300
        and isfinite(value)
    )


def is_pair(value: object) -> bool:
    """Whether a value is a list of two numbers."""
    return isinstance(value, list) and len(value) == 2 and all(map(is_number, value))

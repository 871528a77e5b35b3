"""What a prescription file must hold beyond types: the faults of its raw mapping."""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from formcheck.files.file_rules import (
    Fault,
    Path,
    bound_faults,
    did_you_mean,
    is_number,
    items,
    measures_of,
    neighbour_faults,
    tables,
    word,
)
from formcheck.model.measures import PLANES


def prescription_faults(
    data: Mapping[str, Any],
    views_of: Callable[[str], Mapping[str, Any] | None],
    catalogue_ids: Sequence[str],
) -> tuple[Fault, ...]:
    """Every fault of a prescription file that its types do not show.

    `views_of` gives the raw mapping of an exercise by the name that a line gives, or None
    when there is no such exercise.
    """
    faults = [*_patient(data), *_dates(data)]
    seen: dict[tuple[str, str], int] = {}
    for n, line in tables(data, "exercises"):
        at: Path = ("exercises", n)
        faults += _same_line_twice(line, at, n, seen)
        name = word(line, "exercise")
        exercise = views_of(name) if isinstance(name, str) else None
        if isinstance(name, str) and exercise is None:
            mend = did_you_mean(name, catalogue_ids) or "formcheck exercises lists them all"
            faults.append(
                Fault(path=(*at, "exercise"), what=f'there is no exercise "{name}"; {mend}')
            )
        faults += _line(line, at, exercise, catalogue_ids)
    return tuple(faults)


_DATE_LIKE = re.compile(r"(19|20)\d{2}[-_]?\d{2}[-_]?\d{2}|\d{2}[-_]?\d{2}[-_]?(19|20)\d{2}")


def _patient(data: Mapping[str, Any]) -> Iterator[Fault]:
    code = word(data, "patient")
    if isinstance(code, str) and code:
        if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}", code):
            yield Fault(
                path=("patient",),
                what=f'"{code}" is no patient code; use up to 32 letters, digits, - and _',
            )
        elif _DATE_LIKE.search(code):
            yield Fault(
                path=("patient",),
                what="looks like a date of birth; use a code that tells nothing of the person",
            )
        elif len(code) > 4 and not re.search(r"\d", code):
            yield Fault(
                path=("patient",),
                what="looks like a name; use a code with a number, for instance KN-204",
            )
    initials = word(data, "prescribed_by")
    if (
        isinstance(initials, str)
        and initials
        and not re.fullmatch(r"\w(?:[\w.\- ]{0,7})", initials)
    ):
        yield Fault(
            path=("prescribed_by",),
            what="is longer than initials; write up to 8 letters, for instance A.B.",
        )


def _dates(data: Mapping[str, Any]) -> Iterator[Fault]:
    start, review = _as_date(data.get("valid_from")), _as_date(data.get("review_on"))
    if start and review and review <= start:
        yield Fault(
            path=("review_on",),
            what=f"{review} is not after valid_from, {start}; give a later date",
        )


def _same_line_twice(
    line: Mapping[str, Any], at: Path, n: int, seen: dict[tuple[str, str], int]
) -> Iterator[Fault]:
    name = word(line, "exercise")
    sides = [s for s in items(line, "sides") if isinstance(s, str)] if "sides" in line else ["both"]
    if len(set(sides)) < len(sides) or ("both" in sides and len(sides) > 1):
        yield Fault(
            path=(*at, "sides"),
            what='names a side more than once; write ["left"], ["right"], ["left", "right"] or '
            '["both"]',
        )
    if "sides" in line and line["sides"] == []:
        yield Fault(path=(*at, "sides"), what='names no side; write for instance ["left"]')
    if not isinstance(name, str):
        return
    covered = {"left", "right"} if "both" in sides else set(sides)
    before = [seen[name, side] for side in sorted(covered) if (name, side) in seen]
    if before:
        yield Fault(
            path=(*at, "exercise"),
            what=f"{name} stands in exercises[{before[0]}] for the same side already; put both "
            "into one line, or give each its own side",
        )
    for side in covered:
        seen.setdefault((name, side), n)


def _line(
    line: Mapping[str, Any],
    at: Path,
    exercise: Mapping[str, Any] | None,
    catalogue_ids: Sequence[str],
) -> Iterator[Fault]:
    if exercise is not None and word(exercise, "kind") == "hold" and line.get("hold_s") is None:
        yield Fault(path=at, what="a hold needs its time; add hold_s = with the seconds")
    keys = measures_of(exercise) if exercise is not None else None
    for kind in ("targets", "limits"):
        seen = set()
        for n, bound in tables(line, kind):
            path: Path = (*at, kind, n)
            yield from bound_faults(bound, path, keys, str(word(line, "exercise")))
            measure = word(bound, "measure")
            if isinstance(measure, str) and measure in seen:
                yield Fault(
                    path=(*path, "measure"),
                    what=f"{measure} is bounded twice under {kind}; put both ends into one",
                )
            seen.add(measure)
            if kind == "limits" and is_number(bound.get("tolerance")) and bound["tolerance"]:
                yield Fault(
                    path=(*path, "tolerance"),
                    what="a limit has no tolerance; leave it out and set the limit itself",
                )
            yield from _filmed_where_seen(line, bound, path, exercise)
    yield from _beyond_limits(line, at, exercise)
    for side in ("easier", "harder"):
        name = line.get(side)
        if isinstance(name, str) and name:
            yield from neighbour_faults(name, (*at, side), word(line, "exercise"), catalogue_ids)
    yield from _film(line, at, exercise)


def _quantity(measure: str | None, exercise: Mapping[str, Any] | None) -> str | None:
    """The measure, or for the level of a hold that the knee drives the knee's own at its turn."""
    for _, view in tables(exercise or {}, "views"):
        if measure == "plateau_level_deg" and word(view, "driving_signal") == "knee_flexion":
            end = "peak" if word(view, "direction") == "rises" else "least"
            return f"knee_flexion_{end}_deg"
    return measure


def _beyond_limits(
    line: Mapping[str, Any], at: Path, exercise: Mapping[str, Any] | None
) -> Iterator[Fault]:
    """Targets that cannot be reached without passing a limit of the same line."""
    limits = {_quantity(word(b, "measure"), exercise): b for _, b in tables(line, "limits")}
    for n, target in tables(line, "targets"):
        measure = word(target, "measure")
        limit = limits.get(_quantity(measure, exercise))
        if limit is None or measure is None:
            continue
        tolerance = target.get("tolerance")
        give = tolerance if is_number(tolerance) else 0
        for side, other, sign in (("at_least", "at_most", 1), ("at_most", "at_least", -1)):
            aim, end = target.get(side), limit.get(other)
            if is_number(aim) and is_number(end) and sign * (aim - end) - give > 0:
                beyond = "more" if sign > 0 else "less"
                yield Fault(
                    path=(*at, "targets", n, side),
                    what=f"the target of {side} {aim:g} cannot be reached within the limit of "
                    f"{other} {end:g}; aim for no {beyond} than {end:g}, or change the limit",
                )


def _filmed_where_seen(
    line: Mapping[str, Any],
    bound: Mapping[str, Any],
    path: Path,
    exercise: Mapping[str, Any] | None,
) -> Iterator[Fault]:
    filmed = {word(film, "view") for _, film in tables(line, "film")}
    measure = word(bound, "measure")
    if exercise is None or not filmed or not isinstance(measure, str):
        return
    seen_from = {
        str(word(view, "plane"))
        for _, view in tables(exercise, "views")
        if measure in items(view, "measures")
    }
    if seen_from and not seen_from & filmed:
        yield Fault(
            path=(*path, "measure"),
            what=f"{measure} is not seen from the views to be filmed; film a set from the "
            f"{' or '.join(sorted(seen_from))} view",
        )


def _film(line: Mapping[str, Any], at: Path, exercise: Mapping[str, Any] | None) -> Iterator[Fault]:
    planes = {word(view, "plane") for _, view in tables(exercise or {}, "views")}
    sets, seen = line.get("sets"), set()
    for n, film in tables(line, "film"):
        number, view = film.get("set_number"), word(film, "view")
        if is_number(number) and is_number(sets) and number > sets >= 1:
            yield Fault(
                path=(*at, "film", n, "set_number"),
                what=f"set {number} is to be filmed of {sets} set(s); give a number up to {sets}",
            )
        if exercise is not None and view in PLANES and view not in planes:
            yield Fault(
                path=(*at, "film", n, "view"),
                what=f"{line.get('exercise')} has no {view} view; name one of: "
                + ", ".join(sorted(map(str, planes))),
            )
        if is_number(number):
            if (number, view) in seen:
                yield Fault(
                    path=(*at, "film", n), what="the same set and view twice; leave one out"
                )
            seen.add((number, view))


def _as_date(value: object) -> date | None:
    if isinstance(value, str):
        try:
            return date.fromisoformat(value)
        except ValueError:
            return None
    return value if type(value) is date else None

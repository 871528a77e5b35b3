"""What an exercise file must hold beyond types: the faults of its raw mapping."""

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, get_args

from formcheck.files.file_rules import (
    Fault,
    Path,
    bound_faults,
    did_you_mean,
    is_number,
    is_pair,
    items,
    measures_of,
    near_measure,
    neighbour_faults,
    tables,
    where_supported,
    word,
)
from formcheck.model.measures import MEASURES, PLANES, is_supported
from formcheck.model.programme import FEATURES, FIGURE_JOINTS, REQUIRED_FIGURE_JOINTS, Signal

HEIGHT_SIGNALS = frozenset({"heel_height", "hip_height", "shoulder_height"})
_HOLD_IN_BAND = ("hold_in_band_s", "hold_in_band_total_s", "hold_drift_deg_per_min")
_LEVEL = "plateau_level_deg"


def exercise_faults(data: Mapping[str, Any], catalogue_ids: Sequence[str]) -> tuple[Fault, ...]:
    """Every fault of an exercise file that its types do not show."""
    return tuple(
        fault
        for rule in (_id, _views, _kind, _bounds_of_exercise, _look_for, _dose, _words, _figure)
        for fault in rule(data)
    ) + tuple(_neighbours(data, catalogue_ids))


def _id(data: Mapping[str, Any]) -> Iterator[Fault]:
    name = word(data, "id")
    if isinstance(name, str) and not re.fullmatch(r"[a-z][a-z0-9_]{0,63}", name):
        yield Fault(
            path=("id",), what=f'"{name}" is no id; use small letters, digits and _, a letter first'
        )


def _views(data: Mapping[str, Any]) -> Iterator[Fault]:
    seen = set()
    for n, view in tables(data, "views"):
        at: Path = ("views", n)
        plane = word(view, "plane")
        if plane is not None and plane in seen:
            yield Fault(
                path=(*at, "plane"),
                what=f"the {plane} view is given twice; put its measures into one view",
            )
        seen.add(plane)
        yield from _least_range(view, at)
        yield from _view_measures(view, at, data)


def _least_range(view: Mapping[str, Any], at: Path) -> Iterator[Fault]:
    least = view.get("least_range")
    value = least.get("value") if isinstance(least, Mapping) else None
    signal = word(view, "driving_signal")
    if not is_number(value) or signal not in get_args(Signal):
        return
    unit, top = ("share", 1.5) if signal in HEIGHT_SIGNALS else ("deg", 150.0)
    if not 0 < value <= top:
        yield Fault(
            path=(*at, "least_range", "value"),
            what=f"{value:g} is no possible least range; give {unit} above 0, at most {top:g}",
        )


def _view_measures(view: Mapping[str, Any], at: Path, data: Mapping[str, Any]) -> Iterator[Fault]:
    plane, position = word(view, "plane"), word(data, "position")
    signal, seen = word(view, "driving_signal"), set()
    for n, key in enumerate(items(view, "measures")):
        if not isinstance(key, str):
            continue
        path = (*at, "measures", n)
        if key not in MEASURES:
            yield Fault(path=path, what=f'there is no measure "{key}"; {near_measure(key)}')
        elif key in seen:
            yield Fault(path=path, what=f"{key} is listed twice; leave one out")
        elif plane in PLANES and not is_supported(key, plane, str(position)):
            yield Fault(
                path=path,
                what=f"{key} cannot be measured from the {plane} view; "
                + where_supported(key, position),
            )
        elif signal in HEIGHT_SIGNALS and key in (*_HOLD_IN_BAND, _LEVEL, "range_deg"):
            instead = "range_share" if key == "range_deg" else "plateau_hold_s"
            yield Fault(
                path=path,
                what=f"{key} needs an angle, and {signal} drives this view; use {instead}",
            )
        elif signal in get_args(Signal) and signal not in HEIGHT_SIGNALS and key == "range_share":
            yield Fault(
                path=path,
                what=f"range_share needs a height, and {signal} drives this view; use range_deg",
            )
        seen.add(key)


def _kind(data: Mapping[str, Any]) -> Iterator[Fault]:
    parts = items(data, "parts")
    if word(data, "kind") == "sequence":
        if len(parts) < 2:
            path = ("parts",) if "parts" in data else ("kind",)
            yield Fault(
                path=path,
                what="a sequence needs parts; list two or more directions in their order, "
                'for instance parts = ["forward", "lateral"]',
            )
        elif len(set(map(str, parts))) < len(parts):
            yield Fault(path=("parts",), what="a part is listed twice; name each direction once")
    elif parts and word(data, "kind") in ("repetition", "hold"):
        yield Fault(
            path=("parts",),
            what='only a sequence has parts; leave them out, or write kind = "sequence"',
        )


def _bounds_of_exercise(data: Mapping[str, Any]) -> Iterator[Fault]:
    keys = measures_of(data)
    for n, bound in tables(data, "end_goal"):
        at: Path = ("end_goal", n)
        yield from bound_faults(bound, at, keys, "views")
        if not bound.get("source"):
            yield Fault(
                path=at,
                what="a threshold needs its source; add source = with a paper, a standard or "
                '"common practice"',
            )


def _look_for(data: Mapping[str, Any]) -> Iterator[Fault]:
    views: dict[object, set[str]] = {}
    for _, view in tables(data, "views"):
        views.setdefault(word(view, "plane"), set()).update(map(str, items(view, "measures")))
    seen = set()
    for n, look in tables(data, "look_for"):
        at: Path = ("look_for", n)
        code, plane, feature = word(look, "code"), word(look, "view"), word(look, "feature")
        if code is not None and code in seen:
            yield Fault(path=(*at, "code"), what=f'"{code}" is used twice; give another code')
        seen.add(code)
        if plane in PLANES and plane not in views:
            yield Fault(
                path=(*at, "view"),
                what=f"this exercise has no {plane} view; name one of: "
                + ", ".join(sorted(map(str, views))),
            )
        if not isinstance(feature, str):
            continue
        if feature not in FEATURES and feature not in MEASURES:
            mend = did_you_mean(feature, [*FEATURES, *MEASURES]) or "see FEATURES and MEASURES"
            yield Fault(
                path=(*at, "feature"), what=f'there is no feature or measure "{feature}"; {mend}'
            )
            continue
        if feature in MEASURES and feature not in views.get(plane, {feature}):
            yield Fault(
                path=(*at, "feature"),
                what=f"the {plane} view does not list {feature}; add it to that view's measures",
            )
        needs = _thresholds_of(feature)
        if needs and not any(is_number(look.get(side)) for side in needs):
            yield Fault(
                path=at, what=f"{feature} needs a value; add {' = or '.join(sorted(needs))} ="
            )


def _thresholds_of(feature: str) -> set[str]:
    if feature in MEASURES:
        return {"above", "below"}
    return {side for side in ("above", "below") if f"`{side}`" in FEATURES[feature]}


def _dose(data: Mapping[str, Any]) -> Iterator[Fault]:
    dose = data.get("usual_dose")
    if not isinstance(dose, Mapping):
        return
    if word(data, "kind") == "hold" and dose.get("hold_s") is None:
        yield Fault(
            path=("usual_dose",), what="a hold needs its time; add hold_s = with the seconds"
        )
    numbers = [k for k in ("sets", "repetitions", "hold_s", "rest_s") if dose.get(k) is not None]
    if numbers and not dose.get("source"):
        yield Fault(
            path=("usual_dose",),
            what='a dose needs its source; add source = with a paper or "common practice"',
        )


def _words(data: Mapping[str, Any]) -> Iterator[Fault]:
    if "cues" in data and isinstance(data["cues"], list) and not data["cues"]:
        yield Fault(path=("cues",), what="there are no cues; write at least one plain sentence")


def _figure(data: Mapping[str, Any]) -> Iterator[Fault]:
    figure = data.get("figure")
    if not isinstance(figure, Mapping):
        return
    planes = {word(view, "plane") for _, view in tables(data, "views")}
    if word(figure, "plane") in PLANES and planes and figure["plane"] not in planes:
        yield Fault(
            path=("figure", "plane"),
            what=f"this exercise has no {figure['plane']} view; name one of: "
            + ", ".join(sorted(map(str, planes))),
        )
    for name in ("rest", "turn"):
        pose = figure.get(name)
        if not isinstance(pose, Mapping):
            continue
        at: Path = ("figure", name)
        for joint in REQUIRED_FIGURE_JOINTS:
            if joint not in pose:
                yield Fault(path=at, what=f"the {joint} is missing; add {joint} = [x, y]")
        for joint, place in pose.items():
            if joint not in FIGURE_JOINTS:
                mend = did_you_mean(joint, FIGURE_JOINTS) or "see the other exercises"
                yield Fault(path=(*at, joint), what=f'there is no joint "{joint}"; {mend}')
            elif is_pair(place) and not all(0 <= v <= 100 for v in place):
                yield Fault(
                    path=(*at, joint), what="lies outside the box; keep x and y from 0 to 100"
                )


def _neighbours(data: Mapping[str, Any], catalogue_ids: Sequence[str]) -> Iterator[Fault]:
    for side in ("easier", "harder"):
        for n, name in enumerate(items(data, side)):
            if isinstance(name, str):
                yield from neighbour_faults(name, (side, n), word(data, "id"), catalogue_ids)

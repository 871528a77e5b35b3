"""The catalogue as text: a table of all, and one exercise in full."""

import textwrap
from collections.abc import Iterable, Sequence

from formcheck.model.measures import MEASURES
from formcheck.model.programme import Bound, Exercise, ExerciseView, LookFor
from formcheck.words import patient_words, wording
from formcheck.words.chair_test_words import chair_test_lines
from formcheck.words.figures import text_figure

_WIDTH = 88
SUPPORT_LEVELS = {
    1: "isometric or assisted, lying or sitting",
    2: "through range, lying or sitting",
    3: "both feet",
    4: "split stance",
    5: "single leg",
}
_LEGS = {
    "both": "both legs",
    "either": "the leg that is named or nearer",
    "stepping": "the leg that steps",
    "staying": "the leg that stays",
    "front": "the front leg",
    "on_step": "the leg on the step",
    "stance": "the standing leg",
    "top": "the top leg",
}


def catalogue_table(exercises: Iterable[Exercise]) -> str:
    """One exercise a line: id, support level, kind, views, name."""
    rows = [("id", "level", "kind", "views", "name")]
    rows += [
        (e.id, str(e.support_level), e.kind, ", ".join(v.plane for v in e.views), e.name)
        for e in exercises
    ]
    widths = [max(len(row[n]) for row in rows) for n in range(5)]
    return "".join(
        "  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() + "\n"
        for row in rows
    )


def exercise_page(exercise: Exercise, plane: str | None = None, is_unicode: bool = True) -> str:
    """Everything that an exercise file holds, in words, with the figure as characters."""
    e = exercise
    also = f" (also called {', '.join(e.also_called)})" if e.also_called else ""
    blocks = [
        f"{e.name}{also}\n{e.id}\n",
        _wrapped(e.summary),
        text_figure(e, plane, is_unicode),
        _facts(e),
        _list("Cues", e.cues),
        _list("Take care", patient_words.cautions(e)),
        _list("Usual end goal (shown, judged only when prescribed)", map(_goal, e.end_goal)),
        *(_view(v, e.look_for) for v in e.views),
        _list("A camera cannot tell", e.cannot_tell),
        _list("Published values of the chair tests", chair_test_lines(_measures(e))),
    ]
    return "\n".join(block for block in blocks if block)


def _facts(e: Exercise) -> str:
    facts = {
        "Position": " or ".join((e.position, *e.also_positions)).replace("_", " "),
        "Kind": e.kind + (f" of {', '.join(e.parts)}" if e.parts else ""),
        "Working leg": _LEGS[e.working_leg],
        "Support level": f"{e.support_level}, {SUPPORT_LEVELS[e.support_level]}",
        "Camera": e.camera,
        "Usual dose": f"{e.usual_dose.text} ({e.usual_dose.source})",
        "Easier": ", ".join(e.easier) or "none",
        "Harder": ", ".join(e.harder) or "none",
    }
    return "".join(
        textwrap.fill(
            value,
            _WIDTH,
            initial_indent=f"{name:<15}",
            subsequent_indent=" " * 15,
            break_long_words=False,
        )
        + "\n"
        for name, value in facts.items()
    )


def _measures(e: Exercise) -> set[str]:
    return {key for v in e.views for key in v.measures}


def _view(view: ExerciseView, look_for: Sequence[LookFor]) -> str:
    unit = _HEIGHTS.get(view.driving_signal, "deg")
    drives = f"{view.driving_signal} {view.direction}"
    if view.driving_leg == "other":
        drives += " (of the other leg)"
    text = f"From the {view.plane} view\n" + _wrapped(
        f"  Counted by: {drives}; an attempt needs {view.least_range.value:g} {unit} "
        f"({view.least_range.source})."
    )
    text += _wrapped("  Measured: " + ", ".join(view.measures) + ".")
    for look in look_for:
        if look.view == view.plane:
            text += _wrapped(f"  Looked for: {look.text} ({_condition(look)}; {look.source})")
    return text


_HEIGHTS = {
    "heel_height": "of foot length",
    "hip_height": "of leg length",
    "shoulder_height": "of leg length",
}


def _condition(look: LookFor) -> str:
    unit = f" {MEASURES[look.feature].unit}" if look.feature in MEASURES else ""
    sides = [
        f"{word} {value:g}{unit}"
        for word, value in (("above", look.above), ("below", look.below))
        if value is not None
    ]
    return " ".join([look.feature, *sides])


def _goal(goal: Bound) -> str:
    return f"{goal.measure}: {wording.bound_words(goal)} ({goal.source})"


def _list(title: str, lines: Iterable[str]) -> str:
    lines = tuple(lines)
    if not lines:
        return ""
    return f"{title}\n" + "".join(_wrapped(f"  - {line}", "    ") for line in lines)


def _wrapped(text: str, indent: str = "    ") -> str:
    inner = indent if text.startswith(" ") else ""
    return (
        textwrap.fill(
            text, _WIDTH, subsequent_indent=inner, break_long_words=False, break_on_hyphens=False
        )
        + "\n"
    )

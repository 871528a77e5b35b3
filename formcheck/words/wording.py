"""Numbers and outcomes in plain words: one wording for the page, the video and the terminal.

Nothing here decides anything. Angles are shown in whole degrees, times in tenths of a second,
shares in per cent: one decimal at most, as the intervals are wide (the files carry more).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from formcheck.model.measures import MEASURES
from formcheck.model.programme import Bound
from formcheck.model.records import AssessedRepetition, Check, Measured, NotMeasurable, Repetition
from formcheck.words.languages import figure, gettext, marked
from formcheck.words.readers import Reader
from formcheck.words.refusal_words import refusal_words

Shape = Literal["circle", "diamond", "half", "square", "triangle", "query", "dash", "ring"]
Tone = Literal["teal", "plum", "ochre", "rust", "slate"]
TONES: dict[Tone, tuple[int, int, int]] = {
    "teal": (11, 98, 90),
    "plum": (92, 62, 132),
    "ochre": (110, 80, 10),
    "rust": (150, 60, 12),
    "slate": (84, 94, 104),
}
"""Red, green and blue; each has a contrast of at least 4.5 to 1 with white (WCAG 2.2, 1.4.3)."""
_NAMES = {
    "hip_abduction_side_lying": "Side-lying leg raise",
    "quad_set": "Quadriceps setting",
    "rear_foot_elevated_split_squat": "Rear-foot-elevated split squat",
}
"""The catalogue's names that are not the ids in words (the catalogue lies above this layer)."""
_ONE_LEG = ("Single leg ", "Single-leg ")
MINUS = "\N{MINUS SIGN}"


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeWords:
    """How an outcome is told: in words, in a shape and in a colour, never by colour alone.

    `tone` names the colour (a class of a style sheet). `weight` orders outcomes for showing, what
    needs a look first.
    """

    name: str
    words: str
    shape: Shape
    tone: Tone
    weight: int

    @property
    def short(self) -> str:
        """The words where there is little room: in the video."""
        return "borderline" if self.name == "borderline" else self.words.split(":")[0]

    @property
    def colour(self) -> tuple[int, int, int]:
        return TONES[self.tone]


_WORDS = {
    (o.name, kind): o
    for kind, outcomes in {
        "target": (
            OutcomeWords(
                name="reached", words="target reached", shape="circle", tone="teal", weight=0
            ),
            OutcomeWords(
                name="not_reached",
                words="target not reached",
                shape="diamond",
                tone="plum",
                weight=4,
            ),
            OutcomeWords(
                name="borderline",
                words="within measuring error of the target",
                shape="half",
                tone="ochre",
                weight=3,
            ),
        ),
        "limit": (
            OutcomeWords(
                name="kept", words="within the limit", shape="square", tone="teal", weight=0
            ),
            OutcomeWords(
                name="passed", words="past the limit", shape="triangle", tone="rust", weight=6
            ),
            OutcomeWords(
                name="possibly_passed",
                words="possibly past the limit: check the video",
                shape="query",
                tone="rust",
                weight=5,
            ),
        ),
    }.items()
    for o in outcomes
}
_EITHER = {
    "not_visible": OutcomeWords(
        name="not_visible", words="not measured", shape="dash", tone="slate", weight=2
    ),
    "not_judged": OutcomeWords(
        name="not_judged", words="not judged", shape="ring", tone="slate", weight=1
    ),
}


def outcome_words(outcome: str, kind: str) -> OutcomeWords:
    """Words, shape and colour of an outcome of a target or a limit."""
    return _EITHER.get(outcome) or _WORDS[outcome, kind]


def check_words(check: Check) -> OutcomeWords:
    """Words, shape and colour of one check."""
    return outcome_words(check.outcome, check.kind)


def outcomes_in_order(repetition: AssessedRepetition) -> tuple[OutcomeWords, ...]:
    """Each distinct outcome of a repetition's checks once, what needs a look first."""
    found = {(c.outcome, c.kind): check_words(c) for c in repetition.checks}
    return tuple(sorted(found.values(), key=lambda o: -o.weight))


CUT_WITHIN_S = 0.4
"""An incomplete repetition that lies this near to an end of the clip is cut by it (common practice:
a repetition is not begun sooner after one)."""


def cut_words(repetition: Repetition, duration_s: float) -> str:
    """What cuts an incomplete repetition: an end of the clip, or the person lost from sight."""
    if repetition.start_s <= CUT_WITHIN_S:
        return "cut off by the clip's start"
    if repetition.end_s >= duration_s - CUT_WITHIN_S:
        return "cut off by the clip's end"
    return "not seen from start to end"


def known(value: Measured | NotMeasurable) -> Measured | NotMeasurable:
    """The value, or a missing one where a number or an end of its interval is not finite."""
    if isinstance(value, Measured) and not all(
        math.isfinite(x) for x in (value.value, value.low, value.high)
    ):
        return NotMeasurable(key=value.key, code="no_value")
    return value


def safe_cell(text: str) -> str:
    """A text for a table that a spreadsheet opens: one that it would run is defused."""
    return "'" + text if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text


def exercise_name(exercise: str) -> str:
    """An exercise's id as a heading: the catalogue's own name; of another file, the id in words."""
    words = exercise.replace("_", " ").strip()
    return _NAMES.get(exercise) or words.capitalize().replace(*_ONE_LEG) or "Exercise"


def label(key: str) -> str:
    """A measure's name in words."""
    return MEASURES[key].label


def dose_done(done: int, prescribed: int, noun: str = "repetition") -> str:
    """What was done of a dose, too much told as plainly as too little: `4 of 6 repetitions`,
    `8 repetitions, 2 more than the 6 prescribed`."""
    if done <= prescribed:
        return f"{done} of {prescribed} {noun if prescribed == 1 else f'{noun}s'}"
    return f"{done} {noun}s, {done - prescribed} more than the {prescribed} prescribed"


def in_a_line(key: str) -> str:
    """A measure's name within a sentence; an abbreviation keeps its capitals."""
    name = MEASURES[key].label
    return name if name[:2].isupper() else name[:1].lower() + name[1:]


def number(value: float, decimals: int = 0) -> str:
    """A number with a true minus sign and never a negative zero; a dash where missing."""
    if not math.isfinite(value):
        return "–"
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def _scale(unit: str) -> tuple[float, int, str]:
    """Factor, decimals and sign of a unit as shown; shares and ratios are shown in per cent."""
    return {
        "deg": (1.0, 0, "°"),
        "s": (1.0, 1, " s"),
        "cm": (1.0, 1, " cm"),
        "share": (100.0, 0, " %"),
        "deg/min": (1.0, 1, "° a minute"),
        "1": (100.0, 0, " %"),
    }[unit]


def shown(key: str) -> tuple[float, int, str]:
    """Factor, decimals and unit sign with which a measure is shown."""
    if key == "n_in_30_s":
        return 1.0, 0, ""
    return _scale(MEASURES[key].unit)


def unit_as_entered(key: str) -> str:
    """The unit in which a target or a limit of a measure is written, in words."""
    if key == "n_in_30_s":
        return "number"
    return {
        "deg": "degrees",
        "s": "seconds",
        "cm": "cm",
        "share": "a part of 1: 0.1 is 10 %",
        "deg/min": "degrees a minute",
        "1": "a part of 1: 0.1 is 10 %",
    }[MEASURES[key].unit]


def quantity(key: str, value: float) -> str:
    """A value of a measure as shown, with its unit: `88°`, `2.1 s`, `12 %`."""
    factor, decimals, sign = shown(key)
    return number(value * factor, decimals) + (sign if math.isfinite(value) else "")


def signal_quantity(unit: Literal["deg", "share"], value: float) -> str:
    """A value of the driving signal as shown."""
    factor, decimals, sign = _scale(unit)
    return number(value * factor, decimals) + (sign if math.isfinite(value) else "")


def around(key: str, value: float, low: float, high: float) -> str:
    """A 95 % interval as shown beside its value: `± 4°`, or `(5.4 s to 14.1 s)` where it lies
    unevenly about it."""
    below, above = plus_minus(key, value - low), plus_minus(key, high - value)
    return below if below == above else f"({quantity(key, low)} to {quantity(key, high)})"


def plus_minus(key: str, half_width: float) -> str:
    """A half-width of a measure as shown: `± 4°`."""
    factor, decimals, sign = shown(key)
    # A part of half a degree is a part all the same: one decimal below 2.
    decimals = max(decimals, 1) if half_width * factor < 2 else decimals
    return f"± {number(half_width * factor, decimals)}{sign}"


def _rounding_crosses(end: float, decimals: int, kind: str, bound: Bound, factor: float) -> bool:
    least, most = (edge * factor for edge in bound.band(kind))
    return (end >= least) != (round(end, decimals) >= least) or (end <= most) != (
        round(end, decimals) <= most
    )


def interval(measured: Measured, bounds: tuple[tuple[str, Bound], ...] = ()) -> tuple[str, str]:
    """A measure as shown and its 95 % interval: `("88°", "81 to 95")`.

    `bounds` are the (kind, bound) pairs in force. A decimal is shown where rounding alone would
    carry an end of the interval over a bound: a limit possibly passed must not look kept.
    """
    factor, decimals, sign = shown(measured.key)
    about = [(kind, b) for kind, b in bounds if b.measure == measured.key]
    for end in (measured.low * factor, measured.high * factor):
        if any(_rounding_crosses(end, decimals, kind, b, factor) for kind, b in about):
            decimals = max(decimals, 1)
    value, low, high = (
        number(x * factor, decimals) for x in (measured.value, measured.low, measured.high)
    )
    return value + sign, f"{low} to {high}"


def measure_words(value: Measured | NotMeasurable, reader: Reader) -> str:
    """A measure in one line: `88° (81 to 95)`, or why it could not be measured."""
    if isinstance(value, NotMeasurable):
        return f"not measured: {refusal_words(value, reader)}"
    shown_value, between = interval(value)
    return f"{shown_value} ({between})"


def _written(key: str, value: float) -> str:
    """A prescribed number as the clinician wrote it: `20 s`, `2.5°`; one decimal at most."""
    factor, _, sign = shown(key)
    return figure(number(value * factor, 1).removesuffix(".0")) + sign


def bound_words(bound: Bound, *, is_limit: bool = False) -> str:
    """A bound in words: `at least 60°`, `80° to 100°`, `90° ± 10°`; where a patient is told a
    limit, `no less than 60°`."""
    least, most = bound.at_least, bound.at_most
    key = bound.measure
    tolerance = f" ± {_written(key, bound.tolerance)}" if bound.tolerance else ""
    if least is not None and most is not None:
        if least == most:
            return _written(key, least) + tolerance
        within = gettext(
            "%(least)s to %(most)s", least=_written(key, least), most=_written(key, most)
        )
    elif least is not None:
        within = gettext(_NO_LESS if is_limit else _AT_LEAST, value=_written(key, least))
    else:
        within = gettext(_NO_MORE if is_limit else _AT_MOST, value=_written(key, most))
    if not tolerance:
        return within
    return gettext("%(bound)s (tolerance%(tolerance)s)", bound=within, tolerance=tolerance)


def ends_words(bound: Bound) -> str:
    """The ends of a bound alone: `90°`, `80° to 100°`."""
    ends = [_written(bound.measure, x) for x in (bound.at_least, bound.at_most) if x is not None]
    if len(set(ends)) == 1:
        return ends[0]
    return gettext("%(least)s to %(most)s", least=ends[0], most=ends[1])


_NO_LESS, _AT_LEAST = marked("no less than %(value)s"), marked("at least %(value)s")
_NO_MORE, _AT_MOST = marked("no more than %(value)s"), marked("at most %(value)s")


def view_words(plane: str, azimuth_deg: float | None) -> str:
    """The view, with how far the camera stood off it: "sagittal, 28° off"; oblique off the side."""
    if azimuth_deg is None or not math.isfinite(azimuth_deg):
        return plane
    from_front = abs((azimuth_deg + 180) % 360 - 180)
    off_deg = min(from_front, 180 - from_front) if plane == "frontal" else abs(from_front - 90)
    return f"{plane}, {off_deg:.0f}° off{' the side' if plane == 'oblique' else ''}"


def clock(seconds: float) -> str:
    """A moment of the clip: `12.3 s`, `2:03.4` from a minute on."""
    if not math.isfinite(seconds):
        return "–"
    if round(seconds, 1) < 60:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds, 1), 60)
    return f"{int(minutes)}:{rest:04.1f}"


def stretch(from_s: float | None, to_s: float | None) -> str:
    """A stretch of the clip: `3.1 to 4.0 s`, `from 3.1 s`, `the whole clip`."""
    if from_s is None and to_s is None:
        return "the whole clip"
    if to_s is None:
        return f"from {clock(from_s)}"
    if from_s is None:
        return f"until {clock(to_s)}"
    if round(to_s - from_s, 1) <= 0:
        return f"at {clock(from_s)}"
    if round(to_s, 1) < 60:
        return f"{from_s:.1f} to {to_s:.1f} s"
    return f"{clock(from_s)} to {clock(to_s)}"


def day_words(day: str | date | None) -> str:
    """A day as `3 March 2025`."""
    if not day:
        return "–"
    d = date.fromisoformat(str(day)[:10])
    return f"{d.day} {d:%B} {d.year}"


MOST_STRETCHES = 4


def stretches(pairs: Sequence[tuple[float | None, float | None]]) -> str:
    """Stretches of the clip; of many the first: `3.1 to 4.0 s, 5.2 to 6.1 s and 8 more`."""
    shown = [stretch(*pair) for pair in pairs]
    if len(shown) > MOST_STRETCHES:
        left_out = len(shown) - MOST_STRETCHES + 1
        return f"{', '.join(shown[:-left_out])} and {left_out} more"
    return ", ".join(shown)

"""Outcomes in sentences: a check of a repetition, a check of the set, why nothing was measured.

The set as a whole is told in `first_line`.
"""

from formcheck.model.measures import MEASURES
from formcheck.model.programme import Bound
from formcheck.model.records import AssessedRepetition, AssessedSet, Check, Measured, Outcome
from formcheck.words.languages import figure, gettext
from formcheck.words.readers import Reader
from formcheck.words.refusal_words import refusal_words
from formcheck.words.wording import check_words, in_a_line

_UNITS = {"deg": "°", "s": " s", "share": "", "cm": " cm", "deg/min": "°/min", "1": ""}
_PLAIN_UNITS = {**_UNITS, "deg": " deg", "deg/min": " deg/min"}


def _unit(key: str, reader: Reader) -> str:
    units = _PLAIN_UNITS if reader == "terminal" else _UNITS
    return units[MEASURES[key].unit]


def bound_text(bound: Bound, reader: Reader = "terminal") -> str:
    """The bound in words: "at least 60 deg", "80 to 100 deg", "at most 0 deg, give or take 10".

    In plain letters for a terminal and for tables that a program reads, with signs for others.
    """
    unit = _unit(bound.measure, reader)
    least, most = (
        None if end is None else figure(f"{end:zg}") for end in (bound.at_least, bound.at_most)
    )
    if least is None:
        told = gettext("at most %(value)s", value=most + unit)
    elif most is None:
        told = gettext("at least %(value)s", value=least + unit)
    elif bound.at_least == bound.at_most:
        told = least + unit
    else:
        told = gettext("%(least)s to %(most)s", least=least, most=most + unit)
    if not bound.tolerance:
        return told
    off = figure(f"{bound.tolerance:zg}")
    return gettext("%(bound)s, give or take %(off)s", bound=told, off=off)


def _number(x: float) -> str:
    return f"{x:.0f}" if abs(x) >= 10 else f"{x:.1f}" if abs(x) >= 1 else f"{x:.2f}"


def check_reason(check: Check, assessed: AssessedRepetition, reader: Reader) -> str:
    """What a check of a repetition was decided on: the measure as seen and what was wanted."""
    if not assessed.repetition.is_complete:
        return "not judged: this repetition is not whole in the clip"
    key = check.measure
    name = in_a_line(key)
    value = next((v for v in assessed.measures if v.key == key), None)
    if value is None:
        return f"{name}: not part of this repetition"
    if not isinstance(value, Measured):
        return f"{name}: {refusal_words(value, reader)}"
    unit = _unit(key, reader)
    wanted = "limit" if check.kind == "limit" else "wanted"
    low, seen, high = (_number(x) for x in (value.low, value.value, value.high))
    return f"{name} {seen}{unit} ({low} to {high}), {wanted} {bound_text(check.bound, reader)}"


def check_sentence(check: Check, assessed: AssessedRepetition, reader: Reader) -> str:
    """A check of a repetition in a sentence: what it came to, and what that was decided on."""
    reason = check_reason(check, assessed, reader)
    if check.outcome in ("not_judged", "not_visible"):
        return reason
    return f"{check_words(check).words}: {reason}"


def set_check_sentence(check: Check, whole: AssessedSet, reader: Reader) -> str:
    """A check of a measure of the whole set: `stands in 30 s 10, target at least 8: reached`."""
    key = check.measure
    name, unit = in_a_line(key), MEASURES[key].unit
    asked = f"{check.kind} {bound_text(check.bound, reader)}"
    mean = next((m.mean for m in whole.measures if m.key == key), None)
    if mean is None:
        return f"{name} not measured, {asked}"
    number = f"{mean:g}" if unit == "1" else _number(mean)
    return f"{name} {number}{_unit(key, reader)}, {asked}: {OUTCOMES_IN_A_LINE[check.outcome]}"


OUTCOMES_IN_A_LINE: dict[Outcome, str] = {
    "reached": "reached",
    "not_reached": "not reached",
    "borderline": "borderline",
    "kept": "kept",
    "passed": "passed",
    "possibly_passed": "possibly passed",
    "not_visible": "not measured",
    "not_judged": "left unjudged",
}
"""An outcome after its bound."""

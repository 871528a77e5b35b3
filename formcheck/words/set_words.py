"""Outcomes in sentences: a check of a repetition, a check of the set, the set as a whole."""

from formcheck.model.measures import MEASURES
from formcheck.model.programme import Bound
from formcheck.model.records import (
    AssessedRepetition,
    AssessedSet,
    Check,
    CheckKind,
    Measured,
    Outcome,
    Report,
)
from formcheck.words.finding_words import finding_words
from formcheck.words.readers import Reader
from formcheck.words.refusal_words import refusal_words
from formcheck.words.wording import check_words

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
    tolerance = f", give or take {bound.tolerance:zg}" if bound.tolerance else ""
    if bound.at_least is not None and bound.at_most is not None:
        if bound.at_least == bound.at_most:
            return f"{bound.at_least:zg}{unit}{tolerance}"
        return f"{bound.at_least:zg} to {bound.at_most:zg}{unit}{tolerance}"
    if bound.at_least is not None:
        return f"at least {bound.at_least:zg}{unit}{tolerance}"
    return f"at most {bound.at_most:zg}{unit}{tolerance}"


def _number(x: float) -> str:
    return f"{x:.0f}" if abs(x) >= 10 else f"{x:.1f}" if abs(x) >= 1 else f"{x:.2f}"


def check_reason(check: Check, assessed: AssessedRepetition, reader: Reader) -> str:
    """What a check of a repetition was decided on: the measure as seen and what was wanted."""
    if not assessed.repetition.is_complete:
        return "not judged: this repetition is not whole in the clip"
    key = check.measure
    name = MEASURES[key].label.lower()
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
    """A check of a measure of the whole set in a sentence."""
    key = check.measure
    name, unit = MEASURES[key].label.lower(), MEASURES[key].unit
    wanted = f"{'limit' if check.kind == 'limit' else 'wanted'} {bound_text(check.bound, reader)}"
    mean = next((m.mean for m in whole.measures if m.key == key), None)
    if mean is None:
        return f"not seen: {name}, {wanted}"
    number = f"{mean:g}" if unit == "1" else _number(mean)
    outcome = check_words(check).words
    return f"{outcome}: {name} {number}{_unit(key, reader)}, {wanted}"


def _plural(n: int, word: str) -> str:
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def why_not_measured(report: Report, reader: Reader) -> str:
    """Why a clip gives no set that is judged: what spoilt it, else the set's own sentence."""
    spoilt = next((f for f in report.findings if f.spoils == "clip"), None)
    if spoilt is None:
        return set_sentence(report, reader)
    return finding_words(spoilt, report.exercise_words, reader)


_TALLY_WORDS: tuple[tuple[CheckKind, Outcome, str], ...] = (
    ("target", "met", "target reached in {}"),
    ("target", "not_met", "target not reached in {}"),
    ("target", "undecided", "too close to call in {}"),
    ("limit", "passed", "past the limit in {}"),
    ("limit", "undecided", "may be past the limit in {}, please look"),
)


def set_sentence(report: Report, reader: Reader) -> str:
    """The set in a sentence: how many of what was planned, what they came to, what was unseen."""
    whole, facts, said = report.whole, report.whole.facts, report.exercise_words
    if not whole.n_repetitions and not facts.n_left_out:
        spoilt = next((f for f in report.findings if f.spoils == "clip"), None)
        why = f" {finding_words(spoilt, said, reader)}" if spoilt else ""
        return f"{said.name}: no {said.kind} was found.{why}"
    first = f"{said.name}: {_plural(whole.n_complete, f'complete {said.kind}')}"
    if whole.dose_prescribed:
        first += f" of {whole.dose_prescribed} planned"
    if facts.of_side:
        first += f" ({facts.of_side[0]} left, {facts.of_side[1]} right)"
    if whole.n_repetitions > whole.n_complete:
        n_more = whole.n_repetitions - whole.n_complete
        first += f", {n_more} more cut or unfinished in the clip"
    if facts.n_left_out:
        first += f", {facts.n_left_out} left out by the clinician"
    parts = [first]
    n_of = {(t.kind, t.outcome): t.n for t in facts.tallies}
    parts += [
        words.format(n_of[kind, outcome])
        for kind, outcome, words in _TALLY_WORDS
        if (kind, outcome) in n_of
    ]
    if facts.n_not_visible:
        parts.append(f"{_plural(facts.n_not_visible, 'check')} could not be seen")
    parts += [set_check_sentence(c, whole, reader) for c in whole.checks]
    if facts.longest_hold_s is not None:
        parts.append(f"longest hold {facts.longest_hold_s:.1f} s")
    if not facts.is_judged:
        parts.append("nobody set a target, so nothing is judged")
    return "; ".join(parts) + "."

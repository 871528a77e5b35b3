"""The first line of a set: what was seen, the best estimate first, in the words of the trade."""

from collections.abc import Sequence
from dataclasses import replace

from formcheck.model.measures import MEASURES
from formcheck.model.programme import Bound
from formcheck.model.records import (
    HeldAs,
    Measured,
    NotMeasurable,
    Observed,
    Report,
    SetDecision,
    ToldMeasure,
)
from formcheck.motion.set_facts import are_all_as_asked, stands_for_all
from formcheck.words import wording
from formcheck.words.finding_words import finding_words
from formcheck.words.patient_words import none_counted
from formcheck.words.readers import Reader
from formcheck.words.set_words import OUTCOMES_IN_A_LINE, set_check_sentence

_PELVIS = "pelvic_obliquity_peak_deg"
_OF_THE_KNEE = ("knee_flexion_peak_deg", "knee_flexion_least_deg", "plateau_level_deg")


def why_not_measured(report: Report, reader: Reader) -> str:
    """Why a clip gives no set that is judged: what spoilt it, else the set's own sentence."""
    spoilt = next((f for f in report.findings if f.spoils == "clip"), None)
    if spoilt is None and reader == "patient":
        # Cut off, left out by a clinician, or too small: true of each.
        return none_counted(report.exercise_words.kind)
    if spoilt is None:
        return set_sentence(report, reader)
    return finding_words(spoilt, report.exercise_words, reader)


def set_sentence(report: Report, reader: Reader) -> str:
    """The set in a sentence: how many of what was prescribed; each measure by its best estimate,
    with what was asked of it; what was observed; what of the prescription was not measured."""
    whole, facts, said = report.whole, report.whole.facts, report.exercise_words
    if not whole.n_repetitions and not facts.n_left_out:
        spoilt = next((f for f in report.findings if f.spoils == "clip"), None)
        why = f" {finding_words(spoilt, said, reader)}" if spoilt else ""
        if any(f.code == "timed_not_measured" for f in report.findings):
            return f"{said.name}: timed, not counted.{why}"
        return f"{said.name}: no {said.kind} was found.{why}"
    parts = [_count(report)]
    if facts.held is not None:
        parts.append(_held(facts.held, report, reader))
    parts += [_told(t, report, reader) for t in facts.told]
    parts += [set_check_sentence(c, whole, reader) for c in whole.checks]
    parts += observations(report, reader)
    if unseen := _not_measured(report):
        parts.append(unseen)
    if not facts.is_judged:
        parts.append("no target or limit prescribed")
    return "; ".join(parts) + "."


def _plural(n: int, word: str) -> str:
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def _count(report: Report) -> str:
    """The exercise with its side, and how many of those prescribed."""
    whole, facts, said = report.whole, report.whole.facts, report.exercise_words
    first = said.name if report.side == "both" else f"{said.name}, {report.side}"
    if whole.dose_prescribed:
        first += f": {wording.dose_done(whole.n_complete, whole.dose_prescribed, said.kind)}"
    else:
        first += f": {_plural(whole.n_complete, said.kind)}"
    if facts.of_side:
        first += f" ({facts.of_side[0]} left, {facts.of_side[1]} right)"
    if whole.n_repetitions > whole.n_complete:
        first += f", {whole.n_repetitions - whole.n_complete} more incomplete"
    if facts.n_left_out:
        first += f", {facts.n_left_out} left out by the clinician"
    return first


# Measures


def _degrees(text: str, reader: Reader) -> str:
    return text.replace("\N{DEGREE SIGN}", " deg") if reader == "terminal" else text


def estimate(value: Measured, reader: Reader) -> str:
    """A best estimate with the half-width of its 95 % interval: `84° (±8)`; with both ends where
    it lies unevenly about it: `5.8 s (5.4 to 14.1)`."""
    factor, decimals, _ = wording.shown(value.key)
    below, above, low, high = (
        wording.number(x * factor, decimals)
        for x in (value.value - value.low, value.high - value.value, value.low, value.high)
    )
    around = f"±{below}" if below == above else f"{low} to {high}"
    return _degrees(f"{wording.quantity(value.key, value.value)} ({around})", reader)


def _bound(bound: Bound, kind: str, reader: Reader) -> str:
    """A bound beside a value that tells its unit: `at least 60`, `80 to 100`; a limit `90`."""
    factor, _, sign = wording.shown(bound.measure)
    numbers = [
        wording.number(x * factor, 1).removesuffix(".0")
        for x in (bound.at_least, bound.at_most)
        if x is not None
    ]
    if len(numbers) == 2 and numbers[0] == numbers[1]:
        numbers = numbers[:1]
        words = numbers[0]
    elif len(numbers) == 2:
        words = " to ".join(numbers)
    elif bound.at_least is not None:
        words = f"at least {numbers[0]}"
    else:
        words = numbers[0] if kind == "limit" else f"at most {numbers[0]}"
    if bound.tolerance:
        words += f" ±{wording.number(bound.tolerance * factor, 1).removesuffix('.0')}"
    return words + ("" if sign == "\N{DEGREE SIGN}" else _degrees(sign, reader))


def _name(told: ToldMeasure, report: Report) -> str:
    """What the measure is called in the line; what goes down and up is told by how deep."""
    is_mean = told.n > 1 and _is_told_by_its_mean(told)
    if told.key == "knee_flexion_peak_deg" and _goes_down(report):
        if is_mean or told.n == 1:
            return "mean depth" if is_mean else "depth"
        # A limit to stay above has its furthest where the knee bends least.
        limits = [d.bound for d in told.decisions if d.kind == "limit"]
        one_sided = [b for b in limits if (b.at_least is None) != (b.at_most is None)]
        return "least deep" if one_sided and one_sided[0].at_most is None else "deepest"
    if told.key == _PELVIS and told.side != "both":
        way = "drop" if _told_value(told).value > 0 else "hike"
        return f"mean pelvic {way}" if is_mean else f"pelvic {way}"
    if is_mean and MEASURES[told.key].at != "tempo":
        return f"mean {_SHORT.get(told.key) or wording.in_a_line(told.key)}"
    if told.key == "thigh_inclination_deg" and told.n > 1 and not told.decisions:
        return f"lowest {wording.in_a_line(told.key)}"
    return _SHORT.get(told.key) or wording.in_a_line(told.key)


_SHORT = {"fppa_peak_deg": "largest FPPA", "knee_flexion_gain_deg": "extensor lag (from rest)"}


def _goes_down(report: Report) -> bool:
    """Whether the body goes down over the bending knee: then the thigh is measured too."""
    return any(m.key == "thigh_inclination_deg" for r in report.repetitions for m in r.measures)


def _told(told: ToldMeasure, report: Report, reader: Reader) -> str:
    side = told.side if told.side not in ("both", report.side) else ""
    if told.side == report.side and any(t.side != told.side for t in report.whole.facts.told):
        side = told.side
    of_whom = " ".join(word for word in (side, told.part or "") if word)
    head = f"{of_whom}: " if of_whom else ""
    value = _told_value(told)
    if told.key == _PELVIS and told.side != "both" and value.value < 0:
        value = replace(value, value=-value.value, low=-value.high, high=-value.low)
    words = f"{head}{_name(told, report)} {estimate(value, reader)}"
    decisions = "; ".join(_decision(d, told, reader) for d in told.decisions)
    return f"{words}, {decisions}" if decisions else words


def _told_value(told: ToldMeasure) -> Measured:
    return told.mean if _is_told_by_its_mean(told) else told.extreme


def _is_told_by_its_mean(told: ToldMeasure) -> bool:
    """A time, and what is asked to lie within a range, is told by its mean; else the furthest."""
    if any(d.kind == "limit" for d in told.decisions):
        return False
    return MEASURES[told.key].at == "tempo" or any(
        d.bound.at_least is not None and d.bound.at_most is not None for d in told.decisions
    )


def _decision(d: SetDecision, of: ToldMeasure, reader: Reader) -> str:
    """`target at least 60: reached in 6`, `limit 90: possibly passed in 1, check the video`."""
    head = f"{d.kind} {_bound(d.bound, d.kind, reader)}: "
    counts = [(outcome, len(numbers)) for outcome, numbers in d.numbers]
    n_all = sum(n for _, n in counts)
    if d.kind == "limit":
        told = [(o, n) for o, n in counts if o != "kept"]
        if not told:
            return f"{head}kept"
        words = [f"{OUTCOMES_IN_A_LINE[o]} in {n}" for o, n in told]
        if any(o == "possibly_passed" for o, _ in told):
            words.append("check the video")
        return head + ", ".join(words)
    words = ", ".join(f"{OUTCOMES_IN_A_LINE[o]} in {n}" for o, n in counts)
    if len(counts) == 1 and counts[0][0] == d.outcome:
        return head + words
    if n_all == 1:
        return head + OUTCOMES_IN_A_LINE[d.outcome]
    mean = "" if _is_told_by_its_mean(of) else f"mean {estimate(of.mean, reader)}; "
    return f"{head}{OUTCOMES_IN_A_LINE[d.outcome]} over the set ({mean}{words})"


# A hold


def _held(held: HeldAs, report: Report, reader: Reader) -> str:
    """`held 20.6 s at about 89°; asked 5 s at 70 to 80°: deeper and longer than prescribed`."""
    words = f"held {wording.quantity('plateau_hold_s', held.held.value)}"
    if held.n > 1:
        words += f" (longest of {held.n})"
    if held.level is not None:
        words += f" at about {_degrees(wording.quantity(held.level.key, held.level.value), reader)}"
    asked = []
    if held.asked_s is not None:
        asked.append(f"{held.asked_s:g} s")
    if held.asked_level is not None:
        angle = _bound(held.asked_level, "target", reader) + _degrees("\N{DEGREE SIGN}", reader)
        asked.append(f"at {angle}" if asked else f"an angle of {angle}")
    if not asked:
        return words
    off = _off(held, report)
    whole = [r for r in report.repetitions if r.repetition.is_complete]
    # Of several holds the rest may differ: what they came to follows.
    as_asked = "as prescribed" if are_all_as_asked(whole) else "the longest as prescribed"
    return f"{words}; asked {' '.join(asked)}: " + (
        f"{' and '.join(off)} than prescribed" if off else as_asked
    )


def _off(held: HeldAs, report: Report) -> list[str]:
    above, below = "larger", "smaller"
    if held.asked_level is not None and held.asked_level.measure in _OF_THE_KNEE:
        # Where the body does not go down over the knee, it is to be straight.
        above, below = (
            ("deeper", "less deep") if _goes_down(report) else ("less straight", "straighter")
        )
    words = []
    if held.level_is == "above":
        words.append(above)
    elif held.level_is == "below":
        words.append(below)
    if words and not held.is_level_sure:
        words[0] += " (borderline)"
    if held.time_is == "above":
        words.append("longer")
    elif held.time_is == "below":
        words.append("shorter")
    return words


# Remarks, and what was not measured


def repetitions_words(numbers: Sequence[int], n_all: int) -> str:
    """`in every repetition`, `in repetition 2`, `in repetitions 1, 4 to 6`."""
    if len(numbers) == n_all > 1:
        return "in every repetition"
    spans: list[list[int]] = []
    for n in sorted(numbers):
        if spans and n == spans[-1][1] + 1:
            spans[-1][1] = n
        else:
            spans.append([n, n])
    texts = [str(a) if a == b else f"{a}, {b}" if b == a + 1 else f"{a} to {b}" for a, b in spans]
    return f"in repetition{'' if len(numbers) == 1 else 's'} {', '.join(texts)}"


def observations(report: Report, reader: Reader) -> list[str]:
    """What was observed, with its size and repetitions: `knee moved inward in repetition 2`."""
    known = dict(report.exercise_words.remarks)
    return [_observed(o, report, reader) for o in report.whole.facts.observed if o.code in known]


def _observed(o: Observed, report: Report, reader: Reader) -> str:
    said = report.exercise_words.remark(o.code).rstrip(".")
    for start in ("The ", "You "):
        said = said.removeprefix(start)
    words = said[:1].lower() + said[1:]
    is_told = o.mean is not None and any(
        t.key == o.mean.key
        and (t.n == len(o.numbers) or estimate(t.extreme, reader) == estimate(o.mean, reader))
        for t in report.whole.facts.told
    )
    if o.mean is not None and not is_told:
        words += f", {estimate(o.mean, reader)},"
    if report.whole.facts.of_side and o.side != "both":
        words = f"{o.side}: {words}"
    return f"{words} {repetitions_words(o.numbers, report.whole.n_complete)}"


_FROM_HERE = {
    "view_not_fit",
    "leg_turned_away",
    "camera_off_front",
    "trunk_leans_off_front",
    "leg_out_of_picture",
    "hold_angle_not_seen",
}
"""Reasons that lie in where the camera stands to the person."""


def _not_measured(report: Report) -> str:
    """What was prescribed and not measured at all, by name, or without a prescription what the
    exercise is about; the page tells why, and the remedy."""
    seen = {m.key for r in report.repetitions for m in r.measures if isinstance(m, Measured)} | {
        m.key for m in report.whole.measures
    }
    why: dict[str, set[str]] = {}
    for r in report.repetitions:
        for m in r.measures:
            if isinstance(m, NotMeasurable) and m.key not in seen and r.repetition.is_complete:
                why.setdefault(m.key, set()).add(m.code)
    asked = [b.measure for _, b in report.bounds if MEASURES[b.measure].at != "set"]
    if not report.bounds:
        asked = [m.key for r in report.repetitions for m in r.measures if stands_for_all(m.key)][:1]
    keys = [key for key in dict.fromkeys(asked) if key in why]
    if not keys:
        return ""
    names = ", ".join(wording.in_a_line(key) for key in keys)
    is_the_camera = all(why[key] <= _FROM_HERE for key in keys)
    return f"not measured{' from this camera' if is_the_camera else ''}: {names}"

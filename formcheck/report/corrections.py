"""A clinician's corrections laid over what was found; what was found stays beside them.

Reports are the mappings of report.json. A repetition is named by its place in the report's list,
from 0, since a sequence gives several entries one number.
"""

import copy
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean, stdev
from typing import Any, Literal

from formcheck.model.errors import UsageError
from formcheck.model.measures import MEASURES
from formcheck.motion.assessment import complete_of_each_leg
from formcheck.motion.chair_tests import CHAIR_STAND_S

_OUTCOME_TEXT = {
    ("target", "met"): "target reached",
    ("target", "not_met"): "target not reached",
    ("target", "undecided"): "too close to call",
    ("limit", "kept"): "within the limit",
    ("limit", "passed"): "past the limit",
    ("limit", "undecided"): "may be past the limit, please look",
}


NOT_SEEN = "not seen: "
NOT_JUDGED = "nobody set a target, so nothing is judged"


def outcomes_of_set(text: str) -> tuple[tuple[str, str], ...]:
    """(kind, outcome) of each bound on a measure of the whole set, read off the set's sentence."""
    return tuple(
        kind_and_outcome
        for part in text.rstrip(".").split("; ")[1:]
        for kind_and_outcome, words in _OUTCOME_TEXT.items()
        if part.startswith(f"{words}: ")
    )


def _plural(n: int, word: str) -> str:
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


_WORST_FIRST = ("not_met", "passed", "undecided", "not_visible", "not_judged", "met", "kept")
"""What is not known of one bound keeps the repetition from being told as reached."""

KindAndOutcome = tuple[str, str]


def _outcome_by_kind(checks: Sequence[KindAndOutcome]) -> dict[str, str]:
    """Kind -> what a repetition's targets, or its limits, come to together: the worst outcome."""
    found: dict[str, str] = {}
    for kind, outcome in sorted(checks, key=lambda c: _WORST_FIRST.index(c[1])):
        found.setdefault(kind, outcome)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class SetFacts:
    """What the sentence about a set says.

    of_side : complete ones of the left and of the right leg; None where they are not told apart.
    checks : (kind, outcome) of every check, one tuple for each complete repetition.
    longest_hold_s : of a hold; None for other exercises. of_set : checks on measures of the whole
    set, in words. n_left_out : by a clinician.
    """

    name: str
    word: str
    n: int
    n_complete: int
    planned: int | None
    of_side: tuple[int, int] | None
    checks: tuple[tuple[KindAndOutcome, ...], ...]
    longest_hold_s: float | None
    of_set: tuple[str, ...]
    is_judged: bool
    n_left_out: int = 0


def set_sentence(f: SetFacts) -> str:
    """The set in a sentence: how many of what was planned, what they came to, what was unseen."""
    parts = [f"{f.name}: {_plural(f.n_complete, 'complete ' + f.word)}"]
    if f.planned:
        parts[0] += f" of {f.planned} planned"
    if f.of_side:
        parts[0] += f" ({f.of_side[0]} left, {f.of_side[1]} right)"
    if f.n > f.n_complete:
        parts[0] += f", {f.n - f.n_complete} more cut or unfinished in the clip"
    if f.n_left_out:
        parts[0] += f", {f.n_left_out} left out by the clinician"
    outcomes = [_outcome_by_kind(checks) for checks in f.checks]
    for kind, outcome, words in (
        ("target", "met", "target reached in {}"),
        ("target", "not_met", "target not reached in {}"),
        ("target", "undecided", "too close to call in {}"),
        ("limit", "passed", "past the limit in {}"),
        ("limit", "undecided", "may be past the limit in {}, please look"),
    ):
        k = sum(o.get(kind) == outcome for o in outcomes)
        if k:
            parts.append(words.format(k))
    hidden = sum(outcome == "not_visible" for checks in f.checks for _, outcome in checks)
    if hidden:
        parts.append(f"{_plural(hidden, 'check')} could not be seen")
    parts += f.of_set
    if f.longest_hold_s is not None:
        parts.append(f"longest hold {f.longest_hold_s:.1f} s")
    if not f.is_judged:
        parts.append(NOT_JUDGED)
    return "; ".join(parts) + "."


Kind = Literal["left out", "limits", "outcome", "comment"]
OUTCOMES = {
    "target": ("met", "not_met", "undecided", "not_judged"),
    "limit": ("kept", "passed", "undecided", "not_judged"),
}
"""What a clinician may say instead of what was found."""
LEAST_REPETITION_S = 0.2
"""Shortest stretch that limits may be moved to: six frames of a 30 Hz clip (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """One thing that a clinician changed or said, with reason, initials and moment.

    `repetition` is the place in the list, None for a comment on the set. `start_s` and `end_s`
    are moved limits; `measure`, `check_kind`, `outcome` an overruled outcome; `at_s` and `words`
    a comment.
    """

    kind: Kind
    repetition: int | None = None
    reason: str = ""
    start_s: float | None = None
    end_s: float | None = None
    measure: str = ""
    check_kind: str = ""
    outcome: str = ""
    at_s: float | None = None
    words: str = ""
    made_by: str = ""
    made_at: str = ""


def check_correction(correction: Correction, report: Mapping[str, Any]) -> None:
    """Raises UsageError when a correction does not fit the report."""
    repetitions = report["repetitions"]
    duration_s = float(report["clip"]["duration_s"] or 0)
    at = correction.repetition
    if correction.kind != "comment" and (at is None or not 0 <= at < len(repetitions)):
        raise UsageError("that repetition is not in this set")
    if correction.kind != "comment" and not correction.reason.strip():
        raise UsageError("write why")
    if len(correction.reason) > 500 or len(correction.words) > 2000:
        raise UsageError("that text is too long")
    if correction.kind == "comment":
        if not correction.words.strip():
            raise UsageError("write the comment")
        if correction.at_s is not None and not 0 <= correction.at_s <= duration_s + 1:
            raise UsageError("that moment is not in this clip")
    elif correction.kind == "limits":
        start, end = correction.start_s, correction.end_s
        if start is None or end is None or not (math.isfinite(start) and math.isfinite(end)):
            raise UsageError("give the start and the end in seconds")
        if not 0 <= start < end <= duration_s + 1 or end - start < LEAST_REPETITION_S:
            raise UsageError("the start comes before the end, both within the clip")
        for n, r in enumerate(repetitions):
            if n != at and start < r["end_s"] and end > r["start_s"]:
                raise UsageError(
                    f"that would overlap repetition {repetition_label(r)}, "
                    f"{r['start_s']:.1f} to {r['end_s']:.1f} s"
                )
    elif correction.kind == "outcome":
        checks = repetitions[at]["checks"]
        if not any(
            c["measure"] == correction.measure and c["kind"] == correction.check_kind
            for c in checks
        ):
            raise UsageError("nothing was judged there")
        if correction.outcome not in OUTCOMES[correction.check_kind]:
            raise UsageError("choose one of the outcomes offered")


def repetition_label(repetition: Mapping[str, Any]) -> str:
    """A repetition's name in a line: number and part."""
    return " ".join(str(p) for p in (repetition["number"], repetition["part"]) if p)


def corrected(report: Mapping[str, Any], corrections: Sequence[Correction]) -> dict[str, Any]:
    """The report with the corrections laid over it; the given one is left as it is.

    A repetition gains `left_out` (the reason, or None); a check `found` (the outcome that was
    overruled, or None) with `overruled_by` and `reason`. Left-out repetitions stay in the list
    and count nowhere. A later correction of the same thing replaces an earlier one. Counts,
    sentence and means follow; the symmetry is gone where a repetition was left out. Moved limits
    change nothing here: the repetitions are to be measured anew (`Request.moved_limits`).
    """
    out = copy.deepcopy(dict(report))
    for r in out["repetitions"]:
        r.setdefault("left_out", None)
        for check in r["checks"]:
            check.update(found=None, overruled_by="", reason="")
    for c in corrections:
        if c.repetition is None or c.repetition >= len(out["repetitions"]):
            continue
        r = out["repetitions"][c.repetition]
        if c.kind == "left out":
            r["left_out"] = {"reason": c.reason, "by": c.made_by, "at": c.made_at}
        elif c.kind == "outcome":
            for check in r["checks"]:
                if check["measure"] == c.measure and check["kind"] == c.check_kind:
                    check["found"] = check["found"] or check["outcome"]
                    check.update(outcome=c.outcome, overruled_by=c.made_by, reason=c.reason)
    if any(c.kind in ("left out", "outcome") for c in corrections):
        _recount(out)
    return out


def _recount(report: dict[str, Any]) -> None:
    """Brings the set of a report up to what is left out and overruled in its repetitions."""
    whole, repetitions = report["set"], report["repetitions"]
    kept = [r for r in repetitions if not r["left_out"]]
    groups: dict[int, list[dict]] = {}
    for r in kept:
        groups.setdefault(r["number"], []).append(r)
    complete = [n for n in _complete(repetitions, whole["n_complete"]) if n in groups]
    # A sequence with one of its parts left out is no whole sequence any more.
    complete = [n for n in complete if _parts(groups[n]) == _parts(repetitions)]
    whole["n_repetitions"], whole["n_complete"] = len(groups), len(complete)
    whole["n_met"] = sum(
        all(
            p["checks"] and all(c["outcome"] in ("met", "kept") for c in p["checks"])
            for p in groups[number]
        )
        for number in complete
    )
    whole["dose"] = {**whole["dose"], "done": len(complete)}
    if len(kept) < len(repetitions):
        whole["symmetry"] = None
        whole["measures"] = _means(kept) | _chair_tests(whole["measures"], repetitions)
    whole["text"] = _sentence(whole, repetitions, complete)


def _parts(repetitions: Sequence[Mapping]) -> set[str]:
    return {r["part"] for r in repetitions if r["part"]}


def _complete(repetitions: Sequence[Mapping], n_found: int) -> list[int]:
    """Numbers that were found complete: all that was done of them, and all that is to be done.

    Where any sequence is complete, the parts that were seen at all are those of the exercise.
    """
    numbers: dict[int, list[Mapping]] = {}
    for r in repetitions:
        numbers.setdefault(r["number"], []).append(r)
    every = _parts(repetitions)
    return [
        number
        for number, parts in numbers.items()
        if n_found and all(p["complete"] for p in parts) and _parts(parts) == every
    ]


def _means(kept: Sequence[Mapping]) -> dict[str, dict]:
    values: dict[str, list[float]] = {}
    movements: dict[str, set] = {}
    for r in kept:
        if r["complete"]:
            for key, measure in r["measures"].items():
                if "value" in measure:
                    values.setdefault(key, []).append(measure["value"])
                    movements.setdefault(key, set()).add((r["side"], r["part"]))
    return {
        key: {
            "mean": round(fmean(v), 3),
            # As in `summarise_measure`: how two legs differ is no scatter.
            "sd": round(stdev(v), 3) if len(v) > 1 and len(movements[key]) == 1 else None,
            "first": v[0],
            "last": v[-1],
        }
        for key, v in values.items()
    }


def _chair_tests(measures: Mapping[str, dict], repetitions: Sequence[Mapping]) -> dict[str, dict]:
    """The chair tests that hold although stands were left out: those that counted none of them."""
    from_s = min((r["start_s"] for r in repetitions if r["complete"]), default=math.inf)
    first_out_s = min(r["start_s"] for r in repetitions if r["left_out"])
    lasts_s = {"n_in_30_s": CHAIR_STAND_S}
    if "time_for_five_s" in measures:
        lasts_s["time_for_five_s"] = measures["time_for_five_s"]["mean"]
    return {
        key: measures[key]
        for key, test_s in lasts_s.items()
        if key in measures and first_out_s >= from_s + test_s
    }


_BEGINNING = re.compile(r"(?P<name>.*): \d+ complete (?P<word>hold|sequence|repetition)s?\b")


def _sentence(
    whole: Mapping[str, Any], repetitions: Sequence[Mapping], complete: Sequence[int]
) -> str:
    """The set's sentence, written anew; the exercise's name and word are those of the found one."""
    found = _BEGINNING.match(whole["text"])
    if found is None:
        return whole["text"]
    kept = [r for r in repetitions if not r["left_out"]]
    # What the set as a whole came to, of measures that are still there.
    names = [MEASURES[k].label.lower() for k in whole["measures"] if MEASURES[k].at == "set"]
    of_set = [
        part
        for part in whole["text"].rstrip(".").split("; ")[1:]
        if part.startswith(NOT_SEEN) or any(f": {name} " in part for name in names)
    ]
    legs = ((r["number"], r["side"]) for r in repetitions)
    held = [
        m["value"]
        for r in kept
        for key, m in r["measures"].items()
        if key == "plateau_hold_s" and "value" in m
    ]
    return set_sentence(
        SetFacts(
            name=found["name"],
            word=found["word"],
            n=whole["n_repetitions"],
            n_complete=whole["n_complete"],
            planned=whole["dose"]["prescribed"],
            of_side=complete_of_each_leg(legs, complete),
            checks=tuple(
                tuple((c["kind"], c["outcome"]) for c in r["checks"]) for r in kept if r["complete"]
            ),
            longest_hold_s=max(held) if found["word"] == "hold" and held else None,
            of_set=tuple(of_set),
            is_judged=NOT_JUDGED not in whole["text"],
            n_left_out=len(repetitions) - len(kept),
        )
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """How many repetitions of a set need what kind of look. Left-out ones are not counted; a bound
    on the set as a whole counts as one more. `n_open` : of the complete ones, those with a target
    too close to call or not seen, which nobody may take for reached."""

    n_not_met: int
    n_open: int
    n_passed: int
    n_doubtful: int


def counts(report: Mapping[str, Any]) -> Counts:
    """Repetitions with a target not reached or open, a limit passed, a limit perhaps passed."""
    kept = [r for r in report["repetitions"] if not r.get("left_out")]
    of_set = outcomes_of_set(report["set"]["text"])

    def n(kind: str, outcome: str) -> int:
        n_kept = sum(
            any(c["kind"] == kind and c["outcome"] == outcome for c in r["checks"]) for r in kept
        )
        return n_kept + of_set.count((kind, outcome))

    open_targets = {("target", "undecided"), ("target", "not_visible")}
    n_open = sum(
        any((c["kind"], c["outcome"]) in open_targets for c in r["checks"])
        for r in kept
        if r["complete"]
    )
    return Counts(
        n_not_met=n("target", "not_met"),
        n_open=n_open + sum(o in open_targets for o in of_set),
        n_passed=n("limit", "passed"),
        n_doubtful=n("limit", "undecided"),
    )


def set_means(report: Mapping[str, Any]) -> tuple[tuple[str, float, float, int], ...]:
    """(key, mean, half-width of its 95 % interval, repetitions) over the kept complete ones.

    The half-width is the mean of the repetitions' own: most of it is shared all through a clip
    (definition, camera), and what is shared does not shrink with more repetitions.
    """
    found: dict[str, list[tuple[float, float]]] = {}
    for r in report["repetitions"]:
        if r.get("left_out") or not r["complete"]:
            continue
        for key, m in r["measures"].items():
            if "value" in m:
                found.setdefault(key, []).append((m["value"], (m["high"] - m["low"]) / 2))
    return tuple(
        (key, fmean(v for v, _ in pairs), fmean(h for _, h in pairs), len(pairs))
        for key, pairs in found.items()
    )

"""A report as a few lines of text for the terminal."""

from formcheck.files.report_rounding import as_written
from formcheck.model.measures import MEASURES
from formcheck.model.records import Check, Measured, Report
from formcheck.words.finding_words import told_once
from formcheck.words.first_line import set_sentence
from formcheck.words.wording import check_words, cut_words, in_a_line, stretches


def set_lines(report: Report) -> list[str]:
    """The set in a sentence, a line a repetition with its first measures, and the findings that
    the sentence does not tell."""
    report = as_written(report)
    lines = [set_sentence(report, "terminal")]
    for r in report.repetitions:
        rep = r.repetition
        part = f" {rep.part}" if rep.part else ""
        values = [v for v in r.measures if isinstance(v, Measured)]
        values = [v for v in values if MEASURES[v.key].at != "tempo"][:2] or values[:2]
        shown = "; ".join(f"{in_a_line(v.key)} {_value(v)}" for v in values)
        shown = shown or "nothing could be measured"
        outcome = "; ".join(_outcome(c) for c in r.checks)
        cut = "" if rep.is_complete else f" ({cut_words(rep, report.clip.duration_s)})"
        lines.append(
            f"  {rep.number}{part} at {rep.turn_s:.1f} s{cut}: {shown}"
            + (f" - {outcome}" if outcome else "")
        )
    for told in told_once(report, "terminal"):
        if told.words in lines[0]:
            continue
        is_about_all = told.stretches_s == ((None, None),)
        when = "" if is_about_all else f" ({stretches(told.stretches_s)})"
        lines.append(f"Note: {told.words}{when}")
    return lines


def _outcome(check: Check) -> str:
    if check.outcome == "not_visible":
        return f"{in_a_line(check.measure)} not measured"
    if check.outcome == "not_judged":
        return "not judged"
    return check_words(check).words


def _value(v: Measured) -> str:
    unit = MEASURES[v.key].unit
    decimals = 2 if unit in ("share", "1") else 1
    low, value, high = (f"{x:.{decimals}f}" for x in (v.low, v.value, v.high))
    return f"{value} ({low} to {high})" + ("" if unit in ("share", "1") else f" {unit}")

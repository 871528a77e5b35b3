"""A report as a few lines of text for the terminal."""

from formcheck.measures import MEASURES
from formcheck.records import Measured, Report


def set_lines(report: Report) -> list[str]:
    """The set in a sentence, a line a repetition with its first measures, and the findings."""
    lines = [report.whole.text]
    for r in report.repetitions:
        rep = r.repetition
        part = f" {rep.part}" if rep.part else ""
        values = [v for v in r.measures if isinstance(v, Measured)][:2]
        shown = "; ".join(
            f"{MEASURES[v.key].label.lower()} {v.value:.3g} ({v.low:.3g} to {v.high:.3g})"
            f"{'' if MEASURES[v.key].unit in ('share', '1') else ' ' + MEASURES[v.key].unit}"
            for v in values
        )
        outcome = "; ".join(c.text.split(":")[0] for c in r.checks)
        cut = "" if rep.is_complete else " (cut by the clip)"
        lines.append(
            f"  {rep.number}{part} at {rep.turn_s:.1f} s{cut}: {shown}"
            + (f" - {outcome}" if outcome else "")
        )
    for f in report.findings:
        when = "" if f.from_s is None else f" ({f.from_s:.1f} to {f.to_s:.1f} s)"
        lines.append(f"Note: {f.text}{when}")
    return lines

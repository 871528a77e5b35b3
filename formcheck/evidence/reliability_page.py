"""reliability.html: a table and Bland and Altman's plots, complete by itself and printable."""

import html
import math
from collections.abc import Sequence

from formcheck.evidence.reliability import MeasureReliability
from formcheck.evidence.reliability_file import FEW_SUBJECTS
from formcheck.model.measures import MEASURES
from formcheck.report.page import asset
from formcheck.words import wording

WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 460, 260, 58, 88, 16, 40
_STYLE = """
body { margin: 0 auto; padding: 1rem clamp(.75rem, 3vw, 2rem) 3rem; max-width: 70rem;
  color: var(--ink); background: var(--paper);
  font: 1rem/1.5 system-ui, "Segoe UI", Roboto, "Liberation Sans", Arial, sans-serif;
  font-variant-numeric: tabular-nums; }
h1 { font-size: 1.6rem; margin: .4rem 0; } h2 { font-size: 1.2rem; color: var(--accent); }
p { max-width: 46rem; } .soft, figcaption { color: var(--soft); font-size: .9rem; }
.wide { overflow-x: auto; }
td { white-space: nowrap; }
table { border-collapse: collapse; margin: .5rem 0 1rem; font-size: .95rem; }
th, td { padding: .3rem .6rem; border-bottom: 1px solid var(--rule); text-align: right; }
th { font-weight: 600; vertical-align: bottom; }
th:first-child, td:first-child { text-align: left; }
.plots { display: flex; flex-wrap: wrap; gap: 1rem 2rem; }
figure { margin: 0; break-inside: avoid; max-width: 100%; } svg { max-width: 100%; height: auto; }
svg text { font-size: 12px; fill: var(--ink); } .axis { stroke: var(--soft); }
.mean { stroke: var(--accent); stroke-width: 2; }
.limit { stroke: var(--limit); stroke-width: 1.5; stroke-dasharray: 6 4; }
.zero { stroke: var(--rule); }
.dot { fill: var(--accent); fill-opacity: .75; stroke: var(--paper); }
@media print { body { padding: 0; max-width: none; } }
"""


INTRODUCTION = (
    "<p>Sessions of the same people on separate days, the camera set up anew, nothing changed in "
    "between: whether that was so, the recordings cannot tell. A later change counts as real only "
    "beyond the smallest detectable change (MDC95): error alone passes it 1 time in 20.</p>"
)


def reliability_html(found: Sequence[MeasureReliability]) -> str:
    """The page's text: a section an exercise, a row and a plot a measure."""
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>Test-retest reliability</title><style>{asset('theme.css')}{_STYLE}</style></head>",
        "<body><main>",
        "<h1>Test-retest reliability</h1>",
        INTRODUCTION,
    ]
    for exercise in dict.fromkeys(m.exercise for m in found):
        of_exercise = [m for m in found if m.exercise == exercise]
        parts.append(f"<h2>{html.escape(wording.exercise_name(exercise))}</h2>")
        parts.append(_table(of_exercise))
        plots = [_figure(m) for m in of_exercise if m.agreement is not None]
        if plots:
            parts.append(f'<div class="plots">{"".join(plots)}</div>')
    parts.append(
        '<p class="soft">ICC(2,1): two-way random, absolute agreement, single session (Shrout '
        "and Fleiss 1979), with its 95 % interval. SEM: SD of all values times "
        "sqrt(1 - ICC(2,1)); MDC95 = 1.96 sqrt(2) SEM (Weir 2005). Limits of agreement: mean "
        "difference and 1.96 SD (Bland and Altman 1986). The two legs of a patient count as two "
        "subjects, though they are not wholly independent.</p></main></body></html>\n"
    )
    return "\n".join(parts)


def _amount(key: str, value: float) -> str:
    """A value with one more decimal than a measure is shown with: errors are small."""
    factor, decimals, sign = wording.shown(key)
    return html.escape(wording.number(value * factor, decimals + 1) + sign)


def _table(measures: Sequence[MeasureReliability]) -> str:
    head = "".join(
        f'<th scope="col">{h}</th>'
        for h in (
            "Measure",
            "Legs",
            "Sessions",
            "ICC(2,1)",
            "95 % interval",
            "SEM",
            "MDC95",
            "Mean difference",
            "Limits of agreement",
        )
    )
    rows = []
    for m in measures:
        label = html.escape(MEASURES[m.measure].label)
        counts = f"<td>{len(m.subjects)}</td><td>{m.n_sessions or '-'}</td>"
        if m.icc is None:
            rows.append(
                f'<tr><th scope="row">{label}</th>{counts}<td colspan="6">not enough '
                "information: needs two legs with two sessions each</td></tr>"
            )
            continue
        a, r = m.agreement, m.repeatability
        few = " *" if len(m.subjects) < FEW_SUBJECTS else ""
        rows.append(
            f'<tr><th scope="row">{label}{few}</th>{counts}<td>{_icc(m.icc.value)}</td>'
            f"<td>{_icc(m.icc.low)} to {_icc(m.icc.high)}</td>"
            f"<td>{_amount(m.measure, r.sem)}</td><td>{_amount(m.measure, r.mdc95)}</td>"
            f"<td>{_amount(m.measure, a.mean)}</td>"
            f"<td>{_amount(m.measure, a.lower)} to {_amount(m.measure, a.upper)}</td></tr>"
        )
    few_note = (
        f'<p class="soft">* fewer than {FEW_SUBJECTS} legs: these figures are uncertain.</p>'
        if any(m.icc is not None and len(m.subjects) < FEW_SUBJECTS for m in measures)
        else ""
    )
    return (
        '<div class="wide" tabindex="0" role="group" aria-label="Table of measures">'
        f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody>"
        f"</table></div>{few_note}"
    )


def _icc(value: float) -> str:
    return "-" if not math.isfinite(value) else f"{value:.2f}"


def _ticks(low: float, high: float) -> list[float]:
    """About five round numbers within a range."""
    span = max(high - low, 1e-9)
    rough = span / 5
    power = 10 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= rough)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [k * step for k in range(first, last + 1)]


def _figure(m: MeasureReliability) -> str:
    """Bland and Altman's plot of the second session against the first, as inline SVG."""
    a, key = m.agreement, m.measure
    means = [(v[0] + v[1]) / 2 for v in m.values]
    differences = [v[1] - v[0] for v in m.values]
    x_low, x_high = _padded(means)
    y_low, y_high = _padded([*differences, a.lower, a.upper, 0.0])

    def x(value: float) -> float:
        return LEFT + (value - x_low) / (x_high - x_low) * (WIDTH - LEFT - RIGHT)

    def y(value: float) -> float:
        return HEIGHT - BOTTOM - (value - y_low) / (y_high - y_low) * (HEIGHT - TOP - BOTTOM)

    def level(value: float, name: str, text: str) -> str:
        place = f'x="{WIDTH - RIGHT + 5}" y="{y(value) + 4:.1f}"'
        words = f"<text {place}>{text}</text>" if text else ""
        return (
            f'<line class="{name}" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y(value):.1f}" '
            f'y2="{y(value):.1f}"/>{words}'
        )

    label = MEASURES[key].label
    shapes = [
        level(0.0, "zero", ""),
        level(a.mean, "mean", f"mean {_amount(key, a.mean)}"),
        level(a.lower, "limit", _amount(key, a.lower)),
        level(a.upper, "limit", _amount(key, a.upper)),
        f'<path class="axis" fill="none" d="M{LEFT} {TOP}V{HEIGHT - BOTTOM}H{WIDTH - RIGHT}"/>',
    ]
    for value in _ticks(x_low, x_high):
        shapes.append(
            f'<text x="{x(value):.1f}" y="{HEIGHT - BOTTOM + 16}" text-anchor="middle">'
            f"{_amount(key, value)}</text>"
        )
    for value in _ticks(y_low, y_high):
        shapes.append(
            f'<text x="{LEFT - 6}" y="{y(value) + 4:.1f}" text-anchor="end">'
            f"{_amount(key, value)}</text>"
        )
    for subject, mean, difference in zip(m.subjects, means, differences, strict=True):
        shapes.append(
            f'<circle class="dot" cx="{x(mean):.1f}" cy="{y(difference):.1f}" r="4.5">'
            f"<title>{html.escape(subject)}: {_amount(key, difference)}</title></circle>"
        )
    shapes.append(
        f'<text x="{(LEFT + WIDTH - RIGHT) / 2:.0f}" y="{HEIGHT - 6}" text-anchor="middle">'
        "mean of the two sessions</text>"
    )
    title = (
        f"{html.escape(label)}: second session minus first; mean {_amount(key, a.mean)}, limits "
        f"{_amount(key, a.lower)} to {_amount(key, a.upper)}"
    )
    return (
        f'<figure><svg viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" role="img" '
        f'aria-label="{title}">{"".join(shapes)}</svg>'
        f"<figcaption>{html.escape(label)}: second session minus first, over their mean."
        "</figcaption></figure>"
    )


def _padded(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    pad = 0.08 * (high - low) or max(abs(high) * 0.05, 0.5)
    return low - pad, high + pad

"""report.html: the report as one page that needs no network and prints well.

The page's words and numbers are chosen here, its layout is assets/report.html.j2; the style and
the small script are put inside the page, the script allowed by its hash (content security
policy), everything else escaped. Without the script every link still works.
"""

import base64
import hashlib
import json
import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib import resources
from urllib.parse import quote

from formcheck import wording
from formcheck.measures import MEASURES
from formcheck.programme import Bound
from formcheck.records import (
    Analysis,
    AssessedRepetition,
    Check,
    Measured,
    NotMeasurable,
    Report,
    SetMeasure,
)
from formcheck.report import report_mapping
from formcheck.report_charts import camera_plan, css_colour, plane_words, trace_chart

TEMPO = ("lowering_s", "pause_s", "raising_s")
_TEMPO_WORDS = {"lowering_s": "lowering", "pause_s": "pause", "raising_s": "raising"}
COLUMNS_OF_A_TABLE = 5
"""A4 upright holds five columns of values with their intervals (common practice)."""
MOST_HEADLINES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """An outcome with its words, its shape and its colour."""

    words: str
    shape: str
    colour: str
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A table cell: a value with its interval, or a dash with the reason; outcomes under it."""

    value: str = ""
    between: str = ""
    reason: str = ""
    chips: tuple[Chip, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column of measures: heading, what was prescribed, the definition."""

    key: str
    label: str
    bounds: tuple[str, ...] = ()
    definition: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One repetition of a table."""

    label: str
    id: str
    from_s: float
    to_s: float
    moment: str
    note: str
    cells: tuple[Cell, ...]
    tempo: str = ""
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class IntervalParts:
    """How the interval of one measure is built, at one repetition."""

    label: str
    repetition: str
    value: str
    between: str
    parts: tuple[tuple[str, str, str, str], ...]


def _chip(check: Check) -> Chip:
    words = wording.check_words(check)
    return Chip(
        words=words.words, shape=words.shape, colour=css_colour(words.colour), text=check.text
    )


def _repetition_label(assessed: AssessedRepetition, sides_differ: bool) -> str:
    r = assessed.repetition
    parts = [str(r.number), r.part or "", r.side if sides_differ else ""]
    return " ".join(p for p in parts if p)


def _columns_of(repetitions: Iterable[AssessedRepetition]) -> list[str]:
    return list(dict.fromkeys(m.key for r in repetitions for m in r.measures))


def _is_measured_somewhere(key: str, repetitions: Iterable[AssessedRepetition]) -> bool:
    return any(
        m.key == key and isinstance(wording.known(m), Measured)
        for r in repetitions
        for m in r.measures
    )


def headline_keys(analysis: Analysis) -> list[str]:
    """Measures of the first table: those that were judged, else what the exercise is about."""
    report = analysis.report
    present = _columns_of(report.repetitions)
    judged = dict.fromkeys(c.measure for r in report.repetitions for c in r.checks)
    if judged:
        return list(judged)
    seen = [k for k in present if _is_measured_somewhere(k, report.repetitions)]
    return [k for k in seen if MEASURES[k].at != "tempo"][:MOST_HEADLINES] or seen[:1]


def _bounds_of(key: str, analysis: Analysis) -> tuple[tuple[str, Bound], ...]:
    return tuple((kind, b) for kind, b in analysis.bounds if b.measure == key)


def _column(key: str, analysis: Analysis) -> Column:
    written = [f"{kind}: {wording.bound_words(b)}" for kind, b in _bounds_of(key, analysis)]
    if not written:  # judged by a rule of the exercise or the prescription, not by a Bound
        written = [
            f"{c.kind}: {c.bound}"
            for r in analysis.report.repetitions
            for c in r.checks
            if c.measure == key
        ]
    return Column(
        key=key,
        label=wording.label(key),
        bounds=tuple(dict.fromkeys(written)),
        definition=MEASURES[key].definition,
    )


def _cell(key: str, assessed: AssessedRepetition, analysis: Analysis) -> Cell:
    value = next((wording.known(m) for m in assessed.measures if m.key == key), None)
    checks = [c for c in assessed.checks if c.measure == key]
    chips = tuple(_chip(c) for c in checks)
    if isinstance(value, Measured):
        shown, between = wording.interval(value, _bounds_of(key, analysis))
        return Cell(value=shown, between=between, chips=chips)
    reason = value.reason if isinstance(value, NotMeasurable) else "not part of this repetition"
    return Cell(reason=reason, chips=chips)


def _tempo_order(present: list[str]) -> list[str]:
    """The tempo's measures in the order in which they happen (raising first in some)."""
    return [k for k in present if k in TEMPO]


def _tempo(assessed: AssessedRepetition, order: list[str]) -> str:
    values = {m.key: wording.known(m) for m in assessed.measures}
    texts = [
        wording.number(values[k].value, 1) if isinstance(values.get(k), Measured) else "–"
        for k in order
    ]
    return " · ".join(texts) if set(texts) != {"–"} else "–"


def _note(assessed: AssessedRepetition, report: Report) -> str:
    r = assessed.repetition
    if r.is_complete:
        return ""
    middle = report.clip.duration_s / 2
    end = "start" if (r.start_s + r.end_s) / 2 < middle else "end"
    return f"cut off by the clip's {end}; listed, not judged"


def _row(
    i: int, assessed: AssessedRepetition, keys: list[str], order: list[str], analysis: Analysis
) -> Row:
    r, report = assessed.repetition, analysis.report
    sides_differ = len({a.repetition.side for a in report.repetitions}) > 1
    return Row(
        label=_repetition_label(assessed, sides_differ),
        id=f"rep-{i + 1}",
        from_s=round(max(r.start_s, 0.0), 3),
        to_s=round(r.end_s, 3),
        moment=wording.stretch(r.start_s, r.end_s),
        note=_note(assessed, report),
        cells=tuple(_cell(k, assessed, analysis) for k in keys),
        tempo=_tempo(assessed, order),
        remarks=tuple(f"{m.text} (at {wording.clock(m.at_s)})" for m in assessed.remarks),
    )


def _numbers(labels: list[str], n_all: int) -> str:
    """Repetitions in words: `all repetitions`, `repetitions 1 to 4, 7`."""
    if len(labels) == n_all:
        return "all repetitions" if n_all > 1 else "the repetition"
    if not all(label.isdigit() for label in labels):
        return "repetitions " + ", ".join(labels)
    numbers, spans = [int(n) for n in labels], []
    for n in numbers:
        if spans and n == spans[-1][1] + 1:
            spans[-1][1] = n
        else:
            spans.append([n, n])
    words = ", ".join(str(a) if a == b else f"{a} to {b}" for a, b in spans)
    return f"repetition{'' if len(numbers) == 1 else 's'} {words}"


def not_measured(report: Report) -> list[tuple[str, list[tuple[str, str]]]]:
    """What could not be measured, grouped by reason: (reason, [(measure, repetitions)])."""
    sides_differ = len({a.repetition.side for a in report.repetitions}) > 1
    groups: dict[str, dict[str, list[str]]] = {}
    for assessed in report.repetitions:
        for m in map(wording.known, assessed.measures):
            if isinstance(m, NotMeasurable):
                label = _repetition_label(assessed, sides_differ)
                groups.setdefault(m.reason, {}).setdefault(m.key, []).append(label)
    n = len(report.repetitions)
    return [
        (reason, [(wording.label(k), _numbers(labels, n)) for k, labels in keys.items()])
        for reason, keys in groups.items()
    ]


def _widest(key: str, repetitions: Iterable[AssessedRepetition]) -> tuple | None:
    """The repetition with the widest interval of a measure: the most careful example."""
    found = [
        (m, assessed)
        for assessed in repetitions
        for m in map(wording.known, assessed.measures)
        if m.key == key and isinstance(m, Measured) and m.parts
    ]
    return max(found, key=lambda pair: pair[0].high - pair[0].low) if found else None


def interval_parts(analysis: Analysis) -> list[IntervalParts]:
    """For each measure the named parts of its widest interval."""
    report = analysis.report
    sides_differ = len({a.repetition.side for a in report.repetitions}) > 1
    built = []
    headline = headline_keys(analysis)
    for key in [*headline, *(k for k in _columns_of(report.repetitions) if k not in headline)]:
        widest = _widest(key, report.repetitions)
        if widest is None:
            continue
        value, assessed = widest
        shown, between = wording.interval(value)
        kinds = {"shared": "the same all through the clip", "own": "new in each repetition"}
        built.append(
            IntervalParts(
                label=wording.label(key),
                repetition=_repetition_label(assessed, sides_differ),
                value=shown,
                between=between,
                parts=tuple(
                    (p.name, wording.plus_minus(key, 1.96 * p.standard), kinds[p.kind], p.source)
                    for p in value.parts
                ),
            )
        )
    return built


def _set_row(m: SetMeasure) -> tuple[str, ...]:
    change = ""
    if m.change_over_set is not None and isinstance(wording.known(m.change_over_set), Measured):
        shown, between = wording.interval(m.change_over_set)
        change = f"{shown} ({between})"
    sd = (
        wording.plus_minus(m.key, m.sd)
        if m.sd is not None and math.isfinite(m.sd)
        else "–"
    )  # fmt: skip
    return (
        wording.label(m.key),
        wording.quantity(m.key, m.mean),
        sd,
        wording.quantity(m.key, m.first),
        wording.quantity(m.key, m.last),
        change or "–",
    )


def _symmetry_rows(report: Report) -> list[tuple[str, str, str]]:
    rows = []
    for s in report.whole.symmetry or ():
        value = wording.known(s.value)
        if isinstance(value, NotMeasurable):
            rows.append((wording.label(s.key), f"not measured: {value.reason}", s.involved))
        elif s.kind == "index":
            low, high = wording.number(value.low), wording.number(value.high)
            text = f"{wording.number(value.value)} % of the other leg ({low} to {high})"
            rows.append((wording.label(s.key), text, s.involved))
        else:
            shown, between = wording.interval(value)
            rows.append((wording.label(s.key), f"{shown} more ({between})", s.involved))
    return rows


_SPOILS = {
    "nothing": "",
    "stretch": "Not measured in this stretch.",
    "clip": "Because of this the clip could not be measured.",
}


def _findings(report: Report) -> list[tuple[str, str, str]]:
    return [(f.text, wording.stretch(f.from_s, f.to_s), _SPOILS[f.spoils]) for f in report.findings]


def _when(created_at: str) -> str:
    try:
        when = datetime.fromisoformat(created_at)
    except ValueError:
        return created_at
    zone = f" {when.tzname()}" if when.tzinfo else ""
    return f"{when.day} {when:%B %Y, %H:%M}{zone}"


def _side_words(report: Report) -> str:
    return {"left": "left leg", "right": "right leg", "both": "both legs"}[report.side]


def _facts(report: Report) -> list[tuple[str, str]]:
    clip, context, view, pain = report.clip, report.context, report.view, report.context.pain
    chosen = " (no side was given: the leg nearer the camera was taken)"
    facts = [
        ("Exercise", wording.exercise_name(report.exercise)),
        ("Side", _side_words(report) + (chosen if report.side_was_chosen else "")),
        ("Filmed", plane_words(view.plane)),
        ("Clip", f"{clip.file}, {wording.clock(clip.duration_s)}"),
        ("Measured on", _when(report.created_at)),
    ]
    whole = report.whole
    if whole.dose_prescribed is not None:
        facts.append(("Repetitions", f"{whole.dose_done} of {whole.dose_prescribed} prescribed"))
    if clip.is_mirrored:
        facts.append(("Mirrored", "the recording is mirrored; left and right were exchanged"))
    if clip.n_frames_lost:
        facts.append(("Frames lost", f"{clip.n_frames_lost} frames could not be read"))
    for name, value, unit in (
        ("Load", context.load_kg, " kg"),
        ("Step height", context.step_height_cm, " cm"),
        ("Seat height", context.seat_height_cm, " cm"),
        ("Stature", context.stature_cm, " cm"),
    ):
        if value is not None:
            facts.append((name, f"{value:g}{unit}"))
    if context.support:
        facts.append(("Support", context.support))
    if context.effort is not None:
        facts.append(("Effort, as stated", f"{context.effort} of 10"))
    scores = (("before", pain.before), ("during", pain.during), ("after", pain.after))
    stated = [f"{when} {score}" for when, score in scores if score is not None]
    if stated:
        facts.append(("Pain, as stated (0 to 10)", ", ".join(stated)))
    return facts


def _provenance(report: Report) -> list[tuple[str, str]]:
    mapping = report_mapping(report)
    origin, clip = mapping["provenance"], mapping["clip"]
    picture = (
        f"{clip['width_px']} × {clip['height_px']} px, turned by {clip['rotation_deg']}°, "
        f"{clip['n_frames']} frames"
    )
    rows = [
        ("formcheck", origin["version"]),
        ("Pose model", f"{origin['pose_model']['name']}, {origin['pose_model']['sha256']}"),
        ("Clip sha256", clip["sha256"]),
        ("Picture", picture),
        ("Prescription sha256", origin["prescription_sha256"] or "none"),
    ]
    for key, value in origin["settings"].items():
        text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
        rows.append((key, text))
    return rows


@cache
def asset(name: str) -> str:
    """The text of a file of the package's assets."""
    return resources.files("formcheck").joinpath("assets", name).read_text(encoding="utf-8")


@cache
def _template():
    import jinja2

    environment = jinja2.Environment(
        autoescape=True,
        loader=jinja2.FunctionLoader(asset),
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
        keep_trailing_newline=True,
    )
    return environment.get_template("report.html.j2")


def content_security_policy(script: str) -> str:
    """The page's policy: nothing from elsewhere, and no script but the page's own."""
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return (
        "default-src 'none'; style-src 'unsafe-inline'; "
        f"script-src 'sha256-{digest}'; media-src 'self' file:; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )


def render_html(analysis: Analysis, video_name: str | None = None) -> str:
    """The page's text; `video_name` is the file name of the video beside it, if there is one."""
    report = analysis.report
    present = _columns_of(report.repetitions)
    headline = headline_keys(analysis)
    order = _tempo_order(present)
    others = [
        k
        for k in present
        if k not in headline and k not in order and _is_measured_somewhere(k, report.repetitions)
    ]
    groups = [others[i : i + COLUMNS_OF_A_TABLE] for i in range(0, len(others), COLUMNS_OF_A_TABLE)]

    def rows(keys):
        return [_row(i, a, keys, order, analysis) for i, a in enumerate(report.repetitions)]

    seen = {c.words: c for r in report.repetitions for c in map(_chip, r.checks)}
    script = asset("report.js")
    return _template().render(
        report=report,
        exercise=wording.exercise_name(report.exercise),
        side=_side_words(report),
        filmed=plane_words(report.view.plane),
        when=_when(report.created_at),
        csp=content_security_policy(script),
        style=asset("report.css"),
        script=script,
        video=quote(video_name) if video_name else None,
        chart=trace_chart(analysis),
        columns=[_column(k, analysis) for k in headline],
        rows=rows(headline),
        tempo=", ".join(_TEMPO_WORDS[k] for k in order),
        has_remarks=any(r.remarks for r in report.repetitions),
        tables=[([_column(k, analysis) for k in keys], rows(keys)) for keys in groups],
        legend=list(seen.values()),
        is_judged=bool(seen),
        set_rows=[_set_row(m) for m in report.whole.measures],
        symmetry=_symmetry_rows(report),
        not_measured=not_measured(report),
        findings=_findings(report),
        parts=interval_parts(analysis),
        plan=camera_plan(report.view),
        facts=_facts(report),
        provenance=_provenance(report),
    )

"""report.html: the report as one page that needs no network and prints well.

The page's words and numbers are chosen here, its layout is assets/report.html.j2; the style and
the small script are put inside the page, the script allowed by its hash (content security
policy), everything else escaped. Without the script every link still works.
"""

import base64
import hashlib
import json
from datetime import datetime
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING
from urllib.parse import quote

from formcheck.files.report_entries import settings_mapping
from formcheck.files.report_rounding import as_written
from formcheck.model.records import Report, Trace
from formcheck.report.charts import camera_plan, plane_words, trace_chart
from formcheck.report.tables import (
    TEMPO_WORDS,
    column,
    columns_of,
    headline_keys,
    interval_parts,
    is_measured_somewhere,
    not_measured,
    other_tables,
    repetition_row,
    set_rows,
    symmetry_rows,
    tempo_order,
)
from formcheck.words import wording
from formcheck.words.chair_test_words import chair_test_lines
from formcheck.words.finding_words import told_once
from formcheck.words.first_line import set_sentence

if TYPE_CHECKING:  # a heavy package, imported when the page is asked for
    from jinja2 import Template

_SPOILS = {
    "nothing": "",
    "stretch": "Not measured there.",
    "clip": "Because of this the clip could not be measured.",
}


def _findings(report: Report) -> list[tuple[str, str, str]]:
    return [
        (told.words, wording.stretches(told.stretches_s), _SPOILS[told.spoils])
        for told in told_once(report, "clinician")
    ]


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
    chosen = " (no side was given)"
    if report.side != "both":
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
        done, prescribed = whole.dose_done, whole.dose_prescribed
        told = (
            wording.dose_done(done, prescribed)
            if done > prescribed
            else (f"{done} of {prescribed} prescribed")
        )
        facts.append(("Dose", told))
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
    clip = report.clip
    picture = (
        f"{clip.width_px} × {clip.height_px} px, turned by {clip.rotation_deg}°, "
        f"{clip.n_frames} frames"
    )
    rows = [
        ("formcheck", report.version),
        ("Pose model", f"{report.source.model}, {report.source.sha256}"),
        ("Clip sha256", clip.sha256),
        ("Picture", picture),
        ("Prescription sha256", report.prescription_sha256 or "none"),
    ]
    for key, value in settings_mapping(report).items():
        text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
        rows.append((key, text))
    return rows


@cache
def asset(name: str) -> str:
    """The text of a file of the package's assets."""
    return resources.files("formcheck").joinpath("assets", name).read_text(encoding="utf-8")


@cache
def _template() -> "Template":
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


def render_html(report: Report, trace: Trace, video_name: str | None = None) -> str:
    """The page's text; `video_name` is the file name of the video beside it, if there is one."""
    report = as_written(report)
    present = columns_of(report.repetitions)
    headline = headline_keys(report)
    order = tempo_order(present)
    others = [
        k
        for k in present
        if k not in headline and k not in order and is_measured_somewhere(k, report.repetitions)
    ]
    others.sort(key=lambda k: k == "rest_s")
    rows = [repetition_row(i, a, headline, order, report) for i, a in enumerate(report.repetitions)]
    script = asset("report.js")
    return _template().render(
        report=report,
        exercise=wording.exercise_name(report.exercise),
        side=_side_words(report),
        filmed=plane_words(report.view.plane),
        when=_when(report.created_at),
        csp=content_security_policy(script),
        style=asset("theme.css") + asset("report.css"),
        script=script,
        video=quote(video_name) if video_name else None,
        chart=trace_chart(report, trace),
        columns=[column(k, report) for k in headline],
        rows=rows,
        tempo=", ".join(TEMPO_WORDS[k] for k in order),
        has_remarks=any(r.remarks for r in report.repetitions),
        tables=other_tables(report, others),
        is_judged=bool(report.bounds),
        set_rows=set_rows(report, headline),
        chair_tests=chair_test_lines({m.key for m in report.whole.measures}),
        symmetry=symmetry_rows(report),
        not_measured=not_measured(report),
        findings=_findings(report),
        sentence=set_sentence(report, "clinician"),
        parts=interval_parts(report),
        plan=camera_plan(report.view),
        facts=_facts(report),
        provenance=_provenance(report),
    )

import csv
import html
import json
import math
import re
from dataclasses import replace
from html.parser import HTMLParser
from importlib import resources

import jsonschema
import pytest
from builders import (
    DEFAULT_BOUNDS,
    VIEW,
    Motion,
    build_analysis,
    build_clip,
    build_repetitions,
    build_report,
    measured,
)
from told import why

from formcheck.files.report_file import read_report, report_json, report_mapping, write_report
from formcheck.files.report_schema import report_json_schema
from formcheck.model.measures import MEASURES
from formcheck.model.programme import Bound
from formcheck.model.records import Finding, NotMeasurable, Remark, SetMeasure, Symmetry
from formcheck.report.charts import MAX_POINTS, camera_plan, trace_chart
from formcheck.report.files import csv_rows, write_csv, write_html
from formcheck.report.page import content_security_policy, render_html
from formcheck.report.tables import not_measured

SCHEMA = json.loads(
    resources.files("formcheck").joinpath("assets/schemas/report.json").read_text("utf-8")
)
REPORT = build_report()
NO_PERSON = Finding(code="person_mostly_absent", spoils="clip")


def page_of(analysis):
    return analysis.report, analysis.trace


def unusable():
    """An analysis of a clip that shows nobody."""
    made = build_analysis(
        Motion(n_repetitions=0),
        is_usable=False,
        findings=(NO_PERSON,),
        view=replace(
            VIEW,
            plane="unknown",
            azimuth_deg=math.nan,
            azimuth_low_deg=math.nan,
            azimuth_high_deg=math.nan,
            near_side=None,
            person_height_px=math.nan,
            facing_x=0,
        ),
    )
    nothing = replace(made.trace, value=made.trace.value * math.nan)
    return replace(made, trace=nothing)


def validate(report):
    mapping = json.loads(report_json(report))
    jsonschema.Draft202012Validator(SCHEMA).validate(mapping)
    return mapping


# report.json


def test_the_shipped_schema_is_a_valid_one_and_knows_every_measure():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$defs"]["key"]["enum"] == list(MEASURES)
    assert report_json_schema() == SCHEMA


def test_the_mapping_has_exactly_the_keys_of_the_vocabulary():
    mapping = report_mapping(REPORT)
    first = mapping["repetitions"][0]

    def keys(of):
        return " ".join(of)

    assert keys(mapping) == (
        "schema created_at provenance clip exercise exercise_words side context bounds view "
        "quality repetitions set"
    )
    assert keys(mapping["provenance"]) == (
        "version pose_model settings prescription_sha256 interval_parts"
    )
    assert keys(mapping["clip"]) == (
        "file sha256 duration_s n_frames width_px height_px rotation_deg n_frames_lost mirrored "
        "frame_rate_hz time_base first_stamp capture_rate_hz quantizer"
    )
    assert keys(mapping["quality"]["findings"][0]) == "code values from_s to_s spoils"
    assert keys(first) == (
        "number side part start_s turn_s end_s turn_from_s turn_to_s complete measures checks "
        "findings leg other_leg"
    )
    assert keys(first["measures"]["knee_flexion_peak_deg"]) == "value low high at_s parts"
    assert keys(first["measures"]["knee_over_toe_share"]) == "not_measurable values"
    assert keys(first["checks"][0]) == "kind measure at_least at_most tolerance source outcome"
    assert keys(mapping["set"]) == (
        "n_repetitions n_complete n_met dose measures symmetry checks facts"
    )
    assert keys(mapping["set"]["measures"]["knee_flexion_peak_deg"]) == "mean sd first last change"


def test_no_sentence_of_ours_stands_in_the_file():
    def texts(of):
        if isinstance(of, dict):
            return [t for value in of.values() for t in texts(value)]
        if isinstance(of, list | tuple):
            return [t for value in of for t in texts(value)]
        return [of] if isinstance(of, str) else []

    mapping = report_mapping(unusable().report) | {"quality": report_mapping(REPORT)["quality"]}
    kept = {k: v for k, v in mapping.items() if k not in ("provenance", "exercise_words")}
    assert [t for t in texts(kept) if len(t.split()) > 2] == []


@pytest.mark.parametrize("n", [0, 1, 5, 60])
def test_a_report_of_any_length_meets_the_schema(n):
    assert len(validate(build_report(Motion(n_repetitions=n)))["repetitions"]) == n


def test_an_unusable_clip_meets_the_schema_with_null_for_what_is_unknown():
    mapping = validate(unusable().report)
    assert mapping["view"]["azimuth_deg"] == {"value": None, "low": None, "high": None}
    assert mapping["quality"]["usable"] is False


def test_a_value_that_is_not_finite_becomes_not_measurable_never_nan():
    odd = replace(
        REPORT.repetitions[0], measures=(measured("knee_flexion_peak_deg", math.nan, 5.0),)
    )
    report = replace(REPORT, repetitions=(odd,), settings=(("cut_off_hz", math.nan),))
    mapping = validate(report)
    assert "NaN" not in report_json(report)
    assert mapping["repetitions"][0]["measures"]["knee_flexion_peak_deg"] == {
        "not_measurable": "no_value",
        "values": {},
    }
    assert mapping["provenance"]["settings"]["cut_off_hz"] is None


def test_settings_are_echoed_with_whether_the_side_was_chosen():
    settings = report_mapping(REPORT)["provenance"]["settings"]
    assert settings["low_pass_hz"] == 6.0
    assert settings["side_was_chosen"] is True


def test_numbers_are_rounded_by_their_unit_and_no_zero_is_negative():
    values = (
        measured("knee_flexion_peak_deg", 88.12345, 6.0),
        measured("lowering_s", 1.23456, 0.1),
        measured("knee_over_toe_share", -0.00001, 0.05),
    )
    report = replace(REPORT, repetitions=(replace(REPORT.repetitions[0], measures=values),))
    measures = report_mapping(report)["repetitions"][0]["measures"]
    assert measures["knee_flexion_peak_deg"]["value"] == 88.12
    assert measures["lowering_s"]["value"] == 1.235
    assert str(measures["knee_over_toe_share"]["value"]) == "0.0"


def test_symmetry_carries_its_kind_and_its_interval_or_the_reason():
    symmetry = (
        Symmetry(
            key="plateau_hold_s",
            kind="index",
            involved="left",
            value=measured("plateau_hold_s", 87.654, 5.0),
        ),
        Symmetry(
            key="thigh_inclination_deg",
            kind="difference",
            involved="left",
            value=NotMeasurable(
                key="thigh_inclination_deg", code="other_leg_too_small", values=(("side", "right"),)
            ),
        ),
    )
    mapping = validate(replace(REPORT, whole=replace(REPORT.whole, symmetry=symmetry)))
    assert mapping["set"]["symmetry"]["plateau_hold_s"] == {
        "kind": "index",
        "involved": "left",
        "value": 87.7,
        "low": 82.7,
        "high": 92.7,
        "at_s": None,
        "parts": [],
    }
    refused = mapping["set"]["symmetry"]["thigh_inclination_deg"]
    assert refused["not_measurable"] == "other_leg_too_small"
    assert refused["values"] == {"side": "right"}


def test_the_same_report_gives_the_same_bytes(tmp_path):
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        write_report(build_report(), tmp_path / name / "report.json")
        write_csv(build_report(), tmp_path / name / "reps.csv")
        write_html(*page_of(build_analysis()), tmp_path / name / "report.html", "annotated.mp4")
    for file in ("report.json", "reps.csv", "report.html"):
        first, second = ((tmp_path / d / file).read_bytes() for d in "ab")
        assert first == second
        assert first.endswith(b"\n")


def test_a_file_name_that_is_no_text_is_still_written(tmp_path):
    clip = build_clip(file="caf\udce9 \U0001f4f9.mp4")
    write_report(build_report(clip=clip), tmp_path / "report.json")
    write_html(*page_of(build_analysis(clip=clip)), tmp_path / "report.html")
    assert read_report(tmp_path / "report.json").clip.file == "caf? \U0001f4f9.mp4"


# reps.csv


def test_the_table_has_a_row_a_repetition_and_columns_with_units(tmp_path):
    write_csv(REPORT, tmp_path / "reps.csv")
    with (tmp_path / "reps.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [r["number"] for r in rows] == ["1", "2", "3", "4", "5"]
    assert float(rows[0]["knee_flexion_peak_deg"]) == 90.0
    assert float(rows[0]["knee_flexion_peak_deg_low"]) == 83.6
    assert float(rows[0]["knee_flexion_peak_deg_high"]) == 96.4
    assert rows[0]["knee_over_toe_share"] == ""
    assert "the leg was hidden" in rows[0]["knee_over_toe_share_not_measurable"]
    assert rows[0]["knee_flexion_peak_deg_target"] == "at least 80 deg"
    assert [r["knee_flexion_peak_deg_target_outcome"] for r in rows] == [
        "reached",
        "reached",
        "reached",
        "borderline",
        "borderline",
    ]


def test_the_table_of_no_repetitions_still_has_its_header(tmp_path):
    write_csv(build_report(Motion(n_repetitions=0)), tmp_path / "reps.csv")
    assert (tmp_path / "reps.csv").read_text("utf-8").startswith("number,side,part,start_s")


def test_repetitions_with_different_measures_share_one_set_of_columns():
    first, second = REPORT.repetitions[:2]
    fewer = replace(second, measures=second.measures[:1], checks=())
    rows = csv_rows(replace(REPORT, repetitions=(first, fewer)))
    assert list(rows[0]) == list(rows[1])


def test_two_targets_on_one_measure_keep_their_own_columns():
    bounds = (*DEFAULT_BOUNDS[:1], ("target", Bound(measure="knee_flexion_peak_deg", at_most=95)))
    row = csv_rows(build_report(bounds=bounds))[0]
    assert row["knee_flexion_peak_deg_target"] == "at least 80 deg"
    assert row["knee_flexion_peak_deg_target_2"] == "at most 95 deg"


def test_a_text_that_a_spreadsheet_would_run_is_defused():
    remark = Remark(code="x", at_s=1.0)
    said = replace(REPORT.exercise_words, remarks=(("x", "=1+1"),))
    repetition = replace(REPORT.repetitions[0], remarks=(remark,))
    report = replace(REPORT, repetitions=(repetition,), exercise_words=said)
    assert csv_rows(report)[0]["findings"].startswith("'=1+1")


# report.html


class Page(HTMLParser):
    """Tags with their attributes, and the text, of a page."""

    VOID = frozenset({"meta", "br", "hr", "img", "link", "input", "source"})

    def __init__(self, text):
        super().__init__()
        self.tags, self.words, self._open = [], [], []
        self.feed(text)
        assert self._open == [], "tags left open"

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self._open.pop() == tag

    def handle_data(self, data):
        if not self._open or self._open[-1] not in ("style", "script"):
            self.words.append(data)

    def all(self, name, **attributes):
        return [
            a
            for tag, a in self.tags
            if tag == name and all(a.get(k) == v for k, v in attributes.items())
        ]

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


def page(analysis, video="annotated.mp4"):
    return Page(render_html(*page_of(analysis), video))


@pytest.mark.parametrize("n", [1, 5, 60])
def test_every_repetition_stands_in_the_table_and_in_the_chart(n):
    shown = page(build_analysis(Motion(n_repetitions=n, peak_change_deg=-0.1)))
    assert len([a for a in shown.all("tr") if a.get("id", "").startswith("rep-")]) == n
    assert [a["data-rep"] for a in shown.all("rect") if "data-rep" in a] == [
        str(i + 1) for i in range(n)
    ]
    assert len(shown.all("a", **{"class": "play"})) == n


def test_the_page_asks_nothing_of_any_network():
    text = render_html(*page_of(build_analysis()), "annotated.mp4")
    assert not re.search(r"https?://|//[a-z]|@import|url\(", text)
    links = [a.get("href") or a.get("src") for _, a in Page(text).tags]
    outside = [x for x in links if x and not x.startswith(("#", "annotated.mp4"))]
    assert outside == []
    assert "default-src &#39;none&#39;" in text


def test_hostile_words_are_shown_as_words():
    evil = '<script>alert(1)</script>"><img src=x onerror=alert(1)>'
    analysis = build_analysis(
        clip=build_clip(file=evil),
        findings=(Finding(code="as_written", values=(("text", evil),), from_s=0.0, to_s=1.0),),
        exercise_words=replace(REPORT.exercise_words, name=evil, remarks=(("x", evil),)),
        repetitions=(
            replace(
                REPORT.repetitions[0],
                remarks=(Remark(code="x", at_s=1.0),),
                measures=(
                    NotMeasurable(
                        key="knee_flexion_peak_deg", code="as_written", values=(("text", evil),)
                    ),
                ),
                checks=(),
            ),
        ),
    )
    text = render_html(*page_of(analysis), 'a"><script>alert(1)</script>.mp4')
    shown = Page(text)
    assert len(shown.all("script")) == 1
    assert shown.all("img") == []
    assert "alert(1)" in shown.text
    assert html.escape("<script>") in text


def test_only_the_pages_own_script_may_run():
    text = render_html(*page_of(build_analysis()), "annotated.mp4")
    script = re.search(r"<script>(.*)</script>", text, re.S)[1]
    policy = Page(text).all("meta", **{"http-equiv": "Content-Security-Policy"})[0]["content"]
    assert policy == content_security_policy(script)
    assert "script-src 'sha256-" in policy
    assert not re.search(r"\son\w+=", text)


def test_without_a_script_a_repetition_is_a_link_to_its_moment():
    repetition = build_analysis().report.repetitions[2].repetition
    links = page(build_analysis(), "annotated video.mp4").all("a", **{"class": "play"})
    start, end = round(repetition.start_s, 3), round(repetition.end_s, 3)
    assert links[2]["href"] == f"annotated%20video.mp4#t={start},{end}"


def test_without_a_video_there_is_no_player_and_no_dead_link():
    shown = page(build_analysis(), None)
    assert shown.all("video") == []
    assert shown.all("a") == []


def test_an_outcome_is_told_in_words_and_shape_beside_its_colour():
    shown = page(build_analysis())
    assert "target reached" in shown.text
    assert "within measuring error" in shown.text
    assert "within the limit" in shown.text
    chips = [a for a in shown.all("span") if a.get("class", "").startswith("chip")]
    assert len(chips) == 10


def test_values_carry_their_interval_and_one_decimal_at_most():
    text = page(build_analysis()).text
    assert "90° (84 to 96)" in text
    assert not re.search(r"\d\.\d\d+°", text)


def test_an_undecided_value_never_looks_decided_by_rounding():
    motion = Motion(n_repetitions=1, peak_deg=86.0)  # 79.6 to 92.4 against at least 80
    assert "86.0° (79.6 to 92.4)" in page(build_analysis(motion)).text


def test_a_set_without_a_target_is_measured_and_not_judged():
    shown = page(build_analysis(bounds=()))
    assert "No target or limit was prescribed" in shown.text
    assert "target reached" not in shown.text
    assert "90° (84 to 96)" in shown.text


def test_a_clip_that_cannot_be_measured_says_so_and_why():
    shown = page(unusable(), None)
    assert "This clip could not be measured" in shown.text
    assert "only a small part of the clip" in shown.text
    assert "No repetition was found" in shown.text
    assert "We couldn't tell where the camera stood" in shown.text


def test_what_was_not_measured_is_grouped_by_its_reason():
    some = [
        replace(r, measures=(NotMeasurable(key="knee_flexion_peak_deg", code="repetition_cut"),))
        if i in (1, 2, 4)
        else r
        for i, r in enumerate(REPORT.repetitions)
    ]
    groups = dict(not_measured(replace(REPORT, repetitions=tuple(some))))
    assert groups[why(NotMeasurable(key="", code="repetition_cut"))] == [
        ("Largest knee flexion", "repetitions 2 to 3, 5")
    ]


def test_a_repetition_cut_off_by_the_clip_is_listed_and_not_judged():
    last = REPORT.repetitions[4].repetition
    for end_s, words in (
        (REPORT.clip.duration_s, "cut off by the clip's end"),
        (last.end_s, "not seen from start to end"),
    ):
        cut = replace(
            REPORT.repetitions[4],
            checks=(),
            repetition=replace(last, is_complete=False, end_s=end_s),
        )
        analysis = build_analysis(repetitions=(*REPORT.repetitions[:4], cut))
        assert f"{words}; listed, not judged" in page(analysis).text


def test_the_page_holds_the_cautions_and_no_grade():
    text = page(build_analysis()).text
    assert "Not a medical device" in text
    assert "Stop on sharp or rising pain" in text
    assert not re.search(r"\b(score|grade|streak|badge|fault|bad|poor)\b", text, re.I)


def test_the_page_names_its_language_title_and_headings():
    shown = page(build_analysis())
    assert shown.all("html")[0]["lang"] == "en"
    levels = [int(tag[1]) for tag, _ in shown.tags if tag in ("h1", "h2", "h3")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all("scope" in a for a in shown.all("th"))
    assert all(a.get("aria-label") for a in shown.all("svg") if a.get("role") == "img")


def test_named_parts_of_an_interval_are_shown_shared_and_own_apart():
    text = page(build_analysis()).text
    assert "landmark offset and definition ± 6° the same all through the clip" in text
    assert "landmark noise ± 1.4° new in each repetition" in text


def test_a_sequence_and_both_sides_are_named_on_the_page():
    made = build_repetitions(Motion(n_repetitions=2))
    parts = [
        replace(r, repetition=replace(r.repetition, part=part, side=side))
        for r, part, side in zip(made, ("forward", "lateral"), ("left", "right"), strict=True)
    ]
    text = page(build_analysis(repetitions=tuple(parts))).text
    assert "1 forward left" in text
    assert "2 lateral right" in text


def test_set_measures_without_spread_show_a_dash():
    whole = replace(
        REPORT.whole,
        measures=(SetMeasure(key="range_deg", mean=80.0, sd=None, first=80.0, last=80.0),),
    )
    assert "Range of movement, angle 80° – 80° 80° –" in page(build_analysis(whole=whole)).text


def test_the_page_puts_the_published_values_beside_a_chair_test_and_judges_nothing_by_them():
    five = SetMeasure(key="time_for_five_s", mean=13.2, sd=None, first=13.2, last=13.2)
    text = render_html(
        *page_of(build_analysis(whole=replace(REPORT.whole, measures=(five,)))), None
    )
    assert "60 to 69: 11.4 s" in text
    assert "nothing here is judged by them" in text
    assert "Stands in 30 s: the test" not in text
    assert "judged by them" not in render_html(*page_of(build_analysis()), None)


def test_a_single_repetition_has_no_table_of_the_set():
    shown = page(build_analysis(Motion(n_repetitions=1)))
    assert "Over the set" not in shown.text


@pytest.mark.parametrize(("n", "corner"), [(1, "Measure"), (3, "Measure"), (4, "Rep")])
def test_few_repetitions_stand_side_by_side(n, corner):
    text = render_html(*page_of(build_analysis(Motion(n_repetitions=n))), None)
    assert f'Table of other measures, 1">\n<table>\n<thead><tr><th scope="col">{corner}' in text


def test_the_rest_after_the_last_repetition_is_not_missed():
    def rest(i):
        return NotMeasurable(key="rest_s", code="leg_hidden" if i < 4 else "last_repetition")

    made = [replace(r, measures=(rest(i),)) for i, r in enumerate(REPORT.repetitions)]
    assert not_measured(replace(REPORT, repetitions=tuple(made))) == [
        (why(rest(0)), [("Rest after", "repetitions 1 to 4")])
    ]


# The pictures' geometry


def test_the_trace_is_thinned_without_losing_its_peaks():
    motion = Motion(n_repetitions=60, peak_change_deg=0.0)
    chart = trace_chart(*page_of(build_analysis(motion)))
    points = [p.split(",") for line in chart.lines for p in line.split()]
    assert len(points) <= 1.1 * MAX_POINTS
    span = [float(y) for _, y in points]
    top = min(span)
    assert sum(abs(y - top) < 5 for y in span) >= 60


def test_a_stretch_without_a_signal_is_a_gap_not_a_line():
    made = build_analysis()
    value = made.trace.value.copy()
    value[90:150] = math.nan
    chart = trace_chart(*page_of(replace(made, trace=replace(made.trace, value=value))))
    assert len(chart.lines) == 2
    assert chart.gaps == (
        (
            pytest.approx(100 * 89 / 30 / 17.8, abs=0.01),
            pytest.approx(100 * 61 / 30 / 17.8, abs=0.01),
            "not measured, 3.0 to 5.0 s",
        ),
    )


def test_only_bounds_on_the_lines_own_measure_are_drawn():
    chart = trace_chart(*page_of(build_analysis()))
    assert [b.text for b in chart.bounds] == ["target: at least 80°"]
    assert chart.undrawn == ("Trunk inclination, limit at most 45°",)


def test_a_trace_with_no_samples_at_all_still_gives_a_chart():
    chart = trace_chart(*page_of(unusable()))
    assert chart.lines == ()
    assert len(chart.gaps) == 1


@pytest.mark.parametrize(
    ("azimuth", "x", "y", "words"),
    [
        (0.0, 100, 22, "in front of the person, about 0° off straight ahead"),
        (90.0, 22, 100, "at the person's left side, about 0° off a true side view"),
        (-90.0, 178, 100, "at the person's right side, about 0° off a true side view"),
        (180.0, 100, 178, "behind the person, about 0° off straight behind"),
    ],
)
def test_the_camera_is_drawn_where_it_stood(azimuth, x, y, words):
    plan = camera_plan(replace(VIEW, azimuth_deg=azimuth))
    assert (plan.x, plan.y) == (pytest.approx(x), pytest.approx(y))
    assert plan.words == words

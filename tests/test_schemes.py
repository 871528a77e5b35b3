"""Light, dark and a reader's own few colours, on screens and on paper: the rules that pages share,
and the files that leave the site. The pages of the site are looked at where their states are
walked (`look` in browser_cases.py)."""

import re
from dataclasses import replace

import pytest
from browser_cases import look, page_of, running_browser
from builders import Motion, build_report
from clinic_cases import clinic_results, measured_set, new_clinic, new_patient
from conftest import ROOT, SAMPLES
from web_cases import running_site

from formcheck.evidence.reliability import read_sessions, reliability
from formcheck.evidence.reliability_page import reliability_html
from formcheck.files.prescriptions import exercises_of, read_prescription
from formcheck.files.report_file import write_report
from formcheck.words.sheet import sheet_html

pytest.importorskip("starlette")
pytest.importorskip("playwright")
THEME = ROOT / "formcheck" / "assets" / "theme.css"


def test_no_sheet_but_the_theme_names_a_colour():
    """What is dark in both schemes stands out of them: videos, and the stage of a recording."""
    sheets = [p for p in (ROOT / "formcheck").rglob("*.css") if p != THEME]
    assert len(sheets) > 7
    for sheet in sheets:
        for rule in re.findall(r"[^{}]*\{[^{}]*\}", sheet.read_text(encoding="utf-8")):
            if re.search(r"#[0-9a-f]{3,8}\b(?![^{]*\{)", rule):
                assert re.match(
                    r"\s*(/\*.*\*/\s*)?(#stage|\.red|\.clock|\.digits|\.count-note|\.checks-list"
                    r"|\.screens|[\w. ]*video) ?",
                    rule,
                ), (sheet.name, rule)


def test_the_dark_scheme_changes_every_colour_and_is_for_screens_alone():
    light, dark, forced = (
        dict(re.findall(r"(--[\w-]+): ([^;]+);", block))
        for block in re.findall(r":root \{(.*?)\}", THEME.read_text(encoding="utf-8"), re.DOTALL)[
            :3
        ]
    )
    assert light.keys() - dark.keys() == set()
    assert all(light[name] != dark[name] for name in light)
    assert {v for v in forced.values() if v.startswith("#")} == set()
    assert "@media screen and (prefers-color-scheme: dark)" in THEME.read_text(encoding="utf-8")


def _reliability_page(folder) -> str:
    lines = ["folder,patient,session,day"]
    for p, base in enumerate((84.0, 95.0)):
        for k in range(2):
            place = folder / f"p{p}-{k}"
            place.mkdir(parents=True)
            report = build_report(Motion(peak_deg=base + k, peak_change_deg=0.0))
            write_report(replace(report, side="left"), place / "report.json")
            lines.append(f"{place.name},demo-{p},{k + 1},2025-11-0{3 + k}")
    (folder / "sessions.csv").write_text("\n".join(lines) + "\n")
    return reliability_html(reliability(read_sessions(folder)))


def test_files_that_leave_the_site_are_for_every_reader_screen_and_scheme(tmp_path, squat_results):
    plan = SAMPLES / "prescription.toml"
    prescription = read_prescription(plan)
    files = {
        "report": (squat_results / "report.html").read_text(encoding="utf-8"),
        "sheet": sheet_html(prescription, exercises_of(prescription, plan), is_large=True),
        "reliability": _reliability_page(tmp_path / "sessions"),
    }
    with running_browser() as browser:
        page = browser.new_page()
        for name, text in files.items():
            file = tmp_path / f"{name}.html"
            file.write_text(text, encoding="utf-8")
            page.goto(file.as_uri())
            page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
            look(page, name)


def test_few_colours_of_the_readers_own_still_tell_what_is_chosen_and_what_is_drawn(
    tmp_path, squat_results
):
    clinic = new_clinic(tmp_path)
    patient = new_patient(clinic)
    stored = measured_set(clinic, patient, clinic_results(squat_results, tmp_path), with_video=True)
    colour = "(at, name) => getComputedStyle(document.querySelector(at))[name]"

    def differ(page, name, *places):
        told = [page.evaluate(f"([at, name]) => ({colour})(at, name)", [p, name]) for p in places]
        assert len(set(told)) == len(places), (places, told)

    with running_site(clinic) as site, running_browser() as browser:
        secret = site.sessions.new_link_secret("clinician")
        link = f"{site.origin}/enter#{secret}"
        with page_of(browser, link, forced_colors="active") as page:
            differ(page, "backgroundColor", ".bar a[aria-current]", ".bar a:not([aria-current])")
            page.goto(f"{site.origin}/clinic/sets/{stored.uid}")
            page.wait_for_selector("#trace-box svg .line")
            differ(page, "backgroundColor", "[aria-pressed=true]", "[aria-pressed=false]")
            told = "e => [getComputedStyle(e).color, getComputedStyle(e).backgroundColor]"
            for button in page.locator("main button").all():
                assert len(set(button.evaluate(told))) == 2, button.inner_text()
            for part in (".trace .line", ".trace .rep", ".trace .edge"):
                page.evaluate("at => { document.querySelector(at).style.fill; }", part)
                stroke = page.evaluate(f"at => ({colour})(at, 'stroke')", part)
                assert stroke not in (
                    "none",
                    page.evaluate(f"({colour})('body', 'backgroundColor')"),
                )
            page.goto(f"{site.origin}/clinic/patients/{patient.code}/prescription/paper")
            legs = page.evaluate(f"({colour})('.figure-leg', 'stroke')")
            assert legs == page.evaluate(f"({colour})('body', 'color')")
        secret = site.sessions.new_link_secret("patient", patient.id)
        link = f"{site.origin}/enter#{secret}"
        with page_of(browser, link, forced_colors="active") as page:
            page.goto(f"{site.origin}/my/sets/{stored.uid}/after")
            page.locator(".steps input").nth(3).check(force=True)
            differ(
                page,
                "backgroundColor",
                ".steps input:checked + span",
                ".steps input:not(:checked) + span",
            )
    clinic.close()

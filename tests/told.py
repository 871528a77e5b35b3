"""What a clinician reads of records, for tests of sentences."""

import re

from formcheck.model.records import Check, Finding, NotMeasurable, Report
from formcheck.words.finding_words import finding_words
from formcheck.words.first_line import set_sentence
from formcheck.words.refusal_words import refusal_words
from formcheck.words.set_words import check_sentence


def sentence(report: Report) -> str:
    return set_sentence(report, "clinician")


def line_of(report: Report) -> str:
    """The first line, its half-widths left out: they follow from the error models."""
    return re.sub(r"\(±[\d.]+\)", "(±)", sentence(report))


def told(finding: Finding, report: Report) -> str:
    return finding_words(finding, report.exercise_words, "clinician")


def why(value: NotMeasurable) -> str:
    return refusal_words(value, "clinician")


def told_check(check: Check, report: Report, place: int = 0) -> str:
    return check_sentence(check, report.repetitions[place], "terminal")

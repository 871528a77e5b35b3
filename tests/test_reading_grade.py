"""The reading grade of the English that patients read, by a published formula."""

import re
import statistics

import pytest
import textstat
from message_cases import extracted
from test_messages import DOMAINS


def _sentences(domain: str) -> list[str]:
    """The messages of at least a sentence, with a figure in place of each value."""
    told = [re.sub(r"<[^>]+>", "", re.sub(r"%\(\w+\)s", "5", m)) for m in extracted(domain)]
    return [m for m in told if len(m.split()) >= 4 and m[-1] in ".?!"]


@pytest.mark.parametrize("domain", DOMAINS)
def test_the_median_reading_grade_is_six_or_less(domain):
    # Automated readability index, Smith and Senter 1967 (AMRL-TR-66-220): letters and words.
    grades = [textstat.automated_readability_index(m) for m in _sentences(domain)]
    assert len(grades) > 100
    assert statistics.median(grades) <= 6

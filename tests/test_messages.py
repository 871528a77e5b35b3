"""Every message of the sources is told in every language; what is missing is counted."""

import pytest
from message_cases import extracted, message_faults

from formcheck.words.languages import DEFAULT, LANGUAGES, LOCALE

OTHERS = [tag for tag in LANGUAGES if tag != DEFAULT]
DOMAINS = sorted(path.stem for path in LOCALE.glob("*.cfg"))


@pytest.mark.parametrize("domain", DOMAINS)
@pytest.mark.parametrize("tag", OTHERS)
def test_every_message_is_told_in_every_language(domain, tag, capsys):
    faults = message_faults(domain, tag)
    n = len(extracted(domain))
    n_missing = sum(f.startswith(("missing:", "not translated:", "fuzzy:")) for f in faults)
    with capsys.disabled():
        print(f"\n{domain} in {tag}: {n_missing} of {n} messages fall back to English")
    assert faults == []

"""Messages of the sources and of the files of other languages, held against each other.

A domain is a file of messages: `formcheck/words/locale/DOMAIN.cfg` says where its sources are, and
`formcheck/words/locale/TAG/DOMAIN.po` tells them in a language.
"""

import re
from functools import cache
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import DEFAULT_KEYWORDS, extract_from_dir
from babel.messages.frontend import parse_mapping_cfg
from babel.messages.pofile import read_po

import formcheck
from formcheck.words.languages import LOCALE

ROOT = Path(formcheck.__file__).parent
KEYWORDS = {**DEFAULT_KEYWORDS, "marked": None, "_always": None, "foreign": (2,)}
_PLACE = re.compile(r"%\(\w+\)s")


@cache
def extracted(domain: str) -> dict[str, tuple[str, ...]]:
    """Every message of the sources of a domain -> its English wordings: one, or singular and
    plural."""
    with (LOCALE / f"{domain}.cfg").open("r", encoding="utf-8") as file:
        methods, options = parse_mapping_cfg(file, f"{domain}.cfg")
    found = {}
    for _, _, message, _, _ in extract_from_dir(ROOT, methods, options, keywords=KEYWORDS):
        wordings = tuple(m for m in message if m) if isinstance(message, tuple) else (message,)
        found[wordings[0]] = max(found.get(wordings[0], ()), wordings, key=len)
    return found


def read_catalog(domain: str, tag: str) -> Catalog:
    with (LOCALE / tag / f"{domain}.po").open("rb") as file:
        return read_po(file, locale=tag, domain=domain, abort_invalid=True)


def message_faults(domain: str, tag: str) -> list[str]:
    """What is amiss in the messages of a domain in a language, a line each."""
    catalog, sources, faults = read_catalog(domain, tag), extracted(domain), []
    told = {}
    for message in catalog:
        if not message.id:
            continue
        wordings = message.id if isinstance(message.id, tuple) else (message.id,)
        strings = message.string if isinstance(message.string, tuple) else (message.string,)
        told[wordings[0]] = wordings
        if not all(strings) or len(strings) != (catalog.num_plurals if len(wordings) > 1 else 1):
            faults.append(f"not translated: {wordings[0]}")
        if message.fuzzy:
            faults.append(f"fuzzy: {wordings[0]}")
        for string in strings:
            if not _same_places(wordings, string):
                faults.append(f"other values: {wordings[0]} -> {string}")
    faults += [f"missing: {m}" for m, w in sources.items() if told.get(m) != w]
    faults += [f"no longer said: {m}" for m in told if m not in sources]
    faults += [f"obsolete: {m}" for m in catalog.obsolete]
    return faults


def _same_places(wordings: tuple[str, ...], string: str) -> bool:
    wanted, found = set(_PLACE.findall(wordings[-1])), set(_PLACE.findall(string))
    # A form for one may name the one without its figure.
    return found == wanted or (len(wordings) > 1 and found == wanted - {"%(n)s"})

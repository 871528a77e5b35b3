"""What a clinician reads beside the chair tests: their rules, published cut-offs and scope."""

from collections.abc import Collection

from formcheck.motion.chair_tests import PublishedCutOffs, published


def chair_test_lines(keys: Collection[str]) -> tuple[str, ...]:
    """A sentence for each chair test among the measures `keys`, and one on whom they are for."""
    lines = tuple(_LINES[test.key](test) for test in published(keys))
    return (*lines, _SCOPE) if lines else ()


_SCOPE = (
    "These values are for people of 60 and over, for general function and falls. They say "
    "nothing about a knee, and nothing here is judged by them."
)


def _stands_in_30_s(test: PublishedCutOffs) -> str:
    ages = "; ".join(
        f"{c.from_years} to {c.to_years}: men {c.men:g}, women {c.women:g}" for c in test.by_age
    )
    return (
        f"Stands in 30 s: the test is done from a seat {test.seat_cm:g} cm high with the arms "
        "crossed; when the arms are used its result is 0. Whether they were is for a person to "
        f"see. Published as below average, by age, are fewer stands than {ages}. "
        f"Source: {test.source}."
    )


def _five_stands(test: PublishedCutOffs) -> str:
    ages = "; ".join(f"{c.from_years} to {c.to_years}: {c.men:g} s" for c in test.by_age)
    line = (
        "Five stands: timed here to standing at the fifth stand; other protocols stop when "
        "seated again, which is later. Published as worse than average, by age, is longer than "
        f"{ages}"
    )
    source = f"worse than average for age: {test.source}"
    if test.falls:
        f = test.falls
        line += f"; {f.at_least_s:g} s and more goes with recurrent falls"
        source += (
            f"; recurrent falls: {f.source}, sensitivity {100 * f.sensitivity:.0f} %, "
            f"specificity {100 * f.specificity:.0f} %"
        )
    return f"{line}. Source: {source}."


_LINES = {"n_in_30_s": _stands_in_30_s, "time_for_five_s": _five_stands}

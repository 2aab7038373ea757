"""The chart of two readers' millimetres: what it says in words, and the same bytes each time."""

from __future__ import annotations

from reports.charts.readers import difference_chart
from reports.statistics.differences_of_readers import limits_of_agreement

PAIRS = [(0.0, 0.0)] * 12 + [(2.0, 3.0), (4.0, 3.0), (1.0, 1.5)]


def chart(pairs):
    apart = [second - first for first, second in pairs]
    return difference_chart(pairs, limits_of_agreement(apart, range(len(pairs))))


def test_it_says_in_words_what_it_shows_and_is_the_same_each_time():
    made = chart(PAIRS)
    assert made.alternative == (
        "15 pairs of readings: on average the second lies 0.03 mm from the first, most between "
        "-0.75 and 0.82 mm. 12 pairs are 0 in both readings and lie at the origin."
    )
    assert made.svg == chart(PAIRS).svg
    assert made.svg.startswith("<svg")


def test_without_a_pair_there_is_no_chart_and_one_pair_has_no_limits():
    assert chart([]) is None
    assert "most between" not in chart([(1.0, 1.5)]).alternative

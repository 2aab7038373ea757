import xml.etree.ElementTree as ET
from concurrent.futures import ThreadPoolExecutor
from datetime import date

import pytest

from reports.charts.rates import rates_chart, rates_figure
from reports.frame import frame
from reports.tables.rates import Question, rates
from reports.tables.splits import IntervalName, Split
from tests.tables.units import a_screw, extents

LABELS = {1: "Berg", 2: "Adler & <Sons> -- $x$"}


def a_table(**asked):
    """Twelve screws at L4 with three breaches, eleven at L5 with none, four at T9 with one."""
    counts = {"L4": (12, 3), "L5": (11, 0), "T9": (4, 1)}
    rows = [
        a_screw(
            100 * place + number,
            level=level,
            number=number,
            patient=f"P{number}",
            case_id=number,
            surgeon=1 + number % 2,
            indication="a long indication that someone has typed in full, word by word",
            extents_mm=extents(medial="2.5" if number < breached else "0.0"),
        )
        for place, (level, (size, breached)) in enumerate(counts.items())
        for number in range(size)
    ]
    asked.setdefault("interval", IntervalName.WILSON)
    return rates(frame(rows), Question(**asked), labels=LABELS)


def texts(chart):
    """Return the words drawn, which are paths with their words as comments beside them."""
    parser = ET.XMLParser(target=ET.TreeBuilder(insert_comments=True))  # noqa: S314 - our own
    root = ET.fromstring(chart.svg, parser)  # noqa: S314 - our own
    return [element.text.strip() for element in root.iter() if element.tag is ET.Comment]


def test_the_same_table_gives_the_same_bytes():
    first, again = (rates_chart(a_table(by=(Split.LEVEL,))) for _ in range(2))
    assert first == again
    assert "date" not in first.svg.lower()
    assert "matplotlib.org" not in first.svg


def test_charts_drawn_at_once_are_the_same_bytes():
    table = a_table(by=(Split.LEVEL,))
    alone = rates_chart(table)
    with ThreadPoolExecutor(4) as pool:
        assert set(pool.map(rates_chart, [table] * 8)) == {alone}


def test_each_row_has_its_counts_and_only_enough_screws_have_a_rate():
    words = texts(rates_chart(a_table(by=(Split.LEVEL,))))
    assert "Breach of 2 mm or more, by level" in words
    assert [word for word in words if word in {"T9", "L4", "L5"}] == ["T9", "L4", "L5"]
    assert {"1 of 4", "counts only", "3 of 12", "25.0  (8.9 to 53.2)", "0 of 11"} <= set(words)
    assert "0.0  (0.0 to 25.9)" in words


def test_dots_and_intervals_stand_where_the_numbers_say():
    table = a_table(by=(Split.LEVEL,))
    axes = rates_figure(table).axes[0]
    drawn = {
        (tuple(line.get_xdata()), tuple(line.get_ydata()))
        for line in axes.lines
        if len(set(line.get_ydata())) == 1
    }
    shown = [(place, row) for place, row in enumerate(table.rows) if row.rate is not None]
    assert len(shown) == 2
    assert drawn == {((row.rate,), (place,)) for place, row in shown} | {
        ((row.low, row.high), (place, place)) for place, row in shown
    }
    low, high = axes.get_xlim()
    assert low <= 0 <= max(row.high for _, row in shown) <= high


def test_the_alternative_tells_the_finding_with_its_numbers():
    assert rates_chart(a_table(by=(Split.LEVEL,), end=date(2025, 12, 31))).alternative == (
        "Breach of 2 mm or more, operations up to 2025-12-31, by level. "
        "L4: 25.0% (3 of 12 graded screws in 12 patients), interval 8.9% to 53.2%. "
        "L5: 0.0% (0 of 11 graded screws in 11 patients), interval 0.0% to 25.9%. "
        "95% interval: Wilson, screws treated as independent; rates whose intervals overlap may "
        "not differ. Rows with fewer than 10 graded screws, counts only: 1 of 3."
    )


def test_the_alternative_of_all_screws_is_one_rate():
    assert rates_chart(a_table()).alternative == (
        "Breach of 2 mm or more, all operations: 14.8% (4 of 27 graded screws in 12 patients), "
        "interval 5.9% to 32.5%. 95% interval: Wilson, screws treated as independent."
    )


def test_people_are_never_told_as_first_or_last():
    told = rates_chart(a_table(by=(Split.SURGEON,))).alternative  # 1 of 13 and 3 of 14
    assert "Berg" not in told
    assert "Adler" not in told
    assert "Rates of 2 rows, from 7.7% to 21.4%." in told


def test_a_ledger_without_graded_screws_says_so():
    table = rates(frame([]), Question(by=(Split.LEVEL,)))
    chart = rates_chart(table)
    assert chart.alternative == "Breach of 2 mm or more, all operations: no graded screws."
    ET.fromstring(chart.svg)  # noqa: S314 - our own


@pytest.mark.parametrize("split", [Split.SURGEON, Split.INDICATION])
def test_odd_and_long_words_leave_a_whole_picture(split):
    chart = rates_chart(a_table(by=(split,)))
    words = texts(chart)
    if split is Split.INDICATION:
        assert "a long indication that someone has ..." in words
    assert chart.svg.startswith("<svg")


def test_a_crossed_row_keeps_both_its_words_however_long_the_first():
    drawn = texts(rates_chart(a_table(by=(Split.INDICATION, Split.LEVEL), minimum=0)))
    assert any(word.startswith("a long") and word.endswith(", L5") for word in drawn)

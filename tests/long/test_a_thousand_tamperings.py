"""A thousand seeded tamperings on each database, each named by `verify`."""

from __future__ import annotations

import random
from collections import Counter

from tests.build.loaded import fill, fill_drawn
from tests.build.tampering import a_tamperer

COUNT = 1000


def test_verify_names_each_of_a_thousand_tamperings(ledger, tmp_path):
    fill_drawn(fill(ledger, tmp_path))
    drawn = random.Random(20260331)  # noqa: S311 - a test's own draw
    kinds: Counter[str] = Counter()
    with a_tamperer(ledger, drawn) as tamperer:
        for _ in range(COUNT):
            with tamperer.applied() as done:
                said = {item.record for item in tamperer.wrong()}
                assert done.names <= said, done
                kinds[done.what.split(" ")[0].split(".")[0]] += 1
        assert tamperer.wrong() == []
    print(ledger.engine.dialect.name, kinds.most_common())

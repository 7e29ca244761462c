"""What is played stays what it was, tick for tick and byte for byte: see support.corpus."""

from __future__ import annotations

import pytest
from support import corpus

GROUPS = 10
KNOWN = corpus.reference()


@pytest.mark.parametrize("group", range(GROUPS))
def test_three_hundred_sets_play_as_they_did(group: int) -> None:
    assert len(KNOWN) == corpus.COUNT
    for number in range(group, corpus.COUNT, GROUPS):
        assert corpus.prints_of(number) == KNOWN[number], f"set {number}"

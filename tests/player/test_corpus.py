"""What is played stays what it was, tick for tick and byte for byte: see support.corpus."""

from __future__ import annotations

import pytest
from support import corpus

GROUPS = 10
KNOWN = corpus.reference()


@pytest.mark.parametrize("group", range(GROUPS))
def test_made_up_sets_play_as_they_did(group: int) -> None:
    numbers = [number for number in KNOWN if number % GROUPS == group]
    assert len(numbers) >= 10
    for number in numbers:
        assert corpus.prints_of(number) == KNOWN[number], f"set {number}"

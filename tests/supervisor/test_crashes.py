"""Each player is begun with less of what may have ended the ones before."""

from __future__ import annotations

import pytest

from bridge.supervisor.crashes import FRESH, SAFE, WITHIN_S, Crashes, cause


def test_more_care_with_each_death_within_a_minute() -> None:
    crashes = Crashes()
    cares = [crashes.died(float(second)) for second in range(FRESH + 1)]
    assert [care.safe for care in cares] == [n >= SAFE for n in range(1, FRESH + 2)]
    assert [care.fresh for care in cares] == [n >= FRESH for n in range(1, FRESH + 2)]
    assert "derived lanes" in cares[SAFE - 1].says
    assert "is stopped" in cares[FRESH - 1].says
    assert not cares[0].says


def test_deaths_of_long_ago_do_not_count() -> None:
    crashes = Crashes()
    for number in range(20):
        care = crashes.died(number * WITHIN_S / (SAFE - 1))
        assert not care.safe


@pytest.mark.parametrize(("code", "text"), [(1, "code 1"), (-9, "SIGKILL"), (-15, "SIGTERM")])
def test_why_a_process_ended(code: int, text: str) -> None:
    assert cause(code) == text

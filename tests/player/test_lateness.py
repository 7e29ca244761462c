from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bridge.player.lateness import UPPER_NS, Alarm, Lateness


@given(st.lists(st.integers(-5000, 10_000_000_000), min_size=1, max_size=200), st.floats(0.01, 1))
def test_percentiles_are_never_too_low_and_at_most_a_fifth_too_high(
    lates: list[int], share: float
) -> None:
    counted = Lateness()
    for late in lates:
        counted.add(late)
    ordered = sorted(max(0, late) for late in lates)
    rank = max(1, -(-share * len(lates) // 1))
    exact = ordered[int(rank) - 1]
    found = counted.percentile(share)
    assert counted.worst_ns == ordered[-1]
    if exact <= UPPER_NS[-1]:
        assert found >= min(exact, counted.worst_ns)
        assert found <= max(1000, exact * 2 ** (1 / 4) + 2)
    assert counted.count == len(lates)
    assert sum(count for _, count in counted.state()["histogram"]) == len(lates)


def test_nothing_sent_is_nothing_late() -> None:
    state = Lateness(5_000_000).state()
    assert state == {
        "count": 0,
        "p50_us": 0.0,
        "p99_us": 0.0,
        "worst_us": 0.0,
        "since": 5,
        "left_out_ms": 0,
        "histogram": [],
    }


def test_a_new_count_begins_when_asked() -> None:
    counted = Lateness()
    counted.add(3_000_000)
    counted.reset(9_000_000)
    assert counted.state()["count"] == 0
    assert counted.state()["since"] == 9


SECOND = 1_000_000_000


def test_the_alarm_tells_of_what_is_heard_and_then_only_of_twice_as_much() -> None:
    counted, alarm = Lateness(), Alarm()
    said = []
    for number, late_ms in enumerate((1, 5, 7, 8, 13, 14.5, 20, 30)):
        counted.add(round(late_ms * 1e6))
        said.append(alarm.look(number, counted))
    assert [text for text in said if text] == [
        "a message left 7.0 ms late",
        "a message left 14.5 ms late",
        "a message left 30.0 ms late",
    ]


def test_the_alarm_tells_of_many_small_ones_once_in_five_minutes() -> None:
    counted, alarm, said = Lateness(), Alarm(), []
    for second in range(900):
        for number in range(100):
            counted.add(4_000_000 if number < 3 and 100 <= second < 800 else 50_000)
        text = alarm.look(second * SECOND, counted)
        if text:
            said.append((second, text))
    assert [second for second, _ in said] == [110, 410, 710]
    assert said[1][1] == "30 of 1000 messages left more than 3 ms late"


def test_one_in_a_hundred_is_no_alarm() -> None:
    counted, alarm = Lateness(), Alarm()
    for second in range(100):
        for number in range(100):
            counted.add(4_000_000 if number < 1 else 50_000)
        assert alarm.look(second * SECOND, counted) is None

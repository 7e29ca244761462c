"""The queue by itself: a line of 1 ms per tick makes the numbers easy to read."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.player.timeline import NO_LANE, Item, Timeline

MS = 1_000_000


def time_of(tick: int) -> int:
    return tick * MS


def hit(tick: int, output: str = "g", length: int = 10, **more: Any) -> Item:
    more = {"lane": 0, "owner": "a", **more}
    return Item("on", tick, output=output, value=0.5, length=length, **more)


def drain(line: Timeline, until: int = 10_000) -> list[tuple[float, str, str | None]]:
    """Binds and takes everything; what it did, as (ms, what, output)."""
    done: list[tuple[float, str, str | None]] = []
    line.bind(until * MS, time_of, 0, 0)
    while line.next_due() is not None:
        done += _taken(line)
    return done


def _taken(line: Timeline) -> list[tuple[float, str, str | None]]:
    """What the earliest group does."""
    done: list[tuple[float, str, str | None]] = []
    due, group = line.pop_group()
    for item in group:
        if item.sort in ("on", "pulse"):
            line.opened(item)
            done.append((due / MS, "on", item.output))
        elif item.sort == "off":
            output = line.closes(item)
            if output:
                done.append((due / MS, "off", output))
        else:
            done.append((due / MS, item.sort, item.output))
    return done


def test_kinds_then_lanes_then_age() -> None:
    line = Timeline(5 * MS)
    line.add(hit(20, "late", lane=7))
    line.add(hit(20, "early", lane=2))
    line.add(Item("value", 20, 9, output="cv"))
    line.add(hit(10, "old", 10, lane=5))
    line.add(Item("byte", 20, data=b"\xf8"))
    line.add(Item("pulse", 20, output="clk", value=1.0, length=1))
    assert [(what, out) for ms, what, out in drain(line) if ms == 20] == [
        ("byte", None),
        ("on", "clk"),
        ("off", "old"),
        ("value", "cv"),
        ("on", "early"),
        ("on", "late"),
    ]


@pytest.mark.parametrize(
    ("second", "end"), [(30, 20.0), (12, 7.0), (8, 4.0), (2, 1.0), (100, 50.0)]
)
def test_a_gate_ends_by_its_length_or_a_gap_before_the_next_or_half_way(
    second: int, end: float
) -> None:
    line = Timeline(5 * MS)
    length = 20 if second == 30 else 50
    line.add(hit(0, length=length))
    line.add(hit(second, length=1))
    assert drain(line)[:3] == [(0.0, "on", "g"), (end, "off", "g"), (float(second), "on", "g")]


def test_a_pulse_lasts_its_width_whatever_its_length() -> None:
    line = Timeline(5 * MS)
    line.add(hit(0, length=500, width=3 * MS))
    assert drain(line) == [(0.0, "on", "g"), (3.0, "off", "g")]


def test_what_leads_leaves_before_its_tick_and_the_offset_moves_all_but_the_anchored() -> None:
    line = Timeline(0)
    line.add(Item("value", 20, output="cv", early=2 * MS))
    line.add(Item("byte", 20, data=b"\xf8", anchored=True))
    line.add(hit(20))
    line.bind(100 * MS, time_of, 7 * MS, 2 * MS)
    dues = []
    while line.next_due() is not None:
        due, group = line.pop_group()
        dues += [(due / MS, item.sort) for item in group]
    assert dues[:3] == [(20.0, "byte"), (25.0, "value"), (27.0, "on")]


def test_only_what_is_near_is_bound() -> None:
    line = Timeline(0)
    line.add(hit(10))
    line.add(hit(40, "h"))
    line.bind(15 * MS, time_of, 0, 0)
    assert line.next_due() == 10 * MS
    assert line.next_tick() == 20  # the end of the first
    assert len(line) == 3


def test_it_tells_until_when_everything_has_its_deadline() -> None:
    line = Timeline(0)
    line.add(hit(10))
    assert line.bound_until == 0
    line.bind(15 * MS, time_of, 0, 0)
    assert line.bound_until == 15 * MS
    line.rebind()
    assert line.bound_until == 0
    line.bind(30 * MS, time_of, 0, 0)
    line.clear()
    assert line.bound_until == 0


def test_it_counts_what_leaves_together() -> None:
    line = Timeline(0)
    for output in ("g", "h", "i"):
        line.add(hit(10, output, length=5))
    line.bind(30 * MS, time_of, 0, 0)
    assert [line.count(ms * MS) for ms in (9, 10, 15)] == [0, 3, 6]


def test_binding_anew_sends_each_hit_once_at_its_new_time() -> None:
    line = Timeline(5 * MS)
    for tick in range(0, 60, 12):
        line.add(hit(tick, length=11))
    line.add(hit(30, "p", width=4 * MS))
    line.bind(100 * MS, time_of, 0, 0)
    first, group = line.pop_group()
    assert first == 0
    line.opened(group[0])
    for shift in (3, 40, -1, 9):
        line.rebind()
        line.bind(200 * MS, time_of, shift * MS, 1 * MS)
    seen = drain(line)
    assert [ms for ms, what, out in seen if (what, out) == ("on", "g")] == [21.0, 33.0, 45.0, 57.0]
    assert next(ms for ms, what, out in seen if (what, out) == ("off", "g")) == 16.0
    assert [row for row in seen if row[2] == "p"] == [(39.0, "on", "p"), (43.0, "off", "p")]
    assert len([row for row in seen if row[1] == "off" and row[2] == "g"]) == 5


def test_a_lane_that_goes_silent_loses_its_hits_but_not_the_end_of_its_gate() -> None:
    line = Timeline(5 * MS)
    line.add(hit(0, length=50, owner="a"))
    line.add(hit(40, "other", owner="b"))
    line.add(hit(60, owner="a"))
    line.bind(100 * MS, time_of, 0, 0)
    _, group = line.pop_group()
    line.opened(group[0])
    line.drop_lane("a")
    assert drain(line) == [(40.0, "on", "other"), (50.0, "off", "g"), (50.0, "off", "other")]


def test_closing_a_lane_closes_only_what_it_opened() -> None:
    line = Timeline(0)
    line.add(hit(0, "g", 50, owner="a"))
    line.add(hit(0, "h", 50, owner="b", lane=1))
    line.bind(MS, time_of, 0, 0)
    for item in line.pop_group()[1]:
        line.opened(item)
    assert line.close_lane("a") == ["g"]
    assert line.close_lane("a") == []
    assert line.close_output("h") == ["h"]
    assert line.close_all() == []


def test_a_short_hit_of_another_lane_opens_anew_and_leaves_the_longer_gate_open() -> None:
    line = Timeline(2 * MS)
    line.add(hit(0, "g", 50, owner="a"))
    line.add(hit(20, "g", 10, owner="b", lane=1))
    assert drain(line) == [
        (0.0, "on", "g"),
        (18.0, "off", "g"),
        (20.0, "on", "g"),
        (50.0, "off", "g"),
    ]


@given(
    st.lists(
        st.tuples(st.integers(0, 40), st.integers(1, 80), st.sampled_from("abc")),
        min_size=1,
        max_size=8,
        unique_by=lambda row: row[0],
    ),
    st.lists(st.integers(0, 400), max_size=3),
)
def test_a_shared_output_is_open_while_any_of_its_lanes_asks_for_it(
    rows: list[tuple[int, int, str]], bindings: list[int]
) -> None:
    """Looked at every half millisecond: each lane asks from its latest hit on for that hit's
    length, and before each hit there is a gap. Binding anew on the way changes nothing."""
    hits = sorted((10 * at, length, lane) for at, length, lane in rows)
    line = Timeline(2 * MS)
    for at, length, lane in hits:
        line.add(hit(at, "g", length, owner=lane, lane="abc".index(lane)))
    done: list[tuple[float, str, str | None]] = []
    for until in sorted(bindings):
        line.bind((until + 30) * MS, time_of, 0, 0)
        while (due := line.next_due()) is not None and due <= until * MS:
            done += _taken(line)
        line.rebind()
    done += drain(line)
    for half in range(2 * 520):
        now = half / 2
        last = {lane: (at, length) for at, length, lane in hits if at <= now}
        asked = any(now < at + length for at, length in last.values())
        gap = any(at - 2 <= now < at for at, *_ in hits)
        sent = [what for ms, what, _ in done if ms <= now]
        assert (bool(sent) and sent[-1] == "on") == (asked and not gap), now


def test_a_lane_that_goes_silent_leaves_the_gate_to_those_that_ask_for_it() -> None:
    def half_way(silent: str) -> tuple[list[str], list[tuple[float, str, str | None]]]:
        line = Timeline(2 * MS)
        line.add(hit(0, "g", 50, owner="a"))
        line.add(hit(20, "g", 10, owner="b", lane=1))
        line.bind(100 * MS, time_of, 0, 0)
        while (due := line.next_due()) is not None and due <= 25 * MS:
            _taken(line)
        return line.close_lane(silent), drain(line)

    assert half_way("a") == ([], [(30.0, "off", "g")])
    assert half_way("b") == ([], [(50.0, "off", "g")])


def test_a_lane_that_goes_silent_closes_a_gate_that_only_it_still_asks_for() -> None:
    line = Timeline(2 * MS)
    line.add(hit(0, "g", 50, owner="a"))
    line.add(hit(20, "g", 10, owner="b", lane=1))
    line.bind(100 * MS, time_of, 0, 0)
    while (due := line.next_due()) is not None and due <= 35 * MS:
        _taken(line)
    assert line.close_lane("b") == []
    assert line.close_lane("a") == ["g"]
    assert drain(line) == []


def test_two_hits_at_once_are_one_as_long_as_the_longer_and_as_loud_as_the_louder() -> None:
    line = Timeline(2 * MS)
    soft, loud = hit(0, "g", 30), hit(0, "g", 10, owner="b", lane=1)
    loud.value = 0.9
    line.add(soft)
    line.add(loud)
    assert drain(line) == [(0.0, "on", "g"), (30.0, "off", "g")]
    assert soft.value == 0.9


def test_emptying_keeps_the_bytes_that_come_before() -> None:
    line = Timeline(0)
    line.add(Item("byte", 5, data=b"\xf8"))
    line.add(Item("byte", 30, data=b"\xf8"))
    line.add(hit(5))
    line.bind(100 * MS, time_of, 0, 0)
    line.close_all()
    line.clear(before=20 * MS)
    assert drain(line) == [(5.0, "byte", None)]


def test_next_hits_are_by_port_and_leave_values_out() -> None:
    line = Timeline(0)
    line.add(hit(9, "g"))
    line.add(hit(7, "h", lane=NO_LANE))
    line.add(Item("value", 1, output="cv"))
    line.bind(100 * MS, time_of, 0, 0)
    ports = {"g": "one", "h": "two", "cv": "one"}
    assert line.next_hits(ports) == {"one": 9 * MS, "two": 7 * MS}

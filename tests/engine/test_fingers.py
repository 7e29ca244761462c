"""A finger on a macro while the song plays: heard at once, and never taken back.

What is rendered lies some 30 ms ahead; 15 ms from finger to wire is our choice, well below what a
player notices of an instrument under the hand (common practice, no source).
"""

from __future__ import annotations

import itertools

from support.desk import BAR, MS, STEP, Desk, gate_lane, score_of

from bridge.music.model import Drive, Lane, Levels, Macro
from bridge.music.ticks import parse_rate

HATS = gate_lane("hats", "xxxxxxxxxxxxxxxx", 2)
LEVEL = bytes((0xB1, 20))


def moved(desk: Desk, since: float) -> list[tuple[float, int]]:
    """(ms, code) of what went to level-2 after `since` ms."""
    return [(ms, data[2]) for ms, data in desk.sent() if ms >= since and data[:2] == LEVEL]


def test_a_hand_on_a_macro_is_heard_within_a_few_ms_while_playing() -> None:
    """What is rendered ahead does not know of it: it must neither wait for that nor be undone."""
    macro = Macro("m", 0.0, drives=(Drive(out="main.level-2", start=0.0, end=5.0),))
    desk = Desk(score_of(HATS, macros=[macro]))
    desk.start()
    wanted = []
    for number in range(1, 41):
        desk.run_to(number * STEP * 2 + 37 * (number % 5))
        at = (desk.now - desk.zero) / MS
        code = number * 3
        desk.do("macro", macro="m", value=code / 127)
        desk.run(17)
        desk.do("macro", macro="m", value=(code + 1) / 127)
        wanted += [(at, code), (at + 17, code + 1)]
    desk.run(100)
    sent = moved(desk, wanted[0][0])
    assert [code for _, code in sent] == [code for _, code in wanted]  # once each, none again
    assert all(0 <= ms - at <= 2.0 for (ms, _), (at, _) in zip(sent, wanted, strict=True))


def test_a_hand_moves_what_a_lane_plays_there_by_what_it_adds() -> None:
    """Two volts of a lane, one to four of a macro, and the output ends at 5 V."""
    macro = Macro("m", 0.0, drives=(Drive(out="main.level-2", depth=0.6),))
    lane = Lane("swell", Levels((0.4, 0.2)), parse_rate("1/32"), out="main.level-2")
    desk = Desk(score_of(lane, macros=[macro]))
    desk.start()
    desk.run_to(BAR + 10)
    at = (desk.now - desk.zero) / MS
    desk.do("macro", macro="m", value=1.0)
    desk.run(200)
    low, high = round(127 * 0.8), 127  # 0.2 + 0.6, and 0.4 + 0.6
    assert {code for ms, code in moved(desk, at + 1.5)} == {low, high}
    assert moved(desk, at)[0][0] - at <= 10.0  # the lane moved it just before: 100 a second


def test_a_macro_that_glides_does_not_jump() -> None:
    macro = Macro("m", 0.0, slew_ms=200.0, drives=(Drive(out="main.level-2", start=0.0, end=5.0),))
    desk = Desk(score_of(HATS, macros=[macro]))
    desk.start()
    desk.run_to(BAR)
    at = (desk.now - desk.zero) / MS
    desk.do("macro", macro="m", value=1.0)
    desk.run(400)
    codes = [code for _, code in moved(desk, at)]
    assert codes[-1] == 127
    assert codes == sorted(codes)
    # 635 codes a second; a step waits at most 2 ms to leave with something else.
    assert max(two - one for one, two in itertools.pairwise(codes)) <= 14

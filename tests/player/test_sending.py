"""From the queue to the ports."""

from __future__ import annotations

from support.desk import BEAT, MS, Desk, gate_lane, score_of

from bridge.player.sending import PLAYED_MOST, STAGE_NS

KICK = gate_lane("kick", "x...")


def test_what_falls_together_is_ready_a_millisecond_before_and_leaves_on_time() -> None:
    desk = Desk(score_of(KICK, gate_lane("hat", "x...", 2)))
    desk.start()
    desk.run_to(BEAT // 2)
    sender, due = desk.player.sender, desk.player.song.time_of(BEAT)
    desk.now = due - STAGE_NS - 1
    desk.player.step(desk.now)
    assert sender.staged_due is None
    desk.now = due - STAGE_NS
    assert desk.player.step(desk.now) == due
    assert sender.staged_due == due
    before = len(desk.sent())
    desk.now = due - 1
    assert desk.player.step(desk.now) == due
    assert len(desk.sent()) == before
    desk.now = due
    desk.player.step(due)
    assert [data[:2] for _, data in desk.sent()[before:]] == [b"\x99\x24", b"\x99\x25"]


def test_a_call_that_comes_late_sends_everything_in_order() -> None:
    desk = Desk(score_of(gate_lane("roll", "xxxxxxxx", 1, rate="1/32")))
    desk.start()
    desk.run_to(BEAT)
    desk.now += 14 * MS
    desk.player.step(desk.now)
    desk.run(200)
    stamps = [ms for ms, _ in desk.sent()]
    assert stamps == sorted(stamps)
    assert len(desk.ons()) >= 11
    assert desk.player.outputs.lateness.worst_ns <= 14 * MS


def test_rows_of_what_played_are_bounded_and_name_the_lane() -> None:
    desk = Desk(score_of(gate_lane("roll", "xxxxxxxx", 1, rate="1/32")))
    desk.start()
    desk.run(100_000)
    rows = desk.player.sender.played
    assert PLAYED_MOST // 2 <= len(rows) <= PLAYED_MOST
    tick, lane, kind, level, length, due = rows[-1]
    assert (lane, kind, length) == ("roll", "hit", 60)
    assert 0 < level <= 1
    assert abs(desk.player.song.time_of(tick) - due) <= 1

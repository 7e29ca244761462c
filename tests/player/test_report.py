from __future__ import annotations

import json

from support.desk import BAR, BEAT, Desk, gate_lane, score_of

from bridge.music.model import Macro, Section
from bridge.player.report import Report

KEYS = {
    "version",
    "rig",
    "set",
    "revision",
    "transport",
    "clock",
    "lanes",
    "macros",
    "sections",
    "section",
    "section_pending",
    "order",
    "ports",
    "lateness",
    "player",
    "warnings",
}
ABOUT = {"version": "1", "rig": "Quay rack", "ports": {}, "player": {"pid": 1}}


def playing() -> tuple[Desk, Report]:
    desk = Desk(score_of(gate_lane("kick", "x..."), macros=[Macro("m", 0.2)]))
    desk.start()
    desk.run_to(BAR + 2 * BEAT)
    return desk, Report(desk.player, ABOUT)


def test_the_whole_state_has_every_key_and_is_json() -> None:
    desk, report = playing()
    state = report.full(desk.now)
    assert set(state) >= KEYS
    assert json.loads(json.dumps(state, allow_nan=False)) == state
    transport = state["transport"]
    assert transport["state"] == "running"
    assert (transport["bar"], transport["beat"]) == (2, 3)
    assert abs(transport["tick"] - (BAR + 2 * BEAT)) < 1
    assert transport["at_ms"] == desk.now / 1e6
    assert state["clock"]["state"] == "leading"


def test_only_what_changed_is_told_again() -> None:
    desk, report = playing()
    report.changed(desk.now)
    assert report.changed(desk.now + 1) == {}
    desk.do("macro", macro="m", value=0.9)
    changed = report.changed(desk.now + 2)
    assert changed["macros"]["m"]["value"] == 0.9
    assert "lanes" not in changed
    desk.do("mute", lane="kick", muted=True)
    assert set(report.changed(desk.now + 3)) == {"lanes"}
    desk.do("offset", ms=3.4)
    assert report.changed(desk.now + 4)["clock"]["offset_ms"] == 3.4
    report.about["ports"] = {"main": {"open": False}}
    desk.player.warn("gone")
    changed = report.changed(desk.now + 5)
    assert changed["ports"] == {"main": {"open": False}}
    assert changed["warnings"][-1] == "gone"
    desk.do("stop")
    desk.run(2)
    assert report.changed(desk.now)["transport"]["state"] == "stopped"


def test_place_and_lateness_are_told_twice_a_second() -> None:
    desk, report = playing()
    report.changed(desk.now)
    told = 0
    for _ in range(100):
        desk.run(20)
        told += "transport" in report.changed(desk.now)
    assert 3 <= told <= 5


def test_what_glides_is_told_while_it_glides_and_no_longer() -> None:
    desk = Desk(
        score_of(
            gate_lane("kick", "x..."),
            macros=[Macro("m", 0.0)],
            sections=(Section("flood", macros={"m": 1.0}, lanes={"kick": {"chance": 0.0}}),),
        )
    )
    desk.start()
    desk.run_to(BAR)
    report = Report(desk.player, ABOUT)
    report.changed(desk.now)
    desk.do("section", section="flood", when="now", morph_bars=1)
    told: list[tuple[float, float]] = []
    for _ in range(80):  # as the process does: at most each 33 ms
        desk.run(33)
        new = report.changed(desk.now)
        if "macros" in new:
            told.append((new["macros"]["m"]["value"], new["lanes"]["kick"]["settings"]["chance"]))
    # A bar at 120 to the minute lasts 2 s: sixty frames, each further on than the one before.
    assert 55 <= len(told) <= 63
    assert told == sorted(told, key=lambda row: (row[0], -row[1]))
    assert told[-1] == (1.0, 0.0)
    assert all(abs(value + chance - 1) < 0.01 for value, chance in told)
    assert not desk.player.performance.moving
    assert "macros" not in report.changed(desk.now + 1)


def test_a_new_tempo_is_told_of_the_clock_as_well() -> None:
    desk, report = playing()
    report.changed(desk.now)
    desk.do("tempo", bpm=97.0)
    changed = report.changed(desk.now + 1)
    assert changed["transport"]["tempo"] == changed["clock"]["tempo"] == 97.0

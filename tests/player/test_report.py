from __future__ import annotations

import json
from typing import Any

from support.desk import BAR, BEAT, Desk, gate_lane, score_of
from support.states import process_about

from bridge.music.model import Macro, Section
from bridge.player.report import Report
from bridge.protocol.state import PortState

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


def playing() -> tuple[Desk, Report]:
    desk = Desk(score_of(gate_lane("kick", "x..."), macros=[Macro("m", 0.2)]))
    desk.start()
    desk.run_to(BAR + 2 * BEAT)
    return desk, Report(desk.player, process_about())


def told_again(report: Report, now: int) -> dict[str, Any]:
    """What has changed, by the names of the members."""
    return report.changed(now)


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
    assert state["clock"]["state"] == "internal"


def test_only_what_changed_is_told_again() -> None:
    desk, report = playing()
    told_again(report, desk.now)
    assert told_again(report, desk.now + 1) == {}
    desk.do("macro", macro="m", value=0.9)
    changed = told_again(report, desk.now + 2)
    assert changed["macros"]["m"]["value"] == 0.9
    assert "lanes" not in changed
    desk.do("mute", lane="kick", muted=True)
    assert set(told_again(report, desk.now + 3)) == {"lanes"}
    desk.do("offset", ms=3.4)
    assert told_again(report, desk.now + 4)["clock"]["offset_ms"] == 3.4
    ports: dict[str, PortState] = {
        "main": {"port": "simulated", "open": False, "waiting": False, "link": "usb"}
    }
    report.about["ports"] = ports
    desk.player.warn("gone")
    changed = told_again(report, desk.now + 5)
    assert changed["ports"] == ports
    assert changed["warnings"][-1] == "gone"
    desk.do("stop")
    desk.run(2)
    assert told_again(report, desk.now)["transport"]["state"] == "stopped"


def test_place_and_lateness_are_told_twice_a_second() -> None:
    desk, report = playing()
    told_again(report, desk.now)
    told = 0
    for _ in range(100):
        desk.run(20)
        told += "transport" in told_again(report, desk.now)
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
    report = Report(desk.player, process_about())
    state = told_again(report, desk.now)
    desk.do("section", section="flood", when="now", morph_bars=1)
    told: list[tuple[float, float]] = []
    for _ in range(80):  # as the process does: at most each 33 ms
        desk.run(33)
        new = told_again(report, desk.now)
        state |= new
        if "macros" in new:
            chance = state["lanes"]["kick"]["settings"]["chance"]
            told.append((state["macros"]["m"]["value"], chance))
    # A bar at 120 to the minute lasts 2 s: sixty frames, each further on than the one before.
    assert 55 <= len(told) <= 63
    assert told == sorted(told, key=lambda row: (row[0], -row[1]))
    assert told[-1] == (1.0, 0.0)
    assert all(abs(value + chance - 1) < 0.01 for value, chance in told)
    assert not desk.player.performance.moving
    assert "macros" not in told_again(report, desk.now + 1)


def test_a_new_tempo_is_told_of_the_clock_as_well() -> None:
    desk, report = playing()
    told_again(report, desk.now)
    desk.do("tempo", bpm=97.0)
    changed = told_again(report, desk.now + 1)
    assert changed["transport"]["tempo"] == changed["clock"]["tempo"] == 97.0

"""What tuning asks of the player: another correction while it plays, and long test tones."""

from __future__ import annotations

import pytest
from support.desk import BEAT, Desk, gate_lane, score_of

from bridge.errors import CommandError
from bridge.music.model import Lane, Note, Notes

KICK = gate_lane("kick", "x...x...x...x...")
DRONE = Lane("drone", Notes((Note(60.0),)), advance="kick", out="main.pitch-1")


def code_sent(desk: Desk, since: float) -> list[int]:
    """The 14-bit codes of pitch-1 since a time: controllers 16 and 48 (MIDI 1.0, p. 12)."""
    codes, msb = [], 0
    for ms, data in desk.of_status(0xB0):
        if ms < since:
            continue
        if data[1] == 16:
            msb = data[2]
        elif data[1] == 48:
            codes.append(msb << 7 | data[2])
    return codes


def volts(code: int) -> float:
    return 8.0 * code / 16383


def test_a_correction_is_heard_at_once_while_playing() -> None:
    desk = Desk(score_of(KICK, DRONE))
    desk.start()
    desk.run_to(BEAT)
    before = volts(code_sent(desk, -1e9)[-1])
    now = (desk.now - desk.zero) / 1e6
    desk.do("correct", output="main.pitch-1", correction={"offset_volts": 0.05, "gain": 1.0})
    desk.run(20)
    assert volts(code_sent(desk, now)[-1]) == pytest.approx(before - 0.05, abs=8 / 16383)
    desk.do("correct", output="main.pitch-1", correction=None)
    desk.run(20)
    assert volts(code_sent(desk, now)[-1]) == pytest.approx(before, abs=1e-9)


def test_a_table_of_cents_is_applied_where_it_says() -> None:
    desk = Desk(score_of(KICK))
    desk.do("try", output="main.pitch-1", action="pitch", value=60)
    desk.run(20)
    plain = volts(code_sent(desk, -1e9)[-1])
    desk.do("correct", output="main.pitch-1", correction={"table": [[24, 12.0], [96, 12.0]]})
    desk.do("try", output="main.pitch-1", action="pitch", value=60)
    desk.run(20)
    # 12 cents sharp everywhere: asked for 12 cents lower, 10 mV by 1 V/oct (1 V = 1200 cents).
    assert volts(code_sent(desk, -1e9)[-1]) == pytest.approx(plain - 0.01, abs=8 / 16383)


def test_what_is_no_output_cannot_be_corrected() -> None:
    desk = Desk(score_of(KICK))
    with pytest.raises(CommandError) as refused:
        desk.do("correct", output="main.pitch-9", correction=None)
    assert refused.value.kind == "unknown"


def test_a_tone_lasts_as_long_as_it_was_asked_for_and_no_longer() -> None:
    desk = Desk(score_of(KICK))
    desk.do("try", output="main.gate-3", action="gate", value=1, ms=2000)
    desk.run(3000)
    (opening,) = desk.openings(3)
    assert opening.off == pytest.approx(opening.on + 2000.0, abs=1e-3)


@pytest.mark.parametrize(
    "command",
    [
        {"do": "listen", "port": "knobs"},
        {"do": "input", "port": "knobs", "data": "903c40"},
        {"do": "feedback", "port": "knobs", "data": "903c40"},
    ],
)
def test_the_ports_of_controllers_are_not_the_players(command: dict[str, str]) -> None:
    desk = Desk(score_of(KICK))
    with pytest.raises(CommandError, match="process"):
        desk.do(**command)

"""The adapter self-test finds what it should find: each fault is put in by hand."""

from __future__ import annotations

import mido

from bridge.bench.looptest import COUNT, judge, mixture

SENT = [(i * 1_000_000, message) for i, message in enumerate(mixture())]


def back(rows: list[tuple[int, bytes]], delay_ns: int = 700_000) -> list[tuple[int, bytes]]:
    return [(ns + delay_ns, data) for ns, data in rows]


def test_the_mixture_is_valid_midi_of_many_kinds() -> None:
    """Checked by mido's own parser of whole messages."""
    kinds = {mido.Message.from_bytes(message).type for message in mixture()}
    assert kinds == {"note_on", "note_off", "control_change", "pitchwheel", "clock"}
    assert len(mixture()) == COUNT
    assert mixture() == mixture()


def test_a_good_adapter() -> None:
    result = judge(SENT, back(SENT))
    assert result.good
    assert (result.lost, result.foreign, result.reordered) == (0, 0, 0)
    assert "median 0.70 ms, 99 of 100 within 0.70 ms, slowest 0.70 ms" in result.words()[1]
    assert "fit to play" in result.words()[-1]


def test_loss() -> None:
    result = judge(SENT, back(SENT[:500] + SENT[503:]))
    assert (result.lost, result.foreign) == (3, 0)
    assert not result.good


def test_order() -> None:
    rows = back(SENT)
    rows[10], rows[11] = (rows[10][0], rows[11][1]), (rows[11][0], rows[10][1])
    result = judge(SENT, rows)
    assert (result.lost, result.foreign, result.reordered) == (0, 0, 1)


def test_a_changed_message_is_one_lost_and_one_foreign() -> None:
    rows = back(SENT)
    rows[20] = (rows[20][0], b"\xc0\x05")
    result = judge(SENT, rows)
    assert (result.lost, result.foreign) == (1, 1)
    assert not result.good


def test_silence() -> None:
    result = judge(SENT, [])
    assert result.lost == COUNT
    assert len(result.words()) == 2
    assert "Nothing came back" in result.words()[-1]

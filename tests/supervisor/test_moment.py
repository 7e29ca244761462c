"""What is played, on the disk: when it is written, how much of it, and what is read back."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from support.desk import BAR, Desk, gate_lane, score_of
from support.patience import PATIENCE_S
from support.states import process_about

from bridge.files import store
from bridge.player.report import Report
from bridge.protocol.state import PlayerReport
from bridge.supervisor.last_moment import decode, last
from bridge.supervisor.moment import FILE, Moments, sealed
from bridge.supervisor.spending import BLOCK, MOMENT_BYTES_PER_HOUR, OVERHEAD, Spending


@pytest.fixture
def desk() -> Desk:
    return Desk(score_of(gate_lane("kick", "x..."), gate_lane("hats", "xxxx", 2)))


def state(desk: Desk) -> PlayerReport:
    return Report(desk.player, process_about()).full(desk.now)


def moments(folder: Path, spending: Spending | None = None) -> Moments:
    return Moments(folder, folder / "rig.yaml", folder / "set.yaml", "run", spending)


def settled(kept: Moments) -> None:
    with kept._changed:
        assert kept._changed.wait_for(lambda: kept._newest is None and not kept._busy, PATIENCE_S)


def test_a_bar_a_change_by_hand_and_an_end(tmp_path: Path, desk: Desk) -> None:
    kept, begin = moments(tmp_path), desk.now
    written: list[int] = []

    def look() -> None:
        kept.look(state(desk), (desk.now - begin) / 1e9)
        settled(kept)
        stat = (tmp_path / FILE).stat()
        if stat.st_ino not in written[-1:]:
            written.append(stat.st_ino)

    look()
    for _ in range(8):  # it stands: nothing changes
        desk.run(1000)
        look()
    assert len(written) == 1
    desk.start()
    for _ in range(80):  # 20 s of bars that last two
        desk.run(250)
        look()
    assert 10 <= len(written) - 1 <= 11
    found, note = last(kept)
    assert found is not None
    assert not note
    assert (found.playing, found.ended) == (True, False)
    assert abs(found.bar - desk.player.song.place(desk.now) / BAR - 1) <= 1
    before = len(written)
    desk.do("stop")
    desk.do("mute", lane="hats", muted=True)
    for _ in range(8):
        desk.run(250)
        look()
    assert before < len(written) <= before + 2
    found, _ = last(kept)
    assert found is not None
    assert found.performance["lanes"]["hats"]["under"] is True
    kept.end(state(desk))
    found, _ = last(kept)
    assert found is not None
    assert found.ended


def test_no_more_is_written_in_an_hour_than_was_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A big set, bars of a fifth of a second, a hand that never rests: two hours of it."""
    written: list[int] = []
    monkeypatch.setattr(Moments, "_offer", lambda self, raw: written.append(len(raw)))
    desk = Desk(score_of(*(gate_lane(f"lane-{n}", "x...", n % 8 + 1) for n in range(120))))
    spending = Spending()
    kept = moments(tmp_path, spending)
    now, seen = state(desk), []
    for tenth in range(72_000):
        now["transport"].update({"state": "running", "bar": tenth // 2 + 1})
        if tenth % 100 == 0 or tenth < 3000:
            kept.look(now, tenth / 10)
            seen.append(spending.of_hour(tenth / 10))
    assert len(written) > 300
    assert max(seen) <= MOMENT_BYTES_PER_HOUR + max(written) + OVERHEAD + BLOCK


def test_the_pace_of_a_usual_set_keeps_a_bar(tmp_path: Path, desk: Desk) -> None:
    kept = moments(tmp_path)
    desk.start()
    kept.look(state(desk), 0.0)
    settled(kept)
    assert kept._next_at <= 2.0, "a bar of four at 120"


def test_a_disk_that_takes_nothing_is_said_once_and_heals(
    tmp_path: Path, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = moments(tmp_path)

    def full(*_: object, **__: object) -> None:
        raise OSError(28, os.strerror(28))

    with monkeypatch.context() as patched:
        patched.setattr(store, "write_atomic", full)
        for second in range(3):
            desk.do("mute", lane="hats", muted=second % 2 == 0)
            kept.look(state(desk), float(10 * second))
            settled(kept)
        assert os.strerror(28) in kept.news()
        assert kept.news() == ""
    desk.do("mute", lane="kick", muted=True)
    kept.look(state(desk), 40.0)
    settled(kept)
    assert "again" in kept.news()
    assert last(kept)[0] is not None


def test_what_is_not_whole_or_of_other_files_is_not_believed(tmp_path: Path, desk: Desk) -> None:
    kept = moments(tmp_path)
    assert last(kept) == (None, "")
    kept.end(state(desk))
    raw = (tmp_path / FILE).read_bytes()
    assert decode(sealed(decode(raw).model_dump_json().encode())) == decode(raw)
    assert last(Moments(tmp_path, tmp_path / "rig.yaml", tmp_path / "other.yaml", "r")) == (
        None,
        "",
    )
    for position in range(0, len(raw), 7):
        changed = bytearray(raw)
        changed[position] ^= 1
        with pytest.raises(ValueError, match="checksum"):
            decode(bytes(changed))
    for cut in (raw[:-1], raw[:64], b"", b"\n", raw + b" "):
        with pytest.raises(ValueError, match=r"checksum|as we write"):
            decode(cut)
    (tmp_path / FILE).write_bytes(raw[:-9])
    found, note = last(kept)
    assert found is None
    assert "checksum" in note

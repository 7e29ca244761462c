"""What a start takes over from a run that was cut off; the processes are in tests/real."""

from __future__ import annotations

from pathlib import Path

import pytest
from support.desk import BAR, Desk
from support.states import process_about

from bridge.files import working
from bridge.files.rig import Rig, load_rig
from bridge.player.report import Report
from bridge.player.start import Start
from bridge.supervisor import begin, comeback
from bridge.supervisor.moment import Moments

RIG = "rig: Quay rack\ninterfaces:\n  main: {profile: eight-gates-four-cv}\n"
SET = "set: Low tide\nlanes:\n  kick: {steps: x..., out: main.gate-1}\n"
EDITED = SET.replace("x...", "x.x.")


class Place:
    """A folder with a rig, a set, and what a run before has left in its state folder."""

    def __init__(self, folder: Path, resume: str = "stopped") -> None:
        self.rig_path, self.set_path = folder / "rig.yaml", folder / "set.yaml"
        self.state = folder / "state"
        self.state.mkdir()
        self.rig_path.write_text(f"{RIG}resume: {resume}\n")
        self.set_path.write_text(SET)
        self.moments = Moments(self.state, self.rig_path, self.set_path, "this run")

    def left(self, text: str, *, playing: bool = True, ended: bool = False) -> None:
        """A run that played `text`, somewhere in bar 3, at 133, with the kick out."""
        _, start = self.files()
        desk = Desk(start.score, rig=start.outputs)
        desk.do("tempo", bpm=133.0)
        desk.do("mute", lane="kick", muted=True)
        if playing:
            desk.start()
            desk.run_to(2 * BAR + 700)
        state = Report(desk.player, process_about()).full(desk.now)
        before = Moments(self.state, self.rig_path, self.set_path, "the run before")
        before.end(state)
        if not ended:
            found, _ = before.last()
            assert found is not None
            from bridge.supervisor.moment import FILE, encode

            whole = encode(found.model_copy(update={"ended": False}))
            (self.state / FILE).write_bytes(whole)
        kept = working.Kept(
            started_with=str(self.set_path),
            run="the run before",
            revision=4,
            file=str(self.set_path),
            text=text,
            disk=working.digest(self.set_path),
        )
        working.write(self.state, kept)

    def files(self, play: bool = False) -> tuple[Rig, Start]:
        rig = load_rig(self.rig_path)
        return rig, begin.make_start(rig, self.set_path, "socket", play)

    def back(self, *, play: bool = False, fresh: bool = False) -> tuple[Start, str]:
        rig, start = self.files(play)
        made = comeback.bring_back(rig, start, self.moments, fresh=fresh)
        return made, "\n".join(made.warnings)

    def copies(self) -> list[str]:
        folder = self.set_path.parent / "backups"
        return [path.read_text() for path in folder.iterdir()] if folder.is_dir() else []


@pytest.mark.parametrize(
    ("resume", "start", "plays"),
    [("stopped", False, False), ("playing", False, True), ("stopped", True, True)],
)
def test_text_and_performance_come_back(
    tmp_path: Path, resume: str, start: bool, plays: bool
) -> None:
    place = Place(tmp_path, resume)
    place.left(EDITED)
    made, said = place.back(play=start)
    assert made.text == EDITED
    assert made.revision == 4
    assert made.snapshot is not None
    assert made.snapshot["lanes"]["kick"]["under"] is True
    assert made.snapshot["transport"]["tick"] == 2 * BAR, "the beginning of the bar"
    assert made.snapshot["transport"]["tempo"] == 133.0
    assert made.play is plays
    assert "restored the unsaved changes of set.yaml" in said
    assert "at bar 3" in said
    again, said = place.back(
        play=start
    )  # the power fails once more, before this run has left its own
    assert again.snapshot is not None
    assert again.text == EDITED
    assert "restored the unsaved changes of set.yaml" in said
    assert place.copies() == []


def test_what_stood_stands(tmp_path: Path) -> None:
    place = Place(tmp_path, "playing")
    place.left(SET, playing=False)
    made, said = place.back(play=True)
    assert not made.play
    assert made.text == SET
    assert "unsaved" not in said


def test_after_an_end_in_good_order_the_files_are_played(tmp_path: Path) -> None:
    place = Place(tmp_path, "playing")
    place.left(EDITED, ended=True)
    made, said = place.back()
    assert (made.text, made.snapshot, made.play) == (SET, None, False)
    assert place.copies() == [EDITED]
    assert "backups/set." in said
    assert place.back()[1] == "", "it is put aside once"


def test_text_that_cannot_be_put_aside_stays_until_it_can(tmp_path: Path) -> None:
    place = Place(tmp_path)
    place.left(EDITED, ended=True)
    in_the_way = place.set_path.parent / "backups"
    in_the_way.write_text("a file where the folder should be")
    assert "cannot be kept" in place.back()[1]
    in_the_way.unlink()
    place.back()
    assert place.copies() == [EDITED]


def test_fresh_is_the_files(tmp_path: Path) -> None:
    place = Place(tmp_path)
    place.left(EDITED)
    made, _ = place.back(fresh=True)
    assert (made.text, made.snapshot) == (SET, None)
    assert place.copies() == [EDITED]


def test_a_file_that_was_written_since_is_not_replaced(tmp_path: Path) -> None:
    place = Place(tmp_path)
    place.left(EDITED)
    newer = SET.replace("Low tide", "Slack water")
    place.set_path.write_text(newer)
    made, said = place.back()
    assert made.text == newer
    assert made.snapshot is not None
    assert place.copies() == [EDITED]
    assert "was changed by somebody else" in said


def test_what_cannot_be_used_is_said_and_the_file_is_played(tmp_path: Path) -> None:
    place = Place(tmp_path)
    place.left("lanes: {kick: {steps: '?'}}")
    made, said = place.back()
    assert made.text == SET
    assert "cannot be restored" in said
    assert len(place.copies()) == 1


def test_nothing_left_is_nothing_said(tmp_path: Path) -> None:
    place = Place(tmp_path)
    made, said = place.back()
    assert (made.snapshot, said) == (None, "")


def test_a_text_of_another_place_is_not_taken(tmp_path: Path) -> None:
    place = Place(tmp_path)
    place.left(SET)
    kept = working.Kept(
        started_with=str(place.set_path),
        run="the run before",
        revision=4,
        file="/etc/hosts.yaml",
        text=EDITED,
        disk="",
    )
    working.write(place.state, kept)
    assert place.back()[0].text == SET
    assert place.copies() == []

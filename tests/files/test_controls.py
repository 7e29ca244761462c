"""Controls written into the rig file: the rest stays, a dated copy is kept, nothing wrong is
written."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from bridge.errors import InputError
from bridge.files.controls import bind, put_controller, remove_controller, row_of, unbind
from bridge.files.rig import Binding, Rig, load_rig, parse_rig

RIG = """\
rig: Quay rack    # by the window
interfaces:
  main: {profile: eight-gates-four-cv}
controllers:
  desk:
    port: Knobs
    controls:
      - {cc: 20, macro: brightness}   # the big one
      - {note: 36, channel: 10, mute: kick}
"""
NOW = datetime(2026, 1, 31, 21, 5)


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    path = tmp_path / "rig.yaml"
    path.write_text(RIG, encoding="utf-8")
    return load_rig(path)


def text(rig: Rig) -> str:
    assert rig.path is not None
    return rig.path.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("binding", "row"),
    [
        (Binding("cc", 20, 1, macro="m"), {"cc": 20, "macro": "m"}),
        (
            Binding("note", 36, 10, mute="k", feedback=True),
            {"note": 36, "channel": 10, "mute": "k", "feedback": True},
        ),
        (
            Binding("cc", 7, 2, macro="m", pickup=False, pair=True),
            {"cc": 7, "channel": 2, "macro": "m", "pickup": False, "pair": True},
        ),
        (
            Binding("cc", 8, 1, macro="m", encoder="offset", steps=400),
            {"cc": 8, "macro": "m", "encoder": "offset", "steps": 400},
        ),
        (Binding("cc", 64, 1, mute="k", latch=True), {"cc": 64, "mute": "k", "latch": True}),
    ],
)
def test_a_control_is_written_without_what_is_usual_and_read_back(
    binding: Binding, row: dict[str, object], rig: Rig
) -> None:
    assert row_of(binding) == row
    after = bind(rig, "desk", binding, NOW)
    assert binding in after.controllers["desk"].bindings
    assert after.controllers == load_rig(rig.path or "").controllers


def test_a_new_control_stands_below_the_others_and_a_known_one_in_its_place(rig: Rig) -> None:
    after = bind(rig, "desk", Binding("note", 37, 10, mute="rim"), NOW)
    assert text(rig) == RIG + "      - {note: 37, channel: 10, mute: rim}\n"
    bind(after, "desk", Binding("cc", 20, 1, macro="flotsam"), NOW)
    assert "- {cc: 20, macro: flotsam}   # the big one\n" in text(rig)
    assert rig.path is not None
    copies = sorted((rig.path.parent / "backups").iterdir())
    assert copies[-1].read_text(encoding="utf-8") == RIG


def test_a_control_is_taken_out(rig: Rig) -> None:
    after = unbind(rig, "desk", "cc", 20, 1, NOW)
    assert [b.number for b in after.controllers["desk"].bindings] == [36]
    assert "big one" not in text(rig)
    assert "by the window" in text(rig)
    assert unbind(after, "desk", "cc", 99, 1, NOW).controllers == after.controllers


def test_controllers_come_and_go(rig: Rig) -> None:
    after = put_controller(rig, "pads", "Pad box: left", NOW)
    assert after.controllers["pads"].port == "Pad box: left"
    after = put_controller(after, "desk", "Other", NOW)
    assert after.controllers["desk"].port == "Other"
    assert len(after.controllers["desk"].bindings) == 2
    after = remove_controller(remove_controller(after, "pads", NOW), "desk", NOW)
    assert not after.controllers
    assert "controllers" not in text(rig)


PLAIN = "rig: R\ninterfaces:\n  main: {profile: eight-gates-four-cv}\n"


@pytest.mark.parametrize("before", [PLAIN, PLAIN.rstrip("\n")])
def test_a_first_controller_is_written_as_a_person_would(before: str, tmp_path: Path) -> None:
    path = tmp_path / "rig.yaml"
    path.write_text(before, encoding="utf-8")
    rig = put_controller(load_rig(path), "desk", "Knobs", NOW)
    rig = bind(rig, "desk", Binding("cc", 20, 1, macro="m"), NOW)
    rig = bind(rig, "desk", Binding("cc", 21, 1, macro="flotsam"), NOW)
    rig = put_controller(rig, "pads", "Pads", NOW)
    assert path.read_text(encoding="utf-8") == (
        PLAIN + "\ncontrollers:\n  desk:\n    port: Knobs\n    controls:\n"
        "      - {cc: 20, macro: m}\n      - {cc: 21, macro: flotsam}\n  pads:\n    port: Pads\n"
    )
    assert list(rig.controllers) == ["desk", "pads"]


def test_what_would_be_wrong_is_not_written(rig: Rig) -> None:
    with pytest.raises(InputError, match="from 0 to 31"):
        bind(rig, "desk", Binding("cc", 40, 1, macro="m", pair=True), NOW)
    assert text(rig) == RIG


def test_only_controllers_are_taken_from_a_file_that_changed_meanwhile(rig: Rig) -> None:
    assert rig.path is not None
    rig.path.write_text(RIG.replace("Quay rack", "Other rack"), encoding="utf-8")
    after = bind(rig, "desk", Binding("note", 1, 1, mute="rim"), NOW)
    assert after.name == "Quay rack"
    assert "Other rack" in after.text


def test_a_rig_without_a_file_is_not_written() -> None:
    with pytest.raises(OSError, match="no file"):
        bind(parse_rig(RIG), "desk", Binding("note", 1, 1, mute="rim"), NOW)

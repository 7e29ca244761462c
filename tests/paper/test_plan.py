"""What `check` says of a rig and a set."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from bridge import demo
from bridge.errors import InputError
from bridge.paper.plan import checked

RIG = """\
rig: Quay rack
interfaces:
  drums: {profile: drum-triggers-eight, cables: {trigger-1: kick voice}}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "rig.yaml").write_text(RIG)
    return tmp_path


def a_set(folder: Path, *lanes: str) -> Path:
    path = folder / "set.yaml"
    path.write_text("set: Low tide\nlanes:\n" + "".join(f"  {lane}\n" for lane in lanes))
    return path


def test_a_rig_alone_shows_its_outputs(folder: Path) -> None:
    said = list(checked(folder / "rig.yaml", None))
    assert said[0].endswith("rig.yaml: good. Quay rack: 1 interface, 8 outputs")
    assert len([line for line in said if line.startswith("  drums.trigger-")]) == 8
    assert said[-1].startswith("  free: drums.trigger-1, ")


def test_a_set_shows_what_drives_what_and_what_is_left(folder: Path) -> None:
    path = a_set(
        folder,
        "kick: {every: 1, rate: 1/4, out: drums.trigger-1}",
        "ghost: {every: 1}",
        "spray: {logic: kick and ghost, out: drums.trigger-2}",
    )
    said = list(checked(folder / "rig.yaml", path))
    assert said[1].endswith("Low tide: 3 lanes (1 derived), 0 macros, 0 sections")
    (row,) = [line for line in said if line.startswith("  drums.trigger-1")]
    assert row.split()[-3:] == ["kick", "kick", "voice"]
    assert "  lanes without an output: ghost" in said
    assert any(line.startswith("  free: drums.trigger-3, ") for line in said)
    (wire,) = [line for line in said if line.startswith("  wire drums")]
    assert "2 hits" in wire


def test_a_step_that_is_too_full_says_what_to_do(folder: Path) -> None:
    lanes = [f"l{i}: {{every: 1, rate: 1/4, out: drums.trigger-{i}}}" for i in range(1, 9)]
    said = list(checked(folder / "rig.yaml", a_set(folder, *lanes)))
    assert any("6.7 ms can be heard" in line for line in said)
    assert any("put the tightest first" in line for line in said)


def test_warnings_come_last_with_their_place(folder: Path) -> None:
    (folder / "rig.yaml").write_text(RIG + "  main: {profile: eight-gates-four-cv}\n")
    path = a_set(folder, "line: {notes: [C0], out: main.pitch-1}")
    said = list(checked(folder / "rig.yaml", path))
    assert said[-1].startswith(f"{path}:3:28  lanes.line.out: main.pitch-1 ends at C1 (0 V)")
    assert said[-1].endswith("(warning)")


def test_both_files_are_checked_even_when_the_rig_is_wrong(folder: Path) -> None:
    (folder / "rig.yaml").write_text(RIG.replace("profile", "profil"))
    with pytest.raises(InputError) as caught:
        list(checked(folder / "rig.yaml", a_set(folder, "kick: {euclid: {hits: 17, steps: 16}}")))
    said = str(caught.value)
    assert "did you mean profile?" in said
    assert "17 hits do not fit in 16 steps" in said


def test_a_rig_alone_has_its_own_warnings(folder: Path) -> None:
    (folder / "rig.yaml").write_text(RIG + "clock: {follow: intern}\n")
    said = list(checked(folder / "rig.yaml", None))
    assert said[-1].endswith("did you mean internal? (warning)")


def test_what_the_clock_drives_is_not_free(folder: Path) -> None:
    clocked = RIG + "  sync: {profile: clock-and-reset}\n"
    (folder / "rig.yaml").write_text(clocked + "clock: {send_to: [sync]}\n")
    said = list(checked(folder / "rig.yaml", a_set(folder, "kick: {every: 4}")))
    (clock,) = [line for line in said if "sync.clock-24 " in line]
    assert clock.split()[-2:] == ["clock", "-"]
    (free,) = [line for line in said if line.startswith("  free: ")]
    assert free.endswith("sync.pulse-1, sync.pulse-2")
    # Without our clock they do nothing, and still no lane could have them.
    (folder / "rig.yaml").write_text(clocked)
    said = list(checked(folder / "rig.yaml", a_set(folder, "kick: {every: 4}")))
    assert free in said
    (clock,) = [line for line in said if "sync.clock-24 " in line]
    assert "(no clock)" in clock


def test_cables_that_a_set_does_not_play_are_listed_and_no_warning(folder: Path) -> None:
    said = list(checked(folder / "rig.yaml", a_set(folder, "a: {every: 4, out: drums.trigger-2}")))
    assert "  cabled, but this set does not play: drums.trigger-1" in said
    (warning,) = [line for line in said if line.endswith("(warning)")]
    assert "drums.trigger-2 (a) is played, but no cable is written down" in warning


@pytest.mark.parametrize("idea", [None, *demo.names()])
def test_the_demo_and_every_idea_give_no_warning(idea: str | None) -> None:
    assert [line for line in checked(*demo.files(idea)) if line.endswith("(warning)")] == []


def test_the_sets_of_the_readme_give_no_warning(tmp_path: Path) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    rig, text = re.findall(r"```yaml\n(.*?)```", readme, re.DOTALL)
    (tmp_path / "rig.yaml").write_text(rig)
    (tmp_path / "set.yaml").write_text(text)
    said = list(checked(tmp_path / "rig.yaml", tmp_path / "set.yaml"))
    assert [line for line in said if line.endswith("(warning)")] == []

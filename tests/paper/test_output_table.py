"""The table of outputs and the warnings, on rigs that have what is warned of."""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path

import pytest

from bridge.files.rig import Rig, load_rig
from bridge.files.set import SetDocument, parse_set
from bridge.files.tuning import Tuning, save_tuning
from bridge.paper.output_table import address_words, cents_words, lines, table, warnings
from bridge.voltage.calibration import Correction
from bridge.voltage.profile import Address, Output

PROFILE = """\
profile: dock
outputs:
  gate: {kind: gate, by: note, number: 36}
  other: {kind: gate, by: note, number: 37}
  coarse: {kind: pitch, by: cc, number: 20, high: 10, reference_note: C1}
  low: {kind: pitch, by: cc14, number: 1, low: 0, high: 2, reference_note: C2}
  level: {kind: level, by: cc14, number: 2, high: 5}
  voice-pitch: {kind: pitch, by: note-pitch, channel: 2, voice: v, high: 8, reference_note: C1}
  voice-gate: {kind: gate, by: note, channel: 2, voice: v}
  whole: {kind: pitch, by: note-pitch, channel: 3, high: 8, reference_note: C1, bend_semitones: 0}
  spare: {kind: level, by: cc, number: 40, excludes: [level]}
"""


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    (tmp_path / "dock.yaml").write_text(PROFILE)
    (tmp_path / "rig.yaml").write_text(
        "rig: Quay rack\ninterfaces:\n  main:\n    profile: dock\n    cables:\n"
        "      gate: kick voice\n"
    )
    return load_rig(tmp_path / "rig.yaml")


def a_set(rig: Rig, lanes: str, more: str = "") -> SetDocument:
    body = "".join(f"  {line.strip()}\n" for line in lanes.strip().splitlines())
    return parse_set(f"set: Low tide\nlanes:\n{body}{more}", "set.yaml", rig)


def said(rig: Rig, lanes: str, more: str = "") -> list[str]:
    """What `outputs` itself warns of, beside what the files say."""
    return [str(problem) for problem in warnings(rig, a_set(rig, lanes, more))]


def test_one_row_per_output_with_what_drives_it(rig: Rig) -> None:
    document = a_set(
        rig,
        """
        kick: {every: 1, out: main.gate}
        swell: {levels: [0, 1], out: main.level, drives: [{lane: kick, setting: chance}]}
    """,
        "macros:\n  glow: {drives: [{out: main.level, depth: 0.5}]}\n",
    )
    rows = {row.output: row for row in table(rig, document)}
    assert list(rows) == list(rig.wired)
    assert rows["main.gate"].drivers == ("kick",)
    assert (rows["main.gate"].cable, rows["main.gate"].step_mv) == ("kick voice", None)
    assert rows["main.level"].drivers == ("swell", "macro glow")
    assert rows["main.level"].step_cents is None
    # 10 V in 127 steps: 78.74 mV, 94.49 cents (cv_facts).
    assert rows["main.coarse"].step_mv == pytest.approx(78.740157)
    assert rows["main.coarse"].step_cents == pytest.approx(94.488189)
    assert not rows["main.level"].free
    assert rows["main.other"].free
    assert (rows["main.spare"].blocked_by, rows["main.spare"].free) == ("main.level", False)


def test_without_a_set_everything_is_free(rig: Rig) -> None:
    assert all(row.free for row in table(rig))


def test_a_tuned_output_says_since_when(rig: Rig) -> None:
    assert rig.path is not None
    made = Tuning(Correction(0.01, made="2026-01-31T20:00:00"), "dock")
    save_tuning(rig.path, "main.coarse", made, datetime(2026, 1, 31))
    assert {row.output: row.tuned for row in table(rig)}["main.coarse"] == "2026-01-31"


def test_the_table_as_text(rig: Rig) -> None:
    document = a_set(rig, "kick: {every: 1, out: main.gate}")
    text = list(lines(table(rig, document)))
    assert text[0].split() == ["output", "kind", "by", "volts", "step", "driven", "by", "cable"]
    assert re.split(r"  +", text[1]) == [
        "main.gate",
        "gate",
        "note C2 (36), channel 1",
        "0 to 5 V",
        "-",
        "kick",
        "kick voice",
    ]
    # Columns stand under their headings.
    assert all(line[text[0].index("by") - 1] == " " for line in text[1:-1])
    (coarse,) = [line for line in text if line.startswith("main.coarse")]
    assert "79 mV, 94 cents" in coarse
    assert text[-1].startswith("free: main.other, main.coarse, ")


@pytest.mark.parametrize(
    ("address", "words"),
    [
        (Address("note", 10, 36), "note C2 (36), channel 10"),
        (Address("note", 2), "any note, channel 2"),
        (Address("note-velocity", 10, 38), "velocity of note D2 (38), channel 10"),
        (Address("cc14", 1, 16), "controllers 16 and 48, channel 1"),
        (Address("nrpn", 3, 300), "NRPN 300, channel 3"),
        (Address("program", 3), "program number, channel 3"),
        (Address("program", 3, 5), "program 5, channel 3"),
        (Address("clock"), "MIDI clock"),
    ],
)
def test_how_an_output_is_reached(address: Address, words: str) -> None:
    assert address_words(Output("x", "level", address)) == words


@pytest.mark.parametrize(
    ("cents", "words"),
    [(94.5, "about a semitone"), (47.2, "about half a semitone"), (23.6, "24 cents")],
)
def test_steps_in_plain_words(cents: float, words: str) -> None:
    assert cents_words(cents) == words


def test_a_good_set_has_no_warnings(rig: Rig) -> None:
    assert (
        said(
            rig,
            """
        kick: {every: 1, out: main.voice-gate}
        line: {notes: [C1, C3, C9], advance: kick, out: main.voice-pitch}
        deep: {notes: [C2, C4], out: main.low}
        swell: {levels: [0, 1], out: main.level}
    """,
        )
        == []
    )


def test_pitch_on_a_coarse_controller(rig: Rig) -> None:
    assert said(rig, "line: {notes: [C2], out: main.coarse}") == [
        "set.yaml:3:28  lanes.line.out: pitch on controller 20: 79 mV steps, about a semitone; "
        "it will be out of tune"
    ]


def test_glides_on_whole_semitones(rig: Rig) -> None:
    (problem,) = said(rig, "line: {notes: [C2, E2], slew_ms: 50, out: main.whole}")
    assert problem.endswith("main.whole plays whole semitones only: glides become steps")
    (problem,) = said(rig, "line: {notes: [C2, {note: E2, glide: true}], out: main.whole}")
    assert "glides become steps" in problem
    assert said(rig, "line: {notes: [C2, E2], out: main.whole}") == []


def test_a_voice_without_its_gate(rig: Rig) -> None:
    (problem,) = said(rig, "line: {notes: [C2], out: main.voice-pitch}")
    assert problem.endswith(
        "main.voice-pitch moves only when main.voice-gate opens, and nothing plays main.voice-gate"
    )


def test_outputs_that_exclude_each_other(rig: Rig) -> None:
    """Two lanes are refused when the set is read; a macro that drives the other is warned of."""
    more = "macros:\n  ebb: {drives: [{out: main.spare, depth: 0.1}]}\n"
    (problem,) = said(rig, "swell: {levels: [0, 1], out: main.level}", more)
    assert problem.startswith("main.level: main.level and main.spare cannot be used together")
    assert problem.endswith("(swell and macro ebb)")

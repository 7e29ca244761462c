"""Which outputs suit a lane."""

from __future__ import annotations

import pytest

from bridge.files.rig import parse_rig
from bridge.files.set import parse_set
from bridge.paper.free_outputs import loose
from bridge.paper.output_table import table

RIG = parse_rig("rig: R\ninterfaces: {main: {profile: eight-gates-four-cv}}\n")


@pytest.mark.parametrize(
    ("lane", "kinds"),
    [
        ("{euclid: {hits: 3, steps: 8}}", {"gate", "trigger"}),
        ("{steps: x..x}", {"gate", "trigger"}),
        ("{logic: kick}", {"gate", "trigger"}),
        ("{notes: [A1, C2]}", {"pitch"}),
        ("{levels: [0, 1]}", {"level"}),
        ("{shape: sine}", {"level"}),
        ("{walk: true, quantise: key}", {"level", "pitch"}),
    ],
)
def test_a_lane_fits_outputs_of_its_kind_that_are_free(lane: str, kinds: set[str]) -> None:
    text = (
        f"set: S\nlanes:\n  kick: {{every: 4, out: main.gate-1}}\n  it: {lane}\n"
        "  line: {notes: [A1], out: main.pitch-1}\n"
    )
    document = parse_set(text, "set.yaml", RIG)
    rows = table(RIG, document)
    (found,) = loose(document.spec, rows)
    assert found.lane == "it"
    wanted = [row.output for row in rows if row.kind in kinds and row.free]
    assert list(found.fits) == wanted
    assert wanted
    assert not {"main.gate-1", "main.pitch-1"} & set(found.fits)


def test_a_lane_that_moves_others_is_a_helper() -> None:
    drives = "drives: [{lane: kick, setting: chance, depth: 0.5}]"
    text = (
        "set: S\nlanes:\n  kick: {every: 4, out: main.gate-1}\n"
        f"  swell: {{shape: sine, {drives}}}\n"
    )
    document = parse_set(text, "set.yaml", RIG)
    (found,) = loose(document.spec, table(RIG, document))
    assert found.helper

"""The patch of a rig as it is drawn on the sheet."""

from __future__ import annotations

from pathlib import Path

from bridge.files.rig import parse_rig
from bridge.files.set import load_set
from bridge.paper.drawings import cables

RIG = """\
rig: Quay rack
interfaces:
  one: {profile: eight-gates-four-cv, port: Quay, cables: {gate-1: kick voice}}
  two: {profile: eight-gates-four-cv, port: Bay, latency_ms: 2.5}
"""


def test_an_interface_says_how_late_it_is_where_that_is_known(tmp_path: Path) -> None:
    rig = parse_rig(RIG)
    path = tmp_path / "set.yaml"
    path.write_text("set: S\ntempo: 120\nlanes: {kick: {steps: x..., out: one.gate-1}}\n")
    drawn = cables(rig, load_set(path, rig).spec)
    assert "eight-gates-four-cv, port Bay, usb, 2.5 ms late" in drawn
    assert "eight-gates-four-cv, port Quay, usb<" in drawn

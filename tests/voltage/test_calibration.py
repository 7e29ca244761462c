"""Corrections: what is asked for, so that the wanted voltage comes out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.voltage.calibration import Correction, interpolate
from bridge.voltage.encode import Encoder
from bridge.voltage.profile import Address, Output, WiredOutput

V_OCT = Output("p", "pitch", Address("cc14", 1, 16), high=8, reference_note=24)
HZ_V = Output(
    "p", "pitch", Address("cc14", 1, 16), high=8, law="hz/v", reference_note=33, reference_volts=1
)

tables = st.lists(
    st.tuples(st.sampled_from(range(12, 121, 12)), st.floats(-40, 40)),
    max_size=6,
    unique_by=lambda row: row[0],
).map(lambda rows: tuple(sorted(rows)))


@given(
    st.sampled_from([V_OCT, HZ_V]),
    st.floats(-0.2, 0.2),
    st.floats(0.9, 1.1),
    tables,
    st.floats(0.5, 8),
)
def test_what_is_asked_for_gives_what_is_wanted(
    out: Output, offset: float, gain: float, table: tuple[tuple[int, float], ...], volts: float
) -> None:
    correction = Correction(offset, gain, table)
    assert correction.gives(out, correction.ask(out, volts)) == pytest.approx(volts, abs=1e-5)


def test_no_correction_changes_nothing() -> None:
    assert Correction().ask(V_OCT, 1.25) == 1.25


def test_offset_and_gain_are_taken_back() -> None:
    assert Correction(0.1, 1.02).ask(V_OCT, 3.0) == pytest.approx((3.0 - 0.1) / 1.02)


def test_a_sharp_octave_is_asked_for_lower() -> None:
    """10 cents are 8.33 mV at 1 V/oct (cv_facts)."""
    correction = Correction(table=((24, 10.0), (36, 10.0)))
    assert correction.ask(V_OCT, 0.5) == pytest.approx(0.5 - 0.1 / 12)


@given(tables.filter(bool), st.floats(0, 127))
def test_straight_lines_as_numpy_draws_them(
    table: tuple[tuple[int, float], ...], note: float
) -> None:
    x, y = zip(*table, strict=True)
    assert interpolate(table, note) == pytest.approx(float(np.interp(note, x, y)), abs=1e-9)


def encoder(out: Output, correction: Correction, *more: Output) -> Encoder:
    outputs = {o.name: WiredOutput(o.name, "port", o) for o in (out, *more)}
    return Encoder(outputs, {out.name: correction})


def test_the_wide_value_carries_the_correction() -> None:
    msb, lsb = encoder(V_OCT, Correction(0.1, 1.02)).pitch("p", 60)
    code = msb.data[2] * 128 + lsb.data[2]
    assert code == round((3.0 - 0.1) / 1.02 / 8 * 16383)


def test_bend_carries_the_correction_before_the_note() -> None:
    """A correction in cents, applied by bend before note-on."""
    pitch = Output("p", "pitch", Address("note-pitch", 1), high=8, reference_note=24, voice="v")
    gate = Output("g", "gate", Address("note", 1), voice="v")
    player = encoder(pitch, Correction(table=((24, 25.0), (120, 25.0))), gate)
    player.pitch("p", 60)
    bend, note = player.gate_on("g")
    assert note.data[:2] == bytes((0x90, 60))
    value = bend.data[1] + 128 * bend.data[2]
    assert value == 8192 - round(0.25 / 2 * 8192)  # a quarter semitone down of two


def test_a_correction_never_leaves_the_range() -> None:
    player = encoder(V_OCT, Correction(0.5, 0.9))
    msb, lsb = player.pitch("p", 120)
    assert (msb.data[2], lsb.data[2]) == (127, 127)
    msb, lsb = player.pitch("p", 24)
    assert (msb.data[2], lsb.data[2]) == (0, 0)


def test_a_correction_can_be_exchanged_while_playing() -> None:
    player = encoder(V_OCT, Correction())
    before = player.pitch("p", 60)
    player.correct("p", Correction(0.1, 1.0))
    after = player.pitch("p", 60)
    assert after
    assert after != before
    player.correct("p", None)
    assert player.pitch("p", 60) == before
    with pytest.raises(KeyError):
        player.correct("nowhere", None)

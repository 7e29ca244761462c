"""What another process reads for the supervisor, and how a player gets it."""

from __future__ import annotations

import io
import os
import pickle
import socket
from dataclasses import replace
from pathlib import Path

import pytest
from support.desk import gate_lane, score_of

from bridge.errors import BridgeError, Exit, InputError, MachineError
from bridge.player.messages import Swap
from bridge.player.start import Start, read_start
from bridge.supervisor.ahead import begun_ahead
from bridge.supervisor.loading import Options, Request, answer, prepare
from bridge.supervisor.prepared import Prepared

SET = "set: Low tide\nmeter: 3/4\nlanes:\n  kick: {steps: x.., out: main.gate-1}\n"


@pytest.fixture
def request_(tmp_path: Path) -> Request:
    rig, set_file = tmp_path / "rig.yaml", tmp_path / "set.yaml"
    rig.write_text("rig: Quay rack\ninterfaces:\n  main: {profile: eight-gates-four-cv}\n")
    set_file.write_text(SET)
    options = Options(rig, set_file, http_port=0, osc_port=0, start=True)
    return Request(options, "a socket", tmp_path / "state", "a run")


def given(prepared: Prepared) -> Start:
    """What a player reads."""
    return read_start(io.BytesIO(prepared.packed()))


def test_a_player_gets_what_the_files_say(request_: Request) -> None:
    with begun_ahead() as ahead:
        prepared = answer(ahead.reader, request_)
    assert (prepared.rig, prepared.set, prepared.meter) == ("Quay rack", "Low tide", (3, 4))
    assert prepared.text == SET
    assert prepared.rig_texts.keys() >= {"rig.yaml", "eight-gates-four-cv.yaml"}
    start = given(prepared)
    assert (start.socket, start.play, start.text, start.parent) == (
        "a socket",
        True,
        SET,
        os.getpid(),
    )
    assert [lane.name for lane in start.score.lanes] == ["kick"]
    assert prepared.safeties["main"].closing


def test_a_later_player_gets_what_was_played_last(request_: Request) -> None:
    score = score_of(gate_lane("hats", "x.x."))
    swap = pickle.dumps(Swap(score, 7, text="another text", file="other.yaml"))
    later = replace(
        prepare(request_),
        score=swap,
        memory=pickle.dumps({"a": "place"}),
        text="another text",
        revision=7,
        restarts=2,
        play=False,
        warnings=("said",),
    )
    start = given(later)
    assert [lane.name for lane in start.score.lanes] == ["hats"]
    assert (start.set, start.memory) == (score.spec.name, {"a": "place"})
    assert (start.text, start.revision, start.restarts) == ("another text", 7, 2)
    assert (start.play, start.warnings) == (False, ("said",))
    good = replace(later, score=pickle.dumps(score))  # a copy of yesterday is a score alone
    assert given(good).score.spec == score.spec


def test_what_is_wrong_comes_back_as_it_was_said(request_: Request) -> None:
    request_.options.set.write_text(SET.replace("gate-1", "gate-99"))
    with pytest.raises(InputError) as here:
        prepare(request_)
    with begun_ahead() as ahead, pytest.raises(BridgeError) as there:
        answer(ahead.reader, request_)
    assert str(there.value) == str(here.value)
    assert there.value.exit == Exit.WRONG


def test_a_port_in_use_is_said_before_anything_is_put_aside(request_: Request) -> None:
    with socket.socket() as tcp:
        tcp.bind(("127.0.0.1", 0))
        tcp.listen()
        options = replace(request_.options, http_port=tcp.getsockname()[1])
        with pytest.raises(MachineError, match="in use"):
            prepare(replace(request_, options=options))


def test_one_that_ends_without_a_word_is_said(request_: Request) -> None:
    with begun_ahead() as ahead:
        ahead.reader.kill()
        with pytest.raises(MachineError, match="cannot be loaded"):
            answer(ahead.reader, request_)

"""Tuning by ear over HTTP: the notes that the player is asked for come back as computed sound."""

from __future__ import annotations

import contextlib
from typing import Any

import pytest
from support.feed import Feed
from support.patience import until
from support.rack import Samples, Tone

from bridge.files.tuning import load_tuning
from bridge.listen import opening, wrong

OUT = "main.pitch-1"
RATE = 48000.0
GAIN, OFFSET = 0.995, 0.012


class Voice:
    """An oscillator at the fake player's output: 0 V is C1, in exact volts."""

    def __init__(self, stage: Any, rate: float = RATE) -> None:
        self.stage = stage
        self.tone = Tone(rate, "saw")
        self.feed = Feed(self.render, rate, 4800, "bay in")
        self.fail_after_ns = 10**18

    def render(self, n: int) -> Samples:
        if self.feed.now_ns > self.fail_after_ns:
            raise wrong.gone("bay in")
        pitches = [
            c["value"] for c in list(self.stage.player.received) if c.get("action") == "pitch"
        ]
        wanted = (pitches[-1] - 24.0) / 12.0 if pitches else 0.0
        told = self.stage.player.tunings[-1]["correction"]
        if told is not None:  # the player asks for other volts, by the line it was given
            wanted = (wanted - told["offset_volts"]) / told["gain"]
        self.tone.volts = OFFSET + GAIN * wanted
        return self.tone.render(n)


async def begin(stage: Any) -> Voice:
    await stage.until(lambda: not stage.service.tuner._tasks)
    status, session, _ = await stage.call(
        "POST", "/api/tuning/session", {"output": OUT, "every": 12}
    )
    assert status == 200, session
    assert session["ear"] is None
    voice = Voice(stage)
    ear = stage.service.tuner.ear
    ear.ears = lambda name, channel: contextlib.closing(voice.feed)
    ear.now_ns = lambda: voice.feed.now_ns
    return voice


async def listen(stage: Any, **body: Any) -> tuple[int, Any]:
    status, answer, _ = await stage.call(
        "POST", "/api/tuning/session/listen", {"input": "bay", **body}
    )
    return status, answer


async def session_of(stage: Any) -> dict[str, Any]:
    _, answer, _ = await stage.call("GET", "/api/tuning")
    return answer["session"]  # type: ignore[no-any-return]


async def test_a_voice_is_heard_measured_checked_and_kept(stage: Any) -> None:
    voice = await begin(stage)
    status, session = await listen(stage)
    assert (status, session["ear"]["running"], session["ear"]["input"]) == (200, True, "bay in")
    assert (await listen(stage))[0] == 409
    await until(lambda: not stage.service.tuner.ear.running)
    session = await session_of(stage)
    ear = session["ear"]
    assert ear["says"] == "measured and checked"
    # 1 V/oct, 0.5 % flat: the fit finds the line that the oscillator was given.
    assert session["result"]["gain"] == pytest.approx(GAIN, abs=2e-4)
    assert session["result"]["offset_mv"] == pytest.approx(1000 * OFFSET, abs=0.5)
    assert len(ear["checked"]) >= 7
    assert max(abs(one["cents"]) for one in ear["checked"]) < 1.0
    assert ear["drift"] == pytest.approx(0.0, abs=0.2)
    assert voice.feed.closed
    assert session["sounding"] is None
    assert stage.player.tunings[-1]["correction"] is None  # nothing is applied before it is kept
    assert load_tuning(stage.folder / "rig.yaml") == {}
    status, kept, _ = await stage.call("POST", "/api/tuning/session/keep")
    assert (status, kept["output"]) == (200, OUT)
    written = load_tuning(stage.folder / "rig.yaml")[OUT]
    assert written.correction.gain == pytest.approx(GAIN, abs=2e-4)


async def test_an_input_that_is_pulled_out_leaves_what_was_heard_and_rest(stage: Any) -> None:
    voice = await begin(stage)
    voice.fail_after_ns = 3 * 10**9
    await listen(stage)
    await until(lambda: not stage.service.tuner.ear.running)
    session = await session_of(stage)
    assert "was it pulled out?\nWhat was heard so far stays" in session["ear"]["says"]
    assert 1 < sum(row["volts"] is not None for row in session["notes"]) < len(session["notes"])
    assert voice.feed.closed
    last = stage.player.received[-1]
    assert last["action"] == "pitch"
    assert last["value"] == 24.0  # 0 V, at which the profile rests


async def test_listening_ends_when_it_is_told_to_and_when_a_note_is_sounded_by_hand(
    stage: Any,
) -> None:
    voice = await begin(stage)
    await listen(stage)
    await until(lambda: len(stage.service.tuner.session.readings) > 1)
    status, session, _ = await stage.call("DELETE", "/api/tuning/session/listen")
    assert (status, session["ear"]["running"]) == (200, False)
    assert "ended early" in session["ear"]["says"]
    assert voice.feed.closed
    assert any(row["volts"] is not None for row in session["notes"])
    await listen(stage)
    status, session, _ = await stage.call("PUT", "/api/tuning/session/sound", {"note": 36})
    assert (session["ear"]["running"], session["sounding"]) == (False, 36)


async def test_the_song_ends_it(stage: Any) -> None:
    voice = await begin(stage)
    await listen(stage)
    await stage.call("POST", "/api/transport/start")
    await until(lambda: stage.service.tuner.session is None and not stage.service.tuner.ear.running)
    await until(lambda: voice.feed.closed)


async def test_an_input_that_cannot_be_used_is_said_and_nothing_begins(stage: Any) -> None:
    await begin(stage)

    def refuse(name: str, channel: int) -> Feed:
        raise wrong.no_channel("bay in", channel, 1)

    stage.service.tuner.ear.ears = refuse
    status, problem = await listen(stage, channel=2)
    assert status == 409
    assert problem["detail"] == "bay in has one channel: there is no channel 2"
    assert (await session_of(stage))["ear"] is None


async def test_inputs_are_listed_or_it_is_said_why_there_are_none(
    stage: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def missing() -> Any:
        raise wrong.no_portaudio()

    monkeypatch.setattr("bridge.web.listen_http.audio_inputs", missing)
    _, answer, _ = await stage.call("GET", "/api/audio-inputs")
    assert answer["inputs"] == []
    assert "PortAudio library" in answer["says"]
    found = [{"name": "bay in", "system": "ALSA", "channels": 2, "rate": 48000.0, "default": True}]
    monkeypatch.setattr("bridge.web.listen_http.audio_inputs", lambda: found)
    _, answer, _ = await stage.call("GET", "/api/audio-inputs")
    assert answer == {"inputs": found, "says": ""}


def test_what_is_not_installed_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wrong, "find_spec", lambda name: None)
    with pytest.raises(wrong.ListenError, match="listening needs the Python package numpy"):
        opening.audio_inputs()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"level": 0.0}, "digital silence"),
        ({"level": 3.0}, "bay in clips"),
        ({"drift": 6000.0}, "the pitch never settles"),
    ],
    ids=["muted", "clipping", "unsettled"],
)
async def test_a_voice_that_cannot_be_measured_is_said_and_not_applied(
    stage: Any, change: dict[str, float], says: str
) -> None:
    voice = await begin(stage)
    for name, value in change.items():
        setattr(voice.tone, name, value)
    if "level" in change and change["level"] > 1.0:
        voice.feed.render = lambda n: voice.render(n).clip(-1.0, 1.0)
    await listen(stage)
    await until(lambda: not stage.service.tuner.ear.running)
    ear = (await session_of(stage))["ear"]
    assert says in ear["says"]
    assert ear["says"].endswith("it is not applied.")
    assert not ear["complete"]
    assert stage.player.received[-1]["value"] == 24.0  # 0 V, at which the profile rests
    assert load_tuning(stage.folder / "rig.yaml") == {}

"""The player's socket: readers come, go, stall and talk nonsense; the loop never waits for them."""

from __future__ import annotations

import json
import pickle
import select
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bridge.errors import CommandError
from bridge.player.frames import Unpacker, pack, pack_json, pack_kept
from bridge.player.messages import Swap
from bridge.player.server import FRAME_NS, Link
from bridge.protocol.command import Command
from bridge.protocol.running import Tap
from bridge.supervisor.watch import Watch

SCORE: Any = [1, 2]  # the link looks into no score

MS = 1_000_000
Asked = list[tuple[Command, Any]]


@pytest.fixture
def asked() -> Asked:
    return []


@pytest.fixture
def link(tmp_path: Path, asked: Asked) -> Iterator[Link]:
    made = Link(
        str(tmp_path / "s"),
        lambda command, client, done: asked.append((command, done)),
        lambda: {"set": "Low tide", "revision": 1},
    )
    yield made
    made.close()


def turn(link: Link, times: int = 3) -> None:
    for _ in range(times):
        readable, writable, _ = select.select(link.reading(), link.writing(), [], 0)
        link.handle(readable, writable)


class Client:
    def __init__(self, link: Link, path: Path) -> None:
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.connect(str(path / "s"))
        self.sock.setblocking(False)
        self.unpacker = Unpacker()
        turn(link)

    def read(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        while True:
            try:
                data = self.sock.recv(1 << 16)
            except BlockingIOError:
                return found
            if not data:
                return [*found, {"type": "closed"}]
            found += [json.loads(payload) for _, payload in self.unpacker.feed(data)]


def test_a_reader_gets_the_whole_state_first(link: Link, tmp_path: Path) -> None:
    client = Client(link, tmp_path)
    assert client.read() == [{"type": "hello", "set": "Low tide", "revision": 1}]
    client.sock.close()


def test_commands_are_answered_in_the_next_state(link: Link, tmp_path: Path, asked: Asked) -> None:
    client = Client(link, tmp_path)
    client.read()
    client.sock.sendall(pack_json({"do": "tap", "seq": 1}) + pack_json({"do": "fly", "seq": 2}))
    turn(link)
    assert [command for command, _ in asked] == [Tap()]
    asked[0][1](None)
    link.state({"section": "flood"})
    link.deliver(0)
    assert client.read() == [
        {
            "type": "state",
            "section": "flood",
            "acks": [1],
            "refused": [[2, "unknown", "there is no command 'fly'"]],
        }
    ]
    client.sock.close()


def test_at_most_thirty_frames_a_second(link: Link, tmp_path: Path) -> None:
    client = Client(link, tmp_path)
    client.read()
    for now in range(0, 1_000_000_000, 1_000_000):
        link.state({"n": now})
        link.deliver(now)
    frames = client.read()
    assert 28 <= len(frames) <= 1_000_000_000 // FRAME_NS + 1
    client.sock.close()


def test_a_reader_that_does_not_read_costs_a_bounded_amount_and_gets_the_newest(
    link: Link, tmp_path: Path
) -> None:
    client, other = Client(link, tmp_path), Client(link, tmp_path)
    other.read()
    big = "x" * 20_000
    for number in range(500):
        link.state({"n": number, "big": big})
        link.deliver(number * FRAME_NS)
        assert other.read()[-1]["n"] == number
    assert sum(len(reader._left) for reader in link.readers) < 3 * len(big)
    for _ in range(50):
        frames = client.read()
        turn(link)
        link.deliver(1000 * FRAME_NS + _ * FRAME_NS)
        if frames and frames[-1].get("n") == 499:
            break
    else:
        pytest.fail("the newest state never came")
    client.sock.close()
    other.sock.close()


@pytest.mark.parametrize("nonsense", [b"\xff" * 20, pack("J", b"not json"), pack("J", b"[1]")])
def test_nonsense_ends_the_connection_and_nothing_else(
    link: Link, tmp_path: Path, nonsense: bytes
) -> None:
    good, bad = Client(link, tmp_path), Client(link, tmp_path)
    good.read()
    bad.read()
    bad.sock.sendall(nonsense)
    turn(link)
    assert bad.read() == [{"type": "closed"}]
    assert len(link.readers) == 1
    link.state({"n": 1})
    link.deliver(0)
    assert good.read() == [{"type": "state", "n": 1}]
    good.sock.close()
    bad.sock.close()


def test_a_score_waits_until_there_is_time_and_a_keeper_gets_a_copy(
    link: Link, tmp_path: Path
) -> None:
    watch = Watch()
    watch.connect(str(tmp_path / "s"), 0)
    turn(link)
    client = Client(link, tmp_path)
    client.read()
    swap = Swap(score=SCORE, revision=9, seq=5)
    client.sock.sendall(pack("P", pickle.dumps(swap)))
    turn(link)
    assert link.swaps
    value, done, payload = link.take_swap()
    link.keep("score", pack_kept("score", swap.revision, payload, text="", file=""))
    done(None)
    link.deliver(0)
    assert value == swap
    assert client.read()[-1]["acks"] == [5]
    watch.read(1)
    assert (pickle.loads(watch.score or b""), watch.revision) == (swap, 9)
    assert watch.state["set"] == "Low tide"
    client.sock.sendall(pack("P", b"no pickle"))
    turn(link)
    value, _, _ = link.take_swap()
    assert value is None
    client.sock.close()
    watch.close()


def test_one_who_draws_gets_the_newest_memory_and_no_score(link: Link, tmp_path: Path) -> None:
    left: list[int] = []
    link.gone = lambda: left.append(1)
    link.keep("score", b"a score")
    link.keep("memory", b"old")
    link.keep("memory", b"new")
    client = Client(link, tmp_path)
    client.sock.sendall(pack_json({"do": "keep", "what": ["memory", "wages"]}))
    turn(link)
    link.deliver(0)
    link.keep("score", b"another")
    link.keep("memory", b"newer")
    link.deliver(FRAME_NS)
    data = client.sock.recv(1 << 16)
    frames = Unpacker().feed(data)
    assert [payload for kind, payload in frames if kind == "P"] == [b"new", b"newer"]
    client.sock.close()
    turn(link)
    assert left, "it gave commands too, so its hands are let go"


def test_each_reader_is_told_as_often_as_it_asks(link: Link, tmp_path: Path) -> None:
    seldom, often = Client(link, tmp_path), Client(link, tmp_path)
    seldom.read(), often.read()
    seldom.sock.sendall(pack_json({"do": "frames", "ms": 200}))
    turn(link)
    for now in range(0, 1_000_000_000, 1_000_000):
        link.state({"n": now})
        link.deliver(now)
    frames = seldom.read()
    assert [frame["n"] for frame in frames] == [n * 200_000_000 for n in range(5)]
    assert len(often.read()) >= 28
    link.state({"ports": "one is gone"})
    link.soon()
    link.deliver(now)
    assert [frame["ports"] for frame in seldom.read()] == ["one is gone"]
    assert link.next_ns(now) == now + FRAME_NS
    seldom.sock.sendall(pack_json({"do": "frames", "ms": 0}) + pack_json({"do": "tap", "seq": 7}))
    turn(link)
    link.state({"n": -1})
    link.deliver(now)
    assert [frame["n"] for frame in seldom.read()] == [-1], "another pace holds at once"
    seldom.sock.close()
    often.sock.close()


def test_an_answer_does_not_wait_for_its_pace(link: Link, tmp_path: Path, asked: Asked) -> None:
    client = Client(link, tmp_path)
    client.read()
    client.sock.sendall(pack_json({"do": "frames", "ms": 200}))
    turn(link)
    link.state({"n": 1})
    link.deliver(0)
    client.sock.sendall(pack_json({"do": "tap", "seq": 1}))
    turn(link)
    asked[0][1](None)
    link.deliver(1)
    assert [frame.get("acks") for frame in client.read()] == [None, [1]]
    client.sock.close()


def test_what_a_hand_has_done_reaches_a_keeper_soon(
    link: Link, tmp_path: Path, asked: Asked
) -> None:
    """Or a start would be taken back by a crash a moment later."""
    keeper, page = Client(link, tmp_path), Client(link, tmp_path)
    keeper.read(), page.read()
    keeper.sock.sendall(pack_json({"do": "keep"}) + pack_json({"do": "frames", "ms": 200}))
    turn(link)
    heard, at = [], []
    for now in range(0, 400 * MS, MS):
        link.state({"n": now // MS})
        if now // MS in (100, 101, 150) or now >= 250 * MS:  # a finger on a fader, in the end
            page.sock.sendall(pack_json({"do": "tap", "seq": now // MS}))
            turn(link)
            asked.pop()[1](CommandError("no") if now == 150 * MS else None)
        link.deliver(now)
        heard += [frame["n"] for frame in keeper.read()]
        at += [now // MS for frame in page.read() if frame.get("acks")]
    assert heard[:4] == [0, 100, 120, 250], "a refusal is nothing to keep"
    assert heard[4:] == list(range(270, 400, 20))
    assert at[:2] == [100, 101], "and whoever asked has the answer at once"
    keeper.sock.close()
    page.sock.close()


def test_each_reader_is_told_the_lists_that_it_asks_for(link: Link, tmp_path: Path) -> None:
    hits, wire, old = (Client(link, tmp_path) for _ in range(3))
    for client in (hits, wire, old):
        client.read()
    hits.sock.sendall(pack_json({"do": "frames", "ms": 33, "what": ["events", "what is to come"]}))
    wire.sock.sendall(pack_json({"do": "frames", "ms": 33, "what": ["sent"]}))
    turn(link)
    link.played(
        {"tick": 1.0, "t_ns": 5}, {"events": [[1, "kick"]], "sent": [[5, "main", "992440"]]}
    )
    link.deliver(1)
    told = [client.read() for client in (hits, wire, old)]
    assert [[len(one.get("events", ())) for one in frames] for frames in told] == [[1], [0], [1]]
    assert [[len(one.get("sent", ())) for one in frames] for frames in told] == [[0], [1], [1]]
    for client in (hits, wire, old):
        client.sock.close()


@pytest.mark.parametrize(
    "wanted",
    [{"ms": ms} for ms in ("soon", None, 0.5, True, [200])]
    + [{"ms": 200, "what": what} for what in ("sent", None, 5, {"sent": 1})],
)
def test_who_asks_for_nonsense_frames_is_sent_away(
    link: Link, tmp_path: Path, wanted: dict[str, object]
) -> None:
    client = Client(link, tmp_path)
    client.sock.sendall(pack_json({"do": "frames", **wanted}))
    turn(link)
    assert not link.readers
    client.sock.close()


@pytest.mark.parametrize("what", [5, None, {"memory": 1}, "memory", True, 0.5])
def test_who_asks_for_nonsense_to_keep_is_sent_away(
    link: Link, tmp_path: Path, what: object
) -> None:
    link.keep("memory", b"new")
    client = Client(link, tmp_path)
    client.sock.sendall(pack_json({"do": "keep", "what": what}))
    turn(link)
    assert not link.readers
    client.sock.close()


def test_a_keeper_that_does_not_read_costs_a_bounded_amount_and_gets_the_newest(
    link: Link, tmp_path: Path
) -> None:
    watch = Watch()
    watch.connect(str(tmp_path / "s"), 0)
    turn(link)
    size = 100_000
    for number in range(300):
        score = b"x" * size  # as heavy as a score
        link.keep("score", pack_kept("score", number, score, text="", file=""))
        link.keep("memory", pack_kept("memory", number, b""))
        link.deliver(number * FRAME_NS)
    assert sum(len(kept) for reader in link.readers for kept in reader._kept.values()) < 2 * size
    assert sum(len(reader._left) for reader in link.readers) < 2 * size
    for _ in range(50):
        watch.read(1)
        turn(link)
        link.deliver(1000 * FRAME_NS)
        if watch.revision == 299:
            break
    else:
        pytest.fail("the newest score never came")
    assert watch.score == b"x" * size
    watch.close()


def test_watching_follows_the_state_and_what_was_sent(link: Link, tmp_path: Path) -> None:
    watch = Watch()
    watch.connect(str(tmp_path / "s"), 0)
    turn(link)
    link.state({"section": "flood"})
    note = [5, "main", "992440"]
    link.played({"tick": 1.0, "t_ns": 5}, {"sent": [[4, "main", "b01540"], note], "notes": [note]})
    link.deliver(0)
    watch.read(77)
    assert watch.state == {"set": "Low tide", "revision": 1, "section": "flood"}
    assert watch.notes == [note], "and nothing else of what left"
    assert watch.heard_ns == 77
    link.close()
    watch.read(88)
    assert watch.sock is None


def test_nobody_there_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="No such file"):
        Watch().connect(str(tmp_path / "nobody"), 0)


def test_what_hurries_does_not_wait_for_the_next_frame(link: Link, tmp_path: Path) -> None:
    client = Client(link, tmp_path)
    client.read()
    link.played({"tick": 0, "t_ns": 0}, {"input": [[1, "knobs", "b01540"]]})
    link.deliver(0)
    link.played({"tick": 0, "t_ns": 1}, {"input": [[2, "knobs", "b01541"]]})
    link.deliver(1)  # too soon for another frame
    assert [frame["input"] for frame in client.read()] == [[[1, "knobs", "b01540"]]]
    link.deliver(2, hurry=True)
    assert [frame["input"] for frame in client.read()] == [[[2, "knobs", "b01541"]]]
    client.sock.close()


def test_a_keeper_that_was_told_just_before_is_known_to_wait(
    link: Link, tmp_path: Path, asked: Asked
) -> None:
    """While nothing plays, nothing else wakes the player for it."""
    keeper, page = Client(link, tmp_path), Client(link, tmp_path)
    keeper.read(), page.read()
    keeper.sock.sendall(pack_json({"do": "keep"}))
    turn(link)
    link.deliver(0)
    page.sock.sendall(pack_json({"do": "tap", "seq": 1}))
    turn(link)
    assert not link.untold
    asked[0][1](None)
    link.state({"n": 1})
    link.deliver(MS)
    assert (keeper.read(), link.untold) == ([], True)
    assert link.next_ns(MS) <= 20 * MS
    link.deliver(20 * MS)
    assert [frame["n"] for frame in keeper.read()] == [1]
    assert not link.untold
    keeper.sock.close()
    page.sock.close()

"""A hundred thousand of everything that arrives: nothing escapes, nothing grows, all goes on.

Made from right messages by changing, cutting, doubling and splicing bytes, by a fixed seed.
"""

from __future__ import annotations

import asyncio
import json
import random
from typing import Any, cast

import pytest
from support.peers import bundle, frame, osc

from bridge.osc.server import ECHO_HOSTS_MAX, TASKS_MAX
from bridge.protocol.table import client_commands
from bridge.web.frames import FrameCheck
from bridge.web.live import ANSWERS_MOST, Client

MANY = 100_000
HOSTS = [f"127.0.1.{number}" for number in range(1, 100)]


def changed(dice: random.Random, data: bytes, other: bytes) -> bytes:
    """One to three changes of the kinds that fuzzers make."""
    out = bytearray(data)
    for _ in range(dice.randrange(1, 4)):
        at = dice.randrange(len(out) + 1)
        match dice.randrange(6):
            case 0:
                out[at : at + 1] = dice.randbytes(1)
            case 1:
                del out[at:]
            case 2:
                out[at:at] = out[at : at + dice.randrange(1, 9)]
            case 3:
                out[at:] = other[at:]
            case 4:
                out[at : at + 4] = dice.choice((b"\xff\xff\xff\xfc", bytes(4), b"\x7f\xff\xff\xff"))
            case 5:
                out[at:at] = dice.randbytes(dice.randrange(1, 5))
    return bytes(out)


@pytest.mark.slow
async def test_a_hundred_thousand_datagrams(stage: Any, caplog: pytest.LogCaptureFixture) -> None:
    dice = random.Random(15)
    end = stage.service.osc
    args: list[list[Any]] = [[], [1], [0], [0.5], ["now"], [1, "bar"], [1e30], ["kick", 3]]
    seeds = [osc(address, *given) for address in end.addresses for given in args]
    seeds += [osc("/*/*/*", 1), osc("/lane/{kick,rim}/mute", 1), osc("/lane/k[a-z]ck/chance", 0.5)]
    seeds += [bundle(*dice.sample(seeds, 3)) for _ in range(50)]
    seeds += [bundle(bundle(one), one) for one in dice.sample(seeds, 20)]
    for number in range(MANY):
        data = changed(dice, dice.choice(seeds), dice.choice(seeds))
        end.datagram_received(data, (dice.choice(HOSTS), dice.randrange(1024, 65536)))
        if number % 1000 == 0:
            await asyncio.sleep(0)
    await stage.until(lambda: not end._queue)
    assert end.counts["malformed"] > MANY / 4
    assert {"done", "unknown", "arguments", "dropped"} <= end.counts.keys()
    assert len(end._echoes) <= ECHO_HOSTS_MAX
    assert len(end._tasks) <= TASKS_MAX
    assert not [record for record in caplog.records if record.exc_info]
    assert (await stage.call("GET", "/api/state"))[0] == 200
    await stage.call("PUT", "/api/lanes/shaker/mute", {"muted": True})
    await stage.until(lambda: stage.state["lanes"]["shaker"]["muted"])


def kinds_of(client: Client) -> set[str | None]:
    """What kinds of problem the client was told of; None of what went well."""
    told = [cast(dict[str, str], answer.get("problem", {})) for answer in client.answers]
    return {problem.get("kind") for problem in told}


@pytest.mark.slow
async def test_a_hundred_thousand_messages_of_a_page(
    stage: Any, caplog: pytest.LogCaptureFixture
) -> None:
    dice = random.Random(16)
    kinds: set[Any] = set()
    live = stage.service.live
    client = Client("page of the fuzzer", None, None)  # type: ignore[arg-type]
    values = [True, 0, 0.5, -1, 1e300, "now", "kick", "brightness", None, [], {}, "x" * 200]
    names = ["lane", "macro", "value", "muted", "when", "section", "setting", "to", "amount", "on"]
    words = [command.ROW.do for command in client_commands() if command.ROW.by != "connection"]
    seeds = [
        json.dumps(
            {"do": word, "seq": 1} | {dice.choice(names): dice.choice(values) for _ in range(3)}
        ).encode()
        for word in words
        for _ in range(20)
    ]
    for number in range(MANY):
        data = dice.choice(seeds)
        if dice.random() < 0.8:
            data = changed(dice, data, dice.choice(seeds))
        live._receive(client, data.decode(errors="replace"))
        if number % 1000 == 0:
            assert len(client.answers) <= 2 * ANSWERS_MOST + 1000
            kinds |= kinds_of(client)
            client.answers.clear()
            await asyncio.sleep(0)
    await stage.until(lambda: not client.tasks)
    kinds |= kinds_of(client)
    assert {"request", "unknown", "value"} <= kinds
    assert "fault" not in kinds
    assert not [record for record in caplog.records if record.exc_info]
    assert client.unanswered > 0
    assert (await stage.call("GET", "/api/state"))[0] == 200
    async with stage.page() as page:
        assert (await page.do(do="alive"))["type"] == "done"


def test_a_hundred_thousand_frames() -> None:
    """RFC 6455, section 5.2. The check says yes or no, however the bytes are cut, and keeps none
    of them."""
    dice = random.Random(17)
    refused = 0
    seeds = [frame(dice.randbytes(size), opcode) for size in (0, 1, 125, 126) for opcode in (1, 2)]
    seeds += [frame(b"{}", opcode=opcode) for opcode in (8, 9, 10)]
    for number in range(MANY):
        if number % 10 == 0:
            check, fine = FrameCheck(), True
        data = dice.choice(seeds)
        if dice.random() < 0.2:
            data = changed(dice, data, dice.choice(seeds))
        cut = dice.randrange(len(data) + 1)
        for part in (data[:cut], data[cut:]):
            if fine:
                fine = check.feed(part)
        refused += not fine
    assert 0 < refused < MANY

"""The chapter of the reference on OSC: its address book, made from the table of commands."""

from __future__ import annotations

from collections.abc import Iterable

from bridge.files.blocks import Block, Head, Pairs, Points, Words
from bridge.protocol import osc_book
from bridge.protocol.osc_book import Entry


def _pairs(entries: Iterable[Entry]) -> Pairs:
    return Pairs(
        ("address and arguments", "does"), tuple((entry.written, _does(entry)) for entry in entries)
    )


def _does(entry: Entry) -> str:
    return f"{entry.says} {entry.told}." if entry.told else entry.says


def chapter() -> list[Block]:
    """The chapter, block by block."""
    return [
        Head(1, "Control by OSC"),
        Words(
            "Open Sound Control 1.0, by UDP and TCP on one port (8421 unless `--osc-port` says "
            "another). The names of lanes, macros, sections, groups, outputs and settings stand in "
            "the address where the tables have capitals. Arguments in brackets may be left "
            "out, the last first. `GET /api/osc` has the same as JSON."
        ),
        Points(
            (
                "Numbers may be sent as `i`, `f`, `d`, `h`, `T` or `F`. A number beyond its limits "
                "is taken as the limit where it moves something, and refused where it counts.",
                "`[1]`: the address is a button. No argument or 1 is the press; 0, the release, "
                "does nothing.",
                "Patterns with `?`, `*`, `[]` and `{}` reach every address that they match.",
                "Bundles are done on arrival, in their order, whatever their time tag says.",
                "Over TCP, each packet stands behind its size as an int32 (OSC 1.0) or in a SLIP "
                "frame (OSC 1.1); answers come in the framing of the first byte that was sent.",
                "A host that sends OSC must be let in when `--lan` is given: open the page on it "
                "once, or send `/token`.",
            )
        ),
        _pairs(osc_book.commands()),
        Head(2, "Connection, feedback and addresses"),
        _pairs(osc_book.CONNECTION),
        Words(
            "Feedback goes to the host that asked and to no other: at most 50 messages in 20 ms "
            "and 30 a second to one address, the last value always. At first all values come, then "
            "what changes, and once a second all but the settings again: UDP loses datagrams. "
            "It ends after ten minutes unless `/subscribe` comes again, with `/subscribe 0`, and "
            "with its TCP connection. 16 ports can be subscribed, 4 of one host."
        ),
        Pairs(
            ("sent to subscribers", "means"),
            tuple((entry.written, entry.says) for entry in osc_book.FEEDBACK),
        ),
        Words("Answers to `/addresses`, one question a second from each host:"),
        Pairs(
            ("sent to who asks", "means"),
            tuple((entry.written, entry.says) for entry in osc_book.ANSWERS),
        ),
    ]

"""What playing costs by number of lanes, beside what it costs the wire; how fast rendering is, and
what a jump to a far place takes.

    python tests/bench/bench_cost.py [--seconds 10]

CPU time on a clock that jumps: waking and the system's own MIDI calls are not in it. What the wire
takes is `bridge.voltage.wire`'s model of a DIN link (31250 baud) and of full-speed USB, for the
same messages on one port; its fullest moment is what falls together, from first to last bit.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from bridge.music.score import Score

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(Path(__file__).resolve().parent), str(ROOT / "tests"), str(ROOT)]

from stage import RIG, SET, table  # noqa: E402

DEMO = ROOT / "bridge" / "demo"
PLAYED_BARS = 500
FARTHEST = 0x3FFF
"""In sixteenths: so far a Song Position Pointer reaches, which has 14 bits of "MIDI beats" (MIDI 1.0
Detailed Specification 4.2.1, System Common Messages)."""
NIGHT_BARS = 8000
"""Four hours of music: so far a command may ask to go (OSC, HTTP)."""
JUMPS = 3  # the quickest of so many counts
LANES = (8, 32, 128, 512)
HEARD_MS = 6.0  # in an even pulse: Friberg and Sundberg, J. Acoust. Soc. Am. 98, 1995


class Cost(NamedTuple):
    """Shares are of one core or of one link; the fullest moment in ms."""

    lanes: int
    share: float
    messages: float
    din: float
    usb: float
    din_ms: float
    usb_ms: float


def cost(count: int, seconds: float) -> Cost:
    """Three of four lanes Euclidean, the fourth derived from two of them."""
    from support.desk import Desk, score_of, wire

    from bridge.music.model import Euclid, Lane, Logic
    from bridge.voltage.profile import Address, Output
    from bridge.voltage.wire import Link

    rig = wire(
        *(
            Output(f"gate-{n}", "gate", Address("note-velocity", 1 + n // 100, 20 + n % 100))
            for n in range(count)
        )
    )
    lanes = []
    for n in range(count):
        if n % 4 == 3:
            logic = Logic(f"l{n - 1} and not l{n - 2}")
            lanes.append(Lane(f"l{n}", logic, out=f"main.gate-{n}"))
        else:
            numbers = {
                "hits": float(3 + n % 7),
                "steps": 16.0,
                "rotate": float(n % 5),
                "chance": 0.8 if n % 3 else 1.0,
            }
            lanes.append(Lane(f"l{n}", Euclid(), out=f"main.gate-{n}", settings=numbers))
    desk = Desk(score_of(*lanes, rig=rig), rig=rig)
    desk.start()
    desk.run(500)
    desk.ports["main"].sent.clear()
    used = time.process_time()
    desk.run(seconds * 1000)
    used = time.process_time() - used
    sent = list(desk.ports["main"].sent)
    moments = [[data for _, data in group] for _, group in itertools.groupby(sent, lambda s: s[0])]
    din, usb = Link("din"), Link("usb")
    everything = [data for _, data in sent]
    return Cost(
        count,
        used / seconds,
        len(sent) / seconds,
        din.cost_ns(everything) / 1e9 / seconds,
        usb.cost_ns(everything) / 1e9 / seconds,
        max(din.ends_ns(moment)[-1] for moment in moments) / 1e6,
        max(usb.ends_ns(moment)[-1] for moment in moments) / 1e6,
    )


def offline() -> tuple[float, float]:
    """Speed of the 16-lane set as a multiple of real time: events only, and through the player."""
    from bridge.files.rig import load_rig
    from bridge.files.set import load_set
    from bridge.music.render import events_between
    from bridge.music.score import compile_score
    from bridge.player.offline import perform

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "rig.yaml").write_text(RIG)
        (folder / "set.yaml").write_text(SET)
        rig = load_rig(folder / "rig.yaml")
        score = compile_score(load_set(folder / "set.yaml", rig).spec, rig.ranges)
    bars = 64
    seconds = bars * 240 / score.spec.tempo
    begin = time.process_time()
    events_between(score, 0, bars * score.spec.bar_ticks)
    middle = time.process_time()
    perform(score, rig.wired, bars)
    return seconds / (middle - begin), seconds / (time.process_time() - middle)


def jumps() -> list[tuple[str, list[float], float]]:
    """For the demo and each of its small sets: CPU time (ms) of jumps ahead by `PLAYED_BARS`, by
    `FARTHEST` and by `NIGHT_BARS`, in pieces as the player goes, and of playing as far as the first
    of them (worked out from a tenth of the way)."""
    from bridge.files.rig import load_rig
    from bridge.files.set import load_set
    from bridge.music.model import TICKS_PER_QUARTER
    from bridge.music.performance import Performance
    from bridge.music.render import Renderer
    from bridge.music.score import compile_score

    found = []
    for path in (DEMO / "set.yaml", *sorted((DEMO / "ideas").glob("*.yaml"))):
        if path.name.endswith(".rig.yaml"):
            continue
        own = path.with_name(f"{path.stem}.rig.yaml")
        rig = load_rig(own if own.exists() else DEMO / "rig.yaml")
        score = compile_score(load_set(path, rig).spec, rig.ranges)
        bar = score.spec.bar_ticks
        goals = PLAYED_BARS * bar, FARTHEST * TICKS_PER_QUARTER // 4, NIGHT_BARS * bar
        ways = [min(_way_ms(score, goal) for _ in range(JUMPS)) for goal in goals]
        renderer = Renderer(score, Performance(score))
        begin = time.process_time()
        renderer.advance(goals[0] // 10)
        played = (time.process_time() - begin) * 10
        found.append(("demo" if path.stem == "set" else path.stem, ways, played * 1e3))
    return found


def _way_ms(score: Score, goal: int) -> float:
    """CPU time of a jump from the beginning, in pieces as the player goes while the song stands."""
    from bridge.music.performance import Performance
    from bridge.music.render import Renderer
    from bridge.player.part import ROOM_NS, SLICE_NS
    from bridge.player.pieces import Pieces

    renderer, pieces = Renderer(score, Performance(score)), Pieces(time.process_time_ns)
    spent = 0
    while renderer.position != goal:
        spent += pieces.go(renderer, goal, SLICE_NS, ROOM_NS)
    return spent / 1e6


def limit(row: Cost) -> str:
    """Which gives out first on a DIN link."""
    if row.din > 1:
        return "the DIN link is full"
    if row.din_ms > HEARD_MS:
        return "the DIN link: its fullest moment is heard"
    return "the player" if row.share > row.din else "neither"


def measure(seconds: float) -> list[str]:
    """Lines of Markdown."""
    found = [cost(count, seconds) for count in LANES]
    lines = ["What lanes cost the player and the wire (all lanes on one port):", ""]
    lines += table(
        [
            "lanes",
            "player, % of a core",
            "us per lane and second",
            "messages/s",
            "DIN busy",
            "USB busy",
            "fullest moment, DIN",
            "on USB",
            "what gives out",
        ],
        [
            [
                row.lanes,
                f"{row.share * 100:.2f}",
                f"{row.share / row.lanes * 1e6:.0f}",
                f"{row.messages:.0f}",
                f"{row.din * 100:.0f} %",
                f"{row.usb * 100:.1f} %",
                f"{row.din_ms:.1f} ms",
                f"{row.usb_ms:.0f} ms",
                limit(row),
            ]
            for row in found
        ],
    )
    last, rates = found[-1], offline()
    lines += [
        "",
        f"At {last.lanes} lanes the DIN link is asked for {last.din / last.share:.0f} "
        f"times as much of its time as the player of a core, USB for "
        f"{last.usb / last.share:.1f} times.",
        f"Offline, 16 lanes: events at {rates[0]:.0f} times real time, through the player to "
        f"bytes at {rates[1]:.0f} times.",
        "",
        "What a jump takes the player, in ms of a core (in pieces of about a millisecond, as it "
        f"goes), and playing {PLAYED_BARS} bars. {FARTHEST:,} sixteenths are as far as a Song "
        "Position Pointer reaches; a command may ask for more.",
        "",
    ]
    lines += table(
        [
            "set",
            f"{PLAYED_BARS} bars",
            f"{FARTHEST:,} sixteenths",
            f"{NIGHT_BARS:,} bars",
            f"playing {PLAYED_BARS}",
        ],
        [
            [name, *(f"{way:.0f}" for way in ways), f"{played:.0f}"]
            for name, ways, played in jumps()
        ],
    )
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=10.0)
    print("\n".join(measure(parser.parse_args().seconds)))


if __name__ == "__main__":
    main()

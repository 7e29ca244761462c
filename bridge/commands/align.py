"""`lanebridge align`: how late each voice sounds, and what makes all of them fall together."""

from __future__ import annotations

import contextlib
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.listening import (
    HEARS_THE_RACK,
    channel_option,
    ears_on,
    listen_option,
    monitors_down,
)
from bridge.commands.soundcheck import WARNING
from bridge.protocol.limits import (
    FEWEST_HITS,
    LONGEST_CLICK_S,
    MOST_HITS,
    SHORTEST_CLICK_S,
    USUAL_CLICK_S,
    USUAL_HITS,
)

if TYPE_CHECKING:
    from bridge.bench.hearing import Struck
    from bridge.bench.lining import Plan
    from bridge.files.rig import Rig

FILE = click.Path(path_type=Path)


@click.command(
    "align",
    help=(
        "Listens to how late each voice of RIG sounds after its message, and proposes latencies "
        "that make all of them fall together. With --click, and a host whose clock the rig "
        "follows, also the offset that puts the rack on the host's click. Nothing changes before "
        "you say yes, or --apply."
    ),
)
@click.argument("rig", type=FILE)
@listen_option(HEARS_THE_RACK, required=True)
@channel_option("--channel", "that input")
@click.option("--click", "click_in", metavar="INPUT", help="The input that hears the host's click.")
@channel_option("--click-channel", "the click's input")
@click.option("--only", multiple=True, metavar="OUTPUT", help="Only this gate (may repeat).")
@click.option(
    "--hits",
    default=USUAL_HITS,
    show_default=True,
    type=click.IntRange(FEWEST_HITS, MOST_HITS),
    help="How often each voice is struck.",
)
@click.option(
    "--seconds",
    default=USUAL_CLICK_S,
    show_default=True,
    type=click.FloatRange(SHORTEST_CLICK_S, LONGEST_CLICK_S),
    help="How long to listen to the click.",
)
@click.option("--apply", is_flag=True, help="Write what is proposed into RIG without asking.")
def command(
    rig: Path,
    listen: str,
    channel: int,
    click_in: str | None,
    click_channel: int,
    only: tuple[str, ...],
    hits: int,
    seconds: float,
    apply: bool,
) -> None:
    from bridge.bench.checklist import NO_GATES, gates_of, gates_to_check
    from bridge.clock.source import INTERNAL
    from bridge.errors import BridgeError, InputError, Problem, did_you_mean
    from bridge.files.rig import load_rig

    loaded = load_rig(rig)
    gates = gates_of(loaded.wired)
    wrong = [name for name in only if name not in gates]
    if wrong:
        raise InputError(
            [
                Problem(f"there is no gate {name}{did_you_mean(name, gates)}", file=str(rig))
                for name in wrong
            ]
        )
    names = list(only) or gates_to_check(loaded.wired)
    if not names:
        raise BridgeError(f"{rig}  {NO_GATES}")
    if click_in is not None and loaded.clock.follow == INTERNAL:
        raise BridgeError(
            f"{rig}  follows no host (clock.follow: internal), so there is no click to line up with"
        )
    monitors_down(WARNING)
    late, whole = _strike(loaded, names, listen, channel, hits)
    from bridge.bench.lining import plan_of, plan_words

    try:
        plan = plan_of(loaded, late)
    except ValueError as error:
        raise BridgeError(f"not applied: {error}") from None
    offset_trouble = ""
    if click_in is not None and whole:
        plan, offset_trouble = _offset(loaded, plan, click_in, click_channel, seconds)
    click.echo("\nProposed, before -> after:\n" + "\n".join(plan_words(loaded, plan)))
    if offset_trouble:
        click.echo(f"no offset: {offset_trouble}", err=True)
    if not whole:
        click.echo("ended early; not applied", err=True)
        raise SystemExit(1)
    _apply(loaded, plan, apply)
    if offset_trouble:
        raise SystemExit(1)


def _strike(
    rig: Rig, names: list[str], wanted: str, channel: int, hits: int
) -> tuple[dict[str, Struck], bool]:
    """Each voice as it was heard, and whether all of them were listened to."""
    from bridge.listen.wrong import ListenError, insist_on_libraries

    insist_on_libraries()
    from bridge.bench.lining import LiningUp, late_words

    ports = list(dict.fromkeys(rig.wired[name].port for name in names))
    with ears_on(rig, wanted, channel, ports) as hearing:
        lining = LiningUp(rig, hearing, hits)
        try:
            for name in lining.run(names):
                click.echo(late_words(rig, name, lining.late[name]))
        except ListenError as error:
            click.echo(str(error), err=True)
        except KeyboardInterrupt:
            click.echo()
    return lining.late, lining.complete


def _offset(rig: Rig, plan: Plan, wanted: str, channel: int, seconds: float) -> tuple[Plan, str]:
    """The plan with an offset, or why there is none."""
    from bridge.bench.click import Grid, hear_clicks
    from bridge.errors import BridgeError
    from bridge.listen.opening import listening
    from bridge.ports import open_input

    click.echo(f"\nStop the host, and let {wanted} hear its click alone, on every beat.")
    try:
        click.prompt("Press Enter, then start the host", default="", show_default=False)
        begun = time.monotonic_ns()
        grid = Grid(rig.clock.follow, begun)
        midi: list[tuple[int, bytes]] = []
        with listening(wanted, channel) as ear:
            port = open_input(rig.clock.follow, lambda ns, data: midi.append((ns, data)), "align")
            with contextlib.closing(port):
                click.echo(f"listening to {ear.name}, channel {channel}, for {seconds:g} s ...")
                grid.take(midi, hear_clicks(ear, seconds, begun))
        return replace(plan, offset=(rig.clock.offset_ms, grid.offset_ms(plan.first_ms))), ""
    except (BridgeError, ValueError) as error:
        return plan, str(error)
    except (KeyboardInterrupt, click.Abort):
        click.echo()
        return plan, "ended before it was measured"


def _apply(rig: Rig, plan: Plan, sure: bool) -> None:
    """Writes the plan into the rig file once somebody has said yes."""
    from bridge.bench.lining import write_plan

    if not plan.changes:
        click.echo("Nothing is to be changed.")
        return
    if not sure:
        try:
            sure = click.confirm(f"Write this into {rig.path}?", default=False)
        except click.Abort:
            click.echo()
    if not sure:
        click.echo("not applied")
        return
    _, copy = write_plan(rig, plan, datetime.now())
    click.echo(f"{rig.path}: written; it holds from the next start")
    if copy is not None:
        click.echo(f"what was there is kept as {copy}")

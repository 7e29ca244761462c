"""Lanes that had to fall in at a far place give way to what stands there exactly.

What is expected is played from the first tick on, window by window, by a part that never jumps.
"""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

import pytest
from support import corpus, counted
from support.desk import BAR, BEAT, RIG, gate_lane, score_of

from bridge.music.render import Renderer
from bridge.music.score import Score
from bridge.player.catchup import CHANGES_MOST, LINES_MOST, MOST_NS, NEAR_TICKS
from bridge.player.part import Part
from bridge.player.timeline import Item
from bridge.protocol.command import Command
from bridge.protocol.performing import MoveMacro, MoveSetting, Mute, RecallSection, Release, Solo
from bridge.voltage.rig_parts import Timing

FAR = 90 * BAR
CUT = (247,)
"""Of the made-up sets those in which a glide depends on how time is cut into windows, by some
thousandths of a semitone, whether anything jumps or not."""


class Clock:
    """Time that stands, unless each look at it is to take some."""

    def __init__(self) -> None:
        self.now, self.look_ns = 0, 0

    def __call__(self) -> int:
        self.now += self.look_ns
        return self.now


class Player:
    """A part, and what it has given out."""

    def __init__(self, score: Score) -> None:
        self.clock = Clock()
        self.part = Part(score, 1, RIG, dict.fromkeys(RIG, 0), Timing(), self.clock)
        self.part.performance.running = True
        self.items: list[Item] = []
        self.joined: int | None = None

    def jump(self, tick: int) -> None:
        """There is no time at all for the way."""
        self.clock.look_ns = 10_000_000
        self.part.seek(tick, 0)
        self.clock.look_ns = 0
        assert self.part.catching_up is not None

    def play(self, goal: int, dice: Random, work: float = 0.7) -> None:
        """Render in windows; between them a piece of the exact way is gone now and then."""
        part = self.part
        while part.rendered < goal:
            if part.may_join:
                self.items += part.join()
                self.joined = part.rendered
            self.items += part.render(min(goal, part.rendered + dice.randrange(1, 500)), 120.0)
            catch_up = part.catching_up
            while catch_up is not None and dice.random() < work:
                if not catch_up.arrived(part.rendered):
                    catch_up.step(part.rendered, 10**9)

    def from_tick(self, tick: int) -> list[tuple[object, ...]]:
        """What was given out from a tick on; not what only stands there."""
        return sorted(told(item) for item in self.items if item.tick >= tick and item.lane >= 0)


def told(item: Item) -> tuple[object, ...]:
    return (
        item.tick,
        item.sort,
        item.lane,
        item.owner,
        item.output or "",
        item.value,
        item.length,
        item.width,
        item.early,
    )


def hands(score: Score, dice: Random, start: int, end: int) -> dict[int, list[Command]]:
    """Moves between two ticks; some wait for a bar line, some for a drop of two bars."""
    names = [lane.name for lane in score.lanes]
    hits = [lane.name for lane in score.lanes if lane.hits]
    found: dict[int, list[Command]] = {}
    for _ in range(dice.randrange(1, 6)):
        choice: list[Command] = [
            Mute(lane=dice.choice(names), muted=dice.random() < 0.6),
            Mute(lane=dice.choice(names), muted=dice.random() < 0.6, when="bar"),
            MoveSetting(lane=dice.choice(hits), setting="density", value=dice.choice((0.3, 0.7))),
            MoveSetting(lane=dice.choice(hits), setting="chance", value=dice.choice((0.4, 1.0))),
            Solo(lane=dice.choice(names), on=True),
            Release(),
        ]
        choice += [
            MoveMacro(macro=macro.name, value=round(dice.random(), 2))
            for macro in score.spec.macros
        ]
        choice += [RecallSection(section=section.name) for section in score.spec.sections]
        found.setdefault(dice.randrange(start, end), []).append(dice.choice(choice))
    return found


def carry_out(player: Player, hand: dict[int, list[Command]], goal: int, dice: Random) -> None:
    for tick in sorted(hand):
        player.play(tick, dice)
        for command in hand[tick]:
            player.part.apply(command, "page ana")
    player.play(goal, dice)


def check(score: Score, dice: Random, far: int) -> None:
    """The same hands before and after the jump; from the take-over on all is the same."""
    bar = score.spec.bar_ticks
    far, goal = far // BAR * bar + dice.randrange(bar), (far // BAR + 12) * bar
    moves = [command for commands in hands(score, dice, 0, 1).values() for command in commands]
    first = [move for move in moves if getattr(move, "when", "now") == "now"]
    hand = hands(score, dice, far, far + 4 * bar)
    jumped, played = Player(score), Player(score)
    for player in (jumped, played):
        player.part.performance.running = False  # what glides is there at once, as after a jump
        for command in first:
            player.part.apply(command)
        player.part.performance.running = True
    jumped.jump(far)
    carry_out(jumped, hand, goal, dice)
    joined = jumped.joined
    assert joined is not None, "nothing took over"
    assert joined % bar == 0
    before = {tick: commands for tick, commands in hand.items() if tick < joined}
    after = {tick: commands for tick, commands in hand.items() if tick >= joined}
    carry_out(played, before, joined, dice)
    standing = {i.output: i.value for i in jumped.items if i.tick == joined and i.lane == -1}
    values = played.part.values()
    assert standing.items() <= values.items()
    carry_out(played, after, goal, dice)
    assert jumped.from_tick(joined) == played.from_tick(joined)
    assert jumped.part.performance.state() == played.part.performance.state()
    assert jumped.part.catching_up is None


@pytest.mark.parametrize("again", range(8))
def test_what_counts_drifts_and_walks_is_where_playing_takes_it(again: int) -> None:
    check(counted.score(), Random(again), FAR)


@pytest.mark.parametrize("group", range(10))
def test_made_up_sets_with_moves_by_hand(group: int) -> None:
    for number in sorted({*range(group, corpus.COUNT, 30)} - {*CUT}):
        check(corpus.score_of(number), Random(number), 30 * BAR)


def test_without_catching_up_it_is_another_music() -> None:
    """Otherwise these tests would say nothing."""
    jumped, played = Player(counted.score()), Player(counted.score())
    jumped.jump(FAR)
    jumped.play(FAR + 8 * BAR, Random(1), work=0.0)
    played.play(FAR + 8 * BAR, Random(1))
    assert jumped.joined is None
    assert jumped.from_tick(FAR + 4 * BAR) != played.from_tick(FAR + 4 * BAR)


def test_another_jump_begins_where_the_exact_way_had_come_to() -> None:
    dice = Random(4)
    jumped, played = Player(counted.score()), Player(counted.score())
    jumped.jump(FAR)
    jumped.play(FAR + 100, dice, work=0.2)
    jumped.jump(FAR - 20 * BAR)
    jumped.play(FAR - 19 * BAR, dice, work=0.1)
    jumped.part.seek(FAR + 50 * BAR)  # this time there is enough
    assert jumped.part.catching_up is None
    jumped.play(FAR + 55 * BAR, dice)
    played.play(FAR + 50 * BAR, dice)
    played.play(FAR + 55 * BAR, dice)
    assert jumped.from_tick(FAR + 50 * BAR) == played.from_tick(FAR + 50 * BAR)


def test_jumps_without_end_make_one_renderer_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody collects garbage while music plays."""
    dice, made = Random(8), []
    real = Renderer.__init__

    def makes(renderer: Renderer, *args: object, **more: object) -> None:
        made.append(renderer)
        real(renderer, *args, **more)  # type: ignore[arg-type]

    player = Player(counted.score())
    monkeypatch.setattr(Renderer, "__init__", makes)
    for number in range(6):
        player.jump(FAR + (number % 3) * 20 * BAR)
        player.play(player.part.rendered + 3 * BAR, dice, work=0.8 if number == 3 else 0.3)
    assert len(made) == 1


def test_a_swap_on_the_way_is_done_again_where_it_was() -> None:
    dice = Random(5)
    old = counted.score()
    lanes = [lane for lane in counted.LANES if lane.name != "held"]
    lanes.append(gate_lane("new", "x...x", 7))
    new = score_of(*lanes, macros=(counted.KNOB,), sections=(counted.THIN,), swing=57.0, seed=3)
    jumped, played = Player(old), Player(old)
    jumped.jump(FAR)
    for player, work in ((jumped, 0.05), (played, 0.5)):
        player.play(FAR + 700, dice, work)
        player.part.apply(Mute(lane="rim", muted=True, when="bar"))
        player.part.swap(new, 2, "beat", True)
        player.play(FAR + BAR // 2, dice, work)
        player.part.reset("made")
        player.play(FAR + 3 * BAR, dice, work)
        player.play(FAR + 12 * BAR, dice)
        assert player.part.revision == 2
    joined = jumped.joined
    assert joined is not None
    assert joined > FAR + BEAT
    assert jumped.from_tick(joined) == played.from_tick(joined)


def test_what_was_rendered_too_late_goes_on_exactly_too() -> None:
    """A player that fell behind leaves music out; lanes fall in where it goes on."""
    dice = Random(6)
    skipped, played = Player(counted.score()), Player(counted.score())
    for player in (skipped, played):
        player.play(3 * BAR, dice)
        player.part.apply(Mute(lane="rim", muted=True, when="bar"))
    skipped.clock.look_ns = 10_000_000
    skipped.part.skip(FAR + 77, 0)
    skipped.clock.look_ns = 0
    skipped.play(FAR + 8 * BAR, dice)
    played.play(FAR + 8 * BAR, dice)
    joined = skipped.joined
    assert joined is not None
    assert skipped.from_tick(joined) == played.from_tick(joined)


def test_a_place_that_a_player_remembered_is_gone_on_from_exactly() -> None:
    dice = Random(7)
    old, new, played = Player(counted.score()), Player(counted.score()), Player(counted.score())
    old.play(41 * BAR, dice)
    memory = old.part.renderer.memory
    new.part.performance.locate(FAR)
    new.clock.look_ns = 10_000_000
    new.part.recall(memory, FAR, 0)
    new.clock.look_ns = 0
    new.play(FAR + 8 * BAR, dice)
    played.play(FAR + 8 * BAR, dice)
    assert new.joined is not None
    assert new.from_tick(new.joined) == played.from_tick(new.joined)


def test_a_place_is_left_for_good_when_it_is_too_far_or_too_much_happens() -> None:
    def jumped() -> Player:
        player = Player(counted.score())
        player.jump(FAR)
        return player

    player = jumped()
    catch_up = player.part.catching_up
    assert catch_up is not None
    player.clock.look_ns = MOST_NS + 1
    catch_up.step(FAR)
    player.clock.look_ns = 0
    assert player.part.catching_up is None
    player = jumped()
    for number in range(CHANGES_MOST + 1):
        player.part.apply(MoveMacro(macro="knob", value=number % 2))
    assert player.part.catching_up is None
    player = jumped()
    for _ in range(LINES_MOST + 1):
        player.part.pass_line()
    assert player.part.catching_up is None


def windows(player: Player, goal: int) -> Iterator[int]:
    """Where rendering stops when it is asked for as much as possible."""
    while player.part.rendered < goal:
        list(player.part.render(goal, 120.0))
        yield player.part.rendered


def test_rendering_stops_at_bar_lines_only_when_the_exact_way_is_near() -> None:
    player = Player(counted.score())
    player.jump(FAR)
    assert list(windows(player, FAR + 2 * BAR)) == [FAR + 2 * BAR]
    catch_up = player.part.catching_up
    assert catch_up is not None
    while not catch_up.near(FAR + 2 * BAR):
        catch_up.step(FAR + 2 * BAR, 10**9)
    later = FAR + 2 * BAR + NEAR_TICKS + 1
    assert list(windows(player, later)) == [later]
    assert list(windows(player, FAR + 4 * BAR)) == [FAR + 4 * BAR]
    while not catch_up.arrived(FAR + 4 * BAR):
        catch_up.step(FAR + 4 * BAR, 10**9)
    assert next(windows(player, FAR + 6 * BAR)) == FAR + 5 * BAR

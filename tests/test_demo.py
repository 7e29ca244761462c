"""The demo and the sets for single ideas: accepted, playable, and saying what they claim."""

from __future__ import annotations

from collections import Counter
from itertools import groupby, pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner
from support.said import carry_out

import bridge
from bridge.cli import main
from bridge.demo import files, ideas, names
from bridge.errors import BridgeError
from bridge.files.rig import Rig, load_rig
from bridge.files.set import load_set, parse_set
from bridge.music.event import Event
from bridge.music.performance import Performance
from bridge.music.render import Renderer, events_between
from bridge.music.scale import note_name
from bridge.music.score import Score, compile_score
from bridge.paper import midi_import, smf
from bridge.paper.form import Form, form_of
from bridge.supervisor import replacing
from bridge.supervisor.loading import Options

DEMO = Path(bridge.__file__).parent / "demo"
IDEAS = [files(name)[1] for name in names()]
BAR = 3840


@pytest.fixture(scope="module")
def rig() -> Rig:
    return load_rig(DEMO / "rig.yaml")


def score_of(rig: Rig, path: Path) -> Score:
    return compile_score(load_set(path, rig).spec, rig.ranges)


def by_lane(score: Score, events: list[Event]) -> dict[str, list[Event]]:
    found: dict[str, list[Event]] = {lane.name: [] for lane in score.lanes}
    for event in events:
        if event.lane >= 0:
            found[score.lanes[event.lane].name].append(event)
    return found


def grid_steps(events: list[Event]) -> list[int]:
    return [event.grid // 240 for event in events]


def test_the_demo_is_a_whole_set(rig: Rig) -> None:
    score = score_of(rig, DEMO / "set.yaml")
    spec = score.spec
    assert len(spec.lanes) >= 8
    assert sum(lane.kind == "logic" for lane in spec.lanes) >= 2
    assert any(lane.kind == "notes" and isinstance(lane.advance, str) for lane in spec.lanes)
    loose = [lane for lane in spec.lanes if not lane.hits and not isinstance(lane.advance, str)]
    assert loose, "modulation that runs loose from the hits"
    assert len(spec.macros) == 4
    assert len(spec.sections) == 7
    lanes = by_lane(score, events_between(score, 0, 4 * BAR))
    assert all(lanes[lane.name] for lane in spec.lanes if lane.out), "a lane of the demo is silent"


# --- five minutes that go somewhere --------------------------------------------------------------

WRITTEN = ("euclid", "steps", "every", "notes", "levels")  # sources that somebody wrote out


@pytest.fixture(scope="module")
def low_tide(rig: Rig) -> Form:
    return form_of(load_set(DEMO / "set.yaml", rig).spec, rig)


def test_five_minutes_come_from_eight_written_patterns(low_tide: Form) -> None:
    assert sum(lane.kind in WRITTEN for lane in low_tide.spec.lanes) <= 8
    assert len(low_tide.passages) >= 5
    assert 270 <= low_tide.seconds <= 330


@pytest.mark.parametrize("path", [DEMO / "set.yaml", DEMO / "ideas/seven.yaml"])
def test_a_whole_set_keeps_changing(rig: Rig, path: Path) -> None:
    form = form_of(load_set(path, rig).spec, rig)
    (drums,) = form.groups
    assert form.whole.share >= 0.8
    assert drums.share >= 0.6
    assert form.silent == ()
    assert form.alike == ()


def test_sections_differ_plainly_in_density_and_register(low_tide: Form) -> None:
    """Each entry has half as many hits again as the one before, or fewer by a third, or its middle
    note is half an octave away; over the whole set both go far."""
    for one, other in pairwise(low_tide.passages):
        denser = max(one.hits_a_bar, other.hits_a_bar) / min(one.hits_a_bar, other.hits_a_bar)
        assert one.register
        assert other.register
        assert denser >= 1.5 or abs(one.register[1] - other.register[1]) >= 6, other.section
        assert (other.differs or 0.0) > 0.4, other.section
    counts = [passage.hits_a_bar for passage in low_tide.passages]
    middles = [passage.register[1] for passage in low_tide.passages if passage.register]
    assert max(counts) > 8 * min(counts)
    assert max(middles) - min(middles) >= 24


def test_nothing_drones(low_tide: Form) -> None:
    """No lane plays one and the same bar for more than eight bars running."""
    for name, bars in low_tide.by_lane.items():
        longest = max(len(list(run)) for bar, run in groupby(bars) if bar)
        assert longest <= 8, name


@pytest.mark.parametrize(
    ("written", "instead", "follow"),
    [
        ("kick:   {euclid: {hits: 4", "kick:   {euclid: {hits: 3", {"hat", "spray"}),
        ("rim:    {euclid: {hits: 5", "rim:    {euclid: {hits: 7", {"spray", "clap"}),
        ('"x.X. x.xx x.X. xx.x"', '"xxX. x... X.X. xx.."', {"spray", "clap"}),
    ],
)
def test_derived_lanes_change_when_their_sources_do(
    rig: Rig, written: str, instead: str, follow: set[str]
) -> None:
    text = (DEMO / "set.yaml").read_text(encoding="utf-8")
    assert text.count(written) == 1
    before, after = (
        compile_score(parse_set(one, rig=rig).spec, rig.ranges)
        for one in (text, text.replace(written, instead))
    )
    one, other = (by_lane(s, events_between(s, 0, 8 * BAR)) for s in (before, after))
    for name in follow:
        assert grid_steps(one[name]) != grid_steps(other[name]), name


@pytest.mark.parametrize("macro", ["brightness", "undertow", "flotsam", "drizzle"])
def test_every_macro_moves_something_one_hears(rig: Rig, macro: str) -> None:
    """From one end to the other, with all lanes in: a volt more at an output, or hits that come,
    go, or change their level by a tenth, on a fifth of the hits of a lane."""
    score = score_of(rig, DEMO / "set.yaml")
    move: dict[str, object] = {"do": "macro", "macro": macro}
    down, up = (played(score, 8, {**move, "value": value}) for value in (0.0, 1.0))
    moved = False
    for lane in score.lanes:
        low, high = down[lane.name], up[lane.name]
        if lane.hits:
            one = Counter((e.tick, round(e.value, 1)) for e in low)
            other = Counter((e.tick, round(e.value, 1)) for e in high)
            changed = (one - other).total() + (other - one).total()
            moved = moved or changed >= 0.2 * max(len(low), len(high))
        elif low and low[0].kind == "level":
            means = [sum(e.value for e in events) / len(events) for events in (low, high)]
            moved = moved or means[1] - means[0] >= 1.0
    assert moved


def test_three_and_five_meet_where_two_bars_of_seven_eighths_begin(rig: Rig) -> None:
    """Seven quarters are 6720 ticks; thirds and fifths of them have only their beginning in
    common, for 3 and 5 have no common divisor."""
    score = score_of(rig, DEMO / "ideas/seven.yaml")
    lanes = by_lane(score, events_between(score, 0, 4 * 6720))
    three, five = ({e.grid for e in lanes[name]} for name in ("three", "five"))
    assert sorted(three & five) == [0, 6720, 13440, 20160]
    assert (len(three), len(five)) == (4 * 3, 4 * 5)


# --- single ideas --------------------------------------------------------------------------------


@pytest.mark.parametrize("path", IDEAS, ids=lambda p: p.stem)
def test_an_idea_plays(rig: Rig, path: Path) -> None:
    assert path.read_text(encoding="utf-8").startswith("# "), "an idea says what it shows"
    score = score_of(load_rig(files(path.stem)[0]), path)
    whole = events_between(score, 0, 16 * BAR)
    cut = [
        e
        for a in range(0, 16 * BAR, 1700)
        for e in events_between(score, a, min(a + 1700, 16 * BAR))
    ]
    assert cut == whole
    lanes = by_lane(score, whole)
    silent = [
        lane.name for lane in score.lanes if lane.out and not lane.muted and not lanes[lane.name]
    ]
    # An output shared by several lanes is one stream of volts, under the first lane's name.
    shared = Counter(lane.out for lane in score.lanes if lane.out)
    outs = {lane.name: lane.out or "" for lane in score.lanes}
    assert not [name for name in silent if shared[outs[name]] == 1]


@pytest.mark.parametrize("path", IDEAS, ids=lambda p: p.stem)
def test_an_idea_is_as_alive_as_the_demo(path: Path) -> None:
    """Four of five bars are new, sections differ, every lane sounds, and none plays one and the
    same bar for more than eight running."""
    rig = load_rig(files(path.stem)[0])
    form = form_of(load_set(path, rig).spec, rig)
    assert form.whole.share >= 0.8
    assert (form.alike, form.silent) == ((), ())
    for name, bars in form.by_lane.items():
        assert max((len(list(run)) for bar, run in groupby(bars) if bar), default=0) <= 8, name


@pytest.mark.parametrize("name", [None, *names()])
def test_check_has_nothing_to_warn_of(name: str | None) -> None:
    rig_file, set_file = files(name)
    result = CliRunner().invoke(main, ["check", str(rig_file), str(set_file)])
    assert result.exit_code == 0
    assert "good" in result.stdout
    assert "(warning)" not in result.output


def test_the_fill_comes_in_every_fourth_pass(rig: Rig) -> None:
    score = score_of(rig, DEMO / "ideas/euclid.yaml")
    hat = by_lane(score, events_between(score, 0, 8 * BAR))["hat"]
    bars = [[s % 16 for s in grid_steps(hat) if s // 16 == bar] for bar in range(8)]
    assert bars[3] == bars[7]
    assert bars[3][-4:] == [12, 13, 14, 15]
    assert all(bar == bars[0] != bars[3] for i, bar in enumerate(bars) if i not in (3, 7))


def test_derived_voices_follow(rig: Rig) -> None:
    score = score_of(rig, DEMO / "ideas/derived.yaml")
    lanes = by_lane(score, events_between(score, 0, BAR))
    kick, rim = grid_steps(lanes["kick"]), grid_steps(lanes["rim"])
    assert grid_steps(lanes["only"]) == sorted(set(rim) - set(kick))
    assert grid_steps(lanes["third"]) == rim[2::3]
    assert grid_steps(lanes["after"]) == [step + 3 for step in kick if step + 3 < 16]


def test_reading_before_and_after_a_mute(rig: Rig) -> None:
    score = score_of(rig, DEMO / "ideas/mutes.yaml")
    on, muted = (
        played(score, 2, {"do": "mute", "lane": "rim", "muted": yes, "when": "now"})
        for yes in (False, True)
    )
    assert all(on[name] for name in ("rim", "near", "far"))
    assert muted["rim"] == muted["near"] == []
    assert grid_steps(muted["far"]) == grid_steps(on["far"])


def test_nothing_lines_up_for_five_bars(rig: Rig) -> None:
    """Seven hits a bar under five notes: they meet again after lcm(7, 5) hits, five bars."""
    score = score_of(rig, DEMO / "ideas/loose.yaml")
    notes = by_lane(score, events_between(score, 0, 20 * BAR))["bassline"]
    bars = [[(e.grid % BAR, e.value) for e in notes if e.grid // BAR == bar] for bar in range(20)]
    assert bars[5:10] == bars[10:15]
    assert all(bars[6 + i] != bars[5] for i in range(4))


def test_the_running_order_is_as_long_as_it_says(rig: Rig) -> None:
    spec = load_set(DEMO / "ideas/sections.yaml", rig).spec
    assert sum(entry.length or 0 for entry in spec.order) == 40


def test_a_b_part_from_the_same_lanes_and_the_first_part_as_it_was(rig: Rig) -> None:
    score = score_of(rig, DEMO / "ideas/shores.yaml")
    lanes = played(score, 28, {"do": "order", "run": True})
    kicks = [
        [step % 16 for step in grid_steps(lanes["kick"]) if step // 16 == bar] for bar in range(28)
    ]
    near, far = [0, 4, 8, 12], [0, 6, 8, 11]
    assert kicks == [near] * 8 + [far] * 8 + [near] * 8 + [far] * 4
    minor = {(9 + degree) % 12 for degree in (0, 2, 3, 5, 7, 8, 10)}  # A minor
    dorian = {(2 + degree) % 12 for degree in (0, 2, 3, 5, 7, 9, 10)}  # D dorian
    for bar in range(28):
        key = minor if bar < 8 or 16 <= bar < 24 else dorian
        for name in ("bassline", "lantern"):
            heard = {e.value % 12 for e in lanes[name] if e.grid // BAR == bar}
            assert heard <= key, (bar, name)
    first, again = (
        [(e.grid - start, e.value) for e in lanes["bassline"] if start <= e.grid < start + 8 * BAR]
        for start in (0, 16 * BAR)
    )
    assert len(first) > 30
    assert first == again


def played(score: Score, bars: int, *commands: dict[str, object]) -> dict[str, list[Event]]:
    """What sounds when `commands` are given at the very start."""
    performance = Performance(score)
    player = Renderer(score, performance)
    for command in commands:
        carry_out(performance, command, 0)
    return by_lane(score, player.advance(bars * BAR))


def per_bar(events: list[Event], bars: int) -> list[int]:
    return [sum(event.tick // BAR == bar for event in events) for bar in range(bars)]


def test_a_morph_thickens_little_by_little_and_nothing_jumps(rig: Rig) -> None:
    score = score_of(rig, DEMO / "ideas/morph.yaml")
    recall: dict[str, object] = {"do": "section", "section": "spring", "when": "bar"}
    lanes = played(score, 12, {**recall, "morph_bars": 8})
    at_once = played(score, 12, recall)
    hats = per_bar(lanes["hat"], 12)
    assert hats == sorted(hats)
    assert hats[0] < hats[4] < hats[9] == hats[11] == per_bar(at_once["hat"], 12)[11]
    volts = [e.value for e in score_events(score, 12, recall | {"morph_bars": 8}) if e.lane < 0]
    assert volts[-1] - volts[0] > 3
    assert max(abs(b - a) for a, b in pairwise(volts)) < 0.1


def score_events(score: Score, bars: int, command: dict[str, object]) -> list[Event]:
    performance = Performance(score)
    player = Renderer(score, performance)
    carry_out(performance, command, 0)
    return player.advance(bars * BAR)


def test_the_drums_drop_out_as_a_group_and_come_back_on_the_bar(rig: Rig) -> None:
    score = score_of(rig, DEMO / "ideas/drop.yaml")
    drop: dict[str, object] = {
        "do": "group",
        "group": "drums",
        "muted": True,
        "when": "now",
        "return_bars": 4,
    }
    lanes = played(score, 6, drop)
    for name in ("kick", "clap", "hat"):
        assert [count > 0 for count in per_bar(lanes[name], 6)] == [False] * 4 + [True] * 2
    assert all(per_bar(lanes["bass"], 6))
    lanes = played(score, 5, {"do": "section", "section": "hush", "when": "now"})
    counts = per_bar(lanes["roll"], 4)
    assert counts == sorted(counts)
    assert counts[0] < 4 < 12 < counts[3]


def test_controls_reach_everything_they_may(rig: Rig) -> None:
    own = load_rig(files("controllers")[0])
    document = load_set(files("controllers")[1], own)
    controls = own.controllers["desk"].bindings
    for target in ("macro", "mute", "section", "transport"):
        assert any(getattr(control, target) for control in controls)
    names = {macro.name for macro in document.spec.macros}
    assert {control.macro for control in controls if control.macro} == names
    assert document.warnings == ()


# The chords of A minor on its degrees 1, 6, 3 and 7, with seventh and ninth, and those of D dorian
# (stacked thirds of the scale by name; common practice, no source).
MINOR = ("A C E G B", "F A C E G", "C E G B D", "G B D F A")
DORIAN = ("D F A C E", "B D F A C", "F A C E G", "C E G B D")


@pytest.mark.parametrize(
    ("section", "chords"), [("home", MINOR), ("rich", MINOR), ("away", DORIAN)]
)
def test_a_bell_walks_over_the_chord_of_each_bar(
    rig: Rig, section: str, chords: tuple[str, ...]
) -> None:
    score = score_of(rig, DEMO / "ideas/chords.yaml")
    lanes = played(score, 8, {"do": "section", "section": section, "when": "now"})
    for bar in range(8):
        chord = chords[bar % 4].split()
        for name, count in (("lights", 5 if section == "rich" else 3), ("bassline", 3)):
            hits = {e.grid for e in lanes["bell" if name == "lights" else "bass"]}
            heard = {
                note_name(e.value)[:-1]
                for e in lanes[name]
                if e.grid // BAR == bar and e.grid in hits
            }
            assert heard, (bar, name)
            assert heard <= set(chord[:count]), (bar, name)


def test_a_bar_from_a_midi_file_comes_out_and_goes_in_again(rig: Rig, tmp_path: Path) -> None:
    spec = load_set(DEMO / "ideas/imported.yaml", rig).spec
    file = tmp_path / "driftwood.mid"
    file.write_bytes(smf.render(spec, rig, 1))
    again = parse_set(midi_import.set_text(file, 1, 1)).spec
    assert again.tempo == spec.tempo
    patterns = [lane.source for lane in again.lanes]
    for name in ("kick", "rim", "hat"):
        (written,) = [lane for lane in spec.lanes if lane.name == name]
        assert written.source in patterns


# --- playing an idea -----------------------------------------------------------------------------


def test_ideas_are_listed_with_what_to_listen_for() -> None:
    result = CliRunner().invoke(main, ["demo", "--ideas"])
    assert result.exit_code == 0
    lines = dict(line.split(maxsplit=1) for line in result.stdout.splitlines())
    assert list(lines) == names()
    assert lines == ideas()
    assert all(len(says) > 20 for says in lines.values())


@pytest.mark.parametrize("name", names())
def test_an_idea_is_played_like_the_demo(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    called: list[Options] = []

    def run(options: Options) -> None:
        called.append(options)

    monkeypatch.setattr(replacing, "play", run)
    assert CliRunner().invoke(main, ["demo", "--idea", name]).exit_code == 0
    (options,) = called
    assert options.start
    assert options.set.stem == name
    assert load_set(options.set, load_rig(options.rig)).warnings == ()


def test_an_idea_that_is_not_there_is_said_with_the_nearest() -> None:
    result = CliRunner().invoke(main, ["demo", "--idea", "meldoy"])
    assert result.exit_code == 1
    assert "did you mean melody?" in result.stderr
    with pytest.raises(BridgeError, match="there are: against, "):
        files("zzz")

"""The figures of the reference: one for every table of the manual, and small sets for the rest."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial

from bridge.paper.figures import STEP, Figure, Look, Trace, play
from bridge.paper.tables import GATE_TIME, Table, all_tables
from bridge.protocol.limits import When
from bridge.protocol.performing import Mute

TEMPO = 120
OUT = "out"
"""What the lane under test is called: chance and walks are seeded by name."""


def _hits(cells: tuple[str, ...]) -> bool:
    return set(cells) <= set("xX.01▔▁")


def _marks(cells: tuple[str, ...]) -> str:
    return "".join(cells).translate(str.maketrans("01▔▁", ".xx."))


def of_table(name: str, table: Table) -> list[Figure]:
    """One figure for each row of the table: what is given, and what comes out."""
    return [_row(name, table, label, cells) for label, cells in table.shown]


def _row(name: str, table: Table, label: str, cells: tuple[str, ...]) -> Figure:
    gates = table.gates or name.endswith("-by-gates")
    lines = [f"set: {name}", f"tempo: {TEMPO}", "lanes:"]
    look: Look = "gates" if gates else "hits"
    traces = []
    for lane, given in table.given.items():
        muted = ", muted: true" if lane in table.muted else ""
        if _hits(given):
            length = "gate: 1" if gates else "gate: 0.5"
            lines.append(f'  {lane}: {{steps: "{_marks(given)}", {length}{muted}}}')
            traces.append(Trace(lane, f"{lane}, muted" if muted else lane, look))
        else:
            source = "notes" if given[0][:1].isalpha() else "levels"
            lines.append(f"  {lane}: {{{source}: [{', '.join(given)}]}}")
            traces.append(Trace(lane, lane, "values"))
    if label.startswith("{"):
        lines.append(f"  {OUT}: {label}")
        traces.append(Trace(OUT, label[1:-1], "hits" if set(cells) <= set("xX.") else "values"))
    else:
        compare = ", compare: gates" if gates else ""
        expression = label.replace(", t)", f", {GATE_TIME})") if gates else label
        lines.append(f'  {OUT}: {{logic: "{expression}"{compare}}}')
        traces.append(Trace(OUT, expression, look))
    pitch = [OUT] if name in ("source-notes", "source-arpeggio") else []
    return play(f"{name}: {label}", "\n".join(lines) + "\n", len(cells) * STEP, traces, pitch=pitch)


def _lanes(
    title: str, steps: int, lanes: Mapping[str, str], look: Look = "hits", head: str = ""
) -> Figure:
    """A figure of lanes as they are written."""
    text = f"set: {title}\ntempo: {TEMPO}\n{head}lanes:\n" + "".join(
        f"  {name}: {{{lane}}}\n" for name, lane in lanes.items()
    )
    traces = [Trace(name, lane, look) for name, lane in lanes.items()]
    return play(title, text, steps * STEP, traces)


def _numbered(template: str, values: tuple[object, ...]) -> dict[str, str]:
    return {f"lane-{n}": template.format(value) for n, value in enumerate(values, start=1)}


def _mutes() -> Figure:
    lanes = {"now": "every: 1", "beat": "every: 1 ", "bar": "every: 1  ", "two-bars": "every: 1   "}
    text = f"set: mutes\ntempo: {TEMPO}\nlanes:\n" + "".join(
        f"  {name}: {{{lane}}}\n" for name, lane in lanes.items()
    )
    when: dict[str, When] = {"now": "now", "beat": "beat", "bar": "bar", "two-bars": "bar"}
    says = {
        "now": "muted now",
        "beat": "muted at the beat",
        "bar": "muted at the bar",
        "two-bars": "muted at the bar, back after one bar",
    }
    commands = [Mute(lane=name, muted=True, when=when[name]) for name in lanes]
    commands[-1] = replace(commands[-1], return_bars=1)
    traces = [Trace(name, says[name], "hits") for name in lanes]
    return play("mutes", text, 48 * STEP, traces, commands=commands, at=6 * STEP)


DIRECTIONS = ("forward", "backward", "back-and-forth", "random-walk", "shuffle")
FORMS = ("sine", "triangle", "ramp", "saw", "square")

SUBJECTS: Mapping[str, tuple[str, Callable[[], Figure]]] = {
    "directions": (
        "One list of levels walked in five ways.",
        partial(
            _lanes,
            "directions",
            16,
            _numbered("levels: [0, 0.25, 0.5, 0.75, 1], direction: {}", DIRECTIONS),
            "values",
        ),
    ),
    "reset": (
        "Five steps in a bar of sixteen: left alone, and sent back at each bar.",
        partial(
            _lanes,
            "reset",
            32,
            {
                "drift": "euclid: {hits: 2, steps: 5}",
                "held": "euclid: {hits: 2, steps: 5}, reset: 1",
            },
        ),
    ),
    "mutes": (
        "Mutes asked for at the upright line; the trace is dashed where a lane is muted.",
        _mutes,
    ),
    "passes": (
        "Four passes of four steps.",
        partial(
            _lanes,
            "passes",
            32,
            {
                "all": 'steps: "x.xx"',
                "some": 'steps: "x.xx", passes: {on: [1, 3], of: 4}',
                "last": 'steps: "x.xx", passes: {on: [4], of: 4}',
            },
        ),
    ),
    "accents": (
        "Accents walk along beside the pattern; `accent` says how far they rise.",
        partial(
            _lanes,
            "accents",
            16,
            {
                "plain": "every: 1, level: 0.4",
                "full": 'every: 1, level: 0.4, accents: "X..x."',
                "half": 'every: 1, level: 0.4, accents: "X..x.", accent: 0.5',
            },
        ),
    ),
    "shapes": (
        "Five shapes, two times round; the random ones have a new value each time round.",
        partial(
            _lanes,
            "shapes",
            16,
            {
                **_numbered("shape: {}, rate: 1/2", FORMS),
                "steps": "shape: random-steps, rate: 1/8",
                "smooth": "shape: random-smooth, rate: 1/8",
            },
            "values",
        ),
    ),
    "quantise": (
        "A random walk as it is, in the key of A minor, and over one octave of a chord.",
        lambda: play(
            "quantise",
            f"set: quantise\ntempo: {TEMPO}\nkey: {{root: A, scale: minor}}\nseed: 4\nlanes:\n"
            "  drift: {walk: true, walk_step: 0.4, octaves: [3, 4]}\n"
            "  out: {sample: {value: drift, at: all}, quantise: key, octaves: [3, 4]}\n"
            "  chord: {sample: {value: drift, at: all}, chord: [1, 3, 5], octaves: [3, 3]}\n"
            "  all: {every: 1}\n",
            16 * STEP,
            [
                Trace("drift", "walk: true, octaves: [3, 4]", "values"),
                Trace("out", "the same held, quantise: key", "values"),
                Trace("chord", "the same held, chord: [1, 3, 5], octaves: [3, 3]", "values"),
            ],
            pitch=("drift", "out", "chord"),
        ),
    ),
    "chance-of-a-lane": (
        "The same pattern, less and less likely.",
        partial(_lanes, "chance of a lane", 32, _numbered("every: 1, chance: {}", (1, 0.7, 0.3))),
    ),
    "density": (
        "0.5 as written. Below, weak places go first; above, strong places are filled first.",
        partial(
            _lanes,
            "density",
            16,
            _numbered('steps: "x.xx x..x x.x. x.xx", density: {}', (0.1, 0.3, 0.5, 0.7, 0.9)),
        ),
    ),
    "repeats": (
        "Hits within one step, spaced and ramped.",
        partial(
            _lanes,
            "repeats",
            16,
            {
                "even": "every: 4, repeats: 4",
                "fast": "every: 4, rate: 1/8, repeats: 6, repeat_curve: 0.5",
                "slow": "every: 4, rate: 1/8, repeats: 6, repeat_curve: -0.5",
                "ramp": "every: 4, rate: 1/8, repeats: 6, repeat_ramp: -0.8",
            },
        ),
    ),
    "swing": (
        "The second of each pair of steps comes later.",
        partial(_lanes, "swing", 8, _numbered("every: 1, swing: {}", (40, 50, 58, 66))),
    ),
    "shift": (
        "Early, on the step, late; and spread by a seeded humanise.",
        partial(
            _lanes,
            "shift",
            8,
            {
                **_numbered("every: 2, shift: {}", (-0.25, 0, 0.25)),
                "spread": "every: 2, humanise_ms: 30, humanise_level: 0.3",
            },
        ),
    ),
    "drift": (
        "Six passes of eight steps; never more than two steps differ from what is written.",
        partial(
            _lanes,
            "drift",
            48,
            {
                "still": 'steps: "x..x..x."',
                "moving": 'steps: "x..x..x.", drift: 0.2, drift_bound: 2',
            },
            head="seed: 5\n",
        ),
    ),
    "slew": (
        "A level that jumps, and glides.",
        partial(
            _lanes,
            "slew",
            16,
            {
                "jump": "levels: [0, 1, 0.3, 0.8], rate: 1/8",
                "short": "levels: [0, 1, 0.3, 0.8], rate: 1/8, slew_ms: 90",
                "long": "levels: [0, 1, 0.3, 0.8], rate: 1/8, slew: 1",
            },
            "values",
        ),
    ),
}


def figures(name: str) -> list[tuple[str, Figure]]:
    """The figures called `name`, each with a line of words; raises KeyError when there is none."""
    if name in SUBJECTS:
        words, make = SUBJECTS[name]
        return [(words, make())]
    return [("", figure) for figure in of_table(name, all_tables()[name])]


def names() -> list[str]:
    """Every name that has figures."""
    return [*SUBJECTS, *all_tables()]

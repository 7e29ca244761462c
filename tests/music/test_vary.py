"""Copy, clear, randomise: within bounds, seeded, and nothing at amount 0."""

from __future__ import annotations

from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from bridge.files.set import parse_set
from bridge.music.model import SETTINGS, Lane, Notes, SetSpec
from bridge.music.pattern import parse_steps
from bridge.music.scale import SCALES, parse_note
from bridge.music.vary import BOUNDS, OWN, cleared, copied, randomised

WRITTEN: dict[str, dict[str, Any]] = {
    "kick": {"euclid": {"hits": 4, "steps": 16, "fill": {"hits": 3, "length": 4}}, "level": 0.9},
    "shaker": {"steps": "x.X. x.xx x.X. xx.x", "rate": "1/16", "chance": 0.5, "muted": True},
    "clock": {"every": 6},
    "spray": {"logic": "kick xor shaker", "spacing": "slowing", "repeats": 3},
    "tune": {
        "notes": ["A1", "C2", ".", {"note": "E2", "glide": True}, "-", "G2"],
        "advance": "kick",
    },
    "swell": {"levels": [0, 0.5, ".", 1], "slew_ms": 40},
    "moon": {"shape": "sine", "low": 0.2, "high": 0.3},
}


def read(lanes: dict[str, dict[str, Any]]) -> SetSpec:
    text = yaml.safe_dump(
        {"set": "Low tide", "key": {"root": "A", "scale": "minor"}, "lanes": lanes}, sort_keys=False
    )
    return parse_set(text, "set.yaml", None).spec


SPEC = read(WRITTEN)
LANES: dict[str, Lane] = {lane.name: lane for lane in SPEC.lanes}
PATTERNS = [name for name in WRITTEN if name not in ("spray", "moon")]
AMOUNT, SEED = st.floats(0, 1), st.integers(0, 2**31 - 1)


def change(name: str, new: dict[str, Any]) -> Lane:
    """The lane as it is read after the change; the whole set must still be right."""
    lane = {**WRITTEN[name], **new}
    lanes = {**WRITTEN, name: {k: v for k, v in lane.items() if v is not None}}
    return next(lane for lane in read(lanes).lanes if lane.name == name)


def moved(name: str, amount: float, seed: int, what: Any = "pattern") -> dict[str, Any]:
    return randomised(LANES[name], WRITTEN[name], SPEC, amount, seed, what)


@given(st.sampled_from(PATTERNS), AMOUNT, SEED)
def test_the_same_seed_does_the_same_and_the_set_stays_right(
    name: str, amount: float, seed: int
) -> None:
    new = moved(name, amount, seed)
    assert new == moved(name, amount, seed)
    change(name, new)


@pytest.mark.parametrize("name", PATTERNS)
def test_nothing_moves_at_amount_0_and_seeds_differ_at_1(name: str) -> None:
    assert change(name, moved(name, 0, 5)).source == LANES[name].source
    assert change(name, moved(name, 0, 5)).settings == LANES[name].settings
    assert len({str(moved(name, 1, seed)) for seed in range(20)}) > 3


@given(AMOUNT, SEED)
def test_a_step_pattern_keeps_its_length_its_hits_and_its_accents(amount: float, seed: int) -> None:
    before = parse_steps(WRITTEN["shaker"]["steps"])
    after = parse_steps(moved("shaker", amount, seed)["steps"])
    assert len(after) == len(before)
    assert sorted(after) == sorted(before)
    most = round(amount * sum(mark > 0 for mark in before))
    assert sum(a > 0 and not b for a, b in zip(before, after, strict=True)) <= most


@given(AMOUNT, SEED)
def test_a_euclid_keeps_its_steps_and_never_falls_silent(amount: float, seed: int) -> None:
    new = moved("kick", amount, seed)["euclid"]
    assert (new["steps"], new["fill"]) == (16, {"hits": 3, "length": 4})
    assert 1 <= new["hits"] <= 12
    assert abs(new["hits"] - 4) <= 8 * amount + 0.5


@given(AMOUNT, SEED)
def test_notes_stay_in_key_near_and_rests_and_ties_stay(amount: float, seed: int) -> None:
    after = change("tune", moved("tune", amount, seed))
    assert isinstance(after.source, Notes)
    before = LANES["tune"].source
    assert isinstance(before, Notes)
    for old, new in zip(before.notes, after.source.notes, strict=True):
        assert (old.tie, old.glide) == (new.tie, new.glide)
        assert (old.number is None) == (new.number is None)
        if new.number is not None and old.number is not None:
            assert (new.number - parse_note("A1")) % 12 in SCALES["minor"]
            assert abs(new.number - old.number) <= 12


@given(st.sampled_from(list(WRITTEN)), AMOUNT, SEED)
def test_settings_stay_in_their_range_and_between_where_they_were_and_the_bounds(
    name: str, amount: float, seed: int
) -> None:
    new = moved(name, amount, seed, "settings")
    change(name, new)
    for key, value in new.items():
        if value is None:
            assert key == "spacing"
            continue
        setting = SETTINGS[key]
        was = float(LANES[name].settings.get(key, setting.start))
        assert setting.low <= value <= setting.high
        assert min(was, *BOUNDS[key]) - 1e-3 <= value <= max(was, *BOUNDS[key]) + 1e-3


def test_bounds_lie_inside_the_ranges() -> None:
    for name, (low, high) in BOUNDS.items():
        assert SETTINGS[name].low <= low < high <= SETTINGS[name].high


def test_a_tied_gate_stays_tied() -> None:
    lane = read({"pad": {"steps": "x...", "gate": "tie"}}).lanes[0]
    assert "gate" not in randomised(lane, {"steps": "x...", "gate": "tie"}, SPEC, 1, 1, "settings")


# --- clear and copy -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "new"),
    [
        ("kick", {"euclid": {"hits": 0, "steps": 16}}),
        ("shaker", {"steps": "." * 16}),
        ("clock", {"steps": "." * 16, "every": None}),
        ("tune", {"notes": ["."] * 6}),
        ("swell", {"levels": [0] * 4}),
    ],
)
def test_a_cleared_pattern_has_rests_and_its_length(name: str, new: dict[str, Any]) -> None:
    assert cleared(LANES[name], WRITTEN[name], "pattern") == new
    change(name, new)


@pytest.mark.parametrize("name", ["spray", "moon"])
def test_what_is_not_written_as_a_pattern_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="no written pattern"):
        cleared(LANES[name], WRITTEN[name], "pattern")
    with pytest.raises(ValueError, match="no written pattern"):
        moved(name, 0.5, 1)


def test_cleared_settings_are_as_unless_told() -> None:
    assert cleared(LANES["shaker"], WRITTEN["shaker"], "settings") == {"chance": None}
    assert cleared(LANES["spray"], WRITTEN["spray"], "settings") == {
        "spacing": None,
        "repeats": None,
    }
    assert change("shaker", {"chance": None}).settings == {}


def test_a_copy_brings_pattern_and_settings_and_leaves_the_place() -> None:
    target = {
        "euclid": {"hits": 1, "steps": 4},
        "out": "main.gate-2",
        "groups": ["drums"],
        "level": 0.3,
        "rate": "1/8",
    }
    source = WRITTEN["shaker"]
    both = copied(source, target)
    assert both == {
        "steps": source["steps"],
        "rate": "1/16",
        "chance": 0.5,
        "euclid": None,
        "level": None,
    }
    assert not both.keys() & OWN
    assert copied(source, target, "settings") == {"chance": 0.5, "level": None}
    assert copied(source, target, "pattern") == {
        "steps": source["steps"],
        "rate": "1/16",
        "euclid": None,
    }


def test_a_copy_onto_nothing_is_a_lane_of_its_own() -> None:
    new = copied(WRITTEN["shaker"], {})
    assert new == {k: v for k, v in WRITTEN["shaker"].items() if k != "muted"}
    assert copied(WRITTEN["shaker"], new) == {}

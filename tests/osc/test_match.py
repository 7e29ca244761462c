"""Address patterns against the published rules and the reference table."""

from __future__ import annotations

import csv
import time
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from bridge.osc.match import AddressBook, is_pattern, match

REFERENCE = Path(__file__).parent.parent / "reference"
# The fixed list that the table is made over (its note; 24 addresses).
ADDRESSES = [
    "/a",
    "/b",
    "/ab",
    "/abc",
    "/a/b",
    "/a/c",
    "/a/b/c",
    "/first/this/one",
    "/second/1",
    "/second/2",
    "/second/3",
    "/third/a",
    "/third/b",
    "/third/c",
    "/foo",
    "/bar",
    "/foobar",
    "/x-y",
    "/x!y",
    "/a-",
    "/am",
    "/mute/1",
    "/mute/12",
    "/macro/1",
]
with (REFERENCE / "osc_pattern_matching.csv").open(encoding="utf-8", newline="") as file:
    TABLE = list(csv.DictReader(file))
VECTORS = {
    entry["id"]: entry["value"]
    for entry in yaml.safe_load((REFERENCE / "osc_vectors.yaml").read_text(encoding="utf-8"))[
        "entries"
    ]
}


@pytest.mark.parametrize("row", TABLE, ids=[row["id"] for row in TABLE])
def test_every_row_of_the_table(row: dict[str, str]) -> None:
    """OSC 1.0, Message Dispatching and Pattern Matching; each row names its source."""
    assert len(ADDRESSES) == int(row["of"])
    expected = sorted([] if row["value"] == "(none)" else row["value"].split())
    assert sorted(a for a in ADDRESSES if match(row["pattern"], a)) == expected
    assert list(AddressBook(ADDRESSES).find(row["pattern"])) == expected
    assert len(expected) == int(row["matches"])


def test_the_worked_dispatch_example() -> None:
    example = VECTORS["bundle_order_example"]
    book = AddressBook(example["methods"])
    called = [address for pattern in example["patterns"] for address in book.find(pattern)]
    assert len(called) == example["invocations"]
    assert sorted(called) == sorted(example["methods"])


def test_our_names_use_no_character_that_the_standard_forbids() -> None:
    names = "abcdefghijklmnopqrstuvwxyz0123456789-"  # what names of lanes are made of
    assert not set(names) & set(VECTORS["forbidden_name_characters"])


@pytest.mark.parametrize(
    ("pattern", "address", "matches"),
    [
        ("/{foo,foobar}", "/foobar", True),
        ("/{foo,foobar}baz", "/foobaz", True),
        ("/a{,b}", "/a", True),
        ("/[c-a]", "/b", True),  # backwards: our reading
        ("/[a!]", "/!", True),  # ! is special only directly after [
        ("/[!a-]", "/-", False),
        ("/*a*b", "/xaayb", True),
        ("/*a*b", "/xaayc", False),
        ("/a[b", "/ab", False),  # what does not close matches nothing
        ("/a{b", "/ab", False),
        ("/a]", "/a]", False),
        ("/*", "/a/b", False),
        ("/a/", "/a", False),
    ],
)
def test_corners(pattern: str, address: str, matches: bool) -> None:
    assert match(pattern, address) is matches


def test_a_pattern_made_to_be_slow_is_not() -> None:
    """Counts work, not time: each star would double it for a matcher that goes back."""
    begin = time.process_time()
    assert not match("/" + "*a" * 100, "/" + "a" * 99)
    assert time.process_time() - begin < 5  # a matcher that goes back would need years


@given(st.text("ab/*?[]{},!-", max_size=24), st.sampled_from(ADDRESSES))
def test_any_text_is_a_pattern_and_the_book_agrees_with_the_matcher(p: str, a: str) -> None:
    pattern = "/" + p
    found = AddressBook(ADDRESSES).find(pattern)
    if is_pattern(pattern):
        assert (a in found) == match(pattern, a)
    else:
        assert found == ((pattern,) if pattern in ADDRESSES else ())

"""Reading YAML: every trap has its message and its place; nothing else than InputError comes out.

Which plain scalars other readers take for booleans and base-60 numbers: YAML 1.1 types,
yaml.org/type/bool.html and yaml.org/type/int.html. Our reading: YAML 1.2.2, section 10.3.
"""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from support.refusals import lines_of, problems_of

from bridge.errors import InputError, Problem
from bridge.files import document
from bridge.files.document import MAX_BYTES, AmbiguousText, Document, decode, dotted, in_order

TRAPS = [
    ("", "s.yaml:1:1  is empty"),
    ("# nothing but a remark\n", "s.yaml:1:1  is empty"),
    ("---\n...\n", "s.yaml:1:1  is empty"),
    ("- 1\n- 2\n", "s.yaml:1:1  must be keys and values (key: value)"),
    ("just words\n", "s.yaml:1:1  must be keys and values (key: value)"),
    ("a: 1\nb: 2\na: 3\n", "s.yaml:3:1  a: is written twice; first in line 1"),
    (
        "lanes:\n  kick: {out: x, out: y}\n",
        "s.yaml:2:18  lanes.kick.out: is written twice; first in line 2",
    ),
    ("a:\t1\n", "s.yaml:1:3  a tab; YAML indents and separates with spaces only"),
    ("a:\n\tb: 1\n", "s.yaml:2:1  a tab; YAML indents and separates with spaces only"),
    (
        "a: 010\n",
        "s.yaml:1:4  a: 010 is octal to some YAML readers; "
        "write it without the leading zero, or in quotes",
    ),
    (
        "a: [1, 0o17]\n",
        "s.yaml:1:8  a.1: 0o17 is octal to some YAML readers; "
        "write it without the leading zero, or in quotes",
    ),
    ("a: .nan\n", "s.yaml:1:4  a: .nan is not a finite number"),
    ("a: -.inf\n", "s.yaml:1:4  a: -.inf is not a finite number"),
    ("a: 1e999\n", "s.yaml:1:4  a: 1e999 is too big for a number"),
    (
        "a: !!python/object:os.system x\n",
        "s.yaml:1:4  a: the tag tag:yaml.org,2002:python/object:os.system is not used here; "
        "write the plain value",
    ),
    ("a: !mine [1]\n", "s.yaml:1:4  a: the tag !mine is not used here; write the plain value"),
    ("b: {<<: {a: 1}}\n", "s.yaml:1:5  b: merge keys (<<) are not used here; write the keys out"),
    ("a: *b\n", "s.yaml:1:4  a: *b names nothing written before it"),
    ("a: &a [*a]\n", "s.yaml:1:8  a.0: *a names nothing written before it"),
    ("a: 1\n---\nb: 2\n", "s.yaml:2:1  a second document starts here; one file holds one"),
    ("? [a, b]\n: 1\n", "s.yaml:1:3  a key must be one word"),
    ("~: 1\n", "s.yaml:1:1  a key is missing in front of the colon"),
    (
        "a: b: c\n",
        "s.yaml:1:5  is not valid YAML: a second colon here; indent it, or put the text in quotes",
    ),
    (
        'a: "\\Uffffffff"\n',
        "s.yaml:1:1  is not valid YAML: an escape or a number in it is out of range",
    ),
    ("a: x\x07y\n", "s.yaml:1:5  a character that YAML does not allow: U+0007"),
    ("a: " + "[" * 40 + "]" * 40, "s.yaml:1:27  is nested more than 24 deep"),
]


@pytest.mark.parametrize(("text", "said"), TRAPS, ids=[repr(t)[:30] for t, _ in TRAPS])
def test_each_trap_has_its_message_and_place(text: str, said: str) -> None:
    assert lines_of(lambda: Document.parse(text, "s.yaml")) == [said]


def test_all_mistakes_are_said_at_once_in_file_order() -> None:
    text = "a: 010\nb: {c: 1, c: 2}\nd: *e\nf: !t 1\na: 2\n"
    with pytest.raises(InputError) as error:
        Document.parse(text, "s.yaml")
    assert [(p.line, p.column) for p in error.value.problems] == [
        (1, 4),
        (2, 11),
        (3, 4),
        (4, 4),
        (5, 1),
    ]


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("12", 12),
        ("-3", -3),
        ("0", 0),
        ("0x1F", 31),
        ("1.5", 1.5),
        (".5", 0.5),
        ("1e3", 1000.0),
        ("true", True),
        ("False", False),
        ("~", None),
        ("null", None),
        ("", None),
        ("A1", "A1"),
        ("'12'", "12"),
        ('"off"', "off"),
        (".", "."),
        ("x.x.", "x.x."),
        ("1/16", "1/16"),
        ("1/8T", "1/8T"),
        ("main.gate-1", "main.gate-1"),
        ("4/4", "4/4"),
        ("1_000", "1_000"),
    ],
)
def test_scalars_are_read_as_yaml_1_2_says(written: str, value: object) -> None:
    data = Document.parse(f"a: {written}\n").data
    assert data["a"] == value
    assert type(data["a"]) is type(value)


@pytest.mark.parametrize(
    ("written", "reads_as"),
    [
        ("on", "true"),
        ("Yes", "true"),
        ("OFF", "false"),
        ("no", "false"),
        ("1:30", "a number in base 60"),
        ("3:4", "a number in base 60"),
        ("2026-01-31", "a date"),
    ],
)
def test_what_another_reader_misreads_comes_as_doubtful_text(written: str, reads_as: str) -> None:
    document = Document.parse(f"a: {written}\n{written}: 1\n")
    value = document.data["a"]
    assert value == written
    assert isinstance(value, AmbiguousText)
    assert value.reads_as == reads_as
    # and the other reader does misread it
    assert not isinstance(yaml.safe_load(written), str)
    assert isinstance(next(key for key in document.data if key != "a"), AmbiguousText)


def test_quotes_remove_the_doubt() -> None:
    assert not isinstance(Document.parse('a: "no"\n').data["a"], AmbiguousText)


def test_places_of_keys_and_values() -> None:
    text = "set: Low tide\nlanes:\n  kick: {euclid: {hits: 4}, levels: [0, 0.5]}\n"
    document = Document.parse(text, "s.yaml")
    place = document.place(("lanes", "kick", "euclid", "hits"))
    assert place is not None
    assert (place.line, place.column, place.key_line, place.key_column) == (3, 25, 3, 19)
    assert text[place.start : place.end] == "4"
    item = document.place(("lanes", "kick", "levels", 1))
    assert item is not None
    assert text[item.start : item.end] == "0.5"
    # what is not written has the place of what is around it
    assert document.place(("lanes", "kick", "out")) == document.place(("lanes", "kick"))
    missing = document.problem(("lanes", "kick", "out"), "is missing")
    assert str(missing) == "s.yaml:3:9  lanes.kick.out: is missing"
    key = document.problem(("lanes", "kick"), "no such lane", at_key=True)
    assert (key.line, key.column) == (3, 3)


def test_aliases_are_followed_and_keep_the_place_of_what_they_name() -> None:
    document = Document.parse("a: &a {b: 1}\nc: *a\n")
    assert document.data == {"a": {"b": 1}, "c": {"b": 1}}
    place = document.place(("c", "b"))
    assert place is not None
    assert place.line == 1


def test_an_alias_bomb_is_refused() -> None:
    rows = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    rows += [f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 10)}]" for i in range(1, 10)]
    with pytest.raises(InputError, match="once aliases are followed"):
        Document.parse("\n".join(rows))


@pytest.mark.parametrize("opening", ["[", "{", "- ", "? "])
def test_deep_nesting_is_refused_without_reading_on(opening: str) -> None:
    with pytest.raises(InputError, match="nested more than 24 deep"):
        Document.parse(opening * 10_000)


def test_size_limit(tmp_path: Path) -> None:
    path = tmp_path / "big.yaml"
    path.write_bytes(b"a: " + b"x" * MAX_BYTES)
    with pytest.raises(InputError, match=r"is too big: the limit is 256 KiB"):
        Document.read(path)
    with pytest.raises(InputError, match=r"is too big"):
        Document.parse("ä" * MAX_BYTES)


def test_more_values_than_anybody_writes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(document, "MAX_NODES", 100)
    for count in (100, 1000):  # found while building, and while still parsing
        with pytest.raises(InputError, match="more than 100 values"):
            Document.parse("a: [" + "1," * count + "]")


def test_bytes_that_are_not_utf_8() -> None:
    with pytest.raises(InputError) as error:
        decode(b"set: ok\nname: caf\xe9\n", "s.yaml")
    assert str(error.value) == ("s.yaml:2:10  is not UTF-8 text: byte 0xe9; save the file as UTF-8")


def test_a_byte_order_mark_is_no_part_of_the_text() -> None:
    assert Document.parse("\ufeffa: 1\n").data == {"a": 1}
    assert decode("\ufeffa: 1".encode(), "s.yaml") == "a: 1"


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        Document.read(tmp_path / "none.yaml", "none.yaml")
    assert str(error.value) == "none.yaml  cannot be read: no such file or directory"
    with pytest.raises(InputError, match="is a folder, not a file"):
        Document.read(tmp_path)


def test_get_and_dotted() -> None:
    document = Document.parse("a: {b: [1, 2]}\n")
    assert document.get(("a", "b", 1)) == 2
    assert document.get(("a", "x", 1), "none") == "none"
    assert document.get(("a", "b", 7)) is None
    assert dotted(("a", "b", 1)) == "a.b.1"


def test_messages_stay_in_one_line_whatever_stands_in_the_file() -> None:
    assert lines_of(lambda: Document.parse('"a\\nb\\e[31m": 1\n"a\\nb\\e[31m": 2\n', "s.yaml")) == [
        r"s.yaml:2:1  a\nb\x1b[31m: is written twice; first in line 1"
    ]


def test_in_order_says_each_thing_once() -> None:
    one = Problem("m", "p", "f", 2, 1)
    two = Problem("m", "p", "f", 1, 9)
    assert in_order([one, two, one]) == [two, one]


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=200))
def test_any_text_is_read_or_refused(text: str) -> None:
    for problem in problems_of(lambda: Document.parse(text)):
        assert problem.line >= 1
        assert problem.column >= 1
        assert problem.message


PIECES = st.lists(
    st.sampled_from(
        [
            "a",
            ": ",
            "\n",
            "  ",
            "- ",
            "[",
            "]",
            "{",
            "}",
            ", ",
            "&x ",
            "*x",
            "!t ",
            "1",
            "'",
            '"',
            "|\n",
            "#",
            "? ",
            "<<",
            "~",
            "\t",
            "%",
            "---\n",
            "on",
            "1:2",
            "é",
        ]
    ),
    max_size=40,
).map("".join)


@settings(max_examples=500, deadline=None)
@given(PIECES)
def test_any_yaml_like_text_is_read_or_refused(text: str) -> None:
    if not problems_of(lambda: Document.parse(text)):
        for place in Document.parse(text).places.values():
            assert 0 <= place.start <= place.end <= len(text)


def not_a_number(text: str) -> bool:
    # `1e3` without a dot is text in YAML 1.1, as the writer has it, and a number in 1.2
    try:
        float(text)
    except ValueError:
        return True
    return False


@settings(max_examples=200, deadline=None)
@given(
    st.recursive(
        st.none()
        | st.booleans()
        | st.integers(-(10**9), 10**9)
        | st.floats(-1e6, 1e6)
        | st.text(st.characters(codec="ascii", exclude_categories=["Cc"]), max_size=12).filter(
            not_a_number
        ),
        lambda inner: (
            st.lists(inner, max_size=4)
            | st.dictionaries(st.text("abcdefxz", min_size=1, max_size=6), inner, max_size=4)
        ),
        max_leaves=20,
    )
)
def test_what_a_plain_writer_writes_is_read_back(value: object) -> None:
    # PyYAML's writer as the reference; its floats keep every digit.
    text = yaml.safe_dump({"top": value}, allow_unicode=True)
    assert Document.parse(text).data == {"top": value}

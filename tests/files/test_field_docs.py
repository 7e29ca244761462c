"""What fields mean is read when somebody asks, and is what pydantic itself reads below them."""

from __future__ import annotations

import importlib
import json
import py_compile
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest
from pydantic import BaseModel, Field, create_model

from bridge.files import profile, reference, set_lane, set_variant
from bridge.files.field_docs import descriptions
from bridge.files.older import OLDER_KEYS
from bridge.files.strict import Strict

ROOT = Path(__file__).parents[2]

SHAPES = '''
from typing import ClassVar

from pydantic import BaseModel, ConfigDict, Field


class Base(BaseModel):
    model_config = ConfigDict(use_attribute_docstrings=USE)


class Jack(Base):
    """A class may have a string of its own."""

    told: ClassVar[str] = "not a field"
    """below what is no field"""
    low: int
    """volts at the lowest code"""
    high: int = 5
    bare: int = 0

    """after an empty line"""
    several: str = Field(default="", max_length=9)
    """on several lines,
        with a margin
    """
    said: int = Field(default=0, description="put together")
    """not this one"""
    empty: int = Field(default=0, description="")
    """not this one either"""
    twice: int = 0
    """the first"""
    """the second"""
    joined: int = 0
    """one """ "two"
    made: int = 0
    f"""no {'string'}"""

    def volts(self) -> int:
        level: int = 3
        """of a function"""
        return level

    class Inner(Base):
        low: int
        """of the inner one"""


class Socket(Jack):
    high: int = 7
    """now it has one"""
    low: int = 1
    more: int = 0
    """its own"""


class Plug(Socket):
    """It adds nothing."""


def local() -> type[Base]:
    class Jack(Base):
        low: int
        """of a class in a function"""

    return Jack


Local = local()
if USE is None:
    class Chosen(Base):
        low: int
        """of the branch that was not taken"""
else:
    class Chosen(Base):
        low: int
        """of the branch that was"""
'''


@pytest.fixture
def imported(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """Names of modules that a test has imported; they are forgotten after it."""
    names: list[str] = []
    yield names
    for name in names:
        sys.modules.pop(name, None)


def load(name: str, folder: Path, imported: list[str], patch: pytest.MonkeyPatch) -> ModuleType:
    patch.syspath_prepend(str(folder))
    imported.append(name)
    importlib.invalidate_caches()
    return importlib.import_module(name)


def test_it_reads_what_pydantic_reads(
    tmp_path: Path, imported: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The oracle is pydantic's own `use_attribute_docstrings`, over the same text."""
    for name, use in (("shapes_plain", False), ("shapes_read", True)):
        (tmp_path / f"{name}.py").write_text(SHAPES.replace("USE", str(use)))
    plain = load("shapes_plain", tmp_path, imported, monkeypatch)
    read = load("shapes_read", tmp_path, imported, monkeypatch)
    for path in ("Jack", "Jack.Inner", "Socket", "Plug", "Local", "Chosen"):
        ours, theirs = plain, read
        for part in path.split("."):
            ours, theirs = getattr(ours, part), getattr(theirs, part)
        assert descriptions(ours) == own_descriptions(theirs), path  # type: ignore[arg-type]
    assert descriptions(plain.Jack)["several"] == "on several lines,\nwith a margin"
    assert descriptions(plain.Plug)["more"] == "its own"
    assert "low" not in descriptions(plain.Socket), "what was said of another field of that name"


def own_descriptions(model: type[BaseModel]) -> dict[str, str]:
    """Those that the model itself carries."""
    fields = model.model_fields.items()
    return {name: field.description for name, field in fields if field.description is not None}


def printed(code: str, *options: str) -> str:
    words = [sys.executable, *options, "-c", code]
    return subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True).stdout


ALL_MODELS = """
import importlib, json, pathlib
for path in sorted(pathlib.Path("bridge/files").glob("*.py")):
    importlib.import_module(f"bridge.files.{path.stem}")
from bridge.files.strict import Strict

def below(model):
    for one in model.__subclasses__():
        yield one
        yield from below(one)

models = sorted(set(below(Strict)), key=lambda one: (one.__module__, one.__name__))
"""
READ_BY_PYDANTIC = (
    """
import pydantic
plain = pydantic.ConfigDict
pydantic.ConfigDict = lambda **given: plain(**given, use_attribute_docstrings=True)
"""
    + ALL_MODELS
    + """
print(json.dumps({
    f"{one.__module__}.{one.__name__}": {
        name: field.description
        for name, field in one.model_fields.items()
        if field.description is not None
    }
    for one in models
}))
"""
)
READ_BY_US = (
    ALL_MODELS
    + """
from bridge.files.field_docs import descriptions
print(json.dumps({f"{one.__module__}.{one.__name__}": descriptions(one) for one in models}))
"""
)


@pytest.fixture(scope="module")
def by_pydantic() -> dict[str, dict[str, str]]:
    """What all fields of our files mean, as pydantic reads it when it is told to while the classes
    are made."""
    found: dict[str, dict[str, str]] = json.loads(printed(READ_BY_PYDANTIC))
    assert len(found) > 25
    return found


@pytest.mark.parametrize("options", [(), ("-OO",)], ids=["plain", "without docstrings"])
def test_all_models_of_files_have_the_texts_that_pydantic_reads(
    options: tuple[str, ...], by_pydantic: dict[str, dict[str, str]]
) -> None:
    ours = json.loads(printed(READ_BY_US, *options))
    steps = ours["bridge.files.set_variant.VariantModel"].pop("steps")
    assert steps == by_pydantic["bridge.files.set_lane.LaneModel"]["steps"]
    assert ours == by_pydantic


def test_what_every_field_means_stands_in_the_reference(
    by_pydantic: dict[str, dict[str, str]],
) -> None:
    rows = [row.split(" | ") for row in reference.markdown().splitlines() if row[:3] == "| `"]
    count = 0
    for model in reference.MODELS.values():
        texts = by_pydantic[f"{model.__module__}.{model.__name__}"]
        assert texts.keys() == model.model_fields.keys()
        for name, text in texts.items():
            key = model.model_fields[name].alias or name
            if model is set_lane.LaneModel and key in OLDER_KEYS:
                continue
            shown = text.replace("|", "\\|")
            assert any(row[0] == f"| `{key}`" and shown in row for row in rows), (model, key)
            count += 1
    assert count > 150


@pytest.mark.parametrize("model", [profile.ProfileModel, profile.OutputModel])
def test_what_every_field_of_a_profile_means_stands_in_its_schema(
    model: type[Strict], by_pydantic: dict[str, dict[str, str]]
) -> None:
    schema = json.loads(json.dumps(profile.json_schema()))
    if model is profile.OutputModel:
        schema = schema["$defs"]["OutputModel"]
    texts = by_pydantic[f"bridge.files.profile.{model.__name__}"]
    assert {k: part["description"] for k, part in schema["properties"].items()} == texts
    assert all(list(part) == sorted(part) for part in schema["properties"].values())


def test_a_model_made_of_the_fields_of_another_has_their_texts() -> None:
    variant, lane = descriptions(set_variant.VariantModel), descriptions(set_lane.LaneModel)
    assert {name: variant[name] for name in lane.keys() & variant.keys()} == {
        name: text for name, text in lane.items() if name not in set_variant.FIXED
    }
    partial = set_variant.VariantModel.model_fields["euclid"].annotation
    fields = [one for one in getattr(partial, "__args__", ()) if one is not type(None)]
    assert [one.__name__ for one in fields] == ["PartialEuclidModel"]
    assert descriptions(fields[0]) == descriptions(set_lane.EuclidModel)


def test_a_model_that_says_nothing_of_where_its_fields_are_from_has_only_its_own() -> None:
    made = create_model(
        "Made", __base__=set_lane.EuclidModel, hits=(int, 1), more=(int, Field(1, description="x"))
    )
    expected = {**descriptions(set_lane.EuclidModel), "more": "x"}
    del expected["hits"]
    assert descriptions(made) == expected


WATCHED = """
import ast, inspect, linecache, sys
calls = []
def watch(module, name):
    real = getattr(module, name)
    def watched(*given, **named):
        if not (name == "parse" and "\\n" not in given[0]):  # pydantic asks for `list`'s signature
            calls.append(name)
        return real(*given, **named)
    setattr(module, name, watched)
for module, name in (
    (ast, "parse"), (inspect, "getsource"), (inspect, "getsourcelines"), (inspect, "findsource"),
    (linecache, "getlines"), (linecache, "updatecache"),
):
    watch(module, name)
"""
SAID = """
print(*calls, *(file for file in linecache.cache if "bridge" in file), sep="\\n")
"""
CHECK = """
import contextlib, io
from bridge.cli import main
with contextlib.redirect_stdout(io.StringIO()):
    main(["check", "bridge/demo/rig.yaml", "bridge/demo/set.yaml"], standalone_mode=False)
"""


@pytest.mark.parametrize(
    "code", ["import bridge.service.__main__", CHECK], ids=["service", "check"]
)
def test_no_source_is_read_before_somebody_asks(code: str) -> None:
    assert printed(WATCHED + code + SAID).split() == []


def test_a_source_is_parsed_once_and_not_kept() -> None:
    """Which also holds that the test above would see a source that is read."""
    code = """
from bridge.files.field_docs import descriptions
from bridge.files.set_lane import LaneModel
print(len(descriptions(LaneModel)) == len(LaneModel.model_fields))
descriptions(LaneModel)
"""
    assert printed(WATCHED + code + SAID).split() == ["True", "parse"]


SMALL = '''
from pydantic import Field

from bridge.files.strict import Strict


class Crate(Strict):
    lid: int = Field(default=0, alias="top")
    """closed or not"""
'''


def test_members_of_a_schema_have_their_texts_by_either_name(
    tmp_path: Path, imported: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "named_crate.py").write_text(SMALL)
    crate = load("named_crate", tmp_path, imported, monkeypatch).Crate
    for by_alias, name in ((True, "top"), (False, "lid")):
        properties = crate.model_json_schema(by_alias=by_alias)["properties"]
        assert properties[name]["description"] == "closed or not"


def test_a_zip_archive_is_read_as_a_folder_is(
    tmp_path: Path, imported: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with zipfile.ZipFile(tmp_path / "crates.zip", "w") as archive:
        archive.writestr("zipped_crate.py", SMALL)
    module = load("zipped_crate", tmp_path / "crates.zip", imported, monkeypatch)
    assert descriptions(module.Crate) == {"lid": "closed or not"}


def test_without_sources_nothing_is_described_and_nothing_fails(
    tmp_path: Path, imported: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "crate.py").write_text(SMALL)
    py_compile.compile(str(tmp_path / "crate.py"), str(tmp_path / "compiled_crate.pyc"))
    module = load("compiled_crate", tmp_path, imported, monkeypatch)
    assert descriptions(module.Crate) == {}
    assert "description" not in module.Crate.model_json_schema()["properties"]["top"]


@pytest.mark.parametrize("written", [None, b"class Crate(", b"\xff\x00", b"# coding: no-such\n"])
def test_a_source_that_was_removed_or_written_over_describes_nothing(
    written: bytes | None, tmp_path: Path, imported: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    name = f"crate_{'gone' if written is None else written.hex()}"
    path = tmp_path / f"{name}.py"
    path.write_text(SMALL)
    module = load(name, tmp_path, imported, monkeypatch)
    if written is None:
        path.unlink()
    else:
        path.write_bytes(written)
    assert descriptions(module.Crate) == {}


def test_a_class_that_was_typed_in_describes_nothing() -> None:
    names: dict[str, object] = {"__name__": "nowhere", "BaseModel": BaseModel}
    exec('class Typed(BaseModel):\n    lid: int = 0\n    """closed or not"""\n', names)
    typed = names["Typed"]
    assert isinstance(typed, type)
    assert issubclass(typed, BaseModel)
    assert descriptions(typed) == {}

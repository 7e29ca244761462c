"""What the fields of models mean, read from the sources when somebody asks.

A field is described by the string below it, or by `Field(description=...)` where its text is put
together. The library could read those strings when a class is made, but every start would then read
and parse the sources of all models (measured: 0.1 of the 0.56 s of processor time that importing
the service took, and half a megabyte that was kept), while only the reference, the manual and the
schema for editors show them.

The sources come from the loader of the module, so that a zip archive works as a folder does. Where
there are none (only compiled files), nothing is described, and that is no error. Python without
docstrings (``-OO``) makes no difference, since it is the source that is read.
"""

from __future__ import annotations

import ast
import inspect
import sys
from collections.abc import Iterator, Mapping
from functools import lru_cache

from pydantic import BaseModel


def descriptions(model: type[BaseModel]) -> dict[str, str]:
    """What the fields of a model mean.

    Args:
        model: its fields may be its own or inherited. A model that was made of the fields of
            another says so by its `fields_of`, a class variable, and has the texts of that one.

    Returns:
        By the name of the field, in the order of the model; fields that nothing describes are left
        out.
    """
    found: dict[str, str] = {}
    for name, field in model.model_fields.items():
        text = field.description if field.description is not None else _below(model, name)
        if text is not None:
            found[name] = text
    return found


def _below(model: type[BaseModel], name: str) -> str | None:
    """The string below a field, where the class that declares it has one."""
    for owner in model.__mro__:
        if name not in inspect.get_annotations(owner):
            continue
        text = _written_in(owner.__module__).get(owner.__qualname__, {}).get(name)
        other = vars(owner).get("fields_of")
        if text is None and isinstance(other, type) and issubclass(other, BaseModel):
            text = descriptions(other).get(name)
        return text
    return None


@lru_cache(maxsize=64)
def _written_in(module: str) -> Mapping[str, Mapping[str, str]]:
    """The strings below the fields of each class of a module, by the qualified name of the class;
    empty where the source cannot be had or read."""
    spec = getattr(sys.modules.get(module), "__spec__", None)
    read = getattr(getattr(spec, "loader", None), "get_source", None)
    if spec is None or read is None:
        return {}
    try:
        return dict(_classes(ast.parse(read(spec.name) or ""), ""))
    except (ImportError, OSError, SyntaxError, ValueError):  # removed or written over since
        return {}


def _classes(node: ast.AST, inside: str) -> Iterator[tuple[str, dict[str, str]]]:
    """Every class below a node, those in classes and functions too, and what its fields mean. Of
    two with one name the later one counts, as it does when the module runs."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.ClassDef):
            name = f"{inside}{child.name}"
            yield name, dict(_fields(child))
            yield from _classes(child, f"{name}.")
        elif isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef):
            yield from _classes(child, f"{inside}{child.name}.<locals>.")
        else:
            yield from _classes(child, inside)


def _fields(owner: ast.ClassDef) -> Iterator[tuple[str, str]]:
    """The annotated names of a class that have a string on the next line, and that string."""
    for before, after in zip(owner.body, owner.body[1:], strict=False):
        match before, after:
            case (
                ast.AnnAssign(target=ast.Name(id=name)),
                ast.Expr(value=ast.Constant(value=str(text))),
            ):
                yield name, inspect.cleandoc(text)

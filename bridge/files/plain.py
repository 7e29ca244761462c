"""Plain data of a file (mappings, lists, numbers, texts), changed by path without touching it."""

from __future__ import annotations

from typing import Any


def get(data: Any, path: tuple[str | int, ...]) -> Any:
    """What a path leads to; None when that is nothing."""
    for key in path:
        if isinstance(data, dict):
            data = data.get(key)
        elif isinstance(data, list) and isinstance(key, int) and 0 <= key < len(data):
            data = data[key]
        else:
            return None
    return data


def put(data: Any, path: tuple[str, ...], value: Any) -> Any:
    """The data with a value at a path; what is no mapping on the way becomes one."""
    if not path:
        return _listed(value)
    inside = data if isinstance(data, dict) else {}
    return {**inside, path[0]: put(inside.get(path[0]), path[1:], value)}


def without(data: Any, path: tuple[str, ...]) -> Any:
    """The data without what a path leads to, and without the mappings that are empty then."""
    if not isinstance(get(data, path[:-1]), dict) or path[-1] not in get(data, path[:-1]):
        return data
    while len(path) > 1 and len(get(data, path[:-1])) == 1:
        path = path[:-1]
    return _less(data, path)


def _less(data: dict[str, Any], path: tuple[str, ...]) -> dict[str, Any]:
    if len(path) == 1:
        return {key: value for key, value in data.items() if key != path[0]}
    return {**data, path[0]: _less(data[path[0]], path[1:])}


def same(one: object, other: object) -> bool:
    """Whether two values say the same: mappings in the same order, 4 as 4.0, but true is not 1."""
    if isinstance(one, dict) and isinstance(other, dict):
        return list(one) == list(other) and all(same(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, bool) or isinstance(other, bool):
        return one is other
    return bool(one == other)


def _listed(value: object) -> object:
    """The value with lists for tuples, as it is read back."""
    if isinstance(value, dict):
        return {str(key): _listed(inner) for key, inner in value.items()}
    return [_listed(inner) for inner in value] if isinstance(value, list | tuple) else value

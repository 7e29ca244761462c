"""A command out of an HTTP request: what the path says, and the members of the JSON body."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bridge.errors import CommandError
from bridge.protocol.command import Command, Http, fields_of, wrong_fields
from bridge.protocol.schema import object_schema
from bridge.protocol.table import decode
from bridge.web.problems import ProblemError
from bridge.web.wrong import parsed


def _named(http: Http) -> list[str]:
    """The fields that the path of a route names."""
    return [part[1:-1] for part in http.path.split("/") if part.startswith("{")]


@dataclass(frozen=True, slots=True)
class CommandBody:
    """How a route makes a command."""

    command: type[Command]
    http: Http

    @property
    def in_path(self) -> list[str]:
        """The fields that the path names."""
        return _named(self.http)

    @property
    def members(self) -> list[str]:
        """The fields that are members of the body: none that this path, or another one of the same
        command, names (such as the group, on the route of a lane)."""
        said = {name for http in self.command.ROW.http for name in _named(http)}
        said |= {*self.in_path, *dict(self.http.fixed)}
        return [name for name in fields_of(self.command) if name not in said]

    @property
    def optional(self) -> bool:
        """Whether the body may be left out."""
        fields = fields_of(self.command)
        return not any(fields[name].required for name in self.members)

    @property
    def schema(self) -> dict[str, object]:
        """The JSON Schema of the body."""
        without = fields_of(self.command).keys() - set(self.members)
        return object_schema(self.command, without)

    def read(self, path: Mapping[str, str], data: bytes) -> Command:
        """The command.

        Raises:
            ProblemError: 400, the body is missing.
            NotJSONError: it is no JSON.
            CommandError: a member is wrong; `fields` has those of the body only.
        """
        given = self._members(data)
        names = {name: path[name] for name in self.in_path}
        others = fields_of(self.command).keys() - set(self.members)
        strange = [name for name in given if name in others or name in ("do", "seq", "client")]
        if strange:
            wrong = {name: f"{name!r} is no member of this body" for name in strange}
            raise CommandError("; ".join(wrong.values()), "value", wrong)
        whole = {"do": self.command.ROW.do, **names, **dict(self.http.fixed), **given}
        wrong = wrong_fields(self.command, whole)
        if wrong:
            in_body = {name: text for name, text in wrong.items() if name not in names}
            raise CommandError("; ".join(wrong.values()), "value", in_body)
        return decode(whole)

    def _members(self, data: bytes) -> dict[str, object]:
        if not data:
            if self.optional:
                return {}
            raise ProblemError(400, "a JSON body is needed")
        given = parsed(data)
        if not isinstance(given, dict):
            raise CommandError("the body must be an object")
        return given

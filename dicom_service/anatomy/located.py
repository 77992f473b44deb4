"""YAML whose every value knows its line, so that an error in a data file can point at it."""

from pathlib import PurePath
from typing import NoReturn

import yaml
from pydantic import ValidationError

from dicom_service.errors import SetupError

Key = str | int
Value = str | int | float | bool | None | list["Value"] | dict[str, "Value"]


# The C parser is ten times as fast; PyYAML comes without it on some machines.
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class DataError(SetupError):
    """A data file is wrong; the message is "file:line: sentence"."""


class Located:
    """The plain content of one YAML file, and the line of each part of it."""

    def __init__(self, name: str, text: str) -> None:
        """Read `text`; `name` is what errors call the file."""
        self.name = name
        self._lines: dict[tuple[Key, ...], int] = {(): 1}
        try:
            node = yaml.compose(text, Loader=_LOADER)
        except yaml.MarkedYAMLError as error:
            line = error.problem_mark.line + 1 if error.problem_mark else 1
            raise DataError(f"{name}:{line}: not valid YAML: {error.problem}.") from None
        content = self._plain(node, ()) if node is not None else None
        if not isinstance(content, dict):
            raise DataError(f"{name}:1: the file must consist of 'keyword: value' lines.")
        self.content: dict[str, Value] = content

    def line(self, *path: Key) -> int:
        """The line of the value at `path`, or of the nearest part around it."""
        while path not in self._lines:
            path = path[:-1]
        return self._lines[path]

    def fail(self, sentence: str, *path: Key) -> NoReturn:
        """Raise DataError for the value at `path`."""
        raise DataError(f"{self.name}:{self.line(*path)}: {sentence}")

    def fail_validation(self, error: ValidationError, *path: Key) -> NoReturn:
        """Raise DataError for the first complaint of pydantic about the value at `path`."""
        first = error.errors()[0]
        where = tuple(part for part in first["loc"] if isinstance(part, str | int))
        field = ".".join(str(part) for part in where) or "value"
        if first["type"] == "extra_forbidden":
            self.fail(f"there is no field '{field}' here.", *path, *where)
        if first["type"] == "missing":
            self.fail(f"the field '{field}' is missing.", *path, *where)
        self.fail(f"'{field}': {first['msg']}.", *path, *where)

    def _plain(self, node: yaml.Node, path: tuple[Key, ...]) -> Value:
        self._lines[path] = node.start_mark.line + 1
        if isinstance(node, yaml.MappingNode):
            return self._mapping(node, path)
        if isinstance(node, yaml.SequenceNode):
            return [self._plain(child, (*path, i)) for i, child in enumerate(node.value)]
        value: Value = yaml.SafeLoader("").construct_object(node)
        return value

    def _mapping(self, node: yaml.MappingNode, path: tuple[Key, ...]) -> dict[str, Value]:
        found: dict[str, Value] = {}
        for key_node, value_node in node.value:
            key = str(key_node.value)
            if key in found:
                line = key_node.start_mark.line + 1
                raise DataError(f"{self.name}:{line}: '{key}' stands twice in the same place.")
            found[key] = self._plain(value_node, (*path, key))
        return found


def file_label(file: object) -> str:
    """The name that errors give a data file: its last two parts."""
    return "/".join(PurePath(str(file)).parts[-2:])

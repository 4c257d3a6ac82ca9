"""The strict YAML reader that every file of the station goes through.

YAML 1.2 core scalars only (`on` and `NO` are words, `1e-3` is a number, `010` is ten), no duplicate keys, no anchors,
aliases, tags or further documents, and the position of every key and value is kept for the sentence about it.
"""

import difflib
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

Loc = tuple[str | int, ...]
Mark = tuple[int, int]

_NULL = re.compile(r"~|null|Null|NULL|")
_BOOL = re.compile(r"true|True|TRUE|false|False|FALSE")
_INT = re.compile(r"[-+]?[0-9]+")
_OCTAL = re.compile(r"0o[0-7]+")
_HEX = re.compile(r"0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_INFINITE = re.compile(r"[-+]?(\.inf|\.Inf|\.INF)|\.nan|\.NaN|\.NAN")


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a file; line and column count from 1."""

    file: str
    line: int
    column: int
    what: str
    allowed: str

    def __str__(self) -> str:
        """Say it in one line."""
        return f"{self.file}:{self.line}:{self.column}: {self.what}; allowed: {self.allowed}"


class YamlError(ValueError):
    """A file cannot be used; `problems` holds all that was found."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(p) for p in self.problems))


@dataclass(frozen=True, slots=True)
class Document:
    """A file's plain data with the position of every key and value.

    `data` holds dict, list, str, int, float, bool and None only.
    """

    name: str
    text: str
    data: Any
    _values: Mapping[Loc, Mark] = field(repr=False, default_factory=dict)
    _keys: Mapping[Loc, Mark] = field(repr=False, default_factory=dict)

    def position(self, loc: Sequence[str | int], *, key: bool = False) -> Mark:
        """Line and column of a value (or of its key), or of its nearest ancestor that stands in the file."""
        path = self._known(loc)
        if key and path in self._keys:
            return self._keys[path]
        return self._values.get(path, (1, 1))

    def problem(self, loc: Sequence[str | int], what: str, allowed: str) -> Problem:
        """Make a problem at a place."""
        line, column = self.position(loc)
        return Problem(self.name, line, column, what, allowed)

    def problems(
        self,
        errors: Iterable[Mapping[str, Any]],
        allowed_keys: Callable[[Loc], Sequence[str]] | None = None,
    ) -> tuple[Problem, ...]:
        """Translate the details of a validation error (type, loc, msg, ctx, input) into sentences of ours."""
        return tuple(self._translated(error, allowed_keys) for error in errors)

    def _known(self, loc: Sequence[str | int]) -> Loc:
        """Walk down as far as the document goes; parts that name a model rather than a key are stepped over."""
        path: Loc = ()
        for part in loc:
            if (*path, part) in self._values:
                path = (*path, part)
        return path

    def _translated(self, error: Mapping[str, Any], allowed_keys: Callable[[Loc], Sequence[str]] | None) -> Problem:
        loc: Loc = tuple(error["loc"])
        name = loc[-1] if loc else self.name
        shown = _shown(error.get("input"))
        context = error.get("ctx") or {}
        match error["type"]:
            case "extra_forbidden":
                line, column = self.position(loc, key=True)
                keys = list(allowed_keys(loc[:-1])) if allowed_keys else []
                near = difflib.get_close_matches(str(name), keys, n=1)
                hint = f"'{near[0]}' or another of: " if near else ""
                allowed = hint + ", ".join(keys) if keys else "the keys that the schema names"
                return Problem(self.name, line, column, f"unknown key '{name}'", allowed)
            case "missing":
                return self.problem(loc[:-1], f"'{name}' is missing", f"a value for '{name}'")
            case "literal_error" | "enum":
                return self.problem(loc, f"{name} is {shown}", str(context.get("expected", "")).replace("'", ""))
            case _:
                return self.problem(loc, f"{name} is {shown}", _lower_first(str(error["msg"])))


def read_text(text: str, name: str) -> Document:
    """Read one YAML document.

    Raises
    ------
    YamlError
        The text is no YAML, or uses what is not allowed here; all such places in one go.
    """
    loader = yaml.SafeLoader(text)
    try:
        node = loader.get_single_node()
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line, column = (1, 1) if mark is None else (mark.line + 1, mark.column + 1)
        raise YamlError([Problem(name, line, column, f"no valid YAML: {error.problem}", "one YAML document")]) from None
    except yaml.YAMLError as error:
        raise YamlError([Problem(name, 1, 1, f"no valid YAML: {_first_line(error)}", "one YAML document")]) from None
    finally:
        loader.dispose()
    if node is None:
        raise YamlError([Problem(name, 1, 1, "the file is empty", "one YAML document")])
    builder = _Builder(name)
    builder.refuse_extras(text)
    data = builder.build(node, ())
    if builder.problems:
        raise YamlError(sorted(builder.problems, key=lambda p: (p.line, p.column)))
    return Document(name, text, data, builder.values, builder.keys)


def read_file(path: Path) -> Document:
    """Read a file as UTF-8.

    Raises
    ------
    YamlError
        The file cannot be read, or what `read_text` refuses.
    """
    try:
        text = path.read_bytes().decode("utf-8")
    except OSError as error:
        raise YamlError([Problem(str(path), 1, 1, f"cannot be read: {error.strerror}", "a readable file")]) from None
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise YamlError([Problem(str(path), line, 1, "no UTF-8 text", "a text file in UTF-8")]) from None
    return read_text(text, str(path))


class _Builder:
    """Makes plain data of nodes, noting where everything stands and what is not allowed."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.problems: list[Problem] = []
        self.values: dict[Loc, Mark] = {}
        self.keys: dict[Loc, Mark] = {}

    def refuse_extras(self, text: str) -> None:
        """Anchors, aliases and tags are seen in the event stream alone."""
        for event in yaml.parse(text, Loader=yaml.SafeLoader):
            at = event.start_mark
            if isinstance(event, yaml.AliasEvent):
                self._complain(at, f"alias '*{event.anchor}'", "the value written out")
                continue
            if anchor := getattr(event, "anchor", None):
                self._complain(at, f"anchor '&{anchor}'", "the value without an anchor")
            if tag := getattr(event, "tag", None):
                self._complain(at, f"tag '{tag}'", "a plain value without a tag")

    def build(self, node: yaml.Node, path: Loc) -> Any:
        self.values[path] = (node.start_mark.line + 1, node.start_mark.column + 1)
        if isinstance(node, yaml.MappingNode):
            return self._mapping(node, path)
        if isinstance(node, yaml.SequenceNode):
            return [self.build(item, (*path, i)) for i, item in enumerate(node.value)]
        if isinstance(node, yaml.ScalarNode):
            return self._scalar(node)
        raise TypeError(f"no such node in YAML: {type(node).__name__}")

    def _mapping(self, node: yaml.MappingNode, path: Loc) -> dict[str, Any]:
        made: dict[str, Any] = {}
        for key_node, value_node in node.value:
            at = key_node.start_mark
            if not isinstance(key_node, yaml.ScalarNode):
                self._complain(at, "a key that is no word", "a plain word as key")
                continue
            key = key_node.value
            if key == "<<":
                self._complain(at, "merge key '<<'", "the keys written out")
                continue
            if key in made:
                first = self.keys[(*path, key)][0]
                self._complain(at, f"key '{key}' stands twice (first in line {first})", "each key once")
                continue
            self.keys[(*path, key)] = (at.line + 1, at.column + 1)
            made[key] = self.build(value_node, (*path, key))
        return made

    def _scalar(self, node: yaml.ScalarNode) -> str | int | float | bool | None:
        text: str = node.value
        if node.style is not None:
            return text
        if _NULL.fullmatch(text):
            return None
        if _BOOL.fullmatch(text):
            return text.lower() == "true"
        if _INFINITE.fullmatch(text):
            self._complain(node.start_mark, f"'{text}' is no finite number", "a finite number")
            return None
        return _number(text)

    def _complain(self, mark: Any, what: str, allowed: str) -> None:
        # PyYAML has two classes of marks, with and without its C library; both count from 0.
        self.problems.append(Problem(self.name, mark.line + 1, mark.column + 1, what, allowed))


def _number(text: str) -> str | int | float:
    if _INT.fullmatch(text):
        return int(text)
    if _OCTAL.fullmatch(text):
        return int(text[2:], 8)
    if _HEX.fullmatch(text):
        return int(text[2:], 16)
    return float(text) if _FLOAT.fullmatch(text) else text


def _shown(value: object) -> str:
    if isinstance(value, (dict, list)):
        return "a mapping" if isinstance(value, dict) else "a list"
    return "empty" if value is None else f"'{value}'"


def _lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]


def _first_line(error: Exception) -> str:
    return str(error).split("\n", 1)[0]

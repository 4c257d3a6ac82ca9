"""The strict YAML reader that every file of the station goes through.

YAML 1.2 core scalars only (`on` and `NO` are words, `1e-3` is a number, `010` is ten), no duplicate keys, no anchors,
aliases, tags, merge keys, directives or further documents, and the position of every key and value is kept for the
sentence about it. The tree is built from the event stream, where all of these are seen, each with its position.
"""

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from safety.core_scalars import resolve
from safety.error_wording import shown, unknown_key, wording

Loc = tuple[str | int, ...]
Mark = tuple[int, int]

DEEPEST = 50
"""No file of ours nests deeper; without a limit a file of brackets would exhaust the stack."""


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

    @property
    def digest(self) -> str:
        """SHA-256 of the text, by which records name the file."""
        return "sha256:" + hashlib.sha256(self.text.encode("utf-8")).hexdigest()

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
        """Translate the details of a validation error (type, loc, msg, ctx, input) into sentences of ours.

        Parameters
        ----------
        errors
            Details as pydantic's `errors()` gives them. Parts of `loc` that name a model rather than a key are
            stepped over.
        allowed_keys
            Names the keys that a place may have, for the sentence about an unknown one. Without it they are taken
            from the error's context, under `allowed`, where it has them.
        """
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
        context = error.get("ctx") or {}
        match error["type"]:
            case "extra_forbidden":
                known = allowed_keys(loc[:-1]) if allowed_keys else context.get("allowed", ())
                line, column = self.position(loc, key=True)
                return Problem(self.name, line, column, *unknown_key(str(loc[-1]), known))
            case "missing":
                return self.problem(loc[:-1], f"'{loc[-1]}' is missing", f"'{loc[-1]}' with a value")
            case "union_tag_not_found":
                key = str(context.get("discriminator", "the key that tells the kind")).strip("'")
                return self.problem(loc, f"'{key}' is missing", f"'{key}' with a value")
            case _:
                return self.problem(loc, *wording(_called(self._known(loc)), error))


def _called(path: Loc) -> str:
    """Name a place as a reader of the file would: by its key, an item of a list by its number."""
    if not path:
        return "the file"
    if isinstance(path[-1], str):
        return path[-1]
    return f"item {path[-1] + 1} of {_called(path[:-1])}"


def read_text(text: str, name: str) -> Document:
    """Read one YAML document.

    Raises
    ------
    YamlError
        The text is no YAML, or uses what is not allowed here; all such places in one go. After a place that is no
        YAML at all nothing further can be found.
    """
    builder = _Builder(name)
    try:
        data = builder.build(text)
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        column = error.position - (text.rfind("\n", 0, error.position) + 1) + 1
        builder.complain((line, column), f"character U+{int(error.character):04X}", "printable characters")
        data = None
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        builder.complain(_mark(mark), f"no valid YAML: {error.problem or error.context}", "one YAML document")
        data = None
    except _TooDeep as error:
        builder.complain(error.at, f"nested deeper than {DEEPEST} levels", f"at most {DEEPEST} levels")
        data = None
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
        column = error.start - (error.object.rfind(b"\n", 0, error.start) + 1) + 1
        what = f"byte 0x{error.object[error.start]:02x} is no UTF-8"
        raise YamlError([Problem(str(path), line, column, what, "a text file in UTF-8")]) from None
    return read_text(text, str(path))


def _mark(mark: Any) -> Mark:
    # PyYAML counts from 0, and has errors without a mark.
    return (1, 1) if mark is None else (mark.line + 1, mark.column + 1)


class _TooDeep(Exception):  # noqa: N818 - ends the reading inside this module, and is never seen outside
    """Nesting beyond any sense, and where."""

    def __init__(self, at: Mark) -> None:
        super().__init__(at)
        self.at = at


class _Builder:
    """Makes plain data of the event stream, noting where everything stands and what is not allowed."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.problems: list[Problem] = []
        self.values: dict[Loc, Mark] = {}
        self.keys: dict[Loc, Mark] = {}
        self._events: Iterator[yaml.Event] = iter(())

    def complain(self, at: Mark, what: str, allowed: str) -> None:
        self.problems.append(Problem(self.name, *at, what, allowed))

    def build(self, text: str) -> Any:
        self._events = iter(yaml.parse(text, Loader=yaml.SafeLoader))
        next(self._events)  # the stream's start
        start = next(self._events)
        if not isinstance(start, yaml.DocumentStartEvent):
            self.complain((1, 1), "the file is empty", "one YAML document")
            return None
        if start.version or start.tags:
            self.complain(_mark(start.start_mark), "a directive (%)", "a document without directives")
        data = self._value(next(self._events), ())
        next(self._events)  # the document's end
        second = next(self._events)
        if isinstance(second, yaml.DocumentStartEvent):
            self.complain(_mark(second.start_mark), "a second document", "one YAML document")
        return data

    def _value(self, event: yaml.Event, path: Loc) -> Any:
        at = _mark(event.start_mark)
        self.values[path] = at
        if len(path) > DEEPEST:
            raise _TooDeep(at)
        self._refuse_decoration(event, at)
        if isinstance(event, yaml.MappingStartEvent):
            return self._mapping(path)
        if isinstance(event, yaml.SequenceStartEvent):
            return self._sequence(path)
        if isinstance(event, yaml.ScalarEvent):
            return self._scalar(event, at)
        return None

    def _refuse_decoration(self, event: yaml.Event, at: Mark) -> None:
        if isinstance(event, yaml.AliasEvent):
            self.complain(at, f"alias '*{event.anchor}'", "the value written out")
            return
        if anchor := getattr(event, "anchor", None):
            self.complain(at, f"anchor '&{anchor}'", "the value without an anchor")
        if tag := getattr(event, "tag", None):
            self.complain(at, f"tag '{tag}'", "a plain value without a tag")

    def _sequence(self, path: Loc) -> list[Any]:
        made: list[Any] = []
        while not isinstance(event := next(self._events), yaml.SequenceEndEvent):
            made.append(self._value(event, (*path, len(made))))
        return made

    def _mapping(self, path: Loc) -> dict[str, Any]:
        made: dict[str, Any] = {}
        while not isinstance(event := next(self._events), yaml.MappingEndEvent):
            key = self._key(event, path, made)
            # A value under a refused key is read all the same, for what may be wrong in it.
            value = self._value(next(self._events), (*path, f"?{len(made)}" if key is None else key))
            if key is not None:
                made[key] = value
        return made

    def _key(self, event: yaml.Event, path: Loc, made: Mapping[str, Any]) -> str | None:
        """Read a key, or complain about it and return None."""
        at = _mark(event.start_mark)
        if not isinstance(event, yaml.ScalarEvent):
            self._value(event, (*path, "?"))
            if not isinstance(event, yaml.AliasEvent):
                self.complain(at, "a key that is a mapping or a list", "a plain word as key")
            return None
        self._refuse_decoration(event, at)
        key = self._scalar(event, at)
        if key == "<<" and event.style is None:
            self.complain(at, "merge key '<<'", "the keys written out")
            return None
        if not isinstance(key, str):
            self.complain(at, f"key {shown(key)} is no text", "a word as key, in quotes where it looks like a number")
            return None
        if key in made:
            self.complain(at, f"key '{key}' stands twice (first in line {self.keys[*path, key][0]})", "each key once")
            return None
        self.keys[*path, key] = at
        return key

    def _scalar(self, event: yaml.ScalarEvent, at: Mark) -> str | int | float | bool | None:
        if event.style is not None:
            return str(event.value)
        try:
            return resolve(event.value)
        except ValueError as error:
            self.complain(at, str(error), "a finite number of sensible length")
            return None

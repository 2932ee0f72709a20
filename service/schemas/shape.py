"""Objects and lists inside a body: their keys, their bounds, and every fault of them at once.

A body is first read plainly, by the same fields and rules, as far as nothing is wrong with it: nearly every body is
sound. Where anything is not, marshmallow walks the whole of it; what it finds wrong is kept as :class:`Fault`, never as
a sentence without a code. A fault carries the pointer from where it was found inwards; the levels above put theirs
before it.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, ClassVar, Final, TypeVar

from marshmallow import EXCLUDE, Schema, ValidationError, fields, post_load, validates_schema

from service.errors import MOST_FAULTS, Fault, InvalidInput

LONGEST_KEY: Final = 64
MOST_HINTS: Final = 10
"""Looking for the key that was meant takes time, in each of many objects: so many are looked for in one."""
UNWRITABLE: Final = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")
"""Control characters other than newline and tab, and halves of surrogate pairs: no text of a record holds them."""
STAMPED: Final = frozenset({"revision", "state", "at", "by", "etag"})
"""Keys that every record carries when it is read, and none when it is written."""

T = TypeVar("T")


def given(body: Mapping[str, Any], key: str) -> bool:
    """Say whether a body states ``key``: null means absent."""
    return body.get(key) is not None


def pointer_token(key: object) -> str:
    """Return one key or index as a token of a JSON Pointer (RFC 6901, 3), bounded and printable.

    >>> pointer_token("g/mL")
    'g~1mL'
    """
    text = str(key)
    short = text if len(text) <= LONGEST_KEY else text[:LONGEST_KEY] + "…"
    return printable(short).replace("~", "~0").replace("/", "~1")


def printable(text: str) -> str:
    """Return text with lone surrogates and control characters made visible, so that any encoder can write it.

    >>> printable("a\\x00b")
    'a\\ufffdb'
    """
    return UNWRITABLE.sub("\ufffd", text)


def flattened(messages: Any, pointer: str = "") -> Iterator[Fault]:
    """Yield the faults of marshmallow's nested messages, each with its whole pointer."""
    if isinstance(messages, Mapping):
        for key, inner in messages.items():
            yield from flattened(inner, pointer if key == "_schema" else f"{pointer}/{pointer_token(key)}")
        return
    for fault in messages:
        yield fault.under(pointer) if pointer else fault


class NotPlainError(Exception):
    """Something of a body is wrong, or looks so: the long way round is to say what."""


class Refusing(fields.Field[T]):
    """A field whose own refusals, of what is missing and of null, are faults too."""

    @property
    def called(self) -> str:
        """The name of the place for a sentence: its key, or that of its list."""
        if isinstance(self.parent, fields.List):
            return f"an entry of {self.parent.data_key or self.parent.name}"
        return self.data_key or self.name or "the value"

    def make_error(self, key: str, **kwargs: Any) -> ValidationError:
        """Return marshmallow's own two refusals, of what is missing and of null, as the fault ``missing``."""
        why = "is null, and something is wanted here" if key == "null" else "is missing"
        return refusal("missing", f"{self.called} {why}", expected=self.metadata.get("description"))

    def plainly(self, written: Any) -> Any:
        """Return what a value other than null reads as; raise the error of any kind where anything is wrong with it."""
        return self.deserialize(written)


def refusal(code: str, detail: str, expected: str | None = None) -> ValidationError:
    """Return the error that carries one fault of the place where it is raised."""
    return ValidationError([Fault(code, detail, expected=expected)])


class Shape(Schema):
    """An object with known keys. ``computed`` are keys that the service adds when it is read, so refused in writing."""

    computed: ClassVar[frozenset[str]] = frozenset()

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self.keys = {field.data_key or name: name for name, field in self.load_fields.items()}
        self.said_keys = ", ".join(self.keys)
        self._by_key = {field.data_key or name: (name, field) for name, field in self.load_fields.items()}
        self._required = {name for name, field in self.load_fields.items() if field.required}

    def plainly(self, body: Any) -> dict[str, Any]:
        """Return what a sound body reads as, by attribute name, as ``load`` does before it makes anything of it.

        Raises an error of whatever kind at the first thing that is wrong.
        """
        if not isinstance(body, Mapping):
            raise NotPlainError
        read: dict[str, Any] = {}
        for key, value in body.items():
            if key not in self._by_key:
                raise NotPlainError
            name, field = self._by_key[key]
            if value is not None:
                read[name] = field.plainly(value) if isinstance(field, Refusing) else field.deserialize(value)
            elif field.allow_none:
                read[name] = None
            else:
                raise NotPlainError
        if not self._required <= read.keys():
            raise NotPlainError
        for _ in self.rules(read, body):
            raise NotPlainError
        return read

    @validates_schema(pass_original=True, skip_on_field_errors=False)
    def whole(self, data: dict[str, Any], original: Mapping[str, Any], **_: Any) -> None:
        """Refuse unknown keys, of which it can say more than marshmallow, and what :meth:`rules` finds.

        What was refused by itself is absent from ``data``.
        """
        faults = [*self._unknown_keys(original), *self.rules(data, original)]
        if faults:
            raise ValidationError(faults)

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """Yield the faults that several keys make together. ``data`` holds what was read, ``body`` what was sent."""
        return ()

    def _unknown_keys(self, body: Mapping[str, Any]) -> Iterator[Fault]:
        unknown = [key for key in body if key not in self.keys]
        for index, key in enumerate(unknown[:MOST_FAULTS]):
            name = printable(str(key)[:LONGEST_KEY])
            detail = f"no key is called {name!r} here"
            if key in self.computed:
                detail = f"{name} is computed by the service: leave it out"
            elif index < MOST_HINTS and (near := difflib.get_close_matches(name, self.keys, n=1)):
                detail += f": did you mean {near[0]!r}?"
            yield Fault("unknown-key", detail, expected=self.said_keys, pointer=f"/{pointer_token(key)}")
        # The rest is only counted: nobody is shown more than this many faults.
        yield from [Fault("unknown-key", "one more unknown key", pointer="")] * (len(unknown) - MOST_FAULTS)


class Part(Shape):
    """An object inside a record, read into the frozen thing that ``makes`` names."""

    makes: ClassVar[type[Any]]

    @post_load
    def made(self, data: dict[str, Any], **_: Any) -> Any:
        """Return the domain's thing; a key that is absent or null takes the default there."""
        return self.make({name: value for name, value in data.items() if value is not None})

    def made_plainly(self, body: Any) -> Any:
        """Return the domain's thing of a sound body, as :meth:`plainly` reads it."""
        return self.made(self.plainly(body))

    def make(self, values: dict[str, Any]) -> Any:
        """Build it from the values that were given, by attribute name."""
        return self.makes(**values)


class RecordShape(Shape):
    """A whole record. Its code stands in its address; a body may repeat it and may not contradict it."""

    makes: ClassVar[type[Any]]

    def record(self, code: str, body: Mapping[str, Any]) -> Any:
        """Return the frozen record of ``code`` from its body, or raise marshmallow's error with every fault."""
        try:
            read = self.plainly(body)
        except (NotPlainError, ValidationError, InvalidInput):
            read = self.load(body, unknown=EXCLUDE)
        values = {name: value for name, value in read.items() if value is not None}
        return self.make({**values, "code": code})

    def make(self, values: dict[str, Any]) -> Any:
        """Build it from the values that were given, by attribute name."""
        return self.makes(**values)


class Within(fields.Nested, Refusing[Any]):
    """One object of a shape inside another."""

    def __init__(
        self,
        shape: type[Schema],
        *,
        required: bool = False,
        data_key: str | None = None,
        description: str | None = None,
    ):
        metadata = {"description": description} if description else {}
        fields.Nested.__init__(
            self, shape, required=required, allow_none=not required, data_key=data_key, metadata=metadata
        )

    def _deserialize(self, value: Any, attr: Any, data: Any, partial: Any = None, **kwargs: Any) -> Any:
        if not isinstance(value, Mapping):
            raise refusal("wrong-type", f"{self.called} is not an object", expected="an object { }")
        try:
            return self.schema.load(value, unknown=EXCLUDE)
        except ValidationError as refused:
            # Half of a refused object is no object: only whole ones reach the rules of the level above.
            raise ValidationError(refused.messages) from refused

    def plainly(self, written: Any) -> Any:
        """Return the thing that the object describes."""
        shape = self.schema
        return shape.made_plainly(written) if isinstance(shape, Part) else self.deserialize(written)


class Several(fields.List[Any], Refusing[Any]):
    """A list of one kind of thing, read into a tuple; bounded before anything in it is looked at."""

    def __init__(
        self,
        inner: fields.Field[Any],
        *,
        at_most: int,
        at_least: int = 0,
        required: bool = False,
        data_key: str | None = None,
        description: str | None = None,
    ):
        metadata: dict[str, Any] = {"maxItems": at_most, "minItems": at_least}
        if description:
            metadata["description"] = description
        fields.List.__init__(
            self, inner, required=required, allow_none=not required, data_key=data_key, metadata=metadata
        )
        self.inner.required, self.inner.allow_none = True, False
        self.at_most, self.at_least = at_most, at_least

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> Any:
        if not isinstance(value, list | tuple):
            raise refusal("wrong-type", f"{self.called} is not a list", expected="a list [ ]")
        if len(value) > self.at_most:
            detail = f"{self.called} has {len(value)} entries, and at most {self.at_most} are taken"
            raise refusal("too-many", detail, expected=f"at most {self.at_most} entries")
        if len(value) < self.at_least:
            detail = f"{self.called} has {len(value)} entries, and at least {self.at_least} is wanted"
            raise refusal("too-few", detail, expected=f"at least {self.at_least}")
        try:
            return tuple(super()._deserialize(value, attr, data, **kwargs))
        except ValidationError as refused:
            raise ValidationError(refused.messages) from refused

    def plainly(self, written: Any) -> Any:
        """Return the tuple of what each entry reads as."""
        inner = self.inner
        if not isinstance(written, list | tuple) or not self.at_least <= len(written) <= self.at_most:
            raise NotPlainError
        if any(entry is None for entry in written) or not isinstance(inner, Refusing):
            raise NotPlainError
        return tuple([inner.plainly(entry) for entry in written])

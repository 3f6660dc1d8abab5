"""Records: frozen classes of named fields, made without writing code at import.

They are used, compared, printed and matched like frozen dataclasses, and are dataclasses to whoever asks (``dataclasses.fields``, ``replace``,
``asdict``, ``is_dataclass``). The difference is what they cost before the first is made: the standard decorator loads ``inspect`` and compiles six
functions a class, which is a third of the time in which ``analyser fix`` has answered. So the classes that a quick command needs are records, and
results that only long work makes stay dataclasses.
"""

from __future__ import annotations


class _DataclassFields:
    """``__dataclass_fields__`` of a record: made by the standard library when first asked for, never on the way to an answer in flight."""

    def __get__(self, record: object | None, cls: type) -> dict:
        import dataclasses

        types = {name: kind for one in reversed(cls.__mro__) for name, kind in one.__dict__.get("__annotations__", {}).items()}
        fields = [
            (name, types[name], dataclasses.field(default=cls._defaults[name]) if name in cls._defaults else dataclasses.field()) for name in cls._fields
        ]
        made = dataclasses.make_dataclass(cls.__name__, fields, frozen=True).__dataclass_fields__
        cls.__dataclass_fields__ = made
        return made


class Record:
    """Base of a record. A subclass lists its fields as annotations, with defaults where there are any (immutable ones: they are shared).

    Raises
    ------
    TypeError
        A field is missing, given twice, or unknown; in a class: a field without default follows one with.
    AttributeError
        Something is set or deleted: records are frozen. :meth:`changed` makes a changed copy.
    """

    _fields: tuple[str, ...] = ()
    _defaults: dict[str, object] = {}
    __dataclass_fields__ = _DataclassFields()

    def __init_subclass__(cls, **options: object) -> None:
        super().__init_subclass__(**options)
        own = tuple(cls.__dict__.get("__annotations__", ()))
        cls._fields = cls.__match_args__ = (*(name for name in cls._fields if name not in own), *own)
        cls._defaults = {**cls._defaults, **{name: cls.__dict__[name] for name in own if name in cls.__dict__}}
        cls.__dataclass_fields__ = _DataclassFields()
        needed = [name for name in cls._fields if name not in cls._defaults]
        if cls._fields[: len(needed)] != tuple(needed):
            raise TypeError(f"{cls.__name__}: a field without default follows one with a default")

    def __init__(self, *values: object, **named: object) -> None:
        cls = type(self)
        fields = cls._fields
        if len(values) > len(fields):
            raise TypeError(f"{cls.__name__}() takes {len(fields)} values, {len(values)} were given")
        given = dict(zip(fields, values))  # noqa: B905 - fewer values than fields is usual
        for name in named:
            if name in given:
                raise TypeError(f"{cls.__name__}() got two values for {name!r}")
            if name not in fields:
                raise TypeError(f"{cls.__name__}() has no field {name!r}")
        state = {**cls._defaults, **given, **named}
        if len(state) < len(fields):
            raise TypeError(f"{cls.__name__}() needs {', '.join(name for name in fields if name not in state)}")
        self.__dict__.update(state)

    def changed(self, **changes: object):
        """A copy with some fields changed."""
        return type(self)(**{**{name: getattr(self, name) for name in self._fields}, **changes})

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError(f"cannot set {name!r}: a {type(self).__name__} is frozen; changed() makes a changed copy")

    def __delattr__(self, name: str) -> None:
        raise AttributeError(f"cannot delete {name!r}: a {type(self).__name__} is frozen")

    def _values(self) -> tuple:
        return tuple(getattr(self, name) for name in self._fields)

    def __eq__(self, other: object) -> bool:
        return self._values() == other._values() if type(other) is type(self) else NotImplemented

    def __hash__(self) -> int:
        return hash(self._values())

    def __repr__(self) -> str:
        return f"{type(self).__name__}({', '.join(f'{name}={getattr(self, name)!r}' for name in self._fields)})"

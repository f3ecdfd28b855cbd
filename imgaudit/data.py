"""Data classes that cost little to make.

The standard library writes and compiles six methods of every class when its module is imported: a
third of what a short run takes. Here a class shares them, and its `__init__` is compiled when the
first of its objects is made. To a type checker they are the standard library's, whose `field`,
`fields` and `replace` work on them; either may inherit from the other.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__all__ = ["dataclass"]

if TYPE_CHECKING:
    from collections.abc import Callable
    from dataclasses import dataclass
else:
    from dataclasses import _FIELD, MISSING, Field, field
    from operator import attrgetter, ge, gt, le, lt
    from types import SimpleNamespace

    def dataclass(
        *,
        frozen: bool = False,
        slots: bool = False,
        kw_only: bool = False,
        eq: bool = True,
        order: bool = False,
    ) -> Callable[[type], type]:
        """See dataclasses.dataclass; annotations must be texts, as the future import makes them."""

        def declare(cls: Any) -> Any:
            found = {}
            for base in reversed(cls.__mro__[1:]):
                found |= base.__dict__.get("__dataclass_fields__", {})
            found |= _own(cls, kw_only=kw_only)
            if slots:
                cls = _slotted(cls, found)
            shared = {"__repr__": _repr, "__init__": _first(cls, frozen=frozen)}
            if eq:
                compared = [name for name, item in found.items() if item.compare]
                cls.__key__ = attrgetter(*compared) if compared else staticmethod(_nothing)
                shared["__eq__"] = _eq
                # As where a class body defines __eq__: what can change has no hash.
                if cls.__dict__.get("__hash__") is None:
                    cls.__hash__ = _hash if frozen else None
            if order:
                shared |= {f"__{by.__name__}__": _ordered(by) for by in (lt, le, gt, ge)}
            if frozen:
                shared |= {"__setattr__": _refuse, "__delattr__": _refuse}
            for name, method in shared.items():
                if name not in cls.__dict__:
                    setattr(cls, name, method)
            cls.__dataclass_fields__ = found
            cls.__dataclass_params__ = SimpleNamespace(frozen=frozen, repr=True)
            cls.__match_args__ = tuple(name for name in found if not found[name].kw_only)
            return cls

        return declare

    def _own(cls: type, *, kw_only: bool) -> dict[str, Field[Any]]:
        """Take the fields of a class body; their plain defaults stay attributes of the class."""
        found = {}
        for name, kind in cls.__annotations__.items():
            if kind.startswith("ClassVar"):
                continue
            default = cls.__dict__.get(name, MISSING)
            item = default if isinstance(default, Field) else field(default=default)
            if item is default and item.default is not MISSING:
                setattr(cls, name, item.default)
            elif item is default:
                delattr(cls, name)
            item.name, item.kw_only, item._field_type = name, kw_only, _FIELD  # noqa: SLF001 - as fields() asks
            found[name] = item
        return found

    def _slotted(cls: type, found: dict[str, Field[Any]]) -> Any:
        """Make the class again with slots, which the body of a class cannot get afterwards."""
        there = {slot for base in cls.__mro__[1:] for slot in base.__dict__.get("__slots__", ())}
        gone = {*found, "__dict__", "__weakref__"}
        body = {name: item for name, item in cls.__dict__.items() if name not in gone}
        body["__slots__"] = tuple(name for name in found if name not in there)
        made = type(cls)(cls.__name__, cls.__bases__, body)
        made.__qualname__ = cls.__qualname__
        return made

    def _first(cls: Any, *, frozen: bool) -> Callable[..., None]:
        """Give an `__init__` that puts the compiled one in its place."""

        def __init__(self: Any, *args: Any, **values: Any) -> None:  # noqa: N807 - it becomes a method
            made = _compiled(cls, frozen=frozen)
            cls.__init__ = made
            made(self, *args, **values)

        return __init__

    def _compiled(cls: Any, *, frozen: bool) -> Callable[..., None]:
        known = {"_none": MISSING, "_set": object.__setattr__}
        heads, body = {False: ["self"], True: []}, []
        for name, item in cls.__dataclass_fields__.items():
            head = name
            if item.default_factory is not MISSING:
                known[f"_make_{name}"] = item.default_factory
                head = f"{name}=_none"
                body.append(f"if {name} is _none: {name} = _make_{name}()")
            elif item.default is not MISSING:
                known[f"_default_{name}"] = item.default
                head = f"{name}=_default_{name}"
            heads[item.kw_only].append(head)
            body.append(f"_set(self, '{name}', {name})" if frozen else f"self.{name} = {name}")
        if hasattr(cls, "__post_init__"):
            body.append("self.__post_init__()")
        head = ", ".join([*heads[False], *(["*"] if heads[True] else []), *heads[True]])
        lines = "".join(f"\n {line}" for line in body or ["pass"])
        exec(f"def __init__({head}):{lines}", known)  # noqa: S102 - of field names only
        made = known["__init__"]
        made.__qualname__ = f"{cls.__qualname__}.__init__"
        return made

    def _nothing(_: Any) -> tuple[()]:
        return ()

    def _repr(self: Any) -> str:
        told = (name for name, item in self.__dataclass_fields__.items() if item.repr)
        values = ", ".join(f"{name}={getattr(self, name)!r}" for name in told)
        return f"{self.__class__.__qualname__}({values})"

    def _eq(self: Any, other: Any) -> Any:
        cls = self.__class__
        return cls.__key__(self) == cls.__key__(other) if other.__class__ is cls else NotImplemented

    def _hash(self: Any) -> int:
        return hash(self.__class__.__key__(self))

    def _ordered(by: Callable[[Any, Any], bool]) -> Callable[[Any, Any], Any]:
        def compare(self: Any, other: Any) -> Any:
            cls = self.__class__
            same = other.__class__ is cls
            return by(cls.__key__(self), cls.__key__(other)) if same else NotImplemented

        return compare

    def _refuse(self: Any, name: str, *_: Any) -> None:
        raise AttributeError(f"{name} of a {self.__class__.__name__} cannot be changed")

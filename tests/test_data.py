"""Our data classes behave as the standard library's: each class below is made by both."""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Callable
from typing import Any, ClassVar

import pytest

from imgaudit import data

Make = Callable[..., Any]
OPTIONS: dict[str, dict[str, bool]] = {
    "plain": {},
    "slots": {"slots": True},
    "frozen": {"frozen": True},
    "frozen, slots": {"frozen": True, "slots": True},
    "by name": {"frozen": True, "slots": True, "kw_only": True},
    "no comparison": {"frozen": True, "slots": True, "eq": False},
    "in order": {"frozen": True, "slots": True, "order": True},
}


def made(make: Make, options: dict[str, bool]) -> type:
    @make(**options)
    class Thing:
        """A thing."""

        kind: ClassVar[str] = "thing"
        name: str
        size: int = 3
        parts: list[int] = dataclasses.field(default_factory=list, compare=False)
        hidden: int = dataclasses.field(default=7, repr=False)

        @property
        def double(self) -> int:
            return 2 * self.size

    return Thing


@pytest.fixture(params=OPTIONS)
def both(request: pytest.FixtureRequest) -> tuple[Any, Any]:
    options = OPTIONS[request.param]
    ours = made(data.dataclass, options)
    theirs = made(dataclasses.dataclass, options)
    return ours, theirs


def outcome(call: Callable[[], Any]) -> Any:
    try:
        return call()
    except (TypeError, AttributeError):
        return "refused"


@pytest.mark.parametrize(
    "use",
    [
        lambda cls: repr(cls("a")),
        lambda cls: repr(cls(name="a", size=1, parts=[1], hidden=2)),
        lambda cls: repr(cls("a", 1)),
        lambda cls: cls(),
        lambda cls: cls(name="a", other=1),
        lambda cls: cls(name="a") == cls(name="a"),
        lambda cls: cls(name="a") == cls(name="a", parts=[1]),
        lambda cls: cls(name="a") == cls(name="a", hidden=1),
        lambda cls: cls(name="a") == ("a", 3, 7),
        lambda cls: cls(name="a") < cls(name="b"),
        lambda cls: cls(name="b", size=1) >= cls(name="b", size=2),
        lambda cls: cls(name="b") <= 1,
        lambda cls: len(set(map(hash, [cls(name="a"), cls(name="a", parts=[1])]))),
        lambda cls: hash(cls(name="a")) is None,
        lambda cls: setattr(cls(name="a"), "size", 1),
        lambda cls: setattr(cls(name="a"), "unheard", 1),
        lambda cls: delattr(cls(name="a"), "size"),
        lambda cls: (cls(name="a").parts is cls(name="a").parts, cls(name="a").double),
        lambda cls: (cls.kind, cls.__doc__, cls.__qualname__, cls.__match_args__),
        lambda cls: hasattr(cls(name="a"), "__dict__"),
    ],
)
def test_a_class_behaves_as_the_standard_library_s(
    both: tuple[Any, Any], use: Callable[[Any], Any]
) -> None:
    ours, theirs = both
    assert outcome(lambda: use(ours)) == outcome(lambda: use(theirs))


def test_the_standard_library_works_on_ours(both: tuple[Any, Any]) -> None:
    ours, theirs = both
    changed = dataclasses.replace(ours(name="a", size=1), hidden=9)
    expected = dataclasses.replace(theirs(name="a", size=1), hidden=9)
    assert (repr(changed), changed.hidden) == (repr(expected), expected.hidden)
    assert dataclasses.asdict(changed) == dataclasses.asdict(expected)
    assert [(item.name, item.kw_only) for item in dataclasses.fields(ours)] == [
        (item.name, item.kw_only) for item in dataclasses.fields(theirs)
    ]
    assert dataclasses.is_dataclass(ours)


@pytest.mark.parametrize("outer", [data, dataclasses])
@pytest.mark.parametrize("inner", [data, dataclasses])
def test_either_may_inherit_from_the_other(outer: Any, inner: Any) -> None:
    @inner.dataclass(frozen=True, kw_only=True)
    class Base:
        size: int = 1

    @outer.dataclass(frozen=True, kw_only=True)
    class Derived(Base):
        name: str
        parts: list[int] = dataclasses.field(default_factory=list)

    derived: Any = Derived
    assert repr(derived(name="a")).endswith("Derived(size=1, name='a', parts=[])")
    assert dataclasses.replace(derived(name="a"), size=2) == derived(name="a", size=2)
    assert hasattr(derived, "__hash__")


@pytest.mark.parametrize("library", [data, dataclasses])
def test_a_class_of_a_class(library: Any) -> None:
    @library.dataclass(frozen=True)
    class Base:
        size: int
        seen: tuple[int, ...] = ()

        def __post_init__(self) -> None:
            if self.size < 0:
                raise ValueError("less than nothing")

    @library.dataclass(frozen=True, kw_only=True)
    class Derived(Base):
        name: str
        seen: tuple[int, ...] = (1,)

    class Plain(Derived):
        pass

    derived: Any = Derived
    plain: Any = Plain
    assert derived(1, name="a").seen == (1,)
    assert plain(2, name="a") == plain(size=2, name="a", seen=(1,))
    assert plain(2, name="a") != derived(2, name="a")
    assert [item.name for item in dataclasses.fields(derived)] == ["size", "seen", "name"]
    with pytest.raises(ValueError, match="less than nothing"):
        derived(-1, name="a")
    with pytest.raises(TypeError):
        derived(1, "a")


@pytest.mark.parametrize("library", [data, dataclasses])
def test_slots_of_a_class_of_a_class_and_of_none(library: Any) -> None:
    @library.dataclass(slots=True)
    class Base:
        size: int

    @library.dataclass(slots=True)
    class Derived(Base):
        name: str

    @library.dataclass(frozen=True, slots=True)
    class Empty:
        pass

    assert Derived.__dict__["__slots__"] == ("name",)
    derived: Any = Derived
    assert not hasattr(derived(1, "a"), "__dict__")
    assert Empty() == Empty()
    assert len({Empty(), Empty()}) == 1


def test_own_methods_stay() -> None:
    @data.dataclass(frozen=True)
    class Own:
        size: int

        def __eq__(self, other: object) -> bool:
            return True

        def __hash__(self) -> int:
            return 5

        def __repr__(self) -> str:
            return "own"

    assert (Own(1) == 3, hash(Own(1)), repr(Own(1))) == (True, 5, "own")


def test_a_wrong_call_names_the_class() -> None:
    ours = made(data.dataclass, {})
    with pytest.raises(TypeError, match=r"Thing.__init__\(\) missing 1 required .*'name'"):
        ours()


def test_the_first_objects_of_a_class_may_be_made_by_many_threads() -> None:
    for _ in range(50):
        ours = made(data.dataclass, {"frozen": True})
        seen: list[Any] = []
        threads = [
            threading.Thread(target=lambda make, into: into.append(make("a")), args=(ours, seen))
            for _ in range(4)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert seen == [ours("a")] * 4

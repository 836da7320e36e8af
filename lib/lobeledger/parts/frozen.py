"""A mapping that nobody may write into, and that travels between processes.

`Frozen`
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, TypeVar

__all__ = ["Frozen"]

_Key = TypeVar("_Key")
_Value = TypeVar("_Value", covariant=True)


class Frozen(Mapping[_Key, _Value]):
    """A copy of a mapping, read only, in its order. Unlike types.MappingProxyType it pickles and deep-copies.

    >>> import pickle
    >>> figures = Frozen({"seat_load": 512.0})
    >>> pickle.loads(pickle.dumps(figures)) == figures == {"seat_load": 512.0}
    True
    """

    __slots__ = ("_held",)
    _held: dict[_Key, _Value]

    def __init__(self, values: Mapping[_Key, _Value]) -> None:
        object.__setattr__(self, "_held", dict(values))

    def __getitem__(self, key: _Key) -> _Value:
        return self._held[key]

    def __iter__(self) -> Iterator[_Key]:
        return iter(self._held)

    def __len__(self) -> int:
        return len(self._held)

    def __contains__(self, key: object) -> bool:
        return key in self._held

    def __setattr__(self, name: str, value: Any) -> None:
        raise AttributeError("a frozen mapping cannot be changed; make a new one")

    def __delattr__(self, name: str) -> None:
        raise AttributeError("a frozen mapping cannot be changed; make a new one")

    def __reduce__(self) -> tuple[type[Frozen[_Key, _Value]], tuple[dict[_Key, _Value]]]:
        return type(self), (self._held,)

    def __repr__(self) -> str:
        return f"Frozen({self._held!r})"

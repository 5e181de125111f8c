"""Verifies access lists and routing tables before they are deployed.

>>> import pathcheck
>>> pathcheck.load  # doctest: +ELLIPSIS
<function load at ...>
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathcheck.library import Fleet, load

__all__ = ["Fleet", "load"]


def __getattr__(name: str) -> Any:
    """Import the library when something of it is first asked for."""
    if name not in __all__:
        raise AttributeError(f"module `pathcheck` has no attribute `{name}`")
    from pathcheck import library

    return getattr(library, name)


def __dir__() -> list[str]:
    """Return the public names."""
    return sorted((*globals(), *__all__))

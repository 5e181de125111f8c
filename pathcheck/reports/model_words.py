"""A model as plain JSON values: the names of the fields are those of the library."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import FlagMatch
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.reports.region_words import flag_words
from pathcheck.source import Span

__all__ = ["model_words"]


def model_words(value: Any) -> Any:
    """Return a model, or a part of one, as dicts, lists, text, numbers and None.

    A span becomes `{"file", "line"}`; addresses, prefixes, address matches and
    ranges become their text; a mapping whose keys are pairs joins them with a space.
    """
    if value is None or isinstance(value, (bool, int, float)):
        return value
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, str):
        return value
    if isinstance(value, Span):
        return {"file": value.file, "line": value.line}
    if isinstance(value, FlagMatch):
        return flag_words(value)
    if isinstance(value, (Address, Prefix, AddressMatch, Ranges)):
        return str(value)
    if isinstance(value, Mapping):
        return {
            " ".join(map(str, key)) if isinstance(key, tuple) else str(key): model_words(item)
            for key, item in value.items()
        }
    if is_dataclass(value):
        named = {item.name: model_words(getattr(value, item.name)) for item in fields(value)}
        return {"kind": type(value).__name__, **named}
    return [model_words(item) for item in value]

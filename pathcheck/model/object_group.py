"""Named groups of addresses, ports and services that list lines refer to."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from pathcheck.packet.ranges import Ranges
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.source import Span

__all__ = ["GroupKind", "GroupMember", "GroupReference", "ObjectGroup", "ServiceMatch"]

GroupKind = Literal["address", "port", "service", "protocol", "icmp"]


@dataclass(frozen=True, slots=True)
class GroupReference:
    """A group's name where a value is expected."""

    name: str
    kind: GroupKind


@dataclass(frozen=True, slots=True)
class ServiceMatch:
    """A protocol with the ports or the ICMP type that go with it; None leaves free.

    `icmp` holds numbers `type * 256 + code`.
    """

    protocol: int | None
    source_ports: Ranges | None = None
    destination_ports: Ranges | None = None
    icmp: Ranges | None = None


@dataclass(frozen=True, slots=True)
class GroupMember:
    """One line of a group.

    `value` is an AddressMatch in an address group, Ranges in a port, protocol
    or ICMP group (ICMP as `type * 256 + code`), a ServiceMatch in a service
    group, or the name of a nested group of the same kind. None is a member
    that could not be read: it may stand for anything.
    """

    value: AddressMatch | Ranges | ServiceMatch | GroupReference | None
    sequence: int | None = None
    why: str | None = field(default=None, compare=False)
    span: Span = field(compare=False, kw_only=True)


@dataclass(frozen=True, slots=True)
class ObjectGroup:
    """A named group, its members in the order of the text.

    `family` limits an address group to one IP version where its header does.
    """

    name: str
    kind: GroupKind
    members: tuple[GroupMember, ...]
    family: Literal["ipv4", "ipv6"] | None = None
    span: Span = field(compare=False, kw_only=True)

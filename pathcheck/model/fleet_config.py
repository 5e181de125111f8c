"""All devices of a fleet with what `fleet.yaml` adds to their text."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

from pathcheck.model.device import Device
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import TCP
from pathcheck.packet.ranges import Ranges
from pathcheck.source import Span

__all__ = ["CATCH_ALL", "JOB_PARTS", "Bootstrap", "FleetConfig", "JobPart", "Link", "LinkEnd", "Place", "Session"]

JobPart = Literal["vlans", "ports", "addresses", "lists", "bindings", "routes", "gateway"]
"""A part of a device's configuration that automation pushes as a job of its own, or together with others."""

JOB_PARTS: tuple[JobPart, ...] = get_args(JobPart)


CATCH_ALL = frozenset({"*", "any", "all", "default"})
"""Words that stand for each device where names of devices are listed."""


@dataclass(frozen=True, slots=True)
class LinkEnd:
    """One end of a cable: a device and the canonical name of its interface."""

    device: str
    interface: str

    def __str__(self) -> str:
        return f"{self.device}:{self.interface}"


@dataclass(frozen=True, slots=True)
class Link:
    """A cable between two interfaces."""

    a: LinkEnd
    b: LinkEnd
    span: Span | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class Place:
    """A name for addresses, nested places already resolved.

    `prefixes` are of both IP versions, in the order of the file; a single
    address is a prefix of full length.
    """

    name: str
    prefixes: tuple[Prefix, ...]
    span: Span | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class Bootstrap:
    """How blank switches start: one entry of `fleet.yaml`'s bootstrap part.

    Parameters
    ----------
    file
        The text that a blank switch loads first.
    devices
        The names that the entry gives, words such as `any` among them; empty where it gives none.
    dhcp, server
        The servers that lease addresses and hold the files.
    protocols
        How files are fetched: ports by name, or `tcp/PORT`.
    call_home
        What a switch opens to the controller once it has its bootstrap text: a port by name, `tcp/PORT`, or `none`.
    spans
        Where each key stands, and each name in `devices`, as `devices/NAME`.
    """

    file: str
    devices: tuple[str, ...]
    vlan: int | None = None
    subnet: Prefix | None = None
    pool: tuple[Address, Address] | None = None
    gateway: Address | None = None
    dhcp: Address | None = None
    server: Address | None = None
    protocols: tuple[str, ...] = ()
    call_home: str = "https"
    span: Span | None = field(default=None, compare=False)
    spans: Mapping[str, Span] = field(default_factory=dict, compare=False)

    def place(self, key: str) -> Span | None:
        """Where a key stands; the whole entry where it does not."""
        return self.spans.get(key, self.span)

    @property
    def is_catch_all(self) -> bool:
        """Whether it is for whatever switch comes, not for those it names."""
        return not self.devices or any(name in CATCH_ALL for name in self.devices)


@dataclass(frozen=True, slots=True)
class Session:
    """The session with which the controller configures a device.

    Parameters
    ----------
    protocol, ports
        What it opens on the device's management address.
    source
        Where it comes from: the name of a place, or an address or prefix as text.
        The place `controller` need not exist.
    """

    protocol: int = TCP
    ports: Ranges = field(default_factory=lambda: Ranges.single(22))
    source: str = "controller"
    span: Span | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class RefusedFile:
    """A file of the fleet that is refused whole, so that the devices in it are not known.

    Parameters
    ----------
    text
        Its bytes, where it is text in a dialect that is not read; None where nothing can be told of it.
    """

    file: str
    text: bytes | None = field(default=None, repr=False)

    def may_own(self, address: Address | None) -> bool:
        """Tell whether an interface in it could have an address; None is a neighbour without a known one.

        No dialect writes an IPv4 address otherwise than with dots, so a text without it does not give it to an
        interface. IPv6 addresses have many spellings.
        """
        if self.text is None or address is None or address.version != 4:
            return True
        return str(address).encode() in self.text


@dataclass(frozen=True, slots=True)
class FleetConfig:
    """The whole intended configuration.

    Parameters
    ----------
    devices
        By name, in the order of the names.
    required_flows
        Path of the file of required flows, relative to the fleet's folder.
    waivers
        Path of the file of waivers, the same way.
    refused
        Files that may hold further devices: a next hop that no known device has may be one of theirs.
    entries
        Where `fleet.yaml` names each of the devices that it names.
    jobs
        Parts that are pushed together, in the order in which a job applies them; each other part is a job alone.
    """

    devices: Mapping[str, Device]
    links: tuple[Link, ...] = ()
    places: Mapping[str, Place] = field(default_factory=dict)
    bootstrap: tuple[Bootstrap, ...] = ()
    required_flows: str | None = None
    waivers: str | None = None
    session: Session = field(default_factory=Session)
    refused: tuple[RefusedFile, ...] = ()
    entries: Mapping[str, Span] = field(default_factory=dict, compare=False)
    jobs: tuple[tuple[JobPart, ...], ...] = ()

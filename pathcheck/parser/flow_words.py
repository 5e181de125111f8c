"""The words of a flow: `PROTO SRC[:PORT] DST[:PORT]` and its options.

The command line, the lines of a batch, the required flows and the library all
ask in these words, so they are read in one place.

A word in the place of an address that is neither an address nor a prefix nor
`any` is a name: a place first, then a device. Whoever gives a place the name of
a device thereby says what the name stands for.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from pathcheck.errors import FlowError, UnknownNameError, nearest
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.flow import EntryPoint, Flow
from pathcheck.model.interface import canonical_name
from pathcheck.packet.address import IPVersion
from pathcheck.packet.dscp import DSCP_NAMES, dscp_number
from pathcheck.packet.icmp import ICMP_NAMES, icmp_match
from pathcheck.packet.port import PORT_NAMES, port_number
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import (
    ANY_PROTOCOL_WORDS,
    ICMP,
    ICMPV6,
    PROTOCOL_NAMES,
    TCP,
    has_ports,
    protocol_number,
)
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import FLAG_NAMES, NEW_CONNECTION, FlagMatch

__all__ = ["FlowQuestion", "flow_question", "read_flow", "read_flow_line"]

_OPTIONS_WITH_VALUE = ("at", "acl", "device", "icmp", "flags", "dscp", "vrf")
_OPTIONS_ALONE = ("fragment", "no-reply")
_SHAPE = "`PROTO SRC[:PORT] DST[:PORT]`"
_MOST_CHARACTERS = 100_000


@dataclass(frozen=True, slots=True)
class FlowQuestion:
    """What was asked.

    Parameters
    ----------
    acl
        The one list that is asked alone, None for the whole way through the fleet.
    device
        The device whose list is meant; None where `acl` is None or the name is enough.
    reply
        Whether the way back is asked as well.
    """

    flow: Flow
    acl: str | None = None
    device: str | None = None
    reply: bool = True


def read_flow_line(line: str, config: FleetConfig) -> FlowQuestion:
    """Read a flow and its options from one line, cut into words as a shell does.

    Raises
    ------
    FlowError, UnknownNameError
        As :func:`flow_question`; also where the quotation marks of the line do not pair.

    Examples
    --------
    >>> question = read_flow_line("tcp 10.1.20.7:49152 10.1.99.10:443 --flags ack", FleetConfig({}))
    >>> str(question.flow.destination_ports), question.flow.flags.matches(0b010000)
    ('443', True)
    """
    if len(line) > _MOST_CHARACTERS:
        raise FlowError(f"the line has {len(line)} characters, more than the {_MOST_CHARACTERS} that are read")
    try:
        words = shlex.split(line)
    except ValueError as error:
        raise FlowError(f"the line cannot be cut into words: {str(error).lower()}") from None
    return read_flow(words, config)


def read_flow(words: Sequence[str], config: FleetConfig) -> FlowQuestion:
    """Read a flow and its options from words: the options are those of the command line, in any order.

    Raises
    ------
    FlowError, UnknownNameError
        As :func:`flow_question`; also for options that are unknown, stand twice or lack their value.
    """
    plain: list[str] = []
    values: dict[str, str] = {}
    alone: set[str] = set()
    rest = iter(words)
    for word in rest:
        if not word.startswith("--"):
            plain.append(word)
            continue
        name, has_value, value = word[2:].partition("=")
        if name in values or name in alone:
            raise FlowError(f"the option `--{name}` stands twice")
        if name in _OPTIONS_ALONE:
            if has_value:
                raise FlowError(f"the option `--{name}` takes no value, found `{value}`")
            alone.add(name)
        elif name in _OPTIONS_WITH_VALUE:
            found = value if has_value else next(rest, None)
            if not found:
                raise FlowError(f"the option `--{name}` needs a value")
            values[name] = found
        else:
            options = [f"--{known}" for known in (*_OPTIONS_WITH_VALUE, *_OPTIONS_ALONE)]
            near = nearest(f"--{name}", options)
            raise FlowError(
                f"unknown option `--{name}` of a flow; known are {', '.join(f'`{known}`' for known in options)}",
                help=f"did you mean `{near}`?" if near else None,
            )
    if len(plain) != 3:
        raise FlowError(
            f"expected a flow {_SHAPE}, found {len(plain)} word{'' if len(plain) == 1 else 's'}"
            + (f": `{' '.join(plain)}`" if plain else "")
        )
    return flow_question(
        *plain,
        config=config,
        at=values.get("at"),
        acl=values.get("acl"),
        device=values.get("device"),
        icmp=values.get("icmp"),
        flags=values.get("flags"),
        fragment="fragment" in alone,
        dscp=values.get("dscp"),
        vrf=values.get("vrf"),
        reply="no-reply" not in alone,
    )


def flow_question(
    protocol: str,
    source: str,
    destination: str,
    *,
    config: FleetConfig,
    at: str | None = None,
    acl: str | None = None,
    device: str | None = None,
    icmp: str | None = None,
    flags: str | None = None,
    fragment: bool = False,
    dscp: str | None = None,
    vrf: str | None = None,
    reply: bool = True,
) -> FlowQuestion:
    """Read each word of a flow.

    Parameters
    ----------
    protocol
        A name, a number 0..255, or `ip` for each protocol. `icmp` between IPv6 addresses is ICMPv6.
    source, destination
        An address, a prefix, `any`, a place or a device; then `:` and a port, a
        range, a name, several of these with commas, or `any`. IPv6 with a port
        stands in brackets, `[2001:db8::/32]:443`.
    config
        Gives the names their meaning.
    at
        `DEVICE` or `DEVICE:INTERFACE`.
    acl, device
        The one list to ask, and whose.
    icmp
        `TYPE`, `TYPE/CODE` or a name; several with commas; or `any`.
    flags
        Flags by name with commas, exactly these; `any`; or `none`. Left out, a TCP
        flow is a new connection.
    fragment
        Whether non-initial fragments are asked about.
    dscp
        A code point by number or name; several with commas; or `any`.
    vrf
        The table in which the packets start.

    Raises
    ------
    FlowError
        A word cannot be read, or words contradict each other.
    UnknownNameError
        No place, device, list, interface or VRF of that name; the nearest is offered.

    Examples
    --------
    >>> flow = flow_question("udp", "10.1.20.0/24", "[2001:db8::/32]:53", config=FleetConfig({}))
    Traceback (most recent call last):
    ...
    pathcheck.errors.FlowError: `10.1.20.0/24` and `2001:db8::/32` are of two IP versions
    """
    word = protocol.lower()
    number = None if word in ANY_PROTOCOL_WORDS else protocol_number(word, 4)
    if number is None and word not in ANY_PROTOCOL_WORDS:
        near = nearest(word, (*PROTOCOL_NAMES, *ANY_PROTOCOL_WORDS))
        raise FlowError(
            f"expected a protocol by name or number 0-255, or `ip` for each, found `{protocol}`",
            help=f"did you mean `{near}`?" if near else None,
        )
    start, end = _end(source, "source", number, config), _end(destination, "destination", number, config)
    versions = {prefix.version for prefix in start.prefixes} & {prefix.version for prefix in end.prefixes}
    if not versions:
        raise FlowError(f"`{start.named}` and `{end.named}` are of two IP versions")
    versions = _narrow(versions, word, protocol, acl, device, config)

    if word == "icmp" and versions == {6}:
        number = ICMPV6
    if (start.ports is not None or end.ports is not None) and fragment:
        raise FlowError("a non-initial fragment has no ports; leave the ports or `--fragment` away")
    return FlowQuestion(
        flow=Flow(
            protocol=number,
            source=tuple(prefix for prefix in start.prefixes if prefix.version in versions),
            destination=tuple(prefix for prefix in end.prefixes if prefix.version in versions),
            source_named=start.named,
            destination_named=end.named,
            source_ports=start.ports,
            destination_ports=end.ports,
            icmp=None if icmp in (None, "any") else _icmp(icmp, protocol, number, versions, fragment),
            flags=_flags(flags, protocol, number, fragment),
            dscp=None if dscp in (None, "any") else _dscp(dscp),
            fragment=fragment,
            vrf=None if vrf is None else _vrf(vrf, config),
            at=None if at is None else _entry_point(at, acl, config),
            either_icmp=word == "icmp" and len(versions) == 2,
        ),
        acl=acl,
        device=device,
        reply=reply,
    )


class _End(NamedTuple):
    """One end of a flow: the word for the address, what it stands for, the ports."""

    named: str
    prefixes: tuple[Prefix, ...]
    ports: Ranges | None


def _end(text: str, which: str, protocol: int | None, config: FleetConfig) -> _End:
    """ADDRESS [: PORTS], IPv6 with ports in brackets."""
    if text.startswith("["):
        word, closed, behind = text[1:].partition("]")
        if not closed or (behind and not behind.startswith(":")):
            raise FlowError(f"expected `[ADDRESS]:PORT` as {which}, found `{text}`")
        if ":" not in word:
            raise FlowError(f"brackets are for IPv6 addresses, found `{text}` as {which}")
        port = behind[1:] if behind else None
    elif text.count(":") >= 2:
        word, port = text, None
        prefix, colon, behind = text.rpartition(":")
        if "/" in prefix and colon:
            raise FlowError(
                f"expected an IPv6 prefix with a port in brackets, found `{text}` as {which}",
                help=f"write `[{prefix}]:{behind}`",
            )
    else:
        word, colon, behind = text.partition(":")
        port = behind if colon else None
    if port == "":
        raise FlowError(f"expected a port behind the `:` of `{text}`")
    if not word:
        raise FlowError(f"expected an address, a prefix, `any`, a place or a device as {which}, found `{text}`")
    return _End(word, _addresses(word, which, config), None if port is None else _ports(port, protocol, text))


def _addresses(word: str, which: str, config: FleetConfig) -> tuple[Prefix, ...]:
    """An address, a prefix, `any`, the name of a place or of a device."""
    if word == "any":
        return (Prefix.everything(4), Prefix.everything(6))
    if word in config.places:
        return config.places[word].prefixes
    if word in config.devices:
        return (_management(config.devices[word]),)
    if ":" in word or re.fullmatch(r"[0-9.]+(/.*)?", word) or ("/" in word and word[:1].isdigit()):
        try:
            return (Prefix.parse(word),)
        except ValueError as error:
            raise FlowError(f"expected an address or a prefix as {which}: {error}") from None
    names = (*config.places, *config.devices)
    near = nearest(word, names)
    raise UnknownNameError(
        f"expected an address, a prefix, `any`, a place or a device as {which}, found `{word}`",
        help=f"did you mean `{near}`?" if near else _known("places", config.places),
    )


def _management(device: Device) -> Prefix:
    """The management address; without one in `fleet.yaml`, the only address of the device."""
    if device.management is not None:
        address = device.management
    else:
        addresses = {
            held.address
            for interface in device.interfaces.values()
            if not interface.shutdown
            for held in interface.addresses
            if held.role not in ("link-local", "virtual")
        }
        if len(addresses) != 1:
            raise FlowError(
                f"the device `{device.name}` has no management address in `fleet.yaml`, so its name is no address",
                help=f"write one of its addresses: {_few(map(str, sorted(addresses)))}" if addresses else None,
            )
        (address,) = addresses
    return Prefix.containing(address, 32 if address.version == 4 else 128)


def _ports(text: str, protocol: int | None, whole: str) -> Ranges | None:
    """PORT, LOW-HIGH, a name, several of these with commas, or `any`."""
    if protocol is None or not has_ports(protocol):
        if text == "any":
            return None
        raise FlowError(f"only tcp, udp and sctp have ports, found the port `{text}` in `{whole}`")
    if text == "any":
        return None
    spans = []
    for part in text.split(","):
        number = port_number(part, protocol)
        if number is not None:
            spans.append((number, number))
            continue
        found = re.fullmatch(r"([0-9]{1,5})-([0-9]{1,5})", part, re.ASCII)
        if found is None or int(found[2]) > 65535:
            near = nearest(part.lower(), _port_names(protocol)) if part.isascii() else None
            raise FlowError(
                f"expected a port number 0-65535, a range `LOW-HIGH` or a known port name, found `{part}` in `{whole}`",
                help=f"did you mean `{near}`?" if near else None,
            )
        low, high = int(found[1]), int(found[2])
        if low > high:
            raise FlowError(f"the port range `{part}` ends before it begins", help=f"did you mean `{high}-{low}`?")
        spans.append((low, high))
    return Ranges.of(*spans)


def _port_names(protocol: int) -> list[str]:
    """The names that the nearest one is looked for among."""
    return sorted(PORT_NAMES.get(protocol, {}))


def _narrow(
    versions: set[IPVersion], word: str, protocol: str, acl: str | None, device: str | None, config: FleetConfig
) -> set[IPVersion]:
    """Leave those IP versions that the protocol's word and the list allow."""
    if word == "ipv6" or (word in PROTOCOL_NAMES and PROTOCOL_NAMES[word] == ICMPV6):
        versions = versions & {6}
        if not versions:
            raise FlowError(f"`{protocol}` is a protocol of IPv6, and the flow is between IPv4 addresses")
    if acl is None:
        if device is not None:
            raise FlowError("`--device` tells whose list `--acl` names; it needs `--acl`", help="or use `--at`")
        return versions
    families = _list_families(acl, device, config)
    left = versions & {4 if family == "ipv4" else 6 for family in families}
    if not left:
        kind = "IPv4" if "ipv4" in families else "IPv6"
        raise FlowError(f"`{acl}` is an {kind} list, and the flow is between addresses of the other IP version")
    return left


def _list_families(acl: str, device: str | None, config: FleetConfig) -> set[Literal["ipv4", "ipv6"]]:
    """The families in which a list of that name exists."""
    devices = list(config.devices.values()) if device is None else [_device(device, config)]
    families = {family for one in devices for family, name in one.access_lists if name == acl}
    if families:
        return families
    names = sorted({name for one in devices for _, name in one.access_lists})
    near = nearest(acl, names)
    where = f"the device `{device}`" if device is not None else "the fleet"
    raise UnknownNameError(
        f"no access list `{acl}` in {where}", help=f"did you mean `{near}`?" if near else _known("lists", names)
    )


def _icmp(text: str, protocol: str, number: int | None, versions: set[IPVersion], fragment: bool) -> Ranges:
    """TYPE[/CODE] by number or name, several with commas."""
    if number not in (ICMP, ICMPV6):
        raise FlowError(f"an ICMP type needs the protocol `icmp` or `icmpv6`, found `{protocol}`")
    if fragment:
        raise FlowError("a non-initial fragment has no ICMP type; leave `--icmp` or `--fragment` away")
    if len(versions) == 2:
        raise FlowError(
            f"the ICMP type `{text}` means one thing in IPv4 and another in IPv6, and the flow is of both",
            help="write `0.0.0.0/0` or `::/0` instead of `any`",
        )
    version = 6 if number == ICMPV6 else 4
    spans = []
    for part in text.split(","):
        match = icmp_match(part, version)
        if match is None:
            raise FlowError(
                f"expected an ICMP type of IPv{version} by name or as `TYPE[/CODE]`, numbers 0-255, found `{part}`",
                help=_near_icmp(part, version),
            )
        kind, code = match
        spans.append((kind << 8, kind << 8 | 255) if code is None else (kind << 8 | code, kind << 8 | code))
    return Ranges.of(*spans)


def _near_icmp(word: str, version: int) -> str | None:
    """Offer the nearest name of an ICMP type."""
    near = nearest(word.lower(), ICMP_NAMES[version])
    return f"did you mean `{near}`?" if near else None


def _flags(text: str | None, protocol: str, number: int | None, fragment: bool) -> FlagMatch | None:
    """Flags by name with commas, `any` or `none`; left out, a new connection."""
    if text is None:
        return NEW_CONNECTION if number == TCP and not fragment else None
    if number != TCP:
        raise FlowError(f"only tcp has flags, found `--flags {text}` with `{protocol}`")
    if fragment:
        raise FlowError("a non-initial fragment has no TCP flags; leave `--flags` or `--fragment` away")
    if text.lower() == "any":
        return None
    if text.lower() == "none":
        return FlagMatch.exactly(0)
    bits = 0
    for part in text.split(","):
        bit = FLAG_NAMES.get(part.lower())
        if bit is None:
            near = nearest(part.lower(), FLAG_NAMES)
            raise FlowError(
                f"expected TCP flags out of {', '.join(f'`{name}`' for name in FLAG_NAMES)} with commas,"
                f" `any` or `none`, found `{part}`",
                help=f"did you mean `{near}`?" if near else None,
            )
        bits |= bit
    return FlagMatch.exactly(bits)


def _dscp(text: str) -> Ranges:
    """A code point by number or name, several with commas."""
    spans = []
    for part in text.split(","):
        number = dscp_number(part)
        if number is None:
            near = nearest(part.lower(), DSCP_NAMES)
            raise FlowError(
                f"expected a DSCP value 0-63 or its name, found `{part}`",
                help=f"did you mean `{near}`?" if near else None,
            )
        spans.append((number, number))
    return Ranges.of(*spans)


def _vrf(name: str, config: FleetConfig) -> str:
    """The name of a VRF that some device has."""
    names = {vrf for device in config.devices.values() for vrf in device.vrfs}
    names |= {i.vrf for device in config.devices.values() for i in device.interfaces.values() if i.vrf is not None}
    if name in names:
        return name
    near = nearest(name, names)
    raise UnknownNameError(
        f"no device has a VRF `{name}`", help=f"did you mean `{near}`?" if near else _known("VRFs", sorted(names))
    )


def _entry_point(text: str, acl: str | None, config: FleetConfig) -> EntryPoint:
    """DEVICE[:INTERFACE]."""
    if acl is not None:
        raise FlowError("`--acl` asks one list alone, wherever packets enter; leave `--at` or `--acl` away")
    name, colon, interface = text.partition(":")
    device = _device(name, config)
    if not colon:
        return EntryPoint(name)
    full = canonical_name(interface)
    if full not in device.interfaces:
        near = nearest(full, device.interfaces)
        raise UnknownNameError(
            f"the device `{name}` has no interface `{interface}`",
            help=f"did you mean `{near}`?" if near else _known("interfaces", device.interfaces),
        )
    return EntryPoint(name, full)


def _device(name: str, config: FleetConfig) -> Device:
    """The device of that name."""
    device = config.devices.get(name)
    if device is not None:
        return device
    near = nearest(name, config.devices)
    raise UnknownNameError(
        f"no device `{name}` in the fleet",
        help=f"did you mean `{near}`?" if near else _known("devices", config.devices),
    )


def _known(what: str, names: Iterable[str]) -> str | None:
    """List the known names, if there are any."""
    few = _few(names)
    return f"known {what}: {few}" if few else None


def _few(words: Iterable[str], most: int = 8) -> str:
    """Quote the first words, and tell of the rest."""
    listed = list(words)
    shown = ", ".join(f"`{word}`" for word in listed[:most])
    return f"{shown} and {len(listed) - most} more" if len(listed) > most else shown

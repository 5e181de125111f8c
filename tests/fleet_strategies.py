"""Random fleets of a few devices on shared subnets, with every kind of thing that can make an answer uncertain."""

from __future__ import annotations

from hypothesis import strategies as st
from model_builders import access_list, bound, device, fleet, gateway, interface, line, route, span, vlan

from pathcheck.model.device import Device, TerminalLines
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.interface import SwitchPort
from pathcheck.model.unmodelled import (
    DeviceScope,
    InterfaceScope,
    LayerTwoScope,
    OwnScope,
    RouteScope,
    TranslationScope,
    Unmodelled,
)
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges

NAMES = ("core", "pier", "quay", "slip")
LANS = ("10.0.1", "10.0.2", "10.0.3")
EVERYWHERE = ("0.0.0.0/0", "10.0.0.0/16", "10.0.1.0/24", "10.0.2.0/25", "10.0.3.4/32", "198.51.100.0/24", "10.8.0.1/32")
HOSTS = ("10.0.1.1", "10.0.1.2", "10.0.2.1", "10.0.2.9", "10.0.3.4", "10.8.0.1", "198.51.100.1")
SWITCH_PORTS = (
    SwitchPort("access", access_vlan=1),
    SwitchPort("access", access_vlan=2),
    SwitchPort("trunk"),
    SwitchPort("trunk", allowed=Ranges.of((2, 3))),
    SwitchPort("trunk", native=2),
    SwitchPort(None, access_vlan=2),
    SwitchPort("dynamic"),
)


@st.composite
def lists(draw: st.DrawFn) -> object:
    """A list of few lines that a few packets tell apart."""
    lines = [
        line(
            draw(st.sampled_from(("permit", "deny"))),
            draw(st.sampled_from(("ip", "tcp"))),
            draw(st.sampled_from(("any", "10.0.1.0/24", "10.0.2.1"))),
            draw(st.sampled_from(("any", "10.0.3.0/24", "10.0.1.1"))),
            sequence=10 * number + 10,
            doubt=draw(st.sampled_from((None, None, None, "a time range"))),
        )
        for number in range(draw(st.integers(1, 3)))
    ]
    return access_list("A", *lines, line("permit", sequence=900))


@st.composite
def scopes(draw: st.DrawFn, names: tuple[str, ...]) -> object:
    """Something that is not modelled."""
    name = draw(st.sampled_from(names))
    return draw(
        st.sampled_from(
            (
                DeviceScope(),
                OwnScope(),
                InterfaceScope(name),
                InterfaceScope(name, ("in",), may_only_drop=True),
                TranslationScope(name, "inside"),
                TranslationScope(name, "outside"),
                RouteScope(),
                RouteScope(within=Prefix.parse("10.0.0.0/16"), distance=110),
                LayerTwoScope(),
                LayerTwoScope(2),
            )
        )
    )


@st.composite
def devices(draw: st.DrawFn, name: str, number: int) -> Device:
    """A device with an interface on some of the subnets, by routed port or by SVI."""
    parts: list[object] = []
    taken = draw(st.lists(st.sampled_from(range(3)), min_size=2, max_size=3, unique=True))
    for lan in taken:
        last = draw(st.sampled_from((number + 1,) * 7 + (9,)))
        lists_here = tuple(
            bound("A", direction) for direction in ("in", "out") if draw(st.sampled_from((True, False, False)))
        )
        written = f"{LANS[lan]}.{last}/24"
        shutdown = draw(st.sampled_from((False,) * 15 + (True,)))
        if draw(st.sampled_from((True, True, True, False))):
            parts.append(interface(f"Ethernet{lan}", written, lists=lists_here, routed=True, shutdown=shutdown))
        else:
            parts.append(interface(f"Vlan{lan + 1}", written, lists=lists_here, shutdown=shutdown))
    for port in range(draw(st.integers(0, 3))):
        settings_ = draw(st.sampled_from(SWITCH_PORTS))
        listed = (bound("A", "in", port=True),) if draw(st.sampled_from((True, False, False, False))) else ()
        parts.append(interface(f"Ethernet{5 + port}", lists=listed, switch_port=settings_))
    if draw(st.booleans()):
        parts.append(interface("Loopback0", f"10.8.0.{number + 1}/32"))
    for _ in range(draw(st.integers(1, 4))):
        prefix = draw(st.sampled_from(EVERYWHERE))
        kind = draw(st.sampled_from(("hop",) * 6 + ("discard", "interface")))
        hop = f"{draw(st.sampled_from(LANS))}.{draw(st.sampled_from((1, 1, 2, 2, 3, 4, 9, 77)))}"
        if kind == "hop":
            parts.append(route(prefix, hop, distance=draw(st.sampled_from((1, 1, 200)))))
        elif kind == "discard":
            parts.append(route(prefix, discard=True))
        else:
            parts.append(route(prefix, interface=draw(st.sampled_from(("Ethernet0", "Ethernet1", "Vlan2")))))
    if draw(st.sampled_from((True, False, False))):
        parts.append(gateway("10.0.1.1"))
    if draw(st.sampled_from((True, False, False, False))):
        parts.extend(vlan(number) for number in draw(st.sets(st.integers(1, 3))))
    parts.append(draw(lists()))
    interfaces = tuple(part.name for part in parts if type(part).__name__ == "Interface")  # type: ignore[attr-defined]
    unmodelled = tuple(
        Unmodelled("something", draw(scopes(interfaces)), span=span("something"))  # type: ignore[arg-type]
        for _ in range(draw(st.sampled_from((0, 0, 0, 0, 0, 0, 1, 2))))
    )
    blocks = draw(st.sampled_from(((), (), (("A",),), (("A",), ()))))
    terminal_lines = tuple(
        TerminalLines(0, 4, tuple(bound(item) for item in block), span=span("line vty")) for block in blocks
    )
    return device(
        name,
        *parts,  # type: ignore[arg-type]
        unmodelled=unmodelled,
        terminal_lines=terminal_lines,
        routing=draw(st.sampled_from((True,) * 6 + (None, False))),
    )


@st.composite
def fleets(draw: st.DrawFn) -> FleetConfig:
    """A few devices on shared subnets, with or without cabling."""
    made = [draw(devices(name, number)) for number, name in enumerate(NAMES[: draw(st.integers(2, 4))])]
    links = []
    if draw(st.sampled_from((True, False, False))):
        ends = [f"{one.name}:{name}" for one in made for name in one.interfaces if name.startswith("Ethernet")]
        shuffled = draw(st.permutations(ends))
        links = [f"{a} {b}" for a, b in zip(shuffled[::2], shuffled[1::2], strict=False)]
    return fleet(*made, links=tuple(links))

"""Fleets of leaves and spines made for measuring, healthy in their routes, from a fixed seed."""

from __future__ import annotations

import random
from pathlib import Path

__all__ = ["make_fleet"]

MOST_SPINES = 8


def make_fleet(folder: Path, devices: int, *, list_lines: int, routes: int, links: bool = False, seed: int = 1) -> None:
    """Write a fleet of two stages, one file for each device.

    Parameters
    ----------
    folder
        It is made; each device is a file in it.
    devices
        How many; up to 8 of them are spines, each connected to each leaf and to a provider.
    list_lines
        How many lines all access lists have together. Each leaf has one list, on its first VLAN.
    routes
        How many static routes all devices have together. Every device has those that the two stages need
        (a default to each spine, a block of each leaf, discard routes); what is left goes to networks behind
        stations of the leaves, 24 a leaf at most.
    links
        Whether `fleet.yaml` names the cables.
    """
    draw = random.Random(f"{devices} {seed}")
    spines = max(2, min(MOST_SPINES, devices // 12))
    leaves = devices - spines
    folder.mkdir(parents=True, exist_ok=True)
    needed = leaves * spines * 2 + leaves + spines * 2
    extra = max(0, routes - needed)
    cables = []
    texts = {f"spine-{number}": _spine_head(number) for number in range(spines)}
    for leaf in range(leaves):
        name, block = f"leaf-{leaf}", (10 << 24) + (leaf << 10)
        text = _leaf_head(name, block)
        for spine in range(spines):
            link = (172 << 24 | 16 << 16) + 2 * (leaf * spines + spine)
            text += _port(f"Ethernet{spine + 1}", f"spine-{spine}", link)
            texts[f"spine-{spine}"] += _port(f"Ethernet{leaf + 1}", name, link + 1)
            cables.append(f"{name}:Ethernet{spine + 1} spine-{spine}:Ethernet{leaf + 1}")
        text += [
            f"ip route 0.0.0.0 0.0.0.0 {_dotted((172 << 24 | 16 << 16) + 2 * (leaf * spines + spine) + 1)}"
            for spine in range(spines)
        ]
        text.append(f"ip route {_dotted(block)} 255.255.252.0 Null0 254")
        behind = min(24, extra * (leaf + 1) // leaves - extra * leaf // leaves)
        text += [
            f"ip route {_dotted(block + 512 + 8 * number)} 255.255.255.248 {_dotted(block + 10 + number)}"
            for number in range(behind)
        ]
        lines = list_lines * (leaf + 1) // leaves - list_lines * leaf // leaves
        text += ["!", "ip access-list extended STATIONS-IN", *_list(draw, block, lines)]
        texts[name] = text
        for spine in range(spines):
            link = (172 << 24 | 16 << 16) + 2 * (leaf * spines + spine)
            texts[f"spine-{spine}"].append(f"ip route {_dotted(block)} 255.255.252.0 {_dotted(link)}")
    for number in range(spines):
        provider = (198 << 24 | 18 << 16) + 2 * number
        texts[f"spine-{number}"] += [
            *_port(f"Ethernet{leaves + 1}", "provider", provider),
            f"ip route 0.0.0.0 0.0.0.0 {_dotted(provider + 1)}",
            "ip route 10.0.0.0 255.0.0.0 Null0 254",
        ]
    for name, text in texts.items():
        (folder / f"{name}.cfg").write_text("\n".join([*text, "end", ""]))
    if links:
        (folder / "fleet.yaml").write_text("\n".join(["links:", *(f"  - {cable}" for cable in cables), ""]))


def _spine_head(number: int) -> list[str]:
    return [
        f"hostname spine-{number}", "ip routing", "interface Loopback0",
        f" ip address {_dotted((172 << 24 | 31 << 16 | 255 << 8) + number)} 255.255.255.255",
    ]  # fmt: skip


def _leaf_head(name: str, block: int) -> list[str]:
    return [
        f"hostname {name}", "ip routing", "vlan 20", " name tickets", "vlan 30", " name cameras",
        "interface Loopback0", f" ip address {_dotted(block + 1023)} 255.255.255.255",
        "interface Vlan20", f" ip address {_dotted(block + 1)} 255.255.255.0", " ip access-group STATIONS-IN in",
        "interface Vlan30", f" ip address {_dotted(block + 257)} 255.255.255.0",
        "interface Ethernet20", " switchport mode access", " switchport access vlan 20",
        "interface Ethernet30", " switchport mode access", " switchport access vlan 30",
    ]  # fmt: skip


def _port(name: str, description: str, address: int) -> list[str]:
    return [
        f"interface {name}",
        f" description {description}",
        " no switchport",
        f" ip address {_dotted(address)} 255.255.255.254",
    ]


def _list(draw: random.Random, block: int, count: int) -> list[str]:
    """Lines from the stations of a leaf to hosts of others, and one that closes the list."""
    lines = []
    for _ in range(count - 1):
        target = (10 << 24) + draw.randrange(1 << 18)
        lines.append(
            f" permit {draw.choice(('tcp', 'tcp', 'udp'))} {_dotted(block)} 0.0.0.255 host {_dotted(target)} "
            f"eq {draw.choice((53, 80, 123, 443, 554, 5000, 8080))}"
        )
    return [*lines, " deny ip any any log"] if count else []


def _dotted(number: int) -> str:
    return ".".join(str(number >> shift & 255) for shift in (24, 16, 8, 0))

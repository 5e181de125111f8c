"""Lists made for measuring, in the shape of three kinds of real ones, from a fixed seed."""

from __future__ import annotations

import random

__all__ = ["make_list"]


def make_list(kind: str, count: int, seed: int = 1) -> str:
    """Return a configuration with one extended list.

    Parameters
    ----------
    kind
        `hosts`: pairs of hosts and services, hardly any overlap. `zones`: prefixes of nested
        sizes, much overlap. `wide`: half of the lines with `any` at an end, as firewalls have them.
    count
        Lines of the list.
    """
    draw = random.Random(f"{kind} {count} {seed}")
    nets = [f"10.{draw.randrange(64)}.{draw.randrange(256)}" for _ in range(max(8, count // 20))]

    def end() -> str:
        net = draw.choice(nets)
        if kind == "hosts" or draw.random() < 0.4:
            return f"host {net}.{draw.randrange(1, 255)}"
        if kind == "wide" and draw.random() < 0.5:
            return "any"
        bits = draw.choice((4, 6, 8, 8, 12, 16))
        a, b, c = (int(part) for part in net.split("."))
        value = (a << 24 | b << 16 | c << 8) >> bits << bits
        mask = (1 << bits) - 1
        return f"{_dotted(value)} {_dotted(mask)}"

    def port() -> str:
        chance = draw.random()
        if chance < 0.6:
            return f" eq {draw.choice((22, 25, 53, 80, 123, 161, 443, 554, 1433, 3306, 8080, 9100))}"
        return " range 1024 65535" if chance < 0.75 else ""

    lines = [f"hostname {kind}", "!", "ip access-list extended MADE"]
    for _ in range(count):
        action = "permit" if draw.random() < 0.6 else "deny"
        protocol = draw.choice(("tcp", "tcp", "tcp", "udp", "udp", "icmp", "ip"))
        source, destination = end(), end()
        tail = port() if protocol in ("tcp", "udp") else ""
        lines.append(f" {action} {protocol} {source} {destination}{tail}")
    return "\n".join(lines) + "\n"


def _dotted(number: int) -> str:
    return ".".join(str(number >> shift & 255) for shift in (24, 16, 8, 0))

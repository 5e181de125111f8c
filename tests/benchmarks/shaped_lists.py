"""Lists in the shapes of published filter sets for packet classification, from a fixed seed.

Three families, each with a range of characters that the seed picks from:

servers
    Access-control lists: wide or exact sources, exact destinations, one destination port, few wildcards.
walls
    Firewalls: an end is often `any` or a very short prefix, both ports are limited, by wide ranges too, and
    services repeat; each line overlaps hundreds to thousands of others.
chains
    IP chains: pairs of hosts and prefixes of all lengths, two ports, or none at all.

Addresses come from a tree: a new prefix shares its first bits with one drawn earlier, so that prefixes nest as
they do in real lists. As in the published sets, most lines stand in front of those that hold them: lines are
ordered by how much they name, with some disorder. :func:`grown_list` makes a longer list out of a given one.
"""

from __future__ import annotations

import random
from pathlib import Path

__all__ = ["SHAPES", "grown_list", "shaped_list"]

SHAPES = ("servers", "walls", "chains")
_SERVICES = (20, 21, 22, 23, 25, 53, 69, 80, 88, 110, 119, 123, 135, 137, 161, 179, 443, 514, 750, 1433, 1521, 1999)
_WIDE = ((0, 1023), (1024, 65535), (1024, 5999), (6000, 6063), (32768, 61000), (137, 139), (7640, 7660))


def shaped_list(shape: str, count: int, seed: int = 1) -> str:
    """Return a configuration with one extended list.

    Parameters
    ----------
    shape
        One of SHAPES.
    count
        Lines of the list; none is written twice.
    seed
        Picks the character: how often ends are free, how deep prefixes nest, how many services there are.
    """
    draw = random.Random(f"{shape} {count} {seed}")
    free = {"servers": draw.uniform(0, 0.05), "walls": draw.uniform(0.1, 0.45), "chains": draw.uniform(0.01, 0.2)}
    lengths = {
        "servers": ((32, 6), (24, 2), (28, 1), (16, 1)),
        "walls": ((32, 5), (29, 3), (28, 2), (24, 2), (16, 1), (8, 1), (2, 0.4), (1, 0.4)),
        "chains": ((32, 4), (30, 1), (26, 1), (24, 2), (20, 1), (12, 1), (1, 0.2)),
    }[shape]
    trees = [_Tree(draw, max(8, int(count ** draw.uniform(0.45, 0.8)))) for _ in range(2)]
    services = draw.sample(range(1, 32768), draw.randrange(3, 60)) + list(_SERVICES)
    port_free = {"servers": (1.0, 0.1), "walls": (0.4, 0.3), "chains": (0.5, 0.4)}[shape]
    ranged = {"servers": 0.02, "walls": draw.uniform(0.05, 0.4), "chains": 0.1}[shape]

    def end(side: int) -> tuple[int, int]:
        if draw.random() < free[shape]:
            return 0, 0
        (length,) = draw.choices([item for item, _ in lengths], [weight for _, weight in lengths])
        return trees[side].prefix(length), length

    def port(side: int) -> tuple[int, int]:
        chance = draw.random()
        if chance < port_free[side]:
            return 0, 65535
        if draw.random() < ranged:
            return draw.choice(_WIDE)
        number = draw.choice(services)
        return number, number

    rows: dict[tuple[object, ...], float] = {}
    while len(rows) < count:
        protocol = draw.choices(("tcp", "udp", "icmp", "ip", "47"), (10, 5, 1, 2, 0.5))[0]
        source, destination = end(0), end(1)
        has_ports = protocol in ("tcp", "udp")
        ports = (port(0), port(1)) if has_ports else ((0, 65535), (0, 65535))
        named = (
            source[1] + destination[1] + sum(high - low < 60_000 for low, high in ports) * 8 + (protocol != "ip") * 4
        )
        rows[protocol, source, destination, *ports] = -named + draw.gauss(0, 6)
    return _written(shape, sorted(rows, key=lambda row: rows[row]), draw)


def grown_list(path: Path, count: int, seed: int = 1) -> str:
    """Return a configuration with a list grown from the one in a file, or shortened if that is longer.

    Each new line takes all but the addresses from one of the given lines, together with the lengths of its two
    prefixes. The bits of an address come from another given line up to a random place, and are random from there
    on. A line stands where the one stood that it is made of.
    """
    draw = random.Random(f"{path.stem} {count} {seed}")
    given = [line.split() for line in path.read_text().splitlines() if line.split()[:1] in (["permit"], ["deny"])]
    parsed = [_parts(words) for words in given]
    rows: dict[tuple[object, ...], float] = {}
    for place in draw.sample(range(len(parsed)), min(count, len(parsed))):
        protocol, source, first, destination, second = parsed[place]
        rows[protocol, source, destination, first, second] = place
    while len(rows) < count:
        place = draw.randrange(len(parsed))
        protocol, source, first, destination, second = parsed[place]
        other = parsed[draw.randrange(len(parsed))]
        ends = [_near(draw, end, model) for end, model in ((source, other[1]), (destination, other[3]))]
        rows.setdefault((protocol, *ends, first, second), place + draw.random())
    return _written(path.stem, sorted(rows, key=lambda row: rows[row]), draw)


class _Tree:
    """Addresses that share their first bits with each other."""

    def __init__(self, draw: random.Random, size: int) -> None:
        self._draw = draw
        self._known = [draw.getrandbits(32)]
        while len(self._known) < size:
            keep = draw.choice((4, 8, 12, 16, 20, 22, 24, 26, 28))
            self._known.append(
                self._known[draw.randrange(len(self._known))] >> 32 - keep << 32 - keep | draw.getrandbits(32 - keep)
            )

    def prefix(self, length: int) -> int:
        """Return a prefix of that length; a few addresses are used often, most seldom."""
        place = int(len(self._known) * self._draw.random() ** 2)
        return self._known[place] >> 32 - length << 32 - length


def _near(draw: random.Random, end: tuple[int, int], model: tuple[int, int]) -> tuple[int, int]:
    """A prefix as long as one, with bits of another up to a random place."""
    length = end[1]
    if not length:
        return end
    keep = min(draw.randrange(length + 1) + 4, model[1], length)
    value = model[0] >> 32 - keep << 32 - keep if keep else 0
    value |= draw.getrandbits(32 - keep) if keep < 32 else 0
    return value >> 32 - length << 32 - length, length


def _parts(words: list[str]) -> tuple[str, tuple[int, int], tuple[int, int], tuple[int, int], tuple[int, int]]:
    """Protocol, source, source ports, destination and destination ports of a line of prefixes."""
    rest = iter([*words[2:], ""])
    word = next(rest)

    def end() -> tuple[int, int]:
        nonlocal word
        first = word
        second = "" if first == "any" else next(rest)
        word = next(rest)
        if first == "any":
            return 0, 0
        if first == "host":
            return _number(second), 32
        return _number(first), 32 - _number(second).bit_length()

    def ports() -> tuple[int, int]:
        nonlocal word
        if word not in ("eq", "range", "gt", "lt"):
            return 0, 65535
        low = int(next(rest))
        bounds = {"eq": (low, low), "gt": (low + 1, 65535), "lt": (0, low - 1)}.get(word)
        if bounds is None:
            bounds = low, int(next(rest))
        word = next(rest)
        return bounds

    return words[1], end(), ports(), end(), ports()


def _written(name: str, rows: list[tuple[object, ...]], draw: random.Random) -> str:
    lines = [f"hostname {name}", "!", "ip access-list extended MADE"]
    for protocol, source, destination, first, second in rows:
        action = "permit" if draw.random() < 0.6 else "deny"
        lines.append(f" {action} {protocol} {_end(source)}{_port(first)} {_end(destination)}{_port(second)}")
    return "\n".join(lines) + "\n"


def _end(end: object) -> str:
    assert isinstance(end, tuple)
    value, length = end
    if not length:
        return "any"
    return f"host {_dotted(value)}" if length == 32 else f"{_dotted(value)} {_dotted((1 << 32 - length) - 1)}"


def _port(ports: object) -> str:
    assert isinstance(ports, tuple)
    low, high = ports
    return "" if (low, high) == (0, 65535) else f" eq {low}" if low == high else f" range {low} {high}"


def _number(dotted: str) -> int:
    a, b, c, d = (int(part) for part in dotted.split("."))
    return a << 24 | b << 16 | c << 8 | d


def _dotted(number: int) -> str:
    return ".".join(str(number >> shift & 255) for shift in (24, 16, 8, 0))

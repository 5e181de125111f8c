"""The ends of the matrix: the fleet's subnets that can hold a station, and its places."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

from pathcheck.fleet import LoadedFleet
from pathcheck.network.topology import Topology
from pathcheck.packet.prefix import Prefix
from pathcheck.parser.flow_words import flow_question
from pathcheck.results.reach import ReachEnd

__all__ = ["all_ends", "ends_of", "holds_stations"]


def all_ends(loaded: LoadedFleet, topology: Topology) -> tuple[list[ReachEnd], list[Prefix]]:
    """Return the subnets that can hold a station and the places, and the subnets that were left out."""
    ends, left_out = [], []
    for subnet in topology.subnets():
        if holds_stations(topology, subnet):
            ends.append(_subnet(topology, subnet))
        else:
            left_out.append(subnet)
    ends.extend(ReachEnd(place.name, "place", place.prefixes) for place in loaded.config.places.values())
    return ends, left_out


def ends_of(
    words: Iterable[str], loaded: LoadedFleet, topology: Topology, *, as_destination: bool = False
) -> list[ReachEnd]:
    """Read the words that restrict rows or columns.

    Parameters
    ----------
    words
        Places, devices (by their management address), addresses, prefixes. A
        prefix stands for the subnets of the fleet inside it, and for itself where there is none.
        `any` stands for all subnets and places.
    as_destination
        Which end they are, for errors.

    Raises
    ------
    FlowError, UnknownNameError
        A word cannot be read.
    """
    found: dict[ReachEnd, None] = {}
    subnets = dict.fromkeys(topology.subnets())
    for word in words:
        if word == "any":
            found.update(dict.fromkeys(all_ends(loaded, topology)[0]))
        elif word in loaded.config.places:
            found[ReachEnd(word, "place", loaded.config.places[word].prefixes)] = None
        else:
            asked = ("any", word) if as_destination else (word, "any")
            flow = flow_question("ip", *asked, config=loaded.config).flow
            prefixes = flow.destination if as_destination else flow.source
            if word in loaded.config.devices:
                found[ReachEnd(word, "device", prefixes)] = None
            else:
                found.update(dict.fromkeys(_inside(prefixes[0], subnets, topology)))
    return list(found)


def _inside(prefix: Prefix, subnets: Collection[Prefix], topology: Topology) -> Sequence[ReachEnd]:
    """Return the subnets inside a prefix, those without stations only where the prefix is one; else the prefix."""
    if prefix in subnets:
        return [_subnet(topology, prefix)]
    inside = [subnet for subnet in subnets if prefix.covers(subnet) and holds_stations(topology, subnet)]
    return [_subnet(topology, subnet) for subnet in inside] or [ReachEnd(_bare(prefix), "addresses", (prefix,))]


def _subnet(topology: Topology, subnet: Prefix) -> ReachEnd:
    """Return a subnet of the fleet as an end, with the interfaces that are on it."""
    interfaces = dict.fromkeys(str(item.end) for item in topology.overlapping(subnet) if item.prefix == subnet)
    return ReachEnd(str(subnet), "subnet", (subnet,), tuple(interfaces))


def _bare(prefix: Prefix) -> str:
    """Return a prefix as people write it: of full length it is one address."""
    return str(prefix.first) if prefix.size == 1 else str(prefix)


def holds_stations(topology: Topology, subnet: Prefix) -> bool:
    """Whether a station can have an address of a subnet: one that no device has, on an interface for stations."""
    on_it = [item for item in topology.overlapping(subnet) if item.prefix == subnet]
    if not any(_takes_stations(topology, item.device, item.interface) for item in on_it):
        return False
    taken = {item.address.address for item in topology.owned_within(subnet)} | set(subnet.reserved_addresses())
    return len(taken) < subnet.size


def _takes_stations(topology: Topology, device: str, interface: str) -> bool:
    found = topology.device(device).interfaces[interface]
    return found.kind != "loopback" and found.channel_group is None

"""The only table of findings: code, name, severity and explanation."""

from __future__ import annotations

from dataclasses import dataclass

from pathcheck.packet.packet import Packet
from pathcheck.results.finding import Finding, Severity
from pathcheck.source import Span

__all__ = ["CATALOGUE", "Rule", "finding"]


@dataclass(frozen=True, slots=True)
class Rule:
    """One kind of finding; the page `docs/findings/<CODE>.md` explains it with a bad and a good example."""

    code: str
    name: str
    severity: Severity
    summary: str


def _table(*rules: Rule) -> dict[str, Rule]:
    """Index the rules by code."""
    return {rule.code: rule for rule in rules}


CATALOGUE: dict[str, Rule] = _table(
    Rule("PC101", "shadowed-line", Severity.ERROR, "earlier lines decide each packet of it, some by the other action"),
    Rule(
        "PC102", "redundant-line", Severity.WARNING, "without it the other lines decide each of its packets as before"
    ),
    Rule("PC103", "partly-shadowed-line", Severity.NOTE, "an earlier line with the other action decides a part of it"),
    Rule("PC104", "exception-line", Severity.NOTE, "it is an exception to a later, wider line with the other action"),
    Rule("PC105", "duplicate-line", Severity.WARNING, "the same action and criteria stand earlier in the list"),
    Rule("PC106", "impossible-line", Severity.ERROR, "no packet can match it"),
    Rule("PC107", "wildcard-slip", Severity.WARNING, "a wildcard mask that does not fit the address in front of it"),
    Rule("PC108", "broad-permit", Severity.NOTE, "a permit that lets more than a quarter of all new traffic through"),
    Rule("PC109", "misplaced-permit", Severity.WARNING, "no packet that it permits can come where the list is applied"),
    Rule("PC110", "misplaced-list", Severity.WARNING, "most permits of a list are for packets that cannot come there"),
    Rule(
        "PC111", "denied-neighbour-discovery", Severity.WARNING, "an IPv6 list denies the messages that stations need"
    ),
    Rule("PC112", "unlogged-end", Severity.NOTE, "a list drops what no line permits without logging it"),
    Rule("PC113", "dead-group-member", Severity.NOTE, "a group's member never acts in a line whose other members do"),
    Rule("PC201", "inactive-route", Severity.ERROR, "a static route that is written and not in the table"),
    Rule("PC202", "reserved-next-hop", Severity.ERROR, "the next hop is a network or broadcast address"),
    Rule("PC203", "unreached-next-hop", Severity.ERROR, "the owner of the next hop is down, or no VLAN leads to it"),
    Rule("PC204", "unowned-next-hop", Severity.WARNING, "nobody at the other end of the cable has the next hop"),
    Rule("PC205", "covered-route", Severity.NOTE, "without it every destination goes the same way"),
    Rule(
        "PC206", "deceptive-cover", Severity.NOTE, "it looks covered by a wider route, but a third would win its part"
    ),
    Rule("PC207", "idle-backup", Severity.WARNING, "a floating route that can never take over"),
    Rule("PC208", "accidental-equal-cost", Severity.NOTE, "routes share packets, and nothing shows that it is meant"),
    Rule("PC209", "interface-only-route", Severity.WARNING, "a route without next hop where several neighbours can be"),
    Rule("PC210", "mergeable-routes", Severity.NOTE, "several routes that one could stand for"),
    Rule("PC211", "forwarding-loop", Severity.ERROR, "devices send destinations round among each other"),
    Rule("PC212", "missing-discard-route", Severity.ERROR, "a block is sent back where it came from, and loops"),
    Rule("PC213", "unrouted-subnet", Severity.NOTE, "a table has no route to subnets of the fleet, or discards them"),
    Rule("PC214", "one-way-subnet", Severity.WARNING, "packets of a subnet arrive, and replies have no route back"),
    Rule("PC301", "duplicate-address", Severity.ERROR, "one address on two interfaces"),
    Rule("PC302", "overlapping-subnets", Severity.ERROR, "two interfaces of one table whose subnets share addresses"),
    Rule("PC303", "different-masks", Severity.ERROR, "interfaces of one segment with different masks"),
    Rule("PC304", "reserved-address", Severity.ERROR, "an interface with an address that no single station can have"),
    Rule("PC305", "gateway-off-link", Severity.ERROR, "a default gateway that is on no subnet of the device"),
    Rule("PC306", "gateway-of-nobody", Severity.WARNING, "a default gateway that no router on the subnet answers for"),
    Rule("PC307", "idle-gateway", Severity.WARNING, "a default gateway on a device that routes"),
    Rule("PC308", "link-without-common-subnet", Severity.WARNING, "a cable whose ends are on different subnets"),
    Rule("PC309", "stray-virtual-address", Severity.WARNING, "a virtual address on no subnet of its interface"),
    Rule("PC311", "undefined-vlan", Severity.ERROR, "a VLAN that is used and not defined"),
    Rule("PC312", "unused-vlan", Severity.NOTE, "a VLAN that is defined and used nowhere on the device"),
    Rule("PC313", "interface-without-port", Severity.WARNING, "an SVI or port channel that no port carries"),
    Rule(
        "PC314", "setting-without-effect", Severity.WARNING, "a setting of a trunk on no trunk, or the other way round"
    ),
    Rule("PC321", "vlan-not-carried", Severity.ERROR, "frames do not get from one end of a VLAN to another"),
    Rule("PC322", "native-vlan-mismatch", Severity.ERROR, "two ends of a trunk with different native VLANs"),
    Rule("PC323", "port-mode-mismatch", Severity.ERROR, "two ends of a cable whose ports do not fit each other"),
    Rule("PC324", "uneven-trunk", Severity.WARNING, "a VLAN that only one end of a trunk allows"),
    Rule(
        "PC325", "port-channel-mismatch", Severity.ERROR, "a port channel at one end of a cable only, or crossed ones"
    ),
    Rule("PC331", "undefined-list", Severity.ERROR, "a list that is applied and not defined"),
    Rule("PC332", "empty-list", Severity.ERROR, "a list that is applied and has no line"),
    Rule(
        "PC333",
        "undefined-list-in-policy",
        Severity.WARNING,
        "a list that translation or a map uses and nothing defines",
    ),
    Rule("PC334", "undefined-vrf", Severity.ERROR, "a VRF that is used and not defined"),
    Rule(
        "PC335", "open-terminal-lines", Severity.WARNING, "some terminal lines are guarded by a list and some are not"
    ),
    Rule("PC336", "unbound-list", Severity.WARNING, "a list that nothing refers to"),
    Rule("PC337", "list-without-filter", Severity.NOTE, "a list that filters no packets and serves something else"),
    Rule("PC338", "unused-group", Severity.NOTE, "a group that no line of a list refers to"),
    Rule("PC339", "unused-vrf", Severity.NOTE, "a VRF without any interface or route"),
    Rule("PC340", "unmanageable-device", Severity.ERROR, "the controller cannot open its session, or gets no answer"),
    Rule("PC341", "uncertain-management", Severity.WARNING, "the controller may get its session or not"),
    Rule("PC342", "unjudged-management", Severity.NOTE, "it is not known where the controller's sessions come from"),
    Rule("PC343", "unreached-server", Severity.WARNING, "a server that a line names is not reached, or its answers"),
    Rule("PC344", "uncertain-server", Severity.NOTE, "a server that a line names may be reached or not"),
    Rule("PC350", "denied-address-request", Severity.WARNING, "a list denies the requests that a relay waits for"),
    Rule("PC351", "unreached-relay-server", Severity.WARNING, "relayed requests, or their answers, do not arrive"),
    Rule("PC352", "denied-routing-session", Severity.WARNING, "neither end of a BGP session can open it"),
    Rule("PC353", "denied-routing-messages", Severity.WARNING, "a list denies the messages of a routing neighbour"),
    Rule("PC354", "denied-election", Severity.WARNING, "a list denies the messages about who owns a virtual gateway"),
    Rule("PC355", "denied-packet-too-big", Severity.WARNING, "an IPv6 list denies what tells senders of a smaller MTU"),
    Rule("PC360", "duplicate-serial", Severity.ERROR, "one serial number for two devices"),
    Rule("PC361", "host-without-address", Severity.ERROR, "a device without a management address"),
    Rule("PC362", "duplicate-management-address", Severity.ERROR, "one management address for two devices"),
    Rule("PC363", "address-of-bootstrap", Severity.ERROR, "an address that a blank switch can be given as well"),
    Rule("PC364", "shared-bootstrap-address", Severity.WARNING, "switches that start with one address between them"),
    Rule("PC365", "host-without-serial", Severity.WARNING, "a device that no blank switch is matched to"),
    Rule("PC366", "catch-all-serial", Severity.ERROR, "a serial number that is that of no single switch"),
    Rule(
        "PC367", "misplaced-bootstrap-address", Severity.ERROR, "addresses for blank switches that do not fit together"
    ),
    Rule("PC368", "several-bootstrap-entries", Severity.ERROR, "a device that two bootstrap entries list"),
    Rule("PC369", "incomplete-host-files", Severity.ERROR, "a file that a device needs is not there"),
    Rule("PC370", "broken-bootstrap-stage", Severity.ERROR, "a blank switch does not get as far as the controller"),
    Rule(
        "PC371", "uncertain-bootstrap-stage", Severity.WARNING, "a blank switch may get as far as the controller or not"
    ),
    Rule("PC372", "unjudged-bootstrap-stage", Severity.NOTE, "what a blank switch needs, and nobody could judge"),
    Rule("PC379", "catch-all-bootstrap", Severity.WARNING, "a bootstrap entry for whatever switch comes"),
    Rule("PC381", "broken-required-flow", Severity.ERROR, "a flow is not open, or not closed, as it is required to be"),
    Rule("PC382", "uncertain-required-flow", Severity.WARNING, "a required flow that may hold or not"),
    Rule("PC383", "unanswered-required-flow", Severity.ERROR, "a required flow that this fleet cannot be asked about"),
    Rule("PC384", "expired-waiver", Severity.WARNING, "a waiver whose last day is over, so that it waives nothing"),
    Rule("PC385", "idle-waiver", Severity.NOTE, "a waiver that is for no finding"),
    Rule("PC395", "readable-secret", Severity.WARNING, "a secret that whoever reads the file has"),
    Rule("PC401", "wrong-line", Severity.ERROR, "a line that is known and cannot be read as it stands"),
    Rule("PC402", "unknown-line", Severity.WARNING, "a line that no table knows, so it could change forwarding"),
    Rule("PC403", "refused-file", Severity.ERROR, "a file in a dialect that is not read, or no text"),
    Rule("PC404", "duplicate-hostname", Severity.ERROR, "two devices with one name"),
    Rule("PC405", "repeated-sequence-number", Severity.WARNING, "two lines of a list with one number"),
    Rule("PC406", "bits-below-mask", Severity.NOTE, "address bits that the mask leaves free are set"),
    Rule("PC407", "ambiguous-mask", Severity.WARNING, "a dotted mask that could be a netmask or a wildcard mask"),
    Rule("PC408", "removal-without-effect", Severity.NOTE, "a `no` line that removes nothing"),
    Rule("PC409", "replaced-bytes", Severity.NOTE, "bytes that are no UTF-8 were replaced"),
    Rule("PC410", "several-devices", Severity.NOTE, "a file that holds several devices was split"),
    Rule("PC411", "unresolved-group", Severity.ERROR, "a group that is undefined, empty or contains itself"),
    Rule("PC412", "unmodelled-line", Severity.NOTE, "a line that can change forwarding and is not modelled"),
    Rule("PC413", "contradictory-name", Severity.ERROR, "`fleet.yaml` and the text give a device two names"),
    Rule("PC414", "address-lost-to-vrf", Severity.WARNING, "a VRF line behind an address takes it away"),
    Rule("PC415", "empty-file", Severity.WARNING, "a file without any command"),
)


def finding(
    code: str,
    message: str,
    *,
    span: Span | None = None,
    device: str | None = None,
    acl: str | None = None,
    because: tuple[Span, ...] = (),
    sample: Packet | None = None,
    help: str | None = None,
) -> Finding:
    """Make a finding of the catalogue; an unknown code is a fault of ours and raises KeyError."""
    rule = CATALOGUE[code]
    return Finding(code, rule.name, rule.severity, message, span, device, acl, because, sample, help)

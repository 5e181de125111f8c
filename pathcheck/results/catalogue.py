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

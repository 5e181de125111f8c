"""Whether the controller can open its session to a device, and which link of the chain breaks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pathcheck.packet.address import Address
from pathcheck.packet.packet import Packet
from pathcheck.results.own_traffic import ServerAnswer
from pathcheck.results.path import FlowAnswer, Reading
from pathcheck.results.verdict import Reason
from pathcheck.source import Span

__all__ = ["LINK_KINDS", "ChainLink", "LinkKind", "LinkState", "ManageabilityReport", "ManagementAnswer"]

LinkKind = Literal[
    "address", "vlan", "interface", "uplink", "gateway", "route", "way-back", "list", "list-back", "guard", "path"
]
LINK_KINDS: dict[LinkKind, str] = {
    "address": "management address",
    "vlan": "VLAN",
    "interface": "interface",
    "uplink": "uplink",
    "gateway": "gateway",
    "route": "route to the device",
    "way-back": "route to the controller",
    "list": "lists on the way",
    "list-back": "lists on the way back",
    "guard": "lists that guard the device",
    "path": "path",
}
"""The links in their order, as they are called in reports; `path` is what no other link explains."""

LinkState = Literal["holds", "assumed", "broken", "uncertain"]


@dataclass(frozen=True, slots=True)
class ChainLink:
    """One link between the controller and a device.

    Parameters
    ----------
    kind
        Which link.
    state
        `assumed` where the text does not say and it is taken for granted, such as cables that no link gives.
    message
        What it is, one clause without a final stop.
    span
        The line that it rests on or that breaks it; None where no line says it.
    device
        The device whose configuration it is.
    acl
        The list that denies, for broken links of lists.
    because
        Other lines that explain it.
    help
        What to do, for a broken link.
    """

    kind: LinkKind
    state: LinkState
    message: str
    span: Span | None = None
    device: str | None = None
    acl: str | None = None
    because: tuple[Span, ...] = ()
    help: str | None = None


@dataclass(frozen=True, slots=True)
class ManagementAnswer:
    """The answer for one device.

    Parameters
    ----------
    device
        Its name.
    address
        Its management address, None where `fleet.yaml` names none.
    holds
        True where each packet of the session arrives at the device on every way, and each
        answer at the controller. False where one does not for certain. None where it is not known, or
        where there is nothing to judge.
    why_not_judged
        Why there is nothing to judge: no management address, no controller, no place where its packets enter.
    links
        The chain up to the link that breaks, or whole; empty where only the verdict was asked for and holds.
    broken
        The first link that breaks; None unless `holds` is False.
    uncertain
        The line behind which it is not known; None unless `holds` is None and the session was judged.
    flow
        The session with its reply, confirmed by the evaluator; None where it was not asked for.
    servers
        The servers that the device's lines name, where they were asked about.
    readings
        The assumptions on which the verdict rests.
    """

    device: str
    address: Address | None
    holds: bool | None
    why_not_judged: str | None = None
    links: tuple[ChainLink, ...] = ()
    broken: ChainLink | None = None
    uncertain: ChainLink | None = None
    flow: FlowAnswer | None = None
    servers: tuple[ServerAnswer, ...] = ()
    readings: tuple[Reading, ...] = ()

    @property
    def told(self) -> Span | None:
        """The line that breaks the session or leaves it open: what else is lost by it needs no finding of its own.

        None for a line of a list: what it denies besides is for another permit to mend.
        """
        link = self.broken or self.uncertain
        return link.span if link is not None and link.acl is None else None

    @property
    def sample(self) -> Packet | None:
        """A packet of the session, or an answer, that does not arrive; None where the session holds."""
        if self.holds or self.flow is None:
            return None
        for answer in (self.flow, self.flow.reply):
            paths = answer.paths if answer is not None else ()
            lost = [path for path in paths if path.reason is not Reason.ARRIVED]
            if lost:
                return lost[0].sample
        return None


@dataclass(frozen=True, slots=True)
class ManageabilityReport:
    """The answers for the devices that were asked about, by name.

    Parameters
    ----------
    controller
        What the sessions come from, as the fleet calls it, with its addresses.
    session
        What is opened, as `tcp port 22`.
    why_not_judged
        Why no device could be judged; None where one was.
    help
        What to add, then.
    """

    controller: str
    session: str
    answers: tuple[ManagementAnswer, ...]
    why_not_judged: str | None = None
    help: str | None = None

"""Whether what a device has to reach for itself is reached: servers, relayed requests, routing neighbours."""

from __future__ import annotations

from dataclasses import dataclass

from pathcheck.packet.address import Address
from pathcheck.packet.packet import Packet
from pathcheck.source import Span

__all__ = ["NeedAnswer", "ServerAnswer"]


@dataclass(frozen=True, slots=True)
class NeedAnswer:
    """Whether packets that somebody needs get to where they should, and the answers back.

    Parameters
    ----------
    holds
        True where, for one of the ports that the sender may take, each packet passes on every way
        and its answer as well; False where none does; None where that is not known.
    message
        Why it does not hold, or is not known: one clause without a final stop. Empty where it holds.
    span
        The line that decides.
    sample
        A packet that is lost, for what does not hold.
    """

    holds: bool | None
    message: str = ""
    span: Span | None = None
    device: str | None = None
    acl: str | None = None
    because: tuple[Span, ...] = ()
    help: str | None = None
    sample: Packet | None = None


@dataclass(frozen=True, slots=True)
class ServerAnswer:
    """Whether a device reaches a server that a line of it names.

    Parameters
    ----------
    kind
        What the server is for, in words.
    source
        The address that the device's packets have; None where that is not known.
    """

    device: str
    kind: str
    server: Address
    port: str
    source: Address | None
    span: Span
    need: NeedAnswer

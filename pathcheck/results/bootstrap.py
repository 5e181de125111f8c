"""Whether a blank switch gets from its first frame to the controller's hands, stage by stage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pathcheck.packet.packet import Packet
from pathcheck.source import Span

__all__ = ["STAGES", "BootstrapAnswer", "BootstrapReport", "Stage", "StageFlow", "StageKind", "StageState"]

StageKind = Literal["attachment", "lease", "file-name", "transfer", "call-home", "login", "first-push"]
STAGES: dict[StageKind, str] = {
    "attachment": "provisioning VLAN",
    "lease": "address lease",
    "file-name": "boot file name",
    "transfer": "file transfer",
    "call-home": "call home",
    "login": "login of the controller",
    "first-push": "session after the first push",
}
"""The stages in their order, as they are called in reports."""

StageState = Literal["holds", "assumed", "broken", "uncertain", "not-judged"]
"""`assumed` rests on a fact that the fleet does not give; `not-judged` could not be asked at all."""


@dataclass(frozen=True, slots=True)
class StageFlow:
    """One thing that has to work in a stage: packets that pass, or a fact.

    Parameters
    ----------
    what
        What it is, one clause.
    packets
        The packets in words; empty for a fact.
    message
        Why it is not, what is assumed, or why it was not judged; empty where it holds.
    note
        What is known besides and does not decide.
    """

    what: str
    state: StageState
    packets: str = ""
    message: str = ""
    span: Span | None = None
    device: str | None = None
    acl: str | None = None
    because: tuple[Span, ...] = ()
    help: str | None = None
    sample: Packet | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage with what has to work in it."""

    kind: StageKind
    flows: tuple[StageFlow, ...]

    @property
    def decisive(self) -> StageFlow | None:
        """What the state rests on: the first of the gravest state."""
        for state in _GRAVEST_FIRST:
            for flow in self.flows:
                if flow.state == state:
                    return flow
        return None

    @property
    def state(self) -> StageState:
        """The gravest state of all that has to work."""
        return self.decisive.state if self.decisive is not None else "not-judged"


_GRAVEST_FIRST: tuple[StageState, ...] = ("broken", "uncertain", "not-judged", "assumed", "holds")


@dataclass(frozen=True, slots=True)
class BootstrapAnswer:
    """The stages of one switch.

    Parameters
    ----------
    entry
        The bootstrap file of its entry.
    device
        The host that it is to become; None for whatever switch comes.
    port
        The port, as `device:interface`, to which it is cabled and over which the stages were judged.
    """

    entry: str
    device: str | None
    stages: tuple[Stage, ...]
    span: Span | None = None
    port: str | None = None

    @property
    def broken(self) -> Stage | None:
        """The first stage that fails."""
        return next((stage for stage in self.stages if stage.state == "broken"), None)

    @property
    def uncertain(self) -> Stage | None:
        """The first stage of which it is not known."""
        return next((stage for stage in self.stages if stage.state == "uncertain"), None)

    @property
    def state(self) -> StageState:
        """Broken, uncertain, or the weakest of what holds."""
        return next((state for state in _GRAVEST_FIRST if any(it.state == state for it in self.stages)), "not-judged")


@dataclass(frozen=True, slots=True)
class BootstrapReport:
    """The answers, in the order of the entries and of the devices in them."""

    answers: tuple[BootstrapAnswer, ...]

    def counts(self) -> dict[str, int]:
        """How many switches get through, fail, or are uncertain; what was not judged for whole counts as getting on."""
        broken = sum(answer.state == "broken" for answer in self.answers)
        uncertain = sum(answer.state == "uncertain" for answer in self.answers)
        return {"through": len(self.answers) - broken - uncertain, "broken": broken, "uncertain": uncertain}

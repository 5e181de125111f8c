"""In which orders the jobs of a push can run without losing a device, and the way into the state that loses one."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pathcheck.packet.packet import Packet
from pathcheck.source import Span

__all__ = ["Held", "LostState", "Precedence", "Rewrite", "Rollout", "RolloutAnswer", "StateCount", "Step"]


class RolloutAnswer(StrEnum):
    """Which orders of the jobs are safe."""

    ANY = "any"
    SOME = "some"
    NONE = "none"
    UNCERTAIN = "uncertain"


@dataclass(frozen=True, slots=True)
class Step:
    """What is done at once on one device: a job, or one step of it; or a job as far as it has got.

    Parameters
    ----------
    job
        The part that is pushed, or several joined by `+`.
    acl
        For a step of a list that is entered line by line: its name.
    entered, of
        How many of its lines are there after the step.
    detail
        What the step is where it is no line: `deleted`, `object groups`, the parts that are applied.
    """

    device: str
    job: str
    acl: str | None = None
    entered: int | None = None
    of: int | None = None
    detail: str | None = None

    @property
    def is_whole(self) -> bool:
        """Whether it is the whole job."""
        return self.acl is None and self.detail is None


@dataclass(frozen=True, slots=True)
class Held:
    """Something that must hold in each state: a device's session, or a required flow that is marked so.

    Parameters
    ----------
    device
        Whose session it is; None for a required flow.
    name
        Of the required flow; None for a session.
    flow
        In the words of the command line.
    """

    flow: str
    device: str | None = None
    name: str | None = None


@dataclass(frozen=True, slots=True)
class LostState:
    """A state in which something does not hold, or not for certain.

    Parameters
    ----------
    held
        What does not hold.
    device
        The device that is lost; for a required flow the one where it fails, None where that is not known.
    applied
        The jobs that have run, each as far as it has got; none is the state before the first job.
    why
        What happens to its packets, one clause.
    span
        The line that decides; None where no line says it.
    side
        Which of the two states' files the line stands in, `before` or `after`; None where it is the same in both,
        or no line says it.
    sample
        A packet that shows it, confirmed by the evaluator.
    others
        What else is lost in the same state.
    """

    held: Held
    device: str | None
    applied: tuple[Step, ...]
    why: str
    span: Span | None = None
    side: str | None = None
    sample: Packet | None = None
    others: tuple[Held, ...] = ()


@dataclass(frozen=True, slots=True)
class Precedence:
    """What has to come first: before all of `then` have run, one of `first` must have.

    Parameters
    ----------
    lost
        What is lost otherwise: names of devices and of required flows.
    """

    first: tuple[Step, ...]
    then: tuple[Step, ...]
    lost: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StateCount:
    """How many states there were, and what became of them.

    Parameters
    ----------
    total
        Of the whole rollout.
    judged
        Those in which something was judged.
    judgements
        How many judgements that took: one for each thing that must hold in a state.
    complete
        Whether all others were ruled out; False where the bound was hit.
    """

    total: int
    judged: int
    judgements: int
    complete: bool = True


@dataclass(frozen=True, slots=True)
class Rewrite:
    """Another way to get a changed list onto a device: under a new name, with one rebind.

    Parameters
    ----------
    lists
        Device, name, new name, and the places where it is bound.
    answer
        What the same search says of the rollout with the rewrite.
    plan
        One safe order of it, where there is one.
    is_harmless
        Whether nothing is lost, or may be, because of the rewritten lists: then what is still lost has other causes.
    """

    lists: tuple[tuple[str, str, str, tuple[str, ...]], ...]
    answer: RolloutAnswer
    plan: tuple[Step, ...]
    is_harmless: bool = False


@dataclass(frozen=True, slots=True)
class Rollout:
    """The answer.

    Parameters
    ----------
    before, after
        The words of the two states.
    jobs
        All jobs, in their usual order.
    idle
        Jobs that nothing which must hold depends on: no-ops, and those of devices that it does not touch.
    plan
        A safe order of all jobs; with `any` one of many. Empty where none is known.
    lost
        The shortest way into a lock-out; None where there is none.
    precedences
        With `some`: what has to come before what. An order that keeps all of them loses nothing, but for states
        in the middle of a list that is entered line by line.
    unavoidable
        With `none`: where `lost` could be avoided, the shortest way into a lock-out that each order meets.
    open
        A state that is uncertain, or was not judged, where that matters.
    only_open
        Whether nothing is lost for certain in any order: with `some`, whether each order is safe is uncertain.
    already
        What did not hold before the first job.
    sessions, flows
        How many sessions and required flows were judged.
    not_judged
        What was not judged, and why.
    groups
        Sizes of the groups of jobs that can disturb each other, largest first.
    by_line
        Whether lists were entered line by line.
    rewrite
        A proposal where that loses a device.
    notes
        What the answer rests on, whole sentences without a final stop.
    """

    before: str
    after: str
    answer: RolloutAnswer
    jobs: tuple[Step, ...]
    idle: tuple[Step, ...]
    plan: tuple[Step, ...]
    states: StateCount
    lost: LostState | None = None
    precedences: tuple[Precedence, ...] = ()
    unavoidable: LostState | None = None
    open: LostState | None = None
    only_open: bool = False
    already: tuple[LostState, ...] = ()
    sessions: int = 0
    flows: int = 0
    not_judged: tuple[tuple[str, str], ...] = ()
    groups: tuple[int, ...] = ()
    by_line: bool = False
    rewrite: Rewrite | None = None
    notes: tuple[str, ...] = ()

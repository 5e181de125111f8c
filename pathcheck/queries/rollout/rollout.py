"""In which orders the jobs of a push can run so that in each state on the way every device can be managed.

A state is a set of jobs that have run, of each device and of the fleet. It is lost where the controller's session to
a device does not open or its answer does not come back, or where a required flow that is marked `always` does not
hold: a push may stop in any state, and what the controller cannot reach it cannot repair. So it does not matter
whether jobs of the lost device itself are still to run.

What does not hold before the first job is told apart: the rollout does not lose it. It need not hold on the way, but
must at the end; and as long as a device cannot be managed, none of its own jobs can run. A device that only the later
state has is judged once all its jobs have run: before that it is reached as its bootstrap configuration says.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from pathcheck.errors import UsageError
from pathcheck.fleet import LoadedFleet
from pathcheck.fleet_source import FleetState
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.queries.fleet_comparison.unread_files import refused_alike
from pathcheck.queries.required_flows import required_flows_of
from pathcheck.queries.rollout.cover import Budget, Claim, Masks, Standing, cover, holds_in, lowest, widest_boxes
from pathcheck.queries.rollout.held import AlwaysFlow, Session, Target, judge_target, loaded_state
from pathcheck.queries.rollout.order import Guard, TooManyStatesError, blocked_chains, connected_groups, find_order
from pathcheck.queries.rollout.rewrite import Rewritten, rewritten_space
from pathcheck.queries.rollout.states import Position, Space, rollout_space, tally
from pathcheck.queries.rollout.watched import WatchedFleets
from pathcheck.results.rollout import LostState, Precedence, Rewrite, Rollout, RolloutAnswer, StateCount, Step
from pathcheck.source import Span

__all__ = ["MOST_JUDGEMENTS", "roll_out"]

MOST_JUDGEMENTS = 5_000
"""How often something is judged at most; what is left is open."""


def roll_out(
    before: FleetState,
    after: FleetState,
    *,
    by_line: bool = False,
    most: int = MOST_JUDGEMENTS,
    advance: Callable[[int], None] = lambda _: None,
) -> Rollout:
    """Search the orders of the jobs that bring a fleet from one state to another.

    Parameters
    ----------
    before, after
        The two states, see :func:`pathcheck.fleet_source.read_states`. Cables, places, the session, the required
        flows and the cut into jobs are those of the later one.
    by_line
        Whether a changed list is deleted first and then entered line by line, lists in the order of their names.
    most
        How many judgements are made at most.
    advance
        Told of each session and flow that is done.

    Raises
    ------
    UsageError
        There is nothing to judge: no session and no required flow that is marked.
    InputError
        The file of required flows has faults, or a file is refused in one state and not the same in the other.
    CapacityError
        A flow parts into too many sets of packets.
    InternalFault
        The evaluator disagrees.
    """
    tuple(refused_alike(before, after))  # a device that is in such a file would be taken for one that is not pushed
    space = rollout_space(before.loaded.config, after.loaded.config, by_line=by_line)
    targets, not_judged = _targets(space, after.loaded)
    if not targets:
        raise _nothing_to_judge(not_judged)
    judged = _Judged(space, targets, Budget(most))
    judged.judge(advance)
    found = judged.decide()
    if found.answer is not RolloutAnswer.NONE and not before.loaded.config.devices.keys() <= set(
        after.loaded.config.devices
    ):
        found = judged.without_the_gone(found, after.loaded)
    places = _Places(before, after)
    rewrite = None
    if by_line and found.answer is not RolloutAnswer.ANY:
        rewritten = rewritten_space(space)
        if rewritten is not None:
            rewrite = _rewrite(rewritten, targets, most)
    return Rollout(
        before.word,
        after.word,
        found.answer,
        jobs=tuple(Step(chain.device, chain.job) for chain in space.chains),
        idle=judged.idle(),
        plan=found.plan,
        states=StateCount(
            tally(space.sizes), len(judged.budget.states), judged.budget.made, complete=judged.is_complete
        ),
        lost=places.put(found.lost),
        open=places.put(found.open),
        only_open=found.only_open,
        precedences=judged.precedences() if found.answer is RolloutAnswer.SOME else (),
        unavoidable=places.put(found.unavoidable),
        already=tuple(shown for one in found.already if (shown := places.put(one)) is not None),
        sessions=sum(isinstance(target, Session) for target in targets),
        flows=sum(isinstance(target, AlwaysFlow) for target in targets),
        not_judged=not_judged,
        groups=judged.groups(),
        by_line=by_line,
        rewrite=rewrite,
        notes=_notes(space, before.loaded.config, after.loaded.config),
    )


# ---- what must hold -------------------------------------------------------------------------


def _targets(space: Space, after: LoadedFleet) -> tuple[tuple[Target, ...], tuple[tuple[str, str], ...]]:
    """Return what must hold in each state, and what cannot be judged, with the reason."""
    config = after.config
    targets: list[Target] = []
    not_judged: list[tuple[str, str]] = []
    first, last = space.fleet(space.start), space.fleet(space.end)
    for name in config.devices:
        session = Session(name)
        why = session.why_not_judged(last)
        is_new = name in space.changed and space.changed[name].is_new
        before = None if is_new else session.why_not_judged(first)
        if why is not None and before is not None:
            not_judged.append((name, why))
        else:
            targets.append(replace(session, is_judged_before=before is None))
    for required in required_flows_of(after):
        if not required.always:
            continue
        flow = AlwaysFlow(required)
        why, before = flow.why_not_judged(last), flow.why_not_judged(first)
        if why is not None and before is not None:
            not_judged.append((f"required flow `{required.name}`", why))
        else:
            targets.append(replace(flow, is_judged_before=before is None))
    return tuple(targets), tuple(not_judged)


def _nothing_to_judge(not_judged: Sequence[tuple[str, str]]) -> UsageError:
    """Say why there is no question."""
    why = f"; {not_judged[0][0]}: {not_judged[0][1]}" if not_judged else ""
    return UsageError(
        f"there is nothing to judge: no device has a session of the controller, and no required flow is marked "
        f"`always: true`{why}",
        help="give `fleet.yaml` the devices' `management` addresses and a place `controller`",
    )


# ---- judging and deciding -------------------------------------------------------------------


@dataclass
class _Decision:
    """What the search says."""

    answer: RolloutAnswer
    plan: tuple[Step, ...] = ()
    lost: LostState | None = None
    open: LostState | None = None
    only_open: bool = False
    already: tuple[LostState, ...] = ()
    unavoidable: LostState | None = None


@dataclass(frozen=True, slots=True)
class _Known:
    """What is known of one thing that must hold: in each state, before the first job and after the last."""

    target: Target
    claims: tuple[Claim, ...]
    before: Standing
    after: Standing

    lost: tuple[Masks, ...]
    open: tuple[Masks, ...]

    def boxes(self, standing: Standing) -> tuple[Masks, ...]:
        """Return where it is lost or open."""
        return self.lost if standing is Standing.LOST else self.open


class _Judged:
    """All states judged for all that must hold, and what follows from it."""

    def __init__(self, space: Space, targets: Sequence[Target], budget: Budget) -> None:
        self.space = space
        self.targets = targets
        self.budget = budget
        self.known: list[_Known] = []
        self.ends = space.end

    def judge(self, advance: Callable[[int], None]) -> None:
        """Judge everything."""
        fleets = WatchedFleets(self.space)
        for number, target in enumerate(self.targets):
            within = self._within(target)
            # Each gets an equal share of what is left, so that none is left out for another's sake.
            share = Budget(max(1, self.budget.left // (len(self.targets) - number)))
            claims = cover(
                lambda position, target=target: judge_target(target, fleets, position),  # type: ignore[misc]
                self.space.sizes,
                share,
                within,
            )
            self.budget.left -= share.made
            self.budget.made += share.made
            self.budget.states |= share.states
            self.known.append(
                _Known(
                    target,
                    claims,
                    _standing(claims, self.space.start),
                    _standing(claims, self.space.end),
                    lost=widest_boxes(claims, Standing.LOST, within),
                    open=widest_boxes(claims, Standing.OPEN, within),
                )
            )
            advance(1)

    def _within(self, target: Target) -> dict[int, int]:
        """Return the states in which something must hold: of a new device those in which all its jobs have run."""
        device = target.device
        if device is None or device not in self.space.changed or not self.space.changed[device].is_new:
            return {}
        return {chain: 1 << self.ends[chain] for chain in self.space.owned[device]}

    @property
    def is_complete(self) -> bool:
        """Whether each state was judged or ruled out."""
        return all(claim.seen is not None for known in self.known for claim in known.claims)

    def idle(self) -> tuple[Step, ...]:
        """Return the jobs on which nothing that must hold depends in any state."""
        read = {chain for known in self.known for claim in known.claims for chain in claim.box}
        return tuple(
            Step(chain.device, chain.job) for number, chain in enumerate(self.space.chains) if number not in read
        )

    def precedences(self) -> tuple[Precedence, ...]:
        """Return what has to come before what, the shortest first."""
        found: dict[tuple[tuple[Step, ...], tuple[Step, ...]], dict[str, None]] = {}
        config = self.space.fleet(self.space.start)
        for known in self.known:
            held = known.target.held(config)
            for box in known.lost if known.before is not Standing.LOST else ():
                then = [chain for chain, mask in sorted(box.items()) if not mask & 1]
                first = [chain for chain, mask in sorted(box.items()) if not mask >> self.ends[chain] & 1]
                if not first or set(first) & set(then) or {*first, *then} != set(box):
                    continue  # a state in the middle of a list, or one that no order avoids
                key = (
                    tuple(self._as_far_as(chain, box[chain].bit_length()) for chain in first),
                    tuple(self._as_far_as(chain, lowest(box[chain])) for chain in then),
                )
                found.setdefault(key, {})[held.device or f"`{held.name}`"] = None
        order = sorted(found.items(), key=lambda one: len(one[0][0]) + len(one[0][1]))
        return tuple(Precedence(first, then, tuple(lost)) for (first, then), lost in order)

    def is_harmless(self, lists: Iterable[tuple[str, str, str, tuple[str, ...]]]) -> bool:
        """Whether nothing is lost, or may be, because of a job that enters lists under new names."""
        devices = {name for name, _, _, _ in lists}
        chains = {
            number
            for number, chain in enumerate(self.space.chains)
            if chain.device in devices and {"lists", "bindings"} <= set(chain.parts)
        }
        return not any(chains.intersection(box) for known in self.known for box in (*known.lost, *known.open))

    def groups(self) -> tuple[int, ...]:
        """Return the sizes of the groups of jobs that can disturb each other."""
        bad, open_boxes = self._obstacles()
        guards = self._guards((Standing.LOST, Standing.OPEN))
        sizes = [len(group) for group in connected_groups(len(self.ends), (*bad, *open_boxes), guards)]
        return tuple(sorted((size for size in sizes if size > 1), reverse=True))

    def _obstacles(self) -> tuple[list[Masks], list[Masks]]:
        """Return the states that lose something, and those that may; what was lost before is none of it."""
        kept = [known for known in self.known if known.before is not Standing.LOST]
        return (
            [box for known in kept for box in known.boxes(Standing.LOST)],
            [box for known in kept for box in known.boxes(Standing.OPEN)],
        )

    def _guards(self, standings: Iterable[Standing]) -> list[Guard]:
        """Return where jobs of devices cannot run that could not be managed before the first job."""
        wanted = tuple(standings)
        return [
            Guard(chain, box)
            for known in self.known
            if known.before is Standing.LOST and known.target.device is not None
            for chain in self.space.owned.get(known.target.device, ())
            for standing in wanted
            for box in known.boxes(standing)
        ]

    def decide(self) -> _Decision:
        """Return the answer."""
        bad, open_boxes = self._obstacles()
        lost_before = [known for known in self.known if known.before is Standing.LOST]
        stays_lost = [known for known in lost_before if known.after is Standing.LOST]
        may_stay_lost = any(known.after is Standing.OPEN for known in lost_before)
        guards = self._guards((Standing.LOST,))
        all_guards = self._guards((Standing.LOST, Standing.OPEN))
        already = tuple(self._lost_at(known, self.space.start, ()) for known in lost_before)

        # What is open is first taken for lost, then for held: only where both agree is the answer certain.
        surely = None if stays_lost or may_stay_lost else self._order([*bad, *open_boxes], all_guards)
        if not bad and not guards and not stays_lost:
            if surely is not None and not open_boxes and not all_guards:
                return _Decision(RolloutAnswer.ANY, self._plan(surely), already=already)
            shown = self._first_open()
            if surely is not None:
                return _Decision(RolloutAnswer.SOME, self._plan(surely), open=shown, only_open=True, already=already)
            return _Decision(RolloutAnswer.UNCERTAIN, open=shown, already=already)
        blocked = blocked_chains(self.ends, bad) if surely is None else frozenset()
        lost = self._shortest(bad, guards, blocked)
        if surely is not None:
            return _Decision(RolloutAnswer.SOME, self._plan(surely), lost=lost, already=already)
        try:
            maybe = None if stays_lost else self._search(bad, guards)
        except TooManyStatesError:
            maybe = ()
        if maybe is not None:
            return _Decision(RolloutAnswer.UNCERTAIN, lost=lost, open=self._first_open(), already=already)
        if lost is None or stays_lost or (already and self._order(bad, ()) is not None):
            cause = stays_lost or [known for known in lost_before if known.target.device is not None]
            lost = self._lost_at(cause[0], self.space.start, cause[1:])
            return _Decision(RolloutAnswer.NONE, lost=lost, already=already)
        shown = self._shortest([box for box in bad if blocked.issuperset(box)], guards, blocked)
        return _Decision(RolloutAnswer.NONE, lost=lost, already=already, unavoidable=None if shown == lost else shown)

    def without_the_gone(self, found: _Decision, after: LoadedFleet) -> _Decision:
        """Judge the later state once more as its files are: devices that it does not have carry nothing then."""
        for standing in (Standing.LOST, Standing.OPEN):
            for known in self.known:
                if known.after is not Standing.HOLDS or known.target.stand(after.config) is not standing:
                    continue
                shown = known.target.evidence(after)
                end = LostState(
                    known.target.held(after.config),
                    known.target.device or shown.device,
                    self._applied(self.ends),
                    f"{shown.why}, once the devices that only the earlier state has are taken away",
                    shown.span,
                    sample=shown.sample,
                )
                if standing is Standing.LOST:
                    return _Decision(RolloutAnswer.NONE, lost=end, already=found.already)
                return replace(found, answer=RolloutAnswer.UNCERTAIN, plan=(), open=end, only_open=False)
        return found

    def _search(self, obstacles: Sequence[Masks], guards: Sequence[Guard]) -> tuple[int, ...] | None:
        return find_order(self.ends, obstacles, guards)

    def _order(self, obstacles: Sequence[Masks], guards: Sequence[Guard]) -> tuple[int, ...] | None:
        """Return a safe order, None where there is none or none was found within the bound."""
        try:
            return self._search(obstacles, guards)
        except TooManyStatesError:
            return None

    # ---- the way into the lock-out ----------------------------------------------------------

    def _shortest(self, bad: Sequence[Masks], guards: Sequence[Guard], blocked: frozenset[int]) -> LostState | None:
        """Return the lost state with the fewest jobs, then the fewest steps; `blocked` chains come first.

        All states on any way into it have fewer, so none of them is lost: it can be reached.
        """
        ways = {self._first_of(box): blocked.issuperset(box) for box in bad}
        if guards:
            ways = {way: first for way, first in ways.items() if self._can_reach(way, bad, guards)}
        if not ways:
            return None
        way = min(
            ways, key=lambda way: (sum(done > 0 for done in way), not ways[way], sum(way), [-done for done in way])
        )
        there = [known for known in self.known if known.before is not Standing.LOST]
        losing = [known for known in there if any(holds_in(box, way) for box in known.boxes(Standing.LOST))]
        losing.sort(key=lambda known: not self._is_own(known, way))
        return self._lost_at(losing[0], way, losing[1:])

    def _is_own(self, known: _Known, way: Position) -> bool:
        """Whether a device is lost by jobs of its own."""
        device = known.target.device
        return device is not None and any(way[chain] for chain in self.space.owned.get(device, ()))

    def _first_of(self, box: Masks) -> Position:
        """Return the state of a box that comes first in each chain."""
        return tuple(lowest(box[chain]) if chain in box else 0 for chain in range(len(self.ends)))

    def _can_reach(self, way: Position, bad: Sequence[Masks], guards: Sequence[Guard]) -> bool:
        """Whether jobs can run up to a state, with the devices that cannot be managed before the first one."""
        ahead = [box for box in bad if not holds_in(box, way)]
        try:
            return find_order(way, ahead, guards) is not None
        except TooManyStatesError:
            return True

    def _first_open(self) -> LostState | None:
        """Return the first state that is uncertain or was not judged."""
        ways = [
            (self._first_of(claim.box), number, claim)
            for number, known in enumerate(self.known)
            for claim in known.claims
            if claim.standing is Standing.OPEN
        ]
        if not ways:
            return None
        way, number, claim = min(ways, key=lambda one: (one[2].seen is None, sum(one[0]), one[0], one[1]))
        if claim.seen is None:
            target = self.known[number].target
            held = target.held(self.space.fleet(way))
            return LostState(held, target.device, self._applied(way), "not judged: the bound on judgements was hit")
        return self._lost_at(self.known[number], way, ())

    def _lost_at(self, known: _Known, way: Position, others: Sequence[_Known]) -> LostState:
        """Return a state in which something does not hold, with what shows it."""
        config = self.space.fleet(way)
        shown = known.target.evidence(loaded_state(config))
        return LostState(
            known.target.held(config),
            known.target.device or shown.device,
            self._applied(way),
            shown.why,
            shown.span,
            sample=shown.sample,
            others=tuple(other.target.held(config) for other in others),
        )

    # ---- steps in words ---------------------------------------------------------------------

    def _applied(self, way: Position) -> tuple[Step, ...]:
        """Return the jobs that have run, each as far as it has got."""
        return tuple(self._as_far_as(chain, done) for chain, done in enumerate(way) if done)

    def _as_far_as(self, chain: int, done: int) -> Step:
        """Return a job as far as it has got."""
        if done == self.ends[chain]:
            return Step(self.space.chains[chain].device, self.space.chains[chain].job)
        return self.space.step(chain, done - 1)

    def _plan(self, order: Sequence[int]) -> tuple[Step, ...]:
        """Return an order as jobs; the steps of one job that follow each other are one entry, as far as they get."""
        place = [0] * len(self.ends)
        found: list[tuple[int, Step]] = []
        for chain in order:
            is_on = bool(found) and found[-1][0] == chain
            place[chain] += 1
            step = self._as_far_as(chain, place[chain])
            if is_on:
                found[-1] = (chain, step)
            else:
                found.append((chain, step))
        return tuple(step for _, step in found)


def _standing(claims: Sequence[Claim], position: Position) -> Standing:
    """Return how something stands in a state; a state in which it need not hold counts as one in which it does."""
    return next((claim.standing for claim in claims if holds_in(claim.box, position)), Standing.HOLDS)


def _rewrite(rewritten: Rewritten, targets: Sequence[Target], most: int) -> Rewrite:
    """Return a rewrite of lists, judged by the same search."""
    judged = _Judged(rewritten.space, targets, Budget(most))
    judged.judge(lambda _: None)
    found = judged.decide()
    return Rewrite(rewritten.lists, found.answer, found.plan, is_harmless=judged.is_harmless(rewritten.lists))


# ---- what the answer rests on ---------------------------------------------------------------


@dataclass
class _Places:
    """In which of the two states' files a line stands."""

    before: FleetState
    after: FleetState

    def put(self, lost: LostState | None) -> LostState | None:
        """Say of a state's line where it stands."""
        if lost is None or lost.span is None:
            return lost
        return replace(lost, side=self._side(lost.span))

    def _side(self, span: Span) -> str | None:
        sides = [side for side, state in (("before", self.before), ("after", self.after)) if _has_line(state, span)]
        return sides[0] if len(sides) == 1 else None


def _has_line(state: FleetState, span: Span) -> bool:
    """Whether a state's files have a line at its place."""
    try:
        lines = state.read(span.file).decode("utf-8", "replace").splitlines()
    except (OSError, KeyError):
        return False
    return len(lines) >= span.line and lines[span.line - 1].strip() == span.words


def _notes(space: Space, before: FleetConfig, after: FleetConfig) -> tuple[str, ...]:
    """Return what the answer rests on besides the texts of the devices."""
    found = []
    new = [name for name, device in space.changed.items() if device.is_new]
    gone = [name for name in before.devices if name not in after.devices]
    if new:
        found.append(
            f"only in the later state: {_names(new)}; judged once all jobs have run there, until then the bootstrap "
            "configuration decides"
        )
    if gone:
        found.append(f"only in the earlier state: {_names(gone)}; left as configured until all jobs have run")
    if set(before.links) != set(after.links):
        found.append("the cabling differs: the later state's cables are taken as plugged from the start")
    if before.places != after.places or before.session != after.session:
        found.append("places or the session differ: those of the later state are taken throughout")
    moved = [
        name
        for name, device in after.devices.items()
        if name in before.devices and before.devices[name].management not in (None, device.management)
    ]
    if moved:
        found.append(f"the management address changes: {_names(moved)}; the session goes to the address then in force")
    changed = [
        name
        for name, device in after.devices.items()
        if name in before.devices and before.devices[name].assume != device.assume
    ]
    if changed:
        found.append(f"assumptions differ: {_names(changed)}; the later ones are taken throughout")
    if before.refused or after.refused:
        found.append("files are refused, so devices may be missing here; `pathcheck parse` shows them")
    return tuple(found)


def _names(names: Sequence[str]) -> str:
    """Return a few names."""
    shown = ", ".join(names[:5])
    return shown if len(names) <= 5 else f"{shown} and {len(names) - 5} more"

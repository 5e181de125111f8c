"""The search for safe orders against brute force: every state judged by itself, every order of the jobs tried."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import product
from pathlib import Path

from fleet_strategies import fleets
from hypothesis import HealthCheck, assume, event, given, settings
from hypothesis import strategies as st
from model_builders import access_list, bound, device, fleet, gateway, interface, line, route, span, vlan

from pathcheck.errors import UsageError
from pathcheck.evaluator import evaluate_packet
from pathcheck.fleet import LoadedFleet
from pathcheck.fleet_source import FleetState
from pathcheck.model.assumptions import Assumptions
from pathcheck.model.device import Device, TerminalLines
from pathcheck.model.fleet_config import JOB_PARTS, FleetConfig, Place
from pathcheck.model.flow import EntryPoint
from pathcheck.model.interface import SwitchPort
from pathcheck.model.required_flow import Expectation, RequiredFlow, RequiredWords
from pathcheck.model.unmodelled import ListScope, Unmodelled
from pathcheck.network.entry import flow_entries
from pathcheck.packet.address import Address
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.ranges import Ranges
from pathcheck.queries.flow import network_of
from pathcheck.queries.manageability import session_flow
from pathcheck.queries.rollout import roll_out
from pathcheck.queries.rollout.cover import Budget, Claim, Standing, cover, holds_in, widest_boxes
from pathcheck.queries.rollout.held import AlwaysFlow, Session, judge_target
from pathcheck.queries.rollout.order import Guard, find_order
from pathcheck.queries.rollout.states import Position, Space, rollout_space
from pathcheck.queries.rollout.watched import WatchedFleets
from pathcheck.results.account import ReadingReport
from pathcheck.results.rollout import Rollout, RolloutAnswer
from pathcheck.results.verdict import Reason

# ---- the search on judges of its own --------------------------------------------------------


class Tree:
    """A judge that reads one chain after the other: what it reads next depends on what it read."""

    def __init__(self, chain: int, cut: int, below: object, above: object) -> None:
        self.chain, self.cut, self.below, self.above = chain, cut, below, above

    def judge(self, position: tuple[int, ...], sizes: tuple[int, ...], masks: dict[int, int]) -> Standing:
        low = position[self.chain] < self.cut
        places = range(self.cut) if low else range(self.cut, sizes[self.chain])
        mask = sum(1 << place for place in places)
        masks[self.chain] = masks.get(self.chain, (1 << sizes[self.chain]) - 1) & mask
        next_ = self.below if low else self.above
        return next_.judge(position, sizes, masks) if isinstance(next_, Tree) else next_  # type: ignore[return-value]


@st.composite
def trees(draw: st.DrawFn, sizes: tuple[int, ...], depth: int = 4) -> object:
    """A judge over chains of some sizes."""
    leaf = st.sampled_from((Standing.HOLDS, Standing.HOLDS, Standing.LOST, Standing.OPEN))
    if depth == 0 or draw(st.sampled_from((True, False, False, False))):
        return draw(leaf)
    chain = draw(st.integers(0, len(sizes) - 1))
    cut = draw(st.integers(1, sizes[chain] - 1))
    return Tree(chain, cut, draw(trees(sizes, depth - 1)), draw(trees(sizes, depth - 1)))


def states_of(sizes: tuple[int, ...]) -> list[tuple[int, ...]]:
    return list(product(*map(range, sizes)))


@settings(deadline=None)
@given(
    st.lists(st.integers(2, 4), min_size=1, max_size=4).map(tuple).flatmap(lambda s: st.tuples(st.just(s), trees(s)))
)
def test_claims_say_of_each_state_what_the_judge_says(drawn):
    sizes, tree = drawn
    asked = []

    def judge(position: tuple[int, ...]) -> tuple[Standing, Mapping[int, int]]:
        asked.append(position)
        masks: dict[int, int] = {}
        return (tree.judge(position, sizes, masks) if isinstance(tree, Tree) else tree), masks

    claims = cover(judge, sizes, Budget(10_000))
    assert len(asked) == len(set(asked)) <= len(states_of(sizes))
    for position in states_of(sizes):
        wanted = judge(position)[0]
        assert {claim.standing for claim in claims if holds_in(claim.box, position)} == {wanted}
        for standing in Standing:
            boxes = widest_boxes(claims, standing)
            assert any(holds_in(box, position) for box in boxes) == (standing is wanted)


@settings(deadline=None)
@given(
    st.lists(st.integers(2, 4), min_size=1, max_size=4).map(tuple).flatmap(lambda s: st.tuples(st.just(s), trees(s)))
)
def test_a_bound_leaves_states_open_and_claims_nothing_false(drawn):
    sizes, tree = drawn

    def judge(position: tuple[int, ...]) -> tuple[Standing, Mapping[int, int]]:
        masks: dict[int, int] = {}
        return (tree.judge(position, sizes, masks) if isinstance(tree, Tree) else tree), masks

    claims = cover(judge, sizes, Budget(2))
    for position in states_of(sizes):
        there = [claim for claim in claims if holds_in(claim.box, position)]
        assert there
        assert all(claim.seen is None or claim.standing is judge(position)[0] for claim in there)


def brute_order(ends, is_lost, may_move) -> bool:
    """Whether some order of all steps enters no lost state: all that can be reached, step by step."""
    start = (0,) * len(ends)
    if is_lost(start):
        return False
    reached, border = {start}, [start]
    while border:
        here = border.pop()
        for chain in range(len(ends)):
            if here[chain] < ends[chain] and may_move(chain, here):
                there = (*here[:chain], here[chain] + 1, *here[chain + 1 :])
                if there not in reached and not is_lost(there):
                    reached.add(there)
                    border.append(there)
    return tuple(ends) in reached


@settings(deadline=None)
@given(st.data())
def test_an_order_is_found_exactly_where_one_is_safe(data):
    ends = tuple(data.draw(st.lists(st.integers(1, 3), min_size=1, max_size=6)))
    chains = st.integers(0, len(ends) - 1)

    def box() -> dict[int, int]:
        return {
            chain: data.draw(st.integers(1, (1 << ends[chain] + 1) - 1))
            for chain in data.draw(st.lists(chains, min_size=1, max_size=3, unique=True))
        }

    obstacles = [box() for _ in range(data.draw(st.integers(0, 6)))]
    guards = [Guard(data.draw(chains), box()) for _ in range(data.draw(st.integers(0, 2)))]

    def is_lost(position) -> bool:
        return any(holds_in(one, position) for one in obstacles)

    def may_move(chain, position) -> bool:
        return not any(guard.chain == chain and holds_in(guard.box, position) for guard in guards)

    found = find_order(ends, obstacles, guards)
    assert (found is not None) == brute_order(ends, is_lost, may_move)
    if found is not None:
        here = (0,) * len(ends)
        for chain in found:
            assert may_move(chain, here)
            here = (*here[:chain], here[chain] + 1, *here[chain + 1 :])
            assert not is_lost(here)
        assert here == ends


# ---- fleets ---------------------------------------------------------------------------------


def with_parts(before: Device, other: Device, parts: frozenset[str]) -> Device:
    """A device some of whose parts are another one's."""
    made = replace(before)
    if "vlans" in parts:
        made = replace(made, vlans=other.vlans, has_vlan_section=other.has_vlan_section)
    if "lists" in parts:
        odd = tuple(
            it for one in (before, other) for it in one.unmodelled if isinstance(it.scope, ListScope) == (one is other)
        )
        made = replace(made, access_lists=other.access_lists, unmodelled=odd)
    if "routes" in parts:
        made = replace(made, static_routes=other.static_routes, routing=other.routing)
    if "gateway" in parts:
        made = replace(made, gateways=other.gateways)
    if "bindings" in parts:
        interfaces = {
            name: replace(one, bindings=other.interfaces[name].bindings if name in other.interfaces else ())
            for name, one in made.interfaces.items()
        }
        made = replace(made, interfaces=interfaces, terminal_lines=other.terminal_lines)
    if "addresses" in parts:
        interfaces = {
            name: replace(one, addresses=other.interfaces[name].addresses if name in other.interfaces else ())
            for name, one in made.interfaces.items()
        }
        made = replace(made, interfaces=interfaces)
    if "ports" in parts:
        interfaces = dict(made.interfaces)
        for name, one in other.interfaces.items():
            if one.kind != "svi" and not one.addresses:
                interfaces[name] = replace(one, bindings=made.interfaces[name].bindings if name in interfaces else ())
        made = replace(made, interfaces=interfaces)
    return made


@st.composite
def changes(draw: st.DrawFn) -> tuple[FleetConfig, FleetConfig]:
    """A fleet before and after a change of a few parts, with a controller and management addresses."""
    before, other = draw(fleets()), draw(fleets())
    names = [name for name in before.devices if name in other.devices]
    devices: dict[str, Device] = {}
    for name, one in before.devices.items():
        own = [address.address for it in one.interfaces.values() for address in it.addresses]
        devices[name] = replace(one, management=draw(st.sampled_from(own)) if own else None)
    parts = draw(st.lists(st.tuples(st.sampled_from(names), st.sampled_from(JOB_PARTS)), min_size=1, max_size=5))
    after = dict(devices)
    for name in {name for name, _ in parts}:
        made = with_parts(devices[name], other.devices[name], frozenset(part for it, part in parts if it == name))
        own = [address.address for one in made.interfaces.values() for address in one.addresses]
        if made.management not in own and own and draw(st.booleans()):
            made = replace(made, management=own[0])
        if draw(st.sampled_from((True, False, False, False))):
            made = replace(made, unmodelled=other.devices[name].unmodelled)
        after[name] = made
    places = {"controller": Place("controller", (Prefix.parse(draw(st.sampled_from(("10.0.1.66", "10.0.2.66")))),))}
    return replace(before, devices=devices, places=places), replace(before, devices=after, places=places)


SESSION_LINE = line("permit", "tcp", "10.9.0.0/24", "any", sequence=20, destination_ports="22")
OTHER_LINES = (
    line("permit", "udp", "10.9.0.0/24", "any", sequence=10),
    line("deny", "tcp", "10.8.0.0/24", "any", sequence=15),
    line("deny", "tcp", "any", "any", sequence=30, destination_ports="23"),
)


@st.composite
def switches(draw: st.DrawFn, name: str, number: int) -> Device:
    """A switch behind the core, managed over VLAN 2 or 3, most of whose parts are as they should be."""
    usual = (True,) * 9 + (False,)
    vlan_number = draw(st.sampled_from((2, 2, 3)))
    own = (vlan_number,)
    allowed = draw(st.sampled_from((None, None, (2, 3), own, own, (2,))))
    port = SwitchPort("trunk", allowed=None if allowed is None else Ranges.of(*((one, one) for one in allowed)))
    lines = [one for one in OTHER_LINES if draw(st.booleans())]
    if draw(st.sampled_from(usual)):
        lines = sorted([*lines, SESSION_LINE], key=lambda one: one.sequence)
    bound_list = (bound("OPERATORS"),) if draw(st.booleans()) else ()
    parts = [
        interface("Ethernet1", switch_port=port, shutdown=not draw(st.sampled_from((*usual, *usual[:9])))),
        interface(f"Vlan{vlan_number}", f"10.{vlan_number}.0.{number}/24"),
        gateway(f"10.{vlan_number if draw(st.sampled_from(usual)) else 2}.0.1"),
    ]
    parts += [vlan(it) for it in (2, 3) if it == vlan_number or draw(st.booleans())]
    if lines:
        parts.append(access_list("OPERATORS", *lines))
    odd = draw(st.sampled_from(((),) * 7 + ((Unmodelled("odd", ListScope("OPERATORS", "ipv4"), span=span("odd")),),)))
    made = device(
        name,
        *parts,
        routing=False,
        unmodelled=odd,
        terminal_lines=(TerminalLines(0, 4, bound_list, span=span("line vty")),),
        assume=Assumptions(undefined_list=draw(st.sampled_from(("permits-all", "denies-all")))),
    )
    return replace(made, management=Address.parse(f"10.{vlan_number}.0.{number}"))


@st.composite
def cores(draw: st.DrawFn) -> Device:
    """The router between the controller and the switches."""
    port = st.sampled_from((SwitchPort("trunk"), SwitchPort("trunk", allowed=Ranges.of((2, 3)))))
    lists = (bound("TO-SWITCHES", "out"),) if draw(st.booleans()) else ()
    lines = [line("permit", "tcp", "any", "any", sequence=10 * n + 10) for n in range(draw(st.integers(0, 2)))]
    parts = [
        interface("Ethernet1", switch_port=draw(port)),
        interface("Ethernet2", switch_port=draw(port)),
        interface("Ethernet9", "10.9.0.1/24", routed=True),
        interface("Vlan2", "10.2.0.1/24", lists=lists),
        interface("Vlan3", "10.3.0.1/24", shutdown=draw(st.sampled_from((False,) * 7 + (True,)))),
        route("10.7.0.0/16", draw(st.sampled_from(("10.2.0.9", "10.3.0.9")))),
        vlan(2),
        vlan(3),
    ]
    if lines:
        parts.append(access_list("TO-SWITCHES", *lines))
    return replace(device("core", *parts, routing=True), management=Address.parse("10.9.0.1"))


@st.composite
def managed_changes(draw: st.DrawFn) -> tuple[FleetConfig, FleetConfig]:
    """Two states of a fleet that mostly can be managed, so that the order of jobs decides."""
    place = {"controller": Place("controller", (Prefix.parse("10.9.0.5"),))}
    links = ("core:Ethernet1 pier:Ethernet1", "core:Ethernet2 quay:Ethernet1")
    before = [draw(cores()), draw(switches("pier", 11)), draw(switches("quay", 12))]
    chosen = draw(st.lists(st.sampled_from(range(3)), min_size=1, max_size=2, unique=True))
    drawn = [draw(cores()), draw(switches("pier", 11)), draw(switches("quay", 12))]
    after = list(before)
    for n in chosen:
        parts = draw(st.frozensets(st.sampled_from(JOB_PARTS), min_size=2, max_size=4))
        after[n] = with_parts(before[n], drawn[n], parts) if draw(st.sampled_from((True, True, False))) else drawn[n]
    jobs = draw(st.sampled_from(((), (("addresses", "gateway"),), (("vlans", "ports"), ("bindings", "lists")))))
    return tuple(replace(fleet(*made, links=links), places=place, jobs=jobs) for made in (before, after))  # type: ignore[return-value]


def state(config: FleetConfig) -> FleetState:
    def read(name: str) -> bytes:
        raise OSError(name)

    return FleetState("a state", LoadedFleet(Path(), config, ReadingReport((), ())), read)


def brute_answer(space: Space, sessions: list[Session]) -> RolloutAnswer:
    """Every state judged by itself, every order tried; what is uncertain is first lost, then held."""
    standing = {
        position: {session.device: session.stand(space.fleet(position)) for session in sessions}
        for position in states_of(space.sizes)
    }
    lost_before = {name for name, found in standing[space.start].items() if found is Standing.LOST}

    def is_safe(position: Position, bad: set[Standing]) -> bool:
        return not any(found in bad for name, found in standing[position].items() if name not in lost_before)

    def search(bad: set[Standing]) -> tuple[bool, bool]:
        """Whether some order is safe, and whether each is."""

        def may_move(chain: int, position: Position) -> bool:
            device = space.chains[chain].device
            return device not in lost_before or standing[position][device] not in bad

        end_holds = not any(standing[space.end][name] in bad for name in lost_before)
        some = end_holds and brute_order(space.end, lambda position: not is_safe(position, bad), may_move)
        each = (
            end_holds
            and all(is_safe(position, bad) for position in standing)
            and all(
                may_move(chain, position)
                for position in standing
                for chain in range(len(space.chains))
                if position[chain] < space.end[chain]
            )
        )
        return some, each

    surely, each_surely = search({Standing.LOST, Standing.OPEN})
    maybe, _ = search({Standing.LOST})
    if each_surely:
        return RolloutAnswer.ANY
    if surely:
        return RolloutAnswer.SOME
    return RolloutAnswer.UNCERTAIN if maybe else RolloutAnswer.NONE


def sessions_of(space: Space) -> list[Session]:
    first, last = space.fleet(space.start), space.fleet(space.end)
    found = []
    for name in space.frame.devices:
        whys = [Session(name).why_not_judged(config) for config in (first, last)]
        if None in whys:
            found.append(Session(name, is_judged_before=whys[0] is None))
    return found


def replay(space: Space, found: Rollout, sessions: list[Session]) -> None:
    """Let the evaluator follow the session and its answer in each state of a plan."""
    lost_before = {one.held.device for one in found.already}
    position = space.start
    for step in found.plan:
        chain = next(n for n, it in enumerate(space.chains) if (it.device, it.job) == (step.device, step.job))
        goal = len(space.chains[chain].steps)
        if not step.is_whole:
            goal = 1 + next(n for n, it in enumerate(space.chains[chain].steps) if it == step)
        while position[chain] < goal:
            position = (*position[:chain], position[chain] + 1, *position[chain + 1 :])
            for session in sessions:
                if session.device not in lost_before:
                    follow(space.fleet(position), session.device)
    assert position == space.end
    for session in sessions:
        follow(space.fleet(position), session.device)


def follow(config: FleetConfig, name: str) -> None:
    """The session's packet arrives at the device on every way, and the answer at the controller."""
    flow = session_flow(config, name)
    assert flow is not None
    entries = flow_entries(network_of(config), flow, 4)
    for start in entries.starts:
        packet = start.packets.sample()
        assert packet is not None
        outcomes = evaluate_packet(config, packet, start.at, start.vrf, start.ports)
        assert {(one.reason, one.device) for one in outcomes} == {(Reason.ARRIVED, name)}
        answer = replace(
            packet,
            source=packet.destination,
            destination=packet.source,
            source_port=packet.destination_port,
            destination_port=packet.source_port,
            flags=packet.flags | 0b010000,
        )
        vrf = next(
            one.vrf
            for one in config.devices[name].interfaces.values()
            if packet.destination in [it.address for it in one.addresses]
        )
        back = evaluate_packet(config, answer, EntryPoint(name), vrf)
        assert {one.reason for one in back} == {Reason.ARRIVED}


def required_flows(*words: str) -> st.SearchStrategy[RequiredFlow]:
    return st.builds(
        lambda text, expect: RequiredFlow(
            text, (RequiredWords(text, span(text)),), expect, reply=expect is Expectation.OPEN, always=True
        ),
        st.sampled_from(words),
        st.sampled_from(Expectation),
    )


RANDOM = st.tuples(changes(), required_flows("tcp 10.0.1.66 10.0.2.0/25:22", "icmp 10.0.2.66 10.0.1.1 --icmp echo"))
MANAGED = st.tuples(
    managed_changes(),
    required_flows(
        "udp 10.9.0.5:53 10.2.0.77:5353",
        "tcp 10.9.0.5 10.3.0.0/26:443",
        "tcp 10.2.0.12 10.9.0.5:49",
        "tcp 10.9.0.5 quay:23",
    ),
)


@settings(suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much], deadline=None, max_examples=25)
@given(st.one_of(RANDOM, MANAGED), st.booleans())
def test_a_required_flow_stands_in_each_state_as_claimed(drawn, by_line):
    change, required = drawn
    space = rollout_space(*change, by_line=by_line)
    assume(len(space.chains) > 0 and len(states_of(space.sizes)) <= 96)
    flow, watched = AlwaysFlow(required), WatchedFleets(space)
    assume(flow.why_not_judged(space.fleet(space.start)) is None)
    claims = cover(lambda at: judge_target(flow, watched, at), space.sizes, Budget(5000))
    event(f"{len({one.standing for one in claims})} standings")
    for position in states_of(space.sizes):
        wanted = flow.stand(space.fleet(position))
        assert {one.standing for one in claims if holds_in(one.box, position)} == {wanted}, position


@settings(suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much], deadline=None, max_examples=40)
@given(st.one_of(changes(), managed_changes(), managed_changes(), managed_changes()), st.booleans())
def test_the_answer_is_that_of_brute_force(change, by_line):
    before, after = change
    space = rollout_space(before, after, by_line=by_line)
    assume(len(space.chains) > 0 and len(states_of(space.sizes)) <= 96)
    sessions = sessions_of(space)
    assume(sessions)
    fleets_ = WatchedFleets(space)
    for session in sessions:
        claims: tuple[Claim, ...] = cover(
            lambda at, it=session: judge_target(it, fleets_, at), space.sizes, Budget(5000)
        )
        for position in states_of(space.sizes):
            wanted = session.stand(space.fleet(position))
            assert {one.standing for one in claims if holds_in(one.box, position)} == {wanted}, (session, position)
    try:
        found = roll_out(state(before), state(after), by_line=by_line)
    except UsageError:
        assert not sessions
        return
    wanted = brute_answer(space, sessions)
    event(f"{found.answer.value}, lost before: {bool(found.already)}")
    assert found.answer is wanted
    if found.plan:
        replay(space, found, sessions)
    if found.answer is RolloutAnswer.SOME and not by_line and not found.already:
        ran = {(chain.device, chain.job): number for number, chain in enumerate(space.chains)}
        for position in states_of(space.sizes):
            has_run = {job for job, number in ran.items() if position[number]}
            broken = any(
                has_run.issuperset((it.device, it.job) for it in one.then)
                and has_run.isdisjoint((it.device, it.job) for it in one.first)
                for one in found.precedences
            )
            config = space.fleet(position)
            assert broken == any(session.stand(config) is Standing.LOST for session in sessions), position
    assert found.states.judged <= found.states.total == len(states_of(space.sizes))
    if found.lost is not None:
        reached = tuple(
            next((n + 1 for n, it in enumerate(chain.steps) if it in found.lost.applied), 0)
            if not any(it.is_whole and (it.device, it.job) == (chain.device, chain.job) for it in found.lost.applied)
            else len(chain.steps)
            for chain in space.chains
        )
        standing = Session(found.lost.held.device).stand(space.fleet(reached))
        assert standing is Standing.LOST

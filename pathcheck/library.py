"""The library's front door: read a fleet once, then ask it.

The functions behind it are imported when they are first used, so that
``import pathcheck`` costs next to nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pathcheck.errors import FlowError, UnknownNameError, nearest

if TYPE_CHECKING:
    from pathcheck.dataplane.batch import Decision
    from pathcheck.fleet import LoadedFleet
    from pathcheck.model.access_list import Family
    from pathcheck.model.device import Device
    from pathcheck.packet.packet import Packet
    from pathcheck.parser.flow_words import FlowQuestion
    from pathcheck.results.account import ReadingReport
    from pathcheck.results.black_hole import RoutingReport
    from pathcheck.results.bootstrap import BootstrapReport
    from pathcheck.results.comparison import ListComparison
    from pathcheck.results.finding import Finding
    from pathcheck.results.fleet_comparison import FleetComparison
    from pathcheck.results.manageability import ManageabilityReport
    from pathcheck.results.path import FlowAnswer, ListAnswer
    from pathcheck.results.reach import ReachAnswer
    from pathcheck.results.rehearsal import Rehearsal
    from pathcheck.results.removals import Removals
    from pathcheck.results.requirement import RequirementReport
    from pathcheck.results.rollout import Rollout
    from pathcheck.results.route_lookup import RouteLookup
    from pathcheck.results.tidy import TidyResult

__all__ = ["Fleet", "load"]


def load(path: str | Path) -> Fleet:
    """Read a folder as a fleet, or one file as a fleet of one device.

    Parameters
    ----------
    path
        A folder of configuration files, with or without a `fleet.yaml`.

    Returns
    -------
    Fleet
        What could not be read is in its `report`; answers that it can touch are `uncertain`.

    Raises
    ------
    InputError
        There is no such folder, no configuration in it, or `fleet.yaml` has faults.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> folder = tempfile.TemporaryDirectory()
    >>> text = '''hostname quay-a
    ... interface Ethernet1
    ...  no switchport
    ...  ip address 10.1.20.1 255.255.255.0
    ...  ip access-group TILLS in
    ... interface Ethernet2
    ...  no switchport
    ...  ip address 10.1.99.1 255.255.255.0
    ... ip access-list extended TILLS
    ...  permit tcp 10.1.20.0 0.0.0.255 host 10.1.99.10 eq 443
    ... '''
    >>> _ = pathlib.Path(folder.name, "quay-a.cfg").write_text(text)
    >>> fleet = load(folder.name)
    >>> list(fleet.devices)
    ['quay-a']
    >>> answer = fleet.flow("tcp 10.1.20.7 10.1.99.10:443", reply=False)
    >>> str(answer.verdict), str(answer.reason)
    ('permitted', 'arrived')
    >>> print(fleet.flow("tcp", "10.1.20.7", "10.1.99.10:22", reply=False).paths[0].hops[0].in_line.text)
    implicit deny
    >>> print(fleet.list_decision("TILLS", "tcp 10.1.20.7 10.1.99.10:443").line.text.strip())
    permit tcp 10.1.20.0 0.0.0.255 host 10.1.99.10 eq 443

    Many concrete packets against one list are decided at once:

    >>> from pathcheck.packet.address import Address
    >>> from pathcheck.packet.packet import Packet
    >>> packet = Packet(Address.parse("10.1.20.7"), Address.parse("10.1.99.10"), 6, 49152, 443)
    >>> [str(decision.action) for decision in fleet.decide("quay-a", "TILLS", [packet])]
    ['permit']
    >>> folder.cleanup()
    """
    from pathcheck.fleet import load_fleet

    return Fleet(load_fleet(path))


@dataclass(frozen=True, slots=True)
class Fleet:
    """A fleet that was read; made by :func:`load`.

    Parameters
    ----------
    loaded
        What the queries of :mod:`pathcheck.queries` take.
    """

    loaded: LoadedFleet

    @property
    def devices(self) -> Mapping[str, Device]:
        """The devices by name, in the order of the names."""
        return self.loaded.config.devices

    @property
    def report(self) -> ReadingReport:
        """The account of every line, and the findings of reading."""
        return self.loaded.report

    def flow(
        self,
        *words: str,
        at: str | None = None,
        icmp: str | None = None,
        flags: str | None = None,
        fragment: bool = False,
        dscp: str | None = None,
        vrf: str | None = None,
        reply: bool = True,
    ) -> FlowAnswer:
        """Ask what becomes of a flow.

        Parameters
        ----------
        words
            One line as on the command line, `"tcp 10.1.20.7 10.1.99.10:443 --flags ack"`,
            or protocol, source and destination one by one.
        at, icmp, flags, fragment, dscp, vrf, reply
            The options of the command line, where they do not stand in the words.

        Returns
        -------
        FlowAnswer
            Verdict, reason, the paths with the deciding lines, and the reply.

        Raises
        ------
        FlowError
            The words cannot be read, or no entry point is known.
        UnknownNameError
            No place, device, interface or VRF of that name.
        CapacityError
            The question is too large for this machine.
        InternalFault
            The engine and its second opinion disagree.
        """
        from pathcheck.queries.flow import ask_flow

        question = self._question(words, at, icmp, flags, fragment, dscp, vrf, reply)
        if question.acl is not None:
            raise FlowError(f"`--acl {question.acl}` asks one list alone", help="use `list_decision`")
        return ask_flow(self.loaded, question.flow, reply=question.reply)

    def rehearse(self, *words: str, packets: int = 500, namespaces: int = 64, seconds: float = 120) -> Rehearsal:
        """Send packets of a flow through the fleet in namespaces of this machine, as `pathcheck rehearse` does.

        Parameters
        ----------
        words
            As for :meth:`flow`.
        packets, namespaces, seconds
            What it may take.

        Returns
        -------
        Rehearsal
            What the model says and what the kernel did, by groups of packets; `agrees` is None where some
            of it stays open.

        Raises
        ------
        FlowError, UnknownNameError, CapacityError, InternalFault
            As for :meth:`flow`.
        LaboratoryError
            This machine cannot do it: root, `ip` and `nft` are needed.
        """
        from pathcheck.queries.rehearse import ask_rehearsal

        question = self._question(words, None, None, None, False, None, None, True)
        if question.acl is not None:
            raise FlowError(f"`--acl {question.acl}` asks one list alone, which is not rehearsed")
        return ask_rehearsal(
            self.loaded,
            question.flow,
            reply=question.reply,
            packets=packets,
            namespaces=namespaces,
            seconds=seconds,
        )

    def check(self) -> tuple[Finding, ...]:
        """Look for everything that the fleet has input for, as `pathcheck check` does.

        Returns
        -------
        tuple
            All findings in the order of file, line and code; waivers and baselines are not applied.

        Raises
        ------
        InputError
            The file of required flows cannot be read.
        """
        from pathcheck.queries.check import check_fleet

        return check_fleet(self.loaded)

    def bootstrap(self, subject: str | None = None) -> BootstrapReport:
        """Follow blank switches from their first frame to the controller, as `pathcheck bootstrap` does.

        Parameters
        ----------
        subject
            Only the switch that is to become this device, or those of this bootstrap file.

        Raises
        ------
        UsageError
            The fleet has no part `bootstrap`.
        UnknownNameError
            No entry lists such a device, or has such a file.
        CapacityError, InternalFault
            As :meth:`flow`.
        """
        from pathcheck.queries.bootstrap import judge_bootstrap

        return judge_bootstrap(self.loaded, subject)

    def review(
        self, *, device: str | None = None, access_list: str | None = None, exceptions: bool = False
    ) -> tuple[Finding, ...]:
        """Find access-list lines that never act, can go, cross others, or look like slips.

        Parameters
        ----------
        device, access_list
            Only lists of this device, only lists of this name.
        exceptions
            Report exception lines (PC104) too.

        Returns
        -------
        tuple
            Findings in the order of file, line and code.

        Raises
        ------
        UnknownNameError
            The fleet has no such device, or no list of that name there.
        """
        from pathcheck.queries.line_review import review_fleet

        return review_fleet(self.loaded, device=device, list_name=access_list, exceptions=exceptions)

    def audit(self, *, device: str | None = None) -> tuple[Finding, ...]:
        """Find contradictions among the addresses, gateways, VLANs, cables and names of the fleet.

        Parameters
        ----------
        device
            Only findings in which this device has a part.

        Returns
        -------
        tuple
            Findings in the order of file and line, codes PC3xx and those that reading found of these subjects.

        Raises
        ------
        UnknownNameError
            The fleet has no such device.
        """
        from pathcheck.queries.audit import audit_fleet

        return audit_fleet(self.loaded, device=device)

    def manageable(self, *devices: str) -> ManageabilityReport:
        """Judge whether the controller can open its session to each device and gets its answers.

        Parameters
        ----------
        devices
            By name; all where none is named.

        Returns
        -------
        ManageabilityReport
            An answer for each device: `holds`, the chain up to the link that breaks, the servers that its lines name.

        Raises
        ------
        UnknownNameError
            The fleet has no such device.
        """
        from pathcheck.queries.manageability import judge_fleet

        return judge_fleet(self.loaded.config, devices)

    def routes(self, *, device: str | None = None) -> tuple[tuple[Finding, ...], RoutingReport]:
        """Review the static routes of the fleet, and find where packets are lost by routing alone.

        Parameters
        ----------
        device
            Only findings on this device, and only what ends on it or goes round through it.

        Returns
        -------
        tuple
            The findings, codes PC2xx, in the order of file and line; and for each place where destinations end the
            exact set of them, from which tables, with the way round where they loop.

        Raises
        ------
        UnknownNameError
            The fleet has no such device.
        """
        from pathcheck.queries.route_review import RouteReview

        review = RouteReview(self.loaded.config, device)
        return review.findings, review.report

    def look_up_route(self, device: str, address: str, *, vrf: str | None = None) -> RouteLookup:
        """Look one address up in a table: the longest match, and why each other route that holds it lost.

        Parameters
        ----------
        device
            Whose table.
        address
            One address as text; ValueError where it is none.
        vrf
            The table's name, None for the global one.

        Raises
        ------
        UnknownNameError
            No device, or no VRF of it, has that name.
        """
        from pathcheck.packet.address import Address
        from pathcheck.queries.route_lookup import look_up_route

        return look_up_route(self.loaded.config, device, Address.parse(address), vrf=vrf)

    def required_flows(self, file: str | Path | None = None) -> RequirementReport:
        """Ask whether the required flows hold.

        Parameters
        ----------
        file
            A file of required flows; None for the fleet's own, of which it may have none.

        Returns
        -------
        RequirementReport
            How each of them stands, and for those that do not hold for certain a packet and what decides.

        Raises
        ------
        InputError
            The file cannot be read, or has faults.
        CapacityError, InternalFault
            As :meth:`flow`.
        """
        from pathcheck.file_content import read_named_file
        from pathcheck.parser.required_flows import read_required_flows
        from pathcheck.queries.required_flows import ask_required_flows

        if file is None:
            return ask_required_flows(self.loaded)
        flows = read_required_flows(str(file), read_named_file(file, "the required flows"))
        return ask_required_flows(self.loaded, flows, file=str(file))

    def reach(
        self,
        service: str = "ip",
        *,
        sources: Sequence[str] = (),
        destinations: Sequence[str] = (),
        reply: bool = False,
    ) -> ReachAnswer:
        """Ask which subnets and places reach which.

        Parameters
        ----------
        service
            As `tcp/443`, `udp/53`, `icmp/echo`; `ip` is each protocol.
        sources, destinations
            Prefixes, addresses, places or devices that restrict rows and columns; all subnets and places without.
        reply
            Whether the reply must come back.

        Returns
        -------
        ReachAnswer
            A cell for each pair, with the verdict that :meth:`flow` gives for it.

        Raises
        ------
        FlowError, UnknownNameError, CapacityError, InternalFault
            As :meth:`flow`.
        """
        from pathcheck.parser.service_words import service_flows
        from pathcheck.queries.reach import ask_reach

        flows = service_flows(service)
        return ask_reach(self.loaded, service, flows, sources=sources, destinations=destinations, reply=reply)

    def compare_lists(self, before: str, after: str, *, device: str | None = None) -> tuple[ListComparison, ...]:
        """Ask what one access list opens and closes against another.

        Parameters
        ----------
        before, after
            Each as `NAME`, `DEVICE:NAME` or `FILE:NAME`; a file alone means the list of the other's name in it.
        device
            Whose list a name alone means; not needed where one device has a list of that name.

        Returns
        -------
        tuple
            One comparison for each IP version of the lists.

        Raises
        ------
        UnknownNameError, UsageError
            No such list, several devices have one of that name, or the lists are of two IP versions.
        CapacityError
            The lists differ in too much.
        InternalFault
            The engine and its second opinion disagree.
        """
        from pathcheck.queries.list_comparison import compare_named
        from pathcheck.queries.named_list import ListFinder

        finder = ListFinder(self.loaded.folder, device, self.loaded)
        return compare_named(*finder.pair(before, after))

    def compare(self, before: str | Path) -> FleetComparison:
        """Ask what a change to this state opens and closes.

        Parameters
        ----------
        before
            The earlier state: a folder, or `git:REV` for a revision of this fleet's folder.

        Raises
        ------
        UsageError
            The revision looks like an option.
        InputError
            The other state cannot be read, or a file of required flows has faults.
        CapacityError
            Two lists differ in too much.
        InternalFault
            The engine and its second opinion disagree.
        """
        from pathcheck.fleet_source import FleetState, read_state
        from pathcheck.queries.fleet_comparison import compare_fleets

        folder = self.loaded.folder
        here = FleetState(str(folder), self.loaded, lambda name: (folder / name).read_bytes())
        return compare_fleets(read_state(str(before), folder), here)

    def rollout(self, before: str | Path, *, by_line: bool = False) -> Rollout:
        """Ask in which order the jobs can run that bring a fleet from another state to this one.

        Parameters
        ----------
        before
            What the devices have now: a folder, or `git:REV` for a revision of this fleet's folder.
        by_line
            Whether a changed list is deleted first and then entered line by line.

        Raises
        ------
        UsageError
            Nothing is to be judged: no session of the controller, and no required flow that is marked `always`.
        InputError
            The other state cannot be read.
        InternalFault
            The engine and its second opinion disagree.
        """
        from pathcheck.fleet_source import FleetState, read_state
        from pathcheck.queries.rollout import roll_out

        folder = self.loaded.folder
        here = FleetState(str(folder), self.loaded, lambda name: (folder / name).read_bytes())
        return roll_out(read_state(str(before), folder), here, by_line=by_line)

    def removals(self, before: str | Path, *, device: str | None = None) -> Removals:
        """Find what devices have in another state and no more in this one: full replacement takes it away.

        Parameters
        ----------
        before
            What the devices have: a folder, a captured configuration, or `git:REV` for a revision of this folder.
        device
            Only this one.

        Raises
        ------
        UnknownNameError
            Neither state has such a device.
        UsageError
            The other state is a file of a device that this fleet does not have.
        InputError
            The other state cannot be read.
        """
        from pathcheck.fleet_source import FleetState, read_state
        from pathcheck.queries.removals import preview_removals

        folder = self.loaded.folder
        here = FleetState(str(folder), self.loaded, lambda name: (folder / name).read_bytes())
        return preview_removals(read_state(str(before), folder), here, device=device)

    def tidy(self, access_list: str, *, device: str | None = None) -> tuple[TidyResult, ...]:
        """Write an access list shorter without changing what it decides.

        Parameters
        ----------
        access_list
            Name of the list.
        device
            Whose list; not needed where one device has a list of that name.

        Returns
        -------
        tuple
            One result for each IP version in which the device has a list of that name, proved.

        Raises
        ------
        UnknownNameError
            No such device or list, or several devices have one of that name.
        CapacityError, InternalFault
            As :meth:`compare_lists`.
        """
        from pathcheck.queries.tidy import tidy_named

        return tuple(tidy_named(self.loaded, access_list, device=device)[1])

    def list_decision(
        self,
        access_list: str,
        *words: str,
        device: str | None = None,
        icmp: str | None = None,
        flags: str | None = None,
        fragment: bool = False,
        dscp: str | None = None,
    ) -> ListAnswer:
        """Ask what one access list alone decides about a flow, without any routing.

        Parameters
        ----------
        access_list
            Name of the list.
        words
            As :meth:`flow`.
        device
            Whose list; not needed where one device has a list of that name.
        icmp, flags, fragment, dscp
            The options of the command line.

        Returns
        -------
        ListAnswer
            The verdict, and each line that decides a part of the flow.

        Raises
        ------
        FlowError, UnknownNameError, CapacityError, InternalFault
            As :meth:`flow`.
        """
        from pathcheck.queries.flow import ask_list

        options = ["--acl", access_list, *(("--device", device) if device is not None else ())]
        question = self._question((*words, *options), None, icmp, flags, fragment, dscp, None, True)
        return ask_list(self.loaded, device, access_list, question.flow)

    def decide(
        self, device: str, access_list: str, packets: Sequence[Packet], *, family: Family = "ipv4"
    ) -> list[Decision]:
        """Decide many concrete packets by one list, at a hundred thousand and more a second.

        Parameters
        ----------
        device, access_list
            Whose list, and its name. A list that is not defined decides as the device's assumptions say.
        packets
            All of the family's IP version.
        family
            `ipv4` or `ipv6`.

        Returns
        -------
        list of Decision
            One for each packet, in order; `action` is None where it is uncertain.

        Raises
        ------
        UnknownNameError
            No device of that name.
        """
        from pathcheck.dataplane.batch import decide_batch

        found = self.devices.get(device)
        if found is None:
            near = nearest(device, self.devices)
            raise UnknownNameError(
                f"no device `{device}` in the fleet", help=f"did you mean `{near}`?" if near else None
            )
        return decide_batch(found, family, access_list, packets)

    def _question(
        self,
        words: Sequence[str],
        at: str | None,
        icmp: str | None,
        flags: str | None,
        fragment: bool,
        dscp: str | None,
        vrf: str | None,
        reply: bool,
    ) -> FlowQuestion:
        """Read words and options as the command line does."""
        import shlex

        from pathcheck.parser.flow_words import read_flow

        read: list[str] = []
        for word in words:
            try:
                read.extend(shlex.split(word) if " " in word else [word])
            except ValueError as error:
                raise FlowError(f"the line cannot be cut into words: {str(error).lower()}") from None
        for name, value in (("at", at), ("icmp", icmp), ("flags", flags), ("dscp", dscp), ("vrf", vrf)):
            if value is not None:
                read.extend((f"--{name}", value))
        read.extend(name for name, given in (("--fragment", fragment), ("--no-reply", not reply)) if given)
        return read_flow(read, self.loaded.config)

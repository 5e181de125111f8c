"""The meaning of access lists for an SMT solver, written down from the models and from nothing that computes with sets.

A packet is a handful of bit vectors, a line a formula over them, a list a chain of if and else. Lists whose lines
may match or not (doubts) are not encoded: :class:`NotEncoded` says so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import z3

from pathcheck.model.access_list import AccessList, Action, IcmpMatch, Line, Remark
from pathcheck.model.device import Device
from pathcheck.model.object_group import GroupReference, ServiceMatch
from pathcheck.packet.box import Box
from pathcheck.packet.packet import Packet
from pathcheck.packet.ranges import Ranges
from pathcheck.packet.tcp_flags import FlagMatch
from pathcheck.packet.wildcard import AddressMatch

__all__ = ["Meaning", "NotEncoded", "lines_of"]

TRUE, FALSE = z3.BoolVal(True), z3.BoolVal(False)
_PORTED = (6, 17, 132)


class NotEncoded(Exception):  # noqa: N818 - a reason to pass a list by
    """What a list says depends on more than its lines."""


def lines_of(access_list: AccessList) -> list[Line]:
    """The lines that permit or deny, in order; a line that could not be read has no formula."""
    lines = [entry for entry in access_list.entries if not isinstance(entry, Remark)]
    if not all(isinstance(line, Line) and line.doubt is None for line in lines):
        raise NotEncoded
    return [line for line in lines if isinstance(line, Line)]


class Meaning:
    """One IP version: the fields of a packet, and formulas over them.

    Parameters
    ----------
    version
        4 or 6.
    """

    def __init__(self, version: int) -> None:
        self.version = version
        width = 32 if version == 4 else 128
        self.source, self.destination = z3.BitVec("source", width), z3.BitVec("destination", width)
        self.protocol, self.flags, self.dscp = z3.BitVec("protocol", 8), z3.BitVec("flags", 8), z3.BitVec("dscp", 6)
        # What stands in the first four bytes behind the header: two ports, or in the second word type and code of ICMP.
        self.source_port, self.destination_port = z3.BitVec("source port", 16), z3.BitVec("destination port", 16)
        self.icmp = z3.BitVec("type and code", 16)
        self.fragment = z3.Bool("fragment")
        self.own_icmp = 1 if version == 4 else 58

    # -- packets

    def exists(self) -> z3.BoolRef:
        """A field that a packet does not have is 0; a later fragment has none of layer 4."""
        ported = z3.And(z3.Not(self.fragment), z3.Or([self.protocol == number for number in _PORTED]))
        icmp = z3.And(z3.Not(self.fragment), z3.Or(self.protocol == 1, self.protocol == 58))
        tcp = z3.And(z3.Not(self.fragment), self.protocol == 6)
        return z3.And(
            z3.Implies(z3.Not(ported), z3.And(self.source_port == 0, self.destination_port == 0)),
            z3.Implies(z3.Not(icmp), self.icmp == 0),
            z3.Implies(z3.Not(tcp), self.flags == 0),
        )

    def is_packet(self, packet: Packet) -> z3.BoolRef:
        """The formula of one packet."""
        return z3.And(
            self.source == packet.source.value, self.destination == packet.destination.value,
            self.protocol == packet.protocol, self.flags == packet.flags, self.dscp == packet.dscp,
            self.source_port == packet.source_port, self.destination_port == packet.destination_port,
            self.icmp == packet.icmp_type * 256 + packet.icmp_code, self.fragment == packet.fragment,
        )  # fmt: skip

    def box(self, box: Box) -> z3.BoolRef:
        """What a row of a report says: each field in its set, and a field that is limited is there."""
        parts = [self.address(self.source, box.source), self.address(self.destination, box.destination)]
        layer4 = []
        if box.protocols is not None:
            parts.append(self.number(self.protocol, box.protocols))
        if box.source_ports is not None:
            layer4 += [self.is_ported(), self.number(self.source_port, box.source_ports)]
        if box.destination_ports is not None:
            layer4 += [self.is_ported(), self.number(self.destination_port, box.destination_ports)]
        if box.icmp is not None:
            layer4 += [self.protocol == self.own_icmp, self.number(self.icmp, box.icmp)]
        if box.flags is not None:
            layer4 += [self.protocol == 6, self.has_flags(box.flags)]
        if layer4:
            parts += [z3.Not(self.fragment), *layer4]
        if box.dscp is not None:
            parts.append(self.number(self.dscp, box.dscp))
        if box.fragment is not None:
            parts.append(self.fragment == box.fragment)
        return z3.And(parts)

    def boxes(self, boxes: Iterable[Box]) -> z3.BoolRef:
        """The union of rows."""
        return z3.Or([FALSE, *(self.box(box) for box in boxes)])

    # -- criteria

    def address(self, field: z3.BitVecRef, wanted: AddressMatch) -> z3.BoolRef:
        if wanted.version != self.version:
            return FALSE
        return field & wanted.care == wanted.value

    @staticmethod
    def number(field: z3.BitVecRef, ranges: Ranges) -> z3.BoolRef:
        spans = [z3.And(z3.UGE(field, low), z3.ULE(field, high)) for low, high in ranges.spans]
        return z3.Or([FALSE, *spans])

    def is_ported(self) -> z3.BoolRef:
        return z3.Or([self.protocol == number for number in _PORTED])

    def has_flags(self, flags: FlagMatch) -> z3.BoolRef:
        return z3.Or([FALSE, *(self.flags & care == value for care, value in flags.cubes)])

    def _group(self, device: Device, reference: GroupReference, of: Callable[[object], z3.BoolRef]) -> z3.BoolRef:
        """Some member of the group."""
        found = device.groups.get((reference.kind, reference.name))
        if found is None or not found.members or found.family not in (None, f"ipv{self.version}"):
            raise NotEncoded
        parts = []
        for member in found.members:
            if member.value is None or member.value == reference:
                raise NotEncoded
            if isinstance(member.value, GroupReference):
                parts.append(self._group(device, member.value, of))
            else:
                parts.append(of(member.value))
        return z3.Or(parts)

    def _end(self, device: Device, field: z3.BitVecRef, wanted: object) -> z3.BoolRef:
        """A source or a destination."""
        if isinstance(wanted, GroupReference):
            return self._group(device, wanted, lambda member: self._end(device, field, member))
        assert isinstance(wanted, AddressMatch)
        return self.address(field, wanted)

    def _value(self, device: Device, field: z3.BitVecRef, wanted: object) -> z3.BoolRef:
        """A number, some numbers, or a group of them; None is any."""
        if wanted is None:
            return TRUE
        if isinstance(wanted, GroupReference):
            return self._group(device, wanted, lambda member: self._value(device, field, member))
        if isinstance(wanted, IcmpMatch):
            kind = z3.LShR(field, 8) == wanted.type
            return kind if wanted.code is None else z3.And(kind, field & 255 == wanted.code)
        if isinstance(wanted, int):
            return field == wanted
        assert isinstance(wanted, Ranges)
        return self.number(field, wanted)

    @staticmethod
    def _is_possible(wanted: object) -> bool:
        """Whether some number meets it: an empty set of ports or flags is met by no packet, not even by a fragment."""
        if isinstance(wanted, Ranges):
            return bool(wanted)
        return bool(wanted.cubes) if isinstance(wanted, FlagMatch) else True

    # -- lines and lists

    def line(self, device: Device, line: Line) -> z3.BoolRef:
        """The packets that a line decides if it is asked."""
        ends = z3.And(
            self._end(device, self.source, line.source),
            self._end(device, self.destination, line.destination),
            self._value(device, self.dscp, line.dscp),
        )
        if isinstance(line.protocol, GroupReference) and line.protocol.kind == "service":

            def service(member: object) -> z3.BoolRef:
                assert isinstance(member, ServiceMatch)
                return self._service(
                    device, line, member.protocol, member.source_ports, member.destination_ports, member.icmp
                )

            return z3.And(ends, self._group(device, line.protocol, service))
        return z3.And(
            ends,
            self._service(device, line, line.protocol, line.source_ports, line.destination_ports, line.icmp),
        )

    def _service(
        self,
        device: Device,
        line: Line,
        protocol: object,
        source_ports: object,
        destination_ports: object,
        icmp: object,
    ) -> z3.BoolRef:
        """Protocol and layer 4 of a line: of whole packets and first fragments, and of later fragments."""
        of_protocol = [self._value(device, self.protocol, protocol)]
        layer4 = []
        asked = [one for one in (source_ports, destination_ports, icmp, line.flags) if one is not None]
        if source_ports is not None or destination_ports is not None:
            of_protocol.append(self.is_ported())
            layer4 += [
                self._value(device, self.source_port, source_ports),
                self._value(device, self.destination_port, destination_ports),
            ]
        if icmp is not None:
            of_protocol.append(self.protocol == self.own_icmp)
            layer4.append(self._value(device, self.icmp, icmp))
        if line.flags is not None:
            of_protocol.append(self.protocol == 6)
            layer4.append(self.has_flags(line.flags))
        whole = z3.And(z3.Not(self.fragment), *of_protocol, *layer4)
        later = z3.And(self.fragment, *of_protocol)
        if line.fragments:
            return FALSE if asked else later
        if not asked:
            return z3.Or(whole, later)
        # Common practice: what is permitted by layer 4 lets later fragments through, what is denied lets them be.
        takes = line.action is Action.PERMIT and device.assume.fragments == "layer3"
        return z3.Or(whole, later) if takes and all(map(self._is_possible, asked)) else whole

    def permits(self, device: Device, access_list: AccessList | None) -> z3.BoolRef:
        """Whether a list permits a packet: by the first line that matches, else by its end."""
        lines = lines_of(access_list) if access_list is not None else []
        if not lines:
            return z3.BoolVal(device.assume.undefined_list == "permits-all")
        answer = FALSE
        if self.version == 6 and device.assume.ipv6_end == "neighbour-discovery":
            kind = z3.LShR(self.icmp, 8)
            answer = z3.And(self.protocol == 58, z3.Not(self.fragment), z3.Or(kind == 135, kind == 136))
        for line in reversed(lines):
            answer = z3.If(self.line(device, line), z3.BoolVal(line.action is Action.PERMIT), answer)
        return answer

    # -- asking

    def some_packet(self, *conditions: z3.BoolRef) -> bool:
        """Whether some packet that can exist meets all conditions."""
        solver = z3.Solver()
        solver.add(self.exists(), *conditions)
        answer = solver.check()
        assert answer != z3.unknown
        return answer == z3.sat

    def is_same(self, one: z3.BoolRef, other: z3.BoolRef) -> bool:
        """Whether two formulas hold for the same packets."""
        return not self.some_packet(one != other)

    def reaches(self, device: Device, lines: Sequence[Line], place: int) -> z3.BoolRef:
        """The packets that a line decides: those that no line before it matches."""
        before = [z3.Not(self.line(device, line)) for line in lines[:place]]
        return z3.And(self.line(device, lines[place]), *before)

"""The matrix: each subnet and place against each other for one service.

All packets of one row set off together and are cut by column only where they have
ended. Rows whose addresses do not overlap share one propagation: which row a packet belongs
to is then told by its source. A cell is exactly what `flow` answers for its two ends.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from pathcheck.errors import CapacityError, FlowError
from pathcheck.fleet import LoadedFleet
from pathcheck.model.flow import Flow
from pathcheck.network.entry import flow_entries, flow_packets
from pathcheck.network.propagation import Touch
from pathcheck.network.reachability import End, Network, Start
from pathcheck.network.reply import replies_to
from pathcheck.packet.address import WIDTH, IPVersion
from pathcheck.packet.box import Box
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.wildcard import AddressMatch
from pathcheck.packetset.algebra import PacketSet, packet_space
from pathcheck.queries.flow import network_of
from pathcheck.queries.reach.carried import Carried, SecondOpinion, carry, carry_back
from pathcheck.queries.reach.ends import all_ends, ends_of
from pathcheck.results.path import Doubt, Reading
from pathcheck.results.reach import ReachAnswer, ReachCell, ReachEnd
from pathcheck.results.region import Region
from pathcheck.results.verdict import Reason, Verdict, joint_verdict

__all__ = ["ask_reach", "matrix_size"]

TOGETHER = 256
"""Rows that are carried together at most."""

ROWS = 6
"""Rows in which the part of a cell is shown at most."""

CELLS_SHOWN = 400
"""Cells up to which the part that passes is worked out for each that passes partly: it takes some milliseconds."""

DOUBTS = 4
"""Doubtful lines that are named for a cell at most."""

Advance = Callable[[int], None]


def ask_reach(
    loaded: LoadedFleet,
    service: str,
    flows: Mapping[IPVersion, Flow],
    *,
    sources: Sequence[str] = (),
    destinations: Sequence[str] = (),
    reply: bool = False,
    advance: Advance = lambda _: None,
) -> ReachAnswer:
    """Ask what becomes of a service between all subnets and places of a fleet.

    Parameters
    ----------
    loaded
        The fleet.
    service, flows
        The service as written and as flows from anywhere to anywhere, see
        :func:`pathcheck.parser.service_words.service_flows`.
    sources, destinations
        Words that restrict rows and columns, see :func:`pathcheck.queries.reach.ends.ends_of`.
    reply
        Whether the reply must come back.
    advance
        Told of rows that are done.

    Returns
    -------
    ReachAnswer
        The cell of two ends has the verdict that :func:`pathcheck.queries.flow.ask_flow` gives for them.

    Raises
    ------
    FlowError
        Nothing is asked: no subnet is left, or nothing answers the service and the reply is demanded.
    UnknownNameError
        No place or device of a name.
    InternalFault
        The evaluator disagrees.
    """
    network = network_of(loaded.config)
    topology = network.topology
    everything, left_out = all_ends(loaded, topology)
    rows = ends_of(sources, loaded, topology) if sources else everything
    columns = ends_of(destinations, loaded, topology, as_destination=True) if destinations else everything
    if not rows or not columns:
        raise FlowError(
            "no subnet of the fleet can hold a station, so there is nothing to ask between",
            help="name addresses with `--from` and `--to`",
        )
    matrix = _Matrix(network, rows, columns, reply, advance)
    if left_out and any(not words or "any" in words for words in (sources, destinations)):
        matrix.notes.append(
            f"{_number(len(left_out), 'subnet')} without room for a station left out (links between devices, "
            "loopbacks): name them with `--from` or `--to`"
        )
    cells: list[ReachCell] = []
    for version, flow in flows.items():
        if reply and replies_to(flow_packets(flow, version)).is_empty:
            raise FlowError(f"nothing answers `{service}`, so no reply can be demanded", help="leave `--reply` away")
        cells.extend(matrix.cells(version, flow))
    if not cells:
        raise FlowError(f"no two ends have an IP version in common that has the service `{service}`")
    return ReachAnswer(
        service,
        reply,
        tuple(rows),
        tuple(columns),
        tuple(matrix.with_parts(cells)),
        tuple(matrix.readings),
        tuple(matrix.all_notes()),
    )


def matrix_size(
    loaded: LoadedFleet, flows: Mapping[IPVersion, Flow], sources: Sequence[str], destinations: Sequence[str]
) -> int:
    """Return how many cells a matrix has, those that cannot be asked about included; arguments as of `ask_reach`."""
    topology = network_of(loaded.config).topology
    everything = all_ends(loaded, topology)[0]
    rows = ends_of(sources, loaded, topology) if sources else everything
    columns = ends_of(destinations, loaded, topology, as_destination=True) if destinations else everything
    return sum(
        len([row for row in rows if _of(version, row)]) * len([column for column in columns if _of(version, column)])
        for version in flows
    )


@dataclass(slots=True)
class _Row:
    """One source with what enters for it."""

    end: ReachEnd
    flow: Flow
    starts: list[Start] = field(default_factory=list)
    ends: list[End] = field(default_factory=list)
    errors: dict[str, str] = field(default_factory=dict)
    """By column, where not all columns could be asked together."""

    def asked(self, version: IPVersion) -> PacketSet:
        """Return the packets that are asked about, to all columns."""
        sets = [*(start.packets for start in self.starts), *(end.packets for end in self.ends)]
        return packet_space(version).union(sets)


@dataclass(slots=True)
class _Partly:
    """What is needed to show the part of a cell that passes."""

    flow: Flow
    there: PacketSet | None
    back: PacketSet | None
    carried: Carried
    carried_back: Carried | None


@dataclass(slots=True)
class _Matrix:
    """The work on one matrix."""

    network: Network
    rows: Sequence[ReachEnd]
    columns: Sequence[ReachEnd]
    reply: bool
    advance: Advance
    notes: list[str] = field(default_factory=list)
    readings: dict[Reading, None] = field(default_factory=dict)
    assumed: dict[str, None] = field(default_factory=dict)
    partly: dict[tuple[str, str, IPVersion], _Partly] = field(default_factory=dict)
    opinion: SecondOpinion = field(init=False)

    def __post_init__(self) -> None:
        self.opinion = SecondOpinion(self.network.config)

    def all_notes(self) -> list[str]:
        """Return the notes, with what was assumed about cables."""
        found = list(dict.fromkeys((*self.notes, *filter(None, [self.opinion.note]))))
        if self.assumed:
            names = ", ".join(list(self.assumed)[:6]) + (", and others" if len(self.assumed) > 6 else "")
            found.append(f"no cabling is given for {names}: the subnets are assumed to be carried")
        return found

    # ---- rows -------------------------------------------------------------------------------

    def cells(self, version: IPVersion, service: Flow) -> Iterator[ReachCell]:
        """Yield the cells of one IP version, row by row."""
        columns = [column for column in self.columns if _of(version, column)]
        rows = [row for row in self.rows if _of(version, row)]
        if not rows or not columns:
            return
        found: dict[str, list[ReachCell]] = {}
        made = [self._row(row, columns, version, service) for row in rows]
        for batch in _disjoint(made):
            for row, cells in self._batch(batch, columns, version):
                found[row.end.name] = cells
        for row in made:
            yield from found[row.end.name]

    def _row(self, end: ReachEnd, columns: Sequence[ReachEnd], version: IPVersion, service: Flow) -> _Row:
        """Let the packets of a row enter: to all columns at once, or one by one where not all can be asked."""
        source = _of(version, end)
        flow = replace(service, source=source, source_named=end.name)
        every = Prefix.merged(prefix for column in columns for prefix in _of(version, column))
        row = _Row(end, flow)
        try:
            entries = flow_entries(self.network, replace(flow, destination=every), version)
        except FlowError:
            for column in columns:
                try:
                    entries = flow_entries(self.network, _towards(flow, column, version), version)
                except FlowError as error:
                    row.errors[column.name] = error.message
                else:
                    row.starts.extend(entries.starts)
                    row.ends.extend(entries.ends)
        else:
            row.starts.extend(entries.starts)
            row.ends.extend(entries.ends)
        return row

    def _batch(
        self, rows: Sequence[_Row], columns: Sequence[ReachEnd], version: IPVersion
    ) -> Iterator[tuple[_Row, list[ReachCell]]]:
        """Yield the cells of rows that share one propagation; fewer rows share it where the sets grow too large."""
        try:
            carried = carry(
                self.network,
                version,
                [start for row in rows for start in row.starts],
                [end for row in rows for end in row.ends],
            )
            back = None
            if self.reply:
                back = carry_back(self.network, carried, tuple(prefix for row in rows for prefix in row.flow.source))
        except CapacityError:
            if len(rows) == 1:
                raise
            middle = len(rows) // 2
            yield from self._batch(rows[:middle], columns, version)
            yield from self._batch(rows[middle:], columns, version)
            return
        for one in (carried, back) if back is not None else (carried,):
            self.readings.update(one.readings)
            self.assumed.update(one.assumed)
        for row in rows:
            yield (
                row,
                [self._cell(row, column, *cut) for column, cut in self._cut(row, columns, version, carried, back)],
            )
            self.advance(len(columns))

    # ---- cells ------------------------------------------------------------------------------

    def _cut(
        self,
        row: _Row,
        columns: Sequence[ReachEnd],
        version: IPVersion,
        carried: Carried,
        back: Carried | None,
    ) -> Iterator[tuple[ReachEnd, tuple[PacketSet, _Side, _Side | None]]]:
        """Yield each column with its packets, and how they end on both ways."""
        asked = row.asked(version)
        there = _Side(carried, asked)
        answering = None if back is None else _Side(back, _addressed(version, row.flow.source, True))
        for side in (there, answering):
            if side is not None:
                self.opinion.try_one_of_each(side.carried, side.by_reason.values())
        for column in columns:
            towards = _addressed(version, _of(version, column), True)
            answers = None
            if answering is not None:
                answers = answering.within(_addressed(version, _of(version, column), False))
            yield column, (asked & towards, there.within(towards), answers)

    def _cell(
        self, row: _Row, column: ReachEnd, asked: PacketSet, there: _Side, back: _Side | None
    ) -> ReachCell:  # fmt: skip
        version = asked.version
        names = (row.end.name, column.name, version)
        if column.name in row.errors:
            return ReachCell(*names, None, why=row.errors[column.name])
        if asked.is_empty:
            return ReachCell(*names, None, why=self._why(row, column, version))
        way = there.verdict()
        assert way is not None
        reply = back.verdict() if back is not None and way is not Verdict.DENIED else None
        verdict = way if back is None else _both(there, back)
        doubts: dict[Doubt, None] = {}
        if verdict is Verdict.UNCERTAIN:
            for side in (there, back):
                if side is not None and len(doubts) < DOUBTS:
                    doubts.update(dict.fromkeys(side.doubts()))
        if Verdict.PARTLY in (way, reply):
            self.partly[names] = _Partly(
                _towards(row.flow, column, version),
                there.passing() if way is Verdict.PARTLY else None,
                back.passing() if back is not None and reply is Verdict.PARTLY else None,
                there.carried,
                None if back is None else back.carried,
            )
        return ReachCell(
            *names,
            verdict,
            way,
            reply,
            tuple(there.by_reason),
            () if back is None or reply is None else tuple(back.by_reason),
            doubts=tuple(doubts)[:DOUBTS],
        )

    def _why(self, row: _Row, column: ReachEnd, version: IPVersion) -> str:
        """Return in the words of `flow` why two ends hold no packet."""
        try:
            flow_entries(self.network, _towards(row.flow, column, version), version)
        except FlowError as error:
            return error.message
        return "no packet goes from the one to the other"

    # ---- parts ------------------------------------------------------------------------------

    def with_parts(self, cells: Iterable[ReachCell]) -> Iterator[ReachCell]:
        """Yield the cells, those that pass partly with the part that passes, where they are not too many."""
        if len(self.partly) > CELLS_SHOWN:
            self.notes.append(
                f"which part passes is not worked out for {len(self.partly)} cells that pass partly: "
                "ask for fewer with `--from` and `--to`"
            )
            yield from cells
            return
        for cell in cells:
            partly = self.partly.get((cell.source, cell.destination, cell.version))
            if partly is None:
                yield cell
                continue
            whole = flow_packets(partly.flow, cell.version)
            part = self._part(partly.there, partly.carried, whole)
            back = self._part(partly.back, partly.carried_back, replies_to(whole)) if partly.carried_back else ()
            yield replace(cell, part=part, reply_part=back)

    def _part(self, packets: PacketSet | None, carried: Carried, whole: PacketSet) -> tuple[Region, ...]:
        """Return packets as a few rows; they may hold what nobody asked about, because that makes them few."""
        if packets is None:
            return ()
        space = packets.space
        asked = space.union(carried.by_reason.values())
        boxes = (packets | whole - asked).boxes(ROWS + 2)
        found: list[Region] = []
        for box in boxes:
            sample = (packets & space.of(box)).sample()
            if sample is not None and len(found) < ROWS:
                found.append(Region(box, sample))
        if found:
            self.opinion.try_one_of_each(carried, [packets & space.of(found[0].box)])
        return tuple(found)


@dataclass(slots=True)
class _Side:
    """How the packets of a row or a cell end on one way."""

    carried: Carried
    within_: PacketSet
    by_reason: dict[Reason, PacketSet] = field(init=False)
    touches: list[Touch] = field(init=False)

    def __post_init__(self) -> None:
        self.by_reason = _met(self.carried.by_reason, self.within_)
        self.touches = []
        unknown = self.by_reason.get(Reason.UNMODELLED)
        if unknown is not None:
            for touch in self.carried.touches:
                met = touch.packets & unknown
                if not met.is_empty:
                    self.touches.append(replace(touch, packets=met))

    def within(self, packets: PacketSet) -> _Side:
        """Return how those packets of the side end."""
        part = _Side.__new__(_Side)
        part.carried, part.within_ = self.carried, packets
        part.by_reason, part.touches = _met(self.by_reason, packets), self.touches
        return part

    def verdict(self) -> Verdict | None:
        """Return the verdict, None where there are no packets."""
        return joint_verdict(reason.verdict for reason in self.by_reason) if self.by_reason else None

    def passing(self) -> PacketSet:
        """Return the packets that pass for certain, on one of their ways at least."""
        sets = [packets for reason, packets in self.by_reason.items() if reason.verdict is Verdict.PERMITTED]
        return self.within_.space.union(sets)

    def doubts(self) -> Iterator[Doubt]:
        """Yield the doubts about what is uncertain."""
        unknown = self.by_reason.get(Reason.UNMODELLED)
        if unknown is not None:
            for touch in self.touches:
                yield from touch.doubts_about(unknown)


def _met(sets: Mapping[Reason, PacketSet], packets: PacketSet) -> dict[Reason, PacketSet]:
    """Return those of some packets in each set that has any."""
    met = {reason: held & packets for reason, held in sets.items()}
    return {reason: held for reason, held in met.items() if not held.is_empty}


def _both(there: _Side, back: _Side) -> Verdict:
    """Return the verdict on a way there and back; packets that nothing answers are not counted."""
    found = set()
    if any(reason.verdict is Verdict.DENIED for side in (there, back) for reason in side.by_reason):
        found.add(Verdict.DENIED)
    if any(Reason.UNMODELLED in side.by_reason for side in (there, back)):
        found.add(Verdict.UNCERTAIN)
    answered = back.passing()
    if not answered.is_empty and Reason.UNMODELLED in there.by_reason:
        # What only may have got there is answered too: of certain use are the replies to what has got there.
        answered &= replies_to(there.passing())
    if not answered.is_empty:
        found.add(Verdict.PERMITTED)
    return joint_verdict(found) if found else Verdict.DENIED


def _of(version: IPVersion, end: ReachEnd) -> tuple[Prefix, ...]:
    return tuple(prefix for prefix in end.prefixes if prefix.version == version)


def _towards(flow: Flow, column: ReachEnd, version: IPVersion) -> Flow:
    return replace(flow, destination=_of(version, column), destination_named=column.name)


def _addressed(version: IPVersion, prefixes: Iterable[Prefix], is_destination: bool) -> PacketSet:
    """Return all packets whose source, or destination, is in one of the prefixes."""
    anywhere = AddressMatch.any(version)
    matches = (AddressMatch.prefix(prefix) for prefix in prefixes)
    return packet_space(version).of_boxes(
        Box(anywhere, match) if is_destination else Box(match, anywhere) for match in matches
    )


def _disjoint(rows: Iterable[_Row]) -> list[list[_Row]]:
    """Group rows so that no address is in two rows of a group: there a packet's source tells its row."""
    groups: list[tuple[list[_Row], set[Prefix], set[Prefix]]] = []
    for row in rows:
        above = {
            Prefix.containing(prefix.first, length)
            for prefix in row.flow.source
            for length in range(WIDTH[prefix.version] + 1)
            if length <= prefix.length
        }
        own = set(row.flow.source)
        for members, held, over in groups:
            if len(members) < TOGETHER and held.isdisjoint(above) and over.isdisjoint(own):
                break
        else:
            members, held, over = [], set(), set()
            groups.append((members, held, over))
        members.append(row)
        held.update(own)
        over.update(above)
    return [members for members, _, _ in groups]


def _number(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")

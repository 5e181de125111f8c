"""Two states of a fleet, and what a full replacement by the later one takes away.

What is modelled is compared by its meaning, all other lines by their words and the block that they stand in.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

from pathcheck.errors import UnknownNameError, UsageError, nearest
from pathcheck.fleet_source import FleetState, is_revision
from pathcheck.model.device import Device
from pathcheck.packet.ranges import Ranges
from pathcheck.queries.fleet_comparison.unread_files import refused_alike
from pathcheck.queries.removals.meaning import Piece, all_vlans, pieces_of, sections_of
from pathcheck.queries.removals.words import word_lines
from pathcheck.results.removals import Alarm, DeviceRemovals, Removal, Removals
from pathcheck.source import Span

__all__ = ["preview_removals"]

_FEWEST_WORDS = 2
"""So many lines with the same first words make a section of lines that are not modelled."""
_DATA_ENDINGS = (".yaml", ".yml", ".json")


def preview_removals(
    before: FleetState,
    after: FleetState,
    *,
    device: str | None = None,
    most: int | None = None,
    advance: Callable[[int], None] = lambda _: None,
) -> Removals:
    """Find what each device has before and has no more after.

    Parameters
    ----------
    device
        Only this one.
    most
        How many removals are allowed.
    advance
        Hears of each device that is done, by 1.

    Raises
    ------
    UnknownNameError
        Neither state has such a device.
    UsageError
        The two states are single files of devices with other names and several devices, so that none fit together.
    InputError
        A file is refused in either state and not the same in both: what goes with it is not known.
    """
    notes = [f"{name}: refused in both states, with the same content" for name in refused_alike(before, after)]
    old, new = before.loaded.config.devices, after.loaded.config.devices
    pairs = _pairs(before, after)
    if device is not None:
        if device not in old and device not in new:
            near = nearest(device, {**old, **new})
            raise UnknownNameError(
                f"neither state has a device `{device}`", help=f"did you mean `{near}`?" if near else None
            )
        pairs = [pair for pair in pairs if device in pair]
    found: list[DeviceRemovals] = []
    alarms: list[Alarm] = []
    for one, other in pairs:
        if other is None:
            alarms.append(_gone(old[one], after))
        else:
            looking = _Looking(before, after, old[one], new[other])
            found.append(looking.removals())
            alarms += looking.alarms()
            notes += looking.notes()
        advance(1)
    return Removals(before.word, after.word, tuple(found), tuple(alarms), most, tuple(dict.fromkeys(notes)))


def _pairs(before: FleetState, after: FleetState) -> list[tuple[str, str | None]]:
    """Return the devices of the earlier state with those that they become; None where one is there no more.

    A single file is one device's capture: the other devices of the fleet have nothing to do with it, and where both
    are single files of one device each their names do not matter.
    """
    old, new = list(before.loaded.config.devices), list(after.loaded.config.devices)
    singles = [_is_single(before), _is_single(after)]
    common = [name for name in old if name in new]
    if not any(singles):
        return [(name, name if name in new else None) for name in old]
    if common:
        return [(name, name) for name in common]
    if all(singles) and len(old) == len(new) == 1:
        return [(old[0], new[0])]
    single, fleet = (before, after) if singles[0] else (after, before)
    names = ", ".join(f"`{name}`" for name in single.loaded.config.devices)
    raise UsageError(
        f"`{fleet.word}` has no device {names or 'at all'}, which `{single.word}` is",
        help="the name is that of the `hostname` line, else of the file",
    )


def _is_single(state: FleetState) -> bool:
    """Whether a state is one file."""
    if is_revision(state.word):
        files = [account.file for account in state.loaded.report.files]
        return len(files) == 1 and state.word.endswith(files[0]) and state.word.count(":") > 1
    return Path(state.word).is_file()


def _gone(device: Device, after: FleetState) -> Alarm:
    """A device that is there no more; a file of that name that is refused is said."""
    refused = [it.file for it in after.loaded.report.files if it.refused is not None and it.file in device.files]
    why = f"its file `{refused[0]}` is refused" if refused else "no file gives it"
    span = Span(device.files[0], 1, "") if device.files else None
    return Alarm(device.name, "device", f"{device.name} is there no more: {why}", 1, span)


class _Looking:
    """One device in two states."""

    def __init__(self, before: FleetState, after: FleetState, old: Device, new: Device) -> None:
        self.before, self.after, self.old, self.new = before, after, old, new
        self.management = new.management or old.management
        self.was = [*pieces_of(old, old.management or self.management)]
        self.now: dict[tuple[object, ...], list[Piece]] = {}
        for piece in pieces_of(new, self.management):
            self.now.setdefault(piece.slot, []).append(piece)
        self.old_words = [*word_lines(old.files, before.read)]
        self.new_words = [*word_lines(new.files, after.read)]

    def removals(self) -> DeviceRemovals:
        """Compare by meaning, then by words; one removal for one line."""
        by_line: dict[tuple[str, int], list[Removal]] = {}
        meant = {(piece.span.file, piece.span.line) for piece in self.was}
        for piece in self.was:
            found = self._lost(piece)
            if found is not None:
                by_line.setdefault((found.span.file, found.span.line), []).append(found)
        there = Counter(line.key for line in self.new_words)
        for line in self.old_words:
            place = (line.span.file, line.span.line)
            if place not in meant and line.key not in there:
                said = Removal(self.old.name, line.reach, f"`{line.span.words}`", line.span, modelled=False)
                by_line.setdefault(place, []).append(said)
        every = [_joined(found) for found in by_line.values()]
        every.sort(key=lambda item: (item.reach, item.span.file, item.span.line))
        lines = {(line.span.file, line.span.line) for line in self.old_words} | meant
        return DeviceRemovals(
            self.old.name,
            tuple(item for item in every if item.by is None),
            tuple(item for item in every if item.by is not None),
            len(lines) - len(every),
        )

    def _lost(self, piece: Piece) -> Removal | None:
        """What a piece has lost, if anything."""
        there = self.now.get(piece.slot, [])
        other = next((it for it in there if it.value == piece.value), there[0] if there else None)
        kind = piece.slot[0]
        if kind == "allowed" and isinstance(piece.value, Ranges):
            return self._lost_vlans(piece, piece.value, other)
        if other is None and (
            # A physical port cannot go, and VLAN 1 is what a port is in that says nothing.
            (kind == "interface" and self.old.interfaces[str(piece.slot[1])].kind == "physical")
            or (kind in ("access", "native") and piece.value == 1)
        ):
            return None
        if other is None:
            return Removal(self.old.name, piece.reach, piece.what, piece.span)
        if other.value != piece.value:
            return Removal(self.old.name, piece.reach, piece.what, piece.span, by=other.span)
        return None

    def _lost_vlans(self, piece: Piece, allowed: Ranges, other: Piece | None) -> Removal | None:
        """VLANs that a trunk carries no more; without a list a trunk carries all."""
        if other is not None and other.value == allowed:
            return None
        port = self.new.interfaces.get(str(piece.slot[1]))
        if port is None or port.switch_port is None or port.switch_port.mode == "access":
            return Removal(self.old.name, piece.reach, piece.what, piece.span)
        now = other.value if other is not None and isinstance(other.value, Ranges) else all_vlans
        lost = allowed & now.complement(4095)
        if not lost.spans:
            return None
        return Removal(self.old.name, piece.reach, f"VLAN {lost} on the trunk {piece.slot[1]}", piece.span)

    # ---- alarms -----------------------------------------------------------------------------

    def alarms(self) -> Iterator[Alarm]:
        """Sections of which nothing is left."""
        name = self.old.name
        if self.old_words and not self.new_words and not self._has_data():
            yield Alarm(
                name, "device", f"the text of {name} holds no command any more", len(self.old_words), self._first()
            )
            return
        yield from self._management()
        left = {section: spans for section, spans in sections_of(self.new) if spans}
        told = {section for section, spans in sections_of(self.old) if spans and section not in left}
        for section, spans in sections_of(self.old):
            if section not in told or (section.startswith("lines of the list") and not self._is_empty_list(section)):
                continue
            yield Alarm(name, section, f"{name} has no {section} any more, and had {len(spans)}", len(spans), spans[0])
        yield from self._word_sections()

    def _management(self) -> Iterator[Alarm]:
        """The management address is on no interface any more."""
        address = self.management
        if address is None:
            return
        had = [it.span for one in self.old.interfaces.values() for it in one.addresses if it.address == address]
        has = any(it.address == address for one in self.new.interfaces.values() for it in one.addresses)
        if had and not has:
            message = f"{self.old.name} has its management address {address} on no interface any more"
            yield Alarm(self.old.name, "management address", message, 1, had[0])

    def _is_empty_list(self, section: str) -> bool:
        """Whether a list is there, or applied, still, and has no line; one that went as a whole is a removal."""
        name = section.removeprefix("lines of the list ")
        applied = {binding.list_name for it in self.new.interfaces.values() for binding in it.bindings}
        applied |= {binding.list_name for lines in self.new.terminal_lines for binding in lines.bindings}
        applied |= {binding.list_name for binding in self.new.control_plane}
        return name in applied or any(it.name == name for it in self.new.access_lists.values())

    def _word_sections(self) -> Iterator[Alarm]:
        """Sections of lines that are not modelled, by their first words."""
        meant = {(piece.span.file, piece.span.line) for piece in self.was}
        had: dict[str, list[Span]] = {}
        for line in self.old_words:
            if line.section is not None and (line.span.file, line.span.line) not in meant:
                had.setdefault(line.section, []).append(line.span)
        has = {line.section for line in self.new_words}
        for section, spans in had.items():
            if section not in has and len(spans) >= _FEWEST_WORDS:
                message = f"{self.old.name} has no line `{section} ...` any more, and had {len(spans)}"
                yield Alarm(self.old.name, f"`{section}` lines", message, len(spans), spans[0])

    def _has_data(self) -> bool:
        return any(file.lower().endswith(_DATA_ENDINGS) for file in self.new.files)

    def _first(self) -> Span | None:
        return self.old_words[0].span if self.old_words else None

    def notes(self) -> Iterator[str]:
        """What was compared by its meaning alone."""
        data = [it for it in (*self.old.files, *self.new.files) if it.lower().endswith(_DATA_ENDINGS)]
        if data:
            yield f"{', '.join(dict.fromkeys(data))}: data has no lines, so only what is modelled is compared there"


def _joined(found: list[Removal]) -> Removal:
    """Several losses of one line as one; what is gone counts more than what has another value."""
    gone = [item for item in found if item.by is None] or found
    first = min(gone, key=lambda item: item.reach)
    names = list(dict.fromkeys(item.what for item in sorted(gone, key=lambda item: item.reach)))
    what = ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")
    return Removal(first.device, first.reach, what, first.span, first.by, first.modelled)

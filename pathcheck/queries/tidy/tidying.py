"""From a list to its shorter equivalent, with the proofs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from pathcheck.dataplane.compiled_list import list_doubts
from pathcheck.dataplane.list_space import line_space
from pathcheck.errors import InternalFault
from pathcheck.fleet import LoadedFleet
from pathcheck.model.access_list import AccessList, Entry, Line, Remark
from pathcheck.model.device import Device
from pathcheck.queries.list_difference import ListSide, list_difference
from pathcheck.queries.named_list import lists_named
from pathcheck.queries.tidy.changes import changes_of
from pathcheck.queries.tidy.merging import merge_neighbours
from pathcheck.queries.tidy.parts import Part, reviewed_parts
from pathcheck.queries.tidy.remarks import idle_remarks
from pathcheck.queries.tidy.removal import Removable, removable_lines
from pathcheck.queries.tidy.rewriting import list_text
from pathcheck.queries.tidy.second_proof import BOUND, prove_alike
from pathcheck.queries.tidy.spelling import respelled, splits_prefixes
from pathcheck.results.path import Doubt
from pathcheck.results.tidy import TidyProof, TidyResult

__all__ = ["tidy_list", "tidy_named"]


def tidy_named(loaded: LoadedFleet, list_name: str, *, device: str | None = None) -> tuple[Device, list[TidyResult]]:
    """Tidy the lists of one name: one, or one of each IP version.

    Raises
    ------
    UnknownNameError
        No such device or list, or several devices have one of that name.
    CapacityError, InternalFault
        As :func:`tidy_list`.
    """
    found = lists_named(loaded.config, device, list_name)
    return found.device, [tidy_list(found.device, one) for one in found.lists]


def tidy_list(
    device: Device, access_list: AccessList, *, advance: Callable[[int], None] = lambda _: None
) -> TidyResult:
    """Return an equivalent list, as short as it can be made.

    Parameters
    ----------
    device
        Defines the list, and the groups that its lines name.
    advance
        Hears how many steps are done, three for each line.

    Returns
    -------
    TidyResult
        With the list as it was where there is nothing to tidy.

    Raises
    ------
    CapacityError
        The proof is too large for this machine.
    InternalFault
        The shorter list is not equivalent. It is not given out.
    """
    whole = list_doubts(device, access_list.family, access_list.name)
    if access_list.is_empty or whole:
        notes = ("what the list decides as a whole is not known, so it is left as it is",) if whole else ()
        return _as_it_was(device, access_list, notes, whole)
    shortening = _Shortening(device, access_list, advance)
    shortening.run()
    places = [place for place, entry in enumerate(access_list.entries) if not isinstance(entry, Remark)]
    doubts = tuple(
        dict.fromkeys(
            doubt
            for line in access_list.lines
            for doubt in line_space(device, line, access_list.family, access_list.name).doubts
        )
    )
    if len(shortening.parts) == len(places):
        return _as_it_was(device, access_list, (), doubts)
    kept = {places[part.origin]: part for part in shortening.parts}
    idle = idle_remarks(access_list.entries, set(kept))
    slash = splits_prefixes(access_list)
    texts: list[tuple[int, str | None]] = []
    entries: list[Entry] = []
    for place, entry in enumerate(access_list.entries):
        if place in kept:
            line = kept[place].line
            entries.append(line)
            if line is not entry:
                assert isinstance(line, Line)
                assert isinstance(entry, Line)
                texts.append((place, respelled(device, access_list, line, entry, slash=slash)))
        elif isinstance(entry, Remark) and place not in idle:
            entries.append(entry)
        else:
            texts.append((place, None))
    after = replace(access_list, entries=tuple(entries))
    proof = _proof(device, access_list, after)
    advance(len(access_list.lines))
    text, as_written = list_text(device, access_list, after, dict(texts))
    return TidyResult(
        device.name,
        access_list,
        after,
        changes_of(access_list, shortening.removed, shortening.parts, dict(texts)),
        tuple(access_list.entries[place].span for place in sorted(idle)),
        proof,
        text,
        as_written,
        tuple(texts),
        (),
        doubts,
    )


class _Shortening:
    """The lines of a list, made fewer until nothing more can be done.

    Attributes
    ----------
    removed
        By place of the line: why it went, with the places of the lines that explain it.
    """

    def __init__(self, device: Device, access_list: AccessList, advance: Callable[[int], None]) -> None:
        self.advance = advance
        self.device = device
        self.access_list = access_list
        self.parts = [Part(line, place) for place, line in enumerate(access_list.lines)]
        self.removed: dict[int, tuple[Removable, tuple[int, ...]]] = {}

    def run(self) -> None:
        """Remove and merge in turns."""
        while True:
            reviewed = reviewed_parts(self.device, self.access_list, self.parts)
            removable = removable_lines(reviewed, self.advance)
            self.advance = lambda _: None  # what comes after the first round is short
            for index, found in removable.items():
                because = tuple(self.parts[cause].origin for cause in found.found.because)
                part = self.parts[index]
                for place in (part.origin, *part.taken):
                    self.removed[place] = (found, because)
            if removable:
                self.parts = [part for index, part in enumerate(self.parts) if index not in removable]
                reviewed = reviewed_parts(self.device, self.access_list, self.parts)
            merged = merge_neighbours(reviewed, self.parts)
            # A dead line that is gone can make one redundant that kept it from acting.
            if not removable and len(merged) == len(self.parts):
                return
            self.parts = merged


def _proof(device: Device, before: AccessList, after: AccessList) -> TidyProof:
    """Show in two ways that two lists are equivalent."""
    if not after.lines:
        raise InternalFault("the shorter list is empty, which is another thing than a list that denies")
    found = list_difference(ListSide(device, before), ListSide(device, after))
    if not found.is_empty:
        sample = (found.opened | found.closed | found.uncertain).sample()
        raise InternalFault(f"the shorter list of `{before.name}` decides `{sample}` otherwise; it is withheld")
    second = prove_alike(device, before, after)
    return TidyProof(True, second.finished, second.cells, second.packets, BOUND)


def _as_it_was(
    device: Device, access_list: AccessList, notes: tuple[str, ...], doubts: tuple[Doubt, ...]
) -> TidyResult:
    """The answer that there is nothing to do."""
    text, as_written = list_text(device, access_list, access_list, {})
    proof = TidyProof(True, True, 0, 0, BOUND)
    return TidyResult(
        device.name, access_list, access_list, (), (), proof, text, as_written, (), notes, doubts
    )  # fmt: skip

"""Which access list a word of the command line means: of the fleet, or of a file that stands beside it."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from pathcheck.errors import InputError, UnknownNameError, UsageError, nearest
from pathcheck.fleet import LoadedFleet, load_fleet
from pathcheck.model.access_list import AccessList
from pathcheck.model.device import Device
from pathcheck.model.fleet_config import FleetConfig

__all__ = ["FoundLists", "ListFinder", "lists_named"]


@dataclass(frozen=True, slots=True)
class FoundLists:
    """The lists of one name of one device: one, or one of each IP version.

    `place` is the file or folder that was read for them, empty for the fleet.
    """

    device: Device
    lists: tuple[AccessList, ...]
    place: str = ""

    @property
    def name(self) -> str:
        """Of the lists."""
        return self.lists[0].name


def lists_named(config: FleetConfig, device: str | None, list_name: str, *, cure: str = "--device") -> FoundLists:
    """Return the device that defines a list, and its lists of that name.

    Parameters
    ----------
    device
        Its name; None where only one device has such a list.
    cure
        How the reader says which device is meant.

    Raises
    ------
    UnknownNameError
        No such device or list, or several devices have one of that name.
    """
    if device is not None and device not in config.devices:
        near = nearest(device, config.devices)
        raise UnknownNameError(f"no device `{device}` in the fleet", help=f"did you mean `{near}`?" if near else None)
    candidates = list(config.devices.values()) if device is None else [config.devices[device]]
    having = [one for one in candidates if any(name == list_name for _, name in one.access_lists)]
    if len(having) == 1:
        (owner,) = having
        return FoundLists(owner, tuple(one for (_, name), one in owner.access_lists.items() if name == list_name))
    if having:
        names = ", ".join(f"`{one.name}`" for one in having[:8]) + (", …" if len(having) > 8 else "")
        raise UnknownNameError(
            f"{len(having)} devices have a list `{list_name}`: {names}", help=f"say which one with `{cure}`"
        )
    known = list(dict.fromkeys(name for one in candidates for _, name in one.access_lists))
    near = nearest(list_name, known)
    where = "the fleet" if device is None else f"the device `{device}`"
    cure = f"did you mean `{near}`?" if near else f"known lists: {', '.join(f'`{name}`' for name in known[:8])}"
    raise UnknownNameError(f"no access list `{list_name}` in {where}", help=cure if known else None)


@dataclass(slots=True)
class ListFinder:
    """Finds lists by `NAME`, `DEVICE:NAME`, `FILE`, `FILE:NAME` or `FILE:DEVICE:NAME`.

    The fleet is read when a word first needs it, a file or folder when a word names it. A file is read alone,
    without what `fleet.yaml` adds.

    Parameters
    ----------
    fleet
        Folder or file.
    device
        Whose lists the words without a device mean.
    loaded
        The fleet, where it was read already.
    """

    fleet: Path
    device: str | None = None
    loaded: LoadedFleet | None = None
    _places: dict[str, LoadedFleet] = field(default_factory=dict)

    def pair(self, first: str, second: str) -> tuple[FoundLists, FoundLists]:
        """Find the two lists of a comparison; a file without a name takes the name from the other word.

        Raises
        ------
        UnknownNameError, UsageError, InputError
            A word names nothing, or nothing that can be read.
        """
        names = [self._bare_file(word) for word in (first, second)]
        if all(names):
            return self._only(first), self._only(second)
        if names[0]:
            found = self.find(second)
            return self.find(f"{first}:{found.name}"), found
        found = self.find(first)
        return found, self.find(f"{second}:{found.name}" if names[1] else second)

    def find(self, word: str) -> FoundLists:
        """Find what one word means."""
        where, colon, name = word.rpartition(":")
        if not colon:
            return lists_named(self._fleet(), self.device, word)
        if not name:
            raise UsageError(
                f"no name of a list behind the colon of `{word}`", help="write `DEVICE:NAME` or `FILE:NAME`"
            )
        if Path(where).is_file():
            return self._in_place(where, self.device, name)
        outer, colon, device = where.rpartition(":")
        if colon and Path(outer).exists():
            return self._in_place(outer, device, name)
        if not Path(where).exists():
            return lists_named(self._fleet(where), where, name)
        try:
            config = self._fleet()
        except InputError:
            return self._in_place(where, self.device, name)
        if where in config.devices:
            return lists_named(config, where, name)
        return self._in_place(where, self.device, name)

    def _only(self, place: str) -> FoundLists:
        """Find the only list of a file."""
        config = self._read(place).config
        found = {name: device for device in config.devices.values() for _, name in device.access_lists}
        if len(found) == 1:
            ((name, _),) = found.items()
            return self._in_place(place, self.device, name)
        names = ", ".join(f"`{name}`" for name in list(found)[:8])
        raise UsageError(
            f"`{place}` has {len(found)} lists{': ' + names if names else ''}",
            help="say which one is meant, as `FILE:NAME`",
        )

    def _in_place(self, place: str, device: str | None, name: str) -> FoundLists:
        """Find a list in a file or folder."""
        config = self._read(place).config
        try:
            found = lists_named(config, device, name, cure=f"{place}:DEVICE:{name}")
        except UnknownNameError as error:
            raise UnknownNameError(f"in `{place}`: {error.message}", help=error.help) from None
        return FoundLists(found.device, found.lists, place)

    def _fleet(self, looked_for: str = "") -> FleetConfig:
        """Read the fleet."""
        if self.loaded is not None:
            return self.loaded.config
        try:
            return self._read(str(self.fleet)).config
        except InputError as error:
            if looked_for:
                raise UnknownNameError(
                    f"`{looked_for}` is no file, and no fleet could be read to look for a device of that name: "
                    f"{error.message}"
                ) from None
            raise

    def _read(self, place: str) -> LoadedFleet:
        """Read a place once."""
        if place not in self._places:
            self._places[place] = load_fleet(place)
        return self._places[place]

    @staticmethod
    def _bare_file(word: str) -> bool:
        """Whether a word is a file and nothing else."""
        return Path(word).is_file()

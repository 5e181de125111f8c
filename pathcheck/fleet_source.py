"""What a word on the command line means as one state of a fleet: a folder, a file, or a revision of git.

`git:REV` is the folder that the command is about, as it is at that revision;
`git:REV:PATH` is a folder or file of that revision, from the top of the repository.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from pathcheck.errors import InputError
from pathcheck.file_content import file_content
from pathcheck.fleet import LoadedFleet, ReadingMemory, load_fleet, load_fleet_files
from pathcheck.git.tree import read_git_tree

__all__ = ["FleetState", "is_revision", "read_state", "read_states"]

PREFIX = "git:"


@dataclass(frozen=True, slots=True)
class FleetState:
    """A fleet as one word means it.

    Parameters
    ----------
    word
        As the user wrote it.
    loaded
        What was read.
    read
        Returns the content of a file of the fleet once more, by its path in the fleet; OSError where it cannot.
    single
        Whether the word means one file, not a folder.
    """

    word: str
    loaded: LoadedFleet
    read: Callable[[str], bytes]
    single: bool = False


def is_revision(word: str) -> bool:
    """Whether a word means a revision of git; a folder of such a name is written `./git:…`."""
    return word.startswith(PREFIX)


def read_states(before: str, after: str, fleet: Path) -> tuple[FleetState, FleetState]:
    """Read two states of one fleet.

    Parameters
    ----------
    before, after
        Each a folder, a file or a revision.
    fleet
        The folder whose revisions are meant where neither word is a folder; a revision beside a folder is
        one of that folder.

    Raises
    ------
    UsageError, InputError
        As :func:`read_state`.
    """
    folders = [Path(word) for word in (before, after) if not is_revision(word)]
    about = folders[0] if folders else fleet
    memory = ReadingMemory()
    first, second = read_state(before, about, memory), read_state(after, about, memory)
    return (_named_as(first, second) if first.single and second.single else first), second


def _named_as(state: FleetState, other: FleetState) -> FleetState:
    """Return the state of one device with the name that the other has: two files are one device, whatever it is called.

    A text without a hostname would be called by its file.
    """
    devices, names = state.loaded.config.devices, list(other.loaded.config.devices)
    if len(devices) != 1 or len(names) != 1 or names[0] in devices:
        return state
    (device,) = devices.values()
    config = replace(state.loaded.config, devices={names[0]: replace(device, name=names[0])})
    return replace(state, loaded=replace(state.loaded, config=config))


def read_state(word: str, fleet: Path, memory: ReadingMemory | None = None) -> FleetState:
    """Read one state of a fleet.

    Raises
    ------
    UsageError
        The revision looks like an option.
    InputError
        There is no such folder, file or revision, or no fleet in it.
    """
    if not is_revision(word):
        place = Path(word)
        loaded = load_fleet(word and place, memory=memory)
        return FleetState(word, loaded, lambda name: file_content(loaded.folder / name), place.is_file())
    revision, path = _parts(word.removeprefix(PREFIX))
    tree = read_git_tree(fleet, revision, path)
    try:
        loaded = load_fleet_files(tree, fleet, single=tree.single, memory=memory)
    except InputError as error:
        raise InputError(f"`{word}`: {error.message}", span=error.span, help=error.help, others=error.others) from None
    finally:
        tree.close()

    def read(name: str) -> bytes:
        try:
            return tree[name]
        finally:
            tree.close()

    return FleetState(word, loaded, read, tree.single is not None)


def _parts(words: str) -> tuple[str, str | None]:
    """Cut `REV:PATH` at its first colon; one in braces belongs to the revision, as in `main@{12:00}`."""
    depth = 0
    for place, letter in enumerate(words):
        depth += (letter == "{") - (letter == "}")
        if letter == ":" and depth == 0:
            return words[:place], words[place + 1 :]
    return words, None

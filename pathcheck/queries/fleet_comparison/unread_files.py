"""Files that are refused whole in either of two states: what they change is not known, unless they are the same."""

from __future__ import annotations

from collections.abc import Iterator

from pathcheck.errors import InputError
from pathcheck.fleet_source import FleetState
from pathcheck.results.fleet_comparison import UnreadFile

__all__ = ["refused_alike", "unread_files"]


def unread_files(before: FleetState, after: FleetState) -> Iterator[UnreadFile]:
    """Yield the files that are refused in either state, by name."""
    refused = [
        {account.file: account.refused for account in state.loaded.report.files if account.refused is not None}
        for state in (before, after)
    ]
    for name in sorted(refused[0].keys() | refused[1].keys()):
        contents = [_content(state, name) for state in (before, after)]
        is_same = all(name in each for each in refused) and contents[0] is not None and contents[0] == contents[1]
        yield UnreadFile(name, refused[0].get(name), refused[1].get(name), is_same)


def refused_alike(before: FleetState, after: FleetState) -> Iterator[str]:
    """Yield the names of files that both states refuse with the same content.

    Raises
    ------
    InputError
        A file is refused in either state and not the same in both: nobody can tell what the change does to it.
    """
    for file in unread_files(before, after):
        if not file.is_same:
            word, why = (before.word, file.before) if file.before is not None else (after.word, file.after)
            raise InputError(
                f"`{file.file}` is refused in `{word}`, so what changes with it is not known: {why}",
                help="replace it by text that can be read, or leave it out of both states",
            )
        yield file.file


def _content(state: FleetState, name: str) -> bytes | None:
    """Return what a file holds, None where it cannot be read at all."""
    try:
        return state.read(name)
    except (OSError, KeyError):
        return None

"""The shorter list as text: by itself, and in place of the old one in its file, with nothing else touched."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace

from pathcheck.errors import UsageError
from pathcheck.file_content import file_content
from pathcheck.fleet import LoadedFleet
from pathcheck.model.access_list import AccessList, Entry
from pathcheck.model.device import Device
from pathcheck.parser.secrets import HIDDEN, hide_secrets
from pathcheck.results.tidy import FileChange, TidyResult
from pathcheck.writer import write_device, write_list

__all__ = ["list_text", "rewritten_files"]

_DATA_ENDINGS = (".yaml", ".yml", ".json")
_IN_ONE_LINE = re.compile(r"\s*(?:\S+[#>]\s*)?access-list\s+\d+\s", re.IGNORECASE)
_BOM = b"\xef\xbb\xbf"


def list_text(
    device: Device, before: AccessList, after: AccessList, texts: Mapping[int, str | None]
) -> tuple[str, bool]:
    """Return a list as configuration text, kept lines as they are written, and whether that could be done.

    The text is empty where no text says what the list says: then it came from no text.

    Parameters
    ----------
    after
        The list to be written.
    texts
        New text by place among the entries of `before`, None for what is gone.
    """
    lines = []
    for place, entry in enumerate(before.entries):
        text = texts.get(place, entry.span.text)
        if text is not None:
            lines.append(text)
    if not all(_IN_ONE_LINE.match(line) for line in lines):
        lines.insert(0, before.span.text)
    written = "".join(f"{line}\n" for line in lines)
    if _reads_as(device, written, after):
        return written, True
    try:
        return write_list(after, masks=device.assume.dotted_mask), False
    except ValueError:
        return "", False


def rewritten_files(loaded: LoadedFleet, device: Device, results: Sequence[TidyResult]) -> tuple[FileChange, ...]:
    """Return the files of a device with shorter lists in place of the old ones; nothing else in them changes.

    Parameters
    ----------
    results
        Of lists of the device.

    Raises
    ------
    UsageError
        A list is not written in lines that could be taken out one by one, or the file has changed since it was read.
    """
    edits: defaultdict[str, dict[int, str | None]] = defaultdict(dict)
    for result in results:
        for place, text in (*result.new_texts,):
            span = result.before.entries[place].span
            edits[span.file][span.line] = text
    if not edits:
        return ()
    contents = {name: _content(loaded, name) for name in device.files}
    changed = {}
    for name, lines in edits.items():
        if name.lower().endswith(_DATA_ENDINGS):
            raise UsageError(
                f"the list stands in `{name}`, which is data; only lists in configuration text are changed in place",
                help="take the shorter list from the output without `--diff` and `--write`",
            )
        changed[name] = _edited(name, contents[name], lines)
    _check(device, contents, {**contents, **changed}, results)
    return tuple(
        FileChange(name, contents[name], changed[name], _secrets(contents[name]))
        for name in device.files
        if name in changed
    )


def _secrets(data: bytes) -> dict[bytes, bytes]:
    """The lines of a file with secrets, and what is shown of each."""
    text = data.decode("utf-8", "surrogateescape")
    hidden = hide_secrets(text)
    if hidden == text:
        return {}
    pairs = zip(text.split("\n"), hidden.split("\n"), strict=True)
    return {
        one.encode("utf-8", "surrogateescape"): other.encode("utf-8", "surrogateescape")
        for one, other in pairs
        if one != other
    }


def _content(loaded: LoadedFleet, name: str) -> bytes:
    """Read a file of the fleet."""
    try:
        return file_content(loaded.folder / name)
    except OSError as error:
        raise UsageError(f"`{name}` cannot be read again: {(error.strerror or str(error)).lower()}") from None


def _edited(name: str, data: bytes, edits: Mapping[int, str | None]) -> bytes:
    """Put new text in place of lines, or nothing; line ends stay."""
    mark = _BOM if data.startswith(_BOM) else b""
    lines = data[len(mark) :].split(b"\n")
    for number, text in edits.items():
        if number > len(lines):
            raise UsageError(f"`{name}` has changed since it was read", help="run the command again")
        if text is not None and HIDDEN in text:
            raise UsageError(f"line {number} of `{name}` holds what may be a secret", help="change it by hand")
        if text is not None:
            carriage = b"\r" if lines[number - 1].endswith(b"\r") else b""
            lines[number - 1] = text.encode() + carriage
    kept = [line for number, line in enumerate(lines, 1) if edits.get(number, "") is not None]
    return mark + b"\n".join(kept)


def _check(
    device: Device, before: Mapping[str, bytes], after: Mapping[str, bytes], results: Sequence[TidyResult]
) -> None:
    """Read the files as they were and as they will be: the lists are to be the shorter ones, all else the same."""
    from pathcheck.parser.device_files import read_device_files

    old, new = (
        read_device_files(list(files.items()), default_name=device.name, assume=device.assume).devices
        for files in (before, after)
    )
    wanted = {(one.before.family, one.before.name): one for one in results}
    owners = [
        number
        for number, each in enumerate(old)
        if all(_is_same(each.access_lists.get(key), one.before) for key, one in wanted.items())
    ]
    if len(owners) != 1:
        raise UsageError("the file has changed since it was read", help="run the command again")
    expected = list(old)
    shorter = {key: one.after for key, one in wanted.items()}
    expected[owners[0]] = replace(old[owners[0]], access_lists={**old[owners[0]].access_lists, **shorter})
    if len(old) != len(new) or not all(
        first.access_lists.keys() == second.access_lists.keys()
        and all(_alike(first.access_lists[key], second.access_lists[key]) for key in first.access_lists)
        and replace(first, access_lists={}) == replace(second, access_lists={})
        for first, second in zip(expected, new, strict=True)
    ):
        raise UsageError(
            "the list is written in a way in which its lines cannot be taken out one by one",
            help="numbers that stand twice, lines that remove others, or lines without a number among numbered "
            "ones; replace the whole list by the text that is printed without `--diff` and `--write`",
        )


def _is_same(found: AccessList | None, wanted: AccessList) -> bool:
    """Whether a list is the one that was read, at the same place."""
    return found is not None and _alike(found, wanted) and _spans(found) == _spans(wanted)


def _reads_as(device: Device, text: str, wanted: AccessList) -> bool:
    """Whether a text by itself is the list."""
    from pathcheck.parser.configuration import SourceText, read_configuration

    groups = ""
    if device.groups:
        try:
            groups = write_device(Device(device.name, groups=device.groups, assume=device.assume))
        except ValueError:
            return False
    read = read_configuration(
        [SourceText("list", (groups + text).encode())], default_name=device.name, assume=device.assume
    )
    if len(read.devices) != 1:
        return False
    lists = read.devices[0].access_lists
    found = lists.get((wanted.family, wanted.name))
    return found is not None and len(lists) == 1 and _alike(found, wanted)


def _alike(one: AccessList, other: AccessList) -> bool:
    """Whether two lists have the same entries in the same order; their numbers do not count."""
    return one.standard == other.standard and [_said(entry) for entry in one.entries] == [
        _said(entry) for entry in other.entries
    ]


def _said(entry: Entry) -> Entry:
    """An entry without its number."""
    return replace(entry, sequence=0)


def _spans(access_list: AccessList) -> list[object]:
    """Where the entries of a list stand."""
    return [entry.span for entry in access_list.entries]

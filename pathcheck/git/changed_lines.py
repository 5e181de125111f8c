"""Which lines of a fleet changed since a revision, as the version control program tells it.

The work tree is only read. What counts is what changed since the revision and the
commit that is checked out parted, the edits that are not committed yet included.
"""

from __future__ import annotations

import re
from pathlib import Path

from pathcheck.errors import UsageError
from pathcheck.git.program import Git, refuse_options
from pathcheck.results.changed_lines import ChangedLines

__all__ = ["changed_since"]

_HUNK = re.compile(rb"@@ -\d+(?:,\d+)? \+(\d+)(?:,(\d+))? @@")
_ESCAPES = {"a": 7, "b": 8, "t": 9, "n": 10, "v": 11, "f": 12, "r": 13, '"': 34, "\\": 92}


def changed_since(folder: Path, revision: str) -> ChangedLines:
    """Return the lines below a folder that changed since a revision.

    Parameters
    ----------
    folder
        In the work tree of a repository of git; a submodule's is its own.
    revision
        A branch, a tag, a commit, `HEAD~3`: whatever names one commit.

    Raises
    ------
    UsageError
        The revision looks like an option or names no commit.
    InputError
        The folder is in no repository, or git is not installed.
    """
    refuse_options(revision, "name a branch, a tag or a commit, as `main` or `HEAD~3`")
    git = Git(folder)
    git.told("rev-parse", "--show-toplevel", fault=f"`{folder}` is in no git repository")
    commit = git.text("rev-parse", "--verify", "--quiet", "--end-of-options", f"{revision}^{{commit}}")
    if not commit:
        raise UsageError(
            f"no commit `{revision}` in the repository of `{folder}`",
            help="in CI the history may have been left out: fetch the revision first",
        )
    # Without a common ancestor, as in a shallow copy, the revision itself is what there is to compare with.
    parted = git.text("merge-base", commit, "HEAD").partition("\n")[0] or commit
    diff = git.told(
        *("diff", "--unified=0", "--inter-hunk-context=0", "--relative", "--find-renames", "--text"),
        *("--no-color", "--no-ext-diff", "--no-textconv", "--src-prefix=a/", "--dst-prefix=b/"),
        *("--submodule=short", "--ignore-submodules=none", parted, "--", "."),
        fault=f"the changes since `{revision}` cannot be told",
    )
    lines, whole = _parse(diff)
    added = git.told("ls-files", "--others", "-z", "--", ".", fault=f"the files of `{folder}` cannot be listed")
    whole |= {_shown(name) for name in added.split(b"\0") if name}
    return ChangedLines(revision, lines, frozenset(whole))


def _parse(diff: bytes) -> tuple[dict[str, tuple[tuple[int, int], ...]], set[str]]:
    """Read a patch without context: ranges of lines by file, and what is changed as a whole."""
    lines: dict[str, list[tuple[int, int]]] = {}
    whole: set[str] = set()
    file: str | None = None
    skip = 0
    for line in diff.split(b"\n"):
        if skip and line[:1] in (b"-", b"+"):
            # A line of a file may itself look like the head of a patch.
            if line.startswith(b"+Subproject commit ") and file is not None:
                whole.add(f"{file}/")
            skip -= 1
        elif line.startswith(b"diff --git "):
            file, skip = None, 0
        elif line.startswith(b"+++ "):
            name = _name(line[4:])
            file = name.removeprefix("b/") if name != "/dev/null" else None
        elif found := _HUNK.match(line):
            first, number = int(found[1]), int(found[2] or b"1")
            before = re.match(rb"@@ -\d+(?:,(\d+))?", line)
            skip = number + int((before[1] if before else None) or b"1")
            if file is not None:
                lines.setdefault(file, []).append((first, first + max(number - 1, 0) + (number == 0)))
    return {name: tuple(ranges) for name, ranges in lines.items()}, whole


def _name(written: bytes) -> str:
    """A file name of a patch; one with special signs stands in quotation marks, its bytes written as escapes."""
    text = written.rstrip(b"\t\r")
    if not (text.startswith(b'"') and text.endswith(b'"') and len(text) > 1):
        return _shown(text)
    out = bytearray()
    rest = text[1:-1]
    index = 0
    while index < len(rest):
        sign = rest[index : index + 1]
        if sign != b"\\":
            out += sign
            index += 1
        elif rest[index + 1 : index + 4].isdigit():
            out.append(int(rest[index + 1 : index + 4], 8) & 255)
            index += 4
        else:
            out.append(_ESCAPES.get(rest[index + 1 : index + 2].decode("latin-1"), 63))
            index += 2
    return _shown(bytes(out))


def _shown(name: bytes) -> str:
    """A file name as the fleet calls it."""
    return name.decode("utf-8", "replace")

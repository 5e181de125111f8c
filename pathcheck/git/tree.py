"""The files of a folder as they are at a revision, read from the repository without touching the work tree.

Only commands of git that read objects are used (`rev-parse`, `ls-tree`,
`cat-file`); no filter, hook or fetch runs, and a revision is never taken for an option.
"""

from __future__ import annotations

import os
import posixpath
import subprocess
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO

from pathcheck.errors import InputError, UsageError
from pathcheck.git.program import Git, refuse_options, said

__all__ = ["GitTree", "read_git_tree"]

_MOST_BYTES = 256 * 1024 * 1024
_LINK, _SUBMODULE = "120000", "160000"
_CONFIGURATION = (".cfg", ".conf", ".txt", ".yaml", ".yml", ".json")


class GitTree(Mapping[str, bytes]):
    """Content by path, relative to the folder; a file is read when it is asked for.

    Made by :func:`read_git_tree`.

    Parameters
    ----------
    repository
        The folder that git is asked in.
    commit
        The full name of the commit.
    objects
        By path: the name of the object as `cat-file` takes it.
    single
        The only file, where a file was asked for.
    """

    def __init__(self, repository: Path, commit: str, objects: Mapping[str, str], single: str | None = None) -> None:
        self.repository = repository
        self.commit = commit
        self.single = single
        self._objects = objects
        self._reader: tuple[subprocess.Popen[bytes], IO[bytes], IO[bytes]] | None = None

    def __iter__(self) -> Iterator[str]:
        return iter(self._objects)

    def __len__(self) -> int:
        return len(self._objects)

    def __contains__(self, path: object) -> bool:
        return path in self._objects

    def __getitem__(self, path: str) -> bytes:
        """Return a file's content; OSError where the repository does not hold it, KeyError where there is none."""
        name = self._objects[path]
        if self._reader is None:
            # Links are followed inside the revision, as the file system would follow them.
            self._reader = Git(self.repository).opened("cat-file", "--batch", "--follow-symlinks")
        _, asking, answering = self._reader
        asking.write(os.fsencode(name) + b"\n")
        asking.flush()
        return _answer(answering)

    def close(self) -> None:
        """End the reading process."""
        if self._reader is not None:
            process, asking, answering = self._reader
            asking.close()
            answering.close()
            process.wait()
            self._reader = None


def _answer(stream: IO[bytes]) -> bytes:
    """Read one object: a header with its kind and size, then its bytes."""
    words = stream.readline().split()
    kind = words[-2].decode("ascii", "replace") if len(words) >= 2 else ""
    if len(words) == 2 and words[-1].isdigit() and kind in ("symlink", "dangling", "loop", "notdir"):
        stream.read(int(words[1]) + 1)
        raise OSError(0, _LINKS[kind])
    if len(words) != 3 or not words[-1].isdigit():
        raise OSError(0, "the repository does not hold its content (a partial clone?)")
    size = int(words[-1])
    if size > _MOST_BYTES:
        while size >= 0:  # the bytes and the line end behind them
            size -= len(stream.read(min(size + 1, 1 << 20))) or size + 1
        raise OSError(0, f"it has more than the {_MOST_BYTES} bytes that are read")
    data = stream.read(size)
    stream.read(1)
    if kind != "blob":
        raise OSError(0, "it is a link to a folder")
    return data


_LINKS = {
    "symlink": "it is a link to a place outside of the repository",
    "dangling": "it is a link to nothing",
    "loop": "it is a link that leads back to itself",
    "notdir": "it is a link through something that is no folder",
}


def read_git_tree(folder: Path, revision: str, path: str | None = None) -> GitTree:
    """Return the files of a folder at a revision.

    Parameters
    ----------
    folder
        A folder inside the repository's work tree; it is the one that is read unless `path` is given.
    revision
        Anything that names a commit: a branch, a tag, `HEAD~3`.
    path
        A folder or file in the repository, from its top, as in `REVISION:PATH` of git.

    Returns
    -------
    GitTree
        A file by its own name where the path is one. What begins with a dot is left out. A link is
        followed inside the revision.

    Raises
    ------
    UsageError
        The revision is empty or looks like an option.
    InputError
        There is no git, no repository, no such revision or path; or the folder holds a submodule or a
        link to a folder, whose files are not part of the revision there.
    """
    shown = f"git:{revision}"
    refuse_options(revision, "write `git:main`, `git:HEAD~3`, or `git:main:FOLDER`")
    if path and ("\n" in path or "\0" in path):
        raise UsageError("a path in a revision holds no line ends and no NUL bytes")
    place = _existing(folder)
    where = _asked(place, "--is-inside-work-tree", f"`{folder}` is in no repository")
    # A repository without a work tree has no folder that this one could be.
    prefix = _asked(place, "--show-prefix", f"`{folder}` is in no repository") if where == "true" else None
    commit = _commit(place, revision)
    inside = posixpath.normpath(path) if path is not None else "" if prefix is None else _below(prefix, place, folder)
    inside = "" if inside in (".", "") else inside.strip("/")
    if inside.startswith(".."):
        raise InputError(f"`{path}` is outside of the repository")
    name = f"{commit}:{inside}"
    kind = Git(place).ask("cat-file", "-t", name)
    found = kind.stdout.decode().strip() if kind.returncode == 0 else ""
    if found == "blob":
        only = inside.rpartition("/")[2]
        return GitTree(place, commit, {only: name}, only)
    if found == "commit" or (not found and inside and _is_submodule(place, commit, inside)):
        raise InputError(
            f"`{inside}` is a submodule at `{shown}`; its files are not in this repository",
            help="run the command inside the submodule, with a revision of it",
        )
    if found != "tree":
        where = f"`{inside}`" if inside else "the top folder"
        raise InputError(f"there is no {where} at `{shown}`", help=f"name its place there: `{shown}:FOLDER`")
    return GitTree(place, commit, dict(_objects(place, commit, inside, shown)))


def _is_submodule(place: Path, commit: str, path: str) -> bool:
    """Whether a path is a submodule, whose commit the repository does not hold."""
    listed = Git(place).ask("ls-tree", "-z", "--full-tree", commit, "--", path)
    return listed.returncode == 0 and listed.stdout.startswith(_SUBMODULE.encode() + b" ")


def _objects(place: Path, commit: str, inside: str, shown: str) -> Iterator[tuple[str, str]]:
    """Yield each file below a folder with the name of its object."""
    listed = Git(place).ask("ls-tree", "-r", "-z", "--full-tree", f"{commit}:{inside}")
    if listed.returncode != 0:
        raise InputError(f"the files of `{shown}` cannot be listed: {said(listed)}")
    for entry in listed.stdout.split(b"\0"):
        if not entry:
            continue
        about, _, raw = entry.partition(b"\t")
        mode, _, number = about.decode("ascii").split()
        path = raw.decode("utf-8", "replace")
        if any(part.startswith(".") for part in path.split("/")):
            continue
        if mode == _SUBMODULE:
            raise InputError(
                f"`{path}` is a submodule at `{shown}`; its files are not in this repository",
                help="compare folders in which the submodule is checked out, or a path without it",
            )
        name = number
        if mode == _LINK:
            full = f"{inside}/{os.fsdecode(raw)}" if inside else os.fsdecode(raw)
            name = f"{commit}:{full}"
            if "\n" in name or _leads_to_folder(place, name):
                if not path.lower().endswith(_CONFIGURATION) and "\n" in name:
                    continue
                raise InputError(
                    f"`{path}` is a link to a folder at `{shown}`; such links are not followed in a revision",
                    help="compare folders, or put the files there themselves",
                )
        yield path, name


def _leads_to_folder(place: Path, name: str) -> bool:
    """Whether a link leads to a folder of the revision."""
    asked = Git(place).ask("cat-file", "--batch-check", "--follow-symlinks", given=os.fsencode(name) + b"\n")
    words = asked.stdout.split()
    return len(words) == 3 and words[1] == b"tree"


def _commit(place: Path, revision: str) -> str:
    """Return the full name of the commit that a revision means."""
    asked = Git(place).ask("rev-parse", "--verify", "--quiet", "--end-of-options", f"{revision}^{{commit}}")
    if asked.returncode == 0:
        return asked.stdout.decode().strip()
    shallow = Git(place).ask("rev-parse", "--is-shallow-repository").stdout.strip() == b"true"
    raise InputError(
        f"no revision `{revision}` in the repository of `{place}`",
        help="the clone is shallow: fetch more of its history, or the branch" if shallow
        else "`git branch --all` and `git log --oneline` list what there is",
    )  # fmt: skip


def _existing(folder: Path) -> Path:
    """Return the folder, or the nearest one above it that there is: a folder may be gone in the work tree."""
    place = folder if folder.is_dir() else folder.parent
    while not place.is_dir() and place != place.parent:
        place = place.parent
    return place


def _below(prefix: str, place: Path, folder: Path) -> str:
    """Return the folder's path from the top of the repository, given that of its nearest existing parent."""
    rest = os.path.relpath(folder, place) if folder != place else "."
    return posixpath.normpath(posixpath.join(prefix.strip("\n") or ".", *rest.split(os.sep)))


def _asked(place: Path, option: str, fault: str) -> str:
    """Ask about the repository itself."""
    told = Git(place).told(
        "rev-parse", option, fault=fault, help="run the command inside the repository, or use `--fleet`"
    )
    return told.decode("utf-8", "surrogateescape").strip("\n")

"""The files of a folder as they are at a revision, read from the repository without touching the work tree.

Only commands of git that read objects are used (`rev-parse`, `ls-tree`,
`cat-file`); no filter, hook or fetch runs. The program is called with a list of
arguments, never by a shell, and a revision is never taken for an option.
"""

from __future__ import annotations

import os
import posixpath
import subprocess
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import IO

from pathcheck.errors import InputError, UsageError

__all__ = ["GitTree", "read_git_tree"]

_MOST_BYTES = 256 * 1024 * 1024
_LINK, _SUBMODULE = "120000", "160000"
_CONFIGURATION = (".cfg", ".conf", ".txt", ".yaml", ".yml", ".json")
_QUIET = {"LC_ALL": "C", "GIT_OPTIONAL_LOCKS": "0", "GIT_TERMINAL_PROMPT": "0", "GIT_NO_LAZY_FETCH": "1"}
"""No translated messages, no index refreshed, no questions, and nothing fetched in a partial clone."""


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
        self._reader: subprocess.Popen[bytes] | None = None

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
            self._reader = subprocess.Popen(
                _command(self.repository, "cat-file", "--batch", "--follow-symlinks"),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=_environment(),
            )
        assert self._reader.stdin is not None
        assert self._reader.stdout is not None
        self._reader.stdin.write(os.fsencode(name) + b"\n")
        self._reader.stdin.flush()
        return _answer(self._reader.stdout)

    def close(self) -> None:
        """End the reading process."""
        if self._reader is not None:
            for stream in (self._reader.stdin, self._reader.stdout):
                if stream is not None:
                    stream.close()
            self._reader.wait()
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
    if not revision or revision.startswith("-"):
        raise UsageError(
            f"`{shown}` names no revision: a revision is not empty and begins with no hyphen",
            help="write `git:main`, `git:HEAD~3`, or `git:main:FOLDER`",
        )
    if "\n" in revision or "\0" in revision or (path and ("\n" in path or "\0" in path)):
        raise UsageError("a revision and its path hold no line ends and no NUL bytes")
    place = _existing(folder)
    where = _asked(place, ["rev-parse", "--is-inside-work-tree"], f"`{folder}` is in no repository")
    # A repository without a work tree has no folder that this one could be.
    prefix = (
        _asked(place, ["rev-parse", "--show-prefix"], f"`{folder}` is in no repository") if where == "true" else None
    )
    commit = _commit(place, revision)
    inside = posixpath.normpath(path) if path is not None else "" if prefix is None else _below(prefix, place, folder)
    inside = "" if inside in (".", "") else inside.strip("/")
    if inside.startswith(".."):
        raise InputError(f"`{path}` is outside of the repository")
    name = f"{commit}:{inside}"
    kind = _run(place, ["cat-file", "-t", name])
    found = kind.stdout.decode().strip() if kind.returncode == 0 else ""
    if found == "blob":
        only = inside.rpartition("/")[2]
        return GitTree(place, commit, {only: name}, only)
    if found == "commit":
        raise InputError(
            f"`{inside}` is a submodule at `{shown}`; its files are not in this repository",
            help="run the command inside the submodule, with a revision of it",
        )
    if found != "tree":
        where = f"`{inside}`" if inside else "the top folder"
        raise InputError(f"there is no {where} at `{shown}`", help=f"name its place there: `{shown}:FOLDER`")
    return GitTree(place, commit, dict(_objects(place, commit, inside, shown)))


def _objects(place: Path, commit: str, inside: str, shown: str) -> Iterator[tuple[str, str]]:
    """Yield each file below a folder with the name of its object."""
    listed = _run(place, ["ls-tree", "-r", "-z", "--full-tree", f"{commit}:{inside}"])
    if listed.returncode != 0:
        raise InputError(f"the files of `{shown}` cannot be listed: {_said(listed)}")
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
    asked = _run(place, ["cat-file", "--batch-check", "--follow-symlinks"], os.fsencode(name) + b"\n")
    words = asked.stdout.split()
    return len(words) == 3 and words[1] == b"tree"


def _commit(place: Path, revision: str) -> str:
    """Return the full name of the commit that a revision means."""
    asked = _run(place, ["rev-parse", "--verify", "--quiet", "--end-of-options", f"{revision}^{{commit}}"])
    if asked.returncode == 0:
        return asked.stdout.decode().strip()
    shallow = _run(place, ["rev-parse", "--is-shallow-repository"]).stdout.strip() == b"true"
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


def _asked(place: Path, words: Sequence[str], fault: str) -> str:
    """Ask git something about the repository."""
    asked = _run(place, words)
    if asked.returncode != 0:
        raise InputError(f"{fault}: {_said(asked)}", help="run the command inside the repository, or use `--fleet`")
    return asked.stdout.decode("utf-8", "surrogateescape").strip("\n")


def _said(asked: subprocess.CompletedProcess[bytes]) -> str:
    """Return git's own words on why it did not do something, in one line."""
    lines = asked.stderr.decode("utf-8", "replace").strip().splitlines()
    return lines[0].removeprefix("fatal: ").rstrip(".") if lines else f"git ended with {asked.returncode}"


def _command(place: Path, *words: str) -> list[str]:
    return ["git", "--no-pager", "--no-replace-objects", "-C", str(place), *words]


def _environment() -> dict[str, str]:
    """Return the environment without what points git at another repository, as it does inside hooks."""
    kept = {key: value for key, value in os.environ.items() if key not in _ELSEWHERE}
    return {**kept, **_QUIET}


_ELSEWHERE = frozenset(
    {
        "GIT_DIR", "GIT_WORK_TREE", "GIT_INDEX_FILE", "GIT_PREFIX", "GIT_NAMESPACE", "GIT_COMMON_DIR",
        "GIT_OBJECT_DIRECTORY", "GIT_ALTERNATE_OBJECT_DIRECTORIES",
    }
)  # fmt: skip


def _run(place: Path, words: Sequence[str], given: bytes | None = None) -> subprocess.CompletedProcess[bytes]:
    """Run git without a shell."""
    try:
        return subprocess.run(
            _command(place, *words),
            input=given,
            stdin=subprocess.DEVNULL if given is None else None,
            capture_output=True,
            env=_environment(),
            check=False,
        )
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise InputError(f"the program `git` cannot be run: {why}", help="compare two folders instead") from None

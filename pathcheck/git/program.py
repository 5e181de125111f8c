"""The git program, asked in a folder: by no shell, free of what the surroundings say, and without writing anything."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from pathcheck.errors import InputError, UsageError

__all__ = ["Git", "refuse_options"]

_SECONDS = 60
_QUIET = {"LC_ALL": "C", "GIT_OPTIONAL_LOCKS": "0", "GIT_TERMINAL_PROMPT": "0", "GIT_NO_LAZY_FETCH": "1"}
"""No translated messages, no index refreshed, no questions, and nothing fetched in a partial clone."""
_KEPT_SETTINGS = ("GIT_CONFIG", "GIT_CEILING_DIRECTORIES", "GIT_DISCOVERY_ACROSS_FILESYSTEM", "GIT_EXEC_PATH")
_OPTIONS = ("--no-pager", "--no-replace-objects", "-c", "core.quotePath=false", "-c", "core.fsmonitor=false")


def refuse_options(revision: str, help: str) -> None:
    """Refuse a revision that git could take for an option, or that cannot be given to a program at all.

    Raises
    ------
    UsageError
        It is empty, begins with a hyphen, or holds signs that cannot be printed.
    """
    shown = "".join(sign if sign.isprintable() else "?" for sign in revision)
    if not revision.strip() or revision.startswith("-") or shown != revision:
        raise UsageError(
            f"`{shown}` is no revision: one is not empty, begins with no hyphen, and holds no line ends", help=help
        )


@dataclass(frozen=True, slots=True)
class Git:
    """The program in a folder of a repository.

    Each command is a list of words, of which none that comes from outside is taken for an option by those who
    call this.
    """

    folder: Path

    def ask(self, *words: str, given: bytes | None = None) -> subprocess.CompletedProcess[bytes]:
        """Run it to its end, however it ends.

        Raises
        ------
        InputError
            It is not installed, cannot be started, or does not end.
        """
        try:
            return subprocess.run(
                self._command(words),
                input=given,
                stdin=subprocess.DEVNULL if given is None else None,
                capture_output=True,
                env=_environment(),
                check=False,
                timeout=_SECONDS,
            )
        except subprocess.TimeoutExpired:
            raise InputError(f"git did not answer within {_SECONDS} s") from None
        except OSError as error:
            raise _not_started(error) from None

    def told(self, *words: str, fault: str, help: str | None = None) -> bytes:
        """Return what it writes; it must end well.

        Raises
        ------
        InputError
            It does not: `fault` in git's words.
        """
        done = self.ask(*words)
        if done.returncode != 0:
            raise InputError(f"{fault}: {said(done)}", help=help)
        return done.stdout

    def text(self, *words: str) -> str:
        """Return what it writes as text, empty where it does not end well."""
        done = self.ask(*words)
        return done.stdout.decode("utf-8", "replace").strip() if done.returncode == 0 else ""

    def opened(self, *words: str) -> tuple[subprocess.Popen[bytes], IO[bytes], IO[bytes]]:
        """Return a process that goes on answering, what it reads and what it writes.

        Raises
        ------
        InputError
            It cannot be started.
        """
        try:
            process = subprocess.Popen(
                self._command(words),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=_environment(),
            )
        except OSError as error:
            raise _not_started(error) from None
        assert process.stdin is not None
        assert process.stdout is not None
        return process, process.stdin, process.stdout

    def _command(self, words: Sequence[str]) -> list[str]:
        return ["git", *_OPTIONS, "-C", str(self.folder), *words]


def said(asked: subprocess.CompletedProcess[bytes]) -> str:
    """Return git's own words on why it did not do something, in one line."""
    lines = asked.stderr.decode("utf-8", "replace").strip().splitlines()
    return lines[0].removeprefix("fatal: ").rstrip(".") if lines else f"git ended with {asked.returncode}"


def _environment() -> dict[str, str]:
    """Return the environment without what points git at another repository, as it does inside hooks."""
    return {**{key: value for key, value in os.environ.items() if _is_kept(key)}, **_QUIET}


def _is_kept(variable: str) -> bool:
    """Whether a variable is handed on."""
    return not variable.startswith("GIT_") or variable.startswith(_KEPT_SETTINGS)


def _not_started(error: OSError) -> InputError:
    """Return the error that the program is not to be had."""
    why = "it is not installed" if isinstance(error, FileNotFoundError) else (error.strerror or str(error)).lower()
    return InputError(f"the program `git` cannot be run: {why}", help="two folders can be compared without it")

"""The process around a command: signals, streams that are closed, and memory that runs out.

Whatever ends a run, its exit status says so: 1 is the answer "does not hold", and
Python's own status of a traceback, and of some libraries that give up. Nothing that is
imported here is heavy, so that a signal finds its handler early.
"""

from __future__ import annotations

import atexit
import os
import signal
import sys
from collections.abc import Callable
from types import FrameType
from typing import NoReturn

__all__ = ["OUT_OF_MEMORY", "Stopped", "is_for_memory", "run", "status"]

OUT_OF_MEMORY = b"error: out of memory; nothing was decided\n"
"""What can be said without asking for more memory."""
_UNREADABLE = 2
_INTERNAL_FAULT = 70
_BY_SIGNAL = 128
"""With the number of the signal: the exit status of what a signal ended, as shells have it."""
_NO_MEMORY = ("cannot allocate memory", "failed to map segment", "out of memory")
_WATCHED_LIMITS = ("RLIMIT_AS", "RLIMIT_DATA")


class Stopped(KeyboardInterrupt):
    """A signal asked the process to end; `number` is the signal's."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


def run() -> NoReturn:
    """Run the program and end the process; no traceback reaches the user."""
    _open_streams()
    _hear_signals()
    limit = _memory_limit()
    _leave(status() if limit is None else _watched(limit))


def is_for_memory(fault: BaseException) -> bool:
    """Whether an exception, or one that led to it, says that there is no memory left.

    Libraries in native code that find no room are an ImportError.
    """
    seen: BaseException | None = fault
    for _ in range(20):
        if seen is None:
            return False
        if isinstance(seen, MemoryError) or (isinstance(seen, OSError) and seen.errno == 12):  # ENOMEM
            return True
        if isinstance(seen, ImportError) and any(words in str(seen).lower() for words in _NO_MEMORY):
            return True
        seen = seen.__cause__ or seen.__context__
    return False


def status() -> int:
    """Run the command of this process and return its exit status; where all else fails, that of the failure."""
    try:
        from pathcheck.cli.main import status_of

        return status_of(sys.argv[1:])
    except KeyboardInterrupt as stop:
        number = getattr(stop, "number", signal.SIGINT)
        _say(b"interrupted; nothing was decided\n" if number == signal.SIGINT else b"stopped; nothing was decided\n")
        return _BY_SIGNAL + number
    except BaseException as fault:
        if isinstance(fault, SystemExit):
            return fault.code if isinstance(fault.code, int) else _INTERNAL_FAULT
        if not is_for_memory(fault):
            _say(f"internal fault: {type(fault).__name__}: {fault}\n".encode("utf-8", "replace"))
            return _INTERNAL_FAULT
    _say(OUT_OF_MEMORY)
    # What is left of the memory may not do for the interpreter's own way out.
    os._exit(_UNREADABLE)


def _say(words: bytes) -> None:
    """Write to standard error, whatever state it is in."""
    try:
        os.write(2, words)
    except OSError:
        return


def _leave(number: int) -> NoReturn:
    """End the process; what arrives from now on no longer changes the status."""
    _ignore_signals()
    if number > _BY_SIGNAL:
        # Python forgets the status where an interrupt came out of text that it was compiling, and kills itself.
        atexit._run_exitfuncs()
        os._exit(number)
    try:
        sys.stdout.flush()
    except (OSError, ValueError):
        # Said before, or nobody is left to hear it; a second try at exit would change the status.
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    sys.exit(number)


def _open_streams() -> None:
    """Give a process that was started with closed streams some that lead nowhere."""
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        if getattr(sys, name) is None:
            stream = open(os.devnull, mode, encoding="utf-8")  # noqa: SIM115 - it stays open
            setattr(sys, name, stream)
            if stream.fileno() != number:
                os.dup2(stream.fileno(), number)


# -- signals


def _stopping_signals() -> list[signal.Signals]:
    """The signals that ask a process to end and that it may hear of."""
    return [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]


def _hear_signals() -> None:
    """Let signals end a command like an interrupt, so that it cleans up; those that are ignored stay so."""
    for number in _stopping_signals():
        if signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, _stop)


def _stop(number: int, _frame: FrameType | None) -> None:
    raise Stopped(number)


def _ignore_signals() -> None:
    """Let no signal disturb the last steps."""
    for number in (signal.SIGINT, *_stopping_signals()):
        signal.signal(number, signal.SIG_IGN)


# -- memory


def _memory_limit() -> int | None:
    """The bytes that this process may map, where it is bounded (`ulimit -v`); None where it is not."""
    try:
        import resource
    except ImportError:  # not on this system
        return None
    limits = [resource.getrlimit(getattr(resource, name))[0] for name in _WATCHED_LIMITS if hasattr(resource, name)]
    bounded = [limit for limit in limits if limit != resource.RLIM_INFINITY]
    return min(bounded) if bounded and hasattr(os, "fork") else None


def _watched(limit: int) -> int:
    """Do the work in a child: where memory is bounded, libraries in native code abort, or end with status 1.

    What the child says on standard error is kept back until it is known how it ended.
    """
    done, said = os.pipe(), os.pipe()
    child = os.fork()
    if not child:
        os.dup2(said[1], 2)
        for end in (done[0], *said):
            os.close(end)
        ended = status()
        sys.stderr.flush()
        os.write(done[1], bytes([ended]))
        _leave(ended)
    os.close(done[1])
    os.close(said[1])
    for number in (signal.SIGINT, *_stopping_signals()):
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, _passer(child))
    words = b"".join(iter(lambda: os.read(said[0], 1 << 16), b""))
    told = os.read(done[0], 1)
    _, how = os.waitpid(child, 0)
    if told:
        _say_all(words)
        return told[0]
    if os.WIFSIGNALED(how) and os.WTERMSIG(how) in _stopping_signals():
        return _BY_SIGNAL + os.WTERMSIG(how)
    _say(
        f"error: out of memory; nothing was decided: this process may map {limit >> 20} MiB (`ulimit -v`), and the "
        "sets of packets alone want 2 GiB of addresses, most of which they never use\n".encode()
    )
    return _UNREADABLE


def _say_all(words: bytes) -> None:
    """Write all words to standard error."""
    try:
        while words:
            words = words[os.write(2, words) :]
    except OSError:
        return


def _passer(child: int) -> Callable[[int, FrameType | None], None]:
    """What passes a signal on to the child; a terminal has told it already, and hearing it twice does no harm."""

    def passed(number: int, _frame: FrameType | None) -> None:
        try:
            os.kill(child, number)
        except ProcessLookupError:
            return

    return passed

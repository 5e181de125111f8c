"""Network namespaces without names: they are gone as soon as this process is, however it ends.

A namespace lives as long as something refers to it. Here that is one open file
of this process alone: nothing is written under `/run/netns`, no other program
can meet the name by chance, and even after SIGKILL the kernel takes it away
with everything in it.
"""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess
import time
from collections.abc import Callable, Mapping
from typing import TypeVar

from pathcheck.errors import LaboratoryError, OutOfTimeError

__all__ = ["Namespace", "lacking"]

T = TypeVar("T")

_NEW_NETWORK = 0x40000000  # CLONE_NEWNET of sched.h
_SECONDS = 60.0
"""No program in a namespace takes longer than this, unless it is told when it has to be ready."""


class Namespace:
    """One network namespace, held by an open file.

    Attributes
    ----------
    path
        A path under which programs of this machine find it as long as it lives.

    Parameters
    ----------
    until
        The time, of the clock that only goes forward, at which programs in it are stopped; None for a minute each.
    """

    def __init__(self, until: float | None = None) -> None:
        self._until = until
        home = os.open("/proc/thread-self/ns/net", os.O_RDONLY | os.O_CLOEXEC)
        try:
            _call("unshare", _NEW_NETWORK)
            try:
                self._file = os.open("/proc/thread-self/ns/net", os.O_RDONLY | os.O_CLOEXEC)
            finally:
                _call("setns", home, _NEW_NETWORK)
        finally:
            os.close(home)
        self.path = f"/proc/{os.getpid()}/fd/{self._file}"

    def close(self) -> None:
        """Let go of it; its interfaces, routes and rules vanish."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1

    @property
    def identity(self) -> int:
        """The number by which the kernel knows it."""
        return os.fstat(self._file).st_ino

    def inside(self, work: Callable[[], T]) -> T:
        """Do something with this thread in the namespace; sockets and programs that it starts stay there."""
        home = os.open("/proc/thread-self/ns/net", os.O_RDONLY | os.O_CLOEXEC)
        try:
            _call("setns", self._file, _NEW_NETWORK)
            try:
                return work()
            finally:
                _call("setns", home, _NEW_NETWORK)
        finally:
            os.close(home)

    def run(self, *command: str, text: str = "", may_fail: bool = False) -> subprocess.CompletedProcess[str]:
        """Run a program in the namespace.

        Raises
        ------
        LaboratoryError
            It failed, and `may_fail` is not set.
        OutOfTimeError
            It did not end in time.
        """
        seconds = _SECONDS if self._until is None else max(0.1, self._until - time.monotonic())

        def work() -> subprocess.CompletedProcess[str]:
            return subprocess.run(command, input=text, capture_output=True, text=True, check=False, timeout=seconds)

        try:
            done = self.inside(work)
        except subprocess.TimeoutExpired:
            raise OutOfTimeError(f"the program `{command[0]}` did not end in the time that was left") from None
        except OSError as error:
            raise LaboratoryError(f"the program `{command[0]}` could not be run: {error}") from None
        if done.returncode and not may_fail:
            complaint = " ".join(done.stderr.split())[:400]
            raise LaboratoryError(f"`{' '.join(command)}` failed in a namespace of the rehearsal: {complaint}")
        return done

    def set(self, settings: Mapping[str, str]) -> None:
        """Write network settings, as `ipv4.ip_forward`; `!` in front of a key: where the kernel has it."""

        def work() -> None:
            for key, value in settings.items():
                name = key.removeprefix("!")
                try:
                    with open(f"/proc/sys/net/{name.replace('.', '/')}", "w") as file:
                        file.write(value)
                except OSError as error:
                    if not key.startswith("!"):
                        raise LaboratoryError(f"the setting `net.{name}` could not be written: {error}") from None

        self.inside(work)


def lacking() -> str | None:
    """Say what this machine lacks for a rehearsal, None where it has all.

    Makes one namespace and lets go of it.
    """
    for tool in ("ip", "nft"):
        if shutil.which(tool) is None:
            return f"the program `{tool}` is not installed"
    try:
        probe = Namespace()
    except OSError as error:
        return f"this process may make no network namespaces ({(error.strerror or str(error)).lower()})"
    try:
        probe.set({"ipv4.ip_forward": "1", "ipv6.conf.all.forwarding": "1"})
        probe.run("ip", "link", "add", "probe", "type", "veth", "peer", "name", "far")
        probe.run("nft", "-f", "-", text=_PROBE)
    except LaboratoryError as error:
        return f"this machine cannot do all that is needed: {error.message}"
    finally:
        probe.close()
    return None


_PROBE = """table inet probe {
  set seen {
    typeof ip id . iifname . oifname . ip daddr
    size 64
    flags dynamic
  }
  chain pre {
    type filter hook prerouting priority -300
    fib daddr type local counter
  }
  chain through {
    type filter hook forward priority 0
    update @seen { ip id . iifname . oifname . rt ip nexthop }
    numgen random mod 2 vmap { 0 : accept, 1 : drop }
  }
}
table netdev probe {
  chain wire {
    type filter hook ingress device "probe" priority 0
    ether daddr 02:00:00:00:00:01 fwd to "far"
  }
}
"""


def _call(name: str, *arguments: int) -> None:
    """Call the C library; what it refuses is an OSError."""
    if getattr(_libc(), name)(*arguments):
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


def _libc() -> ctypes.CDLL:
    if not _loaded:
        _loaded.append(ctypes.CDLL(None, use_errno=True))
    return _loaded[0]


_loaded: list[ctypes.CDLL] = []

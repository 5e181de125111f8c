"""Read a few lines of configuration in a test, and look at what became of them."""

from __future__ import annotations

from dataclasses import dataclass

from pathcheck.model.device import Device
from pathcheck.model.interface import Interface
from pathcheck.model.unmodelled import NoScope, Scope
from pathcheck.parser.configuration import SourceText, read_configuration
from pathcheck.results.account import LineClass
from pathcheck.results.finding import Finding


@dataclass
class Reading:
    device: Device
    counts: dict[LineClass, int]
    classes: dict[int, LineClass]
    findings: tuple[Finding, ...]

    @property
    def codes(self) -> list[str]:
        return [found.code for found in self.findings if found.code != "PC412"]

    @property
    def messages(self) -> str:
        return "\n".join(found.message for found in self.findings)

    @property
    def scopes(self) -> list[Scope]:
        """What lines can touch, without those that touch nothing."""
        return [item.scope for item in self.device.unmodelled if item.scope != NoScope()]

    @property
    def interface(self) -> Interface:
        (found,) = self.device.interfaces.values()
        return found


def read(*lines: str) -> Reading:
    """Read lines below a hostname; line 1 is the first of them."""
    text = "\n".join(lines)
    parsed = read_configuration([SourceText("quay-a.cfg", text.encode())], default_name="quay-a")
    (account,) = parsed.accounts
    assert account.refused is None
    assert sum(account.counts.values()) == account.lines
    (device,) = parsed.devices
    classes = {record.span.line: record.line_class for record in account.records}
    return Reading(device, account.counts, classes, parsed.findings)


def on_port(*lines: str, name: str = "Ethernet1") -> Reading:
    """Read lines of an interface's block; line 2 is the first of them."""
    return read(f"interface {name}", *(f" {line}" for line in lines))

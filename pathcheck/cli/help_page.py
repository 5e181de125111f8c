"""What `--help` says of each command besides its options: one line for the overview, and examples to copy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import typer

__all__ = ["EXIT_STATUS", "HELP_PAGES", "HelpPage", "complete"]


@dataclass(frozen=True, slots=True)
class HelpPage:
    """The words about one command.

    Parameters
    ----------
    summary
        One line for the overview, without a final stop; at most 60 characters, so that it is never cut.
    examples
        Command lines that work in the folder of the demo fleet, but for files that the user has to have.
    """

    summary: str
    examples: tuple[str, ...]


EXIT_STATUS = """\b
Exit status:
  0   it holds: permitted, nothing found, all required flows hold
  1   it does not: denied or partly, findings, a required flow broken
  2   wrong use, or input that cannot be read
  3   uncertain
  70  a fault of pathcheck itself
"""

HELP_PAGES = {
    "demo": HelpPage("write a demo fleet to a new folder and check it", ("pathcheck demo", "pathcheck demo ferries")),
    "check": HelpPage(
        "everything that the fleet has input for, in one report",
        (
            "pathcheck check --fleet pathcheck-demo",
            "pathcheck check --fail-on error --format text --format junit --output check.xml",
        ),
    ),
    "parse": HelpPage("what became of each line that was read", ("pathcheck parse", "pathcheck parse --models")),
    "flow": HelpPage(
        "whether a flow passes, on which path, by which line",
        (
            "pathcheck flow tcp 10.20.20.7 10.10.90.20:443",
            "pathcheck flow udp counters 10.10.90.32:domain --no-reply",
            "pathcheck flow icmp 192.0.2.1 10.10.90.20 --icmp echo --at border:Ethernet3",
            "pathcheck flow tcp 10.20.20.7 10.10.90.20:443 --acl TICKETS-IN --device terminal-north",
            "pathcheck flow --batch flows.txt",
        ),
    ),
    "reach": HelpPage(
        "which subnets and places reach which, for one service",
        (
            "pathcheck reach --service tcp/443",
            "pathcheck reach --service tcp/22 --from controller --to 10.20.0.0/16 --reply",
            "pathcheck reach --service tcp --sources-of 10.10.90.21:443",
        ),
    ),
    "rehearse": HelpPage(
        "a flow with real packets in namespaces of this machine",
        (
            "pathcheck rehearse tcp 10.20.20.7 10.10.90.20:443",
            "pathcheck rehearse tcp counters booking:443 --packets 100 --no-reply",
        ),
    ),
    "review": HelpPage(
        "access-list lines that never act, can go, or look wrong",
        ("pathcheck review", "pathcheck review --device terminal-south --acl TICKETS-IN"),
    ),
    "tidy": HelpPage(
        "an equivalent, shorter list, with the proof",
        (
            "pathcheck tidy TICKETS-IN --device terminal-south",
            "pathcheck tidy TICKETS-IN --device terminal-south --diff",
        ),
    ),
    "compare": HelpPage(
        "what a change opens and closes",
        (
            "pathcheck compare git:main .",
            "pathcheck compare git:HEAD~1 git:HEAD --format markdown --output comment.md",
            "pathcheck compare --acl terminal-north:TICKETS-IN terminal-south:TICKETS-IN",
        ),
    ),
    "rollout": HelpPage(
        "safe orders of the jobs of a push, or how a device is lost",
        (
            "pathcheck rollout --before pathcheck-demo --fleet pathcheck-demo",
            "pathcheck rollout --before pathcheck-demo --after pathcheck-demo --apply lines --require-any",
        ),
    ),
    "removals": HelpPage(
        "what full replacement takes away from devices",
        ("pathcheck removals pathcheck-demo .", "pathcheck removals pathcheck-demo/quay-b.cfg . --max-deletions 5"),
    ),
    "routes": HelpPage(
        "routes that cannot act or mislead; loops and black holes",
        ("pathcheck routes", "pathcheck routes --lookup core-1 10.30.20.7"),
    ),
    "require": HelpPage(
        "whether each required flow is open or closed as it must be",
        ("pathcheck require", "pathcheck require required-flows.yaml --uncertain tolerate"),
    ),
    "audit": HelpPage(
        "addresses, gateways, VLANs and names that do not fit",
        ("pathcheck audit", "pathcheck audit --device quay-b"),
    ),
    "bootstrap": HelpPage(
        "whether a blank switch gets to the controller, by stages",
        ("pathcheck bootstrap", "pathcheck bootstrap quay-a"),
    ),
    "manageable": HelpPage(
        "whether the controller can manage each device, link by link",
        ("pathcheck manageable", "pathcheck manageable quay-a quay-c"),
    ),
    "explain": HelpPage(
        "the page on a finding, with examples and the cure",
        ("pathcheck explain PC101", "pathcheck explain shadowed-line"),
    ),
}


def complete(app: typer.Typer) -> None:
    """Give each command of the program its line in the overview and its examples, and the program its exit statuses."""
    for command in app.registered_commands:
        page = HELP_PAGES.get(command.name or "")
        if page is not None:
            command.short_help = page.summary
            command.epilog = "\b\n" + "\n".join(["Examples:", *(f"  {example}" for example in page.examples)])

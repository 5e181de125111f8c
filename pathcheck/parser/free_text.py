"""Texts whose end never comes: a banner that is closed is no command and does not get here.

A device takes everything behind such a line for text, up to the end of what is
entered. What was meant is not known, so each answer about the device is uncertain.
"""

from __future__ import annotations

from pathcheck.model.unmodelled import DeviceScope
from pathcheck.parser.commands import CommandLine, Context, Mode, Result, Tables, ignored, modelled
from pathcheck.results.account import LineClass

__all__ = ["COMMANDS", "MODES"]


def _never_ends(_context: Context, line: CommandLine) -> Result:
    """WORD ... DELIMITER: raises always, but for a line that opens no text"""
    if line.negated or not line.tail:
        return LineClass.IGNORED
    message = "the text that begins here never ends: its delimiter does not come back"
    cure = "close it with the delimiter that it begins with"
    raise line.wrong_value(line.start, message, help=cure, scope=DeviceScope())


MODES: tuple[Mode, ...] = ()

COMMANDS: Tables = {
    "top": (
        modelled("banner", _never_ends),
        modelled("macro name", _never_ends),
        modelled("aaa authentication banner", _never_ends),
        modelled("aaa authentication fail-message", _never_ends),
        ignored("no banner"),
    ),
    "terminal lines": (
        modelled("vacant-message", _never_ends),
        modelled("refuse-message", _never_ends),
    ),
}

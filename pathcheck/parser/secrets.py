"""Secrets in text: found by the words in front of them, and hidden before anything else reads the text.

Text is made safe where bytes become characters, so what stands behind that door - models, findings, errors,
reports - has never seen a secret and cannot print one. Hiding more than a secret is harmless, so a word that may be
one is hidden; it is reported only where it is one for certain.

No secret stands on a line that forwarding rests on: lines of access lists, addresses, VLANs and routes are left as
they are, so that a list may be called `SECRET`. What stands in their remarks and descriptions is free text.

References
----------
The forms are common practice, no source. Private keys: RFC 7468, sections 2, 10 and 11.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cache

from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["HIDDEN", "Secret", "SecretKind", "find_secrets", "hide_secrets", "secret_findings"]

HIDDEN = "(hidden)"
"""What stands where a secret stood; of one length, so that it does not tell that of the secret."""


class SecretKind(StrEnum):
    """What a secret is good for, in the words of a message."""

    PASSWORD = "password"
    KEY = "key"
    COMMUNITY = "community string"
    CREDENTIAL = "password in an address"
    PRIVATE_KEY = "private key"


@dataclass(frozen=True, slots=True)
class Secret:
    """A secret that anybody who reads the text can read.

    Parameters
    ----------
    line
        1-based line.
    column
        1-based column of its first character, before anything is hidden.
    encoded
        Whether it stands in an encoding that is turned back without any key.
    """

    line: int
    column: int
    kind: SecretKind
    encoded: bool = False


_HINTS = (
    "pass", "sec", "user", "ena", "communit", "key", "psk", "token", "auth", "cak", "://", "pwd", "snmp",
)  # fmt: skip
"""A line without any of these has no secret that could be told; looked for first, because most lines have none."""

_REST = r"(?P<secret>\S.*)"
_WORD = r"(?P<secret>\{\{[^{}]*\}\}|\"[^\"]*\"|'[^']*'|\S+)"
_CODE = (
    r"(?:(?P<code>\d{1,2}|encrypted|hash(?:ed)?|localized|cipher(?:text)?|clear-?text|plain-?text|unencrypted|clear"
    r"|plain|simple|ascii(?:-text)?|hex(?:adecimal)?|text|sha-?\d+|md5|scrypt|pbkdf2|type-?\d+a?)\s+(?=\S))?"
)
_HASHED_CODES = frozenset({"4", "5", "6", "8", "9", "10", "encrypted", "hash", "hashed", "localized"})
_ENCODED_CODES = frozenset({"7", "type7", "type-7"})
_HASH = re.compile(r"[\"']?\$[\w-]{1,12}\$")
_PLACEHOLDER = re.compile(
    r"[\"']?(?:<[^<>]*>|\{\{.*|\{%.*|\$\{.*|\$\(.*|%\w+%|[*x.]+|\(hidden\)|redacted|removed|hidden|masked|none|null|~)"
    r"[\"',]*$",
    re.IGNORECASE,
)
_NO_SECRET_BEHIND = (
    r"(?!(?:encryption|strength-check|policy|prompt|minimum|min-length|min-lower|lifetime|recovery|history|expire"
    r"|expiry|expiration|change|complexity|required|retry|restriction|check|validation|aging)\b)"
)

_FORMS: tuple[tuple[str, SecretKind, str], ...] = (
    (
        "",
        SecretKind.PASSWORD,
        rf"(?:^|\s)(?:[\w-]{{1,40}}-)?(?:password|passwd|secret|passphrase|passcode|pass-phrase)\s+"
        rf"(?:level\s+\d+\s+)?{_NO_SECRET_BEHIND}{_CODE}{_REST}",
    ),
    # Commands that are cut short are read, so they are hidden as well.
    ("", SecretKind.PASSWORD, rf"^(?:ena\w*|user\w*\s+\S+)(?:\s+\S+){{0,6}}?\s(?:pas\w*|sec\w*)\s+{_CODE}{_REST}"),
    ("key", SecretKind.KEY, rf"^key\s+config-key\s+\S+\s+{_REST}"),
    (
        "key",
        SecretKind.KEY,
        rf"^(?:key|server-key|client-key)\s+(?!chain\b|generate\b|zeroize\b|import\b|export\b|config-key\b"
        rf"|storage\b|encrypt\b|decrypt\b|pubkey-chain\b){_CODE}{_REST}",
    ),
    (
        "key",
        SecretKind.KEY,
        rf"^(?:radius|tacacs|ldap|aaa|server|client|dynamic-author)[\w-]*\s.*?\s(?:key|server-key)\s+{_CODE}{_REST}",
    ),
    ("key", SecretKind.KEY, rf"^(?:radius|tacacs|ldap)[\w-]*\s+(?:server-)?key\s+{_CODE}{_REST}"),
    (
        "",
        SecretKind.KEY,
        rf"(?:^|\s)(?:key-string|key-octet-string|cak|idtoken|auth-?token|api-?key)\s+{_CODE}{_REST}",
    ),
    ("key", SecretKind.KEY, rf"^crypto\s+(?:isakmp|ike\w*)\s+key\s+{_CODE}{_WORD}"),
    (
        "",
        SecretKind.KEY,
        rf"(?:^|\s)(?:pre-?shared-(?:key|secret)|psk|wpa-psk|set-key)\s+(?!key-chain\b)"
        rf"(?:(?:local|remote|address\s+\S+(?:\s+\d[\d.]+)?|key|set-key)\s+)*{_CODE}{_REST}",
    ),
    (
        "-key",
        SecretKind.KEY,
        rf"(?:^|\s)(?:authentication-key|message-digest-key|auth-key)\s+"
        rf"(?:\d+\s+(?:md5|sha\S*|hmac\S*|cmac\S*|aes\S*)\s+)?{_CODE}{_REST}",
    ),
    (
        "authentication",
        SecretKind.KEY,
        rf"(?:^|\s)authentication\s+(?:text|md5|simple|ietf-md5|key)\s+(?!key-chain\b|key-string\b){_CODE}{_REST}",
    ),
    (
        "authentication",
        SecretKind.KEY,
        rf"^(?:standby|vrrp|glbp|hsrp|ip\s+nhrp)\b.*?\sauthentication\s+"
        rf"(?!md5\b|text\b|ietf-md5\b|simple\b|mode\b|key-chain\b|key\b){_REST}",
    ),
    ("comm", SecretKind.COMMUNITY, rf"^(?:set\s+)?(?:snmp(?:-server)?\s+comm\w*|community)\s+{_CODE}{_WORD}"),
    ("community", SecretKind.COMMUNITY, rf"^(?:ro|rw)community6?\s+{_WORD}"),
    (
        "snmp",
        SecretKind.COMMUNITY,
        rf"^snmp(?:-server)?\s+host\s+\S+(?:\s+(?:vrf|use-vrf)\s+\S+)?(?:\s+(?:traps?|informs?))?"
        rf"(?:\s+(?:version\s+)?(?:1|2c|v1|v2c))?\s+"
        rf"(?!version\b|udp-port\b|vrf\b|use-vrf\b|traps?\b|informs?\b|source-interface\b|filter-vrf\b){_WORD}",
    ),
    (
        "snmp",
        SecretKind.KEY,
        rf"^snmp(?:-server)?\s+user\s.*?\sauth\s+(?:md5|sha\S*)\s+(?:\d{{3}}\s+)?{_CODE}{_WORD}",
    ),
    (
        "snmp",
        SecretKind.KEY,
        rf"^snmp(?:-server)?\s+user\s.*?\spriv\s+(?:(?:des\S*|3des|aes\S*)\s+(?:\d{{3}}\s+)?)?{_CODE}{_WORD}",
    ),
)
"""A word without which a form cannot be there, what it finds, and the form."""
_ADDRESS_CREDENTIAL = re.compile(
    r"(?<![a-z0-9+.-])[a-z][a-z0-9+.-]{0,20}://[^\s/@:\"']{0,80}:(?P<secret>[^\s@\"'/]{1,200})@", re.IGNORECASE
)
_PAIR = re.compile(
    r"(?P<key>[\"']?(?<![\w.-])[\w.-]{0,200}(?:password|passwd|pwd|secret|passphrase|passcode|community|psk"
    r"|pre[-_]?shared[-_]?key|api[-_]?key|private[-_]?key|key[-_]string|auth[-_]?key|token)[\"']?)\s*(?P<sign>[:=])\s*"
    r"(?P<secret>\"(?:[^\"\\]|\\.)*\"|'[^']*'|[\"'].*|[^\s,;}\]\"'|>{\[!][^,;}\]]*)",
    re.IGNORECASE,
)
_LISTED = re.compile(
    r"(?<![\w.-])[\"']?[\w.-]{0,200}(?:password|passwd|pwd|secret|passphrase|passcode|community|psk|api[-_]?key"
    r"|private[-_]?key|key[-_]string|token)s?[\"']?\s*[:=]\s*(?P<list>[\[{].*)",
    re.IGNORECASE,
)
"""A list or a mapping on one line below such a key."""
_LISTED_ITEM = re.compile(r"(?P<secret>\"(?:[^\"\\]|\\.)*\"|'[^']*'|[^\s,\[\]{}:\"'][^,\[\]{}:\"']*)(?P<key>\s*:)?")
_IN_WORDS = re.compile(r"\b(?:password|passwd|passphrase|pwd)\s+(?:is|are) (?P<secret>\S.*)", re.IGNORECASE)
_FREE_TEXT = re.compile(
    r"(?:(?:no|default)\s+)?(?:access-list\s+\S+\s+|\d+\s+|seq(?:uence)?\s+\d+\s+)?"
    r"(?:remark|description|comment|name|alias|contact|location|banner|snmp-server\s+(?:contact|location))\b",
    re.IGNORECASE,
)
_FORWARDING = re.compile(
    r"(?:(?:no|default)\s+)?(?:\d+\s+|seq(?:uence)?\s+\d+\s+)?"
    r"(?:permit|deny|access-(?:list|class|group)|interface|vlan|vrf|hostname|switch(?:name|port)|object-group"
    r"|(?:group|network|service|port|protocol|icmp)-object|apply|match|(?:route|class|policy)-map|class|service-policy"
    r"|line|router|(?:ip|ipv4|ipv6)\s+(?:access\S*|address|route|vrf|port|traffic-filter|prefix-list"
    r"|community-list|extcommunity-list|as-path|policy|arp|default-gateway|virtual\S*|unnumbered)"
    r"|(?:ip\s+)?(?:dhcp|name-server)|set\s+(?:community|extcommunity|ip|ipv6)|(?:snmp-server\s+)?community-list)\b",
    re.IGNORECASE,
)
_NO_KEY_OF_OURS = re.compile(r"(?:username|user)\s+\S+\s+(?:ssh-?key|keystring)\b|key-hash\b", re.IGNORECASE)
_LEAD = re.compile(r"[\s!#-]*(?:(?:no|default)\s+)?")
_PROMPT = re.compile(r"\s*[A-Za-z][\w.\-/:@]{0,62}(?:\([^()]{1,40}\))?[#>]\s*(?=\S)")
_KEY_BEGINS = re.compile(r"-----BEGIN [A-Z0-9 ]*PRIVATE KEY-----")
_KEY_TEXT = re.compile(
    r"(-----BEGIN [A-Z0-9 ]*PRIVATE KEY-----)\s*[^-\s][^\"']*?(-----END [A-Z0-9 ]*PRIVATE KEY-----|(?=[\"'])|\s*$)",
    re.IGNORECASE,
)
_KEY_ENDS = re.compile(r"-----END [A-Z0-9 ]*PRIVATE KEY-----")
_BLOCK_OPENS = re.compile(
    r"(?P<indent>\s*(?:-\s+)?)[\"']?[\w.-]*(?:password|passwd|pwd|secret|passphrase|passcode|community|psk"
    r"|api[-_]?key|private[-_]?key|key[-_]string|token)s?[\"']?\s*:\s*(?:![\w/.-]+\s*)?(?:(?P<text>[|>][+-]?\d?)|[\[{])?\s*(?:#.*)?$",
    re.IGNORECASE,
)
_ITEM = re.compile(
    r"\s*(?:-\s+)?(?:[\"']?[\w.-]+[\"']?\s*:\s*)?"
    r"(?P<secret>\"(?:[^\"\\]|\\.)*\"|'[^']*'|[^\s,;}\]\"'|>{\[:](?:[^,;}\]]*[^\s,;}\]:])?)\s*,?\s*(?:#.*)?$"
)
_ADDRESS = re.compile(r"\d{1,3}(?:\.\d{1,3}){3}(?:[/-][\d.]+)?|[0-9a-fA-F]*:[0-9a-fA-F:.]*:[0-9a-fA-F:.]*(?:/\d+)?")
_BASE64 = re.compile(r"\s*[A-Za-z0-9+/]{20,}={0,2}\s*$")
_MOST_KEY_LINES = 500
_FARTHEST_HEADER = 200
_LONGEST_COMMAND = 2_000
"""Longer lines are no commands; of those only what data can hold is looked for, and what begins like a command."""
_QUOTED_KEY = re.compile(r"\"\s*:\s*$")
_NUMBER = re.compile(r"\d+$")


@dataclass(frozen=True, slots=True)
class _Found:
    """A piece of one line that is hidden; `shows` says whether it is a secret for certain, and readable."""

    start: int
    end: int
    kind: SecretKind
    shows: bool
    encoded: bool = False


def hide_secrets(text: str) -> str:
    r"""Return a text with each secret replaced by :data:`HIDDEN`; lines stay lines.

    Examples
    --------
    >>> hide_secrets("hostname quay-a\nenable password 0 seagull\n")
    'hostname quay-a\nenable password 0 (hidden)\n'
    >>> hide_secrets("permit tcp any any eq 22")
    'permit tcp any any eq 22'
    """
    return _scan(text)[0] if _is_suspicious(text) else text


def find_secrets(text: str) -> tuple[Secret, ...]:
    r"""Return the secrets that can be read in a text, in the order of the text; hashed and encrypted ones are none.

    Examples
    --------
    >>> [(it.line, it.column, it.kind.value) for it in find_secrets("hostname quay-a\nsnmp-server community gull ro\n")]
    [(2, 23, 'community string')]
    """
    return _scan(text)[1] if _is_suspicious(text) else ()


def secret_findings(file: str, data: bytes) -> tuple[Finding, ...]:
    """Return PC395 for each line of a file with secrets that can be read; the line is quoted without them."""
    text = data.decode("utf-8-sig", "replace")
    if not _is_suspicious(text):
        return ()
    hidden, secrets = _scan(text)
    lines = hidden.split("\n")
    by_line: dict[int, list[Secret]] = {}
    for secret in secrets:
        by_line.setdefault(secret.line, []).append(secret)
    found = []
    for number, on_line in by_line.items():
        kinds = " and ".join(dict.fromkeys(f"a {secret.kind}" for secret in on_line))
        how = (
            "in an encoding that anybody can turn back"
            if all(secret.encoded for secret in on_line)
            else "in clear text"
        )
        found.append(
            finding(
                "PC395",
                f"{kinds} {how}: whoever can read this file has it",
                span=Span(file, number, lines[number - 1].rstrip("\r"), on_line[0].column),
                help=_CURES.get(on_line[0].kind, _CURE),
            )
        )
    return tuple(found)


_CURE = "let the pushing system fill it in from its own store, or give the device a hash; and change what stood here"
_CURES = {
    SecretKind.PRIVATE_KEY: "make a new pair on the device, so that the private key never leaves it",
    SecretKind.COMMUNITY: "let the pushing system fill it in from its own store, or use version 3 with users",
}


def _is_suspicious(text: str) -> bool:
    """Whether any line can hold a secret."""
    lower = text.lower()
    return any(hint in lower for hint in _HINTS)


def _scan(text: str) -> tuple[str, tuple[Secret, ...]]:
    """Go once through the lines that can hold a secret, and through what stands below them."""
    lines = text.split("\n")
    secrets: list[Secret] = []
    done = 0
    for number in _suspicious_lines(text):
        if number < done:
            continue
        line = lines[number]
        if "-----" in line and _KEY_BEGINS.search(line):
            done = _end_of_key(lines, number) + 1
            key = _KEY_ENDS.split(_KEY_BEGINS.split("\n".join(lines[number:done]), maxsplit=1)[1])[0]
            if key.replace(HIDDEN, "").strip(" \t\r\n\\n\"',"):
                secrets.append(Secret(number + 1, line.index("-----BEGIN") + 1, SecretKind.PRIVATE_KEY))
            lines[number] = _KEY_TEXT.sub(rf"\1{HIDDEN}\2", line)
            for further in range(number + 1, done):
                if lines[further].strip() and not _KEY_ENDS.search(lines[further]):
                    lines[further] = _hidden_line(lines[further])
            continue
        found = _in_line(line, lines, number)
        if found:
            secrets += [Secret(number + 1, it.start + 1, it.kind, it.encoded) for it in found if it.shows]
            for it in reversed(found):
                line = _without(line, it)
            lines[number] = line
        opened = _BLOCK_OPENS.match(line) if ":" in line else None
        if opened:
            done = number + 1
            while done < len(lines) and (not lines[done].strip() or _indent(lines[done]) > len(opened["indent"])):
                if lines[done].strip():
                    lines[done], more = _in_block(lines[done], done, literal=bool(opened["text"]))
                    secrets += more
                done += 1
    return "\n".join(lines), tuple(secrets)


def _suspicious_lines(text: str) -> list[int]:
    """The indices of the lines that can hold a secret, in order."""
    lower = text.lower()
    # A letter whose small form is two characters moves what stands behind it, so such a text is looked at as a whole.
    if len(lower) != len(text):
        return list(range(text.count("\n") + 1))
    starts = [0, *(found.end() for found in re.finditer("\n", text))]
    found: set[int] = set()
    for hint in _HINTS:
        place = lower.find(hint)
        while place >= 0:
            number = bisect_right(starts, place) - 1
            found.add(number)
            place = lower.find(hint, starts[number + 1]) if number + 1 < len(starts) else -1
    return sorted(found)


def _header(lines: Sequence[str], number: int) -> str:
    """The line in front that is not indented, in small letters; empty where there is none."""
    for above in range(number, max(-1, number - _FARTHEST_HEADER), -1):
        line = lines[above]
        if line[:1].strip() and line[0] not in "!#":
            return line.lower()
    return ""


def _in_block(line: str, number: int, *, literal: bool) -> tuple[str, list[Secret]]:
    """A line below a key that is called so, and its secret; keys and signs of data stay, so that it can be read."""
    if literal:
        secret = line.strip()
        found = [] if _is_no_secret(secret) else [Secret(number + 1, _indent(line) + 1, SecretKind.PASSWORD)]
        return _hidden_line(line), found
    match = _ITEM.match(line)
    if match is None or _ADDRESS.fullmatch(match["secret"].strip("\"'")):
        return line, []
    piece = _Found(*match.span("secret"), SecretKind.PASSWORD, not _is_no_secret(match["secret"]))
    shown = [Secret(number + 1, piece.start + 1, piece.kind)] if piece.shows else []
    return _without(line, piece), shown


def _is_no_secret(words: str) -> bool:
    """Whether words stand for a secret that is elsewhere, or are a hash of one."""
    return bool(_PLACEHOLDER.match(words) or _HASH.match(words))


def _end_of_key(lines: list[str], number: int) -> int:
    """Return the index of the last line of a private key; one that does not end is hidden as far as one can be long."""
    for further in range(number, min(len(lines), number + _MOST_KEY_LINES)):
        if _KEY_ENDS.search(lines[further]):
            return further
    further = number + 1
    while further < len(lines) and _BASE64.match(lines[further]):
        further += 1
    return further - 1 if further > number + 1 else number


def _in_line(line: str, lines: Sequence[str], number: int) -> list[_Found]:
    """What is hidden in one line, from left to right, no piece twice."""
    found: list[_Found] = []
    if "://" in line:
        found += [_judged(match, SecretKind.CREDENTIAL) for match in _ADDRESS_CREDENTIAL.finditer(line)]
    if ":" in line or "=" in line:
        found += [
            _judged(match, SecretKind.PASSWORD)
            for match in _PAIR.finditer(line)
            if not _ADDRESS.fullmatch(match["secret"].strip("\"' "))  # what a place of that name holds
        ]
        found += _in_list(line) if "[" in line or "{" in line else []
    command = line[:_LONGEST_COMMAND]
    said = _in_command(command, lines, number)
    if " is " in command or " are " in command:
        said += [_judged(match, SecretKind.PASSWORD) for match in _IN_WORDS.finditer(command)]
    if not found and not said:
        return []
    cut = len(command.rstrip()) if len(command) < len(line) else -1
    found += [replace(it, end=len(line.rstrip())) if it.end == cut else it for it in said]
    found.sort(key=lambda it: (it.start, -it.end))
    apart: list[_Found] = []
    for it in found:
        if apart and it.start < apart[-1].end:
            last = apart[-1]
            apart[-1] = _Found(
                last.start, max(last.end, it.end), last.kind, last.shows or it.shows, last.encoded or it.encoded
            )
        else:
            apart.append(it)
    return apart


def _in_list(line: str) -> list[_Found]:
    """The values of a list or mapping that stands on one line, up to where it is closed."""
    opened = _LISTED.search(line)
    if opened is None:
        return []
    start, depth, end = opened.start("list"), 0, len(line)
    for place in range(start, len(line)):
        depth += (line[place] in "[{") - (line[place] in "]}")
        if depth == 0:
            end = place
            break
    return [
        _judged(match, SecretKind.PASSWORD)
        for match in _LISTED_ITEM.finditer(line, start, end)
        if not match["key"] and not _ADDRESS.fullmatch(match["secret"].strip("\"' "))
    ]


@cache
def _forms() -> tuple[tuple[str, SecretKind, re.Pattern[str]], ...]:
    """The forms, compiled when a text first needs them: most have no line that could hold a secret."""
    return tuple((hint, kind, re.compile(form, re.IGNORECASE)) for hint, kind, form in _FORMS)


def _in_command(line: str, lines: Sequence[str], number: int) -> list[_Found]:
    """What the forms of commands find in a line, a commented one too; nothing in free text and on forwarding lines."""
    lead = _LEAD.match(line)
    start = lead.end() if lead else 0
    prompt = _PROMPT.match(line, start)
    if prompt:
        start = prompt.end()
    command = line[start:]
    if _FREE_TEXT.match(command) or _FORWARDING.match(command) or _NO_KEY_OF_OURS.match(command):
        return []
    found, lower = [], command.lower()
    for hint, kind, form in _forms():
        if hint in lower:
            for match in form.finditer(command):
                piece = _judged(match, kind, start)
                if hint == "snmp" and "localized" in lower:
                    piece = replace(piece, shows=False)  # a key that is good on one device only
                if piece.shows and kind is SecretKind.KEY and _is_number_of_key(command, match, lines, number):
                    piece = replace(piece, shows=False)
                found.append(piece)
    return found


def _is_number_of_key(command: str, match: re.Match[str], lines: Sequence[str], number: int) -> bool:
    """Whether `key 5` may name the fifth key of a chain, or one that is defined elsewhere."""
    if not _NUMBER.match(match["secret"]) or match.groupdict().get("code"):
        return False
    servers = ("radius", "tacacs", "ldap")
    return not (command.lower().startswith(servers) or _header(lines, number).startswith((*servers, "aaa")))


def _judged(match: re.Match[str], kind: SecretKind, offset: int = 0) -> _Found:
    """A piece with what it shows to a reader."""
    secret = match["secret"].rstrip()
    start = match.start("secret")
    end = start + len(secret)
    code = (match.groupdict().get("code") or "").lower()
    open_to_all = not (_is_no_secret(secret) or code in _HASHED_CODES or code.startswith(("sha", "scrypt", "pbkdf2")))
    return _Found(start + offset, end + offset, kind, open_to_all, code in _ENCODED_CODES)


def _without(line: str, found: _Found) -> str:
    """A line with one piece hidden; quotation marks stay, and a bare value of data gets them where it needs them."""
    piece = line[found.start : found.end]
    quote = piece[0] if len(piece) > 1 and piece[0] in "\"'" and piece[-1] == piece[0] else ""
    if not quote and _QUOTED_KEY.search(line[: found.start]):
        quote = '"'  # JSON has no bare words
    return f"{line[: found.start]}{quote}{HIDDEN}{quote}{line[found.end :]}"


def _hidden_line(line: str) -> str:
    """A line of which nothing but the indentation, and its line end, is left."""
    return f"{line[: _indent(line)]}{HIDDEN}" + ("\r" if line.endswith("\r") else "")


def _indent(line: str) -> int:
    """Blanks in front of a line."""
    return len(line) - len(line.lstrip())

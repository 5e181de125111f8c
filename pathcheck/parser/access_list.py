"""Access lists: their headers, their lines in the order in which they act, what removes lines again.

A list may be opened several times, by name or by number, in a block or line by
line; the lines go on. Whatever cannot be read keeps its place as an
:class:`~pathcheck.model.access_list.UnreadLine`: a list with a wrong line is
uncertain, not shorter.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Literal

from pathcheck.model.access_list import AccessList, Action, Entry, Family, Line, Remark, UnreadLine
from pathcheck.model.object_group import GroupKind, GroupReference, ObjectGroup
from pathcheck.model.unmodelled import DeviceScope, ListScope, NoScope, Scope
from pathcheck.parser.access_list_line import EntryReader
from pathcheck.parser.address_form import Note
from pathcheck.parser.commands import (
    HANDLED,
    CommandLine,
    Context,
    Enter,
    Mode,
    Result,
    Tables,
    WrongLine,
    ignored,
    modelled,
    shorten,
    unmodelled,
)
from pathcheck.parser.grammar import did_you_mean
from pathcheck.parser.object_group import Groups
from pathcheck.results.account import LineClass
from pathcheck.source import Span

__all__ = ["COMMANDS", "MODES", "Lists", "garbled_at_top", "number_kind"]

Form = Literal["standard", "extended", "turned"]

_READERS: dict[tuple[Family, Form], EntryReader] = {
    ("ipv4", "standard"): EntryReader(4, standard=True),
    ("ipv4", "extended"): EntryReader(4, standard=False),
    ("ipv4", "turned"): EntryReader(4, standard=False, bare=True),
    ("ipv6", "standard"): EntryReader(6, standard=True),
    ("ipv6", "extended"): EntryReader(6, standard=False),
    ("ipv6", "turned"): EntryReader(6, standard=False, bare=True),
}
_LAST_SEQUENCE = 4294967295


def number_kind(name: str) -> Literal["standard", "extended", "other", None]:
    """Return what kind of list a number is (common practice, no source); None for a name, `other` for no IPv4 list."""
    if not (name.isascii() and name.isdigit()):
        return None
    number = int(name) if len(name) < 6 else 0
    if 1 <= number <= 99 or 1300 <= number <= 1999:
        return "standard"
    return "extended" if 100 <= number <= 199 or 2000 <= number <= 2699 else "other"


# --- what is gathered ------------------------------------------------------------------------------------------------


class ListDraft:
    """A list while the text is read.

    Attributes
    ----------
    form
        Which grammar its lines have; `turned` is the one where an address alone is a host.
    shown
        Whether it was last opened by the output of a `show`, which repeats what the configuration said.
    """

    def __init__(self, name: str, family: Family, form: Form, span: Span) -> None:
        self.name = name
        self.family = family
        self.form = form
        self.span = span
        self.shown = False
        self.numbered: dict[int, Line | UnreadLine] = {}
        self.remarks: list[tuple[int, int, Remark]] = []
        self.last = 0
        self.in_order = True

    @property
    def standard(self) -> bool:
        """Whether lines match the source only."""
        return self.form == "standard"

    def next_sequence(self) -> int:
        """Return the number of a line that gives none."""
        return min(self.last + 10, _LAST_SEQUENCE)

    def add(self, context: Context, entry: Line | UnreadLine) -> None:
        """Put a line at its place; one of the same number is replaced, with a finding."""
        sequence = entry.sequence
        if sequence > self.last:
            self.last = sequence
        else:
            self.in_order = False
            earlier = self.numbered.get(sequence)
            if self.shown and earlier == entry:
                return
            if earlier is not None:
                message = f"the number {sequence} stands twice in `{self.name}`; the later line acts"
                cure = "some devices refuse the later line instead; give each line its own number"
                context.report("PC405", message, entry.span, acl=self.name, because=(earlier.span,), help=cure)
        self.numbered[sequence] = entry

    def renew_last(self) -> None:
        """Find the last number again after a removal: a line without a number follows what is left."""
        places = [place for place, rank, _ in self.remarks if rank == 0]
        self.last = max((*self.numbered, *places), default=0)

    def add_remark(self, remark: Remark) -> None:
        """Put a remark behind what stands so far, or at its number."""
        place = self.last if remark.sequence is None else remark.sequence
        # A remark stands in front of the line with its number, and behind the last line if it has none.
        self.remarks.append((place, 0 if remark.sequence is not None else 2, remark))
        self.last = max(self.last, place)

    def resequence(self, start: int, step: int) -> None:
        """Number the lines anew."""
        order = {old: start + step * index for index, old in enumerate(sorted(self.numbered))}
        self.numbered = {order[old]: replace(entry, sequence=order[old]) for old, entry in self.numbered.items()}
        moved = []
        for place, rank, remark in self.remarks:
            following = [old for old in order if old >= place] if rank == 0 else []
            preceding = [old for old in order if old <= place]
            if following:
                number = order[min(following)]
                moved.append((number, rank, replace(remark, sequence=number)))
            else:
                moved.append((order[max(preceding)] if preceding else 0, 2, replace(remark, sequence=None)))
        self.remarks = moved
        self.last = max(self.numbered, default=0)

    def entries(self) -> tuple[Entry, ...]:
        """Return all entries in the order in which they act."""
        if not self.remarks and self.in_order:
            return tuple(self.numbered.values())
        keyed: list[tuple[int, int, int, Entry]] = [
            (sequence, 1, 0, entry) for sequence, entry in self.numbered.items()
        ]
        keyed += [(place, rank, index, remark) for index, (place, rank, remark) in enumerate(self.remarks)]
        keyed.sort(key=lambda item: item[:3])
        return tuple(item[3] for item in keyed)


class Lists:
    """The lists of one device while its text is read."""

    def __init__(self) -> None:
        self.drafts: dict[tuple[Family, str], ListDraft] = {}

    def open(self, name: str, family: Family, form: Form, span: Span) -> ListDraft:
        """Return the list of that name, new or as it stands."""
        draft = self.drafts.get((family, name))
        if draft is None:
            draft = self.drafts[family, name] = ListDraft(name, family, form, span)
        return draft

    def finish(
        self, context: Context, groups: Mapping[tuple[GroupKind, str], ObjectGroup]
    ) -> dict[tuple[Family, str], AccessList]:
        """Return the lists, with what a line's groups are decided now that all groups are known."""
        found = {}
        missing: set[tuple[GroupKind, str]] = set()
        for key, draft in self.drafts.items():
            entries = draft.entries()
            if any(_names_group(entry) for entry in entries):
                entries = tuple(_settle_groups(context, draft, entry, groups, missing) for entry in entries)
            found[key] = AccessList(draft.name, draft.family, draft.standard, entries, span=draft.span)
        return found


def _names_group(entry: Entry) -> bool:
    """Whether a line names a group."""
    return isinstance(entry, Line) and (
        entry.protocol.__class__ is GroupReference
        or entry.source.__class__ is GroupReference
        or entry.destination.__class__ is GroupReference
        or entry.source_ports.__class__ is GroupReference
        or entry.destination_ports.__class__ is GroupReference
    )


def _settle_groups(
    context: Context,
    draft: ListDraft,
    entry: Entry,
    groups: Mapping[tuple[GroupKind, str], ObjectGroup],
    missing: set[tuple[GroupKind, str]],
) -> Entry:
    """Decide of which kind the groups of a line are, and note those that are not defined."""
    if not isinstance(entry, Line):
        return entry
    if isinstance(entry.protocol, GroupReference) and entry.protocol.kind == "service":
        protocols = GroupReference(entry.protocol.name, "protocol")
        if ("service", protocols.name) not in groups and ("protocol", protocols.name) in groups:
            entry = replace(entry, protocol=protocols)
    if (
        isinstance(entry.destination, GroupReference)
        and isinstance(entry.destination_ports, GroupReference)
        and ("address", entry.destination.name) not in groups
        and ("port", entry.destination.name) in groups
    ):
        # `SOURCE object-group PORTS object-group DESTINATION`: the kinds tell which is which.
        ports, address = entry.destination.name, entry.destination_ports.name
        entry = replace(
            entry,
            source_ports=GroupReference(ports, "port"),
            destination=GroupReference(address, "address"),
            destination_ports=None,
        )
    for part in (entry.protocol, entry.source, entry.source_ports, entry.destination, entry.destination_ports):
        if isinstance(part, GroupReference):
            key = (part.kind, part.name)
            if key not in groups and key not in missing:
                missing.add(key)
                alike = did_you_mean(part.name, [name for kind, name in groups if kind == part.kind])
                message = f"the {_KIND_WORDS[part.kind]} group `{part.name}` is not defined"
                context.report("PC411", message, entry.span, acl=draft.name, help=alike)
    return entry


_KIND_WORDS = {"address": "address", "port": "port", "service": "service", "protocol": "protocol", "icmp": "ICMP"}


# --- lines of a list -------------------------------------------------------------------------------------------------

_COUNTERS = re.compile(
    r"\(\d+ match(?:es)?\)|\(hitcnt=\d+\)(?: \(inactive\))?(?: 0x[0-9a-f]{1,8})?|\[match(?:ed|es)?[ =][^\]]{0,80}\]"
    r"|\((?:in)?active\)|\(time left \d+\)|\(\d+ match(?:es)?, [^()]{0,60}\)",
    re.IGNORECASE,
)


def _cut_counters(line: CommandLine) -> None:
    """Blank the counters and states that a `show` puts behind or into a line; other words keep their columns."""
    text = line.source.text
    if ")" in text or "]" in text:
        blanked = _COUNTERS.sub(lambda found: " " * len(found[0]), text)
        if blanked != text:
            line.source = replace(line.source, text=blanked)
            line.words = blanked.split()


def _number_in_front(line: CommandLine, head: int) -> int | None:
    """Return the sequence number in front of the word `head`; None where there is none."""
    if head == 0 or not line.words[head - 1].isdigit():
        return None
    return line.number_at(head - 1, 1, _LAST_SEQUENCE, "a sequence number")


def _read_line(context: Context, line: CommandLine) -> Result:
    """[N | sequence N | seq N] permit|deny ..., and the same with `no` in front."""
    draft: ListDraft = line.subject
    head = line.start - 1
    if line.negated:
        return _remove_line(context, draft, line, head)
    return _add_line(context, draft, line, head, 0)


def _add_line(context: Context, draft: ListDraft, line: CommandLine, head: int, first: int) -> Result:
    """Put the line whose action is the word `head` into a list; its own words begin at `first`."""
    action = Action.PERMIT if line.words[head][0] in "pP" else Action.DENY
    sequence = draft.last + 10
    _cut_counters(line)
    try:
        if head > first:
            sequence = _number_in_front(line, head) or sequence
        elif sequence > _LAST_SEQUENCE:
            raise line.wrong_value(head, f"no number is left behind {draft.last}")
        assume = context.assume
        entry, notes = _READERS[draft.family, draft.form].read(
            line,
            action,
            sequence,
            assume.dotted_mask,
            assume.several_flags,
            context.part(Groups).announced,
        )
    except WrongLine as fault:
        _keep_place(context, draft, line, min(sequence, _LAST_SEQUENCE), action, fault.message)
        fault.scope = HANDLED
        raise
    draft.add(context, entry)
    if notes:
        _report_notes(context, draft, line, notes)
    if entry.doubt is not None:
        context.report("PC412", f"the line is uncertain: {entry.doubt}", line.span, acl=draft.name)
        return LineClass.UNMODELLED
    return None


def _report_notes(context: Context, draft: ListDraft, line: CommandLine, notes: list[tuple[int, Note]]) -> None:
    """Turn notes on words into findings."""
    for place, note in notes:
        span = line.span_of(line.start + place)
        context.report(note.code, note.message, span, acl=draft.name, help=note.help)


def _keep_place(
    context: Context, draft: ListDraft, line: CommandLine, sequence: int, action: Action | None, why: str
) -> None:
    """Put a line that could not be read at its place."""
    draft.add(context, UnreadLine(sequence, action, line.source.text[:500], why, span=line.span))


def _remove_line(context: Context, draft: ListDraft, line: CommandLine, head: int) -> Result:
    """Take out the line that says what stands behind `no`."""
    action = Action.PERMIT if line.words[head][0] in "pP" else Action.DENY
    assume = context.assume
    try:
        wanted, _ = _READERS[draft.family, draft.form].read(
            line, action, 1, assume.dotted_mask, assume.several_flags, context.part(Groups).announced
        )
    except WrongLine as fault:
        fault.scope = ListScope(draft.name, draft.family)
        raise
    number = _number_in_front(line, head) if head > 1 else None
    for sequence, entry in draft.numbered.items():
        if number in (None, sequence) and isinstance(entry, Line) and replace(entry, sequence=1) == wanted:
            del draft.numbered[sequence]
            draft.renew_last()
            return None
    return _removes_nothing(context, draft.name, line, "no such line stands in it so far")


def _remove_number(context: Context, line: CommandLine) -> Result:
    """No N, or no N permit|deny|remark ..."""
    draft: ListDraft = line.subject
    if line.start < len(line.words):
        head, line.start = line.start, line.start + 1
        word = line.words[head].lower()
        if word in ("permit", "deny"):
            return _remove_line(context, draft, line, head)
        if word == "remark":
            return _read_remark(context, line)
        raise line.wrong(head, "the end of the line", scope=ListScope(draft.name, draft.family))
    number = line.number_at(line.start - 1, 1, _LAST_SEQUENCE, "a sequence number")
    before = len(draft.remarks)
    draft.remarks = [item for item in draft.remarks if item[2].sequence != number]
    if draft.numbered.pop(number, None) is None and len(draft.remarks) == before:
        return _removes_nothing(context, draft.name, line, f"no line of it has the number {number} so far")
    draft.renew_last()
    return None


def _removes_nothing(context: Context, name: str, line: CommandLine, why: str) -> Result:
    """Note a removal without effect."""
    context.report("PC408", f"the line removes nothing from `{name}`: {why}", line.span, acl=name)
    return None


def _read_remark(context: Context, line: CommandLine) -> Result:
    """[N] remark TEXT."""
    draft: ListDraft = line.subject
    text = line.text_from(line.start)
    if line.negated:
        kept = [item for item in draft.remarks if item[2].text != text]
        if len(kept) == len(draft.remarks):
            return _removes_nothing(context, draft.name, line, "no such remark stands in it so far")
        draft.remarks = kept
        return None
    draft.add_remark(Remark(text, _number_in_front(line, line.start - 1), span=line.span))
    return None


def _read_evaluate(context: Context, line: CommandLine) -> Result:
    """[N] evaluate NAME: permits what a stateful list holds at the time."""
    draft: ListDraft = line.subject
    sequence = _number_in_front(line, line.start - 1) or draft.next_sequence()
    why = "it permits the replies of sessions, which are not modelled"
    _keep_place(context, draft, line, sequence, Action.PERMIT, why)
    context.report("PC412", f"the line is uncertain: {why}", line.span, acl=draft.name)
    return LineClass.UNMODELLED


def _unread_inside(context: Context, line: CommandLine) -> Scope | object:
    """Keep the place of a line in a list that is no line of a list."""
    draft = line.subject
    if not isinstance(draft, ListDraft):
        return DeviceScope()
    words = line.words
    sequence = draft.next_sequence()
    number = words[0]
    numeric = number.isascii() and number.isdigit()
    if numeric and 1 <= int(number[:11]) <= _LAST_SEQUENCE:
        sequence = int(number)
    if number.lower() == "no":
        return ListScope(draft.name, draft.family)
    action = None
    if len(words) > 1 and numeric and words[1].lower() in ("permit", "deny"):
        action = Action(words[1].lower())
    _keep_place(context, draft, line, sequence, action, "expected `permit`, `deny` or `remark`")
    return HANDLED


def _looks_like_line(line: CommandLine) -> bool:
    """Whether a line that nobody knows can only be meant for a list."""
    first = line.words[0]
    return first.isdigit() or did_you_mean(first[:40], ("permit", "deny", "remark", "evaluate")) is not None


# --- headers ---------------------------------------------------------------------------------------------------------


def _family_of(words: list[str]) -> Family:
    return "ipv6" if words[0].lower() == "ipv6" else "ipv4"


def _typed(word: str) -> Form | None:
    """Return the type of list that a word means; it may be cut short."""
    lower = word.lower()
    for form in ("standard", "extended"):
        if form.startswith(lower) and lower:
            return form
    return None


def _read_header(context: Context, line: CommandLine) -> Result:
    """ip|ipv4|ipv6 access-list [standard|extended] NAME, and the same with `no` in front."""
    family: Family = "ipv6" if line.words[1 if line.negated else 0].lower().startswith("ipv6") else "ipv4"
    form: Form | None = None
    if len(line.tail) > 1 or [word.lower() for word in line.tail] in (["standard"], ["extended"]):
        form = _typed(line.tail[0])
    place = line.start + (1 if form else 0)
    return _open_list(context, line, family, form, place)


def _read_turned_header(context: Context, line: CommandLine) -> Result:
    """access-list ip|ipv6 NAME."""
    family: Family = "ipv6" if line.words[line.start - 1].lower() == "ipv6" else "ipv4"
    return _open_list(context, line, family, "turned", line.start)


def _read_shown_header(context: Context, line: CommandLine) -> Result:
    """[Extended|Standard] IP|IPv6 access list NAME, as a `show` prints it."""
    words = [word.lower() for word in line.words[: line.start]]
    family: Family = "ipv6" if "ipv6" in words else "ipv4"
    form: Form | None = _typed(words[0]) if words[0] in ("standard", "extended") else None
    found = re.search(r"\s\((?:Compiled|per-user)\)$|\s\[readonly\]$", line.source.text, re.IGNORECASE)
    if found:
        line.source = replace(line.source, text=line.source.text[: found.start()])
        line.words = line.source.text.split()
    result = _open_list(context, line, family, form, line.start)
    if isinstance(result, Enter):
        result.subject.shown = True
    return result


def _open_list(context: Context, line: CommandLine, family: Family, form: Form | None, place: int) -> Result:
    """Open the list whose name is the word `place`."""
    lists = context.part(Lists)
    if place >= len(line.words):
        raise line.wrong(place, "the name of an access list")
    name = line.words[place]
    if line.negated:
        if lists.drafts.pop((family, name), None) is None:
            return _removes_nothing(context, name, line, "it is not defined so far")
        return None
    by_number = number_kind(name) if family == "ipv4" else None
    existing = lists.drafts.get((family, name))
    try:
        if place + 1 < len(line.words):
            raise line.wrong(place + 1, "the end of the line")
        if form in ("standard", "extended") and by_number not in (None, form):
            kind = "no IPv4 list" if by_number == "other" else f"a number of {by_number} lists"
            raise line.wrong_value(place, f"`{name}` is {kind}", help="1-99 and 1300-1999 are standard, "
                                   "100-199 and 2000-2699 extended")  # fmt: skip
        if existing and form and existing.form != form and "turned" not in (form, existing.form):
            raise line.wrong_value(place, f"`{name}` is {_article(existing.form)} list already")
    except WrongLine as fault:
        draft = lists.open(name, family, form or "extended", line.span)
        _keep_place(context, draft, line, draft.next_sequence(), None, fault.message)
        fault.scope = HANDLED
        raise
    if form is None:
        form = "standard" if by_number == "standard" else "extended"
    draft = lists.open(name, family, form, line.span)
    draft.shown = False
    return Enter("access list", draft)


def _article(form: str) -> str:
    return f"a {form}" if form == "standard" else f"an {form}"


def _read_numbered(context: Context, line: CommandLine) -> Result:
    """access-list NUMBER permit|deny|remark ..., one line each; `no access-list NUMBER` deletes the list."""
    place = line.start - 1
    name = line.words[place]
    lists = context.part(Lists)
    kind = number_kind(name)
    if kind == "other":
        if 200 <= int(name[:6]) <= 299 or 600 <= int(name[:6]) <= 1299:
            # Lists of bridges and of protocols of the past: they filter no IP packet.
            return LineClass.IGNORED
        cure = "1-99 and 1300-1999 are standard, 100-199 and 2000-2699 extended"
        raise line.wrong(place, "the number of an access list", help=cure)
    assert kind is not None
    if line.negated:
        return _remove_numbered(context, line, name)
    draft = lists.open(name, "ipv4", "standard" if kind == "standard" else "extended", line.span)
    draft.shown = False
    line.subject = draft
    word = line.words[line.start].lower() if line.start < len(line.words) else ""
    head = line.start
    line.start += 1
    if word and ("permit".startswith(word) or "deny".startswith(word)):
        return _add_line(context, draft, line, head, head)
    if word and len(word) > 2 and "remark".startswith(word):
        draft.add_remark(Remark(line.text_from(line.start), span=line.span))
        return None
    if word == "dynamic":
        why = "it permits sessions once a user has logged in, which is not modelled"
        _keep_place(context, draft, line, draft.next_sequence(), None, why)
        context.report("PC412", f"the line is uncertain: {why}", line.span, acl=name)
        return LineClass.UNMODELLED
    fault = line.wrong(head, "`permit`, `deny` or `remark`", known=("permit", "deny", "remark"), scope=HANDLED)
    _keep_place(context, draft, line, draft.next_sequence(), None, fault.message)
    raise fault


def _remove_numbered(context: Context, line: CommandLine, name: str) -> Result:
    """No access-list NUMBER [...]."""
    lists = context.part(Lists)
    if line.start == len(line.words):
        if lists.drafts.pop(("ipv4", name), None) is None:
            return _removes_nothing(context, name, line, "it is not defined so far")
        return None
    if ("ipv4", name) not in lists.drafts:
        return _removes_nothing(context, name, line, "it is not defined so far")
    what = "removal of one line of a numbered list"
    context.report("PC412", f"{what}: some devices remove the line and some the whole list", line.span, acl=name)
    context.add_unmodelled(what, ListScope(name, "ipv4"), line.span)
    return LineClass.UNMODELLED


def _read_named_lines(context: Context, line: CommandLine) -> Result:
    """access-list NAME ...: each line with the list's name in front, a form that is not read."""
    name = line.words[line.start - 1]
    if line.negated:
        return _remove_named(context, line, name)
    draft = context.part(Lists).open(name, "ipv4", "extended", line.span)
    message = "lines with the list's name in front are of a dialect that is not read"
    _keep_place(context, draft, line, draft.next_sequence(), None, message)
    raise line.wrong_value(line.start - 1, message, scope=HANDLED)


def _remove_named(context: Context, line: CommandLine, name: str) -> Result:
    """No access-list NAME."""
    if context.part(Lists).drafts.pop(("ipv4", name), None) is None:
        return _removes_nothing(context, name, line, "it is not defined so far")
    return None


def _read_resequence(context: Context, line: CommandLine) -> Result:
    """ip|ipv6 access-list resequence NAME [START] [STEP]."""
    if line.start >= len(line.words):
        raise line.wrong(line.start, "the name of an access list")
    name = line.words[line.start]
    start = line.number_at(line.start + 1, 1, _LAST_SEQUENCE, "a sequence number") if len(line.tail) > 1 else 10
    step = line.number_at(line.start + 2, 1, _LAST_SEQUENCE, "a step") if len(line.tail) > 2 else 10
    draft = context.part(Lists).drafts.get((_family_of(line.words), name))
    if draft is None:
        return _removes_nothing(context, name, line, "it is not defined so far")
    if start + step * len(draft.numbered) > _LAST_SEQUENCE:
        raise line.wrong_value(line.start, f"the numbers of `{name}` would go beyond {_LAST_SEQUENCE}")
    draft.resequence(start, step)
    return None


def garbled_at_top(context: Context, line: CommandLine) -> Scope:
    """Return what a line at the top can touch that no table knows; one that was meant for a list goes there, too."""
    words = line.words
    if len(words) > 2 and did_you_mean(words[0][:40], ("access-list",)) is not None:
        draft = context.part(Lists).drafts.get(("ipv4", words[1]))
        if draft is not None or number_kind(words[1]) in ("standard", "extended"):
            form: Form = "standard" if number_kind(words[1]) == "standard" else "extended"
            draft = draft or context.part(Lists).open(words[1], "ipv4", form, line.span)
            why = f"`{shorten(words[0])}` is not known"
            _keep_place(context, draft, line, draft.next_sequence(), None, why)
    return DeviceScope()


MODES = (
    Mode(
        "access list",
        unknown=_unread_inside,
        expected="`permit`, `deny` or `remark`",
        garbled=_looks_like_line,
    ),
)


def _list_scope(_context: Context, line: CommandLine) -> Scope:
    return ListScope(line.subject.name, line.subject.family)


COMMANDS: Tables = {
    "top": (
        modelled("ip access-list", _read_header, opens="access list"),
        modelled("ip access", _read_header, opens="access list"),
        modelled("ipv4 access-list", _read_header, opens="access list"),
        modelled("ipv6 access-list", _read_header, opens="access list"),
        modelled("ipv6 access", _read_header, opens="access list"),
        modelled("ip access-list resequence", _read_resequence),
        modelled("ipv6 access-list resequence", _read_resequence),
        ignored(
            "ip access-list log-update",
            "ip access-list logging",
            "ipv6 access-list log-update",
            "ip access-list helper",
            "access-list compiled",
            "access-list hardware",
            "hardware access-list",
        ),
        unmodelled("ip access-list role-based", "list of roles", DeviceScope(), opens="list of other frames"),
        modelled("access-list ip", _read_turned_header, opens="access list"),
        modelled("access-list ipv6", _read_turned_header, opens="access list"),
        modelled("access-list <number>", _read_numbered),
        modelled("access-list <word>", _read_named_lines),
        # Lists of frames filter only where an interface applies them, which is a line of its own.
        unmodelled("mac access-list", "list of frames", NoScope(), opens="list of other frames"),
        unmodelled("access-list mac", "list of frames", NoScope(), opens="list of other frames"),
        unmodelled("arp access-list", "list of frames", NoScope(), opens="list of other frames"),
        modelled("extended ip access list", _read_shown_header, opens="access list"),
        modelled("standard ip access list", _read_shown_header, opens="access list"),
        modelled("ip access list", _read_shown_header, opens="access list"),
        modelled("ipv4 access list", _read_shown_header, opens="access list"),
        modelled("ipv6 access list", _read_shown_header, opens="access list"),
        modelled("standard ipv6 access list", _read_shown_header, opens="access list"),
        unmodelled("extended mac access list", "list of frames", NoScope(), opens="list of other frames"),
    ),
    "list of other frames": (
        ignored("permit", "deny", "remark", "statistics", "<number> permit", "<number> deny", "<number> remark"),
    ),
    "access list": (
        *(
            modelled(f"{number}{action}", _read_line)
            for number in ("", "<number> ", "seq <number> ", "sequence <number> ")
            for action in ("permit", "deny")
        ),
        *(
            modelled(f"{number}{word}", _read_remark)
            for number in ("", "<number> ", "seq <number> ", "sequence <number> ")
            for word in ("remark", "comment")
        ),
        modelled("evaluate", _read_evaluate),
        modelled("<number> evaluate", _read_evaluate),
        modelled("no <number>", _remove_number),
        modelled("no seq <number>", _remove_number),
        modelled("no sequence <number>", _remove_number),
        # A description of a list is its owner's text; counting changes no decision.
        ignored("statistics", "counters", "hardware", "description"),
        unmodelled("fragments", "fragment handling of a list", _list_scope),
    ),
}

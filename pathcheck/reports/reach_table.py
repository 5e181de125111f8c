"""Who reaches whom, for a terminal: a table of words, of letters, or only what is not as in most cells."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from pathcheck.packet.address import IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.reports.caution import CAUTION
from pathcheck.reports.diagnostic import quote_line
from pathcheck.reports.reach_words import PASSAGES, passage, totals
from pathcheck.reports.region_words import box_words
from pathcheck.reports.terminal import Paint
from pathcheck.results.path import Doubt, Reading
from pathcheck.results.reach import EntrySources, ReachAnswer, ReachCell, ReachEnd, SourcesAnswer
from pathcheck.results.region import Region
from pathcheck.results.verdict import Verdict

__all__ = ["render_reach", "render_sources"]

_WIDE = 110
"""Characters up to which a table has its columns' names and words; it does not depend on the terminal, so that the
same question gives the same text everywhere."""
_COLUMNS = 40
"""Columns of letters side by side."""
_MOST_LETTERS = 60
"""Columns up to which there is a table at all."""
_FEW = 8

_Cells = Mapping[tuple[str, str], ReachCell]


def render_reach(answer: ReachAnswer, paint: Paint) -> str:
    """Return the matrix, what is in doubt, what passes partly, and what was left out."""
    counts = ", ".join(f"{number} {word}" for word, number in totals(answer.cells).items() if number and word != "none")
    out = [f"{answer.service}{' and its reply' if answer.with_reply else ''}: {counts or 'nothing can be asked'}"]
    for version in sorted({cell.version for cell in answer.cells}):
        out += ["", *_matrix(answer, version, paint)]
    out += _parts(answer.cells)
    out += _doubts(answer.cells)
    out += _unanswered(answer.cells)
    out += _remarks(answer.readings, answer.notes)
    return "\n".join([*out, "", CAUTION])


def render_sources(answer: SourcesAnswer, paint: Paint) -> str:
    """Return the entry points from which a destination is reached, with their sources."""
    reached = [entry for entry in answer.entries if not entry.is_closed]
    out = [
        f"{answer.destination} by {answer.service}: reached from {len(reached)} of {len(answer.entries)} entry points"
    ]
    for entry in reached:
        out += ["", f"{entry.entry}  (IPv{entry.version}, {_few(map(str, entry.subnets), 4)})"]
        out += _sources_of(entry, paint)
    closed = list(dict.fromkeys(entry.entry for entry in answer.entries if entry.is_closed))
    if closed:
        out += ["", f"closed from {_few(closed, 12)}"]
    for doubt in dict.fromkeys(doubt for entry in reached for doubt in entry.doubts):
        out += ["", *_doubt(doubt)]
    out += _remarks(answer.readings, answer.notes)
    return "\n".join([*out, "", CAUTION])


# ---- the matrix -----------------------------------------------------------------------------


def _matrix(answer: ReachAnswer, version: IPVersion, paint: Paint) -> list[str]:
    """One IP version: rows are sources, columns are destinations."""
    cells = {(cell.source, cell.destination): cell for cell in answer.cells if cell.version == version}
    rows = _having(answer.sources, version)
    columns = _having(answer.destinations, version)
    head = f"IPv{version}, from the row to the column"
    widths = [max(len(column), 9) for column in columns]
    label = max(len(row) for row in rows)
    if label + sum(width + 2 for width in widths) <= _WIDE:
        return [head, *_word_table(cells, rows, columns, paint)]
    if len(columns) <= _MOST_LETTERS:
        return [head, *_letter_table(cells, rows, columns, paint)]
    return [f"IPv{version}, {len(rows)} sources to {len(columns)} destinations", *_exceptions(cells, rows, columns)]


def _having(ends: Iterable[ReachEnd], version: IPVersion) -> list[str]:
    return [end.name for end in ends if any(prefix.version == version for prefix in end.prefixes)]


def _word_table(cells: _Cells, rows: Sequence[str], columns: Sequence[str], paint: Paint) -> list[str]:
    label = max(len(row) for row in rows)
    out = [" " * label + "".join(f"  {column:<9}" for column in columns)]
    for row in rows:
        words = []
        for column in columns:
            verdict = cells[row, column].verdict
            word = passage(verdict) if verdict is not None else ""
            blanks = " " * (max(len(column), 9) - len(word))
            words.append("  " + (paint(word, verdict) if verdict is not None else word) + blanks)
        out.append(f"{row:<{label}}{''.join(words)}".rstrip())
    return [line.rstrip() for line in out]


def _letter_table(cells: _Cells, rows: Sequence[str], columns: Sequence[str], paint: Paint) -> list[str]:
    """Columns under their numbers, folded where there are many."""
    numbers = {name: number for number, name in enumerate(dict.fromkeys((*rows, *columns)), 1)}
    label = max(len(row) for row in rows)
    digits = len(str(len(numbers)))
    out = ["  ".join(f"{letter} {word}" for word, letter in PASSAGES.values() if letter.strip())]
    for first in range(0, len(columns), _COLUMNS):
        block = columns[first : first + _COLUMNS]
        out.append("")
        for digit in range(digits):
            marks = " ".join(f"{numbers[column]:>{digits}}"[digit] for column in block)
            out.append(f"{'':{label + digits + 4}}{marks}".rstrip())
        for row in rows:
            letters = []
            for column in block:
                verdict = cells[row, column].verdict
                letter = PASSAGES[verdict][1]
                letters.append(letter if verdict is None else paint(letter, verdict))
            out.append(f"{numbers[row]:>{digits}}  {row:<{label}}  {' '.join(letters)}".rstrip())
    only_columns = [column for column in columns if column not in set(rows)]
    if only_columns:
        out += ["", "columns:", *(f"{numbers[column]:>{digits}}  {column}" for column in only_columns)]
    return out


def _exceptions(cells: _Cells, rows: Sequence[str], columns: Sequence[str]) -> list[str]:
    """For rows that are alike: how most columns stand, and the others by name."""
    alike: dict[tuple[object, ...], list[str]] = {}
    for row in rows:
        # Its own subnet stands apart in each row, so it is said beside the others.
        others = {column: cells[row, column].verdict for column in columns if column != row}
        usual = Counter(others.values()).most_common(1)[0][0] if others else None
        exceptions = tuple((column, verdict) for column, verdict in others.items() if verdict is not usual)
        own = cells[row, row].verdict if (row, row) in cells else None
        alike.setdefault((usual, exceptions, own), []).append(row)
    out = []
    for same in alike.values():
        row = same[0]
        out += ["", f"from {_few(same, 12)}" + (f" ({len(same)} sources)" if len(same) > 1 else "")]
        found = Counter(cells[row, column].verdict for column in columns if column != row)
        for verdict, number in found.most_common():
            if number > len(columns) // 2:
                out.append(f"  {_passage(verdict)} to {number} of {len(columns)}, all that are not named here")
                continue
            names = [column for column in columns if column != row and cells[row, column].verdict is verdict]
            out.append(f"  {_passage(verdict)} to {_few(names, _FEW)}")
        if (row, row) in cells:
            out.append(f"  {_passage(cells[row, row].verdict)} within {'each' if len(same) > 1 else 'itself'}")
    return out


def _passage(verdict: Verdict | None) -> str:
    return passage(verdict) if verdict is not None else "no answer"


# ---- below the matrix -----------------------------------------------------------------------


def _parts(cells: Sequence[ReachCell]) -> list[str]:
    """A few of the cells that pass partly, with what passes."""
    partly = [cell for cell in cells if cell.part or cell.reply_part]
    out = []
    for cell in partly[:_FEW]:
        out += ["", f"partly from {cell.source} to {cell.destination}"]
        out += _regions(cell.part, "passes")
        out += _regions(cell.reply_part, "reply passes")
    if len(partly) > _FEW:
        out += ["", f"and {len(partly) - _FEW} more that pass partly; --json shows all, `pathcheck flow` shows why"]
    return out


def _regions(regions: tuple[Region, ...], verb: str) -> list[str]:
    out = []
    for region in regions[:3]:
        words = box_words(region.box)
        ends = [
            str(words[end]) + ("" if words[f"{end}_port"] == "any" else f" port {words[f'{end}_port']}")
            for end in ("source", "destination")
        ]
        extra = "".join(f", {key} {words[key]}" for key in ("flags", "icmp", "dscp") if key in words)
        extra += ", non-initial fragments" if words.get("fragment") is True else ""
        out.append(f"  {verb}: {words['protocol']} {ends[0]} to {ends[1]}{extra}")
    if len(regions) > 3:
        out.append("  and more rows")
    return out


def _doubts(cells: Sequence[ReachCell]) -> list[str]:
    """Each doubtful line once, with how many cells it leaves open."""
    touched = Counter(doubt for cell in cells for doubt in cell.doubts)
    out = []
    for doubt, number in list(touched.items())[:_FEW]:
        out += ["", *_doubt(doubt, f" ({number} cell{'' if number == 1 else 's'})")]
    if len(touched) > _FEW:
        out += ["", f"and {len(touched) - _FEW} more lines that leave cells uncertain; --json shows all"]
    return out


def _doubt(doubt: Doubt, extra: str = "") -> list[str]:
    place = f", {doubt.span.file}:{doubt.span.line}" if doubt.span else ""
    return [f"uncertain: {doubt.why}{place}{extra}", *([quote_line(doubt.span, indent="  ")] if doubt.span else [])]


def _unanswered(cells: Sequence[ReachCell]) -> list[str]:
    """Why pairs cannot be asked about, each reason once."""
    reasons: dict[str, list[ReachCell]] = {}
    for cell in cells:
        if cell.why is not None:
            reasons.setdefault(cell.why, []).append(cell)
    out = [""] if reasons else []
    for why, found in list(reasons.items())[:_FEW]:
        out.append(f"no answer from {found[0].source} to {_few((cell.destination for cell in found), 3)}: {why}")
    if len(reasons) > _FEW:
        out.append(f"and {len(reasons) - _FEW} more reasons for pairs without an answer; --json shows all")
    return out


def _remarks(readings: Sequence[Reading], notes: Sequence[str]) -> list[str]:
    out = [""] if readings or notes else []
    out += [f"assumed: {item.key} = {item.value} ({item.about})" for item in readings[:_FEW]]
    if len(readings) > _FEW:
        out.append(f"and {len(readings) - _FEW} more assumptions; --json shows all")
    return out + [f"note: {note}" for note in notes]


def _sources_of(entry: EntrySources, paint: Paint) -> list[str]:
    """The sources of one entry point, those of its subnets first."""
    out = []
    for who, parts in (
        ("stations", (entry.open, entry.partly, entry.uncertain)),
        ("other sources", (entry.others_open, entry.others_partly, entry.others_uncertain)),
    ):
        for verdict, prefixes in zip((Verdict.PERMITTED, Verdict.PARTLY, Verdict.UNCERTAIN), parts, strict=True):
            if prefixes:
                out.append(f"  {paint(passage(verdict), verdict)} from {who} {_few(_named(prefixes), _FEW)}")
    return out


def _named(prefixes: Iterable[Prefix]) -> Iterable[str]:
    for prefix in prefixes:
        yield "any" if prefix.length == 0 else str(prefix.first) if prefix.size == 1 else str(prefix)


def _few(words: Iterable[str], most: int) -> str:
    """The first words, and how many more there are."""
    listed = list(words)
    return ", ".join(listed[:most]) + (f" and {len(listed) - most} more" if len(listed) > most else "")

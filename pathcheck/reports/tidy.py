"""A shorter list: as configuration text with what was done, as a patch, and as the JSON document."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from typing import Any

from pathcheck.reports.caution import CAUTION
from pathcheck.results.tidy import FileChange, TidyProof, TidyResult
from pathcheck.source import Span

__all__ = ["render_patch", "render_tidy", "tidy_document"]


def render_tidy(results: Sequence[TidyResult], *, comment: str = "! ") -> str:
    """Return shorter lists as configuration text; what was done stands in comments, so that all of it can be pasted.

    Parameters
    ----------
    comment
        What stands in front of each line that is no configuration.
    """
    out: list[str] = []
    for result in results:
        out += [f"{comment}{line}".rstrip() for line in _summary(result)]
        out += [*result.text.splitlines(), comment.rstrip()]
    return "\n".join([*out, f"{comment}{CAUTION}"])


def render_patch(changes: Sequence[FileChange], folder: str) -> bytes:
    """Return changes of files as a unified patch, byte for byte, for `patch -p0` and `git apply -p0`.

    Lines with secrets are none of those around a change; a changed one is shown without its secret.

    Parameters
    ----------
    folder
        What stands in front of the files' names; empty where these are as the reader would type them.
    """
    out: list[bytes] = []
    for change in changes:
        name = (f"{folder}/{change.file}" if folder else change.file).encode()
        patch = _without_secrets(change, name)
        out += [line if line.endswith(b"\n") else line + b"\n\\ No newline at end of file\n" for line in patch]
    return b"".join(out)


def _without_secrets(change: FileChange, name: bytes) -> list[bytes]:
    """The patch of one file with as many lines around each change as show no secret, three at most."""
    patch: list[bytes] = []
    for around in (3, 2, 1, 0):
        patch = [
            *difflib.diff_bytes(difflib.unified_diff, _lines(change.before), _lines(change.after), name, name, n=around)
        ]
        if not any(_secret(line, change) for line in patch):
            return patch
    return [
        line[:1] + change.secrets[line[1:].rstrip(b"\n")] + line[1:][len(line[1:].rstrip(b"\n")) :]
        if _secret(line, change)
        else line
        for line in patch
    ]


def _secret(line: bytes, change: FileChange) -> bool:
    """Whether a line of a patch shows a secret."""
    return line[:1] in (b" ", b"-", b"+") and line[1:].rstrip(b"\n") in change.secrets


def tidy_document(results: Sequence[TidyResult], changes: Sequence[FileChange] = (), *, written: bool = False) -> Any:
    """Return the document `pathcheck/tidy/1`.

    Parameters
    ----------
    changes
        The files that were changed.
    written
        Whether they were.
    """
    return {
        "schema": "pathcheck/tidy/1",
        "acls": [_list(result) for result in results],
        "written": [change.file for change in changes] if written else [],
        "caution": CAUTION,
    }


def _summary(result: TidyResult) -> list[str]:
    """What was done to one list, and how it was proved, in lines without markup."""
    before, after = len(result.before.lines), len(result.after.lines)
    name = f"{result.before.name} of {result.device}"
    notes = [f"note: {note}" for note in result.notes]
    notes += [
        f"left alone: {doubt.why}" + (f" ({_place(doubt.span)}: {doubt.span.words})" if doubt.span else "")
        for doubt in result.doubts
    ]
    if result.is_tidy:
        return [f"{name}: nothing to tidy in {_count(before, 'line')}", *notes]
    out = [f"{name}: {_count(after, 'line')} instead of {before}"]
    into: dict[str, list[Span]] = {}
    for change in result.changes:
        if change.kind == "merged":
            into.setdefault(change.into, []).append(change.span)
    for change in result.changes:
        if change.kind == "removed":
            out.append(f"removed  {_place(change.span)}: {change.span.words}")
            because = f" ({', '.join(map(_place, change.because))})" if change.because else ""
            out.append(f"         {change.code}: {change.why}{because}")
            if change.logging:
                out.append(f"         logging: {change.logging}")
        elif change.into in into:
            spans = into.pop(change.into)
            out += [f"merged   {_place(span)}: {span.words}" for span in spans]
            out.append(f"         into: {change.into}")
    out += [f"removed  {_place(span)}: {span.words}" for span in result.remarks]
    if not result.as_written:
        out.append("note: written anew, because the lines as they stand do not read alone as this list")
    return [*out, *notes, *_proof(result.proof)]


def _proof(proof: TidyProof) -> list[str]:
    """How equivalence was shown."""
    out = ["proof: the sets of permitted packets are equal"]
    cells = f"{_count(proof.cells, 'cell')} of what could differ, {_count(proof.packets, 'corner')} decided one by one"
    if proof.finished:
        out.append(f"proof: the same without sets, by splitting: {cells}")
    else:
        out.append(f"proof: the second one, by splitting, was not finished: {cells}; it stops at {proof.bound}")
    return out


def _list(result: TidyResult) -> dict[str, Any]:
    """One list as a document."""
    return {
        "device": result.device,
        "acl": result.before.name,
        "family": result.before.family,
        "lines": {"before": len(result.before.lines), "after": len(result.after.lines)},
        "changes": [
            {
                "kind": change.kind,
                **_quoted(change.span),
                "why": change.why,
                "code": change.code or None,
                "because": [_quoted(span) for span in change.because],
                "into": change.into or None,
                "logging": change.logging or None,
            }
            for change in result.changes
        ],
        "remarks": [_quoted(span) for span in result.remarks],
        "proof": {
            "sets_equal": result.proof.sets_equal,
            "second": {
                "finished": result.proof.finished,
                "cells": result.proof.cells,
                "packets": result.proof.packets,
                "bound": result.proof.bound,
            },
        },
        "text": result.text,
        "as_written": result.as_written,
        "notes": list(result.notes),
        "doubts": [{"why": doubt.why, **(_quoted(doubt.span) if doubt.span else {})} for doubt in result.doubts],
    }


def _lines(data: bytes) -> list[bytes]:
    """The lines of a file with their ends; only a line feed ends one."""
    parts = data.split(b"\n")
    return [part + b"\n" for part in parts[:-1]] + ([parts[-1]] if parts[-1] else [])


def _quoted(span: Span) -> dict[str, Any]:
    """A line with its place."""
    return {"file": span.file, "line": span.line, "text": span.words}


def _place(span: Span) -> str:
    """Where a line stands."""
    return f"{span.file}:{span.line}"


def _count(number: int, noun: str) -> str:
    """A number with its noun in the right form."""
    return f"{number:,} {noun}" + ("" if number == 1 else "s")

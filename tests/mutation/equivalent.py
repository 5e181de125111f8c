"""Reads `equivalent.yaml`: the changes that change no answer, each with its reason."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import yaml

__all__ = ["Equivalents"]


@dataclass
class Equivalents:
    """Reasons by file, line before and line after, without the space around; what was asked for is remembered."""

    reasons: dict[tuple[str, str, str], str]
    used: set[tuple[str, str, str]] = field(default_factory=set)

    @classmethod
    def read(cls, path: Path) -> Equivalents:
        """Read the file.

        Raises
        ------
        ValueError
            An entry stands twice, or has no reason.
        """
        reasons: dict[tuple[str, str, str], str] = {}
        for file, groups in (yaml.safe_load(path.read_text()) or {}).items():
            for group in groups:
                if not group.get("why"):
                    raise ValueError(f"{path.name}: an entry of `{file}` gives no reason")
                for line, after in group["changes"].items():
                    for one in [after] if isinstance(after, str) else after:
                        key = (file, line, one)
                        if key in reasons:
                            raise ValueError(f"{path.name}: `{line}` of `{file}` becomes `{one}` twice")
                        reasons[key] = " ".join(group["why"].split())
        return cls(reasons)

    def why(self, file: str, before: str, after: str) -> str | None:
        """Return why the change changes nothing, or None."""
        key = (file, before, after)
        if key in self.reasons:
            self.used.add(key)
        return self.reasons.get(key)

    def stale(self, sources: dict[str, str]) -> list[tuple[str, str, str]]:
        """Return the entries whose line stands in the source no more."""
        lines = {file: {line.strip() for line in text.splitlines()} for file, text in sources.items()}
        return sorted(key for key in self.reasons if key[1] not in lines.get(key[0], set()))

"""What a progress bar hears of a review: three steps for each line, in whatever way a list is looked at."""

from __future__ import annotations

from pathlib import Path

import pytest

from pathcheck.fleet import load_fleet
from pathcheck.queries.line_review import review_fleet


@pytest.mark.parametrize("lines", [5, 200])
def test_each_line_is_three_steps(lines: int, tmp_path: Path) -> None:
    text = ["hostname quay", "ip access-list extended QUAY"]
    for number in range(lines):
        action, port = ("permit", "deny")[number % 2], number % 7
        text.append(f" {action} tcp 10.{number % 5}.0.0 0.0.255.255 any range {port} {port + 2 * (number % 3)}")
    text += [" deny udp any any eq 53 log", " permit tcp any neq 80 any neq 90", " permit ip any any fragments"]
    path = tmp_path / "quay.cfg"
    path.write_text("\n".join(text) + "\n")
    heard: list[int] = []
    review_fleet(load_fleet(path), advance=heard.append)
    assert sum(heard) == 3 * (lines + 3) and min(heard) >= 0

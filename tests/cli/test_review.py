"""`pathcheck review` of a name that nobody has is an error, not a clean list."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from pathcheck.cli.main import app
from pathcheck.errors import UnknownNameError

FLEET = Path(__file__).parents[2] / "corpora" / "ferry-operator" / "fleet"


@pytest.mark.parametrize(
    ("words", "told", "cure"),
    [
        (["--device", "quay-z"], "no device `quay-z` in the fleet", "did you mean"),
        (["--acl", "TICKET-IN"], "no access list `TICKET-IN` in the fleet", "did you mean `TICKETS-IN`?"),
        (["--device", "quay-a", "--acl", "TICKETS-IN"], "no access list `TICKETS-IN` in `quay-a`", ""),
    ],
)
def test_an_unknown_name(words: list[str], told: str, cure: str) -> None:
    done = CliRunner().invoke(app, ["review", "--fleet", str(FLEET), *words], standalone_mode=False)
    assert isinstance(done.exception, UnknownNameError)
    assert done.exception.message == told
    assert cure in (done.exception.help or "")

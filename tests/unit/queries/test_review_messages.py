"""The words of the review, as `review_messages.yaml` has them."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from pathcheck.fleet import load_fleet_files
from pathcheck.queries.line_review import review_fleet

CASES = yaml.safe_load(Path(__file__).with_name("review_messages.yaml").read_text())


@pytest.mark.parametrize("case", CASES, ids=[" / ".join(case["lines"][1:]) for case in CASES])
def test_what_is_said(case):
    text = "\n".join(["hostname quay-a", *case["lines"], ""])
    found = []
    for item in review_fleet(load_fleet_files({"quay-a.cfg": text.encode()})):
        one = item.sample
        numbers = one and (one.source, one.destination, one.protocol, one.source_port, one.destination_port, one.flags)
        found.append(
            {
                "code": item.code,
                "line": item.span.line,
                "message": item.message,
                "help": item.help,
                "because": [span.line for span in item.because],
                "sample": numbers and " ".join(map(str, numbers)),
            }
        )
    assert found == case["findings"]

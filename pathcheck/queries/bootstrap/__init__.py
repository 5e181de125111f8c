"""A blank switch on its way to the controller: each stage judged over the fleet that is already there."""

from pathcheck.queries.bootstrap.report import bootstrap_findings, judge_bootstrap

__all__ = ["bootstrap_findings", "judge_bootstrap"]

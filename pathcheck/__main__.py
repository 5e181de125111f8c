"""`python -m pathcheck` is the program."""

from pathcheck.cli.main import run

run()

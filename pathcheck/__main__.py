"""`python -m pathcheck` is the program."""

from pathcheck.cli.process import run

if __name__ == "__main__":
    run()

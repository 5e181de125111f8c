"""Runs commands one after the other and says what each took: a small process of its own.

What the kernel calls the peak memory of a command contains the process that started
it, so the benchmarks, which grow large, do not start commands themselves.

It reads one JSON array of words a line, and answers each with elapsed and processor
seconds, peak memory in KiB and exit status. The output of the command goes to the file
that it is given.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time


def main() -> None:
    """Run what is asked for until there is no more."""
    for line in sys.stdin:
        with open(sys.argv[1], "wb") as output:
            start = time.perf_counter()
            process = subprocess.Popen(json.loads(line), stdout=output, stderr=subprocess.DEVNULL)
            _, status, usage = os.wait4(process.pid, 0)
            elapsed = time.perf_counter() - start
        process.returncode = os.waitstatus_to_exitcode(status)
        told = [elapsed, usage.ru_utime + usage.ru_stime, usage.ru_maxrss, process.returncode]
        print(json.dumps(told), flush=True)


if __name__ == "__main__":
    main()

"""The programs in this folder are no tests: nothing here is collected."""

collect_ignore_glob = ["*.py"]

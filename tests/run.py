#!/usr/bin/env python3
"""Run every test:   python3 tests/run.py [--browser] [pytest arguments]

Makes .venv if need be, installs tests/requirements.txt into it, then runs the tests, every notebook in
workbook/ and every example in the docstrings of lib/lobeledger, on all processors side by side. `--browser` adds the
long proofs and the tests that drive Chromium, one after another. Other arguments go to pytest, and then it runs as it
would by itself: `python3 tests/run.py -k lobe`.
"""

import os
import sys

ROOT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
sys.path.insert(0, os.path.join(ROOT, "workbook"))

from _launch.python_check import require_python

require_python("tests/run.py")  # before any import that an old Python could not read

import subprocess

from _launch.environment import SetupError, child_environment, ensure, venv_python

# What says how much is printed leaves the whole run as it is; any other argument chooses tests or a way to run them.
PRINTING = ("-q", "-qq", "-v", "-vv", "--durations", "--tb", "-r", "--color")
MOST_SIDE_BY_SIDE = 4  # each takes about 0.6 GB


def pytest_command(python, arguments, processors=1):
    # type: (str, list[str], int) -> list[str]
    """The pytest command for these arguments.

    --browser lifts the marker filter that .pytest.ini sets. A run of everything is spread over the processors, a file
    to one of them: the cells of a notebook belong together, and what a file's tests share is made once.
    """
    rest = [a for a in arguments if a != "--browser"]
    every = ["-m", ""] if "--browser" in arguments else []
    whole = not every and all(a.startswith(PRINTING) for a in rest)
    number = min(processors, MOST_SIDE_BY_SIDE)
    side = ["-n", str(number), "--dist", "loadfile", "--no-loadscope-reorder"] if whole and number > 1 else []
    return [python, "-m", "pytest"] + every + side + rest


def main(arguments):
    # type: (list[str]) -> int
    """Set up, run pytest, and return its exit code."""

    def say(text):
        # type: (str) -> None
        sys.stdout.write(text + "\n")
        sys.stdout.flush()

    try:
        ensure("tests", warm=False)
    except SetupError as error:
        say("The tests were not run. %s" % error)
        return 1
    except KeyboardInterrupt:
        return 130
    if "--browser" not in arguments:
        say("Browser tests and long proofs are left out here; --browser adds them (they need Chromium).")
    command = pytest_command(str(venv_python()), arguments, os.cpu_count() or 1)
    try:
        code = subprocess.run(command, cwd=ROOT, env=child_environment()).returncode
    except KeyboardInterrupt:
        return 130
    if code == 1:
        say("Some tests failed: each is listed above, under 'short test summary info', with its reason.")
    elif code == 5:
        say("No test matched these arguments, so nothing was checked.")
    elif code:
        say("pytest could not finish (its exit code was %d); the reason stands above." % code)
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

#!/usr/bin/env python3
"""Run every test:   python3 tests/run.py [--browser] [pytest arguments]

Makes .venv if need be, installs tests/requirements.txt into it, then runs the tests, every notebook in
workbook/ and every example in the docstrings of lib/lobeledger. `--browser` adds the tests that drive
Chromium. Other arguments go to pytest: `python3 tests/run.py -k lobe`.
"""

import os
import sys

ROOT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
sys.path.insert(0, os.path.join(ROOT, "workbook"))

from _launch.python_check import require_python

require_python("tests/run.py")  # before any import that an old Python could not read

import subprocess

from _launch.environment import SetupError, child_environment, ensure, venv_python


def pytest_command(python, arguments):
    # type: (str, list[str]) -> list[str]
    """The pytest command for these arguments; --browser lifts the marker filter that .pytest.ini sets."""
    rest = [a for a in arguments if a != "--browser"]
    every = ["-m", ""] if "--browser" in arguments else []
    return [python, "-m", "pytest"] + every + rest


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
        say("Browser tests are left out here; --browser adds them (they need Chromium).")
    command = pytest_command(str(venv_python()), arguments)
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

#!/usr/bin/env python3
"""Open the workbook.

    python3 workbook/open.py            (Windows: py workbook\\open.py)

Options: --lab, --notebook NAME, --no-browser, --check; --help explains them.
The first run makes .venv beside README.md and installs what requirements.txt names.
"""

import sys

from _launch.python_check import require_python

require_python("workbook/open.py")  # before any import that an old Python could not read

from _launch.server import main

if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

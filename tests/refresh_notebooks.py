"""Run the workbook again and store only the outputs that tests compare.

    .venv/bin/python tests/refresh_notebooks.py [--check] [NOTEBOOK ...]

Cells tagged nbval-ignore-output are stored without output: no model ids, no widget state, no timings.
With --check nothing is run or written; the exit code is 1 when a file is not in this normal form.
"""

import argparse
import os
import sys
from pathlib import Path
from typing import Any

import nbformat
from nbclient import NotebookClient

ROOT = Path(__file__).resolve().parents[1]
METADATA = {
    "kernelspec": {"display_name": "Python 3 (ipykernel)", "language": "python", "name": "python3"},
    "language_info": {"name": "python"},
}
TRANSIENT = ("execution", "collapsed", "trusted", "scrolled")


def normalise(notebook: Any) -> Any:
    """Bring a notebook, in place, into the form that is stored; returns it."""
    title = notebook.metadata.get("title")
    notebook.metadata = nbformat.from_dict(METADATA | ({"title": title} if title else {}))
    number = 0
    for index, cell in enumerate(notebook.cells):
        cell.id = f"cell-{index:02d}"  # random ids would make every edit a conflict
        for key in TRANSIENT:
            cell.metadata.pop(key, None)
        if cell.cell_type != "code":
            continue
        number += 1
        cell.execution_count = number  # nbval takes an empty count for "never run" and compares nothing
        if "nbval-ignore-output" in cell.metadata.get("tags", []):
            cell.outputs = []
        for output in cell.outputs:
            if "execution_count" in output:
                output.execution_count = number
    return notebook


def text_of(notebook: Any) -> str:
    """The stored text: sorted as nbformat writes it, one line feed at the end."""
    return str(nbformat.writes(notebook, version=4)).rstrip("\n") + "\n"


def is_normal(file: Path) -> bool:
    """Whether the file is stored in normal form; line endings do not count."""
    return text_of(normalise(nbformat.read(file, as_version=4))) == file.read_text(encoding="utf-8")


def refresh(file: Path) -> None:
    """Run every cell and store the notebook in normal form; an error in a cell leaves the file untouched."""
    notebook = nbformat.read(file, as_version=4)
    NotebookClient(
        notebook, timeout=120, kernel_name="python3", record_timing=False,
        resources={"metadata": {"path": str(file.parent)}},
    ).execute()  # fmt: skip
    file.write_text(text_of(normalise(notebook)), encoding="utf-8", newline="\n")
    print(f"{file.name}: {file.stat().st_size} bytes")


def main(argv: list[str]) -> int:
    """Command line; returns the exit code."""
    parser = argparse.ArgumentParser(description="Run the workbook again and store what tests compare.")
    parser.add_argument("--check", action="store_true", help="write nothing; fail when a file is not normal")
    parser.add_argument("notebooks", nargs="*", type=Path)
    options = parser.parse_args(argv)
    files = options.notebooks or sorted((ROOT / "workbook").glob("*.ipynb"))
    if not options.check:
        os.environ["PYTHONPATH"] = str(ROOT / "lib")
        for file in files:
            refresh(file)
        return 0
    bad = [file.name for file in files if not is_normal(file)]
    if bad:
        print("Not in normal form, run tests/refresh_notebooks.py: " + ", ".join(bad), file=sys.stderr)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

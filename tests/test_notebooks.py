"""Guards for what the notebook comparison would silently let through."""

import ast
import sys
from pathlib import Path
from typing import Any

import nbformat
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))

from refresh_notebooks import METADATA, is_normal, main, normalise, text_of  # noqa: E402

ROOT = Path(__file__).resolve().parents[1]
NOTEBOOKS = sorted((ROOT / "workbook").glob("*.ipynb"))
SKIPPED = {"nbval-ignore-output", "nbval-skip", "nbval-raises-exception"}
each_notebook = pytest.mark.parametrize("file", NOTEBOOKS, ids=lambda file: file.stem)


def compared_cells(notebook: Any) -> list[Any]:
    """Code cells whose stored output nbval really compares."""
    return [
        cell
        for cell in notebook.cells
        if cell.cell_type == "code"
        and cell.execution_count
        and any("text" in output or "data" in output for output in cell.outputs)
        and not SKIPPED & set(cell.metadata.get("tags", []))
    ]


@each_notebook
def test_something_is_compared(file: Path) -> None:
    assert compared_cells(nbformat.read(file, as_version=4)), "no stored output is compared (stripped notebook?)"


@each_notebook
def test_stored_in_normal_form(file: Path) -> None:
    assert is_normal(file), "run tests/refresh_notebooks.py"


@each_notebook
def test_no_stored_error_or_warning(file: Path) -> None:
    for cell in nbformat.read(file, as_version=4).cells:
        for output in cell.get("outputs", []):
            assert output.output_type != "error", output
            assert output.get("name") != "stderr", output


@each_notebook
def test_no_cell_is_skipped(file: Path) -> None:
    for cell in nbformat.read(file, as_version=4).cells:
        assert not {"nbval-skip", "nbval-raises-exception"} & set(cell.metadata.get("tags", []))


@each_notebook
def test_no_physics_is_defined_inside(file: Path) -> None:
    for cell in nbformat.read(file, as_version=4).cells:
        if cell.cell_type == "code":
            kinds = {type(node) for node in ast.walk(ast.parse(cell.source))}
            assert not kinds & {ast.FunctionDef, ast.ClassDef}, f"move this into lib: {cell.source[:80]}"


def _sample() -> Any:
    v4 = nbformat.v4
    shown = v4.new_output("stream", name="stdout", text="42\n")
    cells = [
        v4.new_markdown_cell("# Sample"),
        v4.new_code_cell("print(42)", outputs=[shown], execution_count=7, metadata={"execution": {"t": "1"}}),
        v4.new_code_cell("panel()", outputs=[shown], metadata={"tags": ["nbval-ignore-output"]}),
    ]
    return v4.new_notebook(cells=cells, metadata={"widgets": {"state": "large"}})


def test_normal_form_keeps_compared_outputs_and_drops_the_rest() -> None:
    notebook = normalise(_sample())
    assert [c.get("execution_count") for c in notebook.cells] == [None, 1, 2]
    assert notebook.cells[1].outputs[0].text == "42\n" and notebook.cells[2].outputs == []
    assert dict(notebook.metadata) == METADATA and "execution" not in notebook.cells[1].metadata
    assert text_of(normalise(notebook)) == text_of(notebook)


def test_check_tells_a_normal_file_from_another(tmp_path: Path) -> None:
    file = tmp_path / "sample.ipynb"
    file.write_text(text_of(_sample()), encoding="utf-8")
    assert main(["--check", str(file)]) == 1
    file.write_text(text_of(normalise(_sample())), encoding="utf-8")
    assert main(["--check", str(file)]) == 0


def test_a_stripped_notebook_would_be_noticed() -> None:
    notebook = _sample()
    assert len(compared_cells(notebook)) == 1
    for cell in notebook.cells[1:]:
        cell.outputs = []
    assert compared_cells(notebook) == []

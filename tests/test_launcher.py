"""The launcher's decisions, tried without network and without starting anything (one subprocess aside)."""

import json
import os
import socket
import stat
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "workbook"))

from _launch import environment, server  # noqa: E402
from _launch.python_check import complaint  # noqa: E402

PLACE = "Gran's garage ü/lobe ledger"  # apostrophe, spaces and a letter outside ASCII


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """A small tree with a .venv that looks whole."""
    root = tmp_path / PLACE
    for name in ("requirements.txt", "tests/requirements.txt", "lib/constraints.txt", "lib/pyproject.toml",
                 "lib/jupyter/overrides.json", "workbook/choose.ipynb", "workbook/break_in.ipynb",
                 "workbook/a_later_one.ipynb"):  # fmt: skip
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(b"first\nsecond\n")
    python = environment.venv_python(root)
    python.parent.mkdir(parents=True)
    python.touch()
    (root / ".venv" / "pyvenv.cfg").write_text(f"home = {tmp_path}\nversion = 3.12.1\n", encoding="utf-8")
    return root


def _stamp(tree: Path, kind: str) -> None:
    (tree / ".venv" / f".installed-{kind}").write_text(environment.fingerprint(kind, tree), encoding="ascii")


@pytest.mark.parametrize("version", [(3, 11), (3, 12), (3, 13)])
def test_suitable_pythons_pass(version: tuple[int, int]) -> None:
    assert complaint(version, False) is None


@pytest.mark.parametrize("version", [(2, 7), (3, 6), (3, 10), (3, 14), (4, 0)])
@pytest.mark.parametrize(("windows", "command"), [(True, "py -3.13"), (False, "python3.13")])
def test_unsuitable_python_gets_one_sentence_with_the_remedy(
    version: tuple[int, int], windows: bool, command: str
) -> None:
    said = complaint(version, windows)
    assert said is not None and "\n" not in said and said.count(". ") == 0 and said.endswith(".")
    assert "3.11 to 3.13" in said and f"{version[0]}.{version[1]}:" in said and command in said


@pytest.mark.parametrize("script", ["workbook/open.py", "tests/run.py"])
def test_doors_can_be_read_by_an_old_python(script: str) -> None:
    """Nothing newer than Python 2.7 can parse stands before the version check."""
    import ast

    for file in (script, "workbook/_launch/__init__.py", "workbook/_launch/python_check.py"):
        for node in ast.walk(ast.parse((ROOT / file).read_text(encoding="utf-8"))):
            assert not isinstance(node, (ast.JoinedStr, ast.AnnAssign, ast.NamedExpr, ast.Nonlocal)), file
            if isinstance(node, ast.FunctionDef):
                arguments = [*node.args.args, *node.args.kwonlyargs]
                assert node.returns is None and not any(a.annotation for a in arguments), file
                assert not node.args.kwonlyargs, file


def test_fingerprint_ignores_line_endings_and_sees_every_input(tree: Path) -> None:
    before = environment.fingerprint("tests", tree)
    (tree / "requirements.txt").write_bytes(b"first\r\nsecond\r\n")
    assert environment.fingerprint("tests", tree) == before
    seen = {before}
    for name in ("requirements.txt", "tests/requirements.txt", "lib/constraints.txt", "lib/pyproject.toml",
                 "lib/jupyter/overrides.json"):  # fmt: skip
        (tree / name).write_bytes(b"changed\n")
        seen.add(environment.fingerprint("tests", tree))
    (tree / "lib/jupyter/new.json").write_bytes(b"")
    seen.add(environment.fingerprint("tests", tree))
    assert len(seen) == 7


def test_fingerprint_of_a_user_install_does_not_depend_on_test_tools(tree: Path) -> None:
    before = environment.fingerprint("workbook", tree)
    (tree / "tests/requirements.txt").write_bytes(b"changed\n")
    assert environment.fingerprint("workbook", tree) == before
    assert environment.fingerprint("tests", tree) != before


def test_fingerprint_changes_when_the_folder_moves(tree: Path, tmp_path: Path) -> None:
    before = environment.fingerprint("workbook", tree)
    moved = tmp_path / "moved"
    tree.rename(moved)
    assert environment.fingerprint("workbook", moved) != before


def test_stamped_environment_costs_no_process(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _stamp(tree, "workbook")
    monkeypatch.setattr(subprocess, "run", lambda *a, **k: pytest.fail("started a process"))
    monkeypatch.setattr(subprocess, "Popen", lambda *a, **k: pytest.fail("started a process"))
    assert environment.ensure("workbook", root=tree) is False


@pytest.mark.parametrize("break_it", ["python gone", "no settings", "base gone", "too old"])
def test_a_broken_environment_is_not_trusted(tree: Path, break_it: str) -> None:
    settings = tree / ".venv" / "pyvenv.cfg"
    assert environment.venv_version(tree) == (3, 12)
    if break_it == "python gone":
        environment.venv_python(tree).unlink()
    elif break_it == "no settings":
        settings.unlink()
    elif break_it == "base gone":
        settings.write_text("home = /nowhere/at/all\nversion = 3.12.1\n", encoding="utf-8")
    else:
        settings.write_text(settings.read_text(encoding="utf-8").replace("3.12.1", "3.9.18"), encoding="utf-8")
    assert environment.venv_version(tree) is None


def _recorded(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    made: list[str] = []
    monkeypatch.setattr(environment, "_make_venv", lambda root: made.append("venv"))
    monkeypatch.setattr(environment, "_pip_install", lambda requirements, root: made.append(requirements))
    monkeypatch.setattr(environment, "_warm", lambda root: made.append("warm"))
    return made


def test_a_broken_off_install_is_made_anew(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = _recorded(monkeypatch)
    (tree / ".venv" / ".unfinished").touch()
    assert environment.ensure("workbook", root=tree) is True
    assert made == ["venv", "requirements.txt", "warm"]
    assert not (tree / ".venv" / ".unfinished").exists()
    assert environment.ensure("workbook", root=tree) is False


def test_changed_requirements_update_without_a_rebuild(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _stamp(tree, "workbook")
    (tree / "requirements.txt").write_bytes(b"changed\n")
    made = _recorded(monkeypatch)
    assert environment.ensure("workbook", root=tree) is True
    assert made == ["requirements.txt", "warm"]


def test_a_test_install_serves_the_user_too_but_not_the_reverse(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = _recorded(monkeypatch)
    assert environment.ensure("workbook", root=tree, warm=False) is True
    assert environment.ensure("tests", root=tree, warm=False) is True
    assert environment.ensure("workbook", root=tree, warm=False) is False
    assert made == ["requirements.txt", "tests/requirements.txt"]


def test_a_failed_install_leaves_no_stamp(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _recorded(monkeypatch)
    _stamp(tree, "workbook")
    (tree / "requirements.txt").write_bytes(b"changed\n")

    def fails(requirements: str, root: Path) -> None:
        raise environment.SetupError("offline")

    monkeypatch.setattr(environment, "_pip_install", fails)
    with pytest.raises(environment.SetupError, match="offline"):
        environment.ensure("workbook", root=tree)
    assert not (tree / ".venv" / ".installed-workbook").exists()
    assert (tree / ".venv" / ".unfinished").exists()


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ("/usr/bin/python3: No module named venv", "apt install python3"),
        (
            "The virtual environment was not created successfully because ensurepip is not",
            "apt install python3",
        ),
        ("OSError: [Errno 28] No space left on device", "disk is full"),
        ("something else", "something else"),
    ],
)
def test_venv_failure_names_the_remedy(tree: Path, monkeypatch: pytest.MonkeyPatch, said: str, expected: str) -> None:
    failed = subprocess.CompletedProcess([], 1, "", said)
    monkeypatch.setattr(subprocess, "run", lambda *a, **k: failed)
    (tree / ".venv" / "pyvenv.cfg").unlink()
    with pytest.raises(environment.SetupError, match=expected):
        environment.ensure("workbook", root=tree)


def test_a_full_disk_is_seen_beforehand(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tree / ".venv" / "pyvenv.cfg").unlink()
    monkeypatch.setattr(environment.shutil, "disk_usage", lambda p: type("Usage", (), {"free": 3e8}))
    with pytest.raises(environment.SetupError, match=r"0\.3 GB free and the set-up needs 1\.6 GB"):
        environment.ensure("workbook", root=tree)


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ("NewConnectionError: Failed to establish a new connection: [Errno 101]", "connect to the internet"),
        ("ERROR: Could not install packages due to an OSError: [Errno 28] No space left", "disk is full"),
        ("SSLError(SSLCertVerificationError(1, 'CERTIFICATE_VERIFY_FAILED", "certificate was refused"),
        ("ERROR: unheard of", "unheard of"),
    ],
)
def test_pip_failure_is_put_in_plain_words(said: str, expected: str) -> None:
    assert expected in environment._explain_pip(said)


def test_a_taken_port_is_passed_over() -> None:
    with socket.socket() as taken:
        taken.bind((server.HOST, 0))
        taken.listen()
        port = taken.getsockname()[1]
        found = server.free_port(port, tries=1)
        assert found != port
    with socket.socket() as probe:
        probe.bind((server.HOST, found))


def test_server_stays_on_loopback_and_keeps_its_token(tree: Path) -> None:
    settings = server.server_settings(port=8899, token="secret", root=tree)
    assert settings["ServerApp"]["ip"] == "127.0.0.1" and settings["ServerApp"]["port"] == 8899
    assert settings["ServerApp"]["root_dir"] == str(tree)
    assert settings["IdentityProvider"] == {"token": "secret"}
    assert settings["VoilaConfiguration"]["strip_sources"] is True


def test_kernels_of_closed_pages_are_let_go_and_one_is_kept_ready(tree: Path) -> None:
    settings = server.server_settings(port=8899, token="secret", root=tree)
    culling = settings["MappingKernelManager"]
    assert culling["cull_connected"] is False, "a page that is open keeps its kernel however long nobody moves anything"
    assert 60 <= culling["cull_idle_timeout"] <= 900 and culling["cull_interval"] <= 120  # type: ignore[operator]
    assert settings["ServerApp"]["kernel_manager_class"] == "lobeledger.spare_kernels.SpareKernels"


def test_server_command_carries_the_path_whole_and_hides_the_token(tree: Path) -> None:
    private = server.private_folder(tree)
    command = server.server_command(port=8899, token="secret", root=tree, private=private)
    assert command[0] == str(environment.venv_python(tree)) and not any("secret" in part for part in command)
    file = Path(command[-1].removeprefix("--config="))
    assert json.loads(file.read_text(encoding="utf-8")) == server.server_settings(port=8899, token="secret", root=tree)
    if os.name != "nt":
        assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_server_environment_is_ours_alone(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONPATH", "/somebody/elses")
    monkeypatch.setenv("JUPYTER_PORT", "1")
    monkeypatch.setenv("JUPYTER_PATH", "/somebody/elses")
    monkeypatch.setenv("PYTHONDONTWRITEBYTECODE", "1")
    env = server.server_environment(root=tree, private=server.private_folder(tree))
    assert env["PYTHONPATH"] == str(tree / "lib")
    assert not {"JUPYTER_PORT", "JUPYTER_PATH", "PYTHONDONTWRITEBYTECODE"} & set(env)
    assert env["LOBELEDGER_DESKS"].startswith(str(server.private_folder(tree)))
    assert all(env[k].startswith(str(tree)) for k in env if k.startswith("JUPYTER"))


def test_pages_are_those_that_exist_in_reading_order(tree: Path) -> None:
    assert server.notebook_pages(tree) == [
        ("choose", "choose"), ("break_in", "break in"), ("a_later_one", "a later one"),
    ]  # fmt: skip


def test_addresses_are_quoted() -> None:
    assert server.page_address(80, "a ü").endswith("/voila/render/workbook/a%20%C3%BC.ipynb")
    assert server.lab_address(80, "choose") == "http://127.0.0.1:80/doc/tree/workbook/choose.ipynb"


def test_our_options_are_read_and_the_rest_passed_through() -> None:
    options, rest = server.parse_arguments(["--lab", "--notebook", "lobes.ipynb", "--ServerApp.allow_origin=x"])
    assert options.lab and options.notebook == "lobes" and not options.no_browser
    assert rest == ["--ServerApp.allow_origin=x"]


def test_unknown_notebook_names_those_there_are(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(server, "ensure", lambda kind: False)
    monkeypatch.setattr(server, "notebook_pages", lambda: [("choose", "choose"), ("lobes", "lobes")])
    assert server.main(["--notebook", "lobs", "--no-browser"]) == 1
    assert "no notebook 'lobs' in workbook/: choose from choose, lobes" in capsys.readouterr().err


def test_run_passes_arguments_to_pytest() -> None:
    """In a process of its own: the file is a script, and must work from any folder."""
    code = (
        "import importlib.util as u; s = u.spec_from_file_location('run', r'%s'); m = u.module_from_spec(s);"
        "s.loader.exec_module(m); print(m.pytest_command('py', ['-k', 'lobe']));"
        "print(m.pytest_command('py', ['--browser', '-x'], 2));"
        "print(*m.pytest_command('py', ['-q', '--durations=9'], 2)); print(*m.pytest_command('py', [], 16));"
        "print(*m.pytest_command('py', ['-m', 'slow'], 2)); print(*m.pytest_command('py', [], 1))"
    ) % (ROOT / "tests" / "run.py")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == [
        "['py', '-m', 'pytest', '-k', 'lobe']",
        "['py', '-m', 'pytest', '-m', '', '-x']",
        "py -m pytest -n 2 --dist loadfile --no-loadscope-reorder -q --durations=9",
        "py -m pytest -n 4 --dist loadfile --no-loadscope-reorder",
        "py -m pytest -m slow",
        "py -m pytest",
    ]


def test_compiled_code_is_keyed_on_the_kernels_and_all_they_import(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from lobeledger import _startup

    texts = {
        "gas/kernel.py": "from numba import njit\nfrom lobeledger.gas import law\n\n@njit(cache=True)\ndef f(): pass\n",
        "gas/law.py": "from lobeledger.errors import (\n    Trouble,\n)\n",
        "errors.py": "class Trouble(Exception): pass\n",
        "page.py": "from lobeledger.gas.kernel import f\n",
    }
    for name, text in texts.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text)
    moves = {}
    for name, text in texts.items():
        before = _startup.source_key(tmp_path)
        (tmp_path / name).write_text(text + "# edited\n")
        moves[name] = _startup.source_key(tmp_path) != before
    assert moves == {"gas/kernel.py": True, "gas/law.py": True, "errors.py": True, "page.py": False}
    found = {file.name for file in _startup.kernel_sources()}
    assert {"gas_kernel.py", "solver.py", "ring.py", "contact.py", "errors.py"} <= found
    assert not {"choose.py", "decision.py", "customer.py"} & found
    monkeypatch.setenv("NUMBA_CACHE_DIR", "chosen by the user")
    _startup.prepare()
    assert os.environ["NUMBA_CACHE_DIR"] == "chosen by the user"

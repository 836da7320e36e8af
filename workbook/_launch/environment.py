"""Make and keep .venv, the private Python environment beside README.md.

What a caller asks:
  Is it ready, and if not make it so?   ensure(extra=...)
  Which Python runs inside it?          venv_python(root)
  What must a child process see?        child_environment(root)

Two kinds of install share one .venv: "workbook" (requirements.txt) and "tests" (tests/requirements.txt, which
contains the first). Each leaves a stamp holding a fingerprint of all it was made from, so that a later start
costs a few file reads instead of a run of pip. A marker file stands while an install is under way: found at
the next start, it means the last one was broken off, and .venv is rebuilt from nothing.
"""

import hashlib
import os
import shutil
import subprocess
import sys
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from .python_check import NEWEST, OLDEST

__all__ = ["ROOT", "SetupError", "child_environment", "ensure", "fingerprint", "venv_python"]

ROOT = Path(__file__).resolve().parents[2]
# file pip reads, and free disk asked for, in bytes (.venv measured: 0.9 GB and 1.3 GB; wheels beside)
KINDS = {"workbook": ("requirements.txt", 1_600_000_000), "tests": ("tests/requirements.txt", 2_000_000_000)}
WINDOWS = os.name == "nt"


class SetupError(Exception):
    """The environment cannot be made; the text says what is wrong and what to do."""


def venv_python(root: Path = ROOT) -> Path:
    """Path of the Python inside .venv, whether or not it exists yet."""
    return root / ".venv" / ("Scripts/python.exe" if WINDOWS else "bin/python")


def child_environment(root: Path = ROOT) -> dict[str, str]:
    """Environment for processes started inside .venv.

    PYTHONPATH is replaced: a stray one could shadow our packages, and naming lib here makes the import work
    on Windows in folders with accents, where Python before 3.13 misreads an editable install's .pth file.
    """
    env = dict(os.environ)
    # the last: every start would compile every module anew, and .venv is ours to keep them in
    for name in ("PYTHONHOME", "PYTHONSTARTUP", "__PYVENV_LAUNCHER__", "PYTHONDONTWRITEBYTECODE"):
        env.pop(name, None)
    env["PYTHONPATH"] = str(root / "lib")
    env["PYDEVD_DISABLE_FILE_VALIDATION"] = "1"  # silences a debugger warning on every kernel start
    return env


def venv_version(root: Path = ROOT) -> tuple[int, int] | None:
    """Version of the Python in .venv, or None when it is missing, half-made or without its base."""
    settings = {}
    try:
        for line in (root / ".venv" / "pyvenv.cfg").read_text(encoding="utf-8").splitlines():
            key, _, value = line.partition("=")
            settings[key.strip()] = value.strip()
        major, minor = settings["version"].split(".")[:2]
        version = int(major), int(minor)
    except (OSError, ValueError, KeyError):
        return None
    usable = venv_python(root).exists() and Path(settings.get("home", "")).is_dir()
    return version if usable and OLDEST <= version <= NEWEST else None


def fingerprint(kind: str, root: Path = ROOT) -> str:
    """Hash of all that an install of this kind depends on: the place, the Python, the files pip reads."""
    files = [root / "requirements.txt", root / "lib" / "constraints.txt", root / "lib" / "pyproject.toml"]
    files += sorted(p for p in (root / "lib" / "jupyter").rglob("*") if p.is_file())
    if kind == "tests":
        files.append(root / KINDS[kind][0])
    digest = hashlib.sha256(repr((kind, str(root), venv_version(root))).encode("utf-8", "surrogateescape"))
    for file in files:
        digest.update(file.relative_to(root).as_posix().encode())
        # git's line endings must not force a reinstall
        digest.update(file.read_bytes().replace(b"\r\n", b"\n"))
    return digest.hexdigest()


def _stamp(kind: str, root: Path) -> Path:
    return root / ".venv" / f".installed-{kind}"


def _is_ready(kind: str, root: Path) -> bool:
    if venv_version(root) is None:
        return False
    try:
        return _stamp(kind, root).read_text(encoding="ascii") == fingerprint(kind, root)
    except (OSError, ValueError):
        return False


@contextmanager
def _one_at_a_time(root: Path) -> Iterator[None]:
    """Hold a lock that the system drops by itself if we die; a second start waits here."""
    with open(root / ".venv-lock", "a+b") as lock:
        try:
            if WINDOWS:
                import msvcrt

                waiting = False
                while True:
                    try:
                        lock.seek(0)
                        msvcrt.locking(lock.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
                        break
                    except PermissionError:
                        if not waiting:
                            print("Another start is setting up; waiting for it ...", flush=True)
                        waiting = True
                        time.sleep(1.0)
            else:
                import fcntl

                try:
                    fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                except BlockingIOError:
                    print("Another start is setting up; waiting for it ...", flush=True)
                    fcntl.flock(lock, fcntl.LOCK_EX)
        except OSError:
            pass  # some network drives know no locks: go on without
        yield


def ensure(kind: str, *, root: Path = ROOT, warm: bool = True) -> bool:
    """Make .venv ready for `kind` ("workbook" or "tests"); return True when something had to be installed.

    Raises SetupError with a sentence for the user.
    """
    if _is_ready(kind, root):
        return False
    try:
        with _one_at_a_time(root):
            if _is_ready(kind, root):  # made by another start while this one waited
                return False
            _install(kind, root)
    except PermissionError as error:
        raise SetupError(
            f"This folder cannot be written to ({error.filename}): move it to a place of your own, such as"
            " your home folder, and run this again."
        ) from error
    if warm:
        _warm(root)
    return True


def _install(kind: str, root: Path) -> None:
    requirements, bytes_needed = KINDS[kind]
    free = shutil.disk_usage(root).free
    if free < bytes_needed and venv_version(root) is None:
        raise SetupError(
            f"The disk has {free / 1e9:.1f} GB free and the set-up needs {bytes_needed / 1e9:.1f} GB: make"
            " room, then run this again."
        )
    print("Setting up in .venv (once; about a minute, needs the internet) ...", flush=True)
    unfinished = root / ".venv" / ".unfinished"
    if venv_version(root) is None or unfinished.exists():
        _make_venv(root)
    unfinished.touch()
    for other in KINDS:
        _stamp(other, root).unlink(missing_ok=True)
    _pip_install(requirements, root)
    _stamp("workbook", root).write_text(fingerprint("workbook", root), encoding="ascii")
    if kind == "tests":
        _stamp("tests", root).write_text(fingerprint("tests", root), encoding="ascii")
    unfinished.unlink()


def _make_venv(root: Path) -> None:
    # --clear empties a half-made or broken .venv first
    made = subprocess.run(
        [sys.executable, "-m", "venv", "--clear", str(root / ".venv")],
        capture_output=True, text=True, errors="replace", cwd=root,
    )  # fmt: skip
    if made.returncode == 0 and venv_version(root) is not None:
        return
    said = (made.stdout + made.stderr).strip()
    if "No module named venv" in said or "ensurepip" in said:
        version = f"{sys.version_info[0]}.{sys.version_info[1]}"
        raise SetupError(
            "This Python came without its venv module: on Debian or Ubuntu run"
            f" 'sudo apt install python{version}-venv', elsewhere install Python from python.org; then run"
            " this again."
        )
    if "No space left" in said:
        raise SetupError("The disk is full: make room, then run this again.")
    raise SetupError(f"Making .venv failed; Python said: {said[-600:] or 'nothing'}")


def _pip_install(requirements: str, root: Path) -> None:
    # run from the top of the tree: pip resolves "-e ./lib" against the working directory. Nothing is compiled ahead: a
    # start needs a quarter of the modules installed, and Python keeps those compiled from their first use on.
    command = [
        str(venv_python(root)), "-m", "pip", "install", "--disable-pip-version-check", "--no-input", "--no-compile",
        "--progress-bar", "off", "-r", requirements,
    ]  # fmt: skip
    env = child_environment(root)
    del env["PYTHONPATH"]  # pip must look at .venv alone
    tail: deque[str] = deque(maxlen=25)
    begun = time.monotonic()
    live = sys.stdout.isatty()
    with subprocess.Popen(
        command, cwd=root, env=env,
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        text=True, encoding="utf-8", errors="replace",
    ) as pip:  # fmt: skip
        assert pip.stdout is not None
        count = 0
        for line in pip.stdout:
            tail.append(line.rstrip())
            if line.startswith("Successfully installed "):
                count = len(line.split()) - 2
            if live:
                step = "unpacking" if line.startswith("Installing collected") else "fetching"
                print(f"\r  {step}, {time.monotonic() - begun:.0f} s   ", end="", flush=True)
    if live:
        print(f"\r{'':40}\r", end="")
    if pip.returncode:
        raise SetupError(_explain_pip("\n".join(tail)))
    print(f"  {count} packages installed, {time.monotonic() - begun:.0f} s", flush=True)


def _explain_pip(said: str) -> str:
    """Turn the end of pip's output into what is wrong and what to do."""
    offline = (
        "NewConnectionError", "NameResolutionError", "ConnectTimeoutError", "Failed to establish",
        "Temporary failure in name resolution", "getaddrinfo failed", "ReadTimeoutError", "ProxyError",
        "Network is unreachable", "No route to host",
    )  # fmt: skip
    if "No space left" in said or "Errno 28" in said:
        return "The disk is full: make room, then run this again."
    if any(word in said for word in offline):
        return (
            "The package index could not be reached: connect to the internet (or set the proxy), then run this again."
        )
    if "SSLError" in said or "CERTIFICATE_VERIFY" in said:
        return (
            "The package index was reached but its certificate was refused: check this computer's clock, or"
            " ask who runs the network which certificate to install; then run this again."
        )
    return f"Installing the packages failed. pip ended with:\n{said}\nRun this again; it starts afresh."


def _warm(root: Path) -> None:
    # compile now what the first notebook would otherwise wait for; a failure here only costs speed later
    command = [str(venv_python(root)), "-m", "lobeledger.warm"]
    if subprocess.run(command, cwd=root, env=child_environment(root)).returncode:
        print("  Compiling ahead failed (see above); the first notebook will be slower.", flush=True)

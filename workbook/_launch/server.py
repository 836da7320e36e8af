"""Start one server for both doors, JupyterLab and the Voila pages, and open the browser on it.

What a caller asks:
  How is the server started?            server_settings(...), server_command(...), server_environment(...)
  Which address is which door?          page_address(...), lab_address(...)
  Which notebooks are there?            notebook_pages(root)
  Do it all                             main(argv)

The server listens on 127.0.0.1 alone and keeps its token; nothing is fetched from outside.
"""

import argparse
import json
import os
import secrets
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
import webbrowser
from pathlib import Path
from types import FrameType
from urllib.parse import quote

from .environment import ROOT, SetupError, child_environment, ensure, venv_python

__all__ = [
    "free_port", "lab_address", "main", "notebook_pages", "page_address",
    "private_folder", "server_command", "server_environment", "server_settings", "start_server",
    "stop_server", "wait_until_listening",
]  # fmt: skip

HOST = "127.0.0.1"
FIRST_PORT = 8888
START = "choose"
CLOSED_PAGE_S = 300  # a laptop lid shut over lunch keeps its connection; a browser that was ended does not
# Voila's pages fetch a formula setter from a content network as soon as any widget shows text. They get this
# instead, which sets nothing: our pages hold no formulas.
_NO_MATHJAX = (
    "data:text/javascript,window.MathJax={Hub:{Queue(){},Config(){},Configured(){},"
    "Register:{StartupHook(){}}},Callback:{},Ajax:{}};//"
)
# order of the main path; a notebook not named here follows in alphabetical order
ORDER = ["choose", "lobes", "valvetrain", "contact", "torque", "break_in", "install", "lessons"]


def notebook_pages(root: Path = ROOT) -> list[tuple[str, str]]:
    """(file stem, words for a link) of each notebook that exists in workbook/, in reading order."""
    stems = [p.stem for p in (root / "workbook").glob("*.ipynb")]
    stems.sort(key=lambda s: (ORDER.index(s) if s in ORDER else len(ORDER), s))
    return [(s, s.replace("_", " ")) for s in stems]


def free_port(first: int = FIRST_PORT, tries: int = 40) -> int:
    """First port from `first` on which nothing listens, else any free one."""
    for port in [*range(first, first + tries), 0]:
        with socket.socket() as probe:
            if os.name != "nt":  # a port just left is free again; on Windows this option would share a used one
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((HOST, port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise SetupError("No free network port was found: close some programs, then run this again.")


def page_address(port: int, name: str) -> str:
    """Voila page of a notebook: live, no code, no click."""
    return f"http://{HOST}:{port}/voila/render/workbook/{quote(name)}.ipynb"


def lab_address(port: int, name: str) -> str:
    """The notebook itself, in JupyterLab's single-document view."""
    return f"http://{HOST}:{port}/doc/tree/workbook/{quote(name)}.ipynb"


def server_settings(*, port: int, token: str, name: str = START, root: Path = ROOT) -> dict[str, dict[str, object]]:
    """All settings of the one server, as its configuration file holds them."""
    pages = notebook_pages(root)
    titles = {stem: "Lobe Ledger" if stem == START else f"Lobe Ledger: {label}" for stem, label in pages}
    return {
        "ServerApp": {
            "root_dir": str(root),
            "ip": HOST,
            "port": port,
            "port_retries": 0,  # the launcher chooses another port itself
            "open_browser": False,
            "allow_root": True,  # containers; Jupyter refuses to run as root otherwise
            "allow_remote_access": False,
            "tornado_settings": {"mathjax_url": _NO_MATHJAX},
            "log_level": "ERROR",
            "jpserver_extensions": {"jupyterlab": True, "voila.server_extension": True},
            "kernel_manager_class": "lobeledger.spare_kernels.SpareKernels",
        },
        "IdentityProvider": {"token": token},
        "LabApp": {
            "default_url": f"/doc/tree/workbook/{quote(name)}.ipynb",
            "check_for_updates_class": "jupyterlab.NeverCheckForUpdate",
            "extension_manager": "readonly",
            "log_level": "ERROR",
        },
        # kernels reached over loopback need no cipher, and insisting on one slows each start
        "KernelManager": {"transport_encryption": "auto"},
        # A page that is left ends its kernel itself. One whose tab or browser died cannot: a kernel that no page
        # has been connected to for so long is let go. What lay open stays on its desk.
        "MappingKernelManager": {
            "cull_idle_timeout": CLOSED_PAGE_S,
            "cull_interval": max(1, CLOSED_PAGE_S // 5),
            "cull_connected": False,
        },
        # the page hides the lesson cells, so it need not wait for them either
        "VoilaExecutor": {"skip_cells_with_tag": "lesson"},
        "VoilaConfiguration": {
            "template": "lobeledger",
            "allow_template_override": "NO",
            "allow_theme_override": "NO",
            "strip_sources": True,
            "file_allowlist": [r"workbook/.*\.(png|svg)$"],
            "resources": {"lobeledger": {"pages": [list(p) for p in pages], "titles": titles}},
        },
    }


def private_folder(root: Path = ROOT) -> Path:
    """Where the server keeps its settings and window layouts: under .venv, not in the user's home."""
    return root / ".venv" / "jupyter"


def server_command(
    *, port: int, token: str, name: str = START, root: Path = ROOT, private: Path, python: Path | None = None
) -> list[str]:
    """Write the server's configuration file and return the command that uses it.

    The token stands in that file, readable by its owner alone: on the command line every user of the computer
    could read it.
    """
    private.mkdir(parents=True, exist_ok=True)
    file = private / f"server-{port}.json"
    file.unlink(missing_ok=True)
    settings = server_settings(port=port, token=token, name=name, root=root)
    with open(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as out:
        json.dump(settings, out, indent=1)
    return [str(python or venv_python(root)), "-m", "jupyterlab", f"--config={file}"]


def server_environment(*, root: Path = ROOT, private: Path) -> dict[str, str]:
    """Environment of the server: nothing is read from, or left in, the user's own Jupyter folders."""
    env = child_environment(root)
    env.update(
        JUPYTERLAB_WORKSPACES_DIR=str(private / "workspaces"),
        JUPYTERLAB_SETTINGS_DIR=str(private / "settings"),
        JUPYTER_CONFIG_DIR=str(private / "config"),
        JUPYTER_RUNTIME_DIR=str(private / "runtime"),
        JUPYTER_DATA_DIR=str(private / "data"),
        IPYTHONDIR=str(private / "ipython"),
        LOBELEDGER_DESKS=str(private / "desks"),  # what lies open in each tab, see keeper_desk
    )
    for name in list(env):
        if name in ("JUPYTER_PATH", "JUPYTER_CONFIG_PATH", "JUPYTER_TOKEN", "MPLBACKEND") or name.startswith(
            "JUPYTER_PORT"
        ):
            del env[name]
    return env


def _request(port: int, path: str, token: str, *, post: bool = False) -> None:
    request = urllib.request.Request(
        f"http://{HOST}:{port}{path}", method="POST" if post else "GET",
        headers={"Authorization": f"token {token}"}, data=b"" if post else None,
    )  # fmt: skip
    # no proxy: a company proxy must not be asked for 127.0.0.1
    urllib.request.build_opener(urllib.request.ProxyHandler({})).open(request, timeout=3).close()


def wait_until_listening(port: int, token: str, server: subprocess.Popen[bytes], *, patience_s: float = 90.0) -> bool:
    """True once the server answers to our token, False when it has died or stayed silent for `patience_s`."""
    end = time.monotonic() + patience_s
    while time.monotonic() < end and server.poll() is None:
        try:
            _request(port, "/api/status", token)
            return True
        except OSError:
            time.sleep(0.05)
    return False


def stop_server(port: int, token: str, server: subprocess.Popen[bytes]) -> None:
    """Ask the server to shut down with all its kernels, and insist if it does not."""
    if server.poll() is not None:
        return
    try:
        _request(port, "/api/shutdown", token, post=True)
        server.wait(8)
    except (OSError, subprocess.TimeoutExpired):
        server.terminate()
        try:
            server.wait(8)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait(8)


def start_server(
    *, name: str = START, root: Path = ROOT, extra: tuple[str, ...] = ()
) -> tuple[subprocess.Popen[bytes], int, str]:
    """Start the server and wait until it listens; returns process, port and token."""
    token = secrets.token_urlsafe(24)
    private = private_folder(root)
    first = FIRST_PORT
    for _ in range(3):
        port = free_port(first)
        command = server_command(port=port, token=token, name=name, root=root, private=private)
        log = private / f"server-{port}.log"
        # The server's libraries warn about each other, which means nothing to a user: what it says goes to a
        # file, shown when it fails. In a process group of its own, Ctrl+C reaches this launcher alone, which
        # then stops the server.
        with open(log, "wb") as said:
            server = subprocess.Popen(
                [*command, *extra], cwd=root, env=server_environment(root=root, private=private),
                stdin=subprocess.DEVNULL, stdout=said, stderr=subprocess.STDOUT,
                start_new_session=sys.platform != "win32",
                creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
            )  # fmt: skip
        try:
            if wait_until_listening(port, token, server):
                return server, port, token
        except BaseException:
            stop_server(port, token, server)
            raise
        if server.poll() is None:
            stop_server(port, token, server)
            break
        first = port + 1  # another program may have taken the port in the meantime
    words = log.read_text(encoding="utf-8", errors="replace").strip()[-1500:] or "nothing"
    raise SetupError(f"The server did not start. It said:\n{words}\nRun this again.")


def parse_arguments(argv: list[str]) -> tuple[argparse.Namespace, list[str]]:
    """Our options, and the rest, which goes to the server unread."""
    parser = argparse.ArgumentParser(
        prog="open.py", allow_abbrev=False,
        description="Open the Lobe Ledger workbook in the browser. The first run sets everything up.",
        epilog="Other options are passed on to the Jupyter server.",
    )  # fmt: skip
    parser.add_argument("--lab", action="store_true", help="open the notebook itself, in JupyterLab")
    parser.add_argument("--notebook", default=START, metavar="NAME", help=f"which notebook (default {START})")
    parser.add_argument("--no-browser", action="store_true", help="print the address, open nothing")
    parser.add_argument("--check", action="store_true", help="set up, say so, start nothing")
    known, rest = parser.parse_known_args(argv)
    known.notebook = known.notebook.removesuffix(".ipynb")
    return known, rest


def _stop_signal(_number: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def main(argv: list[str]) -> int:
    """Set up, start, open the browser, wait; returns the exit code."""
    options, extra = parse_arguments(argv)
    try:
        begun = time.perf_counter()
        fresh = ensure("workbook")
        state = "ready" if fresh else "already there"
        print(f"Environment {state} ({time.perf_counter() - begun:.2f} s).", flush=True)
        if options.check:
            return 0
        known = [stem for stem, _ in notebook_pages()]
        if options.notebook not in known:
            raise SetupError(f"There is no notebook {options.notebook!r} in workbook/: choose from {', '.join(known)}.")
        for number in ("SIGINT", "SIGTERM", "SIGHUP"):  # closing the window ends the server too
            if hasattr(signal, number):
                signal.signal(getattr(signal, number), _stop_signal)
        begun = time.perf_counter()
        server, port, token = start_server(name=options.notebook, extra=tuple(extra))
    except SetupError as error:
        print(error, file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("\nStopped.")
        return 130
    try:
        address = lab_address if options.lab else page_address
        # The token stands in the address: a redirect file in a hidden folder would hide it from other users
        # of this computer, but browsers installed in a sandbox cannot read such a file.
        url = f"{address(port, options.notebook)}?token={token}"
        print(f"Server up ({time.perf_counter() - begun:.1f} s). If no browser appears, open this address:")
        print(f"\n  {url}\n\nStop it with Ctrl+C in this window.", flush=True)
        if not options.no_browser:
            webbrowser.open(url)
        return server.wait()
    except KeyboardInterrupt:
        print("\nStopping ...", flush=True)
        return 0
    finally:
        stop_server(port, token, server)

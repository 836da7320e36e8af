"""What the browser tests share: the served workbook, Chromium, and a watch over what a page asks for.

Use:  from browser_support import browser, served, watched   (the first two are pytest fixtures)

A missing Chromium fails these tests: they run only where they were asked for.
"""

import os
import secrets
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "workbook"))

from _launch import server as launch  # noqa: E402

CHROMIUM_NAMES = ("chromium", "chromium-browser", "google-chrome")
CHROMIUM_FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--disable-dev-shm-usage",
    "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",  # nothing outside can answer
]  # fmt: skip
LAB_IDLE = "#jp-main-statusbar :text('| Idle')"  # kernel ready; the toolbar's dot folds away on narrow screens
LAB_NOTEBOOK = ".jp-NotebookPanel:not(.lm-mod-hidden)"
LOADING_MS = 240_000  # a first start on a busy computer compiles and draws for minutes
VOILA_READY = "#rendered_cells:visible"


@dataclass(frozen=True)
class Served:
    """A running server over a copy of the tree; nothing done to it touches the checkout."""

    port: int
    token: str
    folder: Path
    log: Path

    def page(self, name: str) -> str:
        """Address of a notebook's Voila page, token included."""
        return f"{launch.page_address(self.port, name)}?token={self.token}"

    def lab(self, name: str, workspace: str = "test") -> str:
        """Address of the notebook in JupyterLab, in a workspace of its own so that no old tab comes back."""
        address = launch.lab_address(self.port, name).replace("/doc/tree/", f"/doc/workspaces/{workspace}/tree/")
        return f"{address}?reset&token={self.token}"


@contextmanager
def serve(tmp: Path, notebooks: dict[str, Any] | None = None, port: int | None = None) -> Iterator[Served]:
    """Serve a copy of workbook/ and data/ as open.py would, adding `notebooks` (name to nbformat node).

    port: the first to try; by default runs side by side do not ask for the same one.
    """
    import nbformat

    folder = tmp / "shop floor ü"  # a space and a letter outside ASCII, as on many a real computer
    skip = shutil.ignore_patterns(".ipynb_checkpoints", "__pycache__")
    for part in ("workbook", "data"):
        if (ROOT / part).exists():
            shutil.copytree(ROOT / part, folder / part, ignore=skip, dirs_exist_ok=True)
    # The library of this tree, wherever the one of the environment was installed from.
    if not (folder / "lib").exists():
        (folder / "lib").symlink_to(ROOT / "lib", target_is_directory=True)
    for name, notebook in (notebooks or {}).items():
        nbformat.write(notebook, folder / "workbook" / f"{name}.ipynb")
    token, port, private, log = (
        secrets.token_urlsafe(12),
        launch.free_port(port or 9200 + secrets.randbelow(700)),
        tmp / "private",
        tmp / "server.log",
    )
    command = launch.server_command(port=port, token=token, root=folder, private=private, python=Path(sys.executable))
    env = launch.server_environment(root=folder, private=private)
    env["PYTHONPATH"] = str(ROOT / "lib")  # the copy holds no lib
    # the page's frame as it stands in the tree, not as it was when the environment was last installed
    shutil.copytree(ROOT / "lib" / "jupyter" / "voila", tmp / "share" / "voila" / "templates", dirs_exist_ok=True)
    env["JUPYTER_PATH"] = str(tmp / "share")
    env["LOBELEDGER_DATA"] = str(folder / "data")  # what a test saves stays in the copy
    with open(log, "wb") as out:
        server = subprocess.Popen(
            command, cwd=folder, env=env, stdin=subprocess.DEVNULL, stdout=out, stderr=subprocess.STDOUT
        )
    try:
        if not launch.wait_until_listening(port, token, server):
            pytest.fail("the server did not start:\n" + log.read_text(errors="replace")[-3000:])
        yield Served(port, token, folder, log)
    finally:
        launch.stop_server(port, token, server)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The workbook as it is, served."""
    with serve(tmp_path_factory.mktemp("served")) as running:
        yield running


# one for each module: pytest keeps an imported fixture apart for every importer, and two cannot run at once
@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Chromium, able to reach 127.0.0.1 and nothing else."""
    from playwright.sync_api import sync_playwright

    found = os.environ.get("CHROMIUM") or next(filter(None, map(shutil.which, CHROMIUM_NAMES)), None)
    if found is None:
        pytest.fail("Chromium was not found: install it (Debian: apt install chromium) or set CHROMIUM to its path.")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=found, args=CHROMIUM_FLAGS)
        yield running
        running.close()


@dataclass
class Watch:
    """What a page asked of other computers, and what it complained of."""

    outside: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)

    def assert_clean(self) -> None:
        """Fail when the page asked anything outside or an error was logged."""
        assert self.outside == [], self.outside
        assert self.errors == [], self.errors


def watched(browser: Any, width: int = 1366, height: int = 768) -> tuple[Any, Watch]:
    """A new page in a context of its own, and the watch over it."""
    page = browser.new_context(viewport={"width": width, "height": height}).new_page()
    page.set_default_navigation_timeout(LOADING_MS)
    watch = Watch()
    home = ("http://127.0.0.1:", "ws://127.0.0.1:", "data:", "blob:", "about:")

    def note(url: str) -> None:
        if not url.startswith(home):
            watch.outside.append(url)

    page.on("request", lambda request: note(request.url))
    page.on("websocket", lambda socket: note(socket.url))

    def refused(response: Any) -> None:
        if response.status >= 400:
            watch.errors.append(f"{response.status} {response.request.method} {response.url}")

    page.on("response", refused)
    page.on("pageerror", lambda error: watch.errors.append(str(error)))
    page.on("console", lambda line: watch.errors.append(line.text) if line.type == "error" else None)
    return page, watch


def run_all(page: Any) -> None:
    """In JupyterLab: wait for the kernel, then Run, Run All Cells, as a customer would."""
    page.wait_for_selector(LAB_IDLE, timeout=60_000)
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.locator("li[data-command='runmenu:run-all']").click()

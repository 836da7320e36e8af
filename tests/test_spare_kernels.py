"""A kernel is kept ready for the next live page; no browser and no server here."""

from __future__ import annotations

import asyncio
import os
from pathlib import Path
from typing import Any

import pytest
from jupyter_server.services.kernels.kernelmanager import ServerKernelManager
from voila.utils import ENV_VARIABLE

from lobeledger import spare_kernels
from lobeledger.spare_kernels import SpareKernels

ROOT = Path(__file__).resolve().parents[1]
# as the page's server writes it: names that are members of an enumeration
PAGE: dict[str, str] = {
    ENV_VARIABLE.VOILA_REQUEST_URL: "http://127.0.0.1/'\"",
    ENV_VARIABLE.QUERY_STRING: "desk=0123456789abcdef",
}
ASK = "import os, sys; print(os.environ.get('QUERY_STRING'), os.getcwd(), 'lobeledger.panels' in sys.modules)"


@pytest.fixture(autouse=True)
def own_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("JUPYTER_RUNTIME_DIR", "JUPYTER_DATA_DIR", "JUPYTER_CONFIG_DIR", "IPYTHONDIR"):
        monkeypatch.setenv(name, str(tmp_path / name.lower()))
    monkeypatch.setenv("PYTHONPATH", str(ROOT / "lib"))


async def said_by(manager: Any, kernel_id: str) -> list[str]:
    said: list[str] = []
    client = manager.get_kernel(kernel_id).client()
    client.start_channels()
    await client.wait_for_ready(timeout=60)
    await client.execute_interactive(
        ASK, output_hook=lambda message: said.append(message["content"].get("text", "")), timeout=60
    )
    client.stop_channels()
    return " ".join(said).split()


async def with_spare() -> tuple[Any, str]:
    manager = SpareKernels(root_dir=str(ROOT))
    for _ in range(600):
        if manager._spare_ids:
            break
        await asyncio.sleep(0.1)
    (ready,) = manager._spare_ids
    return manager, ready


def test_a_page_gets_the_spare_kernel_with_its_own_environment_and_a_notebook_a_fresh_one() -> None:
    async def story() -> None:
        manager, ready = await with_spare()
        try:
            assert manager.list_kernels() == [], "nobody uses it yet"
            notebook = await manager.start_kernel(path="workbook/choose.ipynb", kernel_name="python3", env={})
            assert notebook != ready and [each["id"] for each in manager.list_kernels()] == [notebook]
            page = await manager.start_kernel(path="workbook", kernel_name="python3", env={**os.environ, **PAGE})
            assert page == ready and {each["id"] for each in manager.list_kernels()} == {page, notebook}
            desk, folder, imported = await said_by(manager, page)
            assert (desk, imported) == (PAGE[ENV_VARIABLE.QUERY_STRING], "True")
            assert Path(folder) == ROOT / "workbook"
        finally:
            await manager.shutdown_all(now=True)
        assert len(manager) == 0

    asyncio.run(story())


def test_kernels_are_listed_while_one_is_starting() -> None:
    async def story() -> None:
        manager, _ = await with_spare()
        try:
            notebook = await manager.start_kernel(path="workbook/choose.ipynb", kernel_name="python3", env={})
            manager._kernels["starting"] = ServerKernelManager()  # its server has not yet said when it was active
            assert [each["id"] for each in manager.list_kernels()] == [notebook]
        finally:
            manager._kernels.pop("starting", None)
            await manager.shutdown_all(now=True)

    asyncio.run(story())


def test_a_spare_kernel_that_died_is_replaced_by_a_fresh_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spare_kernels, "_PATIENCE_S", 3.0)

    async def story() -> None:
        manager, ready = await with_spare()
        try:
            await manager.shutdown_kernel(ready, now=True)
            page = await manager.start_kernel(path="workbook", kernel_name="python3", env={**os.environ, **PAGE})
            assert page != ready and [each["id"] for each in manager.list_kernels()] == [page]
        finally:
            await manager.shutdown_all(now=True)

    asyncio.run(story())


def test_a_spare_kernel_is_not_culled(monkeypatch: pytest.MonkeyPatch) -> None:
    async def story() -> None:
        manager, ready = await with_spare()
        try:
            manager.cull_idle_timeout = 1
            await asyncio.sleep(1.5)
            await manager.cull_kernel_if_idle(ready)
            assert ready in manager
        finally:
            await manager.shutdown_all(now=True)

    asyncio.run(story())

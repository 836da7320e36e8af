"""A kernel kept ready for the next live page, so that turning a page does not wait for Python and its imports.

The server's kernel manager          `SpareKernels`

A live page of the workbook is run by a kernel of its own, and most of what its reader waits for is the start of that
kernel and the import of the library. The manager keeps one kernel with the library imported. A page takes it with the
page's own environment; the next is made when that page has had its time. Notebooks get fresh kernels as ever.

The server imports this module and nothing else of the library.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
from typing import Any

from jupyter_server.services.kernels.kernelmanager import AsyncMappingKernelManager
from jupyter_server.utils import ApiPath
from tornado.ioloop import IOLoop
from tornado.web import HTTPError
from traitlets import TraitError

__all__ = ["SpareKernels"]

_READY = "import lobeledger.panels"
_PATH, _KERNEL = ApiPath("workbook"), "python3"
# The page that has just taken the spare one is still computing for so long.
_NEXT_AFTER_S = 8.0
# A spare one that is still importing is waited for: a fresh one would have to import as well.
_PATIENCE_S = 60.0


class SpareKernels(AsyncMappingKernelManager):
    """Starts kernels, and hands a spare one to a live page."""

    def __init__(self, **traits: Any) -> None:
        super().__init__(**traits)
        self._spare: asyncio.Task[tuple[str, Any]] | None = None
        self._spare_ids: set[str] = set()
        self._ending = False
        IOLoop.current().add_callback(self._make_spare)

    async def start_kernel(  # type: ignore[override]
        self, *, kernel_id: str | None = None, path: Any = None, **named: Any
    ) -> str:
        """As ever; a live page gets the spare kernel when there is one."""
        environment = named.get("env") or {}
        is_page = kernel_id is None and "VOILA_REQUEST_URL" in environment
        if is_page and path == _PATH and named.get("kernel_name") == _KERNEL:
            IOLoop.current().call_later(_NEXT_AFTER_S, self._make_spare)
            taken = await self._take(environment)
            if taken is not None:
                return taken
        started: str = await super().start_kernel(kernel_id=kernel_id, path=path, **named)
        return started

    def list_kernels(self) -> list[dict[str, Any]]:
        """The kernels that a page or notebook uses.

        One that is still starting cannot be described yet, and asking for it would fail the whole list.
        """
        found: list[dict[str, Any]] = []
        for kernel_id in set(self.list_kernel_ids()) - self._spare_ids:
            with contextlib.suppress(HTTPError, KeyError, TraitError):  # it has ended, or is starting
                found.append(self.kernel_model(kernel_id))
        return found

    async def cull_kernel_if_idle(self, kernel_id: str) -> None:
        """A spare kernel waits as long as it must."""
        if kernel_id not in self._spare_ids:
            await super().cull_kernel_if_idle(kernel_id)

    async def shutdown_all(self, now: bool = False) -> None:  # type: ignore[override]
        """End all kernels, and make no more."""
        self._ending = True
        if self._spare is not None:
            self._spare.cancel()
        await super().shutdown_all(now=now)

    def _make_spare(self) -> None:
        if self._spare is None and not self._ending:
            self._spare = asyncio.ensure_future(self._started())
            self._spare.add_done_callback(lambda task: None if task.cancelled() else task.exception())

    async def _started(self) -> tuple[str, Any]:
        kernel_id = await super().start_kernel(path=_PATH, kernel_name=_KERNEL, env=dict(os.environ))
        self._spare_ids.add(kernel_id)
        client = self.get_kernel(kernel_id).client()
        client.start_channels()
        client.execute(_READY, silent=True, store_history=False)
        return kernel_id, client

    async def _take(self, environment: dict[str, str]) -> str | None:
        """The spare kernel with this environment; None when there is none that answers."""
        spare, self._spare = self._spare, None
        if spare is None:
            return None
        kernel_id = ""
        try:
            kernel_id, client = await spare
            own = {key: value for key, value in environment.items() if os.environ.get(key) != value}
            code = f"import json, os; os.environ.update(json.loads({json.dumps(own)!r}))"
            asked = client.execute(code, silent=True, store_history=False)
            async with asyncio.timeout(_PATIENCE_S):
                while True:
                    answer = await client.get_shell_msg()
                    if answer["parent_header"].get("msg_id") == asked:
                        break
            client.stop_channels()
            if answer["content"]["status"] != "ok":
                raise RuntimeError("the spare kernel refused its environment")
        except Exception:  # whatever ails it: a fresh kernel will do
            self.log.warning("a spare kernel was no use", exc_info=True)
            if kernel_id in self:
                with contextlib.suppress(Exception):
                    await self.shutdown_kernel(kernel_id, now=True)
            return None
        finally:
            self._spare_ids.discard(kernel_id)
        return kernel_id

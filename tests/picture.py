"""Make the README's picture: the choose page at laptop size.

    .venv/bin/python tests/picture.py [OUT.png] [WIDTH HEIGHT]

Needs Chromium and tests/requirements.txt.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

from browser_support import CHROMIUM_FLAGS, CHROMIUM_NAMES, ROOT, serve


def main(arguments: list[str]) -> None:
    """Serve the workbook, wait until the charts stand, take the picture."""
    out = Path(arguments[0]) if arguments else ROOT / "workbook" / "choose.png"
    width, height = (int(a) for a in arguments[1:3]) if len(arguments) > 2 else (1366, 768)
    chromium = next(filter(None, map(shutil.which, CHROMIUM_NAMES)), None)
    if chromium is None:
        sys.exit("Chromium was not found: install it (Debian: apt install chromium).")
    with tempfile.TemporaryDirectory() as tmp, serve(Path(tmp)) as served, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=CHROMIUM_FLAGS)
        page = browser.new_page(viewport={"width": width, "height": height})
        page.goto(served.page("choose"), timeout=60_000)
        page.locator(".ll-answer").wait_for(timeout=60_000)
        page.locator(".ll-chart-box .scatterlayer path").first.wait_for(timeout=60_000)
        page.wait_for_timeout(1500)
        page.screenshot(path=out)
        browser.close()
    print(out, out.stat().st_size, "bytes")


if __name__ == "__main__":
    main(sys.argv[1:])

"""From a key to the screen and to the node's acknowledgement, in a browser on a real node.

    python -m tests.benchmarks.panel_latency --keys 200 --json result.json

The plain page with a study of two views on a node in a process of its own, over loopback. The
space bar answers structure after structure; each time runs from the browser's own stamp of the
key to the next frame, and to the moment when the node has acknowledged everything.
"""

import argparse
import json
import os
import statistics
import tempfile
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, sync_playwright

from test_pacs.sending import send
from test_pacs.studies import demo_study
from tests.benchmarks.readers import _PASSWORD, Node, Reader, await_studies

SWITCHES = ["--no-sandbox", "--disable-gpu"]
# Before the page's own scripts: the panel lets no key that it takes go further.
WATCH = """
  let waiting = null, watched = null;
  window.sesamoidSaved = []; window.sesamoidShown = [];
  const acknowledged = session => {
    if (waiting === null || !session.queue.clean) return;
    window.sesamoidSaved.push(performance.now() - waiting);
    waiting = null;
    told();
  };
  let told = () => {};
  // Waited for without looking again and again: that would take the processor from the panel.
  window.sesamoidAcknowledged = count => new Promise(done => {
    told = () => window.sesamoidSaved.length >= count && done();
    told();
  });
  window.addEventListener('keydown', event => {
    const at = event.timeStamp;
    const session = document.querySelector('sesamoid-panel')?.session;
    if (session && session !== watched) (watched = session).subscribe(acknowledged);
    waiting = null;
    const shown = () => window.sesamoidShown.push(performance.now() - at);
    requestAnimationFrame(() => setTimeout(shown));
    setTimeout(() => { waiting = at; if (session) acknowledged(session); });
  }, true);
"""


REQUESTS = """() => performance.getEntriesByType('resource')
    .filter(entry => entry.name.endsWith('/reading')).slice(1).map(entry => entry.duration)"""


def press(page: Page, keys: int) -> dict[str, list[float]]:
    """Milliseconds of each key that answered a structure."""
    page.evaluate("window.sesamoidSaved = []; window.sesamoidShown = []")
    for number in range(1, keys + 1):
        page.keyboard.press("Space")
        page.evaluate("n => window.sesamoidAcknowledged(n)", number)
        page.wait_for_timeout(40)
        if page.evaluate("document.querySelector('sesamoid-panel').session.section === 'conclude'"):
            break
    return {
        "shown": list(page.evaluate("window.sesamoidShown")),
        "saved": list(page.evaluate("window.sesamoidSaved")),
        "request": list(page.evaluate(REQUESTS)),
    }


def measure(folder: Path, browser: str, keys: int) -> dict[str, Any]:
    """Median, 95th percentile and worst of both."""
    node = Node(folder, readers=1)
    try:
        images = demo_study("lame labrador").datasets
        send(images, node.port, node.title)
        reader = Reader(node.address, "reader0")
        await_studies(reader, 1)
        with sync_playwright() as playwright:
            chromium = playwright.chromium.launch(executable_path=browser, args=SWITCHES)
            page = chromium.new_page(viewport={"width": 1440, "height": 900})
            page.goto(node.address)
            page.get_by_label("User").fill("reader0")
            page.get_by_label("Password").fill(_PASSWORD)
            page.keyboard.press("Enter")
            page.locator("#rows").wait_for(state="attached")
            page.add_init_script(WATCH)
            page.goto(f"{node.address}plain?StudyInstanceUIDs={images[0].StudyInstanceUID}")
            page.locator("sesamoid-panel .card h2").wait_for()
            page.wait_for_timeout(2000)
            times = press(page, keys)
            chromium.close()
    finally:
        node.stop()
    return {"load": round(os.getloadavg()[0], 1)} | {k: _summary(v) for k, v in times.items()}


def _summary(times: list[float]) -> dict[str, float]:
    ranked = sorted(times)
    return {
        "keys": len(times),
        "median_ms": round(statistics.median(times), 1),
        "p95_ms": round(ranked[int(0.95 * (len(ranked) - 1))], 1),
        "worst_ms": round(ranked[-1], 1),
    }


def main() -> None:
    """Measure, print, and write JSON when asked."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--keys", type=int, default=200)
    parser.add_argument("--browser", default="/usr/bin/chromium")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="sesamoid-") as folder:
        found = measure(Path(folder), options.browser, options.keys)
    print(json.dumps(found, indent=1))
    if options.json:
        options.json.write_text(json.dumps(found, indent=1) + "\n")


if __name__ == "__main__":
    main()

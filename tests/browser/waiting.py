"""What the browser tests wait for: conditions, never a length of time."""

from collections.abc import Callable

from playwright.sync_api import Page

CLEAN = "() => document.querySelector('sesamoid-panel').session?.queue.clean"
SETTLED = """async () => {
  const ends = a => Number.isFinite(a.effect?.getComputedTiming().endTime);
  const panel = document.querySelector('sesamoid-panel');
  const frame = () => new Promise(done => requestAnimationFrame(done));
  for (let n = 0; n < 2; n += 1) await frame();
  await Promise.all((panel?.shadowRoot ?? document).getAnimations()
    .filter(ends).map(a => a.finished.catch(() => {})));
  await frame();
}"""
STILL = """count => {
  const { host } = document.querySelector('sesamoid-panel');
  const shown = host.images();
  const middles = shown.map(i => host.middle(i.uid));
  const cameras = shown.map(i => host.viewport?.(i.viewportId)?.getCamera?.());
  const now = JSON.stringify([shown, middles, cameras]);
  const same = shown.length === count && middles.every(Boolean) && now === window.seenLast;
  window.seenSame = same ? (window.seenSame ?? 0) + 1 : 0;
  window.seenLast = now;
  return window.seenSame >= 4;
}"""


def saved(page: Page) -> None:
    """Everything that was entered is with the node."""
    page.wait_for_function(CLEAN)


def settled(page: Page) -> None:
    """The panel is drawn, and nothing in it moves."""
    page.evaluate(SETTLED)


def still(page: Page, images: int) -> None:
    """So many images are drawn, and stay where they are for five looks in a row."""
    page.wait_for_function(STILL, arg=images, polling=50)


def eventually(page: Page, holds: Callable[[], bool]) -> None:
    """Ask again and again; the page goes on meanwhile."""
    for _ in range(800):
        if holds():
            return
        page.wait_for_timeout(25)
    raise AssertionError("it did not come about within twenty seconds")

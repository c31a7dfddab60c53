"""How soon the live page answers the hand, in a real browser.

    python benchmarks/tuning.py [RESOLUTION ...]

weights the axolotl at each resolution (1.0 has 23 thousand vertices, 2.4 has 125 thousand), serves
it by the example recipe, and opens it in headless Chromium, which draws by the processor: a
graphics card is quicker. It drags the reach of a band of the tail, paints, saves, writes, and
compares what was written with what `solve --recipe` makes. Times are from the event until the
graphics have drawn the picture that shows it; of a sketch also until its numbers were there, the
rest being the page's, which one tab alone is open with. Beside them the processor seconds that the
server took. Needs the extras `test` and `tune` and Chromium, on the path or in $CHROMIUM.
"""

import os
import shutil
import statistics
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

from playwright.sync_api import Page, sync_playwright

from autoweight.demo import bound
from autoweight.io import load, save
from autoweight.recipes.recipe import load_recipe
from autoweight.stages.solving import first_pass
from autoweight.tuning import server
from autoweight.tuning.desk import Desk
from autoweight.tuning.live import Live

RECIPE = Path(__file__).parent.parent / "examples" / "axolotl.toml"
SECRET = "benchmark"
STEPS = 15

DRAWN = """async () => {
  if (!window.autoweight?.work || !autoweight.shown().kind) return false;
  await new Promise((then) => requestAnimationFrame(() => requestAnimationFrame(then)));
  return true;
}"""

EXACT = """() => !!window.autoweight?.work && !!autoweight.work()
  && autoweight.shown().kind === 2 && autoweight.shown().serial === autoweight.work().serial"""

DABS = """(count) => {
  const canvas = document.getElementById("body"), box = canvas.getBoundingClientRect();
  const [x, y] = autoweight.jointOnCanvas(autoweight.state.joint);
  const event = (kind, k) => canvas.dispatchEvent(new PointerEvent(kind, { pointerId: 1, button: 0,
    clientX: box.left + x + k % 40, clientY: box.top + y + k % 7, bubbles: true }));
  canvas.setPointerCapture = () => {};
  const begun = performance.now();
  event("pointerdown", 0);
  const down = performance.now();
  for (let k = 1; k <= count; k++) event("pointermove", k);
  const moved = performance.now();
  event("pointerup", 0);
  return [down - begun, (moved - down) / count];
}"""


def until(tab: Page, what: str) -> float:
    begun = time.perf_counter()
    while not tab.evaluate(what):
        tab.wait_for_timeout(5)
    return time.perf_counter() - begun


def measure(tab: Page, desk: Desk) -> None:
    tab.locator("#find").fill("tail_3")
    tab.locator("#find").press("Enter")
    until(tab, "() => document.querySelector('[data-grip=reach1]') !== null")
    tab.wait_for_timeout(3000)  # places along the limbs come behind the weights
    box = tab.locator("[data-grip=reach1]").bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    tab.mouse.move(x, y)
    tab.mouse.down()
    spent = time.process_time()
    for step in range(1, STEPS + 1):
        many = tab.evaluate("() => autoweight.lags.length")
        tab.mouse.move(x + 2 * step, y)
        until(tab, f"() => autoweight.lags.length > {many}")
    spent = (time.process_time() - spent) / STEPS
    told = tab.evaluate("() => autoweight.lags")
    lags, there = ([each[what] for each in told] for what in ("lag", "answered"))
    print(
        f"dragging a point: sketch after {statistics.median(lags):.0f} ms "
        f"({min(lags):.0f} to {max(lags):.0f}), of which {statistics.median(there):.0f} until its "
        f"numbers are there; {1000 * spent:.0f} ms of processor a step"
    )
    spent = time.process_time()
    tab.mouse.up()
    waited = until(tab, EXACT)
    spent = time.process_time() - spent
    print(f"let go: exact after {waited:.2f} s, {spent:.2f} s of processor")
    tab.locator("#brushing").select_option("1")
    first, each = tab.evaluate(DABS, 120)
    print(f"brush: {first:.0f} ms to begin, then {1000 / each:.0f} dabs a second")
    tab.locator("#brushing").select_option("")
    until(tab, "() => autoweight.work().painted > 0")
    print(f"painted {len(desk.now.painted)}: exact after {until(tab, EXACT):.2f} s")


def main() -> None:
    for resolution in [float(each) for each in sys.argv[1:]] or [1.0, 2.4]:
        with TemporaryDirectory() as scratch, sync_playwright() as driver:
            run(Path(scratch), driver, resolution)


def run(place: Path, driver, resolution: float) -> None:
    rig = bound(resolution)
    save(replace(rig, weights=first_pass(replace(rig, weights=None)).weights), place / "rig.glb")
    shutil.copy(RECIPE, place / "rig.toml")
    desk = Desk(lambda: load(place / "rig.glb"), place / "rig.toml", place / "out.glb")
    at = server.listening(0)
    at.listen()
    running = server.made(Live(desk, place / "rig.glb"), at, SECRET)
    thread = threading.Thread(target=running.run, kwargs={"sockets": [at]})
    thread.start()
    browser = driver.chromium.launch(
        executable_path=os.environ.get("CHROMIUM") or shutil.which("chromium"),
        args=["--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"],
    )
    print(f"{len(rig.mesh.vertices)} vertices, {len(rig.skeleton)} joints")
    address = f"http://127.0.0.1:{at.getsockname()[1]}/{SECRET}/"
    for visit in ("first", "again"):
        tab = browser.new_page(viewport={"width": 1400, "height": 900})
        begun = time.perf_counter()
        tab.goto(address)
        until(tab, DRAWN)
        print(f"opened ({visit}): {time.perf_counter() - begun:.2f} s until it is drawn", end=", ")
        until(tab, EXACT)
        print(f"{time.perf_counter() - begun:.2f} s until by exact weights")
        if visit == "first":
            tab.close()
    measure(tab, desk)
    tab.locator("#save").click()
    until(tab, "() => !autoweight.work().unsaved")
    tab.locator("#write").click()
    until(tab, "() => document.getElementById('said').textContent.startsWith('wrote')")
    recipe = load_recipe(place / "rig.toml")
    rig = load(place / "rig.glb")
    save(
        replace(rig, weights=first_pass(rig, recipe).weights),
        place / "again.glb",
        bits=recipe.tidy.bits,
    )
    same = (place / "out.glb").read_bytes() == (place / "again.glb").read_bytes()
    print("written as solve --recipe writes it, bit for bit:", "yes" if same else "NO")
    print(f"load over the last minute: {os.getloadavg()[0]:.1f}")
    browser.close()
    running.should_exit = True
    thread.join()


if __name__ == "__main__":
    main()

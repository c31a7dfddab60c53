"""How large the page of a large rig is, and how soon it is drawn.

    python benchmarks/page.py [RESOLUTION]

weights the axolotl at a resolution (2.4 has 125 thousand vertices), writes its page with the whole
range of motion, and opens it three times in headless Chromium, which draws by the processor: a
graphics card is quicker. Needs the extra `test` and Chromium, on the path or in $CHROMIUM.
"""

import os
import shutil
import sys
import time
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

from playwright.sync_api import sync_playwright

from autoweight.demo import bound
from autoweight.pose.motion import range_of_motion
from autoweight.skeleton.sides import likely_plane
from autoweight.stages.solving import first_pass
from autoweight.view.page import page

PLAYED = 5.0


def main() -> None:
    rig = bound(float(sys.argv[1]) if len(sys.argv) > 1 else 2.4)
    rig = replace(rig, weights=first_pass(rig).weights)
    clip = range_of_motion(rig.skeleton, likely_plane(rig.skeleton))
    with TemporaryDirectory() as scratch, sync_playwright() as driver:
        path = Path(scratch) / "page.html"
        path.write_text(page(rig, clip=clip))
        print(f"{len(rig.mesh.vertices)} vertices, {len(clip)} poses")
        print(f"{path.stat().st_size / 1e6:.1f} MB")
        browser = driver.chromium.launch(
            executable_path=os.environ.get("CHROMIUM") or shutil.which("chromium"),
            args=["--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"],
        )
        for _ in range(3):
            tab = browser.new_page(viewport={"width": 1200, "height": 800})
            begun = time.perf_counter()
            tab.goto(path.as_uri())
            tab.wait_for_function("window.autoweight?.drawn() > 0")
            print(f"{time.perf_counter() - begun:.2f} s until it is drawn")
        tab.keyboard.press(" ")
        first = tab.evaluate("autoweight.drawn()")
        tab.wait_for_timeout(1000 * PLAYED)
        shown = tab.evaluate("autoweight.drawn()") - first
        print(f"{shown / PLAYED:.1f} frames a second")
        browser.close()


if __name__ == "__main__":
    main()

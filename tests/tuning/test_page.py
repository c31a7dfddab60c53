"""The live page in a real browser: what it saves is what solving by the recipe makes."""

import os
import random
import shutil
import signal
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from calling import CliRunner
from tuned import cut, desk, served
from waiting import until

from autoweight.cli import main
from autoweight.io import load, save
from autoweight.recipes.recipe import load_recipe
from autoweight.stages.solving import first_pass

Error = pytest.importorskip("playwright.sync_api").Error

SETTLED = """() => !!window.autoweight?.work && !!autoweight.work()
  && autoweight.shown().kind === 2 && autoweight.shown().serial === autoweight.work().serial"""


def wait(tab, what, seconds=150):
    """Until something of the page is so; its policy does not let a string be waited for."""
    for _ in range(10 * seconds):
        try:
            if tab.evaluate(what):
                return
        except Error as error:  # it is just loading again
            assert "navigation" in str(error)
        tab.wait_for_timeout(100)
    raise AssertionError(f"still not so: {what}")


@contextmanager
def opened(browser, address):
    tab = browser.new_page(viewport={"width": 1400, "height": 900})
    tab.set_default_timeout(150_000)  # for a machine that has much else to do
    complaints: list[str] = []
    tab.on("pageerror", lambda error: complaints.append(str(error)))
    tab.on(
        "request",
        lambda request: request.url.startswith(address[:20]) or complaints.append(request.url),
    )
    tab.goto(address)
    wait(tab, SETTLED)
    yield tab
    tab.close(run_before_unload=False)
    assert complaints == []


@pytest.fixture
def tuning(browser, place):
    with (
        served(desk(place), place / "small.glb") as here,
        opened(browser, here.address) as tab,
    ):
        yield tab, here, place


def pick(tab, name):
    tab.locator("#find").fill(name)
    tab.locator("#find").press("Enter")
    tab.locator("#find").fill("")


def said(tab, part):
    wait(tab, f"() => document.getElementById('said').textContent.includes({part!r})")


def stroke(tab, mode, x, y):
    tab.locator("#brushing").select_option(mode)
    box = tab.locator("#body").bounding_box()
    tab.mouse.move(box["x"] + x, box["y"] + y)
    tab.mouse.down()
    for step in range(4):
        tab.mouse.move(box["x"] + x + 4 * step, box["y"] + y + 2 * step)
    tab.mouse.up()
    tab.locator("#brushing").select_option("")


def random_edit(tab, rng, names):
    """One thing that a hand may do; it may be refused, as a hand may err."""
    kind = rng.choice(["drag", "drag", "key", "field", "brush", "undo"])
    if kind in ("drag", "key"):
        pick(tab, rng.choice(names))
        grips = tab.locator(".grip")
        count = grips.count()
        if not count:
            return
        grip = grips.nth(rng.randrange(count))
        if kind == "key":
            grip.focus()
            tab.keyboard.press(rng.choice(["ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown"]))
            return
        if (box := grip.bounding_box()) is None:
            return
        at = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        tab.mouse.move(*at)
        tab.mouse.down()
        right, down = rng.randint(-30, 30), rng.randint(-30, 30)
        for step in range(1, 4):
            tab.mouse.move(at[0] + right * step / 3, at[1] + down * step / 3)
        tab.mouse.up()
    elif kind == "field":
        name, value = rng.choice(
            [("tidy.prune", "0.004"), ("tidy.max_influences", "3"), ("skip", "root, snout"),
             ("method", "bands"), ("tidy.bits", "8"), ("skip", "root")]
        )  # fmt: skip
        tab.evaluate(
            """([id, value]) => { const box = document.getElementById(id); box.value = value;
               box.dispatchEvent(new Event("change")); }""",
            [f"field:{name}", value],
        )
    elif kind == "brush":
        x, y, _ = tab.evaluate(f"() => autoweight.jointOnCanvas({rng.randrange(10, 60)})")
        stroke(tab, rng.choice(["1", "1", "0"]), x, y)
    else:
        tab.locator("#undo").click()


def test_twenty_random_edits_saved_are_what_solving_writes_bit_for_bit(tuning):
    tab, here, place = tuning
    rng = random.Random(1)
    tab.locator("summary", has_text="tidy").first.click()
    names = [name for name in load(place / "small.glb").skeleton.names if name[-1] in "12LR"]
    begun = here.live.desk.now.text
    for _ in range(20):
        random_edit(tab, rng, names)
        tab.wait_for_timeout(60)
    wait(tab, SETTLED)
    assert here.live.desk.now.text != begun and len(here.live.desk.versions) > 8
    tab.locator("#save").click()
    said(tab, "saved")
    tab.locator("#write").click()
    said(tab, "wrote")
    rig, recipe, out = (str(place / name) for name in ("small.glb", "small.toml", "again.glb"))
    done = CliRunner().invoke(main, ["solve", rig, "--recipe", recipe, "-o", out])
    assert done.exit_code == 0, done.output
    assert (place / "out.glb").read_bytes() == (place / "again.glb").read_bytes()
    # What is drawn is that too, as 32 bit floats.
    weights = load(out).weights.matrix.tocsc()
    for joint in range(0, weights.shape[1], 9):
        shown = tab.evaluate(
            f"""() => [Array.from(autoweight.columns.now[{joint}].vertices),
                       Array.from(autoweight.columns.now[{joint}].weights)]"""
        )
        column = slice(weights.indptr[joint], weights.indptr[joint + 1])
        assert shown[0] == weights.indices[column].tolist()
        np.testing.assert_allclose(shown[1], weights.data[column], atol=1e-6)


def test_what_is_painted_finished_keeps_its_weights_and_is_shown(tuning):
    tab, here, place = tuning
    before = load(place / "small.glb").weights.matrix
    pick(tab, "tail_3")
    x, y, _ = tab.evaluate("() => autoweight.jointOnCanvas(autoweight.state.joint)")
    tab.get_by_label("both sides").uncheck()
    stroke(tab, "1", x, y)
    wait(tab, "() => autoweight.work().painted > 0")
    wait(tab, SETTLED)
    painted = here.live.desk.now.painted
    assert (here.live.exact.weights.matrix[painted] != before[painted]).nnz == 0
    marks = np.array(tab.evaluate("() => Array.from(autoweight.marks())"))
    assert np.array_equal(np.flatnonzero(marks == 3), painted)
    # Along the surface: what was painted is one patch on the side that was seen.
    points = here.live.desk.rig.mesh.vertices[painted]
    alone = points[:, 0].max() - points[:, 0].min()
    tab.get_by_label("both sides").check()
    tab.get_by_label("straight through").check()
    stroke(tab, "1", x, y)
    wait(tab, f"() => autoweight.work().painted > {2 * len(painted) // 2}")
    through = here.live.desk.rig.mesh.vertices[here.live.desk.now.painted]
    assert np.ptp(through[:, 0]) > alone
    np.testing.assert_allclose(through[:, 0].min(), -through[:, 0].max(), atol=1e-6)
    tab.locator("#undo").click()
    tab.locator("#undo").click()
    wait(tab, "() => autoweight.work().painted === 0 && autoweight.work().undo === null")
    assert not here.live.desk.unsaved


def test_a_dragged_point_shows_a_sketch_at_once_and_then_the_exact_weights(tuning):
    tab, here, _ = tuning
    pick(tab, "tail_3")
    before = here.live.exact.weights.matrix
    box = tab.locator("[data-grip=reach1]").bounding_box()
    at = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    tab.mouse.move(*at)
    tab.mouse.down()
    tab.mouse.move(at[0] + 20, at[1])
    wait(tab, "() => autoweight.shown().kind === 1")
    assert "sketch" in tab.locator("#doing").inner_text()
    sketched = here.live.shown
    tab.mouse.up()
    wait(tab, SETTLED)
    assert "exact" in tab.locator("#doing").inner_text()
    exact = here.live.exact.weights.matrix
    # A sketch is near to what follows it: a hundredth of all weight on the tail at most.
    off = abs(sketched - exact).sum()
    assert 0 < off < 0.01 * exact.shape[0]
    assert off < 0.1 * abs(before - exact).sum()  # and far nearer than what stood before


def test_the_curve_and_the_body_agree(tuning):
    """The dots are measured on the character, the line is asked for: free of neighbours, equal."""
    tab, here, _ = tuning
    live = here.live
    wait(tab, SETTLED)
    until(lambda: live.along is not None)
    along, chain = live.along
    number = next(k for k, each in enumerate(live.outline.chains) if each.name == "tail")
    limb = live.outline.parts[number]
    mine = np.flatnonzero((chain == number) & (along > 2) & (along < 6))
    asked = limb.falloff.weights(along[mine], limb.stations, hangs=limb.hangs >= 0)
    measured = live.exact.weights.matrix[mine][:, limb.joints].toarray()
    assert len(mine) > 100 and np.abs(asked - measured).mean() < 0.01
    # So do the points that are dragged: the band's middle is where the method has it.
    pick(tab, "tail_3")
    grip = tab.locator("[data-grip=centre]")
    right = float(grip.get_attribute("cx")) / tab.locator("#curve").evaluate("(e) => e.clientWidth")
    first, last = -int(limb.hangs >= 0), len(limb.joints)
    place = [here.live.desk.rig.skeleton.names[joint] for joint in limb.joints].index("tail_3")
    assert first + right * (last - first) == pytest.approx(place + limb.falloff.centre, abs=0.01)


def test_keys_alone_edit_undo_and_save(tuning):
    tab, _, place = tuning
    tab.locator("#body").focus()
    tab.keyboard.press("/")
    tab.keyboard.type("tail_2")
    tab.keyboard.press("Enter")
    tab.locator("[data-grip=reach1]").focus()
    # A slider has a name and a value: WAI-ARIA 1.2, role slider.
    values = "(all) => all.map((e) => [e.ariaLabel, Number(e.getAttribute('aria-valuenow'))])"
    told = dict(tab.locator("#curve .grip").evaluate_all(values))
    assert None not in told and np.isfinite(list(told.values())).all()
    for _ in range(3):
        tab.keyboard.press("ArrowRight")
    wait(tab, "() => autoweight.work().recipe.chain[0].falloff.reach > 1.2")
    assert tab.evaluate("() => document.activeElement.dataset.grip") == "reach1"
    now = dict(tab.locator("#curve .grip").evaluate_all(values))
    assert now["reach toward the child"] > told["reach toward the child"]
    tab.keyboard.press("Control+z")
    wait(tab, "() => autoweight.work().recipe.chain[0].falloff.reach === 1.2")
    tab.keyboard.press("Control+Shift+z")
    wait(tab, "() => autoweight.work().recipe.chain[0].falloff.reach > 1.2")
    tab.keyboard.press("Control+s")
    said(tab, "saved")
    assert load_recipe(place / "small.toml").chain[0].falloff.reach > 1.2


def test_a_chain_is_split_joined_and_given_a_rule(tuning):
    tab, here, _ = tuning
    pick(tab, "tail_4")
    tab.locator("#sheet .chosen > summary").click()
    tab.get_by_role("button", name="Split before tail_4").click()
    wait(tab, "() => autoweight.work().recipe.chain.length === 6")
    chain = here.live.desk.recipe().chain
    assert chain[0].joints == ("tail_1", "tail_2", "tail_3") and chain[1].joints[0] == "tail_4"
    assert chain[0].falloff == chain[1].falloff
    tab.get_by_role("button", name="Join with the next").first.click()
    wait(tab, "() => autoweight.work().recipe.chain.length === 5")
    tab.get_by_role("button", name="jaw", exact=True).click()
    wait(tab, "() => autoweight.work().recipe.chain.length === 6")
    assert here.live.desk.recipe().chain[5].joints == ("jaw",)


def test_the_form_says_all_that_a_recipe_can_say(tuning):
    """Every key of the recipe's nouns has a field, a table or a list of tables."""
    tab, _, _ = tuning
    for _ in range(6):  # what is folded is built when it is opened
        tab.evaluate("""() => document.querySelectorAll('#chapters details:not([open])')
          .forEach((each) => { each.open = true; })""")
        tab.wait_for_timeout(80)
    labels = set(tab.locator("#chapters label, #chapters summary").all_inner_texts())
    heads = {text.split("\n")[0].strip() for text in labels}
    for word in ("method", "skip", "shape", "reach", "hold", "centre", "units", "toward parent",
                 "max influences", "prune", "bits", "plane", "keep", "pairs", "dominated by",
                 "radius", "girth", "stray"):  # fmt: skip
        assert any(head.startswith(word) for head in heads), word


def test_a_rig_saved_anew_is_taken_in_and_the_page_comes_back_where_it_was(tuning):
    tab, here, place = tuning
    pick(tab, "tail_3")
    tab.evaluate("() => { autoweight.eye.yaw = 1.25; }")
    change = ["set", ["rigid", 0], {"joints": ["eye_*"]}]  # parts will have other names
    tab.evaluate("(change) => autoweight.edit([change], 'rigid')", change)
    wait(tab, SETTLED)
    many = len(here.live.desk.rig.mesh.vertices)
    save(cut(load(place / "small.glb")), place / "new.glb")
    shutil.move(place / "new.glb", place / "small.glb")
    wait(tab, "() => document.getElementById('facts')?.textContent.length > 0")
    until(lambda: len(here.live.desk.rig.mesh.vertices) > many)
    many = len(here.live.desk.rig.mesh.vertices)
    wait(tab, f"() => document.getElementById('facts')?.textContent.startsWith('{many}')")
    wait(tab, SETTLED)
    assert tab.locator("#facts").inner_text().startswith(str(len(here.live.desk.rig.mesh.vertices)))
    said(tab, "taken in")
    there = here.live.desk.rig.skeleton.index["tail_3"]
    assert tab.evaluate("() => [autoweight.eye.yaw, autoweight.state.joint]") == [1.25, there]
    assert here.live.desk.unsaved


def test_worst_places_are_measured_behind_the_hand_and_before_stands_beside_after(browser, place):
    with (
        served(desk(place), place / "small.glb", poses=12) as here,
        opened(browser, here.address) as tab,
    ):
        worst_and_before(tab)


def worst_and_before(tab):
    wait(tab, "() => document.querySelectorAll('#places button').length > 0", 240)
    tab.locator("#places button").first.click()
    assert int(tab.locator("#frame").input_value()) > 0
    tab.get_by_label("saved beside now").check()
    assert tab.locator("#before").inner_text() == "saved" and tab.locator("#divide").is_visible()
    frame = tab.locator("#frame").input_value()
    change = ["set", ["chain", 0, "falloff", "reach"], 0.7]
    tab.evaluate("(change) => autoweight.edit([change], 'reach')", change)
    wait(tab, "() => autoweight.work().unsaved")
    wait(tab, SETTLED)
    assert tab.locator("#frame").input_value() == frame  # the pose stays pinned
    differs = tab.evaluate(
        """() => autoweight.columns.now[8].vertices.length
           !== autoweight.columns.saved[8].vertices.length"""
    )
    assert differs


def start(place):
    code = "from autoweight.cli import main; main()"
    running = subprocess.Popen(
        [sys.executable, "-c", code, "tune", "small.glb", "--recipe", "small.toml", "--no-open"],
        cwd=place, stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip
    for line in running.stdout:
        if line.startswith("page"):
            return running, line.split()[1]
    raise AssertionError("it did not start")


def test_a_killed_server_loses_nothing(browser, place):
    running, address = start(place)
    before = (place / "small.toml").read_bytes()
    try:
        with opened(browser, address) as tab:
            change = ["set", ["chain", 0, "falloff", "reach"], 0.9]
            tab.evaluate("(change) => autoweight.edit([change], 'reach')", change)
            wait(tab, "() => autoweight.work().unsaved")
            running.send_signal(signal.SIGKILL)
            running.wait()
            running.stdout.close()
            said(tab, "cut")
            assert "no line" in tab.locator("#doing").inner_text()
            tab.locator("#save").click()
            said(tab, "nothing was changed")
        assert (place / "small.toml").read_bytes() == before
        running, address = start(place)
        with opened(browser, address) as tab:
            said(tab, "taken up again")
            assert tab.evaluate("() => autoweight.work().recipe.chain[0].falloff.reach") == 0.9
            tab.locator("#save").click()
            wait(tab, "() => !autoweight.work().unsaved")  # what was said before says saved, too
        running.send_signal(signal.SIGINT)
        assert running.wait(150) == 0
        recipe = load_recipe(place / "small.toml")
        assert recipe.chain[0].falloff.reach == 0.9
        first_pass(load(place / "small.glb"), recipe)  # names nothing that is not there
    finally:
        running.kill()
        running.stdout.close()
        running.wait()


def test_the_page_is_readable_at_twice_the_size_and_on_a_phone(tuning):
    tab, _, _ = tuning
    for width, height in ((700, 450), (360, 740)):  # 1400 × 900 at 200 %, and a phone
        tab.set_viewport_size({"width": width, "height": height})
        tab.wait_for_timeout(200)
        assert tab.evaluate("() => document.documentElement.scrollWidth") <= width
    tab.set_viewport_size({"width": 1400, "height": 900})

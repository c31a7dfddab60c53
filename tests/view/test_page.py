"""The page in a real browser: what it shows is what the file and our skinning say."""

from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy.spatial.transform import Rotation

from autoweight import Mesh, Rig, Skeleton, Weights
from autoweight.pose.clip import Clip, rest_local, turned, world
from autoweight.pose.skinning import carried, dual_quaternion, linear_blend
from autoweight.view.page import Place, page

FRAMES = 5


def tube() -> Rig:
    """A tube along x over four joints, with seven influences on every vertex."""
    x, angle = np.meshgrid(np.linspace(0, 4, 33), np.linspace(0, 2 * np.pi, 12, endpoint=False))
    vertices = np.stack([x, 0.3 * np.cos(angle), 0.3 * np.sin(angle)], axis=2).reshape(-1, 3)
    row, column = np.meshgrid(np.arange(12), np.arange(32), indexing="ij")
    a, b = 33 * row + column, 33 * ((row + 1) % 12) + column
    faces = np.concatenate([np.stack([a, b, a + 1], 2), np.stack([b, b + 1, a + 1], 2)])
    rest = np.tile(np.eye(4), (7, 1, 1))
    rest[:, 0, 3] = np.linspace(0, 3.5, 7)
    names = ("body", *(f"tail_{k}" for k in range(1, 6)), "</script>")
    weights = np.random.default_rng(3).dirichlet(np.ones(7), size=len(vertices))
    return Rig(
        Mesh(vertices, faces.reshape(-1, 3)),
        Skeleton(names, np.arange(7) - 1, rest),
        Weights(weights),
    )


@pytest.fixture(scope="module")
def shown(browser, tmp_path_factory):
    """The opened page, its rig and clip, and what the browser complained of."""
    rig = tube()
    turns = np.random.default_rng(4).uniform(-0.7, 0.7, (FRAMES, 7, 3))
    clip = Clip("bends", np.arange(FRAMES) / 2, turned(rig.skeleton, turns))
    path: Path = tmp_path_factory.mktemp("page") / "tube.html"
    path.write_text(
        page(
            rig,
            title="A tube",
            before=Weights(np.eye(7)[np.zeros(len(rig.mesh.vertices), dtype=int)]),
            clip=clip,
            places=[Place("a pinch", vertex=40, joint=2, frame=3)],
            layers={"height": rig.mesh.vertices[:, 1]},
        )
    )
    tab = browser.new_page(viewport={"width": 1200, "height": 800})
    complaints: list[str] = []
    tab.on("console", lambda message: complaints.append(message.text))
    tab.on("pageerror", lambda error: complaints.append(str(error)))
    tab.on("request", lambda request: complaints.append(request.url))
    tab.goto(path.as_uri())
    tab.wait_for_function("window.autoweight?.drawn() > 0")
    assert complaints == [path.as_uri()]  # one request, for the page itself
    yield tab, rig, clip, complaints
    assert complaints == [path.as_uri()]


def positions(tab) -> np.ndarray:
    return np.array(tab.evaluate("Array.from(autoweight.positions())")).reshape(-1, 3)


@pytest.mark.parametrize("rigid", [False, True])
def test_poses_are_those_of_our_skinning(shown, rigid):
    tab, rig, clip, _ = shown
    transforms = carried(rig.skeleton, world(rig.skeleton, clip.local))
    skinning = dual_quaternion if rigid else linear_blend
    wanted = skinning(rig.mesh.vertices, rig.weights.matrix, transforms)
    tab.get_by_label("Dual quaternion").set_checked(rigid)
    for frame in range(FRAMES):
        tab.get_by_label("Pose").fill(str(frame + 1))
        assert np.abs(positions(tab) - wanted[frame]).max() < 1e-4


def test_turning_a_joint_poses_what_hangs_from_it(shown):
    tab, rig, _, _ = shown
    tab.get_by_role("button", name="Back to neutral").click()
    tab.get_by_label("Dual quaternion").set_checked(False)
    assert np.abs(positions(tab) - rig.mesh.vertices).max() < 1e-6
    tab.get_by_role("option", name="tail_2").click()
    angles = (40, -25, 90)
    for axis, degrees in enumerate(angles):
        tab.locator(f"#turn input[data-axis='{axis}']").fill(str(degrees))
    local = rest_local(rig.skeleton)
    turn = np.eye(4)
    turn[:3, :3] = Rotation.from_euler("xyz", angles, degrees=True).as_matrix()
    local[2] = local[2] @ turn
    transforms = carried(rig.skeleton, world(rig.skeleton, local))
    wanted = linear_blend(rig.mesh.vertices, rig.weights.matrix, transforms)
    assert np.abs(positions(tab) - wanted).max() < 1e-4
    tab.get_by_role("button", name="Back to neutral").click()
    assert np.abs(positions(tab) - rig.mesh.vertices).max() < 1e-6


def test_a_vertex_shows_the_files_numbers_heaviest_first(shown):
    tab, rig, _, _ = shown
    tab.get_by_label("Vertex").fill("17")
    read = [float(text) for text in tab.locator("#bars b").all_inner_texts()]
    row = rig.weights.dense()[17]
    assert read == pytest.approx(np.sort(row)[::-1], abs=6e-5)
    assert tab.locator("#bars button").first.inner_text() == rig.skeleton.names[row.argmax()]


def test_the_character_takes_a_click(shown):
    tab, rig, _, _ = shown
    tab.keyboard.press("0")
    tab.wait_for_timeout(600)
    box = tab.locator("#body").bounding_box()
    tab.get_by_label("Vertex").fill("0")
    tab.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    picked = int(tab.get_by_label("Vertex").input_value())
    # The middle of the picture is the middle of the tube.
    assert 1 < rig.mesh.vertices[picked, 0] < 3


def test_a_joint_is_picked_on_the_body(shown):
    tab, rig, _, _ = shown
    tab.get_by_label("Pose").fill("2")
    tab.keyboard.press("0")
    tab.wait_for_timeout(600)
    box = tab.locator("#body").bounding_box()
    for number in (4, 1):
        x, y, _ = tab.evaluate(f"autoweight.jointOnCanvas({number})")
        tab.mouse.move(box["x"] + x, box["y"] + y)
        assert tab.locator("#named").inner_text() == rig.skeleton.names[number]
        tab.mouse.click(box["x"] + x, box["y"] + y)
        assert tab.evaluate("autoweight.state.joint") == number
    tab.get_by_label("Joints", exact=True).uncheck()
    tab.mouse.click(box["x"] + x, box["y"] + y)
    assert tab.evaluate("autoweight.state.vertex") >= 0  # without joints the body takes the click
    tab.get_by_label("Joints", exact=True).check()
    tab.get_by_label("Pose").fill("0")


def test_the_page_fits_a_phone(shown):
    tab, _, _, _ = shown
    tab.set_viewport_size({"width": 360, "height": 740})
    try:
        assert tab.evaluate("document.documentElement.scrollWidth") <= 360
        tab.locator("#places button").first.scroll_into_view_if_needed()
        stage = tab.locator("#stage").bounding_box()
        # The character stays in sight beside what is read below it.
        assert stage["y"] <= 1 and 250 < stage["height"] < 500
        tab.get_by_role("button", name="a pinch").click()
    finally:
        tab.set_viewport_size({"width": 1200, "height": 800})


@pytest.mark.parametrize("width", [765, 800, 900, 1024])
def test_what_heads_the_page_takes_two_lines_at_most_on_a_tablet(shown, width):
    tab, *_ = shown
    tab.set_viewport_size({"width": width, "height": 1000})
    try:
        assert tab.evaluate("document.querySelector('header').offsetHeight") < 120
        assert tab.evaluate("document.documentElement.scrollWidth") <= width
    finally:
        tab.set_viewport_size({"width": 1200, "height": 800})


def test_keys_alone_find_a_joint_and_step_through_poses(shown):
    tab, _, _, _ = shown
    tab.locator("#body").focus()
    tab.keyboard.press("/")
    tab.keyboard.type("tail_3")
    tab.keyboard.press("Enter")
    assert tab.locator("[aria-selected=true]").inner_text().startswith("tail_3")
    tab.locator("#find").fill("")
    tab.locator("#joints").focus()
    tab.keyboard.press("ArrowDown")
    assert tab.locator("[aria-selected=true]").inner_text().startswith("tail_4")
    tab.get_by_label("Pose").fill("0")
    tab.locator("#body").focus()
    tab.keyboard.press(".")
    assert tab.locator("#pose").inner_text().startswith(f"1 of {FRAMES}")


def test_a_worst_place_takes_its_reader_there(shown):
    tab, _, _, _ = shown
    tab.get_by_role("button", name="a pinch").click()
    assert tab.locator("[aria-selected=true]").inner_text().startswith("tail_2")
    assert tab.locator("#pose").inner_text().startswith(f"4 of {FRAMES}")
    assert tab.get_by_label("Vertex").input_value() == "40"


def test_a_worst_place_is_seen_from_outside_whatever_was_looked_for(shown):
    tab, _, _, _ = shown
    tab.locator("#find").fill("tail_4")
    tab.get_by_role("button", name="a pinch").click()
    assert tab.locator("[aria-selected=true]").is_visible()
    tab.wait_for_timeout(600)
    there = positions(tab)
    box = tab.locator("#body").bounding_box()
    tab.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    picked = int(tab.get_by_label("Vertex").input_value())
    # In the middle of the picture is the place itself, not what hides it from behind.
    assert np.linalg.norm(there[picked] - there[40]) < 0.1


def test_the_scale_is_in_numbers_for_every_layer(shown):
    tab, _, _, _ = shown
    for layer, low, high in (
        ("height", "-0.3", "0.3"),
        ("stretch of the surface", "1×", "2× or 0.5×"),
    ):
        tab.get_by_label("Colour by").select_option(layer)
        assert (tab.locator("#low").inner_text(), tab.locator("#high").inner_text()) == (low, high)


def test_the_same_rig_is_the_same_page():
    assert page(tube()) == page(tube())


def test_the_body_is_drawn_with_smooth_edges_at_rest(shown):
    tab, *_ = shown
    tab.wait_for_timeout(400)
    seen = Image.open(BytesIO(tab.locator("#body").screenshot())).convert("RGB")
    off = np.abs(np.asarray(seen).astype(int) - seen.getpixel((3, 3))).sum(axis=2)
    assert (off > 30).mean() > 0.02
    assert tab.evaluate("() => autoweight.smoothed()")


@pytest.mark.parametrize("width", [1200, 390])
def test_long_names_leave_the_sliders_in_reach(browser, tmp_path, width):
    """Names with spaces of their own or a path before them have 60 letters and more."""
    rig = tube()
    long = [
        f"character_0001:left_hind_leg_|_deformation_{name}_joint" for name in rig.skeleton.names
    ]
    rig = replace(rig, skeleton=replace(rig.skeleton, names=tuple(long)))
    worst = [Place(f"edges at {long[2]} are stretched", vertex=40, joint=2, frame=0)]
    (tmp_path / "tube.html").write_text(page(rig, title="A tube", places=worst))
    tab = browser.new_page(viewport={"width": width, "height": 800})
    tab.goto((tmp_path / "tube.html").as_uri())
    tab.wait_for_function("window.autoweight?.drawn() > 0")
    beyond = """() => [...document.querySelectorAll("body *")].filter((each) =>
        each.getBoundingClientRect().right > document.documentElement.clientWidth + 1
    ).map((each) => each.outerHTML)"""
    assert tab.evaluate(beyond) == []
    for name in ("Play", "Back to neutral"):  # in one line, whatever is beside them
        assert tab.get_by_role("button", name=name, exact=True).bounding_box()["height"] < 34
    tab.close()

import re
from dataclasses import replace

import numpy as np
import pytest
from bodies import skeleton, straight, tube

from autoweight import Rig, Weights, solve
from autoweight.errors import WeightsError
from autoweight.flexing import flex
from autoweight.pose.motion import range_of_motion
from autoweight.view.report import chain_sheets, report, worst_sheet
from autoweight.weights.checking import check


@pytest.fixture(scope="module")
def reviewed():
    mesh, _ = tube(straight, 4, 0.3, 33, 12)
    joints = skeleton([[x, 0, 0] for x in range(5)])
    joints = replace(joints, names=("a", "b", "c", "d", "</table>"))
    rig = Rig(mesh, joints)
    rig = replace(rig, weights=solve(rig))
    clip = range_of_motion(rig.skeleton)
    return rig, clip, flex(rig, clip)


def test_a_report_has_every_fact_and_escapes_every_name(reviewed):
    rig, clip, flexion = reviewed
    facts = check(rig)
    text = report(rig, facts, flexion, clip, title="a & b", recipe='method = "<heat>"')
    assert all(fact.name in text for fact in facts)
    assert "a &amp; b" in text and "&lt;heat&gt;" in text
    assert text.count("</table>") == text.count("<table>")  # none from a joint's name
    assert not re.search(r'(src|href)="(?!data:)', text)  # nothing from elsewhere
    assert text == report(rig, facts, flexion, clip, title="a & b", recipe='method = "<heat>"')


def test_a_report_begins_with_what_is_to_be_done_and_folds_what_is_sound(reviewed):
    rig, clip, flexion = reviewed
    facts = [replace(fact, finding=False) for fact in check(rig)]
    clean = report(rig, facts, replace(flexion, places=()), clip)
    assert "Nothing left to do" in clean and "<img" not in clean.split("<details>")[0]
    worst = replace(flexion.places[0], limit=flexion.places[0].value / 3)
    looked = [replace(facts[0], finding=True, where=(0, 5)), *facts[1:]]
    text = report(rig, looked, replace(flexion, places=(worst,)), clip)
    before, folded = text.split("<details>", 1)
    assert "To do: 1 place over a limit in motion and 1 thing to look at" in before
    assert before.count("<img") == 2 and worst.told in before and facts[0].name in before
    assert all(f"<td>{fact.name}</td>" in folded for fact in facts[1:]) and "<td>" not in before


def test_a_chain_is_drawn_by_at_most_four_of_its_joints(reviewed):
    rig, _, _ = reviewed
    ((_, sheet),) = chain_sheets(rig)
    assert sheet.ndim == 3 and sheet.shape[1] > 4 * 300
    # Somewhere the deepest colour of the scale has been put on, and the palest.
    assert sheet.astype(int).sum(axis=2).min() < 250 and sheet.max() > 240


def test_worst_poses_are_drawn_as_posed(reviewed):
    rig, clip, flexion = reviewed
    worst = flexion.places[:1]
    posed = worst_sheet(rig, worst, clip)
    held = replace(rig, weights=Weights(np.eye(5)[np.zeros(len(rig.mesh.vertices), dtype=int)]))
    assert posed is not None and (posed != worst_sheet(held, worst, clip)).any()
    assert worst_sheet(rig, (), clip) is None


def test_a_rig_without_weights_has_no_report(reviewed):
    rig, _, _ = reviewed
    with pytest.raises(WeightsError):
        chain_sheets(replace(rig, weights=None))


def test_what_is_folded_on_the_screen_is_on_paper(reviewed, browser, tmp_path):
    rig, clip, flexing = reviewed
    text = report(rig, check(rig), flexing, clip, title="tube")
    (tmp_path / "report.html").write_text(text)
    page = browser.new_page(color_scheme="dark", viewport={"width": 700, "height": 900})
    page.goto((tmp_path / "report.html").as_uri())
    measure = """() => [...document.querySelectorAll('details img, details table')].map(
        each => each.checkVisibility({contentVisibilityAuto: true}) && each.offsetHeight > 0)"""
    ink = "getComputedStyle(document.body).color"
    on_screen, pale = page.evaluate(measure), page.evaluate(ink)
    page.emulate_media(media="print")
    # What is in sight is only known once a frame has been drawn.
    page.evaluate("() => new Promise(done => requestAnimationFrame(() => setTimeout(done)))")
    on_paper, dark = page.evaluate(measure), page.evaluate(ink)
    page.close()
    assert len(on_paper) > 2 and all(on_paper) and not any(on_screen)
    assert (pale, dark) == ("rgb(233, 230, 223)", "rgb(34, 40, 43)")

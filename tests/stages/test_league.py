import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import pytest

from autoweight import Mesh, Rig, Skeleton, Weights, save
from autoweight.errors import FileError, RecipeError
from autoweight.stages.league import Limits, Measures, Result, league, summaries
from autoweight.view.plot import plot, save_plot

QUICK = Limits(seconds=30, megabytes=4000, repeats=1)


@pytest.fixture(scope="module")
def bar(tmp_path_factory) -> str:
    """A square bar along x whose two joints hand over at its middle."""
    x, corner = np.meshgrid(np.linspace(0, 4, 17), np.arange(4), indexing="ij")
    y, z = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])[corner.ravel()].T * 0.3
    vertices = np.stack([x.ravel(), y, z], axis=1)
    a = (4 * np.arange(16)[:, None] + np.arange(4)).ravel()
    b = (4 * np.arange(16)[:, None] + (np.arange(4) + 1) % 4).ravel()
    faces = np.concatenate([np.stack([a, a + 4, b], 1), np.stack([b, a + 4, b + 4], 1)])
    rest = np.tile(np.eye(4), (2, 1, 1))
    rest[1, 0, 3] = 2
    far = np.clip(vertices[:, 0] - 1.5, 0, 1)
    rig = Rig(
        Mesh(vertices, faces),
        Skeleton(("near", "far"), [-1, 0], rest),
        Weights(np.stack([1 - far, far], axis=1)),
    )
    path = tmp_path_factory.mktemp("league") / "bar.glb"
    save(rig, path)
    return str(path)


@pytest.fixture
def contenders(monkeypatch):
    """Spawned processes look for a user's own module where Python is told to."""
    monkeypatch.syspath_prepend(Path(__file__).parents[1] / "given")


def test_every_measure_is_there_for_a_method_that_finishes(bar):
    (line,) = league([bar], ["nearest"], QUICK)
    measures = line.measures
    assert line.trouble == "" and measures is not None
    assert measures.seconds > 0 and measures.megabytes > 10
    # Rigid halves against a ramp one unit wide on a bar of four: |w - a| sums to 2 · 1/2 · 1/2
    # over a quarter of the length, sampled at five rows with caps left out.
    assert 0.05 < measures.l1 < 0.2
    assert measures.recall < 1 and measures.precision == 1
    assert measures.influences == 1
    assert measures.uneven is None
    assert measures.flex_worst >= measures.flex_mean >= 0


def test_trouble_is_a_line_and_not_the_end(bar, contenders):
    names = ["crashing", "greedy", "wrong", "shapeless", "fair"]
    lines = league([bar], [f"contenders:{name}" for name in names], QUICK)
    trouble = {line.method.split(":")[1]: line.trouble for line in lines}
    assert trouble["crashing"] == "crashed with exit code -6"
    assert trouble["greedy"] == "needs more than 4000 MB"
    assert "failed (KeyError: 'no such luck')" in trouble["wrong"]
    assert "need shape (68, 2), got (2, 2)" in trouble["shapeless"]
    assert trouble["fair"] == "" and lines[-1].measures is not None
    assert lines[0].flat()["l1"] is None


def test_a_method_that_outstays_its_time_is_stopped(bar, contenders):
    (line,) = league([bar], ["contenders:slow"], Limits(seconds=3, megabytes=4000, repeats=1))
    assert line.trouble == "not done after 3 s"


def test_a_method_that_cannot_be_found_is_said_at_once(bar):
    with pytest.raises(RecipeError, match="heat"):
        league([bar], ["heta"], QUICK)


def test_what_is_kept_is_not_done_again(bar, tmp_path, monkeypatch):
    recipe = tmp_path / "soft.toml"
    recipe.write_text('method = "nearest"\n')
    names = ["nearest", str(recipe)]
    first = league([bar], names, QUICK, keep=tmp_path / "kept")
    assert first[0].measures.l1 == first[1].measures.l1

    def refuse(work, jobs, *more, **options):
        assert jobs == asked
        return iter(())

    monkeypatch.setattr("autoweight.stages.league.hand_out", refuse)
    asked = []
    told = []
    again = league([bar], names, QUICK, keep=tmp_path / "kept", told=told.append)
    assert [each.measures for each in again] == [each.measures for each in first]
    assert told == again
    recipe.write_text('method = "inverse"\n')
    with pytest.raises(AssertionError):
        league([bar], names, QUICK, keep=tmp_path / "kept")


def test_means_over_rigs_come_with_their_intervals():
    """The interval of a mean of equal values is none; one of spread values has the mean in it."""

    def line(rig: str, method: str, l1: float) -> Result:
        return Result(rig, method, Measures(1.0, 1, l1, 1, 1, 0, 0, 0, None, 1, 0, 0))

    lines = [line(f"{n}.glb", "heat", n / 10) for n in range(1, 7)]
    lines += [line(f"{n}.glb", "bands", 0.5) for n in range(1, 6)]
    lines.append(Result("6.glb", "bands", None, "crashed"))
    found = {(each.method, each.measure): each for each in summaries(lines)}
    heat, bands = found["heat", "l1"], found["bands", "l1"]
    assert heat.rigs == bands.rigs == 5  # the rig that one of them failed on counts for none
    assert heat.mean == pytest.approx(0.3)
    assert 0.1 < heat.low < heat.mean < heat.high < 0.5
    assert bands.low != bands.low  # not a number


def test_the_plot_has_a_mark_for_each_method_and_rig_that_finished(bar, tmp_path):
    lines = league([bar], ["nearest", "inverse"], QUICK)
    failed = Result("nowhere.glb", "heat", None, "crashed")
    path = tmp_path / "league.svg"
    save_plot([*lines, failed], path)
    drawn = ElementTree.parse(path).getroot()
    space = "{http://www.w3.org/2000/svg}"
    told = [each.find(f"{space}title").text for each in drawn.iter(f"{space}polygon")]
    assert [each for each in told if " on bar: " in each] == told[:2]
    assert told[2:] == ["nearest", "inverse", "heat"]  # the legend


def test_further_up_the_plot_is_further_from_the_rigs_weights():
    near, far = (
        Result("a.glb", name, Measures(1.0, 1, l1, 1, 1, 0, 0, 0, None, 1, 0, 0))
        for name, l1 in (("near", 0.1), ("far", 0.4))
    )
    drawn = plot([near, far])
    heights = [
        float(points.split()[0].split(",")[1]) for points in re.findall('points="([^"]+)"', drawn)
    ]
    assert heights[1] < heights[0]


def test_a_plot_of_nothing_is_a_drawing_all_the_same():
    ElementTree.fromstring(plot([Result("a.glb", "heat", None, "crashed")]))


def test_a_plot_is_svg_or_an_error(tmp_path):
    with pytest.raises(FileError, match=r"\.svg"):
        save_plot([], tmp_path / "league.png")

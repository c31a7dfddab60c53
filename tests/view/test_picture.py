"""Pictures against images whose pixels are known beforehand."""

import igl
import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont

from autoweight.errors import RecipeError, WeightsError
from autoweight.rig import Mesh, Rig, Skeleton, Weights
from autoweight.view.picture import best_view, picture, view
from autoweight.view.raster import rasterise
from autoweight.view.sheet import contact_sheet, save_png, sheet


def ball(halvings=4):
    vertices, faces = igl.upsample(*igl.icosahedron(), number_of_subdivs=halvings)
    return Mesh(vertices / np.linalg.norm(vertices, axis=1)[:, None], faces)


def two_joints():
    rest = np.array([np.eye(4), np.eye(4)])
    rest[1, 0, 3] = 0.5
    return Skeleton(("root", "tip"), np.array([-1, 0]), rest)


def test_square_covers_its_pixels_and_no_others():
    screen = np.array([(2.0, 3, 0), (7, 3, 0), (7, 9, 0), (2, 9, 0)])
    hits = rasterise(screen, np.array([(0, 1, 2), (0, 2, 3)]), 12, 10)
    wanted = np.zeros((10, 12), dtype=bool)
    wanted[3:9, 2:7] = True
    np.testing.assert_array_equal(hits.face >= 0, wanted)


def test_values_are_interpolated_along_straight_lines():
    rng = np.random.default_rng(5)
    screen = rng.uniform(0, 64, (3, 3))
    faces = np.array([(0, 1, 2)])
    hits = rasterise(screen, faces, 64, 64)
    row, column = np.nonzero(hits.face >= 0)
    assert len(row) > 20
    found = hits.interpolate(faces, screen)
    np.testing.assert_allclose(found[:, :2], np.stack([column, row], axis=1) + 0.5)


def test_silhouette_of_a_ball_is_a_disc():
    """Its area is πr²; a polyhedron inside the ball covers a little less."""
    mesh = ball()
    screen = mesh.vertices * 200 + 256
    area = (rasterise(screen, mesh.faces, 512, 512).face >= 0).sum()
    assert 0.995 < area / (np.pi * 200**2) <= 1.0005


def test_depth_decides_pixel_by_pixel():
    """Two planes that cross: each is seen where it is nearer."""
    square = np.array([(0.0, 0), (64, 0), (64, 64), (0, 64)])
    rising = np.column_stack([square, square[:, 0]])
    falling = np.column_stack([square, 64 - square[:, 0]])
    faces = np.array([(0, 1, 2), (0, 2, 3), (4, 5, 6), (4, 6, 7)])
    face = rasterise(np.concatenate([rising, falling]), faces, 64, 64).face
    assert (face[:, :32] <= 1).all() and (face[:, 32:] >= 2).all() and face.min() >= 0


def test_order_of_faces_decides_only_ties():
    square = np.array([(0.0, 0, 5), (9, 0, 5), (9, 9, 5), (0, 9, 5)])
    both = np.concatenate([square, square])
    faces = np.array([(0, 1, 2), (0, 2, 3), (4, 5, 6), (4, 6, 7)])
    assert rasterise(both, faces, 9, 9).face.max() == 1
    assert rasterise(both, faces[::-1], 9, 9).face.max() == 1


def test_what_is_outside_the_picture_or_on_edge_is_left_out():
    screen = np.array([(-50.0, -50, 0), (-40, -50, 0), (-40, -40, 0), (3, 3, 0), (5, 5, 0)])
    faces = np.array([(0, 1, 2), (3, 4, 4), (3, 4, 3)])
    assert (rasterise(screen, faces, 8, 8).face == -1).all()


def test_picture_shows_the_value_where_it_is():
    mesh = ball()
    values = (mesh.vertices[:, 0] > 0).astype(float)
    image = picture(mesh, values, seen=view(mesh.vertices, (0, 0, 1)), width=200, height=160)
    assert image.shape == (160, 200, 3) and image.dtype == np.uint8
    brightness = image.sum(axis=2, dtype=int)
    assert brightness[80, 140] < brightness[80, 60] < brightness[2, 2]


def test_view_holds_every_point():
    rng = np.random.default_rng(1)
    points = rng.normal(size=(200, 3)) * (1, 5, 2)
    seen = view(points, (1, 0.4, 0.3))
    offset = np.abs((points - seen.centre) @ seen.axes.T)[:, :2]
    assert (offset < seen.extent).all()
    np.testing.assert_allclose(seen.axes @ seen.axes.T, np.eye(3), atol=1e-12)


def test_best_view_looks_at_the_value():
    mesh = ball()
    values = np.clip(mesh.vertices @ np.array([-0.6, 0.5, -0.6]) - 0.8, 0, 1)
    seen = best_view(mesh, values)
    assert seen.axes[2] @ (-0.6, 0.5, -0.6) > 0.8


def test_pictures_are_the_same_every_time():
    mesh = ball(3)
    first, second = (picture(mesh, mesh.vertices[:, 1] ** 2, width=80, height=60) for _ in "ab")
    np.testing.assert_array_equal(first, second)


def test_sheet_is_written(tmp_path):
    mesh = ball(3)
    share = np.clip(mesh.vertices[:, 0], 0, 1)
    rig = Rig(mesh, two_joints(), Weights(np.stack([1 - share, share], axis=1)))
    sheet(rig, ["root", "tip"], tmp_path / "weights.png")
    with Image.open(tmp_path / "weights.png") as image:
        assert image.format == "PNG" and image.width > 720
    with pytest.raises(RecipeError, match="'tip'"):
        sheet(rig, ["tipp"], tmp_path / "no.png")
    with pytest.raises(WeightsError):
        sheet(Rig(mesh, two_joints()), ["tip"], tmp_path / "no.png")
    assert not (tmp_path / "no.png").exists()


def test_tiles_are_copied_as_they_are(tmp_path):
    tiles = [(str(shade), np.full((20, 30, 3), shade, np.uint8)) for shade in (10, 90, 170)]
    whole = contact_sheet(tiles, columns=2)
    save_png(whole, tmp_path / "tiles.png")
    with Image.open(tmp_path / "tiles.png") as image:
        read = np.asarray(image)
    np.testing.assert_array_equal(read, whole)
    for shade in (10, 90, 170):
        assert (read == shade).all(axis=2).sum() >= 20 * 30


def test_names_under_pictures_do_not_run_into_each_other():
    # A hundred letters are wider than any tile; the ink of one must leave a gap to the next.
    blank = np.full((40, 200, 3), 255, dtype=np.uint8)
    drawn = contact_sheet([("w" * 100, blank), ("w" * 100, blank)])
    gap = drawn[44:, 14 + 201 : 14 + 213]
    assert (gap == gap[0, 0]).all()


def test_a_name_of_any_length_is_shortened_in_few_steps(monkeypatch):
    # Letter by letter, a joint whose name has five thousand took minutes.
    measured, real = [], ImageDraw.ImageDraw.textlength
    monkeypatch.setattr(
        ImageDraw.ImageDraw,
        "textlength",
        lambda draw, text, *more: measured.append(text) or real(draw, text, *more),
    )
    blank = np.full((40, 200, 3), 255, dtype=np.uint8)
    contact_sheet([("w" * 5000, blank)])
    assert len(measured) < 20
    font = ImageFont.load_default(15)
    draw = ImageDraw.Draw(Image.new("RGB", (1, 1)))
    widths = [real(draw, text, font) for text in measured]
    assert max(width for width in widths if width <= 200) > 180
